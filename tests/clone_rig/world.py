"""A cloning bench that can be worked at random, and a judge that asks the program nothing.

Boards are simulated chips of 128 KiB, some with a unique ID, some sharing one, some without; some
hold the same as another. The judge looks at the chips' cells, at the ledger's tables by plain SQL
and at the shelf's files, and computes with `zlib` and `hashlib` what a board is to hold. After each
step it holds that

* no identity is on two boards of which the program has written to one and called the other good,
  or written to both;
* a row that says PASS is true of the cells of the board that was on the clip, byte for byte, and
  one that says "not touched" of a board whose cells are what they were;
* of every board that was changed, what it held before is in a set on the shelf;
* a value that was given is on its board, or its board is in hand: none is lost.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import sqlalchemy as sa

from hwmocks.bench import Bench, make_bench
from hwmocks.clip import Clip
from hwmocks.clock import VirtualClock
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger import claims as ledger_claims
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.archive.shelf import Shelf
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import SpiflashError
from spiflash.jobs import Unwatched
from spiflash.jobs.clone import Job
from spiflash.jobs.clone.board import clone_board
from spiflash.jobs.clone.context import Context, SkippedError, Worker
from spiflash.jobs.clone.job_file import load_job
from spiflash.nor.identify import chip_table
from tests.clone_rig.small_boards import (
    JOBS,
    KINDS,
    SAME,
    SHARED,
    SIZE,
    TEXT,
    expected,
    factory,
    image,
    values_in,
)
from tests.job_rig import small

GONE = 1 << 30
"""Number of a process that there cannot be."""


class ViolationError(AssertionError):
    """A property does not hold."""


class KilledError(BaseException):
    """The process is gone: nothing that it does from now on reaches chip or ledger."""


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@dataclass
class Board:
    """One board: `first` is what it came with, `held` each thing that it held before the program
    changed it; `written` whether that has happened; `good` whether its newest row says PASS."""

    name: str
    chip: NorChip
    part: str
    first: bytes
    held: list[bytes] = field(default_factory=list)
    written: bool = False
    good: bool = False

    @property
    def cells(self) -> bytes:
        """What it holds."""
        return bytes(self.chip.contents)


@dataclass(frozen=True)
class Event:
    """What happens in the middle of the work: `kind` is "kill", "ctrl-c", "unplug", "power",
    "swap" or "server" at USB transfer number `after`, counted from the first change of the chip
    when `written`; or "kill ledger" at so many transactions, before or after it is carried out."""

    kind: str
    after: int = 0
    written: bool = False
    board: int = 0


@dataclass
class World:
    """A bench, its ledger and its boards."""

    folder: Path
    where: str
    boards: list[Board]
    restart: Callable[[], None] = lambda: None
    tally: Counter[str] = field(default_factory=Counter)
    story: list[str] = field(default_factory=list)
    clock: VirtualClock = field(default_factory=VirtualClock)
    later: float = 0.0
    dead: bool = False

    @classmethod
    def new(cls, folder: Path, where: str, kinds: list[tuple[str, bool]], **more: Any) -> World:
        """`kinds` are pairs: a key of KINDS, and whether the board holds the same as the first."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "open.bin").write_bytes(image())
        for name, words in JOBS.items():
            text = TEXT.format(name=name, **words, **SAME)
            (folder / f"{name}.toml").write_text(text)
        boards = []
        for i, (kind, same) in enumerate(kinds):
            # Every third board came with an address that the jobs' ranges cover, too.
            first = factory(0, 0x10) if same else factory(i, 0x82 + i if i % 3 == 2 else 0x10 + i)
            description = small(KINDS[kind], SIZE)[0]
            shared = SHARED if kind == "shared" else None
            chip = NorChip(description, first, seed=100 + i, unique_id=shared)
            chip.power(False, 0.0)
            name = f"{i} ({kind}{', same' if same else ''})"
            boards.append(Board(name, chip, KINDS[kind], first))
        return cls(folder, where, boards, **more)

    # -- one board on the clip -------------------------------------------------------------

    def work(
        self,
        board: Board,
        job: str = "first",
        event: Event | None = None,
        *,
        bench: str = "a",
        again: bool = False,
        person: bool = False,
        far: bool = False,
    ) -> BoardRecord | Exception | None:
        """Put a board on the clip, have the job work on it, and judge what came of it. `person`
        tells whether somebody is there who knows the boards apart; `far` whether the bench is
        on another computer."""
        self.tally["boards"] += 1
        session = _Session(self, board, event)
        before = {each.name: each.cells for each in self.boards}
        rows = len(self.rows())
        outcome: BoardRecord | Exception | None = None
        killed = False
        try:
            with self._process(session, far=far) as ledger:
                context = Context(
                    self.job(job),
                    ledger,
                    Shelf(self.folder / "shelf"),
                    chip_table(),
                    bench,
                    lambda chip: (),
                    None,
                    lambda station, record: again,
                    lambda station, name, backup: person and self.is_it(session.board, backup),
                    ceiling=30e6,
                )
                with session.bus() as bus:
                    outcome = clone_board(bus, context, Worker("1", Unwatched(), lambda text: None))
        except KilledError:
            killed = True
        except KeyboardInterrupt:
            pass
        except (SkippedError, SpiflashError) as error:
            outcome = error
        session.end()
        self.dead = False
        self._note_sets(session.board)
        self.tally["kills"] += killed
        text = outcome if isinstance(outcome, Exception) else outcome and outcome.result
        reason = outcome.reason if isinstance(outcome, BoardRecord) else ""
        self.story.append(f"{board.name} {job} {event} again={again} far={far} → {text} {reason}")
        new = self.rows()[rows:]
        try:
            self.judge(session, job, before, new)
        except ViolationError as error:
            raise ViolationError("\n".join([*self.story, str(error)])) from error
        return outcome

    def job(self, name: str) -> Job:
        """A job, read once a world."""
        return load_job(self.folder / f"{name}.toml")

    def is_it(self, board: Board, backup: str) -> bool:
        """What somebody knows who has looked at the stickers: whose backup that is."""
        return Path(backup).name in self.backups.get(board.name, set())

    backups: dict[str, set[str]] = field(default_factory=dict)

    def _note_sets(self, board: Board) -> None:
        """Sets that nobody has noted are of the board on the clip: called before it is exchanged
        and when the work has ended, since only the moment tells twins apart."""
        noted = set().union(*self.backups.values())
        self.backups.setdefault(board.name, set()).update(self.names() - noted)

    @contextmanager
    def _process(self, session: _Session, *, far: bool) -> Iterator[Ledger]:
        """One run of the program, as far as the ledger can tell."""
        number = GONE if session.event else ledger_claims.os.getpid()
        chips = {part: small(part, SIZE)[1] for part in KINDS.values()}
        computer = ledger_claims._computer()
        with (
            mock.patch.object(
                ledger_claims,
                "_myself",
                lambda bench: json.dumps(
                    {"bench": bench, "computer": "far" if far else computer, "process": number}
                ),
            ),
            mock.patch.object(ledger_claims, "now", self._now(ledger_claims.now)),
            mock.patch(
                "spiflash.jobs.clone.board.identify_chip", return_value=chips[session.board.part]
            ),
        ):
            ledger = Ledger(self.where)
            step = ledger.store._patiently

            def counted(wanted: Any) -> Any:
                session.transaction(before=True)
                found = step(wanted)
                session.transaction(before=False)
                return found

            ledger.store._patiently = counted  # type: ignore[method-assign]
            try:
                yield ledger
            finally:
                ledger.claims.close()
                ledger.store.close()

    def _now(self, real: Callable[[Any], float]) -> Callable[[Any], float]:
        return lambda connection: real(connection) + self.later

    # -- what there is, by other means -----------------------------------------------------

    def query(self, text: str) -> list[Any]:
        """Rows of the ledger's tables by plain SQL."""
        if "://" not in self.where and not Path(self.where).exists():
            return []  # opening it would make it
        url = self.where if "://" in self.where else f"sqlite:///{self.where}"
        engine = sa.create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
        try:
            with engine.connect() as connection:
                return list(connection.execute(sa.text(text)))
        except sa.exc.SQLAlchemyError:
            if self.tally["boards"] > 1:
                raise
            return []  # no ledger yet
        finally:
            engine.dispose()

    def rows(self) -> list[dict[str, Any]]:
        """What the rows say."""
        return [json.loads(each[0]) for each in
                self.query("select body from ledger_rows order by number")]  # fmt: skip

    def names(self) -> set[str]:
        """The sets on the shelf."""
        return {path.parts[-3] for path in (self.folder / "shelf").glob("*/data/flash.bin")}

    def sets(self) -> set[bytes]:
        """What the sets on the shelf hold."""
        return {path.read_bytes() for path in (self.folder / "shelf").glob("*/data/flash.bin")}

    # -- the judge -------------------------------------------------------------------------

    def judge(
        self,
        session: _Session,
        job: str,
        before: dict[str, bytes],
        rows: list[dict[str, Any]],
    ) -> None:
        """Raise `ViolationError` for what must not be."""
        for board in self.boards:
            if board.cells != before[board.name]:
                if board not in session.seen:
                    raise ViolationError(f"{board.name} was never on the clip, and has changed")
                if not board.written or board.good:
                    board.held.append(before[board.name])
                board.written, board.good = True, False
        for row in rows:
            self._true_row(session, job, before, row)
        self._backups()
        self._identities()
        self._values()

    def _true_row(
        self, session: _Session, job: str, before: dict[str, bytes], row: dict[str, Any]
    ) -> None:
        if row["result"] == "PASS":
            self.tally["good"] += 1
            # One that was exchanged before it was read is another board from the start.
            held = [each for each in session.seen if _sha256(each.cells) == row["after_sha256"]]
            board = (held or session.seen)[0]
            candidates = (*board.held, board.first, before[board.name])
            own = [each for each in candidates if _sha256(each) == row["before_sha256"]]
            if _sha256(board.cells) != row["after_sha256"] or not own:
                raise ViolationError(f"PASS is not true of {board.name}")
            if board.cells != expected(own[0], job, row["values"]):
                raise ViolationError(f"{board.name} does not hold what it should")
            board.good = True
        elif not row["touched"] and any(each.cells != before[each.name] for each in session.seen):
            raise ViolationError("a row says that nothing was written")

    def _backups(self) -> None:
        kept = self.sets()
        for board in self.boards:
            for each in board.held:
                if each not in kept:
                    raise ViolationError(f"what {board.name} held before is in no set")

    def carried(self) -> dict[str, list[str]]:
        """The boards on which a value counts: it got there by this program, or the board is
        good."""
        found: dict[str, list[str]] = {}
        for board in self.boards:
            if board.good or board.written:
                came = frozenset() if board.good else values_in(board.first)
                here = values_in(board.cells) - came
                for text in here:
                    found.setdefault(text, []).append(board.name)
        return found

    def _identities(self) -> None:
        for text, names in self.carried().items():
            if len(names) > 1:
                raise ViolationError(f"{text} is on {' and '.join(names)}")

    def _values(self) -> None:
        in_hand = {each[0] for each in self.query("select key from boards_in_hand")}
        newest: dict[str, dict[str, Any]] = {}
        for row in self.rows():
            if row["result"] == "PASS":
                newest[row["key"]] = row
        owned = self.query("select text, key, state from identities")
        owner = {text.lower(): key for text, key, _ in owned}
        for key, row in newest.items():
            for text in row["values"].values():
                if owner.get(text.lower()) != key:
                    raise ViolationError(f"{text} of a good board is not noted as its own")
        for text, key, state in owned:
            if state in ("reserved", "written") and key not in in_hand:
                row = newest.get(key, {"values": {}})
                if text.lower() not in {each.lower() for each in row["values"].values()}:
                    raise ViolationError(f"{text} is lost: {key} does not have it")
        for text in self.carried():
            if text.lower() not in owner:
                raise ViolationError(f"{text} is on a board and to be had by another")


@dataclass
class _Session:
    """One board on the clip, and what is to happen."""

    world: World
    board: Board
    event: Event | None
    bench: Bench | None = None
    clip: Clip = field(default_factory=Clip)
    seen: list[Board] = field(default_factory=list)
    count: int = 0
    transactions: int = 0
    first: bytes = b""
    inside: bool = False

    @contextmanager
    def bus(self) -> Iterator[Any]:
        """The adapter, with the board on its clip."""
        self.seen.append(self.board)
        self.first = self.board.cells
        self.bench = make_bench(
            self.board.chip,
            clip=lambda wired: self.clip,
            faults=UsbFaults(on_transfer=self.transfer),
            clock=self.world.clock,
        )
        self.clip.put_on(self.board.chip, self.world.clock.now())
        self.world.clock.advance(0.1)
        bus = open_bench_bus(self.bench, "machine")
        try:
            yield bus
        finally:
            if not self.world.dead:
                try:
                    bus.close()
                except SpiflashError:
                    self.bench.put_away()

    def end(self) -> None:
        """The board comes off."""
        self.clip.take_off(self.world.clock.now())
        self.world.clock.advance(10.0)

    def transaction(self, *, before: bool) -> None:
        """Called around every transaction of the ledger."""
        if self.world.dead:
            raise KilledError
        event = self.event
        if event is not None and event.kind == "kill ledger" and event.written != before:
            self.transactions += 1
            if self.transactions == event.after + 1:
                self.world.dead = True
                raise KilledError

    def transfer(self, number: int) -> None:
        """Called at every USB transfer."""
        if self.world.dead:
            raise KilledError
        event = self.event
        if event is None or self.inside or event.kind == "kill ledger":
            return
        if event.written and self.board.cells == self.first:
            return
        self.count += 1
        if self.count == event.after + 1:
            self.inside = True
            self._happen(event)
            self.inside = False

    def _happen(self, event: Event) -> None:
        world, bench = self.world, self.bench
        assert bench is not None
        world.tally["events"] += 1
        now = world.clock.now()
        match event.kind:
            case "kill":
                world.dead = True
                raise KilledError
            case "ctrl-c":
                raise KeyboardInterrupt
            case "unplug":
                bench.device.unplug()
            case "power":
                self.clip.take_off(now)
                bench.device.unplug()
            case "server":
                world.restart()
            case "swap":
                world._note_sets(self.board)
                others = [each for each in world.boards if each is not self.board]
                self.board = others[event.board % len(others)]
                self.seen.append(self.board)
                world.tally["swaps"] += 1
                self.clip.swap(self.board.chip, now, (0.5, 1.5, 3.0)[event.board % 3])


def settle(world: World) -> None:
    """Put every board on again, with somebody there who knows them, until nothing changes; a
    board that is refused has been told why."""
    world.later += 2 * ledger_claims.LEASE
    for board in world.boards:
        for _ in range(2):
            outcome = world.work(board, again=False, person=True)
            if not isinstance(outcome, BoardRecord):
                break
    waiting = world.query("select key from boards_in_hand where written = 1")
    half = [each for each in world.boards if each.written and not each.good]
    if len(waiting) > len(half) + len(world.boards):
        raise ViolationError("boards in hand that nobody has")
