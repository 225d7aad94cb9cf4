"""How a chip differs from what it should hold, and what happened to it as a whole.

Two contents are compared by sectors and bytes: what is blank, out of place, or has bits that only
an erase sets. The chip as a whole may be swapped, moved, too small for its image, or be one on
which a write stopped.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.audit import survey
from spiflash.dump.coverage import sectors_of
from spiflash.dump.differences import array, differing, find_shifts, swapped
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats import is_blank
from spiflash.dump.formats.programs import find_banners
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage.references import Reference
from spiflash.dump.triage.result import MOST_PLACES, ChipState, Kind, RegionFinding
from spiflash.spans import SECTOR, Span, merged
from spiflash.text import counted

Flags = NDArray[np.bool_]


def used(contents: bytes) -> Flags:
    """For each whole sector, whether it holds anything but FFh."""
    found: Flags = (sectors_of(contents) != 0xFF).any(axis=1)
    return found


def equal_sectors_share(a: bytes, b: bytes) -> float:
    """The share of the used sectors of `b` that `a` holds at the same place."""
    both = used(b)
    if not both.any():
        return 0.0
    same = np.ones(len(both), dtype=bool)
    same[[place for place in differing(a, b).tolist() if place < len(both)]] = False
    return float(same[both].mean())


def equal_bytes_share(a: bytes, b: bytes) -> float:
    """The share of equal bytes among those that neither holds as FFh, both of one length.

    A part that was erased counts for nothing: what is left of a piece still tells what it was.
    0 when fewer than 16 bytes are left.
    """
    shorter = min(len(a), len(b))
    x, y = np.frombuffer(a, np.uint8, shorter), np.frombuffer(b, np.uint8, shorter)
    told = (x != 0xFF) & (y != 0xFF)
    count = int(told.sum())
    return float((x[told] == y[told]).sum()) / count if count >= 16 else 0.0


def empty(contents: bytes) -> bool:
    """Whether nothing is held: FFh throughout, or 00h; also of no bytes."""
    return len(contents) in (contents.count(0xFF), contents.count(0))


def moved(contents: bytes, by: int) -> bytes:
    """`contents` moved up by `by` bytes (down when negative); blank where nothing comes."""
    if by >= 0:
        return (b"\xff" * by + contents)[: len(contents)]
    return contents[-by:].ljust(len(contents), b"\xff")


def difference(a: bytes, b: bytes) -> Span:
    """The first address at which they differ, and the one after the last; the length of `a` and
    0 when they do not."""
    sectors = differing(a, b)
    if not len(sectors):
        return len(a), 0
    first, last = int(sectors[0]) * SECTOR, int(sectors[-1]) * SECTOR
    x, y = (array(each[first : last + SECTOR]) for each in (a, b))
    odd = x != y
    return first + int(odd.argmax()), first + len(odd) - int(odd[::-1].argmax())


def blank_until(contents: bytes, start: int) -> int:
    """The address after the run of FFh that begins at `start`."""
    return len(contents) - len(contents[start:].lstrip(b"\xff"))


def blank_since(contents: bytes, end: int) -> int:
    """Where the run of FFh that ends before `end` begins."""
    return len(contents[:end].rstrip(b"\xff"))


_FEW = 64
"""Wrong bits up to which a region has aged or was read badly rather than been written."""


def places_of(region: Region, chunk: bytes, right: bytes) -> tuple[Span, ...]:
    starts = (region.start + place * SECTOR for place in differing(chunk, right).tolist())
    return tuple(merged((start, min(start + SECTOR, region.end)) for start in starts))


def by_bits(
    region: Region, chunk: bytes, right: bytes, places: tuple[Span, ...]
) -> RegionFinding | None:
    a, b = array(chunk), array(right)
    wrong = np.flatnonzero(a != b)
    bits = int(np.unpackbits(a[wrong] ^ b[wrong]).sum())
    if bits <= _FEW:
        where = tuple((region.start + int(at), region.start + int(at) + 1) for at in wrong)
        return RegionFinding(
            region, Kind.BIT_ROT, f"{counted(bits, 'bit')} wrong", where[:MOST_PLACES]
        )
    if (a[wrong] == 0xFF).all():
        start, end = region.start + int(wrong[0]), region.start + int(wrong[-1]) + 1
        # An erase takes whole sectors: a blank that begins within one was left by a write.
        begins = start - region.start - blank_since(chunk, int(wrong[0]))
        if start % SECTOR and begins == 0 and blank_until(chunk, int(wrong[0])) >= int(wrong[-1]):
            return RegionFinding(
                region,
                Kind.INTERRUPTED,
                f"correct up to {start:06X}h, then blank up to {end - 1:06X}h",
                ((start, end),),
                start,
            )
        return RegionFinding(region, Kind.ERASED, "sectors of it are blank", places)
    if only_set(chunk, right):
        return RegionFinding(
            region,
            Kind.HALF_ERASED,
            "bits changed from 0 to 1 and none from 1 to 0: an erase was interrupted",
            places,
        )
    return None


def out_of_place(region: Region, chunk: bytes, right: bytes) -> RegionFinding | None:
    where = (region.span,)
    # What is the same either way round, such as zeros, tells nothing.
    enough = max(0.5, equal_sectors_share(chunk, right))
    for width, words in _UNITS:
        if equal_sectors_share(swapped(chunk, width), right) > enough:
            return RegionFinding(region, Kind.SWAPPED, f"bytes swapped in {words}", where)
    if chunk[:SECTOR] == right[:SECTOR] and not empty(chunk[:SECTOR]):
        # What begins where it should is not out of place: something was put in further on.
        return None
    for shift in find_shifts(right, chunk, differing(right, chunk)):
        if equal_sectors_share(moved(chunk, -shift), right) > enough:
            at = region.start + shift
            return RegionFinding(
                region, Kind.SHIFTED, f"its contents start at {at:06X}h", where, shift=shift
            )
    return None


_MOSTLY = 0.5
_UNITS = ((2, "pairs"), (4, "fours"))


def chip_state(
    chip: Reference, own: Reference | None, model: Reference | None, layout: Layout
) -> ChipState | None:
    """The explanation that holds for the chip as a whole, or None."""
    contents = chip.contents
    if is_blank(contents):
        return ChipState(Kind.ERASED, "the whole chip is blank", contents)
    known = [each for each in (own, model) if each is not None]
    return (
        _swapped(chip, known)
        or _cut_off(chip, model)
        or _shifted(chip, known, layout)
        or interrupted(chip, own, model, layout)
    )


def _swapped(chip: Reference, known: Sequence[Reference]) -> ChipState | None:
    contents = chip.contents
    others = [each.sized(len(contents)) for each in known]
    if any(equal_sectors_share(contents, other) > _MOSTLY for other in others):
        return None
    for width, words in _UNITS:
        turned = swapped(contents, width)
        if any(equal_sectors_share(turned, other) > _MOSTLY for other in others):
            return _as_swapped(turned, words)
        if any(True for _ in find_banners(contents)):
            continue
        if any(True for _ in find_banners(turned)):
            return _as_swapped(turned, words)
        if not _recognised(chip.findings) and len(_recognised(survey(turned))) > 1:
            return _as_swapped(turned, words)
    return None


def _recognised(findings: Sequence[Finding]) -> list[Finding]:
    """Images, trees, file systems and saved environments that are whole."""
    kinds = {kind for each in _BY_ROLE.values() for kind in each} | {"jffs2"}
    whole_ones = (Verdict.VERIFIED, Verdict.CONSISTENT)
    return [e for e in findings if e.kind in kinds and e.verdict in whole_ones]


def _as_swapped(turned: bytes, words: str) -> ChipState:
    return ChipState(Kind.SWAPPED, f"the bytes are swapped in {words}", turned)


def _cut_off(chip: Reference, model: Reference | None) -> ChipState | None:
    size = len(chip.contents)
    if model is not None and len(model.contents) > size:
        tail = model.contents[size:]
        if equal_sectors_share(chip.contents, model.sized(size)) > _MOSTLY and not is_blank(tail):
            text = f"the image is {len(tail)} bytes longer than the chip"
            return ChipState(Kind.CUT_OFF, text, chip.contents)
    if chip.stated and chip.remarks and _too_long(chip.findings, size):
        return ChipState(Kind.CUT_OFF, chip.remarks[0].rstrip("."), chip.contents)
    return None


def _too_long(findings: Sequence[Finding], size: int) -> bool:
    """Whether something that is damaged reaches up to the end of the chip."""
    last = {each.verdict for each in findings if each.end >= size}
    return Verdict.DAMAGED in last or Verdict.BLANK not in last


def _shifted(chip: Reference, known: Sequence[Reference], layout: Layout) -> ChipState | None:
    contents = chip.contents
    size = len(contents)
    for each in known:
        other = each.sized(size)
        places = differing(other, contents)
        if len(places) * SECTOR < size // 64 or equal_sectors_share(contents, other) > _MOSTLY:
            continue
        for shift in find_shifts(other, contents, places):
            back = moved(contents, -shift)
            if equal_sectors_share(back, other) > _MOSTLY and not _in_place(
                contents, other, layout
            ):
                return _as_shifted(contents, shift)
    if any(equal_sectors_share(contents, each.sized(size)) > _MOSTLY for each in known):
        return None
    found: Counter[int] = Counter()
    for region in layout.regions:
        kinds = _BY_ROLE.get(region.role, ())
        shifts = {f.start - region.start for f in _recognised(chip.findings) if f.kind in kinds}
        if 0 in shifts:
            # Where one piece is in its place, not everything was moved.
            return None
        found.update(shifts)
    if found:
        shift = max(found, key=lambda each: (found[each], -abs(each)))
        if found[shift] >= 2 and abs(shift) <= size // 4:
            return _as_shifted(contents, shift)
    return None


def _in_place(contents: bytes, other: bytes, layout: Layout) -> bool:
    """Whether a region that is not blank is where it should be."""
    return any(
        each.of(contents) == each.of(other) and used(each.of(contents)).any()
        for each in layout.regions
    )


_BY_ROLE = {
    Role.KERNEL: ("uboot-image", "fit", "kernel"),
    Role.ROOT: ("squashfs", "cramfs", "erofs", "romfs", "cpio"),
    Role.TREE: ("devicetree",),
    Role.ENVIRONMENT: ("environment",),
}


def _as_shifted(contents: bytes, shift: int) -> ChipState:
    side = "after" if shift > 0 else "before"
    detail = f"everything is {abs(shift)} bytes ({abs(shift):X}h) {side} where it should be"
    return ChipState(Kind.SHIFTED, detail, moved(contents, -shift), shift=shift)


_MOST_ERASED = 512 << 10
"""Bytes that an update erases ahead of its writing, at most (common practice, no source)."""

_LARGEST_BLOCK = 64 << 10


def interrupted(
    chip: Reference, own: Reference | None, model: Reference | None, layout: Layout
) -> ChipState | None:
    """The write that stopped, of the image or of an unknown one; None when none did."""
    contents = chip.contents
    if model is not None:
        found = _stopped_image(contents, model.sized(len(contents)), own)
        if found is not None:
            return found
    if own is not None:
        old = own.sized(len(contents))
        new = model.sized(len(contents)) if model is not None else None
        return _stopped_unknown(chip, old, new, layout) or _stopped_for_good(chip, old, layout)
    return None


def _stopped_image(contents: bytes, image: bytes, own: Reference | None) -> ChipState | None:
    """The chip holds `image` up to a place, then blank up to a sector boundary at least, and
    then anything but the image."""
    size = len(contents)
    stop, _ = difference(contents, image)
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
        # What is correct up to here was so before: nothing shows an update.
        return None
    rest = end // SECTOR
    after = used(contents)[rest:]
    erased = min(end, -(-(stop + 1) // _LARGEST_BLOCK) * _LARGEST_BLOCK)
    if not after.any():
        missing = int(wanted[stop // SECTOR :].sum())
        if not missing:
            return None
        return _stopped(contents, stop, size, "blank", known=True)
    same = equal_sectors_share(image[rest * SECTOR :], contents[rest * SECTOR :])
    if same > _MOSTLY and own is None:
        # Behind the blank the image goes on: a part of it was erased.
        return None
    if (
        own is not None
        and equal_sectors_share(contents[rest * SECTOR :], own.sized(size)[rest * SECTOR :]) < 0.1
    ):
        return None
    return _stopped(contents, stop, erased, "blank, then the old contents", known=True)


def _stopped_unknown(
    chip: Reference, old: bytes, new: bytes | None, layout: Layout
) -> ChipState | None:
    """The chip holds `old` from a place on, in front of it a blank, and other contents before
    that: an update with an unknown image.

    A board that was converted, and keeps its data, looks the same where its root file system is
    shorter than before: there the blank is that of the image `new`, or what ends at it is whole.
    """
    contents = chip.contents
    _, same_from = difference(contents, old)
    end = -(-same_from // SECTOR) * SECTOR
    stop = blank_since(contents, same_from)
    if end == 0 or stop < SECTOR or same_from - stop == 0 or end - stop > _MOST_ERASED:
        return None
    if not used(contents[end:]).any():
        return None
    if only_set(contents[:end], old[:end]):
        # An interrupted erase leaves blanks, too.
        return None
    front = stop // SECTOR * SECTOR
    before = used(contents[:front])
    if not before.any() or equal_sectors_share(old[:front], contents[:front]) > _MOSTLY:
        return None
    last = (stop - 1) // SECTOR * SECTOR
    if new is not None and contents[last:end] == new[last:end]:
        return None
    verified = [each for each in chip.findings if each.verdict is Verdict.VERIFIED]
    whole = any(
        each.start < stop <= -(-each.end // SECTOR) * SECTOR
        and each.end <= end
        and empty(contents[each.end : stop])  # what fills up its last sector
        for each in (*_recognised(chip.findings), *verified)
    )
    if whole and not _firmware_from(layout, old, stop, end):
        return None
    return _stopped(contents, stop, end, "blank, then the old contents", known=False)


def _firmware_from(layout: Layout, old: bytes, low: int, high: int) -> list[Region]:
    """Kernels and root file systems of `old` that begin from `low` to `high`."""
    return [
        each
        for each in layout.regions
        if each.role in (Role.KERNEL, Role.ROOT)
        and low <= each.start < high
        and used(each.of(old)).any()
    ]


def only_set(now: bytes, before: bytes) -> bool:
    """Whether bits went from 0 to 1 and none the other way."""
    a, b = array(now), array(before)
    return bool(((a & b) == b).all())


def _stopped_for_good(chip: Reference, old: bytes, layout: Layout) -> ChipState | None:
    """Nothing but blank follows other contents than `old`, where a piece of the firmware should
    be or one that has begun should end."""
    contents = chip.contents
    stop = blank_since(contents, len(contents))
    front = stop // SECTOR * SECTOR
    if front < SECTOR or equal_sectors_share(old[:front], contents[:front]) > _MOSTLY:
        return None
    missing = _firmware_from(layout, old, stop, len(old))
    cut = [
        each
        for each in chip.findings
        if each.verdict is Verdict.DAMAGED and each.start < stop <= each.end
    ]
    if not missing and not cut:
        return None
    return _stopped(contents, stop, len(contents), "blank to the end of the chip", known=False)


def _stopped(contents: bytes, stop: int, reached: int, what: str, *, known: bool) -> ChipState:
    # Blank bytes of the image look the same as bytes that were never written. An image that is not
    # known may also have gone on, where it holds what was there before.
    certain = not known or contents[stop - 1] != 0xFF
    upto = f"up to {stop:06X}h" if certain else f"up to {stop:06X}h at the latest"
    image = "the image was written" if known else "an unknown image was written at least"
    detail = f"{image} {upto}; after that {what}"
    return ChipState(Kind.INTERRUPTED, detail, contents, stop, reached, image_known=known)


BLOCK = 65536
"""Bytes of the block that file systems on such chips erase (common practice, no source)."""


def emptied_blocks(region: Region, chunk: bytes, right: bytes) -> tuple[Span, ...]:
    """Blocks of 64 KiB with data in the backup that are blank or 00h: no checksum tells what was
    there. A board that erases one itself writes a mark at its start (Linux, fs/jffs2/erase.c)."""
    blocks = [slice(at, at + BLOCK) for at in range(0, len(chunk) - BLOCK + 1, BLOCK)]
    gone = [each for each in blocks if empty(chunk[each]) and not empty(right[each])]
    return tuple((region.start + each.start, region.start + each.stop) for each in gone)
