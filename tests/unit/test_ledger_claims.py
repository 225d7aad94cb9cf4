"""Claims on boards: one holder at a time, in whichever process, and none left by a kill."""

from __future__ import annotations

import multiprocessing
import os
import signal
from multiprocessing.synchronize import Event
from pathlib import Path

import pytest

from spiflash.archive import lock
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger_claims import FileClaims
from spiflash.errors import LedgerError


def test_a_board_has_one_holder_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as one, Ledger(path) as other:
        release = one.claim("a")
        assert release is not None
        assert (one.claim("a"), other.claim("a")) == (None, None)
        second = other.claim("b")
        assert second is not None
        release()
        again = other.claim("a")
        assert again is not None
        again()
        second()
    assert list((tmp_path / "ledger.sqlite-in-use").iterdir()) == []


def _hold(path: Path, held: Event) -> None:
    assert Ledger(path).claim("a") is not None
    held.set()
    signal.pause()


def test_a_killed_process_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    context = multiprocessing.get_context("spawn")
    held = context.Event()
    holder = context.Process(target=_hold, args=(path, held))
    holder.start()
    assert held.wait(60)
    with Ledger(path) as ledger:
        assert ledger.claim("a") is None
        assert holder.pid is not None
        os.kill(holder.pid, signal.SIGKILL)
        holder.join()
        release = ledger.claim("a")
        assert release is not None
        release()


def test_adapters_of_one_program_exclude_each_other_without_file_locks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock, "fcntl", None)
    claims = FileClaims(tmp_path / "none")
    release = claims.take("a")
    assert release is not None
    assert claims.take("a") is None
    release()
    assert claims.take("a") is not None


def test_a_folder_that_cannot_be_made_is_an_error_in_words(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    (tmp_path / "ledger.sqlite-in-use").write_text("")
    with Ledger(path) as ledger, pytest.raises(LedgerError, match="cannot be used"):
        ledger.claim("a")
