"""The bench of the bench machine: boards, one shelf, commands, and what happens to them midway.

A command runs in process, on simulated chips of 64 to 256 KiB; time is the bench's. A disturbance
waits for an anchor (the start, the question, the first change of a chip, or the first write to
the disk) and then for so many USB transfers, or disk operations, more.
"""

from __future__ import annotations

import contextlib
import errno
import os
import random
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hwmocks.bench import Bench, make_bench
from hwmocks.clip import Clip
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import SpiflashError
from spiflash.work.backup import back_up
from spiflash.work.connection import connected
from spiflash.work.erase import erase
from spiflash.work.image import Image
from spiflash.work.progress import Unwatched
from spiflash.work.restore import Leave, restore
from spiflash.work.rewrite_proof import Verify
from spiflash.work.verify import verify
from tests.bench_judge import Board, Judge, Request, Run, ViolationError
from tests.job_rig import contents, small

ANCHORS = ("start", "question", "change")
USB = ("unplug", "power", "kill", "ctrl-c", "brown-out", "swap", "settings", "other program")
DISK = ("disk full", "disk kill")
CUTS = ("unplug", "power", "kill", "ctrl-c", "brown-out", "disk kill")
AFTER = (0, 1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233, 377)
SHARED = bytes.fromhex("D2640C0A11223344")
KINDS = {"own": "W25Q64JV", "shared": "W25Q64JV", "none": "MX25L6406E"}
AWAY = (0.5, 1.5, 3.0)
"""Seconds that a hand takes to move the clip from one board to another."""
CLOCK = 30e6


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


@dataclass(frozen=True)
class Order:
    """A request and how the person behaves: the answer, the backup named, how much is read back."""

    request: Request
    yes: bool = True
    backup: Path | None = None
    whole: bool = False


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
    bench: Bench | None = None
    waiting: dict[int, int] = field(default_factory=dict)
    asked: bool = False
    killed: bool = False
    inside: bool = False

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
                    world.settings(self.board)
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
        self.run.look(self.board)
        self.run.asked = self.board
        self.run.answered = yes
        self.asked = True
        for index, event in enumerate(self.events):
            if event.anchor == "question" and event.kind in ("swap", "settings"):
                self.waiting[index] = -1
                self.happens(event)
        return yes


class World:
    """Boards, shelf, judge and clock."""

    def __init__(self, root: Path, size: int, kinds: list[str], starts: list[str], seed: int):
        self.root = root
        self.size = size
        self.rng = random.Random(seed)
        self.clock = VirtualClock()
        self.shelf = Shelf(root / "shelf")
        self.tally: Counter[str] = Counter()
        self.story: list[str] = []
        self.on_clips: list[Board] = []
        self.under_way: list[Run] = []
        self.violation: ViolationError | None = None
        self.dead = False
        self.boards: list[Board] = []
        for index, (kind, start) in enumerate(zip(kinds, starts, strict=True)):
            self.boards.append(self._board(index, kind, start))
        self.judge = Judge({each.name: each for each in self.boards}, self.shelf.root)

    @property
    def own_at(self) -> int:
        """Address of the sector with what is each board's own; the one below holds settings."""
        return self.size - 4096

    def _board(self, index: int, kind: str, start: str) -> Board:
        part = KINDS[kind]
        if start == "sister" and self.boards:
            data = bytearray(self.boards[0].settled)
        else:
            data = bytearray(
                contents(start if start != "sister" else "random", bytes(self.size), self.rng)
            )
        data[self.own_at : self.own_at + 64] = self.rng.randbytes(64)
        chip = NorChip(
            small(part, self.size)[0],
            bytes(data),
            seed=self.rng.randrange(1 << 30),
            unique_id=SHARED if kind == "shared" else None,
        )
        chip.power(False, 0.0)
        return Board("ABCD"[index], chip, part)

    def say(self, text: str) -> None:
        """One line of the story that a violation is told with."""
        self.story.append(text)

    # -- commands ----------------------------------------------------------------------------

    def command(self, board: Board, order: Order, events: list[Event]) -> Run:
        """Run a command on a board, with disturbances, and let the judge look at it."""
        self.tally["commands"] += 1
        run = Run(order.request)
        session = Session(self, run, board, events)
        self.under_way.append(run)
        self.on_clips.append(board)
        disk = next((each for each in events if each.kind in DISK), None)
        descriptors = _open_files()
        try:
            with DiskTrouble(self, disk), self._seeded():
                run.result = self._carry_out(session, order)
        except (Exception, KilledError, KeyboardInterrupt) as error:
            run.error = error
        self._end(session, descriptors)
        self.under_way.remove(run)
        self.say(
            f"{board.name} {order.request.verb} {_spans(order.request)} "
            f"{'yes' if order.yes else 'no'}{' waived' if order.request.waived else ''} "
            f"{[str(each) for each in events]} → {_outcome(run)}"
        )
        if self.violation is not None:
            raise self.violation
        try:
            self.judge.judge(run, self.under_way)
        except ViolationError as error:
            # Of a second program: it is for the first to report, whatever that makes of it.
            self.violation = error
            raise
        return run

    def _end(self, session: Session, descriptors: set[int]) -> None:
        """Nothing is on the clip any longer, unless the process was killed: then the board keeps
        its supply for now. The kernel lets go of a killed process's files and locks."""
        if self.dead or session.killed:
            for descriptor in _open_files() - descriptors:
                with contextlib.suppress(OSError):
                    os.close(descriptor)
        else:
            session.clip.take_off(self.clock.now())
        self.dead = False
        self.clock.advance(10.0)
        session.run.look(session.board)
        self.on_clips.remove(session.board)

    @contextlib.contextmanager
    def _seeded(self) -> Iterator[None]:
        """What the program draws afresh each time comes from the bench's own seed, so that a
        violation can be played again."""
        real, draws = random.Random, random.Random(self.rng.random())
        random.Random = lambda *seed: real(*seed or (draws.random(),))  # type: ignore
        try:
            yield
        finally:
            random.Random = real  # type: ignore[misc]

    @contextlib.contextmanager
    def _connected(self, session: Session) -> Iterator[Any]:
        board = session.board
        session.run.look(board)
        session.bench = make_bench(
            board.chip,
            clip=lambda wired: session.clip,
            faults=UsbFaults(on_transfer=session.transfer),
            clock=self.clock,
        )
        session.clip.put_on(board.chip, self.clock.now())
        self.clock.advance(0.1)
        bus = open_bench_bus(session.bench, "machine")
        try:
            with connected(bus, small(board.part, self.size)[1], CLOCK) as connection:
                yield connection
        finally:
            if not (session.killed or self.dead):
                bus.close()

    def _carry_out(self, session: Session, order: Order) -> object:
        request, verb = order.request, order.request.verb
        leave = Leave(without_backup=request.waived, backup=order.backup)
        image = Image("image", request.image)
        if verb == "restore":
            parts = tuple((low - request.at, high - request.at) for low, high in request.parts)
            if parts != ((0, len(request.image)),):
                image = Image("image", request.image, parts=parts)
        ask = lambda work: session.ask(order.yes)  # noqa: E731
        how = Verify.ALL if order.whole else Verify.CHANGED
        with self._connected(session) as connection:
            if verb == "backup":
                return back_up(connection, self.shelf, Unwatched(), board=session.board.name)
            if verb == "verify":
                return verify(connection, image, Unwatched(), at=request.at)
            if verb == "erase":
                ((low, high),) = request.parts
                return erase(
                    connection,
                    self.shelf,
                    Unwatched(),
                    agree=ask,
                    leave=leave,
                    at=low,
                    length=high - low,
                    verify=how,
                )
            return restore(
                connection,
                self.shelf,
                image if verb == "restore" else None,
                Unwatched(),
                agree=ask,
                leave=leave,
                at=request.at,
                verify=how,
                undo=verb == "undo",
            )

    # -- what else happens -------------------------------------------------------------------

    def settings(self, board: Board) -> None:
        """The board runs and writes some bytes of its settings."""
        at = self.own_at - 4096 + self.rng.randrange(4000)
        board.writes(at, self.rng.randbytes(self.rng.randint(1, 96)))
        self.tally["settings written"] += 1

    def other_program(self, session: Session, event: Event) -> None:
        """A second program works on the same shelf, with another board on an adapter of its own."""
        free = [each for each in self.boards if each not in self.on_clips]
        if not free or self.tally["nested"]:
            return
        board = free[event.board % len(free)]
        self.tally["nested"] = 1
        try:
            # Its own story; what it leaves is for the judge of the outer command to accept.
            again = Request(
                "restore",
                session.run.request.image,
                session.run.request.at,
                session.run.request.parts,
                waived=True,
            )
            verb = "restore" if again.image and event.board % 2 else "backup"
            self.command(board, Order(again if verb == "restore" else Request("backup")), [])
            self.tally["two programs"] += 1
        finally:
            self.tally["nested"] = 0

    def rot(self, choice: int, how: str) -> bool:
        """One file of a set or a journal rots."""
        files = [
            each
            for each in sorted(self.shelf.root.rglob("*"))
            if each.is_file() and each.stat().st_size
        ]
        if not files:
            return False
        path = files[choice % len(files)]
        data = bytearray(path.read_bytes())
        match how:
            case "flip":
                data[choice % len(data)] ^= 1 << choice % 8
            case "truncate":
                del data[choice % len(data) :]
            case "delete":
                path.unlink()
        if how != "delete":
            path.write_bytes(data)
        self.say(f"{path.relative_to(self.root)} rots: {how}")
        self.judge.forgive()
        self.tally["rotten"] += 1
        return True

    def tidy(self) -> None:
        """The person moves all journals away, and takes the boards as they are."""
        folder = self.shelf.journals
        if folder.is_dir():
            attic = self.root / f"attic-{self.tally['tidied']}"
            shutil.move(folder, attic)
            self.say("the journals are moved away")
        self.tally["tidied"] += 1
        for board in self.boards:
            board.settled[:] = board.cells
            board.pending = None
            board.touched.clear()
        self.judge.forgive()


def _open_files() -> set[int]:
    return {int(name) for name in os.listdir("/proc/self/fd")}


def _spans(request: Request) -> str:
    return "+".join(f"{low:#x}–{high:#x}" for low, high in request.parts)


def _outcome(run: Run) -> str:
    notes = f"{' '.join(run.notes)}: " if run.notes else ""
    if run.error is None:
        return f"{notes}done"
    text = str(run.error) if isinstance(run.error, SpiflashError) else repr(run.error)
    return f"{notes}{type(run.error).__name__}: {text[:160]}"
