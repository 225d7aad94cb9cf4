"""Status and configuration registers: which a part has, and what they protect. Pure.

Only registers that the named part documents are ever read: 35h, for one, reads status
register 2 on a Winbond and switches a Macronix into QPI mode.

Protection schemes carry the names that the chip table uses. Their rules come from the data
sheets named at each (from memory); `EN25QH` tables differ so much between revisions that only
"something is protected" is claimed for them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

BLOCK = 65536


@dataclass(frozen=True, slots=True)
class Register:
    """A register that one opcode reads, `length` bytes long."""

    name: str
    opcode: int
    length: int = 1


SR1 = Register("SR1", 0x05)

_SR2 = Register("SR2", 0x35)
_SR3 = Register("SR3", 0x15)
_WINBOND_LIKE = (SR1, _SR2, _SR3)
_TWO = (SR1, _SR2)
_MACRONIX = (SR1, Register("CR", 0x15), Register("SCUR", 0x2B))
_MACRONIX_OLD = (SR1, Register("SCUR", 0x2B))
_MICRON = (
    SR1,
    Register("FSR", 0x70),
    Register("NVCR", 0xB5, 2),
    Register("VCR", 0x85),
    Register("EVCR", 0x65),
)
_SPANSION = (SR1, Register("CR1", 0x35), Register("SR2", 0x07))
_ISSI = (SR1, Register("FR", 0x48), Register("RPR", 0x61))

REGISTERS: Mapping[str, tuple[Register, ...]] = {
    "bp3-tb-sec-cmp": _WINBOND_LIKE,
    "bp3-tb-sec": _TWO,
    "bp4-tb": _WINBOND_LIKE,
    "bp4-tb-cr": _MACRONIX,
    "bp4": _MACRONIX_OLD,
    "bp-micron": _MICRON,
    "bp-spansion": _SPANSION,
    "bp4-tb-issi": _ISSI,
}
"""By protection scheme; a part with any other scheme has only SR1 read."""


def documented(schemes: Sequence[str]) -> tuple[Register, ...]:
    """The registers that every one of the schemes has: what may be read of a chip that could
    be any of several parts."""
    first, *others = (REGISTERS.get(scheme, (SR1,)) for scheme in schemes)
    return tuple(register for register in first if all(register in other for other in others))


@dataclass(frozen=True, slots=True)
class Protection:
    """Which addresses refuse to be erased and programmed.

    `ranges` are (start, end) in bytes, end excluded. `extent_known` is False where bits are
    set whose meaning is not known for this part: `ranges` then covers all that they may mean.
    `register_locked` says that the status register itself is locked by SRP/SRWD as long as
    WP# is low (or until power-down).
    """

    ranges: tuple[tuple[int, int], ...] = ()
    extent_known: bool = True
    register_locked: bool = False

    def overlaps(self, start: int, end: int) -> bool:
        """Whether any byte of start..end (end excluded) is protected."""
        return any(low < end and start < high for low, high in self.ranges)


def _end_range(size: int, amount: int, *, bottom: bool) -> tuple[tuple[int, int], ...]:
    amount = min(amount, size)
    if amount == 0:
        return ()
    return ((0, amount),) if bottom else ((size - amount, size),)


def _complement(size: int, ranges: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
    """The other bytes; `ranges` holds at most one range, at one end of the chip."""
    if not ranges:
        return ((0, size),)
    start, end = ranges[0]
    return tuple(r for r in ((0, start), (end, size)) if r[0] < r[1])


def _bp3_tb_sec_cmp(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """W25Q16/32/64/128 FV and JV, GD25Q B and C: BP0–2 in bits 2–4, TB 5, SEC 6, CMP SR2.6.

    SEC=0 protects 1/64, 1/32 … 1/2 (64 KiB at least); SEC=1 protects 4, 8, 16, 32 KiB.
    """
    status = values["SR1"]
    bp, bottom, sec = status >> 2 & 7, bool(status & 0x20), bool(status & 0x40)
    if bp == 7:
        amount = size
    elif bp == 0:
        amount = 0
    elif sec:
        amount = 4096 << min(bp - 1, 3)
    else:
        amount = max(BLOCK, size // 64) << (bp - 1)
    ranges = _end_range(size, amount, bottom=bottom)
    return _complement(size, ranges) if values.get("SR2", 0) & 0x40 else ranges


def _bp3_tb_sec(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """W25Q64BV, GD25Q64 of the first generation: the same without CMP."""
    return _bp3_tb_sec_cmp(size, {"SR1": values["SR1"]})


def _bp4_tb(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """W25Q256 FV and JV: BP0–3 in bits 2–5, TB 6, CMP SR2.6; 64 KiB × 2^(BP-1)."""
    status = values["SR1"]
    ranges = _doubling_blocks(size, status >> 2 & 15, bottom=bool(status & 0x40))
    return _complement(size, ranges) if values.get("SR2", 0) & 0x40 else ranges


def _doubling_blocks(size: int, bp: int, *, bottom: bool) -> tuple[tuple[int, int], ...]:
    return _end_range(size, BLOCK << (bp - 1) if bp else 0, bottom=bottom)


def _bp4_tb_cr(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """MX25L12835F, MX25L25645G: BP0–3 in bits 2–5, TB in bit 3 of the configuration register."""
    bottom = bool(values.get("CR", 0) & 0x08)
    return _doubling_blocks(size, values["SR1"] >> 2 & 15, bottom=bottom)


def _bp4(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """MX25L6406E, MX25L12805D: BP0–3 in bits 2–5, no TB.

    To 8 MiB, 1…7 protect 1/64, 1/32 … of the chip at the top (64 KiB at least), and 9…14 leave
    free as much at the top as the code 15 - BP would have protected; where that is everything
    (MX25L1605D, 9), everything is protected. Larger ones only double, at the top: from 128 KiB
    on the MX25L12805D (the MX25L12845E begins with half of that), from 64 KiB on the
    MX25L25635E.
    """
    bp = values["SR1"] >> 2 & 15
    if bp == 0:
        return ()
    if size > 8 << 20:
        first = 2 * BLOCK if size == 16 << 20 else BLOCK
        return _end_range(size, first << (bp - 1), bottom=False)
    unit = max(BLOCK, size // 64)
    if bp < 8:
        return _end_range(size, unit << (bp - 1), bottom=False)
    free = unit << (14 - bp) if 8 < bp < 15 else 0
    return ((0, size - free),) if free < size else ((0, size),)


def _bp3_tb(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """M25PX, W25X: BP0–2 in bits 2–4, TB 5; 1/64 … 1/2 (64 KiB at least), all."""
    status = values["SR1"]
    bp = status >> 2 & 7
    amount = size if bp == 7 else (max(BLOCK, size // 64) << (bp - 1) if bp else 0)
    return _end_range(size, amount, bottom=bool(status & 0x20))


def _bp_micron(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """N25Q, MT25Q: BP0–2 in bits 2–4, TB 5, BP3 in bit 6; 64 KiB × 2^(BP-1)."""
    status = values["SR1"]
    bp = (status >> 2 & 7) | (status >> 3 & 8)
    return _doubling_blocks(size, bp, bottom=bool(status & 0x20))


def _bp_spansion(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """S25FL128P, S25FL-S: BP0–2 in bits 2–4, TBPROT in bit 5 of CR1; 1/64 … 1/2, all."""
    bp = values["SR1"] >> 2 & 7
    amount = size if bp == 7 else (size // 64 << (bp - 1) if bp else 0)
    return _end_range(size, amount, bottom=bool(values.get("CR1", 0) & 0x20))


def _bp4_tb_issi(size: int, values: Mapping[str, int]) -> tuple[tuple[int, int], ...]:
    """IS25LP064/128: BP0–3 in bits 2–5, TBS in bit 1 of the function register."""
    bottom = bool(values.get("FR", 0) & 0x02)
    return _doubling_blocks(size, values["SR1"] >> 2 & 15, bottom=bottom)


_Rule = Callable[[int, Mapping[str, int]], tuple[tuple[int, int], ...]]

_RULES: Mapping[str, _Rule] = {
    "bp3-tb-sec-cmp": _bp3_tb_sec_cmp,
    "bp3-tb-sec": _bp3_tb_sec,
    "bp4-tb": _bp4_tb,
    "bp4-tb-cr": _bp4_tb_cr,
    "bp4": _bp4,
    "bp3-tb": _bp3_tb,
    "bp-micron": _bp_micron,
    "bp-spansion": _bp_spansion,
    "bp4-tb-issi": _bp4_tb_issi,
}

_DECIDES: Mapping[str, str] = {
    "bp3-tb-sec-cmp": "SR2",
    "bp4-tb": "SR2",
    "bp4-tb-cr": "CR",
    "bp-spansion": "CR1",
    "bp4-tb-issi": "FR",
}
"""The register beside SR1 that decides what is protected. It is not read of a chip that may
also be a part without it."""

_ANY_BP = 0x3C
"""BP0–BP3 of every scheme that is not decoded: where all are clear, nothing is protected."""


def protection(schemes: Sequence[str], size: int, values: Mapping[str, int]) -> Protection:
    """What the registers `values` (name -> value) protect on a chip of `size` bytes.

    Where several schemes are possible and disagree, all that any of them protects counts.
    """
    each = [_protection(scheme, size, values) for scheme in schemes]
    if all(one == each[0] for one in each):
        return each[0]
    return Protection(
        _joined(pair for one in each for pair in one.ranges),
        extent_known=False,
        register_locked=any(one.register_locked for one in each),
    )


def _joined(ranges: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    found: list[tuple[int, int]] = []
    for low, high in sorted(ranges):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        else:
            found.append((low, high))
    return tuple(found)


def _protection(scheme: str, size: int, values: Mapping[str, int]) -> Protection:
    """By one scheme; one without a rule here protects the whole chip when any BP bit is set."""
    status = values["SR1"]
    locked = bool(status & 0x80)
    if scheme == "none":
        return Protection()
    rule = _RULES.get(scheme)
    decides = _DECIDES.get(scheme)
    if rule is not None and decides is not None and decides not in values:
        one, other = (rule(size, {**values, decides: value}) for value in (0x00, 0xFF))
        if not one:
            return Protection(register_locked=locked)
        return Protection(_joined((*one, *other)), extent_known=False, register_locked=locked)
    if scheme == "global-unlock":
        # SWP, read-only: 0 no sector is locked, 3 all are, 1 some. Bits 4 and 5 are others.
        some = bool(status & 0x0C)
        return Protection(((0, size),) if some else (), status & 0x0C != 0x04, locked)
    if rule is not None:
        return Protection(rule(size, values), register_locked=locked)
    if status & _ANY_BP:
        return Protection(((0, size),), extent_known=False, register_locked=locked)
    return Protection(register_locked=locked)
