"""Which addresses the block protection bits of each scheme cover. Pure.

Schemes have the names that the chip table uses. Their rules come from the data sheets named at
each; tests compare them with the sheets' tables row by row. A rule gives None if the same bits mean
different things on different revisions of a part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from spiflash.spans import SECTOR, Spans

BLOCK = 65536

Rule = Callable[[int, Mapping[str, int]], "Spans | None"]
"""(size in bytes, register values by name) -> the ranges that they protect."""


def _end_range(size: int, amount: int, *, bottom: bool) -> Spans:
    amount = min(amount, size)
    if amount == 0:
        return ()
    return ((0, amount),) if bottom else ((size - amount, size),)


def _complement(size: int, ranges: Spans) -> Spans:
    """The other bytes; `ranges` holds at most one range, at one end of the chip."""
    if not ranges:
        return ((0, size),)
    start, end = ranges[0]
    return tuple(r for r in ((0, start), (end, size)) if r[0] < r[1])


def _fractions(size: int, bp: int, least: int, *, bottom: bool) -> Spans:
    """By three bits: nothing, then 1/64, 1/32 … 1/2 (the first `least` bytes at least, the others
    doubling it), all."""
    amount = size if bp == 7 else (max(least, size // 64) << (bp - 1) if bp else 0)
    return _end_range(size, amount, bottom=bottom)


def _doubling_blocks(size: int, bp: int, *, bottom: bool) -> Spans:
    return _end_range(size, BLOCK << (bp - 1) if bp else 0, bottom=bottom)


def _all_or_none(size: int, code: int, everything: int) -> Spans | None:
    """None for a code between 0 (nothing) and `everything`."""
    if code in (0, everything):
        return _end_range(size, size if code else 0, bottom=False)
    return None


def bp3_tb_sec_cmp(size: int, values: Mapping[str, int]) -> Spans:
    """W25Q16/32/64/128 FV and JV, GD25Q B and C: BP0–2 in bits 2–4, TB 5, SEC 6, CMP SR2.6.

    SEC=0 protects 1/64, 1/32 … 1/2 (64 KiB at least); SEC=1 protects 4, 8, 16, 32 KiB.
    """
    status = values["SR1"]
    bp, bottom = status >> 2 & 7, bool(status & 0x20)
    if status & 0x40 and 0 < bp < 7:
        ranges = _end_range(size, SECTOR << min(bp - 1, 3), bottom=bottom)
    else:
        ranges = _fractions(size, bp, BLOCK, bottom=bottom)
    return _complement(size, ranges) if values.get("SR2", 0) & 0x40 else ranges


def bp3_tb_sec(size: int, values: Mapping[str, int]) -> Spans:
    """W25Q64BV, first generation of GD25Q64: the same without CMP."""
    return bp3_tb_sec_cmp(size, {"SR1": values["SR1"]})


def bp4_tb(size: int, values: Mapping[str, int]) -> Spans:
    """W25Q256 FV and JV: BP0–3 in bits 2–5, TB 6, CMP SR2.6; 64 KiB × 2^(BP-1)."""
    status = values["SR1"]
    ranges = _doubling_blocks(size, status >> 2 & 15, bottom=bool(status & 0x40))
    return _complement(size, ranges) if values.get("SR2", 0) & 0x40 else ranges


def bp4_tb_cr(size: int, values: Mapping[str, int]) -> Spans:
    """MX25L12835F, MX25L25645G: BP0–3 in bits 2–5, TB in bit 3 of the configuration register."""
    bottom = bool(values.get("CR", 0) & 0x08)
    return _doubling_blocks(size, values["SR1"] >> 2 & 15, bottom=bottom)


def bp4(size: int, values: Mapping[str, int]) -> Spans:
    """MX25L6406E, MX25L12805D: BP0–3 in bits 2–5, no TB.

    Up to 8 MiB, 1…7 protect 1/64, 1/32 … of the chip at the top (64 KiB at least), and 9…14 leave
    unprotected at the top as much as the code 15 - BP would protect; if that is everything
    (MX25L1605D, 9), everything is protected. On larger parts each code doubles the range at the
    top, from 128 KiB on the MX25L12805D (the MX25L12845E begins with half of that) and from 64 KiB
    on the MX25L25635E.
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


def bp3_tb(size: int, values: Mapping[str, int]) -> Spans:
    """M25PX, W25X: BP0–2 in bits 2–4, TB 5; 1/64 … 1/2 (64 KiB at least), all."""
    status = values["SR1"]
    return _fractions(size, status >> 2 & 7, BLOCK, bottom=bool(status & 0x20))


def bp_micron(size: int, values: Mapping[str, int]) -> Spans:
    """N25Q, MT25Q: BP0–2 in bits 2–4, TB 5, BP3 in bit 6; 64 KiB × 2^(BP-1)."""
    status = values["SR1"]
    bp = (status >> 2 & 7) | (status >> 3 & 8)
    return _doubling_blocks(size, bp, bottom=bool(status & 0x20))


def bp_spansion(size: int, values: Mapping[str, int]) -> Spans:
    """S25FL128P, S25FL-S: BP0–2 in bits 2–4, TBPROT in bit 5 of CR1; 1/64 … 1/2, all."""
    bottom = bool(values.get("CR1", 0) & 0x20)
    return _fractions(size, values["SR1"] >> 2 & 7, 0, bottom=bottom)


def bp4_tb_issi(size: int, values: Mapping[str, int]) -> Spans:
    """IS25LP064/128: BP0–3 in bits 2–5, TBS in bit 1 of the function register."""
    bottom = bool(values.get("FR", 0) & 0x02)
    return _doubling_blocks(size, values["SR1"] >> 2 & 15, bottom=bottom)


def bp_spansion_l(size: int, values: Mapping[str, int]) -> Spans:
    """S25FL064L, S25FL128L: as Winbond, with CMP in bit 6 of CR1."""
    return bp3_tb_sec_cmp(size, {"SR1": values["SR1"], "SR2": values.get("CR1", 0)})


def bp4_spansion_l(size: int, values: Mapping[str, int]) -> Spans:
    """S25FL256L: as W25Q256, with CMP in bit 6 of CR1."""
    return bp4_tb(size, {"SR1": values["SR1"], "SR2": values.get("CR1", 0)})


def bp3(size: int, values: Mapping[str, int]) -> Spans:
    """M25P40 to M25P128, S25FL-A: BP0–2 in bits 2–4, from the top; 1/64 … 1/2 (one 64 KiB
    sector at least), all."""
    return bp3_tb(size, {"SR1": values["SR1"] & ~0x20})


def bp2(size: int, values: Mapping[str, int]) -> Spans:
    """M25P10-A, M25P20: BP0–1 in bits 2–3; upper quarter, upper half, all."""
    bp = values["SR1"] >> 2 & 3
    return _end_range(size, size >> (3 - bp) if bp else 0, bottom=False)


def bp_en(size: int, values: Mapping[str, int]) -> Spans | None:
    """EN25Q and EN25QH: BP0–2 in bits 2–4; 0 protects nothing and 7 everything, with either value
    of BP3. The other codes differ between revisions: some sheets count blocks from an end that BP3
    selects, others leave unprotected what these protect."""
    return _all_or_none(size, values["SR1"] >> 2 & 7, 7)


def sst_bp(size: int, values: Mapping[str, int]) -> Spans:
    """SST25VF: from the top. To 4 MiB BP0–2 in bits 2–4 protect 1/64 … 1/2 (64 KiB at least,
    a quarter on parts of 128 KiB), all; SST25VF064C has BP3 in bit 5 and begins with 1/128."""
    status = values["SR1"]
    if size > 4 << 20:
        return _doubling_blocks(size, status >> 2 & 15, bottom=False)
    return _fractions(size, status >> 2 & 7, min(BLOCK, size // 4), bottom=False)


def global_unlock(size: int, values: Mapping[str, int]) -> Spans | None:
    """AT25DF, AT26DF: bits 3:2 (SWP, read-only) 0 no sector is locked, 3 all are, 1 some."""
    return _all_or_none(size, values["SR1"] >> 2 & 3, 3)


def bp_sr1(size: int, values: Mapping[str, int]) -> Spans | None:
    """Parts of which only this is certain: the BP bits are in bits 2 to 5 of SR1, and if all of
    them are clear, nothing is protected."""
    return None if values["SR1"] & 0x3C else ()


def bp_at25fs(size: int, values: Mapping[str, int]) -> Spans | None:
    """AT25FS010, AT25FS040: BP0–4 in bits 2–6; the kernel does not say what each protects."""
    return None if values["SR1"] & 0x7C else ()
