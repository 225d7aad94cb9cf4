"""A person with a clip: boards come and go by the bench's own time, as the person sees the signs.

The clip is a device between adapter and chips that knows nothing of the program; a chip that it
lets go of loses its supply.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from hwmocks.bench import Bench, make_bench
from hwmocks.boards.heron import heron_variant
from hwmocks.faults import LooseMiso
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat, SpiDevice
from spiflash.archive.ledger.rows import BoardRecord
from spiflash.bus import Bus
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import AdapterNotFoundError

OPEN, HALF, ON = "open", "half", "on"

Touch = tuple[float, str]
"""Seconds after the one before, and how the clip is from then on."""

CLEAN: tuple[Touch, ...] = ((0.0, ON),)
BOUNCING: tuple[Touch, ...] = ((0.0, ON), (0.4, OPEN), (0.3, ON), (0.5, OPEN), (0.2, ON))
HALF_FIRST: tuple[Touch, ...] = ((0.0, HALF), (3.0, ON))
NEVER_RIGHT: tuple[Touch, ...] = ((0.0, HALF),)


@dataclass(frozen=True)
class Visit:
    """A board that the person puts on, and how that goes."""

    chip: NorChip
    seating: Sequence[Touch] = CLEAN


@dataclass
class Clip:
    """What is at the end of the leads; planned (time, how, chip), the next first."""

    plan: list[tuple[float, str, NorChip | None]] = field(default_factory=list)
    how: str = OPEN
    chip: NorChip | None = None
    _loose: SpiDevice | None = None

    def settle(self, now: float) -> None:
        """The clip is as the plan says for this moment."""
        while self.plan and self.plan[0][0] <= now:
            _, self.how, chip = self.plan.pop(0)
            if self.chip is not None and (self.how == OPEN or chip is not self.chip):
                self.chip.power(False, now)
            self.chip = chip
            if chip is not None and self.how != OPEN:
                # The supply was there a little earlier: tPUW is over (see `heron`).
                chip.power(True, now - 0.1)
                self._loose = LooseMiso(chip, None, seed=5)

    def powered_anew(self) -> None:
        """Another adapter feeds what is on the clip."""
        if self.chip is not None and self.how != OPEN:
            self.chip.power(True, -0.1)

    def _device(self) -> SpiDevice | None:
        return {OPEN: None, HALF: self._loose, ON: self.chip}[self.how]

    def select(self, now: float) -> None:
        """Chip select falls."""
        self.settle(now)
        if device := self._device():
            device.select(now)

    def deselect(self, now: float) -> None:
        """Chip select rises."""
        if device := self._device():
            device.deselect(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes both ways; an open line is pulled up."""
        device = self._device()
        return device.transfer(mosi, beat) if device else b"\xff" * len(mosi)

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """A side wire changes."""


class Person:
    """Screen, hand and adapter in one: puts each board on, takes it off at the sign, and stops the
    loop when there is none left. Times are seconds of the bench."""

    CHANGE = 20.0

    def __init__(self, visits: Sequence[Visit], stop: Callable[[], None]) -> None:
        self.visits = list(visits)
        self.stop = stop
        self.told: list[str] = []
        self.ended: list[BoardRecord] = []
        self.left: list[BoardRecord] = []
        self.clip = Clip()
        self.bench: Bench | None = None
        self.base = 0.0
        self.away: list[tuple[float, float]] = []
        """When the adapter is pulled out, and when it is plugged in again."""
        self.pulls_at = ""
        """What has to be shown for the adapter to be pulled out, for some seconds, once."""
        self._next(0.0)

    # -- the hand --------------------------------------------------------------------------

    def now(self) -> float:
        """Seconds since the beginning, whichever adapter's clock they passed on."""
        return self.base + (self.bench.clock.now() if self.bench else 0.0)

    def _next(self, moment: float) -> None:
        if not self.visits:
            self.clip.plan.append((moment, OPEN, None))
            return
        visit = self.visits.pop(0)
        for wait, how in visit.seating:
            moment += wait
            self.clip.plan.append((moment, how, visit.chip))

    def _seen_the_sign(self) -> None:
        if not self.visits:
            self.stop()
            return
        # Coming off, the clip makes contact once more.
        chip, moment = self.clip.chip, self._bench_now() + 5.0
        for wait, how in ((0.0, OPEN), (0.4, ON), (0.3, OPEN)):
            moment += wait
            self.clip.plan.append((moment, how, chip))
        self._next(moment + self.CHANGE)

    def _bench_now(self) -> float:
        return self.bench.clock.now() if self.bench else 0.0

    # -- the adapter -----------------------------------------------------------------------

    def opened(self, url: str | None, pins: object) -> Bus:
        """Open the adapter, unless it is pulled out at this time."""
        self._leave()
        if any(gone <= self.now() < back for gone, back in self.away):
            raise AdapterNotFoundError("gone")
        faults = UsbFaults()

        def moment(number: int) -> None:
            if any(gone <= self.now() < back for gone, back in self.away):
                faults.unplug_at = number

        faults.on_transfer = moment
        nobody = NorChip("W25Q64JV", heron_variant(0))
        self.clip.powered_anew()
        self.bench = make_bench(nobody, clip=lambda wired: self.clip, faults=faults)
        return open_bench_bus(self.bench, "clip")

    def pause(self, seconds: float) -> None:
        """Time passes without an adapter."""
        self._leave()
        self.base += seconds
        self._shift(seconds)

    def _leave(self) -> None:
        """The old adapter's clock has ended; what is planned comes by the new one's."""
        passed, self.bench, self.base = self._bench_now(), None, self.now()
        self._shift(passed)
        if self.clip.chip is not None:
            self.clip.chip.power(False, passed)

    def _shift(self, seconds: float) -> None:
        self.clip.plan = [(max(0.0, at - seconds), how, chip) for at, how, chip in self.clip.plan]

    # -- the screen ------------------------------------------------------------------------

    def progress(self, station: str, text: str) -> None:
        """How far a step is."""

    def closed(self, station: str, text: str) -> None:
        """A station has ended."""

    def say(self, text: str) -> None:
        """A remark."""
        self.told.append(text)

    def status(self, station: str, text: str) -> None:
        """Something is shown."""
        self.told.append(text)
        if text == self.pulls_at:
            self.pulls_at = ""
            self.away.append((self.now(), self.now() + 8.0))

    def result(self, station: str, record: BoardRecord) -> None:
        """The large sign."""
        self.ended.append(record)
        self._seen_the_sign()

    def skipped(self, station: str, record: BoardRecord) -> None:
        """A finished board was left alone."""
        self.left.append(record)
        self._seen_the_sign()
