"""`NorFlash`: read, erase, program and wait, on any `Bus`.

Used as a context manager: entering it unlocks a chip that locks itself at power-up and selects the
address mode; leaving it waits for the chip and restores both, also after an error or Ctrl-C.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from types import TracebackType

from spiflash.bus import Bus, Transaction
from spiflash.errors import BusError, UnstableReadError
from spiflash.nor import commands
from spiflash.nor.addressing import (
    AS_POWERED_UP,
    THREE_BYTE_REACH,
    Addressing,
    ModeFound,
    choose_addressing,
    usable_geometry,
)
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WEL, WIP, ReadStyle
from spiflash.nor.geometry import Duration, EraseType, Geometry, ProgramMethod
from spiflash.nor.programming import Programmer, Waiting
from spiflash.nor.protection import (
    Protection,
    locked_units,
    locks_are_readable,
    power_up_relock,
    power_up_unlock,
    protection,
)
from spiflash.nor.scheme import common_registers
from spiflash.spans import merged
from spiflash.text import address, amount

BATCH = 32
"""Places read in one exchange with the adapter."""

PLAIN_READ = ReadStyle(fast=False)

READINGS = 6
"""Readings of the registers, at most, until two in a row agree."""

BUSY_LIMIT = 3.0
"""Seconds to wait for a busy chip when leaving; it finishes by itself as long as it has power."""

Progress = Callable[[int], None]
"""Called with the number of bytes that were finished since the last call."""


def _silent(count: int) -> None:
    pass


class NorFlash:
    """One identified chip on a bus. Addresses and lengths in bytes.

    `found` is the address mode in which the chip was found and in which it is left.
    """

    def __init__(self, bus: Bus, chip: Chip, found: ModeFound = AS_POWERED_UP) -> None:
        self.bus = bus
        self.chip = chip
        self.addressing: Addressing = choose_addressing(chip, found)
        """How addresses reach this chip."""
        self.geometry: Geometry = usable_geometry(chip.geometry, self.addressing)
        """The erase map as far as it can be used with this chip's addressing scheme."""
        self._relock: tuple[Transaction, ...] = ()
        self._segment: int | None = None  # what an earlier program selected is not known
        self._waiting = Waiting(bus, chip)
        self._programmer = Programmer(bus, chip, self.addressing, self._waiting)

    # -- session ---------------------------------------------------------------------------

    def __enter__(self) -> NorFlash:
        try:
            self.wait_while_busy()
            if opening := power_up_unlock(self.chip):
                self._relock = power_up_relock(self.chip, self.status())
                self.bus.run(opening)
            if self.addressing.enter:
                self.bus.run(self.addressing.enter)
        except BaseException as exc:
            # Python does not call __exit__ when __enter__ fails.
            self.__exit__(type(exc), exc, exc.__traceback__)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            try:
                self._end_session()
            except BaseException:
                # Ctrl-C while leaving: the mode is restored anyway.
                with contextlib.suppress(BusError):
                    self._end_session()
                raise
            return
        # After an error, nothing may hide the error itself.
        with contextlib.suppress(BusError):
            self._end_session()

    def _end_session(self) -> None:
        self.wait_while_busy()
        if self.geometry.method is ProgramMethod.AAI_WORD:
            # After an interrupted run the chip ignores all other commands.
            self.bus.run([commands.write_disable()])
        if self._relock:
            self.bus.run(self._relock)
        # The chip must not stay ready to be written to.
        self.bus.run([*self.addressing.exit, commands.write_disable()])

    def wait_while_busy(self) -> None:
        """Wait for a chip that is busy, for `BUSY_LIMIT` seconds at most; never raises for that."""
        deadline = self.bus.clock.now() + BUSY_LIMIT
        while self.status() & WIP and self.bus.clock.now() < deadline:
            self.bus.clock.sleep(0.01)

    # -- reading ---------------------------------------------------------------------------

    def status(self) -> int:
        """Status register 1."""
        return self.bus.run([commands.read_status()])[0][0]

    def registers(self) -> dict[str, bytes]:
        """Every register that the part documents (or that all parts document that it may be), by
        name.

        Values count only if they are read twice in a row. Raises `UnstableReadError` if none are.
        """
        known = common_registers(self.chip.protection_schemes)
        reads = [commands.read_register(register.opcode, register.length) for register in known]
        last: list[bytes] = []
        for _ in range(READINGS):
            values = self.bus.run(reads)
            if values == last:
                return {one.name: value for one, value in zip(known, values, strict=True)}
            last = values
        raise UnstableReadError(
            "The chip's registers read differently each time.",
            state="Nothing has been changed by this step.",
            remedy="Seat the clip again, shorten the leads, connect ground, then repeat.",
        )

    def protection(self) -> Protection:
        """What the registers protect now."""
        values = {name: int.from_bytes(value, "little") for name, value in self.registers().items()}
        maker, size = self.chip.jedec_id[0], self.chip.size
        found = protection(self.chip.protection_schemes, size, values, maker)
        if found.individual and locks_are_readable(maker, size):
            ranges = tuple(merged(locked_units(self.bus, size)))
            return replace(found, ranges=ranges, extent_known=True)
        return found

    def restore_mode_to(self, found: ModeFound) -> None:
        """Leave the chip in another address mode than the one it was found in: the one from before
        an earlier session, which was interrupted and could not restore it."""
        self.addressing = replace(self.addressing, exit=choose_addressing(self.chip, found).exit)

    @property
    def mode_can_be_lost(self) -> bool:
        """Whether addresses depend on a mode or register that a loss of supply resets: the next
        command would then go to another address."""
        return bool(self.addressing.enter) or self.addressing.segment_opcode is not None

    def enter_again(self) -> None:
        """Put the chip into the address mode of this session again."""
        self._segment = None
        if self.addressing.enter:
            self.bus.run(self.addressing.enter)

    @contextlib.contextmanager
    def short_addresses(self) -> Iterator[None]:
        """In 3-byte mode for the time of the block, whatever the addressing scheme."""
        if self.addressing.pause:
            self.bus.run(self.addressing.pause)
        try:
            yield
        finally:
            if self.addressing.resume:
                self.bus.run(self.addressing.resume)

    def peek(
        self, starts: Sequence[int], length: int, style: ReadStyle = PLAIN_READ
    ) -> list[bytes]:
        """`length` bytes (512 at most) from each start, in as few exchanges as possible."""
        found: list[bytes] = []
        for first in range(0, len(starts), BATCH):
            reads: list[Transaction] = []
            for start in starts[first : first + BATCH]:
                self._inside(start, length)
                if self.addressing.segment_opcode is not None:
                    found += self.bus.run(reads)
                    reads = []
                    self._select_segment(start)
                head = commands.read_head(
                    self.addressing.shown(start),
                    self.addressing.width,
                    style,
                    native=self.addressing.native,
                )
                reads.append(Transaction(head, length))
            found += self.bus.run(reads)
        return found

    def read(self, start: int, length: int, style: ReadStyle) -> Iterator[bytes]:
        """The contents from `start` on, in pieces as they arrive."""
        self._inside(start, length)
        end = start + length
        while start < end:
            stop = end
            if self.addressing.segment_opcode is not None:
                stop = min(end, (start // THREE_BYTE_REACH + 1) * THREE_BYTE_REACH)
            head = commands.read_head(
                self.addressing.shown(start),
                self.addressing.width,
                style,
                native=self.addressing.native,
            )
            self._select_segment(start)
            yield from self.bus.stream(head, stop - start, style.chunk)
            start = stop

    def read_all(self, start: int, length: int, style: ReadStyle) -> bytes:
        """The contents from `start` on, in one piece."""
        return b"".join(self.read(start, length, style))

    # -- changing --------------------------------------------------------------------------

    def erase(self, start: int, kind: EraseType) -> float:
        """Erase the aligned block of `kind` that begins at `start`, wait for it, and return the
        seconds that it took.

        Raises `ChipTimeoutError`, and ValueError if `start` is not aligned.
        """
        self._inside(start, kind.size)
        if not self.geometry.begins(start, kind):
            raise ValueError(f"{start:#x} is not the start of a block of {kind.size} bytes")
        self._select_segment(start)
        if kind == self.geometry.chip_erase:
            order = commands.chip_erase(kind.opcode)
        else:
            opcode = kind.opcode
            if self.addressing.native:
                if kind.opcode_4byte is None:
                    raise ValueError(f"no 4-byte opcode erases {kind.size} bytes on this chip")
                opcode = kind.opcode_4byte
            order = commands.erase(opcode, self.addressing.shown(start), self.addressing.width)
        begun = self.bus.clock.now()
        self.bus.run([commands.write_enable(), order])
        return self.wait(kind.time, f"erasing {amount(kind.size)} at {address(start)}", begun=begun)

    def program(self, pieces: Iterable[tuple[int, bytes]], progress: Progress = _silent) -> None:
        """Program (address, data) pieces, none across a page boundary, in any order.

        Programming only clears bits: bits to be set have to be erased before. `programming` says
        how this is done at the chip's own speed. Raises `ChipTimeoutError`, `ChipAbsentError`.
        """
        checked = self._checked(pieces)
        if self.geometry.method is ProgramMethod.AAI_WORD:
            for start, data in checked:
                self._program_words(start, data)
                progress(len(data))
            return
        if self.addressing.segment_opcode is None:
            self._programmer.program(checked, progress)
            return
        # A busy chip would ignore the selection of a segment, so each segment is finished first.
        for segment, group in groupby(checked, lambda piece: piece[0] // THREE_BYTE_REACH):
            self._select_segment(segment * THREE_BYTE_REACH)
            self._programmer.program(group, progress)

    def _checked(self, pieces: Iterable[tuple[int, bytes]]) -> Iterator[tuple[int, bytes]]:
        for start, data in pieces:
            self._inside(start, len(data))
            yield start, data

    def _program_words(self, start: int, data: bytes) -> None:
        """Auto-address-increment, two bytes at a time (SST25VF). Single bytes at the ends are
        paired with FFh, which changes nothing."""
        if start % 2:
            start, data = start - 1, b"\xff" + data
        if len(data) % 2:
            data += b"\xff"
        rest = self.geometry.program.maximum
        words = [data[i : i + 2] for i in range(0, len(data), 2)]
        orders = [commands.write_enable(), commands.aai_first(start, words[0], rest)]
        orders += [commands.aai_next(word, rest) for word in words[1:]]
        self.bus.run([*orders, commands.write_disable(), commands.read_status()])
        self.wait(self.geometry.program, f"programming at {address(start)}")

    # -- waiting ---------------------------------------------------------------------------

    def wait(self, span: Duration, what: str, *, begun: float | None = None) -> float:
        """Wait until the chip is ready; returns the seconds since `begun` (or this call).

        Raises `ChipTimeoutError` some time after the part's own maximum, `ChipAbsentError`
        when the status reads FFh throughout.
        """
        return self._waiting.until_ready(span, what, begun=begun)

    def write_enabled(self) -> bool:
        """Whether the write enable latch can be set: not if the chip is on hold or absent."""
        status = self.bus.run(
            [commands.write_enable(), commands.read_status(), commands.write_disable()]
        )[1][0]
        return bool(status & WEL) and status != 0xFF

    # -- helpers ---------------------------------------------------------------------------

    def _select_segment(self, start: int) -> None:
        segment = start // THREE_BYTE_REACH
        if self.addressing.segment_opcode is not None and segment != self._segment:
            self.bus.run(self.addressing.reach(start))
            self._segment = segment

    def _inside(self, start: int, length: int) -> None:
        if start < 0 or length < 0 or start + length > self.chip.size:
            raise ValueError(
                f"{length} bytes at {start:#x} do not lie inside a chip of {self.chip.size} bytes"
            )
