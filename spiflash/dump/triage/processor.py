"""For which processor code is, by the instructions that every program has.

Returns, prologues and vectors: architecture manuals of ARM, MIPS, Power and RISC-V (from memory;
the tests compare with real boot programs that QEMU ships). Counting them is common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spiflash.dump.finding import Architecture, BannerFacts, Finding, ProgramFacts, images
from spiflash.dump.layout import Region
from spiflash.dump.triage.references import Reference, References

Words = NDArray[np.uint32]

_LOOKED_AT = 1 << 20
_RARE = 1500
"""Words of code that must have at least one telling instruction."""

_FEWEST = 3


@dataclass(frozen=True, slots=True)
class _Code:
    """Telling 32-bit instructions of an architecture: (mask, value) pairs."""

    name: str
    big: bool
    telling: tuple[tuple[int, int], ...]


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
_CODES = (
    _Code("ARM", False, _ARM),
    _Code("ARM", True, _ARM),
    _Code("AArch64", False, _ARM64),
    _Code("MIPS", True, _MIPS),
    _Code("MIPS", False, _MIPS),
    _Code("PowerPC", True, _POWER),
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
    for each in _CODES:
        words = big if each.big else little
        hits = _hits(words, each.telling)
        counts[each.name] = max(counts.get(each.name, 0), hits)
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


def _hits(words: Words, telling: tuple[tuple[int, int], ...]) -> int:
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


def other_processor(refs: References, region: Region) -> str:
    """Evidence that the boot code is for another processor than the board, in words."""
    chip = refs.chip
    code = processor(chip.contents[region.start : region.end])
    code = code or _elf_machine(chip, region)
    others: list[tuple[str, str]] = []
    for each, what in ((refs.backup, "the backup's"), (refs.model, "the image's")):
        if each is not None:
            theirs = processor(each.sized(len(chip.contents))[region.start : region.end])
            others.append((theirs, f"{what} boot loader"))
    for finding in chip.findings:
        if region.start <= finding.start < region.end:
            continue
        others += [(each, f"the image at {finding.start:06X}h") for each in stated(finding)]
    for theirs, what in others:
        if code and theirs and _family(code) != _family(theirs):
            banner = next(
                (
                    each.facts.text
                    for each in chip.findings
                    if isinstance(each.facts, BannerFacts)
                    and region.start <= each.start < region.end
                ),
                "",
            )
            said = f" (it calls itself “{banner[:80]}”)" if banner else ""
            return f"its code is {code}, {what} is for {theirs}{said}"
    return ""


def stated(finding: Finding) -> list[Architecture]:
    """The architectures for which a boot image says its programs are."""
    return [each.architecture for each in images(finding) if each.architecture is not None]


def _family(name: str) -> str:
    return Architecture(name).family if name else ""


def _elf_machine(chip: Reference, region: Region) -> str:
    for finding in chip.findings:
        if isinstance(finding.facts, ProgramFacts) and finding.start == region.start:
            return finding.facts.architecture or ""
    return ""
