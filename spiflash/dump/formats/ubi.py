"""UBI volumes, and the UBIFS file systems in them.

Layouts: Linux, drivers/mtd/ubi/ubi-media.h and fs/ubifs/ubifs-media.h (from memory; the tests
compare with `ubinize` and `mkfs.ubifs`). All CRC-32 are without final inversion.

* UBI: volumes on physical erase blocks (PEBs), each with two headers of 64 bytes. Big endian; each
  header ends in a CRC-32 over the 60 bytes before. Static volumes have a CRC of each block's data;
  dynamic ones do not: what is in them (UBIFS) has checksums of its own. The volume table has a CRC
  for each of its 128 records.
* UBIFS: nodes with a common header of 24 bytes and a CRC-32 over all but its first eight. Little
  endian, nodes start on multiples of eight bytes of an erase block, which itself starts at least on
  a multiple of 64. Padding nodes are followed by bytes without meaning.
"""

from __future__ import annotations

import collections
import itertools
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats import (
    Budget,
    NodeRun,
    crc32_uninverted,
    is_blank,
    mended,
    node_runs,
    places,
    places_or_near,
)
from spiflash.spans import Span, merged, without
from spiflash.text import counted, readable

# UBI ---------------------------------------------------------------------------------------------

_ERASE, _VOLUME = b"UBI#", b"UBI!"
_UBI_HEADER = 64
_SMALLEST, _LARGEST = 4096, 4 << 20  # erase blocks in use; NOR flash has 4 to 256 KiB
_LAYOUT_VOLUME = 0x7FFFEFFF
_RECORD = struct.Struct(">IIIBBH128sB23sI")
_RECORDS = 128
_MOST_MENDED = 500
_MOST_BLOCKS = 50_000


@dataclass(slots=True)
class _Image:
    """One UBI image while it is being read."""

    start: int
    end: int
    blocks: int = 0
    verified: list[Span] = field(default_factory=list)
    damage: list[Span] = field(default_factory=list)
    said: collections.Counter[str] = field(default_factory=collections.Counter)
    volumes: dict[int, list[int]] = field(default_factory=dict)
    names: dict[int, str] = field(default_factory=dict)

    def note(self, start: int, end: int, holds: bool, broken: str) -> bool:
        """Whether a CRC holds over a range; what fails is counted as `broken`."""
        (self.verified if holds else self.damage).append((start, end))
        self.said.update([] if holds else [broken])
        return holds


def find_ubi(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Images of two or more PEBs in a row, or of one, whose erase-counter headers are OK."""
    mending, budget = Budget(_MOST_MENDED), Budget(4 * len(contents))
    heads = [
        at
        for at in places(contents, _ERASE)
        if _header_holds(contents[at : at + _UBI_HEADER], _ERASE)
    ]
    done = 0
    for index, at in enumerate(heads[:_MOST_BLOCKS]):
        if at < done:
            continue
        size = _block_size(heads[index : index + 65])
        image = _image(contents, at, size, mending, budget)
        yield _described_image(image, size)
        done = image.end


def _header_holds(header: bytes, magic: bytes) -> bool:
    return (
        len(header) == _UBI_HEADER
        and header[:4] == magic
        and crc32_uninverted(header[:60]) == int.from_bytes(header[60:], "big")
    )


def _block_size(heads: Sequence[int]) -> int:
    """The most frequent distance of neighbours, as long as it may be an erase block's size."""
    steps = collections.Counter(
        later - earlier
        for earlier, later in itertools.pairwise(heads)
        if _SMALLEST <= later - earlier <= _LARGEST and (later - earlier) % 512 == 0
    )
    return steps.most_common(1)[0][0] if steps else 0


def _image(contents: bytes, first: int, size: int, mending: Budget, budget: Budget) -> _Image:
    image = _Image(first, first)
    if not size:
        _, _, data = struct.unpack_from(">QII", contents, first + 8)
        size = data if _UBI_HEADER <= data <= _LARGEST else _UBI_HEADER
    elif first >= size and _mended(contents, first - size, _ERASE, mending):
        image.start = first - size  # the first block's header has a wrong bit
    at = image.start
    while at + _UBI_HEADER <= len(contents) and image.blocks < _MOST_BLOCKS:
        header = contents[at : at + _UBI_HEADER]
        holds = _header_holds(header, _ERASE)
        repaired = header if holds else _mended(contents, at, _ERASE, mending)
        if repaired is None:
            break
        image.note(at, at + _UBI_HEADER, holds, "erase-counter headers damaged")
        image.blocks += 1
        image.end = min(at + size, len(contents))
        _read_block(contents, image, at, repaired, mending, budget)
        at += size
    return image


def _mended(contents: bytes, at: int, magic: bytes, mending: Budget) -> bytes | None:
    raw = contents[at : at + _UBI_HEADER]
    if is_blank(raw):
        return None
    return mended(raw, lambda trial: _header_holds(trial, magic), mending)


def _read_block(
    contents: bytes, image: _Image, at: int, erase: bytes, mending: Budget, budget: Budget
) -> None:
    volume_at, data_at = struct.unpack_from(">II", erase, 16)
    if not _UBI_HEADER <= volume_at <= data_at - _UBI_HEADER <= _LARGEST:
        return
    start = at + volume_at
    header = contents[start : min(start + _UBI_HEADER, image.end)]
    if len(header) < _UBI_HEADER or is_blank(header):
        image.said["free blocks"] += 1
        return
    holds = _header_holds(header, _VOLUME)
    if not image.note(start, start + _UBI_HEADER, holds, "volume headers damaged"):
        repaired = _mended(contents, start, _VOLUME, mending)
        if repaired is None:
            return
        header = repaired
    kind, copied = header[5], header[6]
    volume, number = struct.unpack_from(">II", header, 8)
    length, _, _, stored = struct.unpack_from(">4I", header, 20)
    image.volumes.setdefault(volume, []).append(number)
    data = at + data_at
    if volume == _LAYOUT_VOLUME:
        _read_table(contents, image, data)
    if (kind == 2 or copied) and data + length <= image.end and budget.spend(length):
        holds = crc32_uninverted(memoryview(contents)[data : data + length]) == stored
        if image.note(data, data + length, holds, "data CRCs failed"):
            image.said["data CRCs OK"] += 1


def _read_table(contents: bytes, image: _Image, data: int) -> None:
    for index in range(_RECORDS):
        at = data + index * _RECORD.size
        raw = contents[at : min(at + _RECORD.size, image.end)]
        if len(raw) < _RECORD.size or is_blank(raw):
            return
        holds = crc32_uninverted(raw[:-4]) == int.from_bytes(raw[-4:], "big")
        if not image.note(at, at + _RECORD.size, holds, "volume records damaged"):
            continue
        reserved, _, _, kind, _, length, name, *_ = _RECORD.unpack(raw)
        if reserved:
            sort = {1: "dynamic", 2: "static"}.get(kind, f"type {kind}")
            shown = readable(name[: min(length, 127)], 127)
            image.names[index] = f"{shown}, {sort}, {counted(reserved, 'block')} reserved"


def _described_image(image: _Image, size: int) -> Finding:
    verified, damage = merged(image.verified), merged(image.damage)
    checks = [
        "CRCs of headers and volume records checked",
        *(f"{number} {what}" for what, number in sorted(image.said.items())),
        "the data of dynamic volumes have no checksum in UBI",
    ]
    details = [("blocks", str(image.blocks))]
    if size:
        details.append(("block size", f"{size} bytes"))
    for volume, numbers in sorted(image.volumes.items()):
        if volume != _LAYOUT_VOLUME and volume < _RECORDS:
            text = image.names.get(volume, "not in the volume table")
            details.append((f"volume {volume}", f"{text}, {counted(len(numbers), 'block')} in use"))
    return Finding(
        image.start,
        image.end - image.start,
        "ubi",
        f"UBI, {counted(image.blocks, 'erase block')}",
        Verdict.DAMAGED if damage else Verdict.VERIFIED,
        tuple(checks),
        tuple(details),
        uncovered=tuple(without([(image.start, image.end)], [*verified, *damage])),
        damage=tuple(damage),
    )


# UBIFS -------------------------------------------------------------------------------------------

_NODE_MAGIC = struct.pack("<I", 0x06101831)
_NODE_HEADER = 24
_LONGEST_NODE = 1 << 20
_NODE_KINDS = 13
_SUPERBLOCK_NODE, _PADDING_NODE = 6, 5
_GAP = 4096


def find_ubifs(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Runs of nodes whose CRC is OK (VERIFIED), and nodes whose CRC fails (DAMAGED)."""
    budget = Budget(4 * len(contents))
    starts = (at for at in places_or_near(contents, _NODE_MAGIC) if at % 8 == 0)

    def read(at: int) -> tuple[bool, int] | None:
        return _check_node(contents, at, budget)

    def joined(start: int, end: int) -> bool:
        padding = sum(contents.count(byte, start, end) for byte in (0xFF, 0x00, 0xCE))
        return end - start < _GAP and padding == end - start

    for run in node_runs(starts, read, joined, True, _NODE_HEADER):
        yield _described_run(contents, run)


def _check_node(contents: bytes, at: int, budget: Budget) -> tuple[bool, int] | None:
    """Whether the node at `at` is whole, and its length; None where none starts."""
    if at + _NODE_HEADER > len(contents):
        return None
    stored, _, length, kind, group, padding = struct.unpack_from("<IQIBB2s", contents, at + 4)
    exact = contents[at : at + 4] == _NODE_MAGIC
    plausible = _NODE_HEADER <= length <= min(_LONGEST_NODE, len(contents) - at)
    holds = (
        plausible
        and budget.spend(length)
        and crc32_uninverted(memoryview(contents)[at + 8 : at + length]) == stored
    )
    if holds:
        # With the CRC right and the magic wrong by a bit, the damage is in the magic.
        return (True, length) if exact else (False, 8)
    if not exact or kind > _NODE_KINDS or group > 2 or padding != b"\0\0":
        # One of these may have the wrong bit, but then the others are valid.
        strange = (kind > _NODE_KINDS) + (group > 2) + (padding != b"\0\0")
        if not exact or strange > 1 or not plausible:
            return None
    return False, length if plausible else _NODE_HEADER


def _described_run(contents: bytes, run: NodeRun[bool]) -> Finding:
    superblocks = sum(contents[at + 20] == _SUPERBLOCK_NODE for at in run.nodes)
    checks: tuple[str, ...] = ("the CRC of every node OK", "not covered: padding between nodes")
    if not run.state:
        checks = ("the CRC fails, or one bit of the magic number is wrong",)
    return Finding(
        run.start,
        run.end - run.start,
        "ubifs",
        f"UBIFS, {counted(len(run.nodes), 'node' if run.state else 'damaged node')}",
        Verdict.VERIFIED if run.state else Verdict.DAMAGED,
        checks,
        (("nodes", str(len(run.nodes))), ("superblocks", str(superblocks))),
        uncovered=tuple(merged(run.gaps)) if run.state else (),
    )
