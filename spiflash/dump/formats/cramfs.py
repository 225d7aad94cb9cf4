"""CramFS: a superblock of 76 bytes with a CRC-32 over the whole file system.

Layout: Linux, include/uapi/linux/cramfs_fs.h (from memory; the tests compare with
`mkfs.cramfs`). In either byte order; the CRC is computed with its own field zero. The
superblock may lie 512 bytes into the image, after room for a boot sector (`mkfs.cramfs -p`): the
size counts that room, the CRC leaves it out.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.facts import FileSystemFacts
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import near_places, outside, places
from spiflash.text import readable

_MAGIC = 0x28CD3D45
_SIGNATURE = b"Compressed ROMFS"
_SUPERBLOCK = 76
_WITH_CRC = 1
_ROOM = 512


def find_cramfs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """File systems with the signature and the magic number, at most one of them off by a bit."""
    budget = Budget(8 * len(contents))
    near = near_places(contents, _SIGNATURE)
    signed = sorted({*places(contents, _SIGNATURE), *near})
    done = 0
    for at in outside((place - 16 for place in signed if place >= 16), packed):
        finding = _read(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
    if at + _SUPERBLOCK > len(contents):
        return None
    order = _order(contents[at : at + 4])
    if order is None:
        return None
    prefix, name, exact = order
    size, flags = struct.unpack_from(f"{prefix}2I", contents, at + 4)
    stored, edition, blocks, files = struct.unpack_from(f"{prefix}4I", contents, at + 32)
    room = _room(contents, at, size, stored, budget) if flags & _WITH_CRC else 0
    size -= room
    length = size if _SUPERBLOCK <= size <= len(contents) - at else _SUPERBLOCK
    checks = ["signature and magic number"]
    verdict = Verdict.CONSISTENT
    if not flags & _WITH_CRC:
        checks.append("an old version, without a checksum")
        if not exact or length == _SUPERBLOCK:
            return None
    elif budget.spend(length):
        holds = _sum(contents, at, length) == stored
        verdict = Verdict.VOUCHED if holds and length == size else Verdict.DAMAGED
        said = "holds" if holds else "fails"
        checks.append(f"CRC-32 over {length} bytes {said}")
    else:
        verdict = Verdict.UNCHECKED
        checks.append("CRC-32 NOT CHECKED: too many file systems claim these bytes")
    return Finding(
        at - room,
        length + room,
        "cramfs",
        "CramFS file system",
        verdict,
        tuple(checks),
        (
            ("name", readable(contents[at + 48 : at + 64].rstrip(b"\0"))),
            ("size", f"{size + room} bytes"),
            ("byte order", f"{name} endian"),
            ("edition", str(edition)),
            ("blocks", str(blocks)),
            ("files", str(files)),
        ),
        uncovered=((at - room, at),) if room and verdict is Verdict.VOUCHED else (),
        damage=((at, at + length),) if room and verdict is Verdict.DAMAGED else (),
        facts=FileSystemFacts(size + room, "gzip"),
    )


def _room(contents: bytes, at: int, size: int, stored: int, budget: Budget) -> int:
    """The room for a boot sector in front of the superblock: 0 where there is none."""
    end = at + size - _ROOM
    if at < _ROOM or not at + _SUPERBLOCK < end <= len(contents) or not budget.spend(size):
        return 0
    if _sum(contents, at, end - at) == stored:
        return _ROOM
    # A broken one is taken for one with room where nothing but zeros is there.
    blank = not any(contents[at - _ROOM : at]) and at % 4096 == _ROOM
    return _ROOM if blank and _sum(contents, at, min(size, len(contents) - at)) != stored else 0


def _sum(contents: bytes, at: int, length: int) -> int:
    view = memoryview(contents)[at : at + length]
    return crc32(view[36:], crc32(bytes(4), crc32(view[:32])))


def _order(raw: bytes) -> tuple[str, str, bool] | None:
    """Byte order by the magic number, which may have one bit wrong."""
    for prefix, name in (("<", "little"), (">", "big")):
        (value,) = struct.unpack(f"{prefix}I", raw)
        wrong = (value ^ _MAGIC).bit_count()
        if wrong <= 1:
            return prefix, name, wrong == 0
    return None
