"""The note that earlier versions left in a journal whose values went to another board."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from spiflash.archive.journal import WITHDRAWN, Journal, JournalState, Range, open_journals


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    state = JournalState(
        *("W25Q64JV", "ef4017", "00" * 8, 4096, (Range(0, 4),), "open.bin", "11" * 32),
        datetime(2026, 5, 1, tzinfo=UTC),
    )
    return Journal.begin(tmp_path, state, bytes(4096), b"new.")


def test_a_note_stays_with_its_journal_and_goes_with_it(journal: Journal, tmp_path: Path) -> None:
    assert journal.withdrawn() is None
    (journal.path / WITHDRAWN).write_text("heron-open")
    (loaded,) = open_journals(tmp_path).whole
    assert loaded.withdrawn() == "heron-open"
    assert (loaded.before(), loaded.after()) == (bytes(4), b"new.")
    loaded.finish()
    assert list(tmp_path.iterdir()) == []


def test_whatever_stands_in_its_place_counts_as_a_note(journal: Journal) -> None:
    (journal.path / WITHDRAWN).symlink_to("/etc/hostname")
    assert journal.withdrawn() == ""
