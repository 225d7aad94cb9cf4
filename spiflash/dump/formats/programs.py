"""Programs without a checksum: raw kernels, ELF files, the version strings in them, and for which
processor code is, by the instructions that every program has.

Sources: for kernels Linux 6.1, Documentation/arm64/booting.rst,
Documentation/riscv/boot-image-header.rst and, for zImage, arch/arm/boot/compressed/head.S; raw
kernels of other processors begin with instructions that nothing marks. For ELF the System V ABI
(from memory; the tests compare with real files). For returns, prologues and vectors architecture
manuals of ARM, MIPS, Power and RISC-V (from memory; the tests compare with real boot programs that
QEMU ships); counting them is common practice, no source.
"""

from __future__ import annotations

import itertools
import re
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.finding import (
    Architecture,
    BannerFacts,
    Finding,
    Holds,
    ImageFacts,
    ProgramFacts,
    Speaker,
    Verdict,
)
from spiflash.dump.formats import Budget, one_by_one, outside, places
from spiflash.spans import SECTOR, Span
from spiflash.text import counted, readable

# Version strings ---------------------------------------------------------------------------------

_MOST_BANNERS = 1000

_PRINTABLE = rb"[\x20-\x7e]{0,200}"
# A literal to search for, which is fast, and the pattern that makes it a version string.
_BANNERS = (
    (b"U-Boot ", rb"U-Boot (?:[ST]PL )?(?:20\d\d\.\d\d|1\.\d\.\d)", Speaker.LOADER),
    (b"Linux version ", rb"Linux version \d{1,2}\.\d{1,3}", Speaker.KERNEL),
    (b"BusyBox v", rb"BusyBox v\d\.\d{1,3}", Speaker.USERLAND),
)

_BANNER_TITLES = {
    Speaker.LOADER: "boot loader banner",
    Speaker.KERNEL: "kernel version string",
    Speaker.USERLAND: "user-land version string",
}


def find_banners(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Version strings in the dump that are not compressed, the first thousand of each kind."""
    for literal, pattern, speaker in _BANNERS:
        banner = re.compile(pattern + _PRINTABLE)
        matches = (banner.match(contents, at) for at in places(contents, literal))
        for match in itertools.islice(filter(None, matches), _MOST_BANNERS):
            yield Finding(
                match.start(),
                match.end() - match.start(),
                "banner",
                _BANNER_TITLES[speaker],
                Verdict.CONSISTENT,
                ("printable text in the usual form",),
                (("text", readable(match[0])),),
                facts=BannerFacts(speaker, readable(match[0])),
            )


# ELF files ---------------------------------------------------------------------------------------

_ELF_MAGIC = b"\x7fELF"
_ELF_TYPES = {1: "relocatable", 2: "executable", 3: "shared", 4: "core"}
_MACHINES = {
    2: Architecture.SPARC,
    3: Architecture.X86,
    4: Architecture.M68K,
    8: Architecture.MIPS,
    20: Architecture.POWERPC,
    21: Architecture.POWERPC,
    40: Architecture.ARM,
    42: Architecture.SUPERH,
    62: Architecture.X86_64,
    92: Architecture.OPENRISC,
    93: Architecture.ARC,
    94: Architecture.XTENSA,
    113: Architecture.NIOS2,
    183: Architecture.ARM64,
    189: Architecture.MICROBLAZE,
    195: Architecture.ARC,
    243: Architecture.RISCV,
    258: Architecture.LOONGARCH,
}
_NO_BITS = 8


def find_elf(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Files whose headers are consistent and that end within the dump."""
    budget = Budget(200_000)
    starts = outside(places(contents, _ELF_MAGIC), packed)
    return one_by_one(starts, lambda at: _read_elf(contents, at, budget))


def _read_elf(contents: bytes, at: int, budget: Budget) -> Finding | None:
    ident = contents[at : at + 16]
    if len(ident) < 16 or ident[4] not in (1, 2) or ident[5] not in (1, 2) or ident[6] != 1:
        return None
    wide, prefix = ident[4] == 2, "<" if ident[5] == 1 else ">"
    size = 64 if wide else 52
    if at + size > len(contents):
        return None
    kind, machine, version, entry, program_at, section_at, _, own, program_size, programs, *rest = (
        struct.unpack_from(
            prefix + ("HHIQQQIHHHHHH" if wide else "HHIIIIIHHHHHH"), contents, at + 16
        )
    )
    section_size, sections, _ = rest
    if (
        kind not in _ELF_TYPES
        or version != 1
        or own != size
        or not budget.spend(1 + programs + sections)
    ):
        return None
    ends = [size]
    for table, each, count, form in (
        (program_at, program_size, programs, "IIQQQQ" if wide else "IIIII"),
        (section_at, section_size, sections, "IIQQQQ" if wide else "IIIIII"),
    ):
        form = prefix + form
        if not count:
            continue
        if each < struct.calcsize(form) or at + table + each * count > len(contents):
            return None
        ends.append(table + each * count)
        for index in range(count):
            values = struct.unpack_from(form, contents, at + table + each * index)
            if table == program_at:
                ends.append(values[2] + values[5] if wide else values[1] + values[4])
            elif values[1] not in (0, _NO_BITS):
                ends.append(values[4] + values[5])
    length = max(ends)
    if length > len(contents) - at:
        return None
    architecture = _MACHINES.get(machine)
    name = architecture or f"machine {machine}"
    return Finding(
        at,
        length,
        "elf",
        f"ELF file: {name}, {_ELF_TYPES[kind]}",
        Verdict.CONSISTENT,
        ("headers are consistent; the length is up to the last byte that they point at",),
        (
            ("machine", name),
            ("type", _ELF_TYPES[kind]),
            ("entry point", f"{entry:X}h"),
            ("byte order", f"{'little' if prefix == '<' else 'big'} endian"),
        ),
        facts=ProgramFacts(architecture, _ELF_TYPES[kind] == "executable"),
    )


# Raw kernels -------------------------------------------------------------------------------------

_MOST_KERNELS = 64
_SMALLEST, _LARGEST = 64 << 10, 256 << 20
_ZIMAGE = struct.pack("<I", 0x016F2818)


@dataclass(frozen=True, slots=True)
class _Header:
    """The 64 bytes that both 64-bit kernels begin with: where the magic is in them, and the bytes
    that are zero."""

    architecture: Architecture
    magic: bytes
    at: int
    zero: slice


_HEADERS = (
    _Header(Architecture.ARM64, b"ARM\x64", 56, slice(32, 56)),
    _Header(Architecture.RISCV, b"RSC\x05", 56, slice(36, 48)),
)


def find_kernels(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Raw kernels by their headers; where a header counts memory beyond the file, the length is
    an upper bound."""
    for header in _HEADERS:
        starts = (place - header.at for place in places(contents, header.magic))
        found = (_image(contents, at, header, packed) for at in outside(starts, packed))
        yield from itertools.islice(filter(None, found), _MOST_KERNELS)
    starts = (place - 0x24 for place in places(contents, _ZIMAGE))
    found = (_zimage(contents, at) for at in outside(starts, packed))
    yield from itertools.islice(filter(None, found), _MOST_KERNELS)


def _image(contents: bytes, at: int, header: _Header, packed: Sequence[Span]) -> Finding | None:
    raw = contents[at : at + 64] if at >= 0 else b""
    if len(raw) < 64 or any(raw[header.zero]):
        return None
    offset, size, flags = struct.unpack_from("<3Q", raw, 8)
    if offset % SECTOR or flags >> 4 or not _SMALLEST <= size <= _LARGEST:
        return None
    # The size counts memory after the file; blank flash or a file system ends it sooner.
    limit = min([at + size, len(contents), *(start for start, _ in packed if start > at)])
    end = _first_blank(contents, at, limit)
    return _kernel(at, end, header.architecture, "kernel", f"needs {counted(size, 'byte')}")


def _first_blank(contents: bytes, at: int, limit: int) -> int:
    """Where the first blank sector after `at` begins."""
    low = -(-at // SECTOR) * SECTOR
    count = max(limit - low, 0) // SECTOR
    data = np.frombuffer(contents, np.uint8, count=count * SECTOR, offset=low if count else 0)
    for index in range(0, count, 64):
        rows = data[index * SECTOR : (index + 64) * SECTOR].reshape(-1, SECTOR)
        blank = np.flatnonzero((rows == 0xFF).all(axis=1))
        if len(blank):
            return int(low + (index + blank[0]) * SECTOR)
    return limit


def _zimage(contents: bytes, at: int) -> Finding | None:
    if at < 0 or len(contents) < at + 0x34:
        return None
    start, end, order = struct.unpack_from("<3I", contents, at + 0x28)
    size = end - start
    # Before Linux 4.3 no word states the byte order; then the first eight instructions are equal.
    plain = len(set(struct.unpack_from("<8I", contents, at))) <= 2
    if not (order == 0x04030201 or plain) or not _SMALLEST <= size <= len(contents) - at:
        return None
    return _kernel(at, at + size, Architecture.ARM, "self-extracting kernel", "zImage header")


def _kernel(at: int, end: int, architecture: Architecture, title: str, check: str) -> Finding:
    return Finding(
        at,
        end - at,
        "kernel",
        f"{architecture.value} {title}",
        Verdict.CONSISTENT,
        (f"header in the usual form; {check}; no checksum",),
        (("length", counted(end - at, "byte")),),
        facts=ImageFacts(
            name="",
            holds=Holds.KERNEL,
            architecture=architecture,
            system="Linux",
            compression="none",
            data=(at, end),
            size=end - at,
            checksum_ok=None,
        ),
    )


# Processors --------------------------------------------------------------------------------------

Words = NDArray[np.uint32]

_LOOKED_AT = 1 << 20
_RARE = 1500
"""Words of code that must have at least one telling instruction."""

_FEWEST = 3


_Telling = tuple[tuple[int, int], ...]
"""Telling 32-bit instructions of an architecture: (mask, value) pairs."""

_ARM = (
    (0xFFFFFFFF, 0xE12FFF1E),  # bx lr
    (0xFFFF4000, 0xE92D4000),  # push {…, lr}
    (0xFFFF8000, 0xE8BD8000),  # pop {…, pc}
    (0xFFFFF000, 0xE59FF000),  # ldr pc, [pc, #…]: the exception vectors
)
_ARM64 = (
    (0xFFFFFFFF, 0xD65F03C0),  # ret
    (0xFFC07FFF, 0xA9807BFD),  # stp x29, x30, [sp, #…]!
    (0xFFC07FFF, 0xA8C07BFD),  # ldp x29, x30, [sp], #…
)
_MIPS = (
    (0xFFFFFFFF, 0x03E00008),  # jr ra
    (0xFFFF8000, 0x27BD8000),  # addiu sp, sp, -…
    (0xFFFF0000, 0xAFBF0000),  # sw ra, …(sp)
    (0xFFFF0000, 0x8FBF0000),  # lw ra, …(sp)
)
_POWER = (
    (0xFFFFFFFF, 0x4E800020),  # blr
    (0xFFFF8000, 0x94218000),  # stwu r1, -…(r1)
    (0xFFFFFFFF, 0x7C0802A6),  # mflr r0
    (0xFFFFFFFF, 0x7C0803A6),  # mtlr r0
)
_CODES: tuple[tuple[str, bool, _Telling], ...] = (
    ("ARM", False, _ARM),
    ("ARM", True, _ARM),
    ("AArch64", False, _ARM64),
    ("MIPS", True, _MIPS),
    ("MIPS", False, _MIPS),
    ("PowerPC", True, _POWER),
)


def processor(code: bytes) -> str:
    """The architecture whose telling instructions are in `code`, at multiples of 4 bytes,
    such as "ARM" or "MIPS"; empty when none is clear.

    Looks at the first MiB. Twice as many as for any other architecture are needed.
    """
    whole = min(len(code), _LOOKED_AT) // 4 * 4
    if not whole:
        return ""
    little = np.frombuffer(code, dtype="<u4", count=whole // 4)
    big = little.byteswap()
    used = int(np.count_nonzero((little != 0) & (little != 0xFFFFFFFF)))
    counts: dict[str, int] = {}
    for name, is_big, telling in _CODES:
        hits = _hits(big if is_big else little, telling)
        counts[name] = max(counts.get(name, 0), hits)
    compressed = np.frombuffer(code, dtype="<u2", count=whole // 2)
    counts["RISC-V"] = _riscv(little, compressed)
    ordered = sorted(counts.items(), key=lambda pair: -pair[1])
    (name, most), (_, second) = ordered[:2]
    if most < max(_FEWEST, 2 * second) or (most * _RARE < used and not _vectors(little[:8])):
        return ""
    return name


def byte_order(code: bytes) -> str:
    """The byte order of MIPS code, "big" or "little", which no header of a boot image says; empty
    where `code` is for another processor, or neither is clear."""
    if processor(code) != "MIPS":
        return ""
    whole = min(len(code), _LOOKED_AT) // 4 * 4
    little = np.frombuffer(code, dtype="<u4", count=whole // 4)
    lows, bigs = _hits(little, _MIPS), _hits(little.byteswap(), _MIPS)
    if max(lows, bigs) < 2 * min(lows, bigs):
        return ""
    return "big" if bigs > lows else "little"


def _hits(words: Words, telling: _Telling) -> int:
    return sum(int(np.count_nonzero((words & mask) == value)) for mask, value in telling)


def _riscv(words: Words, halves: NDArray[np.uint16]) -> int:
    """ret, in both lengths, and prologues that are 16 bits long: c.addi16sp with a negative
    amount. A pair of 16 bits turns up by chance: sixteen count as one."""
    long = int(np.count_nonzero(words == 0x00008067))
    short = int(np.count_nonzero(halves == 0x8082))
    prologue = int(np.count_nonzero((halves & 0xFF83) == 0x7101))
    return long + min(short, prologue)


def _vectors(words: Words) -> bool:
    """Whether code begins with ARM's exception vectors: branches or loads of the program
    counter."""
    branch = (words & 0xFF000000) == 0xEA000000
    load = (words & 0xFFFFF000) == 0xE59FF000
    return len(words) >= 4 and bool((branch | load)[:4].all())
