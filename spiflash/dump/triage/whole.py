"""What happened to the chip as a whole: swapped, moved, cut off, or a write that stopped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.compare.sectors import differing
from spiflash.dump.compare.whole import SECTOR, find_shifts, swapped
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.banner import find_banners
from spiflash.dump.layout.region import Layout, Role
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind

Flags = NDArray[np.bool_]

_MOST_ERASED = 512 << 10
"""Bytes that an update erases ahead of its writing, at most (common practice, no source)."""

_MOSTLY = 0.5
_UNITS = ((2, "pairs"), (4, "fours"))


@dataclass(frozen=True, slots=True)
class Whole:
    """`view` is the chip put in order as far as that can be done; `stop` the address at which
    a write stopped, `reached` up to where it had erased; `known` that the image it wrote is the
    one at hand."""

    kind: Kind
    detail: str
    view: bytes
    stop: int | None = None
    reached: int = 0
    shift: int = 0
    known: bool = False


def whole(
    chip: Reference, own: Reference | None, model: Reference | None, layout: Layout
) -> Whole | None:
    """The explanation that holds for the chip as a whole, or None."""
    contents = chip.contents
    if contents.count(0xFF) == len(contents):
        return Whole(Kind.ERASED, "the whole chip is blank", contents)
    known = [each for each in (own, model) if each is not None]
    return (
        _swapped(chip, known)
        or _cut_off(chip, model)
        or _shifted(chip, known, layout)
        or _interrupted(chip, own, model, layout)
    )


def used(contents: bytes) -> Flags:
    """For each whole sector, whether it holds anything but FFh."""
    data = np.frombuffer(contents, np.uint8, len(contents) // SECTOR * SECTOR)
    found: Flags = (data.reshape(-1, SECTOR) != 0xFF).any(axis=1)
    return found


def alike(a: bytes, b: bytes) -> float:
    """The share of the used sectors of `b` that `a` holds at the same place."""
    both = used(b)
    if not both.any():
        return 0.0
    same = np.ones(len(both), dtype=bool)
    same[[place for place in differing(a, b).tolist() if place < len(both)]] = False
    return float(same[both].mean())


def _swapped(chip: Reference, known: Sequence[Reference]) -> Whole | None:
    contents = chip.contents
    others = [each.sized(len(contents)) for each in known]
    if any(alike(contents, other) > _MOSTLY for other in others):
        return None
    for width, words in _UNITS:
        turned = swapped(contents, width)
        if any(alike(turned, other) > _MOSTLY for other in others):
            return _as_swapped(turned, words)
        if any(True for _ in find_banners(contents)):
            continue
        if any(True for _ in find_banners(turned)):
            return _as_swapped(turned, words)
    return None


def _as_swapped(turned: bytes, words: str) -> Whole:
    return Whole(Kind.SWAPPED, f"the bytes are swapped in {words}", turned)


def _cut_off(chip: Reference, model: Reference | None) -> Whole | None:
    size = len(chip.contents)
    if model is not None and len(model.contents) > size:
        tail = model.contents[size:]
        if alike(chip.contents, model.sized(size)) > _MOSTLY and tail.count(0xFF) != len(tail):
            over = len(tail)
            return Whole(
                Kind.CUT_OFF,
                f"the image has {over} bytes more than the chip",
                chip.contents,
            )
    if chip.stated and chip.remarks and _too_long(chip.findings, size):
        return Whole(Kind.CUT_OFF, chip.remarks[0].rstrip("."), chip.contents)
    return None


def _too_long(findings: Sequence[Finding], size: int) -> bool:
    """Whether something that is damaged reaches up to the end of the chip."""
    return any(each.verdict is Verdict.DAMAGED and each.end >= size for each in findings) or not (
        any(each.verdict is Verdict.BLANK and each.end >= size for each in findings)
    )


def _shifted(chip: Reference, known: Sequence[Reference], layout: Layout) -> Whole | None:
    contents = chip.contents
    size = len(contents)
    for each in known:
        other = each.sized(size)
        places = differing(other, contents)
        if len(places) * SECTOR < size // 64 or alike(contents, other) > _MOSTLY:
            continue
        for shift in find_shifts(other, contents, places):
            if alike(moved(contents, -shift), other) > _MOSTLY:
                return _as_shifted(contents, shift)
    if any(alike(contents, each.sized(size)) > _MOSTLY for each in known):
        return None
    found: dict[int, int] = {}
    for region in layout.regions:
        kinds = _BY_ROLE.get(region.role, ())
        near = [f.start - region.start for f in chip.findings if f.kind in kinds]
        near = [shift for shift in near if shift < region.length and -shift <= region.length]
        if near:
            best = min(near, key=abs)
            found[best] = found.get(best, 0) + 1
    if found:
        shift = max(found, key=lambda each: found[each])
        if shift and found[shift] >= 2:
            return _as_shifted(contents, shift)
    return None


_BY_ROLE = {
    Role.KERNEL: ("uboot-image", "fit"),
    Role.ROOT: ("squashfs", "cramfs", "romfs"),
    Role.TREE: ("devicetree",),
}


def moved(contents: bytes, by: int) -> bytes:
    """`contents` moved up by `by` bytes (down when negative); blank where nothing comes."""
    if by >= 0:
        return (b"\xff" * by + contents)[: len(contents)]
    return contents[-by:].ljust(len(contents), b"\xff")


def _as_shifted(contents: bytes, shift: int) -> Whole:
    way = "behind" if shift > 0 else "before"
    detail = f"everything stands {abs(shift)} bytes ({abs(shift):X}h) {way} its place"
    return Whole(Kind.SHIFTED, detail, moved(contents, -shift), shift=shift)


def _interrupted(
    chip: Reference, own: Reference | None, model: Reference | None, layout: Layout
) -> Whole | None:
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
        return _stopped(contents, stop, size, "blank behind", known=True)
    same = alike(image[rest * SECTOR :], contents[rest * SECTOR :])
    if same > _MOSTLY and own is None:
        # Behind the blank the image goes on: a part of it was erased.
        return None
    if own is not None and alike(contents[rest * SECTOR :], own.sized(size)[rest * SECTOR :]) < 0.1:
        return None
    return _stopped(contents, stop, erased, "old contents behind", known=True)


_LARGEST_BLOCK = 64 << 10


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
    return _stopped(contents, stop, end, "old contents behind", known=False)


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
    return _stopped(contents, stop, len(contents), "to the end of the chip", known=False)


def _stopped(contents: bytes, stop: int, reached: int, what: str, *, known: bool) -> Whole:
    image = "the image" if known else "an image that is not at hand"
    detail = f"{image} stands there up to {stop:06X}h, then blank, {what}"
    return Whole(Kind.INTERRUPTED, detail, contents, stop, reached, known=known)


def first_difference(a: bytes, b: bytes) -> int:
    """The first address at which they differ; their length when they do not."""
    places = differing(a, b)
    if not len(places):
        return len(a)
    start = int(places[0]) * SECTOR
    x = np.frombuffer(a, np.uint8)[start : start + SECTOR]
    y = np.frombuffer(b, np.uint8)[start : start + SECTOR]
    return start + int(np.argmax(x != y))


def last_difference(a: bytes, b: bytes) -> int:
    """The address after the last byte in which they differ; 0 when they do not."""
    places = differing(a, b)
    if not len(places):
        return 0
    start = int(places[-1]) * SECTOR
    x = np.frombuffer(a, np.uint8)[start : start + SECTOR]
    y = np.frombuffer(b, np.uint8)[start : start + SECTOR]
    return start + int(np.flatnonzero(x != y)[-1]) + 1


def blank_until(contents: bytes, start: int) -> int:
    """The address after the run of FFh that begins at `start`."""
    data = np.frombuffer(contents, np.uint8)[start:]
    places = np.flatnonzero(data != 0xFF)
    return start + (int(places[0]) if len(places) else len(data))


def blank_since(contents: bytes, end: int) -> int:
    """Where the run of FFh that ends before `end` begins."""
    data = np.frombuffer(contents, np.uint8)[:end]
    places = np.flatnonzero(data != 0xFF)
    return int(places[-1]) + 1 if len(places) else 0
