"""The runner at a real clip: it waits for a chip, sees the clip leave, waits for the next.

Boards that are finished already are recognised and left alone, which takes no time: most of the
boards here are such.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import After
from spiflash.errors import AdapterNotFoundError
from spiflash.jobs.clone.runner import ClipStation, Cloned, Runner
from tests.clone_rig.clip import BOUNCING, HALF_FIRST, NEVER_RIGHT, ON, Person, Visit
from tests.clone_rig.heron import Board, Rig, context_in
from tests.clone_rig.rows import finished_row


def key_of(chip: NorChip) -> str:
    return f"ef4017-{chip.unique_id.hex()}"


class Clips(Rig):
    """The rig with one adapter and a person."""

    def finished(self, number: int) -> NorChip:
        """A board that is done already."""
        chip = Board(number, "W25Q64JV").new()
        self.ledger.append(finished_row(key=key_of(chip), values={}), After.KEEP)
        return chip

    def work(
        self,
        visits: Sequence[Visit],
        away: Sequence[tuple[float, float]] = (),
        pulls_at: str = "",
    ) -> tuple[Person, Cloned]:
        """Board after board; the adapter is pulled out between each two times of `away`, and
        when `pulls_at` is shown."""
        runners: list[Runner] = []
        person = Person(visits, lambda: runners[0]._stop.set())
        person.away, person.pulls_at = list(away), pulls_at
        station = ClipStation("clip", opened=person.opened, pause=person.pause)

        def again(station: str, record: object) -> bool:
            person.told.append("asked")
            return False

        context = replace(context_in(self.folder, self.ledger), again=again)
        runners.append(Runner(context, [station], person))
        return person, runners[0].run()


@pytest.fixture
def clips(tmp_path: Path) -> Clips:
    return Clips(tmp_path)


def test_boards_come_and_go_at_one_clip(clips: Clips) -> None:
    """A new board on a clip that bounces; the same right away, which is asked about; others."""
    new = Board(1, "W25Q64JV").new()
    others = [clips.finished(number) for number in (2, 3)]
    person, done = clips.work(
        [Visit(new, BOUNCING), Visit(new), Visit(others[0], BOUNCING), Visit(others[1], HALF_FIRST)]
    )
    assert [(each.result, each.key) for each in done.records] == [("PASS", key_of(new))]
    assert [each.key for each in done.skipped] == list(map(key_of, (new, *others)))
    # Contacts of a clip that is coming off are no boards: nobody is asked about them.
    assert person.told.count("asked") == 3
    assert person.told.count("identifying the chip") == 4
    assert person.told.count("waiting for a board") == 4
    assert done.errors == ()


def test_a_clip_that_never_sits_right_is_a_failure_with_a_reason(clips: Clips) -> None:
    bad, good = Board(1, "W25Q64JV").new(), clips.finished(2)
    before = bytes(bad.contents)
    _, done = clips.work([Visit(bad, NEVER_RIGHT), Visit(good)])
    assert [(each.result, each.kind, each.touched) for each in done.records] == [
        ("FAIL", "contact", False)
    ]
    assert [each.key for each in done.skipped] == [key_of(good)]
    assert bad.contents == before


def test_an_adapter_that_is_pulled_out_is_waited_for(clips: Clips) -> None:
    """While it waits for a board, and while it works on one."""
    one, two = clips.finished(1), clips.finished(2)
    late = ((12.0, ON),)
    person, done = clips.work([Visit(one, late), Visit(two), Visit(two)], away=[(3.0, 8.0)])
    assert [each.key for each in done.skipped] == list(map(key_of, (one, two, two)))
    gone = person.told.index("adapter missing: plug it in again")
    assert person.told[gone + 1 :].count("waiting for a board") > 1
    assert person.told.index("identifying the chip") > gone
    assert done.records == ()
    _, done = clips.work([Visit(one), Visit(one)], pulls_at="identifying the chip")
    assert [each.kind for each in done.records] == ["adapter"]
    assert [each.key for each in done.skipped] == [key_of(one)]
    assert done.errors == ()


def test_an_adapter_that_was_never_there_ends_the_work(clips: Clips) -> None:
    _, done = clips.work([Visit(clips.finished(1))], away=[(0.0, 5.0)])
    assert [type(error) for error in done.errors] == [AdapterNotFoundError]


def test_waiting_ends_when_the_work_is_stopped(clips: Clips) -> None:
    person = Person([], lambda: None)
    station = ClipStation("clip", opened=person.opened, pause=person.pause)
    assert station.next_board(lambda: person.now() > 4.0, person.told.append) is None
    person.away = [(4.0, 1e9)]
    assert station.next_board(lambda: person.now() > 60.0, person.told.append) is None
    assert set(person.told) == {"adapter missing: plug it in again"}
    station.close()
