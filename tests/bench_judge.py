"""The judge of the bench machine: what a command may say and do, from the chips' own cells.

It sees the memory arrays, the shelf's files and what a command said; it reads neither chips nor
sets with the program's code (a set is a bag as RFC 8493 has it, a journal's `state.json` lists
ranges, and both are taken apart here with `json` and `hashlib`).

What it holds of each board: `settled`, the bytes that the board should hold where no command is
under way (what it came with, what it wrote itself, what commands that succeeded wrote), and
`pending`, the request of a command that was cut after it may have begun to write. From these:

* success means that one board that was on the clip holds every byte of the request, and beside
  it what it held before; no other board has changed;
* the settled bytes that a command overwrote are in a set or a journal, at their address, for
  ever after, unless a person waived the backup and named the range;
* a set called verified holds what one board held at a moment of the run, under that board's ID;
* what is refused, or declined, has changed nothing; sets never change or vanish;
* nothing is raised but errors of `spiflash.errors`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from hwmocks.nor.chip import NorChip

SECTOR = 4096
UNTOUCHED = ("Nothing has been erased or written", "only read")
"""Words of an error's `state` that promise an unchanged chip."""

Mask = npt.NDArray[np.bool_]


class ViolationError(AssertionError):
    """An invariant does not hold."""


@dataclass(frozen=True)
class Request:
    """What a person wants. `parts` are the (start, end) address ranges that are to become
    `image[start - at : end - at]`; a person who says `waived` does without a backup of them."""

    verb: str
    image: bytes = b""
    at: int = 0
    parts: tuple[tuple[int, int], ...] = ()
    waived: bool = False

    def on(self, base: bytes) -> bytes:
        """`base`, with the request fulfilled."""
        made = bytearray(base)
        for start, end in self.parts:
            made[start:end] = self.image[start - self.at : end - self.at]
        return bytes(made)


@dataclass(eq=False)
class Board:
    """One board, and what the judge knows of it."""

    name: str
    chip: NorChip
    part: str
    honest: bool = True
    """The chip does what its table says."""
    settled: bytearray = field(init=False)
    pending: Request | None = None
    earlier: list[Request] = field(default_factory=list)
    """Requests that were pending before it: a process that is killed while it puts its journal
    away has done its work."""
    perhaps: list[Request] = field(default_factory=list)
    """Requests that were killed before they changed the chip, while another was pending in the same
    way: of at most one of them the journal reached the disk."""
    touched: set[int] = field(default_factory=set)
    """Addresses of what the board itself wrote while a command was pending."""

    def __post_init__(self) -> None:
        self.settled = bytearray(self.chip.contents)

    @property
    def cells(self) -> bytes:
        return bytes(self.chip.contents)

    @property
    def id(self) -> str | None:
        known = self.chip.unique_id
        return known.hex() if known and set(known) != {0xFF} else None

    def settle(self) -> None:
        """What the board holds is what it should hold."""
        self.settled[:] = self.cells
        self.pending = None
        self.earlier.clear()
        self.perhaps.clear()
        self.touched.clear()

    def perhaps_begun(self, request: Request) -> None:
        """A command ended before it changed the chip: its journal may be there, or may not."""
        if self.pending is None:
            self.pending = request
        elif self.pending != request and request.verb not in ("resume", "undo"):
            self.perhaps.append(request)

    def leave(self, request: Request) -> None:
        """A command was cut. An undo or a resume that is cut leaves the request that was."""
        if self.pending is not None and request.verb in ("resume", "undo"):
            return
        if self.pending is not None and self.pending != request:
            self.earlier.append(self.pending)
        self.pending = request

    def writes(self, at: int, data: bytes) -> None:
        """The board's own processor writes its settings."""
        self.chip.contents[at : at + len(data)] = data
        self.settled[at : at + len(data)] = data
        if self.pending is not None:
            self.touched.update(range(at, at + len(data)))


@dataclass(frozen=True)
class Debt:
    """Bytes of one sector that a command overwrote, and that must be found somewhere."""

    board: str
    at: int
    data: bytes
    mask: bytes
    command: str

    def paid_by(self, held: bytes) -> bool:
        ours, theirs = np.frombuffer(self.data, np.uint8), np.frombuffer(held, np.uint8)
        wanted = np.frombuffer(self.mask, np.bool_)
        return len(theirs) == SECTOR and bool((ours[wanted] == theirs[wanted]).all())


@dataclass
class Run:
    """One command from its beginning to its end, as the judge saw it. `moments` are the cells of
    each board that was on the clip, each time before something changed them from outside;
    `asked` is the board on the clip when the person said yes."""

    request: Request
    moments: list[tuple[Board, bytes]] = field(default_factory=list)
    asked: Board | None = None
    answered: bool | None = None
    settled: dict[str, bytes] = field(default_factory=dict)
    first: dict[str, bytes] = field(default_factory=dict)
    last: Board | None = None
    error: BaseException | None = None
    result: object = None
    notes: list[str] = field(default_factory=list)
    unseen: set[int] = field(default_factory=set)
    """Addresses that the board wrote itself while the command was reading. What it writes behind
    the reading, into a sector that is right and stays, no command sees: only what is written is
    read back. Bytes that it overwrites have to be kept all the same."""

    def look(self, board: Board) -> None:
        """Before a disturbance, and at the beginning and the end."""
        cells = board.cells
        if not self.moments or self.moments[-1] != (board, cells):
            self.moments.append((board, cells))
        self.first.setdefault(board.name, cells)
        self.settled.setdefault(board.name, bytes(board.settled))
        self.last = board


class Judge:
    """Holds the books of one bench: boards by name, and one shelf."""

    def __init__(self, boards: dict[str, Board], shelf: Path) -> None:
        self.boards = boards
        self.shelf = shelf
        self.debts: list[Debt] = []
        self.sets: dict[Path, tuple[str, bytes]] = {}
        """Whole sets by folder: digest of all files, contents."""

    # -- the shelf ---------------------------------------------------------------------------

    def whole_sets(self) -> dict[Path, tuple[str, bytes]]:
        """Every set on the shelf that its own manifests call whole."""
        found = {}
        for path in sorted(self.shelf.iterdir()) if self.shelf.is_dir() else ():
            if path.is_dir() and not path.name.startswith(".") and path.name != "journals":
                whole = _whole_bag(path)
                if whole is not None:
                    found[path] = whole
        return found

    def journals(self) -> Iterator[dict[int, list[bytes]]]:
        """What each whole journal keeps: by sector address, before and after."""
        folder = self.shelf / "journals"
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            # What has ended but is kept is put aside under a hidden name.
            if not path.name.startswith(".") or path.name.startswith(".ended-"):
                kept = _kept_by(path)
                if kept:
                    yield kept

    def owed(self) -> list[Debt]:
        """Debts that nothing pays any longer."""
        contents = {data for _, data in self.whole_sets().values()}
        journals = list(self.journals())
        unpaid = []
        for debt in self.debts:
            places = [data[debt.at : debt.at + SECTOR] for data in contents]
            places += [each for kept in journals for each in kept.get(debt.at, ())]
            places.append(self.boards[debt.board].cells[debt.at : debt.at + SECTOR])
            if not any(debt.paid_by(each) for each in places):
                unpaid.append(debt)
        return unpaid

    def forgive(self) -> None:
        """The shelf was damaged by other hands: what only that kept is not held against anybody."""
        unpaid = set(self.owed())
        self.debts = [each for each in self.debts if each not in unpaid]
        self.sets = self.whole_sets()

    # -- a command ---------------------------------------------------------------------------

    def judge(self, run: Run, others: Sequence[Run] = ()) -> None:
        """Raise `ViolationError` for what must not be; else bring the books up to date. `others`
        are commands of other programs that are still under way."""
        changed = [
            board
            for board in self.boards.values()
            if board.name in run.first and self._changed(run, board)
        ]
        self._raised(run, changed)
        self._new_sets(run, others)
        if len(changed) > 1:
            names = " and ".join(board.name for board in changed)
            raise ViolationError(f"one command changed {names}")
        for board in changed:
            if run.asked is not board:
                asked = run.asked.name if run.asked else "nobody"
                raise ViolationError(f"{board.name} was changed, {asked} was asked about")
            self._incur(run, board)
        if run.error is None and run.request.verb not in ("backup", "verify"):
            self._succeeded(run)
        else:
            for board in changed:
                board.leave(run.request)
            if run.asked is not None and run.answered and not changed:
                run.asked.perhaps_begun(run.request)
        unpaid = self.owed()
        if unpaid:
            one = unpaid[0]
            raise ViolationError(
                f"{len(unpaid)} sectors of {one.board} are lost, the first at {one.at:#x} "
                f"({one.command})"
            )

    def _changed(self, run: Run, board: Board) -> bool:
        """Whether anybody but the board itself changed its cells."""
        now, without = (
            np.frombuffer(each, np.uint8) for each in (board.cells, self._without(run, board))
        )
        # What it writes while work is pending may be what should have been there anyway.
        return bool(set(np.flatnonzero(now != without).tolist()) - board.touched)

    def _without(self, run: Run, board: Board) -> bytes:
        """The board's cells at the start, and what it wrote itself since."""
        return _followed(run.first[board.name], run.settled[board.name], bytes(board.settled))

    def _raised(self, run: Run, changed: list[Board]) -> None:
        error = run.error
        if error is None:
            return
        if type(error).__module__ != "spiflash.errors" and not isinstance(
            error, KeyboardInterrupt | SystemExit
        ):
            if type(error).__name__ != "KilledError":
                raise ViolationError(f"{type(error).__name__} was raised: {error}") from error
            return
        state = str(getattr(error, "state", ""))
        if changed and any(words in state for words in UNTOUCHED):
            raise ViolationError(f"{changed[0].name} was changed, and it says “{error}”")
        if changed and run.answered is False:
            raise ViolationError(f"{changed[0].name} was changed although the person said no")

    def _new_sets(self, run: Run, others: Sequence[Run]) -> None:
        now = self.whole_sets()
        for path, (digest, _) in self.sets.items():
            if path not in now or now[path][0] != digest:
                raise ViolationError(f"the set {path.name} was changed or is gone")
        for path in now.keys() - self.sets.keys():
            record = json.loads((path / "data" / "record.json").read_bytes())
            if not record["verified"]:
                continue
            contents, known = now[path][1], record["chip"]["unique_id"]
            moments = [moment for each in (run, *others) for moment in each.moments]
            held = [board for board, cells in moments if cells == contents]
            if not held:
                raise ViolationError(f"{path.name} is verified and is what no board held")
            if all(board.id != known for board in held):
                raise ViolationError(f"{path.name} has the unique ID of another board")
        self.sets = now
        equal = run.request.verb == "verify" and getattr(run.result, "equal", False)
        if equal and not any(run.request.on(cells) == cells for _, cells in run.moments):
            raise ViolationError("verify says equal, and no board held the image")

    def _incur(self, run: Run, board: Board) -> None:
        """Write down what this command overwrote."""
        first, cells = self._without(run, board), board.cells
        # What another command had left half done is nobody's only copy.
        settled = np.frombuffer(first, np.uint8) == np.frombuffer(bytes(board.settled), np.uint8)
        # A person's word for a command holds for whatever finishes it.
        for request in (run.request, board.pending):
            if request is not None and request.waived:
                for start, end in request.parts:
                    settled[start:end] = False
        for at in range(0, len(cells), SECTOR):
            end = at + SECTOR
            mask = settled[at:end]
            if first[at:end] != cells[at:end] and mask.any():
                self.debts.append(
                    Debt(board.name, at, first[at:end], mask.tobytes(), run.request.verb)
                )

    def _succeeded(self, run: Run) -> None:
        problems = []
        for board in dict.fromkeys(board for board, _ in run.moments):
            problem = self._wrong(run, board)
            if not problem:
                board.settle()
                return
            problems.append(problem)
        raise ViolationError(f"success, but {'; '.join(problems)}")

    def _wrong(self, run: Run, board: Board) -> str:
        """Why the command's success is not true of this board; empty when it is."""
        finished = board.perhaps if run.request.verb == "resume" else ()
        for pending in (board.pending, *finished):
            if not (problem := self._wrong_after(run, board, pending)):
                return ""
        return problem

    def _wrong_after(self, run: Run, board: Board, pending: Request | None) -> str:
        """The same, where `pending` was the work to be finished or undone."""
        request = run.request
        base = bytes(board.settled)
        if board.cells == self._without(run, board) and any(
            each is board and cells == request.on(cells) for each, cells in run.moments
        ):
            return ""  # nothing was to be done; what the board wrote after that is its own affair
        choices = [base]
        if request.verb in ("resume", "undo"):
            if pending is None:
                return "" if board.cells == base else f"{board.name} had nothing pending"
            if request.verb == "resume":
                choices = [pending.on(base)]
                request = pending
            else:
                request = Request("undo")
        elif pending is not None:
            choices.append(pending.on(base))
        choices += [each.on(base) for each in board.earlier]
        cells = np.frombuffer(board.cells, np.uint8)
        wanted = np.zeros(len(cells), np.bool_)
        for start, end in request.parts:
            wanted[start:end] = True
        right = cells == np.frombuffer(request.on(base), np.uint8)
        for at in run.unseen:
            right[at] |= cells[at] == base[at]
        outside = np.zeros(len(cells), np.bool_)
        for choice in choices:
            outside |= cells == np.frombuffer(choice, np.uint8)
        # Where the board wrote while a command was pending, both have a right to be there.
        for at in board.touched:
            outside[at] = True
        bad = np.flatnonzero(np.where(wanted, ~right, ~outside))
        if not len(bad):
            return ""
        inside = int((wanted & ~right).sum())
        return (
            f"{board.name} has {len(bad)} bytes wrong, {inside} of them in the request, the first "
            f"at {int(bad[0]):#x}"
        )


def _followed(cells: bytes, before: bytes, after: bytes) -> bytes:
    """`cells`, with what `after` changed of `before`."""
    if before == after:
        return cells
    now, old, new = (np.frombuffer(each, np.uint8) for each in (cells, before, after))
    return np.where(old != new, new, now).astype(np.uint8).tobytes()


def _whole_bag(path: Path) -> tuple[str, bytes] | None:
    """Digest of the tag manifest and the contents of a bag whose files are as its manifests say."""
    try:
        for manifest in ("tagmanifest-sha256.txt", "manifest-sha256.txt"):
            for line in (path / manifest).read_text().splitlines():
                digest, name = line.split(maxsplit=1)
                if hashlib.sha256((path / name).read_bytes()).hexdigest() != digest:
                    return None
        contents = (path / "data" / "flash.bin").read_bytes()
        return hashlib.sha256((path / "tagmanifest-sha256.txt").read_bytes()).hexdigest(), contents
    except (OSError, ValueError):
        return None


def _kept_by(path: Path) -> dict[int, list[bytes]]:
    """What a journal keeps; nothing when it is not whole."""
    kept: dict[int, list[bytes]] = {}
    try:
        state = json.loads((path / "state.json").read_bytes())
        for name in ("before", "after"):
            data = (path / f"{name}.bin").read_bytes()
            if hashlib.sha256(data).hexdigest() != state[f"{name}_sha256"]:
                return {}
            if len(data) == state["size"]:  # the whole chip, since version 2
                for at in range(0, len(data), SECTOR):
                    kept.setdefault(at, []).append(data[at : at + SECTOR])
                continue
            at = 0
            for each in state["ranges"]:
                for start in range(each["start"], each["start"] + each["length"], SECTOR):
                    kept.setdefault(start, []).append(data[at : at + SECTOR])
                    at += SECTOR
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return kept
