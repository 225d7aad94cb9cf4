"""SquashFS 4: recognised by the superblock, then every block unpacked.

Layout: Linux, Documentation/filesystems/squashfs.rst and fs/squashfs/squashfs_fs.h (from memory;
the tests compare with `mksquashfs` and `unsquashfs`). Tables come first, then the data that the
inodes name. A block is proven where its compressor adds a checksum: Adler-32 in zlib's format,
CRC-32 in xz. Stored blocks, block headers, the lists of table addresses and the superblock have
none.
"""

from __future__ import annotations

import datetime
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from spiflash.dump.finding import FileSystemFacts, Finding, Verdict
from spiflash.dump.formats import Budget, outside, places
from spiflash.dump.formats.unpack import BLOCK_COST, BlockError, allowance, unpack_block
from spiflash.spans import Span, without
from spiflash.text import counted

# Blocks ------------------------------------------------------------------------------------------

ABSENT = 0xFFFFFFFFFFFFFFFF

_METADATA = 8192
_STORED = 0x8000
_STORED_DATA = 1 << 24
_OPTIONS = 0x0400
_NO_FRAGMENT = 0xFFFFFFFF
_MOST_BLOCKS = 20_000


class Superblock(NamedTuple):
    """The superblock, field by field; addresses from its first byte."""

    magic: bytes
    inodes: int
    made: int
    block_size: int
    fragments: int
    packing: int
    block_log: int
    flags: int
    id_count: int
    major: int
    minor: int
    root: int
    used: int
    ids: int
    xattrs: int
    inode_table: int
    directories: int
    fragment_table: int
    lookup: int

    @property
    def compression(self) -> str:
        """The name of what its blocks are packed with; empty where that is not known."""
        return _COMPRESSIONS.get(self.packing, "")


@dataclass(slots=True)
class Walk:
    """The result for each block; ranges are offsets from the superblock.

    `verified` by a checksum; `fitting`: unpacked to the right size, or stored; `damaged`;
    `skipped` counts those that the budget did not allow.
    """

    verified: list[Span] = field(default_factory=list)
    fitting: int = 0
    stored: int = 0
    damaged: list[Span] = field(default_factory=list)
    skipped: int = 0
    lost: str = ""
    blocks: int = 0


class Walker:
    """Walks one file system at `at` in `contents`."""

    def __init__(self, contents: bytes, at: int, top: Superblock, budget: Budget) -> None:
        self._contents, self._at, self._top, self._budget = contents, at, top, budget
        self._seen: set[int] = set()
        self.walk = Walk()

    def run(self) -> Walk:
        top = self._top
        if top.flags & _OPTIONS:
            self._metadata(96)
        inodes = self._table(top.inode_table, top.directories)
        self._table(top.directories, min(self._beyond(), default=top.used))
        fragments = [
            struct.unpack_from("<QI", table, at)
            for table in self._listed(top.fragment_table, top.fragments, 16)
            for at in range(0, len(table) - 15, 16)
        ]
        for address, count, size in ((top.lookup, top.inodes, 8), (top.ids, top.id_count, 4)):
            self._listed(address, count, size)
        self._attributes()
        for start, size in fragments:
            self._data(start, size, top.block_size, exact=False)
        self._files(inodes)
        return self.walk

    # --- blocks ---

    def _bytes(self, start: int, length: int) -> bytes:
        if not 0 <= start <= start + length <= self._top.used:
            return b""
        return self._contents[self._at + start : self._at + start + length]

    def _unpack(self, start: int, length: int, limit: int) -> bytes | None:
        """The contents of a packed block, noted as verified, fitting or damaged."""
        cost = (length + limit) * BLOCK_COST.get(self._top.compression, 1)
        if not self._budget.spend(cost):
            self.walk.skipped += 1
            return None
        packed = self._bytes(start, length)
        self.walk.blocks += 1
        try:
            if not packed:
                raise BlockError("outside the file system")
            result = unpack_block(self._top.compression, packed, limit)
        except BlockError:
            self._damage(start, length)
            return None
        if result.verified:
            self._verify(start, length, result.loose_tail)
        else:
            self.walk.fitting += 1
        return result.contents

    def _damage(self, start: int, length: int) -> None:
        end = min(start + length, self._top.used)
        if 0 <= start < end:
            self.walk.damaged.append((start, end))
        else:
            self.walk.lost = "a table or block is outside the file system"

    def _verify(self, start: int, length: int, loose_tail: int) -> None:
        end = start + length
        if loose_tail:
            self.walk.verified += [(start, end - loose_tail), (end - loose_tail + 1, end)]
        else:
            self.walk.verified.append((start, end))

    def _metadata(self, start: int) -> tuple[bytes | None, int]:
        """A metadata block's contents (None: damaged), and the address after it."""
        header = self._bytes(start, 2)
        size = int.from_bytes(header, "little")
        length = size & ~_STORED or _STORED
        if len(header) < 2 or length > _METADATA or start + 2 + length > self._top.used:
            self._damage(start, 2)
            return None, self._top.used
        if size & _STORED:
            self.walk.stored += 1
            self.walk.blocks += 1
            return self._bytes(start + 2, length), start + 2 + length
        return self._unpack(start + 2, length, _METADATA), start + 2 + length

    def _table(self, start: int, end: int) -> list[bytes | None]:
        """The metadata blocks that follow each other from `start` to `end`."""
        pieces: list[bytes | None] = []
        while start < end and len(pieces) < _MOST_BLOCKS:
            piece, start = self._metadata(start)
            pieces.append(piece)
        return pieces

    # --- tables ---

    def _list(self, address: int, count: int, size: int) -> list[int]:
        """The addresses of the metadata blocks of a table of `count` entries of `size` bytes."""
        if address == ABSENT or not count:
            return []
        blocks = -(-count * size // _METADATA)
        raw = self._bytes(address, 8 * blocks)
        if len(raw) < 8 * blocks:
            self._damage(address, 8 * blocks)
        found = []
        for at, (place,) in enumerate(struct.iter_unpack("<Q", raw)):
            if _SUPERBLOCK.size <= place < self._top.used:
                found.append(place)
            elif (span := (address + 8 * at, address + 8 * at + 8)) not in self.walk.damaged:
                self.walk.damaged.append(span)
        return found

    def _beyond(self) -> Iterator[int]:
        """Where the blocks of the tables that follow the directories begin."""
        top = self._top
        lists = (
            self._list(top.fragment_table, top.fragments, 16),
            self._list(top.lookup, top.inodes, 8),
            self._list(top.ids, top.id_count, 4),
        )
        yield from (place for each in lists for place in each if place > top.directories)
        if top.xattrs != ABSENT and len(head := self._bytes(top.xattrs, 16)) == 16:
            yield int.from_bytes(head[:8], "little")

    def _listed(self, address: int, count: int, size: int) -> list[bytes]:
        return [self._metadata(place)[0] or b"" for place in self._list(address, count, size)]

    def _attributes(self) -> None:
        top = self._top
        head = self._bytes(top.xattrs, 16) if top.xattrs != ABSENT else b""
        if len(head) < 16:
            return
        start, count = struct.unpack_from("<QI", head)
        places = self._list(top.xattrs + 16, count, 16)
        self._table(start, min(places, default=start))
        for place in places:
            self._metadata(place)

    # --- data ---

    def _data(self, start: int, size: int, expected: int, exact: bool = True) -> None:
        length = size & ~_STORED_DATA
        if not length or start in self._seen:
            return
        self._seen.add(start)
        if size & _STORED_DATA:
            self.walk.stored += 1
            self.walk.blocks += 1
            return
        before = len(self.walk.verified), self.walk.fitting
        contents = self._unpack(start, length, expected)
        if contents is None or not exact or len(contents) == expected:
            return
        # It unpacks, but not to the size that the inode says.
        del self.walk.verified[before[0] :]
        self.walk.fitting = before[1]
        self._damage(start, length)

    def _files(self, pieces: list[bytes | None]) -> None:
        """The data blocks of the inodes, as far as the inode table is whole."""
        whole = pieces[: pieces.index(None)] if None in pieces else pieces
        table = b"".join(piece for piece in whole if piece is not None)
        at = count = 0
        try:
            while at < len(table) and count < self._top.inodes and self._budget.spend(64):
                at = self._inode(table, at)
                count += 1
        except (struct.error, ValueError):
            self.walk.lost = f"{counted(self._top.inodes - count, 'inode')} could not be read"
            return
        if count < self._top.inodes:
            self.walk.lost = f"{counted(self._top.inodes - count, 'inode')} NOT CHECKED"

    def _inode(self, table: bytes, at: int) -> int:
        """Check the data of the inode at `at`; the offset after it."""
        (kind,) = struct.unpack_from("<H", table, at)
        if kind == 2:
            start, fragment, _, size = struct.unpack_from("<4I", table, at + 16)
            return self._file(table, at + 32, start, fragment, size)
        if kind == 9:
            start, size, _, _, fragment, _, _ = struct.unpack_from("<3Q4I", table, at + 16)
            return self._file(table, at + 56, start, fragment, size)
        if kind in (3, 10):
            _, length = struct.unpack_from("<2I", table, at + 16)
            return at + 24 + int(length) + (4 if kind == 10 else 0)
        if kind == 8:
            (count,) = struct.unpack_from("<H", table, at + 32)
            at += 40
            for _ in range(count):
                (length,) = struct.unpack_from("<I", table, at + 8)
                at += 12 + length + 1
            return at
        sizes = {1: 32, 4: 24, 5: 24, 6: 20, 7: 20, 11: 28, 12: 28, 13: 24, 14: 24}
        if kind not in sizes:
            raise ValueError("no such type of inode")
        return at + sizes[kind]

    def _file(self, table: bytes, at: int, start: int, fragment: int, size: int) -> int:
        block = self._top.block_size
        count = size // block if fragment != _NO_FRAGMENT else -(-size // block)
        if at + 4 * count > len(table):
            raise ValueError("block list beyond the table")
        for index, packed in enumerate(struct.unpack_from(f"<{count}I", table, at)):
            self._data(start, packed, min(block, size - index * block))
            start += packed & ~_STORED_DATA
        return at + 4 * int(count)


# Superblocks and findings ------------------------------------------------------------------------

MAGIC = b"hsqs"

_SUPERBLOCK = struct.Struct("<4sIIIIHHHHHHQQQQQQQQ")
_COMPRESSIONS = {1: "gzip", 2: "lzma", 3: "lzo", 4: "xz", 5: "lz4", 6: "zstd"}
_CHECKS = {"gzip": "Adler-32", "xz": "the checksum of the xz format"}


def find_squashfs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """File systems with a plausible superblock; only the superblock when the rest is cut off."""
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
    top = Superblock._make(_SUPERBLOCK.unpack_from(contents, at))
    tables = top[-6:]
    if (
        (top.major, top.minor) != (4, 0)
        or not top.compression
        or not 12 <= top.block_log <= 20  # Linux mounts blocks of 4 KiB to 1 MiB
        or top.block_size != 1 << top.block_log
        or top.inodes == 0
        or top.used <= _SUPERBLOCK.size
        or any(not _SUPERBLOCK.size <= table < top.used for table in tables if table != ABSENT)
        or top.inode_table >= top.directories
        or ABSENT in (top.ids, top.inode_table, top.directories)
    ):
        return None
    return top


def _examined(contents: bytes, at: int, top: Superblock, budget: Budget) -> Finding:
    checks = ["version, block size, compression and table addresses are consistent"]
    verdict, length = Verdict.CONSISTENT, top.used
    uncovered: tuple[Span, ...] = ()
    damage: tuple[Span, ...] = ()
    if at + top.used > len(contents):
        length = _SUPERBLOCK.size
        missing = counted(at + top.used - len(contents), "byte")
        checks.append(f"cut off: {missing} missing at the end of the dump")
    else:
        walk = Walker(contents, at, top, budget).run()
        checks += _said(walk, top)
        verified = [(at + start, at + end) for start, end in walk.verified]
        damaged = [(at + start, at + end) for start, end in walk.damaged]
        if damaged:
            verdict, damage = Verdict.DAMAGED, tuple(damaged)
        elif verified:
            verdict = Verdict.VERIFIED
        if verdict is not Verdict.CONSISTENT:
            uncovered = tuple(without([(at, at + length)], [*verified, *damaged]))
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
    packed = walk.blocks - walk.stored - len(walk.damaged)
    if walk.fitting:
        yield f"{walk.fitting} of {counted(packed, 'packed block')} unpack; they have no checksum"
    held = packed - walk.fitting
    if held > 0:
        yield f"{_CHECKS.get(top.compression, 'a checksum')} of {counted(held, 'block')} OK"
    if walk.stored:
        yield f"{counted(walk.stored, 'block')} stored unpacked, without a checksum"
    if walk.damaged:
        first = ", ".join(f"{start:X}h" for start, _ in walk.damaged[:8])
        yield f"{counted(len(walk.damaged), 'block')} damaged, at {first} from the superblock"
    if walk.skipped:
        yield f"{counted(walk.skipped, 'block')} NOT CHECKED, to limit the time"
    if walk.lost:
        yield walk.lost
