"""UBIFS: nodes with a common header of 24 bytes and a CRC-32 over all but its first eight.

Layout: Linux, fs/ubifs/ubifs-media.h (from memory; the tests compare with `mkfs.ubifs`). Little
endian, nodes start on multiples of eight bytes of an erase block, which itself starts at least
on a multiple of 64. The CRC has no final inversion. Padding nodes are followed by bytes without
meaning.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32_uninverted
from spiflash.dump.finding import Finding, Span, Verdict, merged
from spiflash.dump.formats.magic import near_places, places
from spiflash.text import counted

_MAGIC = struct.pack("<I", 0x06101831)
_HEADER = 24
_LONGEST = 1 << 20
_KINDS = 13
_SUPERBLOCK, _PADDING = 6, 5
_GAP = 4096


@dataclass(slots=True)
class _Run:
    """Neighbouring nodes, all whole or all broken; `mended` where only the magic is wrong."""

    whole: bool
    start: int
    end: int
    nodes: int = 0
    superblocks: int = 0
    uncovered: list[Span] = field(default_factory=list)


def find_ubifs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of nodes whose CRC holds (VOUCHED), and nodes whose CRC fails (DAMAGED)."""
    budget = Budget(4 * len(contents))
    exact = [at for at in places(contents, _MAGIC) if at % 8 == 0]
    near = [at for at in near_places(contents, _MAGIC) if at % 8 == 0]
    run: _Run | None = None
    done = 0
    for at in sorted([*exact, *near]):
        if at < done:
            continue
        node = _check(contents, at, budget)
        if node is None:
            continue
        whole, length = node
        if run is not None:
            run.end = min(run.end, at)
            if whole is not run.whole or not _joined(contents, run.end, at):
                yield _described(run)
                run = None
        if run is None:
            run = _Run(whole, at, at)
        run.uncovered.append((run.end, at))
        run.end = at + length
        run.nodes += 1
        run.superblocks += contents[at + 20] == _SUPERBLOCK
        done = run.end if whole else at + _HEADER
    if run is not None:
        yield _described(run)


def _check(contents: bytes, at: int, budget: Budget) -> tuple[bool, int] | None:
    """Whether the node at `at` is whole, and its length; None where none starts."""
    if at + _HEADER > len(contents):
        return None
    stored, _, length, kind, group, padding = struct.unpack_from("<IQIBB2s", contents, at + 4)
    exact = contents[at : at + 4] == _MAGIC
    plausible = _HEADER <= length <= min(_LONGEST, len(contents) - at)
    holds = (
        plausible
        and budget.spend(length)
        and crc32_uninverted(memoryview(contents)[at + 8 : at + length]) == stored
    )
    if holds:
        # With the CRC right and the magic wrong by a bit, the damage is in the magic.
        return (True, length) if exact else (False, 8)
    if not exact or kind > _KINDS or group > 2 or padding != b"\0\0":
        # One of these may be the wrong bit, but then the others are in order.
        strange = (kind > _KINDS) + (group > 2) + (padding != b"\0\0")
        if not exact or strange > 1 or not plausible:
            return None
    return False, length if plausible else _HEADER


def _joined(contents: bytes, start: int, end: int) -> bool:
    gap = end - start
    return (
        gap < _GAP
        and contents.count(b"\xff", start, end)
        + contents.count(b"\0", start, end)
        + contents.count(b"\xce", start, end)
        == gap
    )


def _described(run: _Run) -> Finding:
    details = (("nodes", str(run.nodes)), ("superblocks", str(run.superblocks)))
    if run.whole:
        return Finding(
            run.start,
            run.end - run.start,
            "ubifs",
            f"UBIFS, {counted(run.nodes, 'node')}",
            Verdict.VOUCHED,
            ("the CRC of every node holds", "not covered: padding between nodes"),
            details,
            uncovered=tuple(merged(run.uncovered)),
        )
    return Finding(
        run.start,
        run.end - run.start,
        "ubifs",
        f"UBIFS, {counted(run.nodes, 'broken node')}",
        Verdict.DAMAGED,
        ("the CRC fails, or one bit of the magic number is wrong",),
        details,
    )
