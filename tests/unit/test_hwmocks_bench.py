"""What the settings of a `sim:` URL make of a simulated board."""

from __future__ import annotations

from pathlib import Path

import pytest

from hwmocks.bench import BenchError, contacts, open_bench
from hwmocks.boards.heron import heron_variant
from hwmocks.bricks import KINDS, NAMES, make_brick


def test_a_brick_of_each_kind_can_be_asked_for() -> None:
    assert len(NAMES) == len(KINDS) > 10
    for name, kind in NAMES.items():
        bench = open_bench(f"heron?board=9&brick={name}&seed=4")
        brick = make_brick(kind, 4, board=9)
        assert bytes(bench.chip.contents) == brick.contents, name
        assert brick.backup == heron_variant(9)
        bench.put_away()


@pytest.mark.parametrize("name", contacts())
def test_a_bad_contact_of_each_kind_can_be_asked_for(name: str) -> None:
    bench = open_bench(f"heron?clip={name}")
    assert bench.wired is not bench.chip
    assert bytes(bench.chip.contents) == heron_variant(0x17)
    bench.put_away()


@pytest.mark.parametrize("setting", ["clip=nothing", "brick=nothing"])
def test_what_there_is_not_is_refused_with_what_there_is(setting: str) -> None:
    with pytest.raises(BenchError, match="known: "):
        open_bench(f"heron?{setting}")


def test_a_board_that_is_not_the_demo_board_is_not_damaged(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    bench = open_bench(f"{folder}?new=heron")
    bench.chip.contents[:] = bytes(len(bench.chip.contents))
    bench.put_away()
    with pytest.raises(BenchError, match="needs a demo board"):
        open_bench(f"{folder}?brick=erased")
