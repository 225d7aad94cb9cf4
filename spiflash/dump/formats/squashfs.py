"""SquashFS 4 file systems, recognised by their superblock.

Layout: Linux, Documentation/filesystems/squashfs.rst and fs/squashfs/squashfs_fs.h (from memory;
the tests compare with `mksquashfs`). The superblock has no checksum: a finding is at most
CONSISTENT.
"""

from __future__ import annotations

import datetime
import struct
from collections.abc import Iterator

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.magic import places
from spiflash.dump.wording import counted

MAGIC = b"hsqs"

_SUPERBLOCK = struct.Struct("<4sIIIIHHHHHHQQQQQQQQ")
_ABSENT = 0xFFFFFFFFFFFFFFFF
_COMPRESSIONS = {1: "gzip", 2: "lzma", 3: "lzo", 4: "xz", 5: "lz4", 6: "zstd"}


def find_squashfs(contents: bytes) -> Iterator[Finding]:
    """File systems whose superblock makes sense; only the superblock when the rest is cut off."""
    done = 0
    for at in places(contents, MAGIC):
        if at < done or at + _SUPERBLOCK.size > len(contents):
            continue
        finding = _read(contents, at)
        if finding is not None:
            yield finding
            done = finding.end


def _read(contents: bytes, at: int) -> Finding | None:
    fields = _SUPERBLOCK.unpack_from(contents, at)
    _, inodes, made, block, fragments, packing, block_log, _flags, _id_count = fields[:9]
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
        or any(not _SUPERBLOCK.size <= table < used for table in tables if table != _ABSENT)
        or inode_table >= directories
        or _ABSENT in (ids, inode_table, directories)
    ):
        return None
    checks = ["version, block size, compression and table addresses fit each other"]
    length = used
    if at + used > len(contents):
        length = _SUPERBLOCK.size
        checks.append(
            f"cut off: {counted(at + used - len(contents), 'byte')} beyond the end of the dump"
        )
    return Finding(
        at,
        length,
        "squashfs",
        f"SquashFS 4.0 file system, {_COMPRESSIONS[packing]} compressed",
        Verdict.CONSISTENT,
        tuple(checks),
        (
            ("compression", _COMPRESSIONS[packing]),
            ("size", f"{used} bytes"),
            ("block size", f"{block} bytes"),
            ("inodes", str(inodes)),
            ("fragments", str(fragments)),
            (
                "made",
                f"{datetime.datetime.fromtimestamp(made, datetime.UTC):%Y-%m-%d %H:%M:%S} UTC",
            ),
        ),
    )
