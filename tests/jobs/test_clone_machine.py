"""A cloning bench worked at random: jobs and lists that overlap, two benches, twins, exchanged
boards, kills of the program and of the server. `clone_rig.world` judges after every step.

By default a few short stories on SQLite with a fixed seed. The long run:

    SPIFLASH_SWEEP=full SPIFLASH_MACHINE_SECONDS=1800 SPIFLASH_MACHINE_LEDGER=sqlite \\
        python -m pytest -s tests/jobs/test_clone_machine.py -k long

SPIFLASH_MACHINE_LEDGER is sqlite or postgres, SPIFLASH_MACHINE_SEED begins elsewhere,
SPIFLASH_MACHINE_OUTPUT names a file that gets a line a minute beside the terminal.
"""

from __future__ import annotations

import os
import random
import shutil
import tempfile
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    rule,
    run_state_machine_as_test,
)

from tests.clone_rig import LONG
from tests.clone_rig.postgres import NEEDS, postgres
from tests.clone_rig.world import JOBS, KINDS, Event, ViolationError, World, settle

USED = sorted(JOBS.keys() - {"batch"})
HAPPENS = ("kill", "kill", "unplug", "power", "ctrl-c", "swap", "kill ledger", "server")
AFTER = (0, 1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233)

events = st.one_of(
    st.none(),
    st.builds(
        Event,
        st.sampled_from(HAPPENS[:-1]),
        st.sampled_from(AFTER),
        st.booleans(),
        st.integers(0, 5),
    ),
)


class CloneMachine(RuleBasedStateMachine):
    """One bench and its boards."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="clone-machine-"))

    @initialize(
        kinds=st.lists(
            st.tuples(st.sampled_from(sorted(KINDS)), st.booleans()), min_size=2, max_size=4
        )
    )
    def begin(self, kinds: list[tuple[str, bool]]) -> None:
        self.world = World.new(self.folder, str(self.folder / "ledger.sqlite"), kinds)

    @rule(
        board=st.integers(0, 3),
        job=st.sampled_from(USED),
        event=events,
        bench=st.sampled_from("ab"),
        again=st.booleans(),
        person=st.booleans(),
        far=st.booleans(),
    )
    def work(
        self,
        board: int,
        job: str,
        event: Event | None,
        bench: str,
        again: bool,
        person: bool,
        far: bool,
    ) -> None:
        chosen = self.world.boards[board % len(self.world.boards)]
        self.world.work(chosen, job, event, bench=bench, again=again, person=person, far=far)

    @rule()
    def wait(self) -> None:
        self.world.later += 130.0

    def teardown(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)


def test_no_identity_is_on_two_boards_whatever_happens() -> None:
    run_state_machine_as_test(  # type: ignore[no-untyped-call]
        CloneMachine,
        settings=settings(
            max_examples=2,
            stateful_step_count=5,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        ),
    )


def storm(world: World, rng: random.Random, steps: int) -> None:
    """So many boards on the clip, at random; then every board once more, with a person there."""
    for _ in range(steps):
        board = rng.choice(world.boards)
        event = None
        if rng.random() < 0.6:
            event = Event(
                rng.choice(HAPPENS), rng.choice(AFTER), rng.random() < 0.6, rng.randrange(6)
            )
        world.work(
            board,
            # Mostly one job: a batch of every kind at once never ends.
            rng.choice([*USED, *["first"] * 6]),
            event,
            bench=rng.choice("ab"),
            again=rng.random() < 0.4,
            person=rng.random() < 0.3,
            far=rng.random() < 0.15,
        )
        if rng.random() < 0.25:
            world.later += 130.0
    settle(world)


@LONG
@pytest.mark.needs(*NEEDS)
def test_long(tmp_path: Path) -> None:
    kind = os.environ.get("SPIFLASH_MACHINE_LEDGER", "sqlite")
    ends = time.monotonic() + float(os.environ.get("SPIFLASH_MACHINE_SECONDS", "120"))
    first = int(os.environ.get("SPIFLASH_MACHINE_SEED", "1"))
    told = os.environ.get("SPIFLASH_MACHINE_OUTPUT")
    tally: Counter[str] = Counter()
    violations: list[str] = []

    def say(text: str) -> None:
        print(text, flush=True)
        if told:
            with Path(told).open("a") as file:
                file.write(text + "\n")

    with ExitStack() as stack:
        server = stack.enter_context(postgres()) if kind == "postgres" else None
        minute = time.monotonic() + 60
        seed = first
        while time.monotonic() < ends:
            rng = random.Random(seed)
            if server is not None:
                server.empty()
            folder = tmp_path / str(seed)
            where = server.url if server is not None else str(folder / "ledger.sqlite")
            kinds = [(rng.choice(sorted(KINDS)), rng.random() < 0.4)
                     for _ in range(rng.randint(2, 6))]  # fmt: skip
            world = World.new(folder, where, kinds)
            if server is not None:
                world.restart = server.restart
            try:
                storm(world, rng, 15)
            except ViolationError as error:
                violations.append(f"seed {seed}: {error}")
                say(f"VIOLATION, seed {seed}:\n{error}")
            tally.update(world.tally)
            tally["worlds"] += 1
            shutil.rmtree(folder, ignore_errors=True)
            seed += 1
            if time.monotonic() > minute or time.monotonic() >= ends:
                minute = time.monotonic() + 60
                names = ("worlds", "boards", "good", "kills", "swaps", "events")
                counts = ", ".join(f"{name} {tally[name]}" for name in names)
                say(f"{kind}: {counts}, violations {len(violations)}")
    assert violations == []
