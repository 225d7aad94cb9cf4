"""JFFS2 file systems: a log of nodes, each with CRCs over its header, its fields and its data.

Layout: Linux, include/uapi/linux/jffs2.h and fs/jffs2/scan.c (from memory; the tests compare with
`mkfs.jffs2`). Nodes start on multiples of four bytes and exist in both byte orders. A node that
the file system has marked obsolete loses the "accurate" bit of its type; its CRCs were computed
with the bit set, so no checksum covers the byte that holds it.
"""

from __future__ import annotations

import enum
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats import Budget, NodeRun, crc32_plain, is_blank, mended, node_runs
from spiflash.spans import Span, merged
from spiflash.text import counted, readable

_MAGIC = 0x1985
_ACCURATE = 0x2000
_HEADER = 12
_LONGEST = 256 << 10  # a node never crosses an erase block; the largest in use are 256 KiB
_GAP = 4096  # erased bytes up to here between two nodes belong to the file system
_MOST_RUNS = 10_000


@dataclass(frozen=True, slots=True)
class _Layout:
    """`size` bytes of fields; their CRC at `field_crc` covers the bytes before `covered`.

    The CRC at `data_crc` (None: there is no data) covers what follows the fields.
    """

    name: str
    size: int
    covered: int
    field_crc: int
    data_crc: int | None


_LAYOUTS = {
    0xE001: _Layout("directory entry", 40, 32, 32, 36),
    0xE002: _Layout("inode", 68, 60, 64, 60),
    0x2006: _Layout("summary", 32, 24, 28, 24),
    0xE008: _Layout("extended attribute", 32, 28, 28, 24),
    0xE009: _Layout("attribute reference", 28, 24, 24, None),
}
_ATTRIBUTE = 0xE008
_CLEAN_MARKER = 0x2003
_PADDING = 0x2004
_EMPTY = (_CLEAN_MARKER, _PADDING)
_MOST_MENDED = 2000


class _State(enum.Enum):
    HOLDS = enum.auto()
    FAILS = enum.auto()
    HEADER = enum.auto()  # the header CRC fails, and is OK with one bit flipped


_WORDS = {
    _State.HOLDS: (
        "node",
        (
            "header, field and data CRCs of every node OK",
            "not covered: the byte of each type that marks a node as obsolete; erased bytes "
            "between nodes",
        ),
    ),
    _State.FAILS: (
        "damaged node",
        (
            "header CRC OK, a CRC over fields or data fails: damage, or a write that a power cut "
            "interrupted",
        ),
    ),
    _State.HEADER: (
        "damaged node header",
        ("one bit of the header is wrong: with it flipped, its CRC and the node's are OK",),
    ),
}
"""What a run of nodes is called, and what was checked."""


_Run = NodeRun[_State]


def find_jffs2(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of nodes whose CRCs all hold (VERIFIED), and nodes with one that fails (DAMAGED).

    Two nodes belong to one run when only erased bytes, less than a sector, are between
    them. An obsolete node that fails its CRCs is left out: the file system ignores it.
    A header that is OK with one bit flipped is a damaged node too.
    Stops after ten thousand runs; what follows stays unrecognised.
    """
    budget, mending = Budget(4 * len(contents)), Budget(_MOST_MENDED)
    for prefix, order in (("<", "little"), (">", "big")):
        for number, run in enumerate(_runs(contents, prefix, budget, mending)):
            if number == _MOST_RUNS:
                break
            yield _describe(contents, run, prefix, order)


def _runs(contents: bytes, prefix: str, budget: Budget, mending: Budget) -> Iterator[_Run]:
    # The smallest node with contents has 44 bytes. Empty ones begin an erase block or fill the
    # rest after a write: a flood of them is cut off.
    left = Budget(len(contents) // 48 + 1000)

    def read(at: int) -> tuple[_State, int] | None:
        if not left.left:
            return None
        node = _check(contents, at, prefix, budget) or _mend(contents, at, prefix, budget, mending)
        if node is not None and not left.spend(1 if node[1] > _HEADER else _EMPTY_COST):
            left.left, node = 0, None
        return node

    def joined(start: int, end: int) -> bool:
        return end - start < _GAP and is_blank(contents, start, end)

    return node_runs(_candidates(contents, prefix), read, joined, _State.HOLDS, _HEADER)


_EMPTY_COST = 16
_PIECE = 1 << 20


def _candidates(contents: bytes, prefix: str) -> Iterator[int]:
    """Rising offsets where a node may start: the magic number, or a known type after one that is
    wrong by a bit. An obsolete node counts as known."""
    types = [*_LAYOUTS, *_EMPTY]
    known = np.array([*types, *(number & ~_ACCURATE for number in types)], dtype=np.uint16)
    near = np.array([_MAGIC, *(_MAGIC ^ 1 << bit for bit in range(16))], dtype=np.uint16)
    for base in range(0, len(contents) // 4 * 4, _PIECE):
        count = min(_PIECE, len(contents) - base) // 4 * 2
        halves = np.frombuffer(contents, dtype=f"{prefix}u2", count=count, offset=base)
        exact = halves[::2] == _MAGIC
        hits = np.flatnonzero(exact | np.isin(halves[1::2], known))
        yield from (hits[np.isin(halves[::2][hits], near)] * 4 + base).tolist()


def _mend(
    contents: bytes, at: int, prefix: str, budget: Budget, mending: Budget
) -> tuple[_State, int] | None:
    """State and length of a node whose header has one bit wrong; None where there is none."""
    raw = contents[at : at + _HEADER]
    magic = struct.pack(f"{prefix}H", _MAGIC)
    sound = raw[:2] == magic and len(raw) == _HEADER and _header_holds(raw, prefix, obsolete=True)
    if len(raw) < _HEADER or sound:
        return None
    header = mended(raw, lambda trial: trial[:2] == magic and _header_holds(trial, prefix), mending)
    if header is None:
        return None
    node = _check(header + contents[at + _HEADER : at + _LONGEST], 0, prefix, budget)
    if node is None or node[0] is not _State.HOLDS:
        return node
    return _State.HEADER, _HEADER


def _header_holds(header: bytes, prefix: str, obsolete: bool = False) -> bool:
    _, kind, length, stored = struct.unpack_from(f"{prefix}HHII", header)
    kinds = {kind, kind | _ACCURATE} if obsolete else {kind}
    return any(
        crc32_plain(struct.pack(f"{prefix}HHI", _MAGIC, each, length)) == stored for each in kinds
    )


def _check(contents: bytes, at: int, prefix: str, budget: Budget) -> tuple[_State, int] | None:
    """The state and length of the node at `at`; None when none starts here or it is obsolete."""
    if at + _HEADER > len(contents):
        return None
    magic, stored_type, length, header_crc = struct.unpack_from(f"{prefix}HHII", contents, at)
    kind = stored_type | _ACCURATE
    obsolete = kind != stored_type
    restored = struct.pack(f"{prefix}HHI", _MAGIC, kind, length)
    if magic != _MAGIC or crc32_plain(restored) != header_crc or not _HEADER <= length <= _LONGEST:
        return None
    if kind in _EMPTY:  # they may claim more than their header, but nothing is stored there
        return _State.HOLDS, _HEADER
    if kind not in _LAYOUTS or not budget.spend(length):
        return None
    layout = _LAYOUTS[kind]
    if kind == _ATTRIBUTE and length >= layout.size and at + layout.size <= len(contents):
        # Its length counts padding too, which the CRC does not cover.
        name_length, value_length = struct.unpack_from(f"{prefix}BH", contents, at + 21)
        length = min(length, layout.size + name_length + 1 + value_length)
    body = contents[at : at + length]
    holds = len(body) == length >= layout.size and _crcs_hold(restored + body[8:], layout, prefix)
    if obsolete and not holds:
        return None
    return (_State.HOLDS if holds else _State.FAILS), len(body)


def _crcs_hold(node: bytes, layout: _Layout, prefix: str) -> bool:
    def stored(at: int) -> int:
        return int(struct.unpack_from(f"{prefix}I", node, at)[0])

    view = memoryview(node)
    if crc32_plain(view[: layout.covered]) != stored(layout.field_crc):
        return False
    return layout.data_crc is None or crc32_plain(view[layout.size :]) == stored(layout.data_crc)


def _describe(contents: bytes, run: _Run, prefix: str, order: str) -> Finding:
    noun, checks = _WORDS[run.state]
    holds = run.state is _State.HOLDS
    names = _names(contents, run, prefix) if holds else []
    # The byte of each node's type that holds the "accurate" bit.
    offset = 3 if prefix == "<" else 2
    types = ((at + offset, at + offset + 1) for at in run.nodes)
    return Finding(
        run.start,
        run.end - run.start,
        "jffs2",
        f"JFFS2, {counted(len(run.nodes), noun)}",
        Verdict.VERIFIED if holds else Verdict.DAMAGED,
        checks,
        (
            ("nodes", str(len(run.nodes))),
            ("byte order", f"{order} endian"),
            *([("names", ", ".join(names))] if names else []),
        ),
        uncovered=tuple(merged([*run.gaps, *types])) if holds else (),
    )


def _names(contents: bytes, run: _Run, prefix: str, most: int = 20) -> list[str]:
    """The first names in the directory entries of an intact run."""
    names: list[str] = []
    at = run.start
    while at + _HEADER <= run.end and len(names) < most:
        magic, kind, length = struct.unpack_from(f"{prefix}HHI", contents, at)
        if magic != _MAGIC or length < _HEADER:
            at += 4  # erased bytes
            continue
        if kind == 0xE001:
            names.append(readable(contents[at + 40 : at + length], 60))
        at += (length + 3) & ~3
    return names
