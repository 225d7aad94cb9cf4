"""The bench of the bench machine: boards, one shelf, commands, and what happens to them midway.

A command runs in process, as a call or as a command line, on simulated chips of 64 to 256 KiB; time
is the bench's.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock

from hwmocks.bench import make_bench
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.cli import changing
from spiflash.cli import main as cli
from spiflash.errors import SpiflashError, UnstableReadError
from spiflash.jobs import Unwatched, connection
from spiflash.jobs.backup import back_up, verify
from spiflash.jobs.connection import connected
from spiflash.jobs.image import Image
from spiflash.jobs.write import Verify, WriteOptions, blank, restore
from tests.bench_judge import Board, Judge, Request, Run, ViolationError
from tests.bench_troubles import DISK, DiskTrouble, Event, KilledError, Session
from tests.job_rig import contents, small

SHARED = bytes.fromhex("D2640C0A11223344")
UNVERIFIED = "not verified"
"""The result of a backup whose passes disagree."""

KINDS = {"own": "W25Q64JV", "shared": "W25Q64JV", "none": "MX25L6406E", "larger": "W25Q64JV"}
"""Kinds of boards and the part on each: with a unique ID of its own, with one that all copies of
the chip have, with none, and with a chip whose 20h erases 64 KiB."""
CLOCK = 30e6


@dataclass(frozen=True)
class Order:
    """A request and how the person behaves: the answer, the backup named, how much is read back,
    and whether it is typed as a command line."""

    request: Request
    yes: bool = True
    backup: Path | None = None
    whole: bool = False
    typed: bool = False


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
        described = small(part, self.size)[0]
        if kind == "larger":
            erases = described.erases
            described = replace(described, erases={**erases, 0x20: erases[0xD8]})
        chip = NorChip(
            described,
            bytes(data),
            seed=self.rng.randrange(1 << 30),
            unique_id=SHARED if kind == "shared" else None,
        )
        chip.power(False, 0.0)
        return Board("ABCD"[index], chip, part, honest=kind != "larger")

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
        except ViolationError:
            raise
        except (Exception, KilledError, KeyboardInterrupt) as error:
            run.error = error
        self._end(session, descriptors)
        self.under_way.remove(run)
        self.say(
            f"{board.name} {order.request.verb} {_spans(order.request)} "
            f"{'yes' if order.yes else 'no'}{' waived' if order.request.waived else ''}"
            f"{' typed' if order.typed else ''} "
            f"{[str(each) for each in events]} → {_outcome(run)}"
        )
        if self.violation is not None:
            raise self.violation
        if run.result is UNVERIFIED and not events and board.honest and board.pending is None:
            raise ViolationError(f"an undisturbed backup of {board.name} was not verified")
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
    def _opened(self, session: Session) -> Iterator[Any]:
        board = session.board
        session.run.look(board)
        session.bench = make_bench(
            board.chip,
            clip=lambda wired: session.noise,
            faults=UsbFaults(on_transfer=session.transfer),
            clock=self.clock,
        )
        session.clip.put_on(board.chip, self.clock.now())
        self.clock.advance(0.1)
        bus = open_bench_bus(session.bench, "machine")
        try:
            yield bus
        finally:
            if not (session.killed or self.dead):
                bus.close()

    def _carry_out(self, session: Session, order: Order) -> object:
        request, verb = order.request, order.request.verb
        how = WriteOptions(
            without_backup=request.waived,
            backup=order.backup,
            verify=Verify.ALL if order.whole else Verify.CHANGED,
        )
        image = Image("image", request.image)
        if verb == "restore":
            parts = tuple((low - request.at, high - request.at) for low, high in request.parts)
            if parts != ((0, len(request.image)),):
                image = Image("image", request.image, parts=parts)
        ask = lambda work: session.ask(order.yes)  # noqa: E731
        if order.typed:
            return self._typed(session, order)
        known = small(session.board.part, self.size)[1]
        with self._opened(session) as bus, connected(bus, known, CLOCK) as on_it:
            if verb == "backup":
                made = back_up(on_it, self.shelf, Unwatched(), board=session.board.name)
                return made if made.record.verified else UNVERIFIED
            if verb == "verify":
                return verify(on_it, image, Unwatched(), at=request.at)
            if verb == "erase":
                ((low, high),) = request.parts
                return restore(
                    on_it,
                    self.shelf,
                    blank(on_it, low, high - low),
                    Unwatched(),
                    replace(how, at=low),
                    agree=ask,
                )
            return restore(
                on_it,
                self.shelf,
                image if verb == "restore" else None,
                Unwatched(),
                replace(how, at=request.at, undo=verb == "undo"),
                agree=ask,
            )

    def _typed(self, session: Session, order: Order) -> object:
        """The same as a command line, up to the exit status; raises the error that was shown."""
        request, shown = order.request, []
        words = [request.verb, "--adapter", "sim:machine", "--shelf", str(self.shelf.root)]
        if request.verb in ("resume", "undo"):
            words[0:1] = ["restore", f"--{request.verb}"]
        if request.verb in ("verify", "restore"):
            image = self.root / "image.bin"
            image.write_bytes(request.image)
            words.append(str(image))
        if request.verb == "erase":
            words += ["--length", str(request.parts[0][1] - request.at)]
        whole = ((request.at, request.at + len(request.image)),)
        if request.verb == "restore" and request.parts != whole:
            for low, high in request.parts:
                words += ["--region", f"{low:#x}+{high - low:#x}"]
        if request.at:
            words += ["--at", f"{request.at:#x}"]
        if request.verb in ("restore", "erase"):
            words += ["--without-backup"] * request.waived
            words += ["--backup", str(order.backup)] if order.backup else []
            words += ["--verify", "all"] * order.whole
        if request.verb == "backup":
            words += ["--board", session.board.name]
        with contextlib.ExitStack() as stack, self._opened(session) as bus:
            for place, name, instead in (
                (connection, "open_bus", lambda url, pins: bus),
                (
                    connection,
                    "identify_chip",
                    lambda *_, **__: small(session.board.part, self.size)[1],
                ),
                (changing, "consent", lambda work, **_: session.ask(order.yes)),
                (cli, "show_error", lambda error, **_: shown.append(error)),
            ):
                stack.enter_context(mock.patch.object(place, name, instead))
            for redirect in (contextlib.redirect_stdout, contextlib.redirect_stderr):
                stack.enter_context(redirect(io.StringIO()))
            status = cli.run([*words, "--clock", "30M"])
        self.tally["typed"] += 1
        if request.verb == "backup" and status == UnstableReadError.status and not shown:
            # The set is kept, and is called not verified.
            return UNVERIFIED
        if status != (shown[0].status if shown else 0):
            raise ViolationError(f"exit status {status} after {shown}")
        if shown:
            if type(shown[0]) is SpiflashError:  # what else was raised, in words
                raise ViolationError(str(shown[0]))
            raise shown[0]
        return None

    # -- what else happens -------------------------------------------------------------------

    def settings(self, board: Board) -> tuple[int, int]:
        """The board runs and writes some bytes of its settings; where, and how many."""
        at = self.own_at - 4096 + self.rng.randrange(4000)
        data = self.rng.randbytes(self.rng.randint(1, 96))
        board.writes(at, data)
        self.tally["settings written"] += 1
        return at, len(data)

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
            # What it did to a board that was on this clip before is not this command's doing.
            if board.name in session.run.first:
                session.run.first[board.name] = board.cells
                session.run.settled[board.name] = bytes(board.settled)
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
            board.settle()
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
