"""Parts of an image: regions of a layout by name, or plain ranges."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from spiflash.dump.formats.devicetree import find_device_trees
from spiflash.dump.formats.environment import find_environments
from spiflash.dump.layout import Layout, find_layouts
from spiflash.dump.survey import survey
from spiflash.errors import ImageError, UsageError
from spiflash.jobs.audit import load_layout
from spiflash.jobs.image import Image
from spiflash.plan.steps import merged

_RANGE = re.compile(r"0[xX]([0-9a-fA-F]{1,8})\+0[xX]([0-9a-fA-F]{1,8})")


def only_regions(
    image: Image, names: Sequence[str], layout: Path | None = None, size: int | None = None
) -> Image:
    """`image`, of which only the regions `names` are to be written.

    A name is a region's or a group's, or a range such as 0x40000+0x10000 (start, length).
    Regions are those of the file `layout`, or of the layout that the image states. `size` is
    that of the chip, whose layout it has to be.

    Raises `LayoutError` for names that do not exist, `UsageError` for ranges that make no
    sense, `ImageError` for regions that the image does not reach.
    """
    spans = []
    known: Layout | None = load_layout(layout) if layout is not None else None
    for name in names:
        plain = _RANGE.fullmatch(name)
        if plain:
            start, length = int(plain[1], 16), int(plain[2], 16)
        else:
            known = known or _stated(image)
            region = known.region(name)
            start, length = region.start, region.length
        end = start + length
        if length < 1 or (size is not None and end > size):
            raise UsageError(
                f"The region {name} does not lie on this chip.",
                state="Nothing has been erased or written.",
                remedy="Give a region of the layout, or a range such as 0x40000+0x10000.",
            )
        if end > len(image.contents):
            raise ImageError(
                f"{image.name} has {len(image.contents)} bytes and does not reach the end of "
                f"{name}, {end:#x}.",
                state="Nothing has been erased or written.",
                remedy="Use an image of the whole chip, or leave that region out.",
            )
        spans.append((start, end))
    return replace(image, parts=merged(sorted(spans)))


def _stated(image: Image) -> Layout:
    """The layout that an image states, or suggests."""
    contents = image.contents
    # What can state one is found quickly; to suggest one, everything has to be looked at.
    found = (*find_environments(contents), *find_device_trees(contents))
    known = find_layouts(contents, found)[0]
    if known.at is None:
        known = find_layouts(contents, survey(contents))[0]
    return known.layout
