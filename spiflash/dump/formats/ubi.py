"""UBI: volumes on physical erase blocks (PEBs), each with two headers of 64 bytes.

Layout: Linux, drivers/mtd/ubi/ubi-media.h (from memory; the tests compare with `ubinize`). Big
endian; each header ends in a CRC-32 without final inversion over the 60 bytes before. Static
volumes carry a CRC of each block's data; dynamic ones do not: what is in them (UBIFS) has
checksums of its own. The volume table has a CRC for each of its 128 records.
"""

from __future__ import annotations

import collections
import itertools
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32_uninverted
from spiflash.dump.finding import Finding, Span, Verdict, merged, without
from spiflash.dump.formats.magic import mended, places
from spiflash.text import counted, readable

_ERASE, _VOLUME = b"UBI#", b"UBI!"
_HEADER = 64
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
    vouched: list[Span] = field(default_factory=list)
    damage: list[Span] = field(default_factory=list)
    said: collections.Counter[str] = field(default_factory=collections.Counter)
    volumes: dict[int, list[int]] = field(default_factory=dict)
    names: dict[int, str] = field(default_factory=dict)


def find_ubi(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Images of two or more PEBs in a row, or of one, whose erase-counter headers hold."""
    mending, budget = Budget(_MOST_MENDED), Budget(4 * len(contents))
    heads = [at for at in places(contents, _ERASE) if _holds(contents[at : at + _HEADER], _ERASE)]
    done = 0
    for index, at in enumerate(heads[:_MOST_BLOCKS]):
        if at < done:
            continue
        size = _block_size(heads[index : index + 65])
        image = _image(contents, at, size, mending, budget)
        yield _described(image, size)
        done = image.end


def _holds(header: bytes, magic: bytes) -> bool:
    return (
        len(header) == _HEADER
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
        size = data if _HEADER <= data <= _LARGEST else _HEADER
    elif first >= size and _mended(contents, first - size, _ERASE, mending):
        image.start = first - size  # the first block's header has a bit wrong
    at = image.start
    while at + _HEADER <= len(contents) and image.blocks < _MOST_BLOCKS:
        header = contents[at : at + _HEADER]
        state = "held" if _holds(header, _ERASE) else "erased" if _erased(header) else ""
        if not state:
            repaired = _mended(contents, at, _ERASE, mending)
            if repaired is None:
                break
            header, state = repaired, "mended"
        elif state == "erased":
            break
        if state == "held":
            image.vouched.append((at, at + _HEADER))
        else:
            image.damage.append((at, at + _HEADER))
            image.said["erase-counter headers broken"] += 1
        image.blocks += 1
        image.end = min(at + size, len(contents))
        _read_block(contents, image, at, header, mending, budget)
        at += size
    return image


def _mended(contents: bytes, at: int, magic: bytes, mending: Budget) -> bytes | None:
    raw = contents[at : at + _HEADER]
    if _erased(raw):
        return None
    return mended(raw, lambda trial: _holds(trial, magic), mending)


def _erased(raw: bytes) -> bool:
    return raw.count(b"\xff") == len(raw)


def _read_block(
    contents: bytes, image: _Image, at: int, erase: bytes, mending: Budget, budget: Budget
) -> None:
    volume_at, data_at = struct.unpack_from(">II", erase, 16)
    if not _HEADER <= volume_at <= data_at - _HEADER <= _LARGEST:
        return
    start = at + volume_at
    header = contents[start : min(start + _HEADER, image.end)]
    if len(header) < _HEADER or _erased(header):
        image.said["free blocks"] += 1
        return
    if _holds(header, _VOLUME):
        image.vouched.append((start, start + _HEADER))
    else:
        image.damage.append((start, start + _HEADER))
        image.said["volume headers broken"] += 1
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
        span = (data, data + length)
        if crc32_uninverted(memoryview(contents)[data : data + length]) == stored:
            image.vouched.append(span)
            image.said["data CRCs held"] += 1
        else:
            image.damage.append(span)
            image.said["data CRCs failed"] += 1


def _read_table(contents: bytes, image: _Image, data: int) -> None:
    for index in range(_RECORDS):
        at = data + index * _RECORD.size
        raw = contents[at : min(at + _RECORD.size, image.end)]
        if len(raw) < _RECORD.size or _erased(raw):
            return
        if crc32_uninverted(raw[:-4]) != int.from_bytes(raw[-4:], "big"):
            image.damage.append((at, at + _RECORD.size))
            image.said["volume records broken"] += 1
            continue
        image.vouched.append((at, at + _RECORD.size))
        reserved, _, _, kind, _, length, name, *_ = _RECORD.unpack(raw)
        if reserved:
            sort = {1: "dynamic", 2: "static"}.get(kind, f"type {kind}")
            shown = readable(name[: min(length, 127)], 127)
            image.names[index] = f"{shown}, {sort}, {counted(reserved, 'block')} reserved"


def _described(image: _Image, size: int) -> Finding:
    vouched, damage = merged(image.vouched), merged(image.damage)
    checks = [
        "CRCs of headers and volume records",
        *(f"{number} {what}" for what, number in sorted(image.said.items())),
        "data of dynamic volumes have no checksum here",
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
        Verdict.DAMAGED if damage else Verdict.VOUCHED,
        tuple(checks),
        tuple(details),
        uncovered=tuple(without([(image.start, image.end)], [*vouched, *damage])),
        damage=tuple(damage),
    )
