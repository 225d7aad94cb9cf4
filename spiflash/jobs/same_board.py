"""Whether the board on the clip is still the one that the work began with.

A clip is moved while nobody looks: between two passes, while a question is open, during a write.
Asking the chip for its ID does not settle it. Most boards of a batch carry the same part, half of
all parts have no unique ID, and copied chips share one. The rules:

* a check asks for ID, SFDP and unique ID, **and** reads places whose contents are known: drawn
  afresh every time, preferring those that differ from board to board;
* what tells boards apart mostly stands alone: addresses, serial numbers, settings and calibration
  fill little of a sector, where code and file systems fill theirs (common practice, no source).
  Such pages are preferred;
* one wrong bit proves nothing: a place that differs is read again, slowly, and only a bit that is
  different every time counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from spiflash.bus import Sampling
from spiflash.errors import ChipMismatchError, UnstableReadError
from spiflash.jobs import DRAW
from spiflash.jobs.connection import Connection, known_answers
from spiflash.nor import commands
from spiflash.nor.probe import PROBE_CLOCK, read_unique_id, unique_id_order
from spiflash.spans import SECTOR, Span
from spiflash.text import hex_pairs

PAGE = 256
"""Bytes of one place."""

PLACES = 16
"""Places of a usual look: at 15 MHz some 2 ms on the wires."""

ALL_TELLING = 128
"""Places of a thorough look that are likely to differ between boards, at most."""

ISLAND = SECTOR // PAGE // 2
"""Pages with contents, at most, of a sector that counts as telling boards apart."""

AGAIN = 7
"""Readings that must all have a bit wrong before it counts. A cell that flips half of the time
passes for another board in one of 128 looks at it."""

NOISE = 3
"""Bits in which a place may differ from what only one pass has read."""

LOST = 0.25
"""Share of the places written by the work itself that may hold something else: so many commands
are not lost on wires that were tested."""

FAILING = 32
"""Bits of a place written by the work itself that may be wrong because cells are worn out: what
another board holds there differs in more."""

ENOUGH = 4
"""Places that the work has not touched and that hold what they held: with them it is this board,
whatever became of the others."""

PATTERN = 256
"""Bytes of SFDP, at most, that are compared with what is known."""

NEAR = 12
"""Bits by which a known answer may differ and still be the same chip on a bad contact."""

NOTHING_DONE = "Nothing has been changed on the board that is on the clip now."


def answers_known(connection: Connection) -> bool:
    """Whether the known answers come at the clock and edge that are set: at once, or twice in
    a row after a miss (a single bit error must not cost a pass)."""
    orders, wanted = known_answers(connection.chip.answers, PATTERN)
    if connection.bus.run(orders) == wanted:
        return True
    return all(connection.bus.run(orders) == wanted for _ in range(2))


def check_same_chip(connection: Connection) -> None:
    """Raise `ChipMismatchError` unless the chip gives the ID and SFDP it gave at first;
    `UnstableReadError` when they are nearly the same. A sister board passes: see `SameBoard`."""
    for _ in range(3):
        if answers_known(connection):
            return
    orders, known = known_answers(connection.chip.answers, PATTERN)
    answers = connection.bus.run(orders)
    wrong = [
        sum((a ^ b).bit_count() for a, b in zip(answer, right, strict=True))
        for answer, right in zip(answers, known, strict=True)
    ]
    if wrong[0] <= NEAR // 4 and sum(wrong) <= NEAR:
        raise UnstableReadError(
            f"The chip's ID and SFDP read with {sum(wrong)} wrong bits, even at a slow clock.",
            state="Nothing has been changed by this step.",
            remedy="Seat the clip again, shorten the leads, connect ground, then repeat.",
        )
    raise ChipMismatchError(
        f"The chip answered {hex_pairs(known[0])} at first and {hex_pairs(answers[0])} now.",
        state="Nothing has been changed by this step.",
        remedy="The clip has moved or the board's processor has started: seat the clip "
        "again, hold the processor in reset, then repeat.",
    )


@dataclass(frozen=True, slots=True)
class Look:
    """What a look at the board came to: how many `places` were compared, and how many of them are
    likely to differ between boards (`telling`). `status` is status register 1; `wrong` are
    addresses of places that this work itself has written and that do not hold it."""

    places: int
    telling: int
    status: int
    wrong: tuple[int, ...] = ()


class SameBoard:
    """Tells whether the board of a connection is still on its clip.

    Built when the connection is new, it knows the answers of the chip; of its contents it knows
    what it is told with `learn`. A look costs a few milliseconds.

        board = SameBoard(connection)
        first = take_pass(…)
        board.learn(first.contents, exact=False)
        board.check()                       # raises where another board is on the clip
    """

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._held = bytearray()
        self._known: npt.NDArray[np.bool_] = np.zeros(0, dtype=bool)
        self._written: npt.NDArray[np.bool_] = np.zeros(0, dtype=bool)
        self._telling: list[int] = []
        self._filled: list[int] = []
        self._noise = 0

    # -- what is known ---------------------------------------------------------------------

    def learn(self, contents: bytes, *, unsure: Iterable[int] = (), exact: bool = True) -> None:
        """The chip holds `contents`, all of it.

        Sectors that start at `unsure` are not relied on. `exact` is False for what only one pass
        has read: a few bits of a place may be wrong then.
        """
        self._held = bytearray(contents)
        self._noise = 0 if exact else NOISE
        pages = np.frombuffer(contents, np.uint8).reshape(-1, PAGE)
        filled = (pages != pages[:, :1]).any(axis=1)
        self._known = np.ones(len(pages), dtype=bool)
        self._written = np.zeros(len(pages), dtype=bool)
        for start in unsure:
            self.changes(start, start + SECTOR)
        by_sector = filled.reshape(-1, SECTOR // PAGE)
        alone = (by_sector & (by_sector.sum(axis=1) <= ISLAND)[:, None]).reshape(-1)
        self._telling = [int(page) for page in np.flatnonzero(alone)]
        self._filled = [int(page) for page in np.flatnonzero(filled & ~alone)]

    def changes(self, low: int, high: int) -> None:
        """What is held from `low` to `high` is about to change: it is not relied on."""
        self._known[low // PAGE : -(-high // PAGE)] = False

    def holds(self, start: int, data: bytes) -> None:
        """The pages that `data` covers whole, from address `start` on, hold it now."""
        self._held[start : start + len(data)] = data
        first, end = -(-start // PAGE), (start + len(data)) // PAGE
        self._known[first:end] = self._written[first:end] = True
        self._filled += [page for page in range(first, end) if not self._blank(page)]

    def programmed(self, start: int, data: bytes) -> None:
        """`data` was programmed from `start` on: bits have only been cleared."""
        end = start + len(data)
        old = np.frombuffer(bytes(self._held[start:end]), np.uint8)
        new = (old & np.frombuffer(data, np.uint8)).tobytes()
        self._held[start:end] = new
        first, last = start // PAGE, -(-end // PAGE)
        self._known[first:last] = self._written[first:last] = True
        self._filled += [page for page in range(first, last) if not self._blank(page)]

    def expected(self, page: int) -> bytes | None:
        """What the page at address `page` must hold; None where that is not relied on."""
        return self._page(page // PAGE) if self._known[page // PAGE] else None

    def vouching(self) -> int:
        """Pages with contents that are relied on and that this work has not written: what there is
        to tell this board from another by."""
        pages = np.flatnonzero(self._known & ~self._written).tolist()
        return sum(not self._blank(page) for page in pages)

    # -- looking ---------------------------------------------------------------------------

    def check(
        self,
        *,
        near: Sequence[Span] = (),
        places: int = PLACES,
        telling: int | None = None,
        state: str = NOTHING_DONE,
    ) -> Look:
        """Look whether it is still this board; what the look rests on.

        Half of the places are drawn from `near` where it is given: what an erase larger than
        believed would have taken. `telling` of them are likely to differ between boards, half when
        left out. Clock and edge are those that are set. The chip must not be
        busy. `state` says in the error what is safe.

        Raises `ChipMismatchError` when another board is on the clip or this one's contents have
        changed, `UnstableReadError` when only the contact has become bad.
        """
        pages = self._draw(places, places // 2 if telling is None else telling, near)
        status = self._status_if_right()
        if status is None:
            self._slowly(lambda: self._ask_again(state))
            status = self._connection.flash.status()
        wrong = [
            page
            for page, data in zip(pages, self._peek(pages), strict=True)
            if data != self._page(page)
        ]
        if wrong:
            self._slowly(lambda: self._accuse(wrong, pages, state))
        # Last, since it switches the address mode, and would bring back one that was lost.
        if self._asks_alone and self._unique_now() != self._connection.unique_id:
            self._slowly(lambda: self._ask_again(state))
        likely = set(self._telling)
        return Look(
            len(pages),
            sum(page in likely for page in pages),
            status,
            tuple(page * PAGE for page in wrong),
        )

    def check_thoroughly(self, *, state: str = NOTHING_DONE) -> Look:
        """The same at every place that is likely to differ between boards, as far as
        `ALL_TELLING` goes, and at some others."""
        telling = min(len(self._telling), ALL_TELLING)
        return self.check(places=telling + 2 * PLACES, telling=telling, state=state)

    def check_contents(self, start: int, found: bytes, *, state: str = NOTHING_DONE) -> None:
        """See that `found`, read from the page at `start` on, is what the chip must hold there, as
        far as that is relied on. Raises `ChipMismatchError` as `check` does."""
        first = start // PAGE
        pages = [at for at in range(first, first + len(found) // PAGE) if self._known[at]]
        wrong = [
            at
            for at in pages
            if found[(at - first) * PAGE : (at - first + 1) * PAGE] != self._page(at)
        ]
        if wrong:
            self._slowly(lambda: self._accuse(wrong, pages, state))

    def _draw(self, count: int, telling: int, near: Sequence[Span]) -> list[int]:
        """Pages whose contents are known, by rising address."""
        beside = [page for low, high in near for page in range(low // PAGE, -(-high // PAGE))]
        chosen: set[int] = set()
        # With contents first: a blank page tells little, though more than nothing.
        filled = [page for page in beside if not self._blank(page)]
        for pool, share in (
            (filled, count // 2 if near else 0),
            (self._telling, telling),
            (self._filled, count),
            (beside, count),
            (range(len(self._known)), count),
        ):
            goal = min(count, len(chosen) + share)
            for page in self._some(pool, 4 * share):
                if len(chosen) >= goal:
                    break
                if self._known[page]:
                    chosen.add(page)
        return sorted(chosen)

    def _some(self, pool: Sequence[int], count: int) -> Iterator[int]:
        """All of a small pool in any order, or `count` draws of a large one."""
        if len(pool) <= count:
            yield from DRAW.sample(pool, len(pool))
            return
        for _ in range(count):
            yield pool[DRAW.randrange(len(pool))]

    def _blank(self, page: int) -> bool:
        data = self._page(page)
        return data.count(data[:1]) == len(data)

    def _page(self, page: int) -> bytes:
        return bytes(self._held[page * PAGE : (page + 1) * PAGE])

    def _peek(self, pages: Sequence[int]) -> list[bytes]:
        starts = [page * PAGE for page in pages]
        return self._connection.flash.peek(starts, PAGE, self._connection.style)

    def _unique_now(self) -> bytes | None:
        with self._connection.flash.short_addresses():
            return read_unique_id(self._connection.bus, self._connection.chip)

    def _status_if_right(self) -> int | None:
        """The status register of a chip that gives its known answers; None of another one."""
        connection = self._connection
        asked, known = known_answers(connection.chip.answers, PATTERN)
        orders = [commands.read_status(), *asked]
        order = unique_id_order(connection.chip)
        # All in one exchange with the adapter where that can be: this goes on before every erase.
        alone = order is None or self._asks_alone
        if order is not None and not alone:
            orders.append(order)
        status, *answers = connection.bus.run(orders)
        unique = connection.unique_id if alone else answers.pop()
        identity = replace(connection.identity, unique_id=unique)
        if answers != known or identity != connection.identity:
            return None
        return status[0]

    @property
    def _asks_alone(self) -> bool:
        """Whether the unique ID can only be read in another address mode."""
        connection = self._connection
        return connection.chip.unique_id is not None and bool(connection.flash.addressing.pause)

    def _slowly(self, look: Callable[[], None]) -> None:
        """Do `look` at a clock that a long, bad lead can do, and go back to the one set."""
        bus = self._connection.bus
        hertz, sampling = bus.hertz, bus.sampling
        bus.set_sampling(Sampling.LATE)
        bus.set_clock(min(PROBE_CLOCK, hertz))
        try:
            look()
        finally:
            bus.set_clock(hertz)
            bus.set_sampling(sampling)

    def _ask_again(self, state: str) -> None:
        try:
            check_same_chip(self._connection)
        except ChipMismatchError as error:
            error.state = state
            raise
        if self._connection.chip.unique_id is None:
            return
        known = self._connection.unique_id
        found = [self._unique_now() for _ in range(AGAIN)]
        if known in found:
            return
        shown = [hex_pairs(each) if each else "none" for each in (known, found[-1])]
        raise _another(f"its unique ID was {shown[0]} and is {shown[1]} now", state)

    def _accuse(self, wrong: list[int], pages: Sequence[int], state: str) -> None:
        """Read again the places in `wrong`, of `pages` that were looked at; those that read
        correctly are taken out. Places that the work itself wrote may hold something else because a
        command was lost; only many of them count against the board, and only where nothing else
        shows that it is this one. Raises `ChipMismatchError`."""
        bits = failing = 0
        for page in tuple(wrong):
            always = np.full(PAGE, 0xFF, np.uint8)
            known = np.frombuffer(self._page(page), np.uint8)
            for data in self._peek([page] * AGAIN):
                always &= np.frombuffer(data, np.uint8) ^ known
            differing = int(np.unpackbits(always).sum())
            if differing <= self._noise:
                wrong.remove(page)
            else:
                failing += bool(self._written[page]) and differing <= FAILING
            bits += differing
        ours = sum(bool(self._written[page]) for page in wrong)
        written = sum(bool(self._written[page]) for page in pages)
        vouched = len(pages) - written >= ENOUGH
        if len(wrong) > ours or (ours - failing > LOST * written and not vouched):
            raise _another(
                f"{len(wrong)} of {len(pages)} places checked hold something else ({bits} bits "
                "differ in every reading)",
                state,
            )


def _another(why: str, state: str) -> ChipMismatchError:
    return ChipMismatchError(
        f"Another board is on the clip, or this board's processor has written to it: {why}.",
        state=state,
        remedy="Put the board that this work began with back on the clip, hold its processor in "
        "reset, and repeat.",
    )
