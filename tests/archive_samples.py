"""Records and contents that the tests of archive and report share. Boards, serial numbers and
addresses are invented (*Heron*, a volunteer watershed group's stream gauges)."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

from spiflash.archive.record import (
    AgreementRecord,
    ChipRecord,
    EvidenceRecord,
    PassRecord,
    ProbeRecord,
    Record,
)

SECTOR = 4096
MADE = datetime(2026, 5, 4, 19, 30, 12, tzinfo=timezone(timedelta(hours=2)))


def contents_of(sectors: int = 4, seed: int = 1) -> bytes:
    """Bytes that look random and are the same every time."""
    blocks = (hashlib.sha256(f"{seed}/{i}".encode()).digest() for i in range(sectors * 128))
    return b"".join(blocks)


def chip_of(size: int, **changes: Any) -> ChipRecord:
    chip = ChipRecord(
        name="W25Q64JV",
        vendor="Winbond",
        jedec_id="ef4017",
        candidates=("W25Q64JV", "W25Q64FV"),
        identified_by="JEDEC ID and SFDP",
        size=size,
        page=256,
        sfdp="53464450" + "00" * 12,
        unique_id="d2647c8f1b2a3c45",
        registers={"SR1": "00", "SR2": "02", "SR3": "60"},
        rems="ef16",
        legacy_id="16",
        supply="2.7–3.6 V",
    )
    return replace(chip, **changes)


def evidence_of(size: int, **changes: Any) -> EvidenceRecord:
    """Two passes without a difference, and two probes."""
    evidence = EvidenceRecord(
        bits=8 * size,
        passes=2,
        differing=0,
        rate=0.0,
        rate_low=0.0,
        rate_high=3.69 / (16 * size),
        shared=2.5e-7,
        settled=0.0,
        limit=1e-6,
        stretch=3.4e6,
        probes=(
            ProbeRecord("data-line", "a data line that is stuck", "held", "all levels seen"),
            ProbeRecord("address-lines", "an address that wraps", "open", "the chip is blank"),
        ),
    )
    return replace(evidence, **changes)


def record_of(contents: bytes, **changes: Any) -> Record:
    """A record of a verified two-pass backup with these contents."""
    digest = hashlib.sha256(contents).hexdigest()
    record = Record(
        made=MADE,
        program={"spiflash": "0.1.0", "pyftdi": "0.57.1"},
        adapter="FT232H, serial number HERON-1, channel A",
        board="Heron gauge 07",
        chip=chip_of(len(contents)),
        passes=(
            PassRecord(1, 0x03, 10e6, "edge", 65536, "up", digest, 7.5),
            PassRecord(2, 0x0B, 15e6, "late", 61440, "down", digest, 5.25),
        ),
        agreement=AgreementRecord(SECTOR, -(-len(contents) // SECTOR)),
        evidence=evidence_of(len(contents)),
        verified=True,
        doubts=(),
        symptoms=(),
        size=len(contents),
        sha256=digest,
    )
    return replace(record, **changes)
