"""SquashFS 4 file systems: recognised by their superblock, then every block unpacked.

Layout: Linux, Documentation/filesystems/squashfs.rst and fs/squashfs/squashfs_fs.h (from memory;
the tests compare with `mksquashfs`).
"""

from __future__ import annotations

import datetime
import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.facts import FileSystemFacts
from spiflash.dump.finding import Finding, Span, Verdict, without
from spiflash.dump.formats.magic import outside, places
from spiflash.dump.formats.squashfs_walk import ABSENT, Superblock, Walk, Walker
from spiflash.dump.formats.unpack import allowance
from spiflash.text import counted

MAGIC = b"hsqs"

_SUPERBLOCK = struct.Struct("<4sIIIIHHHHHHQQQQQQQQ")
_COMPRESSIONS = {1: "gzip", 2: "lzma", 3: "lzo", 4: "xz", 5: "lz4", 6: "zstd"}
_CHECKS = {"gzip": "Adler-32", "xz": "the check of the xz format"}


def find_squashfs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """File systems whose superblock makes sense; only the superblock when the rest is cut off."""
    budget = allowance(contents)
    done = 0
    for at, top in superblocks(contents, packed):
        if at < done or not budget.spend(_SUPERBLOCK.size * 64):
            continue
        finding = _examined(contents, at, top, budget)
        yield finding
        done = finding.end


def superblocks(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[tuple[int, Superblock]]:
    """Offset and fields of every superblock that agrees with itself; unpacks nothing."""
    for at in outside(places(contents, MAGIC), packed):
        top = _read(contents, at) if at + _SUPERBLOCK.size <= len(contents) else None
        if top is not None:
            yield at, top


def _read(contents: bytes, at: int) -> Superblock | None:
    fields = _SUPERBLOCK.unpack_from(contents, at)
    _, inodes, made, block, fragments, packing, block_log, flags, id_count = fields[:9]
    major, minor, _root, used, ids, xattrs, inode_table, directories = fields[9:17]
    fragment_table, lookup = fields[17:]
    tables = (ids, xattrs, inode_table, directories, fragment_table, lookup)
    if (
        (major, minor) != (4, 0)
        or packing not in _COMPRESSIONS
        or not 12 <= block_log <= 20  # Linux mounts blocks of 4 KiB to 1 MiB
        or block != 1 << block_log
        or inodes == 0
        or used <= _SUPERBLOCK.size
        or any(not _SUPERBLOCK.size <= table < used for table in tables if table != ABSENT)
        or inode_table >= directories
        or ABSENT in (ids, inode_table, directories)
    ):
        return None
    return Superblock(
        *(inodes, made, block, fragments, _COMPRESSIONS[packing], flags, id_count, used),
        *(ids, xattrs, inode_table, directories, fragment_table, lookup),
    )


def _examined(contents: bytes, at: int, top: Superblock, budget: Budget) -> Finding:
    checks = ["version, block size, compression and table addresses fit each other"]
    verdict, length = Verdict.CONSISTENT, top.used
    uncovered: tuple[Span, ...] = ()
    damage: tuple[Span, ...] = ()
    if at + top.used > len(contents):
        length = _SUPERBLOCK.size
        missing = counted(at + top.used - len(contents), "byte")
        checks.append(f"cut off: {missing} beyond the end of the dump")
    else:
        walk = Walker(contents, at, top, budget).run()
        checks += _said(walk, top)
        vouched = [(at + start, at + end) for start, end in walk.vouched]
        broken = [(at + start, at + end) for start, end in walk.broken]
        if broken:
            verdict, damage = Verdict.DAMAGED, tuple(broken)
        elif vouched:
            verdict = Verdict.VOUCHED
        if verdict is not Verdict.CONSISTENT:
            uncovered = tuple(without([(at, at + length)], [*vouched, *broken]))
    made = datetime.datetime.fromtimestamp(top.made, datetime.UTC)
    return Finding(
        at,
        length,
        "squashfs",
        f"SquashFS 4.0 file system, {top.compression} compressed",
        verdict,
        tuple(checks),
        (
            ("compression", top.compression),
            ("size", f"{top.used} bytes"),
            ("block size", f"{top.block_size} bytes"),
            ("inodes", str(top.inodes)),
            ("fragments", str(top.fragments)),
            ("made", f"{made:%Y-%m-%d %H:%M:%S} UTC"),
        ),
        uncovered=uncovered,
        damage=damage,
        facts=FileSystemFacts(top.used, top.compression),
    )


def _said(walk: Walk, top: Superblock) -> Iterator[str]:
    packed = walk.blocks - walk.stored - len(walk.broken)
    if walk.fitting:
        yield f"{walk.fitting} of {counted(packed, 'packed block')} unpack; without a checksum"
    held = packed - walk.fitting
    if held > 0:
        yield f"{_CHECKS.get(top.compression, 'a checksum')} of {counted(held, 'block')} holds"
    if walk.stored:
        yield f"{counted(walk.stored, 'block')} stored as they are, without a checksum"
    if walk.broken:
        first = ", ".join(f"{start:X}h" for start, _ in walk.broken[:8])
        yield f"{counted(len(walk.broken), 'block')} broken, at {first} from the superblock"
    if walk.skipped:
        yield f"{counted(walk.skipped, 'block')} not unpacked, to keep the time short"
    if walk.lost:
        yield walk.lost
