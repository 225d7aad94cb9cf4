"""Claims on boards: one holder at a time, in whichever process, and none left by a kill."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import time
from multiprocessing.synchronize import Event
from pathlib import Path

import pytest
import sqlalchemy as sa

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.claims import Claim, Held
from spiflash.archive.ledger.store import CLAIMS
from spiflash.errors import ClaimLostError


def test_a_board_has_one_holder_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as one, Ledger(path) as other:
        first = one.claim("a", "here")
        assert isinstance(first, Claim)
        for ledger in (one, other):
            held = ledger.claim("a", "there")
            assert isinstance(held, Held)
            assert held.bench == "here"
        second = other.claim("b", "there")
        assert isinstance(second, Claim)
        first.release()
        again = other.claim("a", "there")
        assert isinstance(again, Claim)
        with pytest.raises(ClaimLostError, match="Another bench"):
            first.check()
        again.check()


def _hold(path: Path, held: Event) -> None:
    assert isinstance(Ledger(path).claim("a", "there"), Claim)
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
        assert isinstance(ledger.claim("a", "here"), Held)
        assert holder.pid is not None
        os.kill(holder.pid, signal.SIGKILL)
        holder.join()
        assert isinstance(ledger.claim("a", "here"), Claim)


def test_a_lease_ends_and_a_lost_claim_is_told(tmp_path: Path) -> None:
    """A holder on another computer that is not heard of any more, by the clock of the ledger."""
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        mine = ledger.claim("a", "here")
        assert isinstance(mine, Claim)
        elsewhere = json.dumps({"bench": "far", "computer": "another", "process": os.getpid()})
        for until, taken in ((time.time() + 50, False), (time.time() - 1, True)):
            row = {"token": "theirs", "holder": elsewhere, "until": until}
            ledger.store.changing(
                lambda connection, row=row: connection.execute(  # type: ignore[misc]
                    sa.update(CLAIMS).values(row)
                )
            )
            with pytest.raises(ClaimLostError):
                mine.check()
            assert isinstance(ledger.claim("a", "here"), Claim) is taken
