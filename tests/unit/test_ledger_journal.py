"""The note in a journal whose values went back to the list."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from spiflash.archive.journal import Journal, JournalState, Range, open_journals
from spiflash.archive.ledger_journal import NOTE, withdraw, withdrawn
from spiflash.errors import ShelfError


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    state = JournalState(
        *("W25Q64JV", "ef4017", "00" * 8, 4096, (Range(0, 4),), "open.bin", "11" * 32),
        datetime(2026, 5, 1, tzinfo=UTC),
    )
    return Journal.begin(tmp_path, state, bytes(4096), b"new.")


def test_a_note_stays_with_its_journal_and_goes_with_it(journal: Journal, tmp_path: Path) -> None:
    assert withdrawn(journal) is None
    withdraw(journal, "heron-open")
    withdraw(journal, "another")
    (loaded,) = open_journals(tmp_path).whole
    assert withdrawn(loaded) == "heron-open"
    assert (loaded.before(), loaded.after()) == (bytes(4), b"new.")
    loaded.finish()
    assert list(tmp_path.iterdir()) == []


def test_whatever_stands_in_its_place_counts_as_a_note(journal: Journal) -> None:
    (journal.path / NOTE).symlink_to("/etc/hostname")
    assert withdrawn(journal) == ""


def test_a_note_that_cannot_be_written_is_an_error(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("spiflash.archive.ledger_journal.write_file", full)
    with pytest.raises(ShelfError, match="disk is full") as caught:
        withdraw(journal, "j")
    assert caught.value.state == "The board keeps its values."
    assert withdrawn(journal) is None
