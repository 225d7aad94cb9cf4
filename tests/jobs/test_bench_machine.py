"""A machine that works a bench as nobody would write it down, and a judge that trusts nobody.

Boards come and go, commands are cut, killed, starved of disk and of volts, boards are swapped in
the middle of them, two programs share a shelf, files rot. After every step the judge
(`tests.bench_judge`) looks at the chips' cells and the shelf's files.

By default a few examples with a fixed seed. The long run:

    SPIFLASH_SWEEP=full SPIFLASH_MACHINE_SECONDS=3600 \\
        python -m pytest -s tests/jobs/test_bench_machine.py

prints a line a minute and tells the story of every violation; SPIFLASH_MACHINE_SEED begins
elsewhere, SPIFLASH_MACHINE_SHRINK=1 makes the stories short.
"""

from __future__ import annotations

import os
import random
import shutil
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import hypothesis
import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.errors import Flaky
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    rule,
    run_state_machine_as_test,
)

from tests.bench_judge import Board, Request, ViolationError
from tests.bench_troubles import AFTER, ANCHORS, DISK, USB, Event
from tests.bench_world import KINDS, Order, World
from tests.job_rig import CONTENTS, contents

KIB = 1024
TALLY: Counter[str] = Counter()
TOLD: list[str] = []
"""Every violation, with what led to it."""

usb_events = st.builds(
    Event,
    st.sampled_from(USB),
    st.sampled_from(ANCHORS),
    st.sampled_from(AFTER),
    st.integers(0, 3),
)
disk_events = st.builds(Event, st.sampled_from(DISK), st.just("start"), st.integers(0, 40))
events = st.one_of(
    st.just([]),
    st.lists(usb_events, min_size=1, max_size=2),
    st.lists(disk_events, min_size=1, max_size=1),
)
which = st.integers(0, 3)


def between(board: Board) -> bool:
    """Whether a board is neither as it was nor as the cut command was to make it. One that was
    killed while it put its journal away has finished."""
    if board.pending is None:
        return False
    return board.cells not in (board.settled, board.pending.on(board.settled))


class BenchMachine(RuleBasedStateMachine):
    """One bench: two or three boards, one shelf, one person."""

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp(prefix="bench-machine-"))
        self.world: World | None = None

    @initialize(
        size=st.sampled_from((64, 128, 256)),
        kinds=st.lists(st.sampled_from(sorted(KINDS)), min_size=2, max_size=3),
        starts=st.lists(st.sampled_from((*CONTENTS, "sister", "sister")), min_size=3, max_size=3),
        backed=st.integers(0, 9),
        seed=st.integers(0, 1 << 20),
    )
    def begin(self, size: int, kinds: list[str], starts: list[str], backed: int, seed: int) -> None:
        self.world = World(self.root, size * KIB, kinds, starts[: len(kinds)], seed)
        boards = ", ".join(f"{kind} {start}" for kind, start in zip(kinds, starts, strict=False))
        self.world.say(f"boards: {boards}, {size} KiB")
        for board in self.world.boards[: backed % 4]:
            self.run(board, Order(Request("backup")), [])

    # -- what a person does --------------------------------------------------------------------

    @rule(board=which, events=events)
    def back_up(self, board: int, events: list[Event]) -> None:
        self.run(self.board(board), Order(Request("backup")), events)

    @rule(
        board=which,
        at=st.integers(0, 63),
        size=st.integers(1, 64),
        odd=st.integers(0, 4095),
        kind=st.sampled_from(CONTENTS),
        parts=st.booleans(),
        waived=st.booleans(),
        yes=st.integers(0, 9),
        named=st.integers(0, 7),
        whole=st.booleans(),
        events=events,
    )
    def write(
        self,
        board: int,
        at: int,
        size: int,
        odd: int,
        kind: str,
        parts: bool,
        waived: bool,
        yes: int,
        named: int,
        whole: bool,
        events: list[Event],
    ) -> None:
        world, chosen = self.here, self.board(board)
        at, end = self.span(at, size, odd)
        image = contents(kind, chosen.cells[at:end], world.rng)
        spans = ((at, end),)
        if parts and at == 0 and end >= 8192:
            spans = ((0, 4096), (end - 4096, end)) if odd % 2 else ((4096, end),)
        request = Request("restore", image, at, spans, waived)
        self.run(chosen, Order(request, yes > 0, self.set_of(chosen, named), whole), events)

    @rule(board=which, choice=which, events=events)
    def write_a_set(self, board: int, choice: int, events: list[Event]) -> None:
        sets = sorted(self.here.judge.sets.items())
        if sets:
            image = sets[choice % len(sets)][1][1]
            request = Request("restore", image, 0, ((0, len(image)),))
            self.run(self.board(board), Order(request), events)

    @rule(
        board=which,
        at=st.integers(0, 63),
        size=st.integers(1, 64),
        odd=st.integers(0, 4095),
        waived=st.booleans(),
        events=events,
    )
    def erase(
        self, board: int, at: int, size: int, odd: int, waived: bool, events: list[Event]
    ) -> None:
        low, high = self.span(at, size, odd)
        blank = Request("erase", b"\xff" * (high - low), low, ((low, high),), waived)
        self.run(self.board(board), Order(blank), events)

    @rule(board=which, again=st.booleans(), seldom=st.integers(0, 3), events=events)
    def go_on(self, board: int, again: bool, seldom: int, events: list[Event]) -> None:
        """Resume, or the same command again; now and then where there is nothing to resume."""
        chosen = self.pending(board)
        if chosen.pending is None and seldom:
            return
        request = Request("resume")
        if again and chosen.pending is not None and chosen.pending.verb == "restore":
            request = chosen.pending
        self.run(chosen, Order(request), events)

    @rule(board=which, seldom=st.integers(0, 3), events=events)
    def undo(self, board: int, seldom: int, events: list[Event]) -> None:
        chosen = self.pending(board)
        if chosen.pending is not None or not seldom:
            self.run(chosen, Order(Request("undo")), events)

    @rule(
        board=which,
        mine=st.booleans(),
        at=st.integers(0, 15),
        size=st.integers(1, 64),
        events=events,
    )
    def verify(self, board: int, mine: bool, at: int, size: int, events: list[Event]) -> None:
        chosen = self.board(board)
        low, high = self.span(at, size, 0)
        image = chosen.cells if mine else self.board(board + 1).cells
        request = Request("verify", image[low:high], low, ((low, high),))
        self.run(chosen, Order(request), events)

    # -- what happens by itself ----------------------------------------------------------------

    @rule(board=which)
    def the_board_runs(self, board: int) -> None:
        chosen = self.board(board)
        chosen.chip.power(False, self.here.clock.now())
        self.here.settings(chosen)
        self.here.say(f"{chosen.name} runs and changes its settings")

    @rule(
        choice=st.integers(0, 1 << 16),
        how=st.sampled_from(("flip", "truncate", "delete")),
        seldom=st.integers(0, 2),
    )
    def rot(self, choice: int, how: str, seldom: int) -> None:
        if not seldom:
            self.here.rot(choice, how)

    @rule(seldom=st.integers(0, 3))
    def move_the_journals_away(self, seldom: int) -> None:
        if not seldom and any(each.pending for each in self.here.boards):
            self.here.tidy()

    # -- how -----------------------------------------------------------------------------------

    @property
    def here(self) -> World:
        assert self.world is not None
        return self.world

    def board(self, number: int) -> Board:
        return self.here.boards[number % len(self.here.boards)]

    def pending(self, number: int) -> Board:
        """A board with something to go on with, if there is one."""
        waiting = [each for each in self.here.boards if each.pending]
        return waiting[number % len(waiting)] if waiting else self.board(number)

    def span(self, at: int, size: int, odd: int) -> tuple[int, int]:
        world = self.here
        low = at * 4096 % world.size
        if odd % 3 == 0:
            low = min(low + odd, world.size - 1)
        return low, min(low + size * 4096 - (odd if odd % 5 == 0 else 0), world.size)

    def set_of(self, board: Board, number: int) -> Path | None:
        """A set that the person names as this board's, which it need not be."""
        sets = sorted(self.here.judge.sets)
        return sets[number % len(sets)] if sets and number < 2 else None

    def run(self, board: Board, order: Order, events: list[Event]) -> None:
        try:
            # One in three as a command line.
            typed = self.here.rng.randrange(3) == 0 and order.request.verb != "verify"
            self.here.command(board, replace(order, typed=typed), events)
        except ViolationError as error:
            self.fail(error)

    def teardown(self) -> None:
        try:
            if self.here.violation is None:
                self.settle_up()
        finally:
            TALLY.update(self.here.tally)
            shutil.rmtree(self.root, ignore_errors=True)

    def settle_up(self) -> None:
        """No dead end: whatever was interrupted is finished, or undone, by one undisturbed command,
        after a backup where a chip without a unique ID has none by its contents. Where a chip has
        the ID and the new contents of another, the other may have finished its work for it: then
        a backup and the same command once more are the way on. Not so where a file rotted, the
        board itself wrote meanwhile, or its chip erases more than its table says (which a person
        has to put into a table)."""
        if self.here.tally["rotten"]:
            return
        for board in self.here.boards:
            if board.pending is None or board.touched or not board.honest:
                continue
            self.run(board, Order(Request("resume")), [])
            if between(board):
                self.run(board, Order(Request("undo")), [])
            if between(board) and board.id is None:
                self.run(board, Order(Request("backup")), [])
                self.run(board, Order(Request("undo")), [])
            twins = [each for each in self.here.boards if each.id == board.id]
            if between(board) and board.pending is not None and len(twins) > 1:
                self.run(board, Order(Request("backup")), [])
                self.run(board, Order(board.pending), [])
            if between(board):
                self.fail(ViolationError(f"{board.name} is half written, and there is no way on"))

    def fail(self, error: ViolationError) -> None:
        self.here.violation = error
        TOLD.append("\n    ".join([str(error), *self.here.story]))
        raise error


def erase(low: int, high: int) -> Order:
    return Order(Request("erase", b"\xff" * (high - low), low, ((low, high),)))


def write(at: int, image: bytes) -> Order:
    return Order(Request("restore", image, at, ((at, at + len(image)),)))


BACKUP, RESUME, UNDO = (Order(Request(verb)) for verb in ("backup", "resume", "undo"))
RUNS = "the board runs"
RANDOM = random.Random(1).randbytes(128 * KIB)
ALL = 128 * KIB

Step = tuple[str, Order | str, Event | None]

CASES: dict[str, tuple[tuple[str, ...], str, tuple[Step, ...]]] = {
    "settings while the question is open": (
        ("own",),
        "random",
        (("A", BACKUP, None), ("A", erase(0, ALL), Event("settings", "question"))),
    ),
    "settings in a part that the plan leaves alone": (
        ("own",),
        "zeros",
        (
            ("A", BACKUP, None),
            (
                "A",
                write(0, bytes(64 * KIB) + RANDOM[64 * KIB : 96 * KIB] + bytes(32 * KIB)),
                Event("settings", "question"),
            ),
        ),
    ),
    "settings since the backup": (
        ("own", "none"),
        "random",
        (
            *((board, BACKUP, None) for board in "AB"),
            *((board, RUNS, None) for board in "AB"),
            *((board, erase(64 * KIB, ALL), None) for board in "AB"),
        ),
    ),
    "settings between the cut and the resume": (
        ("own",),
        "random",
        (
            ("A", BACKUP, None),
            ("A", erase(32 * KIB, ALL), Event("power", "change", 3)),
            ("A", RUNS, None),
            ("A", RESUME, None),
        ),
    ),
    "a blank board of the same ID comes while a block is erased": (
        ("shared", "shared"),
        "random blank",
        (("A", BACKUP, None), ("A", write(0, RANDOM), Event("swap", "change", 0))),
    ),
    "another board comes in mid-write": (
        ("own", "none", "shared"),
        "random",
        (
            ("A", BACKUP, None),
            ("A", write(0, RANDOM), Event("swap", "change", 21)),
            ("A", RESUME, None),
        ),
    ),
    "another board comes while the question is open": (
        ("none", "none"),
        "random sister",
        (
            ("A", BACKUP, None),
            ("A", write(0, RANDOM), Event("swap", "question")),
            ("A", BACKUP, None),
        ),
    ),
    "zeros, undone after a dip of the supply": (
        ("own",),
        "zeros",
        (
            ("A", BACKUP, None),
            ("A", write(0x42A6, RANDOM[:70000]), Event("power", "change", 34)),
            ("A", UNDO, Event("brown-out", "change", 3)),
            ("A", UNDO, None),
        ),
    ),
    "another address of the same file after a cut": (
        ("own",),
        "random",
        (
            ("A", BACKUP, None),
            ("A", write(0x4000, RANDOM[:20000]), Event("power", "change", 13)),
            ("A", write(0x14000, RANDOM[:20000]), None),
            ("A", RESUME, None),
        ),
    ),
    "passes that were kept, of a board that ran since": (
        ("own", "none"),
        "random sister",
        (
            *((board, BACKUP, Event("unplug", "start", 144)) for board in "AB"),
            *((board, RUNS, None) for board in "AB"),
            *((board, BACKUP, None) for board in "BA"),
        ),
    ),
    "an erase that takes more than its size": (
        ("larger",),
        "random",
        (("A", BACKUP, None), ("A", erase(0x3000, 0x5000), None), ("A", UNDO, None)),
    ),
}
"""Kinds of boards, what they hold, and the steps; most are what the machine found."""


@pytest.mark.parametrize("name", CASES)
def test_what_the_machine_found(name: str, tmp_path: Path) -> None:
    kinds, starts, steps = CASES[name]
    holds = (starts.split() * len(kinds))[: len(kinds)]
    world = World(tmp_path, ALL, list(kinds), holds, seed=5)
    for letter, order, event in steps:
        board = world.boards["ABCD".index(letter)]
        if isinstance(order, Order):
            world.command(board, order, [event] if event else [])
        else:
            board.chip.power(False, world.clock.now())
            world.settings(board)
    assert world.tally["commands"]


def configured(examples: int, steps: int, *, fixed: bool, shrink: bool) -> settings:
    return settings(
        max_examples=examples,
        stateful_step_count=steps,
        deadline=None,
        derandomize=fixed,
        database=None,
        phases=[Phase.generate] + ([Phase.shrink] if shrink else []),
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
    )


def test_the_bench_machine(full_sweep: bool) -> None:
    """A few examples with a fixed seed; in the long run every violation is told, none ends it."""
    if not full_sweep:
        run_state_machine_as_test(BenchMachine, settings=configured(6, 8, fixed=True, shrink=False))
        return
    budget = float(os.environ.get("SPIFLASH_MACHINE_SECONDS", "600"))
    seed = int(os.environ.get("SPIFLASH_MACHINE_SEED", "0"))
    shrink = os.environ.get("SPIFLASH_MACHINE_SHRINK") == "1"
    began = said = time.monotonic()
    violations = 0
    while time.monotonic() - began < budget:
        seed += 1
        machine = type("BenchMachine", (BenchMachine,), {})
        try:
            run_state_machine_as_test(
                hypothesis.seed(seed)(machine),
                settings=configured(5, 25, fixed=False, shrink=shrink),
            )
        except (ViolationError, Flaky):
            violations += 1
            print(f"VIOLATION {violations}, seed {seed}: {TOLD[-1]}", flush=True)
        if time.monotonic() - said >= 60 or time.monotonic() - began >= budget:
            said = time.monotonic()
            print(tally_line(said - began, seed, violations), flush=True)
    assert not violations


def tally_line(seconds: float, seed: int, violations: int) -> str:
    names = (
        "commands",
        "cuts",
        "swaps",
        "settings written",
        "typed",
        "two programs",
        "disk full",
        "rotten",
    )
    counts = ", ".join(f"{TALLY[name]} {name}" for name in names)
    return f"{seconds:6.0f} s, seed {seed}: {counts}, {violations} violations"
