"""ELF files: programs and boot code with a header that says where everything lies.

Layout: System V ABI, ELF header, program headers and section headers (from memory; the tests
compare with real files). No checksum; the extent is the last byte that a header points at.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from spiflash.dump.budget import Budget
from spiflash.dump.facts import Architecture, ProgramFacts
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.formats.magic import outside, places

_MAGIC = b"\x7fELF"
_TYPES = {1: "relocatable", 2: "executable", 3: "shared", 4: "core"}
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
    """Files whose headers agree with each other and lie within the dump."""
    budget = Budget(200_000)
    done = 0
    for at in outside(places(contents, _MAGIC), packed):
        finding = _read(contents, at, budget) if at >= done else None
        if finding is not None:
            yield finding
            done = finding.end


def _read(contents: bytes, at: int, budget: Budget) -> Finding | None:
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
        kind not in _TYPES
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
        f"ELF file: {name}, {_TYPES[kind]}",
        Verdict.CONSISTENT,
        ("headers agree with each other; the extent is the last byte they point at",),
        (
            ("machine", name),
            ("type", _TYPES[kind]),
            ("entry point", f"{entry:X}h"),
            ("byte order", f"{'little' if prefix == '<' else 'big'} endian"),
        ),
        facts=ProgramFacts(architecture, _TYPES[kind] == "executable"),
    )
