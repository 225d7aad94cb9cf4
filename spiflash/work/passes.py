"""Passes: complete readings of the chip that differ in as much as they can.

Passes are worth only what they do not share: two that use the same opcode, clock, sample
edge, transfer length and direction agree on the same mistakes. The settings here go round in
a fixed order, so that any two neighbours differ in all of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from spiflash.bus.transaction import Sampling
from spiflash.errors import ChipMismatchError
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.work.connection import Connection
from spiflash.work.progress import Watcher

EDGE_LIMIT = 15e6
"""Hertz above which sampling on the rising edge goes wrong on long wires (common practice,
no source)."""


@dataclass(frozen=True, slots=True)
class PassSetting:
    """How one pass is taken. `downward` reads blocks of `chunk` bytes from the end to the
    start, each in a select period of its own."""

    fast: bool
    hertz: float
    sampling: Sampling
    chunk: int
    downward: bool


_ROUND: tuple[tuple[bool, float, Sampling, int, bool], ...] = (
    # fast, share of the ceiling, sampling, chunk, downward. No two chunks divide each other:
    # a byte that is wrong near the end of every long transfer is then wrong in one pass only.
    (True, 1.0, Sampling.LATE, 65536, False),
    (False, 0.7, Sampling.EDGE, 40960, True),
    (True, 0.5, Sampling.EDGE, 57344, False),
    (False, 0.35, Sampling.LATE, 24576, True),
    (True, 0.25, Sampling.LATE, 36864, True),
    (False, 0.18, Sampling.EDGE, 53248, False),
)


def pass_setting(
    number: int, chip: Chip, limits: tuple[float, float], ceiling: float
) -> PassSetting:
    """Setting of pass `number`, counted from 1, within what chip and adapter can do."""
    fast, share, sampling, chunk, downward = _ROUND[(number - 1) % len(_ROUND)]
    # Every further round is slower.
    share /= 2 ** ((number - 1) // len(_ROUND))
    top = chip.clock_fast if fast else chip.clock_read
    hertz = min(max(ceiling * share, limits[0]), limits[1], top)
    if hertz > EDGE_LIMIT:
        sampling = Sampling.LATE
    return PassSetting(fast, hertz, sampling, chunk, downward)


@dataclass(frozen=True, slots=True)
class PassTaken:
    """One pass: what it read and how. `hertz` is the actual clock."""

    number: int
    setting: PassSetting
    hertz: float
    opcode: int
    contents: bytes
    seconds: float

    @property
    def sha256(self) -> str:
        """Of the contents, in hexadecimal."""
        return hashlib.sha256(self.contents).hexdigest()


def take_pass(connection: Connection, number: int, title: str, watcher: Watcher) -> PassTaken:
    """Read the whole chip once, after making sure that it is still the same one.

    Raises `ChipMismatchError` when the ID is another one than before.
    """
    bus, flash, chip = connection.bus, connection.flash, connection.chip
    setting = pass_setting(number, chip, bus.clock_limits, connection.ceiling)
    still_there(connection)
    hertz = apply(connection, setting)
    style = ReadStyle(setting.fast, chip.fast_read_dummy, setting.chunk)
    start = bus.clock.now()
    contents = bytearray(chip.size)
    with watcher.step(title, chip.size) as advance:
        for low, high in _blocks(chip.size, setting):
            at = low
            for piece in flash.read(low, high - low, style):
                contents[at : at + len(piece)] = piece
                at += len(piece)
                advance(len(piece))
    still_there(connection)
    opcode = commands.FAST_READ if setting.fast else commands.READ
    return PassTaken(number, setting, hertz, opcode, bytes(contents), bus.clock.now() - start)


def apply(connection: Connection, setting: PassSetting) -> float:
    """Set clock and sampling; the actual clock in hertz."""
    connection.bus.set_sampling(setting.sampling)
    return connection.bus.set_clock(setting.hertz)


def still_there(connection: Connection) -> None:
    """Raise `ChipMismatchError` unless the chip gives the ID it gave at first."""
    expected = connection.chip.answers.id
    answer = connection.bus.run([commands.read_id(len(expected))])[0]
    if answer != expected:
        raise ChipMismatchError(
            f"The chip answered {expected.hex(' ')} at first and {answer.hex(' ')} now.",
            state="Nothing has been changed by this step.",
            remedy="The clip has moved or the board's processor has woken up: seat the clip "
            "again, hold the processor in reset, then repeat.",
        )


def _blocks(size: int, setting: PassSetting) -> Iterator[tuple[int, int]]:
    if not setting.downward:
        yield 0, size
        return
    high = size
    while high > 0:
        low = max(0, high - setting.chunk)
        yield low, high
        high = low
