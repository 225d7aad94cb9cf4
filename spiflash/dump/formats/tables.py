"""Partition tables of disks, as on boards whose flash poses as one: MBR and GPT.

Layouts: UEFI Specification 2.10, sections 5.2 and 5.3 (from memory; the tests compare with
`sfdisk`). An MBR has no checksum. A GPT header has a CRC-32 over itself and one over its table.
"""

from __future__ import annotations

import itertools
import struct
import uuid
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import mended, near_places, outside, places
from spiflash.text import readable

_BLOCK = 512
_SIGNATURE = b"\x55\xaa"
_GPT = b"EFI PART"
_GPT_HEADER = 92


def find_mbr(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Boot sectors with a partition table whose entries make sense and do not overlap."""
    ends = (place - 510 for place in places(contents, _SIGNATURE))
    for at in outside((at for at in ends if at >= 0 and at % _BLOCK == 0), packed):
        entries = [
            struct.unpack_from("<B3xB3xII", contents, at + 446 + 16 * index) for index in range(4)
        ]
        used = sorted(entry for entry in entries if any(entry))
        spans = sorted((first, first + count) for _, _, first, count in used)
        if (
            not used
            or any(boot & 0x7F or not kind or not count for boot, kind, _, count in used)
            or any(first == 0 for first, _ in spans)
            or any(end > later for (_, end), (later, _) in itertools.pairwise(spans))
            or spans[-1][1] > 1 << 32
        ):
            continue
        yield Finding(
            at,
            _BLOCK,
            "mbr",
            "MBR partition table",
            Verdict.CONSISTENT,
            ("signature, boot flags and types; partitions do not overlap",),
            tuple(
                (
                    f"partition {index}",
                    f"type {kind:02X}h, {count} blocks from block {first}",
                )
                for index, (_, kind, first, count) in enumerate(entries, start=1)
                if kind
            ),
        )


def find_gpt(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Headers, and with them the tables they point at where these lie in the dump."""
    budget, mending = Budget(4 * len(contents)), Budget(500)
    candidates = sorted({*places(contents, _GPT), *near_places(contents, _GPT)})
    for at in outside(candidates, packed):
        raw = contents[at : at + _GPT_HEADER]
        header = raw if _holds(raw) else mended(raw, _holds, mending)
        if header is not None:
            yield _header(contents, at, raw, header)
            table = _table(contents, at, header, budget)
            if table is not None:
                yield table


def _holds(raw: bytes) -> bool:
    return (
        len(raw) == _GPT_HEADER
        and raw[:8] == _GPT
        and int.from_bytes(raw[12:16], "little") == _GPT_HEADER
        and crc32(raw[20:], crc32(bytes(4), crc32(raw[:16])))
        == int.from_bytes(raw[16:20], "little")
    )


def _header(contents: bytes, at: int, raw: bytes, header: bytes) -> Finding:
    mine, other = struct.unpack_from("<QQ", header, 24)
    holds = raw == header
    return Finding(
        at,
        _GPT_HEADER,
        "gpt",
        "GPT header",
        Verdict.VOUCHED if holds else Verdict.DAMAGED,
        ("header CRC-32 holds" if holds else "header CRC-32 fails; with one bit turned it holds",),
        (
            ("disk", str(uuid.UUID(bytes_le=header[56:72]))),
            ("block", str(mine)),
            ("other copy", f"block {other}"),
        ),
    )


def _table(contents: bytes, at: int, header: bytes, budget: Budget) -> Finding | None:
    (mine,) = struct.unpack_from("<Q", header, 24)
    first, count, size, stored = struct.unpack_from("<QIII", header, 72)
    start = at + (first - mine) * _BLOCK
    length = count * size
    if size < 128 or not 0 <= start <= start + length <= len(contents) or not budget.spend(length):
        return None
    holds = crc32(memoryview(contents)[start : start + length]) == stored
    return Finding(
        start,
        length,
        "gpt-table",
        "GPT partition table",
        Verdict.VOUCHED if holds else Verdict.DAMAGED,
        (f"table CRC-32 {'holds' if holds else 'fails'}",),
        tuple(_partitions(contents[start : start + length], size)),
    )


def _partitions(table: bytes, size: int, most: int = 128) -> Iterator[tuple[str, str]]:
    for index in range(0, min(len(table), most * size), size):
        entry = table[index : index + 128]
        if any(entry[:16]):
            first, last = struct.unpack_from("<QQ", entry, 32)
            name = entry[56:128].decode("utf-16-le", "replace").split("\0")[0]
            shown = readable(name.encode("utf-8"), 100)
            yield f"partition {index // size + 1}", f"{shown}, blocks {first} to {last}"
