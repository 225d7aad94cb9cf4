"""Read-only file systems: CramFS, RomFS and EROFS, and the cpio archive of a kernel's first root.

Layouts (the tests compare with `mkfs.cramfs`, `genromfs`, `mkfs.erofs` and `cpio`):

* CramFS: Linux, include/uapi/linux/cramfs_fs.h (from memory). A superblock of 76 bytes, in either
  byte order, with a CRC-32 over the whole file system, computed with its own field zero. The
  superblock may lie 512 bytes into the image, after room for a boot sector (`mkfs.cramfs -p`): the
  size counts that room, the CRC leaves it out.
* RomFS: Linux, Documentation/filesystems/romfs.rst (from memory). Big-endian words that add up to
  zero, over the first 512 bytes and each file header. The contents of files have no checksum.
* EROFS: Linux, fs/erofs/erofs_fs.h and super.c (6.1). A superblock 1 KiB after the start, with a
  CRC-32C where its features say so: over the rest of the first block, counted from the superblock,
  without its final inversion. The files have none.
* cpio: Linux, Documentation/driver-api/early-userspace/buffer-format.rst. Headers are hexadecimal
  text without a checksum. With the magic 070702 each file has the sum of its bytes; 070701 has no
  checksum.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterator, Sequence
from zlib import crc32

import numpy as np

from spiflash.dump.finding import FileSystemFacts, Finding, Verdict
from spiflash.dump.formats import Budget, crc, one_by_one, outside, places, places_or_near
from spiflash.spans import Span, merged, without
from spiflash.text import counted, readable

# CramFS ------------------------------------------------------------------------------------------

_CRAMFS_MAGIC = 0x28CD3D45
_CRAMFS_SIGNATURE = b"Compressed ROMFS"
_CRAMFS_SUPERBLOCK = 76
_CRAMFS_WITH_CRC = 1
_CRAMFS_ROOM = 512


def find_cramfs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """File systems with the signature and the magic number, one of which may have a wrong bit."""
    budget = Budget(8 * len(contents))
    signed = (place - 16 for place in places_or_near(contents, _CRAMFS_SIGNATURE) if place >= 16)
    return one_by_one(outside(signed, packed), lambda at: _read_cramfs(contents, at, budget))


def _read_cramfs(contents: bytes, at: int, budget: Budget) -> Finding | None:
    if at + _CRAMFS_SUPERBLOCK > len(contents):
        return None
    order = _cramfs_order(contents[at : at + 4])
    if order is None:
        return None
    prefix, name, exact = order
    size, flags = struct.unpack_from(f"{prefix}2I", contents, at + 4)
    stored, edition, blocks, files = struct.unpack_from(f"{prefix}4I", contents, at + 32)
    room = _cramfs_room(contents, at, size, stored, budget) if flags & _CRAMFS_WITH_CRC else 0
    size -= room
    length = size if _CRAMFS_SUPERBLOCK <= size <= len(contents) - at else _CRAMFS_SUPERBLOCK
    checks = ["signature and magic number"]
    verdict = Verdict.CONSISTENT
    if not flags & _CRAMFS_WITH_CRC:
        checks.append("an old version, without a checksum")
        if not exact or length == _CRAMFS_SUPERBLOCK:
            return None
    elif budget.spend(length):
        holds = _cramfs_sum(contents, at, length) == stored
        verdict = Verdict.VERIFIED if holds and length == size else Verdict.DAMAGED
        said = "OK" if holds else "fails"
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
        uncovered=((at - room, at),) if room and verdict is Verdict.VERIFIED else (),
        damage=((at, at + length),) if room and verdict is Verdict.DAMAGED else (),
        facts=FileSystemFacts(size + room, "gzip"),
    )


def _cramfs_room(contents: bytes, at: int, size: int, stored: int, budget: Budget) -> int:
    """The room for a boot sector before the superblock: 0 where there is none."""
    end = at + size - _CRAMFS_ROOM
    if (
        at < _CRAMFS_ROOM
        or not at + _CRAMFS_SUPERBLOCK < end <= len(contents)
        or not budget.spend(size)
    ):
        return 0
    if _cramfs_sum(contents, at, end - at) == stored:
        return _CRAMFS_ROOM
    # A damaged one counts as one with room where the 512 bytes before it are zeros.
    blank = not any(contents[at - _CRAMFS_ROOM : at]) and at % 4096 == _CRAMFS_ROOM
    return (
        _CRAMFS_ROOM
        if blank and _cramfs_sum(contents, at, min(size, len(contents) - at)) != stored
        else 0
    )


def _cramfs_sum(contents: bytes, at: int, length: int) -> int:
    view = memoryview(contents)[at : at + length]
    return crc32(view[36:], crc32(bytes(4), crc32(view[:32])))


def _cramfs_order(raw: bytes) -> tuple[str, str, bool] | None:
    """Byte order by the magic number, which may have one bit wrong."""
    for prefix, name in (("<", "little"), (">", "big")):
        (value,) = struct.unpack(f"{prefix}I", raw)
        wrong = (value ^ _CRAMFS_MAGIC).bit_count()
        if wrong <= 1:
            return prefix, name, wrong == 0
    return None


# RomFS -------------------------------------------------------------------------------------------

_ROMFS_MAGIC = b"-rom1fs-"
_ROMFS_SUMMED = 512
_ROMFS_NAMES = 256
_ROMFS_MOST_FILES = 20_000


def find_romfs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """File systems whose first sum is OK; DAMAGED where it fails and the rest is plausible."""
    budget = Budget(100_000)
    starts = outside(places_or_near(contents, _ROMFS_MAGIC), packed)
    return one_by_one(starts, lambda at: _read_romfs(contents, at, budget))


def _adds_up(raw: bytes) -> bool:
    words = np.frombuffer(raw, dtype=">u4", count=len(raw) // 4)
    return int(words.sum(dtype=np.uint64)) & 0xFFFFFFFF == 0


def _romfs_string_end(contents: bytes, at: int) -> int:
    """The address after a name and its padding to 16 bytes; 0 where the name has no end."""
    end = contents.find(b"\0", at, at + _ROMFS_NAMES)
    return at + ((end - at) // 16 + 1) * 16 if end >= 0 else 0


def _read_romfs(contents: bytes, at: int, budget: Budget) -> Finding | None:
    first = _romfs_string_end(contents, at + 16)
    if not first or not budget.spend(1):
        return None
    size = int.from_bytes(contents[at + 8 : at + 12], "big")
    sized = 32 <= size <= len(contents) - at
    summed = min(size, _ROMFS_SUMMED) if sized else _ROMFS_SUMMED
    name = contents[at + 16 : contents.find(b"\0", at + 16)]
    exact = contents[at : at + 8] == _ROMFS_MAGIC
    held = exact and sized and _adds_up(contents[at : at + summed])
    if not exact and not sized:
        return None
    verified: list[Span] = []
    damage: list[Span] = []
    (verified if held else damage).append((at, min(at + summed, len(contents))))
    files = 0
    if sized:
        files = _romfs_files(contents, at, first, at + size, verified, damage, budget)
    end = at + size if sized else damage[0][1]
    if not exact and (not files or len(damage) > 1):
        return None  # the magic number is wrong, and no other check says that this is one
    checks = [f"the words of the first {summed} bytes {'add' if held else 'do not add'} up to 0"]
    checks.append(f"sums of {counted(files, 'file header')} OK; contents have no checksum")
    damage = without(damage, verified) or damage
    return Finding(
        at,
        end - at,
        "romfs",
        "RomFS file system",
        Verdict.DAMAGED if damage else Verdict.VERIFIED,
        tuple(checks),
        (("name", readable(name, 60)), ("size", f"{size} bytes"), ("files", str(files))),
        uncovered=tuple(without([(at, end)], [*verified, *damage])),
        damage=tuple(merged(damage)),
        facts=FileSystemFacts(size),
    )


def _romfs_files(
    contents: bytes,
    base: int,
    first: int,
    end: int,
    verified: list[Span],
    damage: list[Span],
    budget: Budget,
) -> int:
    """Check every file header that the chains lead to; the number of those that are OK."""
    waiting, seen, held = [first], set[int](), 0
    while waiting and len(seen) < _ROMFS_MOST_FILES and budget.spend(1):
        at = waiting.pop()
        if at in seen or not base < at <= end - 16:
            continue
        seen.add(at)
        data = _romfs_string_end(contents, at + 16) or at + 16
        span = (at, min(data, end))
        following, info = struct.unpack_from(">2I", contents, at)
        if not _adds_up(contents[span[0] : span[1]]):
            damage.append(span)
            continue
        verified.append(span)
        held += 1
        waiting.append(base + (following & ~15))
        if following & 7 == 1:  # a directory: `info` is where its first entry is
            waiting.append(base + info)
    return held


# EROFS -------------------------------------------------------------------------------------------

_EROFS_MAGIC = struct.pack("<I", 0xE0F5E1E2)
_EROFS_SUPER = 1024
_EROFS_SIZE = 128
_EROFS_SUMMED = 1
_EROFS_COMPRESSED = 3  # zero padding or configured compression, in the incompatible features


def find_erofs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Superblocks whose checksum is OK, or that are plausible without one."""
    budget = Budget(16 << 20)  # bytes under sums: a block is 64 KiB at most
    starts = outside((place - _EROFS_SUPER for place in places(contents, _EROFS_MAGIC)), packed)
    return one_by_one(starts, lambda at: _read_erofs(contents, at, budget))


def _read_erofs(contents: bytes, at: int, budget: Budget) -> Finding | None:
    raw = contents[at + _EROFS_SUPER : at + _EROFS_SUPER + _EROFS_SIZE]
    if len(raw) < _EROFS_SIZE:
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
    summed = block - _EROFS_SUPER if block > _EROFS_SUPER else block
    end = at + _EROFS_SUPER + summed
    covered = contents[at + _EROFS_SUPER : end]
    whole = blocks << bits
    length = (
        whole
        if _EROFS_SUPER + _EROFS_SIZE <= whole <= len(contents) - at
        else _EROFS_SUPER + _EROFS_SIZE
    )
    verdict, checks = Verdict.CONSISTENT, ["the fields of the superblock are consistent"]
    sums = bool(features & _EROFS_SUMMED) and len(covered) == summed
    if sums and not budget.spend(summed):
        verdict, checks = (
            Verdict.UNCHECKED,
            ["superblock CRC-32C NOT CHECKED: too many superblocks in this dump"],
        )
    elif sums:
        holds = crc("CRC-32/ISCSI")(covered[:4] + bytes(4) + covered[8:]) ^ 0xFFFFFFFF == stated
        verdict = Verdict.VERIFIED if holds else Verdict.DAMAGED
        checks.append(f"superblock CRC-32C {'OK' if holds else 'fails'}")
        length = max(length, end - at)
    rest = tuple(
        span for span in ((at, at + _EROFS_SUPER), (end, at + length)) if span[0] < span[1]
    )
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
        uncovered=rest if verdict in (Verdict.VERIFIED, Verdict.DAMAGED) else (),
        damage=((at + _EROFS_SUPER, end),) if verdict is Verdict.DAMAGED else (),
        facts=FileSystemFacts(whole, "lz4" if incompatible & _EROFS_COMPRESSED else ""),
    )


# cpio --------------------------------------------------------------------------------------------

_CPIO_HEAD = 110
_CPIO_TRAILER = b"TRAILER!!!\0"
_CPIO_LONGEST_NAME = 4096
_CPIO_DIGITS = frozenset(b"0123456789abcdefABCDEF")
_CPIO_KINDS, _CPIO_PLAIN = 0o170000, 0o100000
_CPIO_FEWEST = 3
"""Entries of an archive whose end is missing: fewer may be text that mentions the magic number."""


def find_cpio(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Archives from their first header to the trailer."""
    budget = Budget(200_000)  # entries
    starts = outside(places(contents, b"07070"), packed)
    return one_by_one(starts, lambda at: _read_cpio(contents, at, budget))


def _read_cpio(contents: bytes, start: int, budget: Budget) -> Finding | None:
    at, files, whole = start, 0, False
    sums: list[tuple[Span, int]] = []
    while not whole and budget.spend(1):
        head = _cpio_header(contents, at)
        if head is None:
            break
        size, name_size, total = head
        name = at + _CPIO_HEAD
        data = start + (name + name_size - start + 3 & ~3)
        end = start + (data + size - start + 3 & ~3)
        if data + size > len(contents) or contents[data - 1 : data] > b"\0":
            break
        whole = contents[name : name + name_size] == _CPIO_TRAILER
        files += not whole
        if total is not None and size:
            sums.append(((data, data + size), total))
        at = min(end, len(contents))
    if not (whole or files >= _CPIO_FEWEST):
        return None
    held = [span for span, total in sums if _cpio_sum(contents, span) == total]
    damage = merged(without([span for span, _ in sums], held))
    verdict = Verdict.DAMAGED if damage else Verdict.VERIFIED if held else Verdict.CONSISTENT
    checks = [f"{counted(files, 'header')} in the usual form, each where the one before says"]
    checks.append("ends with its trailer" if whole else "its trailer is missing")
    if sums:
        checks.append(f"sums of {len(held):,} of {counted(len(sums), 'file')} OK")
    return Finding(
        start,
        at - start,
        "cpio",
        "cpio archive",
        verdict,
        tuple(checks),
        (("entries", f"{files:,}"),),
        uncovered=tuple(without([(start, at)], [*held, *damage])) if sums else (),
        damage=tuple(damage),
        facts=FileSystemFacts(at - start),
    )


def _cpio_header(contents: bytes, at: int) -> tuple[int, int, int | None] | None:
    """(size of the file, of its name, sum of its bytes where it has one); None for no header."""
    raw = contents[at : at + _CPIO_HEAD]
    if (
        len(raw) < _CPIO_HEAD
        or raw[:6] not in (b"070701", b"070702")
        or not _CPIO_DIGITS.issuperset(raw)
    ):
        return None
    mode, size, name_size, total = (int(raw[low : low + 8], 16) for low in (14, 54, 94, 102))
    if not 1 <= name_size <= _CPIO_LONGEST_NAME:
        return None
    if contents[at + _CPIO_HEAD + name_size - 1 : at + _CPIO_HEAD + name_size] != b"\0":
        return None
    # Of a link, which holds a path, no sum is stored: Linux, init/initramfs.c, do_name, checks
    # those of plain files (from memory; the tests compare with `cpio`).
    summed = raw[:6] == b"070702" and mode & _CPIO_KINDS == _CPIO_PLAIN
    return size, name_size, total if summed else None


def _cpio_sum(contents: bytes, span: Span) -> int:
    data = np.frombuffer(contents, dtype=np.uint8, count=span[1] - span[0], offset=span[0])
    return int(data.sum(dtype=np.uint64)) & 0xFFFFFFFF
