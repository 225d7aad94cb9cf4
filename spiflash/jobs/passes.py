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
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from spiflash.bus.transaction import Sampling
from spiflash.errors import UnstableReadError
from spiflash.jobs.connection import EDGE_LIMIT, Connection
from spiflash.jobs.progress import Advance, Watcher
from spiflash.jobs.same_board import answers_known, still_there
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.probe import PROBE_CLOCK

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
    (False, 0.28, Sampling.LATE, 24576, True, 3328),
    (True, 0.2, Sampling.LATE, 36864, True, 640),
    (False, 0.15, Sampling.EDGE, 53248, False, 1920),
)

OFF_BEAT = 0.34
"""Share of the ceiling for the second pass where the usual one would be just half of it."""

MOST_TRIES = 12
"""Times that one pass is taken, the clock halved each time, until the chip gives its known answers
before and after it."""

WORTH_IT = 4 << 20
"""Bytes of a chip from which blocks that are not blank are read briskly: less takes a moment."""

BRISK = 0.25
"""Share of the second pass that may be read at half the first clock all the same, so that a
backup does not become much longer: blank blocks first, then blocks drawn afresh."""


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
    """One pass: what it read and how. `hertz` is the actual clock (of blank blocks it may be a
    brisker one)."""

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


def take_pass(
    connection: Connection,
    number: int,
    title: str,
    watcher: Watcher,
    *,
    seen: bytes | None = None,
    rng: random.Random | None = None,
) -> PassTaken:
    """Read the whole chip once, with the setting of pass `number`.

    `seen` is what an earlier pass read: what was blank in it may be read at a brisker clock.
    A pass before or after which the chip does not give its known answers is taken again at
    half the clock. Raises `ChipMismatchError` when they do not come at the slowest one either,
    `UnstableReadError` when they come with bits wrong, or only ever before or after a pass.
    """
    bus, chip = connection.bus, connection.chip
    setting = pass_setting(
        number, chip, bus.clock_limits, connection.ceiling, connection.edge_limit
    )
    setting, brisk = off_beat(connection, setting)
    if seen is None:
        brisk = None
    for _ in range(MOST_TRIES):
        hertz = apply(connection, setting)
        if answers_known(connection):
            start = bus.clock.now()
            with watcher.step(title, chip.size) as advance:
                contents = _read_blocks(
                    connection, setting, brisk, seen or b"", rng or random.Random(), advance
                )
            if answers_known(connection):
                opcode = commands.FAST_READ if setting.fast else commands.READ
                took = bus.clock.now() - start
                return PassTaken(number, setting, hertz, opcode, contents, took)
        if setting.hertz <= PROBE_CLOCK:
            still_there(connection)
        slower = max(setting.hertz / 2, PROBE_CLOCK / 2)
        setting, brisk = replace(setting, hertz=slower, sampling=Sampling.LATE), None
        watcher.say(
            f"the chip does not give its known answers at {hertz / 1e6:.3g} MHz: pass {number} "
            f"is taken at {setting.hertz / 1e6:.3g} MHz"
        )
    raise UnstableReadError(
        f"Pass {number} was taken {MOST_TRIES} times, and before or after it the chip never gave "
        "the ID and SFDP that it gave at first.",
        state="Nothing has been changed by this step.",
        remedy="Seat the clip again, shorten the leads, connect ground, then repeat; 'spiflash "
        "contact' names the pin to look at.",
    )


def off_beat(
    connection: Connection, setting: PassSetting
) -> tuple[PassSetting, PassSetting | None]:
    """The setting of a pass at another beat than half the ceiling, and the one that it had.

    Half the clock of another pass, sampled on the edge, leaves the answer just as much time: a
    line that is too slow gives the same wrong bits at both. FTDI clocks are the base clock by
    whole numbers (AN_108, 3.8.2), so that 30 MHz have no neighbour that does not divide them;
    a third of it at least is not its half. Passes that are not at half the ceiling are as they
    were, and have no brisker clock.
    """
    bus = connection.bus
    top = bus.set_clock(connection.ceiling)
    if setting.downward and abs(top / bus.set_clock(setting.hertz) - 2) < 1e-6:
        late = replace(setting, sampling=Sampling.LATE)
        return replace(setting, hertz=connection.ceiling * OFF_BEAT), late
    return setting, None


def _read_blocks(
    connection: Connection,
    setting: PassSetting,
    brisk: PassSetting | None,
    seen: bytes,
    rng: random.Random,
    advance: Advance,
) -> bytes:
    """The contents, read with `setting`; some blocks, if any may be, with `brisk`."""
    chip = connection.chip
    contents = bytearray(chip.size)
    style = ReadStyle(setting.fast, chip.fast_read_dummy, setting.chunk)
    blocks = list(_blocks(chip.size, setting))
    quick: set[int] = set()
    if brisk is not None:
        quick = {low for low, high in blocks if seen.count(0xFF, low, high) == high - low}
        others = [low for low, _ in blocks if low not in quick]
        missing = round(BRISK * len(blocks)) - len(quick) if chip.size >= WORTH_IT else 0
        quick.update(rng.sample(others, max(0, missing)))
    now: PassSetting | None = None
    for low, high in blocks:
        wanted = brisk if brisk is not None and low in quick else setting
        if brisk is not None and wanted is not now:
            apply(connection, wanted)
            now = wanted
        at = low
        for piece in connection.flash.read(low, high - low, style):
            contents[at : at + len(piece)] = piece
            at += len(piece)
            advance(len(piece))
    if now is brisk:
        apply(connection, setting)
    return bytes(contents)


def apply(connection: Connection, setting: PassSetting) -> float:
    """Set clock and sampling; the actual clock in hertz."""
    connection.bus.set_sampling(setting.sampling)
    return connection.bus.set_clock(setting.hertz)


def _blocks(size: int, setting: PassSetting) -> Iterator[tuple[int, int]]:
    """The select periods of a pass, in the order in which they are taken."""
    step = setting.chunk * (1 if setting.downward else PERIOD)
    cuts = sorted({0, size, *range(setting.first, size, step)})
    blocks = list(itertools.pairwise(cuts))
    yield from reversed(blocks) if setting.downward else blocks
