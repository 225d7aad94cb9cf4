"""What happens to a command of the bench machine midway.

A disturbance waits for an anchor (the start, the question, the first change of a chip) and then
for so many USB transfers more; trouble with the disk waits for so many operations that change it.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from hwmocks.bench import Bench
from hwmocks.clip import Clip
from hwmocks.faults import BitErrors
from tests.bench_judge import Board, Run

if TYPE_CHECKING:
    from tests.bench_world import World

ANCHORS = ("start", "question", "change")
CUTS = ("unplug", "power", "kill", "ctrl-c", "brown-out", "disk kill")
USB = (*CUTS[:-1], "swap", "settings", "noise", "other program")
DISK = ("disk full", "disk kill")
AFTER = (0, 1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233, 377)
NOISE = (1e-6, 1e-5, 1e-4)
"""Chances of a bit to come wrong, on both data lines."""
THINKING = 20.0
"""Seconds until the person answers."""
AWAY = (0.5, 1.5, 3.0)
"""Seconds that a hand takes to move the clip from one board to another."""


class KilledError(BaseException):
    """The process is gone: nothing that it does from now on reaches chip or disk."""


@dataclass(frozen=True)
class Event:
    """A disturbance: `kind` of USB or DISK, and when; `board` is which one comes on the clip."""

    kind: str
    anchor: str = "start"
    after: int = 0
    board: int = 0

    def __str__(self) -> str:
        return f"{self.kind}@{self.anchor}+{self.after}"


class DiskTrouble:
    """From the n-th operation that changes the disk on, all fail for want of room, or the
    process is gone."""

    NAMES = ("write", "mkdir", "rename", "replace", "unlink", "rmdir", "fsync")
    FILL = ("write", "mkdir")

    def __init__(self, world: World, event: Event | None) -> None:
        self.world = world
        self.left = event.after if event else -1
        self.full = event is not None and event.kind == "disk full"
        self.real: dict[str, Callable[..., Any]] = {}

    def __enter__(self) -> None:
        if self.left >= 0:
            for name in self.NAMES:
                self.real[name] = getattr(os, name)
                setattr(os, name, self._wrapped(name))

    def __exit__(self, *_: object) -> None:
        for name, function in self.real.items():
            setattr(os, name, function)

    def _wrapped(self, name: str) -> Callable[..., Any]:
        real = self.real[name]

        def call(*arguments: Any, **named: Any) -> Any:
            self.left -= 1
            if self.left >= 0 or (self.full and name not in self.FILL):
                return real(*arguments, **named)
            if self.full:
                self.world.tally["disk full"] += self.left == -1
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            if self.left == -1:
                self.world.tally["cuts"] += 1
                if name == "write":
                    real(arguments[0], bytes(arguments[1])[: len(arguments[1]) // 2])
            self.world.dead = True
            raise KilledError

        return call


@dataclass
class Session:
    """One command on one clip, with what is still to happen to it."""

    world: World
    run: Run
    board: Board
    events: list[Event]
    clip: Clip = field(default_factory=Clip)
    noise: BitErrors = field(init=False)
    bench: Bench | None = None
    waiting: dict[int, int] = field(default_factory=dict)
    asked: bool = False
    killed: bool = False
    inside: bool = False

    def __post_init__(self) -> None:
        self.noise = BitErrors(self.clip, 0.0, seed=self.world.rng.randrange(1 << 30))

    def transfer(self, number: int) -> None:
        """Called at every USB transfer."""
        if self.killed or self.world.dead:
            raise KilledError
        if self.inside:
            return
        self.inside = True
        try:
            self._happen(number)
        finally:
            self.inside = False

    def _happen(self, number: int) -> None:
        started = {"start": True, "question": self.asked, "change": self._changed()}
        for index, event in enumerate(self.events):
            if event.kind in DISK or not started[event.anchor]:
                continue
            left = self.waiting.get(index, event.after)
            self.waiting[index] = left - 1
            if left == 0:
                self.happens(event)

    def _changed(self) -> bool:
        return self.board.cells != self.run.first[self.board.name]

    def happens(self, event: Event) -> None:
        """The disturbance itself."""
        world, bench = self.world, self.bench
        assert bench is not None
        now = world.clock.now()
        self.run.look(self.board)
        self.run.notes.append(str(event))
        world.tally["cuts"] += event.kind in CUTS
        match event.kind:
            case "unplug":
                bench.device.unplug()
            case "power":
                self.clip.take_off(now)
                bench.device.unplug()
            case "kill":
                self.killed = True
                raise KilledError
            case "ctrl-c":
                raise KeyboardInterrupt
            case "brown-out":
                self.clip.brown_out(now)
            case "swap":
                self.swap(event)
            case "settings":
                # While the chip works its processor waits; and it does not write into the work.
                if self.board.chip.busy_until() < now and not self._changed():
                    at, size = world.settings(self.board)
                    if not self.asked:
                        self.run.unseen.update(range(at, at + size))
            case "noise":
                self.noise.rate = self.noise.mosi_rate = NOISE[event.board % len(NOISE)]
                world.tally["noise"] += 1
            case "other program":
                world.other_program(self, event)
        self.run.look(self.board)

    def swap(self, event: Event) -> None:
        """Another board comes on the clip."""
        boards = [each for each in self.world.boards if each not in self.world.on_clips]
        if boards:
            self.world.tally["swaps"] += 1
            self.world.on_clips.remove(self.board)
            self.board = boards[event.board % len(boards)]
            self.world.on_clips.append(self.board)
            now = self.world.clock.now()
            if event.anchor == "question":
                self.clip.put_on(self.board.chip, now)
            else:
                self.clip.swap(self.board.chip, now, AWAY[event.board % len(AWAY)])

    def ask(self, yes: bool) -> bool:
        """The question before a change; the board that was seen before it is the one meant."""
        self.world.clock.advance(THINKING)
        self.run.look(self.board)
        self.run.asked = self.board
        self.run.answered = yes
        self.asked = True
        for index, event in enumerate(self.events):
            if event.anchor == "question" and event.kind in ("swap", "settings"):
                self.waiting[index] = -1
                self.happens(event)
        return yes
