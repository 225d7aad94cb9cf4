"""EROFS: a superblock 1 KiB behind the start, with a CRC-32C where its features say so.

Layout: Linux, fs/erofs/erofs_fs.h and super.c (6.1); the tests compare with `mkfs.erofs`. The sum
is over the rest of the first block, counted from the superblock, and without its final inversion.
The files have none.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc
from spiflash.dump.facts import FileSystemFacts
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import outside, places
from spiflash.text import readable

_MAGIC = struct.pack("<I", 0xE0F5E1E2)
_SUPER = 1024
_SIZE = 128
_SUMMED = 1
_COMPRESSED = 3  # zero padding or configured compression, in the incompatible features


def find_erofs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Superblocks whose sum holds, or that make sense by themselves."""
    done = 0
    budget = Budget(16 << 20)  # bytes under sums: a block is 64 KiB at most
    for at in outside((place - _SUPER for place in places(contents, _MAGIC)), packed):
        finding = _read(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
    raw = contents[at + _SUPER : at + _SUPER + _SIZE]
    if len(raw) < _SIZE:
        return None
    _, stated, features, bits, slots = struct.unpack_from("<3I2B", raw)
    root, inodes = struct.unpack_from("<HQ", raw, 14)
    blocks, meta = struct.unpack_from("<2I", raw, 36)
    incompatible = int.from_bytes(raw[80:84], "little")
    sensible = (
        9 <= bits <= 16 and blocks and meta <= blocks and inodes and root and slots <= 64
    )  # fmt: skip
    if not sensible:
        return None
    block = 1 << bits
    summed = block - _SUPER if block > _SUPER else block
    end = at + _SUPER + summed
    covered = contents[at + _SUPER : end]
    whole = blocks << bits
    length = whole if _SUPER + _SIZE <= whole <= len(contents) - at else _SUPER + _SIZE
    verdict, checks = Verdict.CONSISTENT, ["numbers of the superblock fit each other"]
    sums = bool(features & _SUMMED) and len(covered) == summed
    if sums and not budget.spend(summed):
        verdict, checks = Verdict.UNCHECKED, ["CRC-32C of the superblock was not computed"]
    elif sums:
        holds = crc("CRC-32/ISCSI")(covered[:4] + bytes(4) + covered[8:]) ^ 0xFFFFFFFF == stated
        verdict = Verdict.VOUCHED if holds else Verdict.DAMAGED
        checks.append(f"CRC-32C of the superblock {'holds' if holds else 'fails'}")
        length = max(length, end - at)
    rest = tuple(span for span in ((at, at + _SUPER), (end, at + length)) if span[0] < span[1])
    return Finding(
        at,
        length,
        "erofs",
        "EROFS file system",
        verdict,
        tuple(checks),
        (
            ("size", f"{whole} bytes"),
            ("block size", f"{block} bytes"),
            ("inodes", str(inodes)),
            ("name", readable(raw[64:80].rstrip(b"\0"))),
            ("identifier", str(uuid.UUID(bytes=raw[48:64]))),
        ),
        uncovered=rest if verdict in (Verdict.VOUCHED, Verdict.DAMAGED) else (),
        damage=((at + _SUPER, end),) if verdict is Verdict.DAMAGED else (),
        facts=FileSystemFacts(whole, "lz4" if incompatible & _COMPRESSED else ""),
    )
