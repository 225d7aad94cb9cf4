"""Superblocks of file systems for disks: ext2/3/4 and FAT.

Layouts: Linux, Documentation/filesystems/ext4/super.rst; Microsoft, "FAT32 File System
Specification" 1.03 (both from memory; the tests compare with `mke2fs` and `mkfs.fat`). Of these
only an ext4 with metadata checksums vouches for anything here: its superblock.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc
from spiflash.dump.facts import FileSystemFacts
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import mended, outside, places
from spiflash.text import readable

_BLOCK = 512
_SUPER = 1024
_METADATA_SUMS = 0x400


def find_ext(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """ext2, ext3 and ext4 by a superblock that makes sense, 1 KiB behind their start."""
    mending = Budget(20)
    done = 0
    starts = (place - _SUPER - 56 for place in places(contents, b"\x53\xef"))
    for at in outside((at for at in starts if at >= 0 and at % _BLOCK == 0), packed):
        finding = _ext(contents, at, mending) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _ext(contents: bytes, at: int, mending: Budget) -> Finding | None:
    raw = contents[at + _SUPER : at + 2 * _SUPER]
    if len(raw) < _SUPER:
        return None
    inodes, blocks, _, free, _, first, log = struct.unpack_from("<7I", raw)
    per_group, _, per_inodes = struct.unpack_from("<3I", raw, 32)
    (state, _, _, _, _, _, revision) = struct.unpack_from("<HHHIIII", raw, 58)
    compatible, incompatible, ro_compatible = struct.unpack_from("<3I", raw, 92)
    size = 1024 << log if log <= 6 else 0
    sums = bool(ro_compatible & _METADATA_SUMS) and raw[0x175] == 1
    holds = sums and _sum_holds(raw)
    sensible = (
        size
        and blocks > 0
        and free <= blocks
        and inodes
        and first == (1 if size == 1024 else 0)
        and 0 < per_group <= 8 * size
        and 0 < per_inodes <= 8 * size
        and state <= 7
        and revision <= 1
        and at + 2 * _SUPER <= len(contents)
    )
    # Where the sum should hold and does not, or a number is off, one wrong bit may be to blame.
    repaired = None
    if not holds and (sums or not sensible):
        repaired = mended(raw, _sum_holds, mending)
    if not holds and not sensible and repaired is None:
        return None
    whole = blocks * size
    length = whole if 2 * _SUPER <= whole <= len(contents) - at else 2 * _SUPER
    generation = "ext4" if incompatible & 0x2C0 else "ext3" if compatible & 4 else "ext2"
    checks = ["numbers of the superblock fit each other"]
    verdict, block = Verdict.CONSISTENT, (at + _SUPER, at + 2 * _SUPER)
    if holds:
        checks.append("CRC-32C of the superblock holds")
        verdict = Verdict.VOUCHED
    elif repaired is not None:
        checks.append("CRC-32C of the superblock fails; with one bit turned it holds")
        verdict = Verdict.DAMAGED
    elif sums:
        checks.append("CRC-32C of the superblock fails")
    # A wrong bit in the magic number would hide the superblock: not a byte to vouch for.
    magic = (block[0] + 56, block[0] + 58)
    rest = ((at, block[0]), magic, (block[1], at + length))
    return Finding(
        at,
        length,
        "ext",
        f"{generation} file system",
        verdict,
        tuple(checks),
        (
            ("size", f"{whole} bytes"),
            ("block size", f"{size} bytes"),
            ("inodes", str(inodes)),
            ("name", readable(raw[120:136].rstrip(b"\0"))),
            ("identifier", str(uuid.UUID(bytes=raw[104:120]))),
        ),
        uncovered=rest if verdict is not Verdict.CONSISTENT else (),
        damage=(block,) if verdict is Verdict.DAMAGED else (),
        facts=FileSystemFacts(whole),
    )


def _sum_holds(raw: bytes) -> bool:
    """ext4 leaves out CRC-32C's final inversion. Without the feature there is no sum."""
    if not int.from_bytes(raw[100:104], "little") & _METADATA_SUMS or raw[0x175] != 1:
        return False
    return crc("CRC-32/ISCSI")(raw[:1020]) ^ 0xFFFFFFFF == int.from_bytes(raw[1020:], "little")


def find_fat(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """FAT12, FAT16 and FAT32 by a boot sector that makes sense."""
    done = 0
    starts = (place - 510 for place in places(contents, b"\x55\xaa"))
    for at in outside((at for at in starts if at >= 0 and at % _BLOCK == 0), packed):
        finding = _fat(contents, at) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _fat(contents: bytes, at: int) -> Finding | None:
    raw = contents[at : at + _BLOCK]
    size, per_cluster, reserved, fats, roots, few, media, per_fat = struct.unpack_from(
        "<HBHBHHBH", raw, 11
    )
    many, per_wide = struct.unpack_from("<II", raw, 32)
    total, per_fat = few or many, per_fat or per_wide
    if (
        not ((raw[0] == 0xEB and raw[2] == 0x90) or raw[0] == 0xE9)
        or size not in (512, 1024, 2048, 4096)
        or not per_cluster
        or per_cluster & (per_cluster - 1)
        or not reserved
        or fats not in (1, 2)
        or (media != 0xF0 and media < 0xF8)
        or not total
        or not per_fat
    ):
        return None
    clusters = (total - reserved - fats * per_fat - -(-roots * 32 // size)) // per_cluster
    if clusters <= 0:
        return None
    bits = 12 if clusters < 4085 else 16 if clusters < 65525 else 32
    whole = total * size
    label = raw[71:82] if not roots else raw[43:54]
    return Finding(
        at,
        whole if whole <= len(contents) - at else _BLOCK,
        "fat",
        f"FAT{bits if roots else 32} file system",
        Verdict.CONSISTENT,
        ("numbers of the boot sector fit each other",),
        (
            ("size", f"{whole} bytes"),
            ("cluster size", f"{per_cluster * size} bytes"),
            ("name", readable(label.rstrip())),
        ),
        facts=FileSystemFacts(whole),
    )
