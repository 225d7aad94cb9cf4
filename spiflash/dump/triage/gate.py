"""What a repair must leave alone, and the gate that every proposal passes.

A byte is kept when there is a reason to: a checksum, being this board's own, or being outside of
the firmware, whatever it means. It is given up only for what this board's own
backup holds there, or for a range that a person names. The gate goes by what the chip holds and
what it would hold, and knows nothing of how a repair was worked out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.coverage import Level
from spiflash.dump.differences import array, differing
from spiflash.dump.finding import Verdict, saved_environments
from spiflash.dump.formats import is_blank, runs_of
from spiflash.dump.identity import OwnItem
from spiflash.dump.layout import Layout, Role
from spiflash.dump.triage.references import (
    FIRMWARE,
    WRITTEN_BY_THE_BOARD,
    Reference,
    certain_own_items,
    pieces,
    whole_pieces,
    with_layout,
)
from spiflash.dump.triage.result import Change, Why
from spiflash.spans import SECTOR, Span, merged, spans_of

Flags = NDArray[np.bool_]


def _flags(size: int, spans: Sequence[Span]) -> Flags:
    found = np.zeros(size, dtype=bool)
    for start, end in spans:
        found[max(start, 0) : end] = True
    return found


def outside_firmware(chip: Reference, layout: Layout) -> Flags:
    """Bytes that no firmware may be put on: what either layout, the one to go by or the one
    that the chip states itself, calls anything but firmware; gaps; file systems that the
    board writes to; saved environments."""
    size = len(chip.contents)
    allowed = _flags(size, spans_of(e for e in layout.regions if e.role in FIRMWARE))
    if chip.stated:
        others = [e for e in chip.layout.regions if e.role not in (*FIRMWARE, Role.ENVIRONMENT)]
        allowed &= ~_flags(size, spans_of(others))
    written = spans_of(e for e in chip.findings if e.kind in WRITTEN_BY_THE_BOARD)
    saved = spans_of(saved_environments(chip.findings))
    outside: Flags = ~(allowed & ~_flags(size, [*written, *saved]))
    return outside


def own_items(chip: Reference, layout: Layout) -> list[OwnItem]:
    """What is this board's own for certain, by the layout to go by, and by what the chip states
    itself where it does."""
    found = certain_own_items(with_layout(chip, layout))
    return [*found, *certain_own_items(chip)] if chip.stated else found


def own_bytes(chip: Reference, layout: Layout) -> Flags:
    """The bytes of `own_items`."""
    return _flags(len(chip.contents), spans_of(e for e in own_items(chip, layout)))


def right_bytes(chip: Reference) -> Flags:
    """What a checksum proves, except what is in a larger item whose own checksum fails: the
    blocks of a broken archive are of no use by themselves."""
    size = len(chip.contents)
    damaged = (each for each in chip.findings if each.verdict is Verdict.DAMAGED)
    broken = spans_of(each for each in damaged if each.kind not in WRITTEN_BY_THE_BOARD)
    proven: Flags = array(chip.levels) == Level.VERIFIED
    return proven & ~_flags(size, broken)


def violations(
    chip: Reference,
    target: bytes,
    changes: Sequence[Change],
    layout: Layout,
    *,
    backup: bytes | None,
    named: Sequence[Span] = (),
) -> tuple[str, ...]:
    """What a repair of `chip` to `target` would change although it must not, in words; empty
    when nothing.

    `backup` are the contents of this board's own verified backup, `named` the ranges of which a
    person says that they may be overwritten although a checksum holds. In an environment that is
    put in anew this board's own are judged by their values: see `lost_items`.
    """
    size = len(chip.contents)
    before, after = array(chip.contents), array(target)
    differs = before != after
    found: list[str] = []
    if stray := runs_of(differs & ~_flags(size, spans_of(changes))):
        found.append(f"{_words(stray)} would change without a reason")
    if backup is not None:
        differs &= after != array(backup)
    put = [e for e in changes if role_at(layout, e.start) is Role.ENVIRONMENT]
    mended = spans_of(e for e in put if e.why is Why.BOOTS_NOTHING)
    whole = spans_of(put)
    for flags, spared, what in (
        (own_bytes(chip, layout), whole, "is this board's own"),
        (right_bytes(chip), [*mended, *named], "is proven correct by a checksum"),
        (
            outside_firmware(chip, layout),
            [*whole, *named],
            "is not part of a boot loader, kernel or file system of the firmware",
        ),
    ):
        if spans := runs_of(differs & flags & ~_flags(size, spared)):
            found.append(f"{_words(spans)} {what}")
    return tuple(found)


def torn(
    chip: Reference,
    target: bytes,
    changes: Sequence[Change],
    layout: Layout,
    sources: Sequence[bytes],
    *,
    stated: bool,
    damaged: Sequence[Span],
) -> tuple[str, ...]:
    """What a repair would replace although nothing is wrong with it: only in part, or although it
    is no firmware on the chip; in words.

    Where a layout is only suggested, its borders are those of other contents: the chip's loader
    may be longer than the image's. Such a piece is replaced as a whole, so that it is afterwards
    what one of the `sources` holds over its full length, or it stays. Borders that are `stated`
    are facts, and part pieces. What is after a loader and not part of it stays even where the
    image's longer loader would reach; in a region that is `damaged` it may be what is left of it.
    """
    before, after = array(chip.contents), array(target)
    differs, size = before != after, len(before)
    firmware = [e for e in changes if role_at(layout, e.start) is not Role.ENVIRONMENT]
    replaced = spans_of(e for e in firmware if e.why in (Why.TOGETHER, Why.BACKUP))
    touched = differs & _flags(size, replaced)
    if not touched.any():
        return ()
    free = ~own_bytes(chip, layout)
    borders = [edge for each in layout.regions for edge in (each.start, each.end)]
    halved: list[Span] = []
    for piece in whole_pieces(chip, borders if stated else ()):
        span = slice(*piece.span)
        if touched[span].any() and all(
            ((after[span] != array(each)[span]) & free[span]).any() for each in sources
        ):
            halved.append(piece.span)
    found = [f"{_words(halved)} would be replaced only in part"] if halved else []
    known = [e.span for region in layout.regions for e in pieces(chip, region)]
    known += damaged
    together = _flags(size, spans_of(e for e in firmware if e.why is Why.TOGETHER))
    beside = touched & together & (before != 0xFF) & (before != 0) & ~_flags(size, known)
    if beside.any():
        found.append(f"{_words(runs_of(beside))} is not part of the firmware there")
    return tuple(found)


def role_at(layout: Layout, address: int) -> Role | None:
    """The role of the region at an address; None in a gap."""
    region = layout.at(address)
    return region.role if region is not None else None


def unproven(
    chip: Reference, target: bytes, known: Sequence[bytes]
) -> tuple[tuple[Span, ...], bool]:
    """The sectors in which something is overwritten that nothing proves correct or wrong;
    and whether a sector is overwritten that is neither blank nor in a source."""
    before, after = array(chip.contents), array(target)
    gone = (before != after) & (before != 0xFF)
    broken = [each for each in chip.findings if each.verdict is Verdict.DAMAGED]
    damaged = _flags(len(gone), [s for each in broken for s in each.damage or (each.span,)])
    open_ = runs_of(gone & ~damaged)
    sectors = [(low // SECTOR * SECTOR, -(-high // SECTOR) * SECTOR) for low, high in open_]
    listed = tuple((low, min(high, len(target))) for low, high in merged(sectors))
    return listed, _only_copy(chip.contents, target, known)


def _only_copy(contents: bytes, target: bytes, known: Sequence[bytes]) -> bool:
    """Whether a sector would be overwritten that is neither blank nor in a source."""
    for place in differing(contents, target).tolist():
        low = place * SECTOR
        here = contents[low : low + SECTOR]
        if not is_blank(here) and not any(each[low : low + len(here)] == here for each in known):
            return True
    return False


def lost_items(
    chip: Reference, after: Reference, layout: Layout, foreign: frozenset[str]
) -> tuple[str, ...]:
    """This board's own addresses, serial numbers and calibration that would be lost; texts in
    `foreign` are known to be another board's."""

    texts = {each.text for each in own_items(after, layout)}
    gone = {
        each.kind
        for each in own_items(chip, layout)
        if each.text not in foreign
        and each.of(chip.contents) != each.of(after.contents)
        and (each.kind not in ("mac", "serial") or each.text not in texts)
    }
    return tuple(f"this board's own {kind} would be lost" for kind in sorted(gone))


def variables_lost(
    chip: Reference, after: Reference, changes: Sequence[Change], allowed: frozenset[bytes]
) -> tuple[str, ...]:
    """The variables that a whole environment would lose or get anew, but for those `allowed`."""
    then = {each.start: each.by_name for each in saved_environments(after.findings)}
    found: list[str] = []
    for each in saved_environments(chip.findings):
        touched = any(e.meets(each) and e.why is Why.BOOTS_NOTHING for e in changes)
        if not (each.checksum_ok and touched):
            continue
        new = then.get(each.start, {})
        names = {n for n in {*each.by_name, *new} if each.by_name.get(n) != new.get(n)} - allowed
        found += [f"the variable {name.decode('latin-1')[:40]} would change" for name in names]
    return tuple(sorted(found))


def _words(spans: Sequence[Span]) -> str:
    shown = ", ".join(f"{low:06X}h–{high - 1:06X}h" for low, high in spans[:4])
    more = len(spans) - 4
    return f"{shown} and {more} more" if more > 0 else shown
