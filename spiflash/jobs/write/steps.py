"""See that commands arrive, erase and program, and check the board between the steps.

Everything that comes back from a chip is read several times; what is sent to it is not. A flipped
bit in the address of a page sends it into another sector, and in the address of an erase it does
much more damage. Reading tests the wires to the chip as well: an address that arrives wrong brings
the contents of another place. The rules for that test:

* before the first erase, many places all over the chip are read with short commands, at the clock
  and edge of writing. Only places count whose bytes are not all alike: blank ones are found at
  other addresses, too;
* the write enable latch is tried a few times only. Reading the status while the latch is set is
  the one dangerous question: 05h with one bit wrong is 01h, which writes the status register. So
  it comes last, when bit errors are known to be rare;
* where commands do not arrive correctly the clock is halved; at the slowest one the work is
  refused.

The rules for the steps:

* before each erase, and after every `GROUP` of pages, the board is checked (`same_board`): its ID,
  its status, and places that must not have changed;
* before the first erase of each kind, all that the largest erase of the chip could take is read,
  and must be what the journal has of it. After that erase it is read again, whatever table and
  SFDP say of this one; each later erase is followed by a check of places around it. What an erase
  took beyond its size is written back at once, and the work stops;
* where addresses depend on a mode that a loss of supply resets, pages are sent in groups shorter
  than the time for which a chip ignores writes after power-up (`SHORT`), and the mode is checked
  between them: the next page would reach another place;
* whatever is unusual is noted. It makes the proof one of the whole chip.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from spiflash.bus import Bus, Sampling
from spiflash.errors import (
    SAFE,
    ChipMismatchError,
    ChipProtectedError,
    EraseSizeError,
    SupplyLostError,
    UnstableReadError,
)
from spiflash.jobs import DRAW, Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.same_board import ENOUGH, PAGE, SameBoard
from spiflash.nor import commands
from spiflash.nor.commands import WEL, WIP
from spiflash.nor.geometry import EraseType
from spiflash.nor.probe import PROBE_CLOCK
from spiflash.plan import Erase, Plan, Program
from spiflash.spans import SECTOR, Span
from spiflash.text import address, amount, counted, span

GROUP = 256
"""Pages between two checks of the board: an eighth of a second on most chips, less than it takes to
move a clip."""

SHORT = 3e-3
"""Seconds of programming after which a chip whose address mode can be lost is looked at: chips
ignore writes for 5 ms and more after power-up (tPUW of W25Q256JV and kin, from memory)."""

LEAST_REACH = 0x10000
"""Bytes around the first erase of a kind that are read back at least: 64 KiB is the usual
largest block (common practice, no source)."""

FAR_REACH = 0x40000
"""Bytes around it of which every sector is looked at: no block is larger (S25FL512S: 256 KiB)."""

AT_ONCE = 1e-2
"""Share of its typical time below which an erase cannot have happened."""

LOOK = 12
"""Places of a look between two steps."""

READS = 1024
LENGTH = 8
"""Bytes of one read: more than that, and the wires that come back are tried, not those that go."""

AGAIN = 2
"""Further readings of a place that read wrong, to tell on which wire the bits flip."""

OTHER_PLACE = 5
"""Bits that differ, of 64, from which the answer is that of another address or command; fewer are
errors on the wire from the chip, which every reading shows and the passes measure."""

LATCH = 8
"""How often the latch is set and cleared."""

HALF_DONE = "The write is half done."

_BUSY = WIP | WEL

Page = tuple[int, bytes]


@dataclass(slots=True)
class Steps:
    """Carries plans out on one chip. `board` knows what the chip holds; `old` is what the whole
    chip held when the work began; `remarks` tell what was not as usual, one line each."""

    connection: Connection
    board: SameBoard
    old: bytes
    remarks: list[str] = field(default_factory=list)
    changed: bool = False
    """Whether anything was erased or programmed, as far as can be told."""
    _status: int | None = None
    _seen: set[EraseType] = field(default_factory=set)

    def carry_out(self, plan: Plan, title: str, watcher: Watcher) -> None:
        """Do the steps in their order; programs between two erases go out together.

        Raises `ChipMismatchError`, `SupplyLostError`, `EraseSizeError`, and what `NorFlash` does.
        """
        self.for_writing()
        total = plan.erased_bytes + plan.programmed_bytes
        with watcher.step(title, total) as advance:
            self._look()
            pages: list[Page] = []
            for step in plan.steps:
                if isinstance(step, Program):
                    pages.append((step.address, step.data))
                    continue
                self._program(pages, advance)
                pages = []
                self._erase(step)
                advance(step.type.size)
            self._program(pages, advance)
            self._look()

    def for_writing(self) -> None:
        """Set the fastest clock, and the edge at which the status reads correctly at it: the
        passes before may have left the other one."""
        bus, sweep, chip = self.connection.bus, self.connection.sweep, self.connection.chip
        hertz = bus.set_clock(min(self.connection.ceiling, chip.clock_fast, bus.clock_limits[1]))
        only_edge = sweep is not None and sweep.reach(Sampling.LATE) < hertz <= sweep.reach(
            Sampling.EDGE
        )
        bus.set_sampling(Sampling.EDGE if only_edge else Sampling.LATE)
        self._status = self._steady_status()

    # -- programming -------------------------------------------------------------------------

    def _program(self, pages: Sequence[Page], advance: Callable[[int], None]) -> None:
        flash = self.connection.flash
        size = GROUP
        if flash.mode_can_be_lost:
            each = flash.geometry.program.typical + 8 * PAGE / self.connection.bus.hertz
            size = max(1, int(SHORT / each))
        for first in range(0, len(pages), size):
            group = pages[first : first + size]
            if first:
                self._look(places=LOOK if size == GROUP else 2)
            for start, data in group:
                self.board.changes(start, start + len(data))
            self.changed = True
            flash.program(group, advance)
            for start, data in group:
                self.board.programmed(start, data)

    # -- erasing -----------------------------------------------------------------------------

    def _erase(self, step: Erase) -> None:
        kind = step.type
        if not step.whole_chip and kind not in self._seen:
            self._refuse_changed(step)
        self.board.changes(step.address, step.end)
        first = not self.changed
        self.changed = True
        took = self.connection.flash.erase(step.address, kind)
        self.board.holds(step.address, b"\xff" * kind.size)
        if took < AT_ONCE * kind.time.typical:
            self.remarks.append(f"The erase at {address(step.address)} took no time")
        if not step.whole_chip and kind not in self._seen:
            self._refuse_larger(step, undo=first)
        self._seen.add(kind)
        try:
            self._look(self._around(step))
        except ChipMismatchError:
            # Another board, or an erase that takes more the second time than the first.
            if not step.whole_chip:
                self._refuse_larger(step, undo=False)
            raise

    def _around(self, step: Erase) -> list[Span]:
        """What the largest erase could have taken, the erased block itself included."""
        if step.whole_chip:
            return []
        return [_block(step, max(self._reach(step), LEAST_REACH), len(self.old))]

    def _reach(self, step: Erase) -> int:
        chip = self.connection.chip
        return max(chip.largest_erase, chip.erase_reach(step.type))

    def _refuse_changed(self, step: Erase) -> None:
        """See that what the first erase of a kind could take holds what the journal has of it: a
        board that runs may have written there since it was read. Raises `ChipMismatchError`."""
        ((low, high),) = self._around(step)
        state = HALF_DONE if self.changed else SAFE
        self.board.check_contents(low, self._read(low, high), state=state)

    def _refuse_larger(self, step: Erase, *, undo: bool) -> None:
        """Read back what an erase could have taken. Raises `EraseSizeError` when it took more
        than its block, which is written back then; with `undo` the block itself as well."""
        ((low, high),) = self._around(step)
        found = self._read(low, high)
        gone = self._gone(found, low, step)
        if not gone:
            gone = self._gone_further(step, low, high)
        if gone:
            raise self._larger(step, gone, undo=undo)
        if set(found[step.address - low : step.end - low]) != {0xFF}:
            self.remarks.append(
                f"The block at {address(step.address)} is not blank after its erase"
            )

    def _gone(self, found: bytes, low: int, step: Erase) -> list[int]:
        """Pages that are blank and should not be, outside of the block of `step`."""
        blank = b"\xff" * PAGE
        suspects = [
            low + at
            for at in range(0, len(found), PAGE)
            if found[at : at + PAGE] == blank
            and not step.address <= low + at < step.end
            and self.board.expected(low + at) not in (None, blank)
        ]
        again = self._peek(suspects)
        return [page for page, data in zip(suspects, again, strict=True) if data == blank]

    def _gone_further(self, step: Erase, low: int, high: int) -> list[int]:
        """The same beyond what any known erase takes: one page of each sector is looked at, and
        all of it is read where one is gone."""
        far_low, far_high = _block(step, FAR_REACH, len(self.old))
        blank = b"\xff" * PAGE
        places = []
        for sector in (*range(far_low, low, SECTOR), *range(high, far_high, SECTOR)):
            filled = (
                page
                for page in range(sector, sector + SECTOR, PAGE)
                if self.board.expected(page) not in (None, blank)
            )
            places += [page for page in (next(filled, None),) if page is not None]
        if blank not in self._peek(places):
            return []
        return self._gone(self._read(far_low, far_high), far_low, step)

    def _larger(self, step: Erase, gone: Sequence[int], *, undo: bool) -> EraseSizeError:
        """Write back what an erase took beyond its block; the error to raise."""
        what = (
            f"The erase of {amount(step.type.size)} at {address(step.address)} took more than "
            f"that: {counted(len(gone), 'page')} in {span(min(gone), max(gone) + PAGE)} were blank "
            "after it."
        )
        pages = [(page, self.board.expected(page) or b"") for page in gone]
        if undo:
            pages += [
                (page, self.old[page : page + PAGE])
                for page in range(step.address, step.end, PAGE)
                if self.old[page : page + PAGE] != b"\xff" * PAGE
            ]
        # It may be another board that looks so: nothing is written before the rest of it is known.
        self.board.changes(*_block(step, FAR_REACH, len(self.old)))
        self.board.check_thoroughly(state=HALF_DONE)
        if self.board.vouching() < ENOUGH:
            raise _too_large(
                what,
                "Nothing was written back: too little is left on the chip to tell it from another "
                "board of its kind.",
            )
        self.connection.flash.program(pages)
        for page, data in pages:
            self.board.holds(page, data)
        wrong = [
            page
            for (page, data), found in zip(pages, self._peek([p for p, _ in pages]), strict=True)
            if found != data
        ]
        if undo and not wrong:
            self.changed = False
        back = (
            f"{len(wrong)} of them could not be written back."
            if wrong
            else "They have been written back and verified."
        )
        if not self.changed:
            back = "Everything has been written back and verified: the chip holds what it held."
        return _too_large(what, back)

    # -- looking -----------------------------------------------------------------------------

    def _look(self, near: Sequence[Span] = (), places: int = LOOK) -> None:
        state = HALF_DONE if self.changed else SAFE
        try:
            look = self.board.check(near=near, places=places, state=state)
        except ChipMismatchError:
            self._supply_lost(near)
            raise
        if look.wrong:
            self.remarks.append(f"What was written at {address(look.wrong[0])} was not found there")
        known = self._status
        if known is None or look.status & ~_BUSY == known:
            return
        status = self._steady_status()
        if status != known:
            raise _supply_was_lost(
                f"its status register was {known:02X}h and is {status:02X}h now", state
            )

    def _supply_lost(self, near: Sequence[Span]) -> None:
        """Raise `SupplyLostError` if the address mode is all that is wrong with the board."""
        flash = self.connection.flash
        if not flash.mode_can_be_lost:
            return
        flash.enter_again()
        try:
            self.board.check(near=near)
        except ChipMismatchError:
            return
        raise _supply_was_lost("it no longer uses the address mode that was set", HALF_DONE)

    def _steady_status(self) -> int:
        """The status register, without the bits that come and go; two readings that agree, or
        the last of a few."""
        flash = self.connection.flash
        last = flash.status()
        for _ in range(4):
            value = flash.status()
            if value == last:
                break
            last = value
        return last & ~_BUSY

    def _read(self, low: int, high: int) -> bytes:
        return self.connection.flash.read_all(low, high - low, self.connection.style)

    def _peek(self, pages: Sequence[int]) -> list[bytes]:
        return self.connection.flash.peek(pages, PAGE, self.connection.style)


def _too_large(what: str, state: str) -> EraseSizeError:
    return EraseSizeError(
        what,
        state=state,
        remedy="Chip table and SFDP are wrong about this chip, or it is not the part that it "
        "says it is: read the marking on the package, and name the part with --part or "
        "describe it in a table file with --chips before it is written again.",
    )


def _block(step: Erase, size: int, end: int) -> Span:
    low = step.address // size * size
    return low, min(max(low + size, step.end), end)


def _supply_was_lost(why: str, state: str) -> SupplyLostError:
    return SupplyLostError(
        f"The chip lost its supply for a moment during the write: {why}.",
        state=state,
        remedy="Check the supply at pin 8 and the clip, then run 'spiflash restore --resume'.",
    )


# -- seeing that commands arrive -----------------------------------------------------------


def prove_commands(connection: Connection, contents: bytes, watcher: Watcher) -> None:
    """See that commands reach the chip, which holds `contents`, at the clock that is set, or at
    the fastest half, quarter … of it at which they do; the clock is left there. Where the contents
    are blank, nothing that goes astray could do harm.

    Raises `UnstableReadError` when commands do not arrive at `PROBE_CLOCK` either,
    `ChipProtectedError` when the chip does not take the write enable command.
    """
    bus = connection.bus
    drawn = (DRAW.randrange(len(contents) - LENGTH) for _ in range(2 * READS))
    starts = [at for at in drawn if len(set(contents[at : at + LENGTH])) > 1][:READS]
    while _astray(connection, contents, starts):
        if bus.hertz <= PROBE_CLOCK:
            raise UnstableReadError(
                f"Commands do not reach the chip correctly, even at {bus.hertz / 1e6:.3g} MHz: "
                "short reads return the contents of other addresses.",
                state=SAFE,
                remedy="Seat the clip again, shorten the leads, connect ground: a page or an "
                "erase would go to the wrong place.",
            )
        before = bus.hertz
        actual = bus.set_clock(max(before / 2, PROBE_CLOCK / 2))
        watcher.say(
            f"Commands do not always reach the chip correctly at {before / 1e6:.3g} MHz: "
            f"{actual / 1e6:.3g} MHz is used for writing"
        )
    _latch(bus)


def _astray(connection: Connection, contents: bytes, starts: list[int]) -> bool:
    """Whether a read was answered from another place, or as another command."""
    found = connection.flash.peek(starts, LENGTH, connection.style)
    for start, answer in zip(starts, found, strict=True):
        right = contents[start : start + LENGTH]
        if answer == right:
            continue
        wrong = sum((a ^ b).bit_count() for a, b in zip(answer, right, strict=True))
        if wrong >= OTHER_PLACE:
            return True
        again = connection.flash.peek([start] * AGAIN, LENGTH, connection.style)
        if right not in again:
            return True
    return False


def _latch(bus: Bus) -> None:
    once = [
        commands.write_enable(),
        commands.read_status(),
        commands.write_disable(),
        commands.read_status(),
    ]
    answers = [answer[0] for answer in bus.run(once * LATCH) if answer]
    took = [bool(value & WEL) for value in answers[0::2]]
    left = [bool(value & WEL) for value in answers[1::2]]
    if sum(took) * 2 < len(took) or sum(left) * 2 > len(left):
        raise ChipProtectedError(
            "The chip does not accept the write enable command.",
            state=SAFE,
            remedy="See that WP# and HOLD# (pins 3 and 7) are high and that the board's processor "
            "is held in reset, seat the clip again, then repeat.",
        )
