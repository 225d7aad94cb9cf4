"""A write that stopped on the way: what stands there up to a place, and blank behind it."""

from __future__ import annotations

import numpy as np

from spiflash.dump.finding import Verdict
from spiflash.dump.layout.region import Layout, Role
from spiflash.dump.triage.likeness import (
    alike,
    blank_since,
    blank_until,
    first_difference,
    last_difference,
    used,
)
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind, Whole
from spiflash.spans import SECTOR

_MOST_ERASED = 512 << 10
"""Bytes that an update erases ahead of its writing, at most (common practice, no source)."""

_LARGEST_BLOCK = 64 << 10
_MOSTLY = 0.5


def interrupted(
    chip: Reference, own: Reference | None, model: Reference | None, layout: Layout
) -> Whole | None:
    """The write that stopped, of the image or of one that is not at hand; None when none did."""
    contents = chip.contents
    if model is not None:
        found = _stopped_image(contents, model.sized(len(contents)), own)
        if found is not None:
            return found
    if own is not None:
        old = own.sized(len(contents))
        return _stopped_unknown(contents, old) or _stopped_for_good(chip, old, layout)
    return None


def _stopped_image(contents: bytes, image: bytes, own: Reference | None) -> Whole | None:
    """The chip holds `image` up to a place, then blank up to a sector boundary at least, and
    then anything but the image."""
    size = len(contents)
    stop = first_difference(contents, image)
    end = blank_until(contents, stop)
    # The last sector may be half full, and what follows a full one may be blank too.
    reached = min(-(-stop // SECTOR) * SECTOR, size)
    if stop < SECTOR or stop == size or end < min(reached, size) or end == stop:
        return None
    before = used(contents[: stop // SECTOR * SECTOR])
    wanted = used(image)
    if not before.any():
        return None
    if own is not None and contents[:stop] == own.sized(size)[:stop]:
        # What is right up to here was so before: nothing tells of an update.
        return None
    rest = end // SECTOR
    behind = used(contents)[rest:]
    erased = min(end, -(-(stop + 1) // _LARGEST_BLOCK) * _LARGEST_BLOCK)
    if not behind.any():
        lacking = int(wanted[stop // SECTOR :].sum())
        if not lacking:
            return None
        return _stopped(contents, stop, size, "blank", known=True)
    same = alike(image[rest * SECTOR :], contents[rest * SECTOR :])
    if same > _MOSTLY and own is None:
        # Behind the blank the image goes on: a part of it was erased.
        return None
    if own is not None and alike(contents[rest * SECTOR :], own.sized(size)[rest * SECTOR :]) < 0.1:
        return None
    return _stopped(contents, stop, erased, "blank, then the old contents", known=True)


def _stopped_unknown(contents: bytes, old: bytes) -> Whole | None:
    """The chip holds `old` from a place on, in front of it a blank, and other contents before
    that: an update whose image is not at hand."""
    same_from = last_difference(contents, old)
    end = -(-same_from // SECTOR) * SECTOR
    stop = blank_since(contents, same_from)
    if end == 0 or stop < SECTOR or same_from - stop == 0 or end - stop > _MOST_ERASED:
        return None
    if not used(contents[end:]).any():
        return None
    if _only_set(contents[:end], old[:end]):
        # An erase that was cut short leaves blanks, too.
        return None
    front = stop // SECTOR * SECTOR
    before = used(contents[:front])
    if not before.any() or alike(old[:front], contents[:front]) > _MOSTLY:
        return None
    return _stopped(contents, stop, end, "blank, then the old contents", known=False)


def _only_set(now: bytes, before: bytes) -> bool:
    """Whether bits went from 0 to 1 and none the other way."""
    a, b = np.frombuffer(now, np.uint8), np.frombuffer(before, np.uint8)
    return bool(((a & b) == b).all())


def _stopped_for_good(chip: Reference, old: bytes, layout: Layout) -> Whole | None:
    """Nothing but blank follows other contents than `old`, where a piece of the firmware should
    stand or one that has begun should end."""
    contents = chip.contents
    stop = blank_since(contents, len(contents))
    front = stop // SECTOR * SECTOR
    if front < SECTOR or alike(old[:front], contents[:front]) > _MOSTLY:
        return None
    lacking = [
        region
        for region in layout.regions
        if region.role in (Role.KERNEL, Role.ROOT)
        and region.start >= stop
        and used(old[region.start : region.end]).any()
    ]
    cut = [
        each
        for each in chip.findings
        if each.verdict is Verdict.DAMAGED and each.start < stop <= each.end
    ]
    if not lacking and not cut:
        return None
    return _stopped(contents, stop, len(contents), "blank to the end of the chip", known=False)


def _stopped(contents: bytes, stop: int, reached: int, what: str, *, known: bool) -> Whole:
    image = "the image" if known else "an unknown image"
    detail = f"{image} was written up to {stop:06X}h; after that {what}"
    return Whole(Kind.INTERRUPTED, detail, contents, stop, reached, known=known)
