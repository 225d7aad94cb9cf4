"""The text of a backup: the verdict first, then a screen of facts, the rest on demand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_factory
from spiflash.archive.record import AgreementRecord, Record
from spiflash.dump.audit import Audit, examine
from spiflash.dump.coverage import coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.backup import backup_details, backup_text
from tests.archive_samples import record_of
from tests.report_samples import CONTENTS, COVERAGE, FINDINGS, RECORD

BIG = bytes(1 << 20) + b"\xff" * (15 << 20)
FOLDER = Path("/var/lib/a shelf/2026-11-25-101500_W25Q64JV_gauge-23")


def big_record() -> Record:
    return record_of(BIG, verified=False, agreement=AgreementRecord(4096, 4096, unstable=(0x3000,)))


@pytest.fixture(scope="module")
def heron() -> Audit:
    return examine(heron_factory(), "flash.bin")


def test_the_verdict_how_sure_contents_and_set_come_on_one_screen(heron: Audit) -> None:
    lines = backup_text(record_of(heron.contents), heron, FOLDER).splitlines()
    assert lines[0].startswith("VERIFIED: ")
    assert len(lines) < 24
    for start in (
        r"Proof +expected undetected bit errors: \S+ \(limit 0\.000001\)",
        r"Not excluded +weak cells and patterns",
        r"Contents +\d+\.\d % checksum OK",
        r"Line tests +1 of 2 line tests passed; \S+ open",
    ):
        assert any(re.match(f"  {start}", line) for line in lines), start
    assert f"  Set            {FOLDER}" in lines
    assert f"  Page           {FOLDER / 'report.html'}" in lines
    assert lines.index("Next steps") > len(lines) - 7


def test_what_is_wrong_is_said_once_and_first(heron: Audit) -> None:
    doubtful = record_of(
        heron.contents,
        verified=False,
        doubts=("The fixed-place test failed.",),
        agreement=AgreementRecord(4096, 2048, unstable=(0x3000, 0x5000)),
    )
    text = backup_text(doubtful, heron, FOLDER, words=("--adapter", "sim:x"))
    assert text.startswith("NOT VERIFIED: ")
    assert text.count("VERIFIED") == 1
    assert "The fixed-place test failed." in text
    assert re.search(r"^  Unstable +2: 003000h 005000h$", text, re.MULTILINE)
    assert text.endswith("\n    spiflash backup --adapter sim:x")


def test_details_are_shown_when_they_are_asked_for(heron: Audit) -> None:
    record = record_of(heron.contents)
    assert record.sha256 not in backup_text(record, heron, FOLDER)
    full = backup_text(record, heron, FOLDER, details=True)
    assert record.sha256 in full
    assert "\nFindings\n" in full


def test_the_unstable_places_are_named_up_to_a_few(heron: Audit) -> None:
    many = tuple(range(0, 50 * 4096, 4096))
    record = record_of(
        heron.contents, verified=False, agreement=AgreementRecord(4096, 2048, unstable=many)
    )
    text = re.sub(r"\s+", " ", backup_text(record, heron, FOLDER))
    assert "Unstable 50: 000000h 001000h 002000h 003000h and 46 more" in text
    stable = backup_text(record_of(heron.contents), heron, FOLDER)
    assert "Unstable" not in stable
    assert "Settled" not in stable


def test_lines_keep_their_width_but_for_paths(heron: Audit) -> None:
    short = backup_text(record_of(heron.contents), heron, FOLDER)
    assert max(len(line) for line in short.splitlines() if str(FOLDER) not in line) <= 80
    for record, contents in ((RECORD, CONTENTS), (big_record(), BIG)):
        text = backup_details(record, contents, FINDINGS, COVERAGE)
        assert max(len(line) for line in text.splitlines()) <= 80
        assert text.endswith("\n")


def test_the_map_in_text() -> None:
    text = backup_details(RECORD, CONTENTS, FINDINGS, COVERAGE)
    lines = re.findall(r"^ +([0-9A-F]+)h ([#=?X.!]+)$", text, flags=re.MULTILINE)
    assert lines == [
        ("000000", "#?!?==..??!" + "?" * 29 + "###" + "?" * 21),
        ("040000", "?" * 15),
    ]
    text = backup_details(big_record(), BIG, (), coverage(BIG, ()))
    lines = re.findall(r"^ +([0-9A-F]+)h ([#=?X.!]+)$", text, flags=re.MULTILINE)
    assert [len(signs) for _, signs in lines] == [64] * 32
    assert lines[0] == ("000000", "?!" + "?" * 62)
    assert lines[2] == ("100000", "." * 64)
    assert "one character is 8 KiB" in text


def test_the_text_counts_blank_and_noted_findings() -> None:
    noted = Finding(0, 10, "x", "only a remark", Verdict.NOTED)
    text = backup_details(RECORD, CONTENTS, (*FINDINGS, noted, noted), COVERAGE)
    assert "only a remark" not in text
    assert "not listed: 1 blank" in text
    assert "not listed: 2 noted" in text
