"""A small dump with one finding of each verdict, and a hostile one, for the report's tests."""

from __future__ import annotations

from dataclasses import replace

from spiflash.archive.record import AgreementRecord, Record
from spiflash.dump.coverage import Coverage, coverage
from spiflash.dump.finding import Finding, Verdict
from tests.archive_samples import contents_of, record_of

SECTOR = 4096
CONTENTS = (
    contents_of(6) + b"\xff" * (2 * SECTOR) + contents_of(70, seed=3) + contents_of(1, seed=4)[:100]
)
FINDINGS = (
    Finding(0, 5000, "uboot-image", "legacy image “Heron”", Verdict.VERIFIED, ("data CRC",)),
    Finding(8192, 4096, "environment", "settings", Verdict.DAMAGED, ("CRC-32 differs",),
            (("bootcmd", "sf probe 0"), ("bootdelay", "3"))),
    Finding(16384, 8192, "banner", "boot loader banner", Verdict.CONSISTENT),
    Finding(6 * SECTOR, 2 * SECTOR, "blank", "blank", Verdict.BLANK, ("every byte is FFh",)),
    Finding(40 * SECTOR, 3 * SECTOR, "squashfs", "file system", Verdict.VERIFIED, ("blocks",)),
)  # fmt: skip
RECORD = record_of(
    CONTENTS,
    agreement=AgreementRecord(SECTOR, 79, settled=(4096,), unstable=(8192, 40960)),
    verified=False,
    doubts=("Two sectors stay unstable.",),
    symptoms=("nothing odd",),
)
COVERAGE = coverage(CONTENTS, FINDINGS)

HOSTILE_TEXT = (
    "</script><script>window.hacked=1</script>\"'><img src=x onerror=window.hacked=2>"
    "\x1b[2J\x1b]0;owned\x07\x00\u202egnp.exe\u2028{{7*7}}{% raw %}&lt;" + "A" * 5000
)


def hostile() -> tuple[Record, bytes, tuple[Finding, ...], Coverage]:
    """All free texts are an attack."""
    findings = tuple(
        replace(each, title=HOSTILE_TEXT, kind=HOSTILE_TEXT, checks=(HOSTILE_TEXT,),
                details=((HOSTILE_TEXT, HOSTILE_TEXT),) * 3)
        for each in FINDINGS
    )  # fmt: skip
    texts = (HOSTILE_TEXT, HOSTILE_TEXT)
    chip = replace(RECORD.chip, name=HOSTILE_TEXT, vendor=HOSTILE_TEXT, candidates=texts,
                   identified_by=HOSTILE_TEXT, registers={HOSTILE_TEXT: "00"},
                   supply=HOSTILE_TEXT)  # fmt: skip
    record = replace(RECORD, board=HOSTILE_TEXT, adapter=HOSTILE_TEXT, doubts=texts,
                     symptoms=texts, program={HOSTILE_TEXT: HOSTILE_TEXT}, chip=chip)  # fmt: skip
    return record, CONTENTS, findings, COVERAGE
