"""The runner and Ctrl-C, with stations at which no board ever comes."""

from __future__ import annotations

import _thread
import threading
import time
from pathlib import Path

import pytest

from spiflash.archive.ledger import Ledger
from spiflash.bus import Bus
from spiflash.jobs.clone.runner import PRESSED, Runner, Stopping, Tell
from tests.clone_rig.heron import Quiet, context_in, write_job


class Slow:
    """A station whose worker ends `late` seconds after it was told to stop."""

    def __init__(self, name: str, late: float) -> None:
        self.name = name
        self.late = late
        self.waiting = threading.Event()
        self.ended = False

    def next_board(self, stopping: Stopping, tell: Tell) -> Bus | None:
        """None comes."""
        self.waiting.set()
        while not stopping():
            time.sleep(0.01)
        time.sleep(self.late)
        return None

    def taken_away(self, stopping: Stopping) -> None:
        """Never called."""
        raise AssertionError

    def close(self) -> None:
        """The worker ends."""
        self.ended = True


@pytest.mark.parametrize("late", [(0.8, 0.0), (0.0, 0.8)])
def test_ctrl_c_waits_for_every_worker(tmp_path: Path, late: tuple[float, float]) -> None:
    write_job(tmp_path)
    stations = [Slow(f"station {i}", each) for i, each in enumerate(late)]
    said: list[str] = []
    screen = Quiet()
    screen.say = lambda text: said.append(text)  # type: ignore[method-assign]

    def press() -> None:
        for station in stations:
            station.waiting.wait()
        # Until the main thread waits too: only there Ctrl-C is meant to arrive.
        time.sleep(0.3)
        _thread.interrupt_main()

    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        runner = Runner(context_in(tmp_path, ledger), stations, screen)
        threading.Thread(target=press).start()
        done = runner.run()
    assert [station.ended for station in stations] == [True, True]
    assert said == [PRESSED[0]]
    assert (done.records, done.errors) == ((), ())
