"""Dumps made to waste time and memory: claims that overlap, bombs, floods of headers.

    python -m tests.unit.hostile_dumps NAME SIZE

surveys one of them under a limit on memory and prints processor seconds and peak bytes.
"""

from __future__ import annotations

import bz2
import gzip
import hashlib
import lzma
import resource
import struct
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import lz4.frame
import zstandard

MIB = 1 << 20
MEMORY = 512 * MIB


def fill(piece: bytes, size: int) -> bytes:
    return (piece * (size // len(piece) + 1))[:size]


def uninverted(data: bytes) -> bytes:
    return struct.pack(">I", zlib.crc32(data) ^ 0xFFFFFFFF)


def nested_images(size: int) -> bytes:
    """Headers with right CRCs, each of which claims all that follows."""
    images = []
    for at in range(0, size, 64):
        head = bytearray(
            struct.pack(">7I4B32s", 0x27051956, 0, 0, size - 64 - at, 0, 0, at, 5, 2, 2, 0, b"")
        )
        head[4:8] = struct.pack(">I", zlib.crc32(head))
        images.append(bytes(head))
    return b"".join(images)


def erase_counters(size: int) -> bytes:
    head = struct.pack(">4sB3xQIII32x", b"UBI#", 1, 5, 64, 128, 7)
    return fill(head + uninverted(head), size)


def squashfs(size: int, packing: int = 1) -> bytes:
    half = size // 2
    return struct.pack(
        "<4sIIIIHHHHHHQQQQQQQQ",
        *(b"hsqs", 1 << 20, 1, 4096, 1 << 20, packing, 12, 0, 1, 4, 0, 0, half),
        *(96, 96, 96, half - 99, 98, 99),
    )


def inodes(size: int) -> bytes:
    """One SquashFS whose inodes all name the same megabyte of data with other borders."""
    table = b""
    for number in range(200):
        table += struct.pack("<HHHHII", 2, 0, 0, 0, 0, number)
        table += struct.pack("<4I", 96 + number, 0xFFFFFFFF, 0, 8 << 20)
        table += struct.pack("<8I", *[MIB - number] * 8)
    blocks = b""
    for at in range(0, len(table), 8192):
        piece = table[at : at + 8192]
        blocks += struct.pack("<H", len(piece) | 0x8000) + piece
    data = fill(zlib.compress(bytes(MIB)), size - 96 - len(blocks) - 200)
    start = 96 + len(data)
    end = start + len(blocks)
    head = struct.pack(
        "<4sIIIIHHHHHHQQQQQQQQ",
        *(b"hsqs", 200, 1, MIB, 0, 1, 20, 0, 1, 4, 0, 0, end + 100, end, 2**64 - 1),
        *(start, end, 2**64 - 1, 2**64 - 1),
    )
    return head + data + blocks + bytes(200)


def fit(size: int) -> bytes:
    """A tree of many images, each of which claims everything and has twelve hashes."""
    names = b"data-position\0data-size\0algo\0value\0"

    def prop(name: bytes, value: bytes) -> bytes:
        padded = value + bytes(-len(value) % 4)
        return struct.pack(">3I", 3, len(value), names.index(name + b"\0")) + padded

    def node(name: bytes, body: bytes) -> bytes:
        title = name + bytes(4 - len(name) % 4)
        return struct.pack(">I", 1) + title + body + struct.pack(">I", 2)

    digest = hashlib.sha512(b"").digest()
    hashes = b"".join(
        node(b"hash%d" % n, prop(b"algo", b"sha512\0") + prop(b"value", digest)) for n in range(12)
    )
    place = prop(b"data-position", bytes(4)) + prop(b"data-size", struct.pack(">I", size - 1))
    images = b"".join(node(b"i%d" % n, place + hashes) for n in range(64))
    structure = node(b"", node(b"images", images)) + struct.pack(">I", 9)
    total = 56 + len(structure) + len(names)
    head = struct.pack(
        ">10I",
        0xD00DFEED,
        total,
        56,
        56 + len(structure),
        40,
        17,
        16,
        0,
        len(names),
        len(structure),
    )
    return (head + bytes(16) + structure + names).ljust(size, b"\0")


def tree_of_nothing(size: int) -> bytes:
    body = struct.pack(">2I", 1, 0)
    inside = fill(struct.pack(">3I", 1, 0, 2), size - 200)
    inside = inside[: len(inside) // 12 * 12]
    structure = body + inside + struct.pack(">2I", 2, 9)
    head = struct.pack(
        ">10I", 0xD00DFEED, 60 + len(structure), 56, 56 + len(structure), 40, 17, 16, 0, 4,
        len(structure),
    )  # fmt: skip
    return head + bytes(16) + structure + bytes(4)


def elf(size: int) -> bytes:
    """Headers with as many sections as a header can state."""
    ident = b"\x7fELF\1\1\1".ljust(16, b"\0")
    head = ident + struct.pack("<HHIIIIIHHHHHH", 2, 40, 1, 0, 0, 0, 0, 52, 0, 0, 40, 65535, 0)
    return fill(head, size)


def gzip_bomb(size: int) -> bytes:
    """One stream that unpacks to 64 times the size of the dump."""
    packer = zlib.compressobj(wbits=31)
    packed = b"".join(packer.compress(bytes(MIB)) for _ in range(64 * size // MIB))
    return (packed + packer.flush()).ljust(size, b"\0")


def gzip_bombs(size: int) -> bytes:
    return fill(gzip.compress(bytes(16 * MIB))[:-9], size)


HOSTILE: dict[str, Callable[[int], bytes]] = {
    "nested images": nested_images,
    "erase counters": erase_counters,
    "superblocks": lambda size: fill(squashfs(size), size),
    "superblocks lzo": lambda size: fill(squashfs(size, 3), size),
    "inodes": inodes,
    "fit": fit,
    "tree of nothing": tree_of_nothing,
    "elf": elf,
    "gzip bomb": gzip_bomb,
    "gzip bombs": gzip_bombs,
    "gzip heads": lambda size: fill(gzip.compress(b"a")[:10], size),
    "xz bombs": lambda size: fill(lzma.compress(bytes(16 * MIB))[:-13], size),
    "xz heads": lambda size: fill(lzma.compress(b"a")[:12], size),
    "xz heads off": lambda size: fill(b"\xfd7zXZ\0\0\4\0\0\0\0", size),
    "lzma bombs": lambda size: fill(lzma.compress(bytes(16 * MIB), lzma.FORMAT_ALONE)[:-9], size),
    "lzma heads": lambda size: fill(b"\x5d\0\0\0\4" + b"\xff" * 8 + bytes(5), size),
    "bzip2 bombs": lambda size: fill(bz2.compress(bytes(45 * MIB)), size),
    "bzip2 heads": lambda size: fill(b"BZh91AY&SY", size),
    "zstd bombs": lambda size: fill(zstandard.ZstdCompressor().compress(bytes(64 * MIB)), size),
    "zstd heads": lambda size: fill(b"\x28\xb5\x2f\xfd\4\x80\0\0\0", size),
    "zstd runs": lambda size: b"\x28\xb5\x2f\xfd\4\x80" + fill(b"\2\0\x10a", size - 6),
    "lz4 bombs": lambda size: fill(lz4.frame.compress(bytes(16 * MIB)), size),
    "lz4 heads off": lambda size: fill(b"\x04\x22\x4d\x18\x64\x40\0\0", size),
    "lz4 older form": lambda size: fill(b"\x02\x21\x4c\x18\x04\0\0\0\x1fa\1\0", size),
    "pem": lambda size: fill(b"-----BEGIN CERTIFICATE-----\n", size),
    "der": lambda size: fill(b"\x30\x82\x20\x30\x30\x82\x10\x02", size),
    "ext": lambda size: fill(b"\x53\xef", size),
    "boot sectors": lambda size: fill(b"\x55\xaa", size),
    "trx": lambda size: fill(b"HDR0" + struct.pack("<IIHHI", size // 2, 0, 0, 1, 28), size),
    "romfs": lambda size: fill(b"-rom1fs-\0\0\x20\0abcdname\0\0\0\0\0\0\0\0\0\0\0\0", size),
    "cramfs": lambda size: fill(
        struct.pack("<4I16s7I16s", 0x28CD3D45, size // 2, 3, 0, b"Compressed ROMFS", *[9] * 7, b""),
        size,
    ),
    "ubifs": lambda size: fill(struct.pack("<IIQIBBH", 0x06101831, 0, 0, 65536, 1, 0, 0), size),
    "ubifs off": lambda size: fill(struct.pack("<IIQIBBH", 0x06101830, 0, 0, 64, 1, 0, 0), size),
    "jffs2 off": lambda size: fill(struct.pack("<HHII", 0x1984, 0xE001, 64, 0), size),
    "gpt": lambda size: fill(b"EFI PART".ljust(16, b"\0"), size),
    "environments": lambda size: fill(b"0000a=" + b"b" * 4089 + b"\0", size),
    "telltales": lambda size: fill(b"bootcmd=a\0baudrate=1\0bootargs=c\0", size),
    "zeros": bytes,
}


def peak() -> int:
    """Most bytes in memory so far (VmHWM, proc(5)). ru_maxrss would begin with what the process
    that started this one held."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024
    raise AssertionError("this system does not tell")


def main(name: str, size: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    from spiflash.dump.audit import survey
    from spiflash.dump.coverage import coverage

    contents = HOSTILE[name](size)
    begin = time.process_time()
    findings = survey(contents)
    coverage(contents, findings)
    seconds = time.process_time() - begin
    print(f"{seconds:.2f} {peak()} {len(findings)}")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
