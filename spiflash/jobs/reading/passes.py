"""Passes: complete readings of the chip that differ in as much as they can.

Two passes that use the same opcode, clock, sample edge, transfer length and direction agree on the
same mistakes. The settings here rotate in a fixed order, so that any two neighbours differ in all
of them, and no two passes of one reading have the same setting. Before and after each pass the
chip must give its ID and SFDP, known from a slow reading, at the pass's own clock and edge: a wire
that is too slow gives the same wrong bits every time, but it gives them here too.

The board must be the same one before each pass. Passes of an earlier, interrupted run count only
when a whole new one reads what they do. What all passes together say decides how much is read
again.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spiflash.archive.record import EvidenceRecord, ProbeRecord
from spiflash.bus import Sampling
from spiflash.errors import UnstableReadError
from spiflash.jobs import DRAW, Advance, Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading.differences import LEAST, latest_alone, unseen
from spiflash.jobs.reading.evidence import (
    LIMIT,
    PAGE,
    Counts,
    Flags,
    bit_rate,
    differing_bits,
    rarest_share,
    shared_bits,
    smallest_stretch,
)
from spiflash.jobs.same_board import SameBoard, answers_known, check_same_chip
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.commands import ReadStyle
from spiflash.nor.probe import PROBE_CLOCK
from spiflash.spans import SECTOR, Span
from spiflash.text import address, counted

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

    def style(self, chip: Chip) -> ReadStyle:
        """The read commands of this pass on such a chip."""
        return ReadStyle(self.fast, chip.fast_read_dummy, self.chunk)


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
"""Share of the second pass that may be read at half the first clock anyway, so that a
backup does not become much longer: blank blocks first, then blocks drawn afresh."""


def pass_setting(connection: Connection, number: int) -> PassSetting:
    """Setting of pass `number`, counted from 1, within what chip and adapter can do."""
    chip, limits = connection.chip, connection.bus.clock_limits
    fast, share, sampling, chunk, downward, first = _ROUND[(number - 1) % len(_ROUND)]
    # Every further round is slower and begins its transfers elsewhere.
    turn = (number - 1) // len(_ROUND)
    top = chip.clock_fast if fast else chip.clock_read
    hertz = min(max(connection.ceiling * share / 2**turn, limits[0]), limits[1], top)
    if hertz > connection.edge_limit:
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
    connection: Connection, number: int, title: str, watcher: Watcher, *, seen: bytes | None = None
) -> PassTaken:
    """Read the whole chip once, with the setting of pass `number`.

    `seen` is what an earlier pass read: what was blank in it may be read at a brisker clock.
    A pass before or after which the chip does not give its known answers is taken again at
    half the clock. Raises `ChipMismatchError` when they do not come at the slowest one either,
    `UnstableReadError` when they come with bits wrong, or only ever before or after a pass.
    """
    bus, chip = connection.bus, connection.chip
    setting, brisk = off_beat(connection, pass_setting(connection, number))
    if seen is None:
        brisk = None
    for _ in range(MOST_TRIES):
        hertz = apply(connection, setting)
        if answers_known(connection):
            start = bus.clock.now()
            with watcher.step(title, chip.size) as advance:
                contents = _read_blocks(connection, setting, brisk, seen or b"", advance)
            if answers_known(connection):
                opcode = commands.FAST_READ if setting.fast else commands.READ
                took = bus.clock.now() - start
                return PassTaken(number, setting, hertz, opcode, contents, took)
        if setting.hertz <= PROBE_CLOCK:
            check_same_chip(connection)
        slower = max(setting.hertz / 2, PROBE_CLOCK / 2)
        setting, brisk = replace(setting, hertz=slower, sampling=Sampling.LATE), None
        watcher.say(
            f"The chip's ID and SFDP read wrongly at {hertz / 1e6:.3g} MHz: pass {number} "
            f"is taken at {setting.hertz / 1e6:.3g} MHz"
        )
    raise UnstableReadError(
        f"Pass {number} was taken {MOST_TRIES} times, and each time the chip's ID and SFDP read "
        "wrongly before or after it.",
        state="Nothing has been changed by this step.",
        remedy="Seat the clip again, shorten the leads, connect ground, then repeat; 'spiflash "
        "contact' names the pin to look at.",
    )


def read_range(connection: Connection, start: int, length: int) -> bytes:
    """`length` bytes from `start` on, read twice with the settings of two passes.

    Raises `UnstableReadError` when the two differ, or when the chip stops giving its known answers.
    """
    taken = []
    for number in (1, 2):
        setting, _ = off_beat(connection, pass_setting(connection, number))
        apply(connection, setting)
        taken.append(connection.flash.read_all(start, length, setting.style(connection.chip)))
    if taken[0] != taken[1] or not answers_known(connection):
        raise UnstableReadError(
            f"Two readings of {length:,} bytes at {address(start)} differ, or the chip stopped "
            "answering.",
            state="The chip was only read.",
            remedy="Seat the clip again or use a lower clock, then repeat.",
        )
    return taken[0]


def read_spans(
    connection: Connection, where: Sequence[Span], number: int, title: str, watcher: Watcher
) -> list[bytes]:
    """Read some ranges with the setting of pass `number`.

    Raises `ChipMismatchError` or `UnstableReadError` unless the chip gives its known answers
    before and after.
    """
    setting, _ = off_beat(connection, pass_setting(connection, number))
    style = setting.style(connection.chip)
    check_same_chip(connection)
    apply(connection, setting)
    found: list[bytes] = []
    with watcher.step(title, sum(high - low for low, high in where)) as advance:
        for low, high in where:
            found.append(connection.flash.read_all(low, high - low, style))
            advance(high - low)
    check_same_chip(connection)
    return found


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
    advance: Advance,
) -> bytes:
    """The contents, read with `setting`; some blocks, if any may be, with `brisk`."""
    chip = connection.chip
    contents = bytearray(chip.size)
    style = setting.style(chip)
    blocks = list(_blocks(chip.size, setting))
    quick: set[int] = set()
    if brisk is not None:
        quick = {low for low, high in blocks if seen.count(0xFF, low, high) == high - low}
        others = [low for low, _ in blocks if low not in quick]
        missing = round(BRISK * len(blocks)) - len(quick) if chip.size >= WORTH_IT else 0
        quick.update(DRAW.sample(others, max(0, missing)))
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


MOST_PASSES = 8
"""Passes after which the evidence is not waited for any longer."""

HOPELESS = 0.25
"""Share of disagreeing pages above which more reading is not tried: the contact is bad."""

WHOLE = 0.25
"""Share of disagreeing sectors up to which they are read again whole, neighbours included;
above it only the pages that disagree are."""

LOOKED_AT = 64
"""Pages, at most, that are looked at to see whether they changed."""


class Passes:
    """The passes of one reading, and what else has to be known to take the next one."""

    def __init__(
        self, connection: Connection, watcher: Watcher, keep: Callable[[PassTaken], None] | None
    ) -> None:
        self.connection = connection
        self.watcher = watcher
        self.taken: list[PassTaken] = []
        self._keep = keep
        self._board = SameBoard(connection)

    def begin(
        self, earlier: Sequence[PassTaken], count: int, stale: Callable[[], None] | None
    ) -> None:
        """Take the first pass of this run, and decide whether the earlier ones can be used."""
        self.taken = list(earlier)
        if not earlier:
            return
        fresh = self._one_more(f"pass {len(earlier) + 1} of {max(count, len(earlier) + 1)}")
        if latest_alone([earlier[-1].contents, fresh.contents]):
            self.watcher.say("The chip holds something else now than in the earlier passes")
            self.taken = []
            if stale is not None:
                stale()
        self._add(fresh)

    def take(self, title: str) -> None:
        """One more pass."""
        self._add(self._one_more(title))

    def _one_more(self, title: str) -> PassTaken:
        if self.taken:
            self._board.check()
        seen = self.taken[-1].contents if self.taken else None
        return take_pass(self.connection, self._next_setting(), title, self.watcher, seen=seen)

    def _next_setting(self) -> int:
        """The number of a setting that no pass has had."""
        had = {(each.setting.chunk, each.setting.first) for each in self.taken}
        for number in range(1, len(had) + 1):
            setting = pass_setting(self.connection, number)
            if (setting.chunk, setting.first) not in had:
                return number
        return len(had) + 1

    def _add(self, taken: PassTaken) -> None:
        taken = replace(taken, number=len(self.taken) + 1)
        self.taken.append(taken)
        if self._keep is not None:
            self._keep(taken)

    @property
    def contents(self) -> list[bytes]:
        """What each pass read."""
        return [each.contents for each in self.taken]

    def weigh(self) -> Weighed:
        """What the passes so far say."""
        pages = differing_bits(self.contents)
        return Weighed(pages, len(self.taken), rarest_share(self.taken[-1].contents))

    def too_little(self, weighed: Weighed) -> str | None:
        """Why another pass is needed before anything is read again; None when it is not."""
        if len(self.taken) >= MOST_PASSES:
            return None
        if weighed.shared >= LIMIT:
            found = f"{counted(weighed.differing, 'bit')} differ" if weighed.differing else ""
            return f"{found or 'No differences'}, but not yet enough proof"
        if self._just_changed():
            return "Some pages hold something else now than in the earlier passes"
        return None

    def _just_changed(self) -> bool:
        """Whether pages that only the last pass reads as it does are as it read them."""
        alone = latest_alone(self.contents)
        pages = DRAW.sample(alone, min(len(alone), LOOKED_AT))
        if not pages:
            return False
        last = self.taken[-1].contents
        found = self.connection.flash.peek(sorted(pages), PAGE)
        return any(
            _distance(last[page : page + PAGE], data) < LEAST
            for page, data in zip(sorted(pages), found, strict=True)
        )


class Weighed:
    """What the passes so far say."""

    def __init__(self, pages: Counts, passes: int, share: float) -> None:
        self.pages = pages
        self.differing = int(pages.sum())
        flagged: Flags = pages > 0
        per_sector = SECTOR // PAGE
        by_sector = np.flatnonzero(flagged.reshape(-1, per_sector).any(axis=1))
        self.sectors = tuple(int(index) * SECTOR for index in by_sector)
        self.whole = len(by_sector) * per_sector <= WHOLE * len(pages)
        reread = flagged
        if self.whole:
            reread = np.repeat(flagged.reshape(-1, per_sector).any(axis=1), per_sector)
        self.hopeless = bool(flagged.mean() > HOPELESS)
        self.rate = bit_rate(self.differing, 8 * PAGE * len(pages), passes)
        self.shared = shared_bits(pages, passes, reread, share)

    @property
    def disagreeing(self) -> list[tuple[int, int]]:
        """What is to be read again: (address, length) of whole sectors, or of pages only where
        more than `WHOLE` of the chip disagrees."""
        if self.whole:
            return [(start, SECTOR) for start in self.sectors]
        return [(int(index) * PAGE, PAGE) for index in np.flatnonzero(self.pages)]

    def record(
        self,
        passes: Passes,
        settled: float = 0.0,
        probes: tuple[ProbeRecord, ...] = (),
        weak: tuple[int, ...] = (),
    ) -> EvidenceRecord:
        """The figures, for the record."""
        count = len(passes.taken)
        return EvidenceRecord(
            bits=8 * PAGE * len(self.pages),
            passes=count,
            differing=self.differing,
            rate=self.rate.estimate,
            rate_low=self.rate.low,
            rate_high=self.rate.high,
            shared=self.shared,
            settled=settled,
            limit=LIMIT,
            stretch=smallest_stretch(self.differing, count),
            probes=probes,
            weak=weak,
            unseen=unseen(passes.contents, weak),
        )


def _distance(one: bytes, other: bytes) -> int:
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).bit_count()
