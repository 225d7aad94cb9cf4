"""Passes: complete readings of the chip that differ in as much as they can.

Passes are worth only what they do not share: two that use the same opcode, clock, sample
edge, transfer length and direction agree on the same mistakes. The settings here go round in
a fixed order, so that any two neighbours differ in all of them. Before and after each pass the
chip must give its ID and SFDP, known from a slow reading, at the pass's own clock and edge: a
wire that is too slow gives the same wrong bits every time, but it gives them here too.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

from spiflash.bus.transaction import Sampling
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.probe import PROBE_CLOCK
from spiflash.work.connection import EDGE_LIMIT, Connection
from spiflash.work.progress import Watcher
from spiflash.work.same_board import answers_known, still_there

PERIOD = 16
"""Transfers in one select period of an upward pass: a chip select that opens for a moment
loses the rest of its period, so that no period is the whole chip."""


@dataclass(frozen=True, slots=True)
class PassSetting:
    """How one pass is taken. `downward` reads blocks of `chunk` bytes from the end to the
    start, each in a select period of its own. The first piece at address 0 has `first` bytes
    (0: a whole chunk), so that transfers of two passes never begin at the same addresses."""

    fast: bool
    hertz: float
    sampling: Sampling
    chunk: int
    downward: bool
    first: int = 0


_ROUND: tuple[tuple[bool, float, Sampling, int, bool, int], ...] = (
    # fast, share of the ceiling, sampling, chunk, downward, first. No two chunks divide each
    # other, and no two first pieces are alike modulo 4 KiB (all chunks are multiples of that):
    # a byte that is wrong at a place of every long transfer is then wrong in one pass only.
    (True, 1.0, Sampling.LATE, 65536, False, 0),
    (False, 0.7, Sampling.EDGE, 40960, True, 1280),
    (True, 0.5, Sampling.EDGE, 57344, False, 2560),
    (False, 0.35, Sampling.LATE, 24576, True, 3328),
    (True, 0.25, Sampling.LATE, 36864, True, 640),
    (False, 0.18, Sampling.EDGE, 53248, False, 1920),
)


def pass_setting(
    number: int,
    chip: Chip,
    limits: tuple[float, float],
    ceiling: float,
    edge_limit: float = EDGE_LIMIT,
) -> PassSetting:
    """Setting of pass `number`, counted from 1, within what chip and adapter can do."""
    fast, share, sampling, chunk, downward, first = _ROUND[(number - 1) % len(_ROUND)]
    # Every further round is slower and begins its transfers elsewhere.
    turn = (number - 1) // len(_ROUND)
    top = chip.clock_fast if fast else chip.clock_read
    hertz = min(max(ceiling * share / 2**turn, limits[0]), limits[1], top)
    if hertz > edge_limit:
        sampling = Sampling.LATE
    return PassSetting(fast, hertz, sampling, chunk, downward, first + 128 * turn)


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

    A pass before or after which the chip does not give its known answers is taken again at
    half the clock. Raises `ChipMismatchError` when they do not come at the slowest one either,
    `UnstableReadError` when they come with bits wrong.
    """
    bus, flash, chip = connection.bus, connection.flash, connection.chip
    setting = pass_setting(
        number, chip, bus.clock_limits, connection.ceiling, connection.edge_limit
    )
    if number == 2:
        identify_again(connection)
    while True:
        hertz = apply(connection, setting)
        if answers_known(connection):
            start = bus.clock.now()
            contents = bytearray(chip.size)
            style = ReadStyle(setting.fast, chip.fast_read_dummy, setting.chunk)
            with watcher.step(title, chip.size) as advance:
                for low, high in _blocks(chip.size, setting):
                    at = low
                    for piece in flash.read(low, high - low, style):
                        contents[at : at + len(piece)] = piece
                        at += len(piece)
                        advance(len(piece))
            if answers_known(connection):
                opcode = commands.FAST_READ if setting.fast else commands.READ
                took = bus.clock.now() - start
                return PassTaken(number, setting, hertz, opcode, bytes(contents), took)
        if setting.hertz <= PROBE_CLOCK:
            still_there(connection)
        setting = replace(
            setting, hertz=max(setting.hertz / 2, PROBE_CLOCK / 2), sampling=Sampling.LATE
        )
        watcher.say(
            f"the chip does not give its known answers at {hertz / 1e6:.3g} MHz: pass {number} "
            f"is taken at {setting.hertz / 1e6:.3g} MHz"
        )


def apply(connection: Connection, setting: PassSetting) -> float:
    """Set clock and sampling; the actual clock in hertz."""
    connection.bus.set_sampling(setting.sampling)
    return connection.bus.set_clock(setting.hertz)


def identify_again(connection: Connection) -> None:
    """Wake and identify the chip from scratch at a slow clock: ABh, 9Fh, 5Ah."""
    connection.bus.set_sampling(Sampling.LATE)
    connection.bus.set_clock(min(PROBE_CLOCK, connection.ceiling))
    connection.bus.run([commands.read_legacy_id()])
    still_there(connection)


def _blocks(size: int, setting: PassSetting) -> Iterator[tuple[int, int]]:
    """The select periods of a pass, in the order in which they are taken."""
    step = setting.chunk * (1 if setting.downward else PERIOD)
    cuts = sorted({0, size, *range(setting.first, size, step)})
    blocks = list(itertools.pairwise(cuts))
    yield from reversed(blocks) if setting.downward else blocks
