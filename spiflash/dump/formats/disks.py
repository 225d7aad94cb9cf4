"""What belongs on disks and is found on some flash: partition tables (MBR, GPT), ext2/3/4, FAT.

Layouts, all from memory: UEFI Specification 2.10, sections 5.2 and 5.3 (the tests compare with
`sfdisk`); Linux, Documentation/filesystems/ext4/super.rst (`mke2fs`); Microsoft, "FAT32 File System
Specification" 1.03 (`mkfs.fat`). A GPT header has a CRC-32 over itself and one over its table, an
ext4 with metadata checksums one over its superblock; MBR, FAT and older ext have no checksum.
"""

from __future__ import annotations

import itertools
import struct
import uuid
from collections.abc import Iterator, Sequence
from zlib import crc32

from spiflash.dump.finding import FileSystemFacts, Finding, Verdict
from spiflash.dump.formats import Budget, crc, mended, one_by_one, outside, places, places_or_near
from spiflash.spans import Span
from spiflash.text import readable

# Partition tables --------------------------------------------------------------------------------

_BLOCK = 512
_SIGNATURE = b"\x55\xaa"
_GPT = b"EFI PART"
_GPT_HEADER = 92


def find_mbr(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Boot sectors with a partition table whose entries are plausible and do not overlap."""
    for at in _boot_sectors(contents, packed):
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
    """Headers, and the tables that they point at where these are in the dump."""
    budget, mending = Budget(4 * len(contents)), Budget(500)
    for at in outside(places_or_near(contents, _GPT), packed):
        raw = contents[at : at + _GPT_HEADER]
        header = raw if _gpt_holds(raw) else mended(raw, _gpt_holds, mending)
        if header is not None:
            yield _gpt_header(contents, at, raw, header)
            table = _gpt_table(contents, at, header, budget)
            if table is not None:
                yield table


def _gpt_holds(raw: bytes) -> bool:
    return (
        len(raw) == _GPT_HEADER
        and raw[:8] == _GPT
        and int.from_bytes(raw[12:16], "little") == _GPT_HEADER
        and crc32(raw[20:], crc32(bytes(4), crc32(raw[:16])))
        == int.from_bytes(raw[16:20], "little")
    )


def _gpt_header(contents: bytes, at: int, raw: bytes, header: bytes) -> Finding:
    mine, other = struct.unpack_from("<QQ", header, 24)
    holds = raw == header
    return Finding(
        at,
        _GPT_HEADER,
        "gpt",
        "GPT header",
        Verdict.VERIFIED if holds else Verdict.DAMAGED,
        ("header CRC-32 OK" if holds else "header CRC-32 fails; with one bit flipped it is OK",),
        (
            ("disk", str(uuid.UUID(bytes_le=header[56:72]))),
            ("block", str(mine)),
            ("other copy", f"block {other}"),
        ),
    )


def _gpt_table(contents: bytes, at: int, header: bytes, budget: Budget) -> Finding | None:
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
        Verdict.VERIFIED if holds else Verdict.DAMAGED,
        (f"table CRC-32 {'OK' if holds else 'fails'}",),
        tuple(_gpt_partitions(contents[start : start + length], size)),
    )


def _gpt_partitions(table: bytes, size: int, most: int = 128) -> Iterator[tuple[str, str]]:
    for index in range(0, min(len(table), most * size), size):
        entry = table[index : index + 128]
        if any(entry[:16]):
            first, last = struct.unpack_from("<QQ", entry, 32)
            name = entry[56:128].decode("utf-16-le", "replace").split("\0")[0]
            shown = readable(name.encode("utf-8"), 100)
            yield f"partition {index // size + 1}", f"{shown}, blocks {first} to {last}"


# File systems ------------------------------------------------------------------------------------

_SUPER = 1024
_METADATA_SUMS = 0x400


def find_ext(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """ext2, ext3 and ext4 by a plausible superblock, 1 KiB after their start."""
    mending = Budget(20)
    starts = (place - _SUPER - 56 for place in places(contents, b"\x53\xef"))
    aligned = (at for at in starts if at >= 0 and at % _BLOCK == 0)
    return one_by_one(outside(aligned, packed), lambda at: _ext(contents, at, mending))


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
    holds = sums and _ext_sum_holds(raw)
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
    # Where the checksum fails or a field is implausible, a single wrong bit may be the reason.
    repaired = None
    if not holds and (sums or not sensible):
        repaired = mended(raw, _ext_sum_holds, mending)
    if not holds and not sensible and repaired is None:
        return None
    whole = blocks * size
    length = whole if 2 * _SUPER <= whole <= len(contents) - at else 2 * _SUPER
    generation = "ext4" if incompatible & 0x2C0 else "ext3" if compatible & 4 else "ext2"
    checks = ["the fields of the superblock are consistent"]
    verdict, block = Verdict.CONSISTENT, (at + _SUPER, at + 2 * _SUPER)
    if holds:
        checks.append("superblock CRC-32C OK")
        verdict = Verdict.VERIFIED
    elif repaired is not None:
        checks.append("superblock CRC-32C fails; with one bit flipped it is OK")
        verdict = Verdict.DAMAGED
    elif sums:
        checks.append("superblock CRC-32C fails")
    # A wrong bit in the magic number would hide the superblock, so it is not called verified.
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


def _ext_sum_holds(raw: bytes) -> bool:
    """ext4 leaves out CRC-32C's final inversion. Without the feature there is no sum."""
    if not int.from_bytes(raw[100:104], "little") & _METADATA_SUMS or raw[0x175] != 1:
        return False
    return crc("CRC-32/ISCSI")(raw[:1020]) ^ 0xFFFFFFFF == int.from_bytes(raw[1020:], "little")


def find_fat(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """FAT12, FAT16 and FAT32 by a plausible boot sector."""
    return one_by_one(_boot_sectors(contents, packed), lambda at: _fat(contents, at))


def _boot_sectors(contents: bytes, packed: Sequence[Span]) -> Iterator[int]:
    """Where 512 bytes end in the signature of a boot sector."""
    starts = (place - 510 for place in places(contents, _SIGNATURE))
    return outside((at for at in starts if at >= 0 and at % _BLOCK == 0), packed)


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
        ("the fields of the boot sector are consistent",),
        (
            ("size", f"{whole} bytes"),
            ("cluster size", f"{per_cluster * size} bytes"),
            ("name", readable(label.rstrip())),
        ),
        facts=FileSystemFacts(whole),
    )
