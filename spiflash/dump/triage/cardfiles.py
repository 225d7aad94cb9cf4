"""Which contents belong under which name on an SD card.

The names are those that the boot loader's scripts load; what is meant by a name is common
practice, no source: a loader, a device tree, a kernel or a root file system says so in its name,
and what is left is the image of the whole flash.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from spiflash.dump.layout.region import Layout, Region, Role
from spiflash.dump.triage.card import card_files
from spiflash.dump.triage.reference import Reference

_MEANT = (
    (Role.TREE, re.compile(r"\.dtb$|fdt|devicetree", re.IGNORECASE)),
    (Role.KERNEL, re.compile(r"kernel|[uz]image|linux|\.itb$", re.IGNORECASE)),
    (Role.ROOT, re.compile(r"root|squash", re.IGNORECASE)),
    (Role.BOOT, re.compile(r"ldr|loader|boot|spl|bootstrap", re.IGNORECASE)),
)


@dataclass(frozen=True, slots=True)
class CardFile:
    """A file for the card; `what` says in words what it holds, `start` where that stands in
    the flash."""

    name: str
    contents: bytes
    what: str
    start: int


def files_for_card(image: Reference, names: tuple[str, ...] = ()) -> tuple[CardFile, ...]:
    """The files that the boot loader in `image` asks for, or the `names` given instead.

    A name with folders keeps them. Empty when nothing says which names are looked for.
    """
    return tuple(_file(image, name) for name in names or card_files(image.hints))


def _file(image: Reference, name: str) -> CardFile:
    role = next((role for role, pattern in _MEANT if pattern.search(name)), None)
    region = _region(image.layout, role)
    if region is None:
        return CardFile(name, image.contents, "the whole image", 0)
    contents = image.contents[region.start : region.end]
    if role is not Role.BOOT:
        # The boot loader takes the file's own length; the blank rest of a region is not of it.
        contents = contents.rstrip(b"\xff") or contents
    return CardFile(name, contents, f"region {region.name}", region.start)


def _region(layout: Layout, role: Role | None) -> Region | None:
    return next((each for each in layout.regions if each.role is role), None)
