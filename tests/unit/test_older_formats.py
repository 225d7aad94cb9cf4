"""What earlier versions of the program kept still opens, and is still written byte for byte.

`tests/older_formats` holds one backup set, journal, folder of kept passes and adapter record for
each version of its format, and rows of the ledger with ever more keys, each written by the program
as it was when that version was current.
"""

from __future__ import annotations

import json
import shutil
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from spiflash.archive.adapters import Outcome, keep, known
from spiflash.archive.backupset import open_set
from spiflash.archive.journal import Journal, JournalState, Range, open_journals
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.record import Record
from spiflash.bus import Sampling
from spiflash.jobs.reading.kept_passes import Unfinished, _read
from spiflash.jobs.reading.passes import PassSetting, PassTaken
from tests.archive_samples import contents_of

SAMPLES = Path(__file__).parents[1] / "older_formats"
MADE = datetime(2026, 5, 4, 19, 30, 12, tzinfo=timezone(timedelta(hours=2)))
CONTENTS = contents_of(2)
BEFORE, AFTER = contents_of(4, seed=1), contents_of(2, seed=2)


@pytest.fixture
def samples(tmp_path: Path) -> Path:
    return shutil.copytree(SAMPLES, tmp_path / "samples")


@pytest.mark.parametrize("version", [2, 3])
def test_a_backup_set_opens(samples: Path, version: int) -> None:
    found = open_set(samples / f"set-{version}")
    record = found.record
    assert found.contents() == CONTENTS
    assert found.otp() == b"\xff" * 16
    assert (record.made, record.board, record.size) == (MADE, "Heron gauge 07", len(CONTENTS))
    assert (record.chip.jedec_id, record.chip.unique_id) == ("ef4017", "d2647c8f1b2a3c45")
    assert record.chip.registers == {"SR1": "00", "SR2": "02", "SR3": "60"}
    assert [(each.number, each.sampling, each.direction) for each in record.passes] == [
        (1, "edge", "up"),
        (2, "late", "down"),
    ]
    assert [probe.outcome for probe in record.evidence.probes] == ["held", "open"]
    new = version == 3
    assert record.verified is not new
    assert record.doubts == (("A bit reads differently by itself.",) if new else ())
    assert record.agreement.settled == ((0,) if new else ())
    assert record.agreement.changed == ((4096,) if new else ())
    assert (record.evidence.weak, record.evidence.unseen) == (
        ((12345,), 0.25) if new else ((), 0.0)
    )
    assert [(e.name, e.expected) for e in record.one_time] == (
        [("unique-id", 2.5e-9)] if new else []
    )


def test_a_record_is_written_as_before() -> None:
    text = (SAMPLES / "set-3" / "data" / "record.json").read_text("utf-8")
    assert Record.from_json(text).to_json() == text


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_journal_opens(samples: Path, version: int) -> None:
    found = Journal.load(samples / f"journal-{version}")
    assert found.version == version
    assert found.state == JournalState(
        chip="W25Q64JV",
        jedec_id="ef4017",
        unique_id="d2647c8f1b2a3c45",
        size=len(BEFORE),
        ranges=(Range(4096, 4096), Range(12288, 4096)),
        image_name="heron-öffnen.bin",
        image_sha256="ab" * 32,
        begun=MADE,
        registers={"SR1": "00", "SR2": "02"},
        four_byte_mode=False,
        at=4096 if version > 1 else None,
        parts=(Range(0, 4096),) if version > 1 else None,
        again=(Range(8192, 4096),) if version > 2 else (),
    )
    assert found.whole() == (BEFORE if version > 1 else None)
    # The one of version 2 notes that its first sector was hit outside of the work's ranges.
    astray = BEFORE[:4096] if version == 2 else b""
    assert found.before() == astray + BEFORE[4096:8192] + BEFORE[12288:]
    assert found.after() == astray + AFTER


@pytest.mark.parametrize("version", [2, 3])
def test_a_journal_is_written_as_before(samples: Path, tmp_path: Path, version: int) -> None:
    old = Journal.load(samples / f"journal-{version}")
    new = Journal.begin(tmp_path / "journals", old.state, BEFORE, AFTER)
    for name in ("state.json", "before.bin", "after.bin"):
        assert (new.path / name).read_bytes() == (old.path / name).read_bytes()
    new.note_astray([(0, 4096)])
    old_note = (SAMPLES / "journal-2" / "astray.json").read_text()
    assert json.loads((new.path / "astray.json").read_text()) == json.loads(old_note)


def test_a_journal_whose_state_was_altered_is_refused(samples: Path) -> None:
    for version in (2, 3):
        state = samples / f"journal-{version}" / "state.json"
        state.write_text(state.read_text("utf-8").replace("12288", "8192", 1), "utf-8")
    journals = samples / "journals"
    journals.mkdir()
    for version in (1, 2, 3):
        (samples / f"journal-{version}").rename(journals / f"{version}")
    found = open_journals(journals)
    assert [each.version for each in found.whole] == [1]
    assert [path.name for path, _ in found.corrupt] == ["2", "3"]


@pytest.mark.parametrize("version", [1, 2])
def test_kept_passes_open(samples: Path, version: int) -> None:
    passes, oldest = _read(samples / f"passes-{version}", len(CONTENTS))
    assert passes == (
        PassTaken(1, PassSetting(False, 10e6, Sampling.EDGE, 65536, False), 30e6, 3, CONTENTS, 7.5),
        PassTaken(
            2, PassSetting(True, 30e6, Sampling.LATE, 61440, True, 512), 15e6, 11, CONTENTS, 3.75
        ),
    )
    assert oldest == (0.0 if version == 1 else 1777915800.0)


def test_kept_passes_are_written_as_before(samples: Path, tmp_path: Path) -> None:
    passes, oldest = _read(samples / "passes-2", len(CONTENTS))
    with Unfinished(tmp_path / "passes", "heron", clock=lambda: oldest) as unfinished:
        for taken in passes:
            unfinished.keep(taken)
    (folder,) = (tmp_path / "passes").iterdir()
    for old in (samples / "passes-2").iterdir():
        assert (folder / old.name).read_bytes() == old.read_bytes()


def test_an_adapter_record_opens_and_is_written_as_before(samples: Path) -> None:
    (samples / "adapter-1.json").rename(samples / "FT232H-HERON-1.json")
    found = known("FT232H", "HERON-1", samples)
    assert found is not None
    assert (found.made, found.ceiling, found.longest_read) == (MADE, 15e6, 32768)
    assert [each.outcome for each in found.checks] == [
        Outcome.HOLDS,
        Outcome.FAILS,
        Outcome.UNTRIED,
    ]
    path = keep(found, samples / "again")
    assert path.read_bytes() == (SAMPLES / "adapter-1.json").read_bytes()


def test_rows_of_the_ledger_open_and_the_newest_is_written_as_before() -> None:
    rows = (SAMPLES / "ledger-rows.jsonl").read_text("utf-8").splitlines()
    records = [BoardRecord.from_json(row, "row") for row in rows]
    assert [each.remark for each in records] == ["", *3 * ["worth knowing"]]
    assert [each.attempt for each in records] == ["", "", "a1", "a1"]
    assert [each.kept for each in records] == [(), (), (), ("mac 00:00:5e:00:53:08",)]
    for each in records:
        assert each.good
        assert (each.label, each.touched, each.expected) == ("Heron HG-2026-0007", True, 3.1e-07)
        assert each.values == {"ethaddr": "00:00:5e:00:53:07", "serial": "HG-2026-0007"}
        assert (each.passes, each.seconds) == (("55" * 32,) * 2, {"read": 7.5, "write": 31.25})
    assert records[-1].to_json() == rows[-1]
