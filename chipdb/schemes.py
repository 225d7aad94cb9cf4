"""The block protection schemes that a part may name, and where its quad-enable bit may be.

The table gives only the name; `spiflash/nor` knows what each bit protects. Bit n of the first
status register (05h) is written SR1.n below, of the second (35h) SR2.n.
"""

from __future__ import annotations

PROTECTION_SCHEMES: dict[str, str] = {
    "none": "no block protection bits",
    "unknown": "unknown; the status register says nothing about what is protected",
    "bp3-tb-sec-cmp": (
        "SR1.2-4 BP0-2, SR1.5 TB, SR1.6 SEC, SR2.6 CMP (Winbond to 128 Mbit; GigaDevice and "
        "similar, which call SR1.5 BP3 and SR1.6 BP4)"
    ),
    "bp3-tb-sec": "SR1.2-4 BP0-2, SR1.5 TB, SR1.6 SEC, without CMP (early Winbond and GigaDevice)",
    "bp4-tb": "SR1.2-5 BP0-3, SR1.6 TB, SR2.6 CMP if there is one (Winbond from 256 Mbit)",
    "bp3-tb": "SR1.2-4 BP0-2, SR1.5 TB, nothing else (Winbond W25X, Micron up to 64 Mbit)",
    "bp3": "SR1.2-4 BP0-2, upper fraction of the chip (ST M25P and similar)",
    "bp2": "SR1.2-3 BP0-1, upper fraction of the chip (ST M25P10, M25P20 and similar)",
    "bp4": "SR1.2-5 BP0-3 without TB, from the top first (older Macronix)",
    "bp4-tb-cr": (
        "SR1.2-5 BP0-3, TB is bit 3 of the configuration register (15h) and one-time (Macronix)"
    ),
    "bp4-tb-issi": (
        "SR1.2-5 BP0-3, TBS is bit 1 of the function register (48h) and one-time (ISSI)"
    ),
    "bp-micron": "SR1.2-4 BP0-2, SR1.5 TB, SR1.6 BP3 (Micron from 128 Mbit)",
    "bp-spansion": (
        "SR1.2-4 BP0-2, TBPROT is bit 5 of configuration register 1 (35h) and one-time (S25FL-P/S)"
    ),
    "bp-spansion-l": "SR1.2-4 BP0-2, SR1.5 TBPROT, SR1.6 SEC, CMP is bit 6 of CR1 (S25FL-L, -1 K)",
    "bp4-spansion-l": "SR1.2-5 BP0-3, SR1.6 TBPROT, CMP is bit 6 of CR1 (S25FL256L)",
    "bp-en": "SR1.2-5 BP0-3; TB, if there is one, is one-time (EON)",
    "bp-sr1": (
        "SR1.2-5 hold the BP bits: all clear protects nothing; what each protects is unknown"
    ),
    "bp-volatile": "the same, volatile, and all set at power-up (ESMT F25L-PA, Intel S33)",
    "bp-at25fs": "SR1.2-6 BP0-4; only 00h for the whole register is certain (AT25FS)",
    "bp-semper": (
        "SR1.2-4 BP0-2, TBPROT is bit 5 of CFR1 (35h); errors are cleared with 82h (S25H-T, S28H-T)"
    ),
    "sst-bp": "SR1.2-5 BP0-3, upper fraction, set after power-up; SR1.7 BPL (SST25)",
    "sst-block": "block protection register, read with 72h, cleared with 98h (SST26)",
    "global-unlock": "SR1.2-3 report sector locks; 00h in the status register clears all (AT25DF)",
    "atmel-sector": "sector protection register, reached by a command sequence (AT45DB)",
    "sector-locks": "lock registers of single sectors, no BP bits in the status register",
}
"""Name of a scheme -> its bits."""

QUAD_ENABLE_PLACES: dict[str, str] = {
    "none": "no quad mode, or quad reads that need no bit",
    "unknown": "not known",
    "sr1.6": "bit 6 of status register 1 (Macronix, ISSI)",
    "sr2.1": "bit 1 of status register 2 (Winbond and similar)",
    "sr2.7": "bit 7 of status register 2, written with 3Eh and read with 3Fh",
    "cr1.1": "bit 1 of configuration register 1 (Spansion)",
}
"""Where the quad-enable bit is."""
