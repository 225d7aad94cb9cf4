"""Programming pages at the chip's own speed.

Pages are sent in batches: write enable, page, idle clocks for the time that the chip needs, one
status byte. The next batch is on its way while the answers to the last one come back. A busy chip
ignores a page; the status byte before that page shows it, and the page is sent again with a later
batch. Pages do not depend on each other, and programming the same data twice changes nothing. The
verification afterwards finds a batch that noise has damaged.

How long one chip really takes is learnt while it works. Data sheets give a typical and a maximum
time; a chip keeps to a time of its own between the two and varies by a few per cent around it
(common practice, no source). Waiting for the maximum wastes most of the time, and asking without
pause wastes the USB. So the usual time, a median of times seen, says when to look. It is only ever
a guess at when: a chip counts as ready when its status says so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice
from math import ceil

from spiflash.bus import Bus, Transaction
from spiflash.errors import ChipAbsentError, ChipTimeoutError
from spiflash.nor import commands
from spiflash.nor.addressing import Addressing
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WIP
from spiflash.nor.geometry import Duration, ProgramMethod
from spiflash.nor.scheme import scheme
from spiflash.text import address

BATCH = 32
"""Pages in one exchange with the adapter: about 8 KiB of commands, twice the largest FIFO."""

BYTES_BATCH = 512
"""The same for parts that program one byte with each command."""

MEASURED = 7
"""Pages whose time is measured before the first batch."""

SAMPLES = 24
"""Most status bytes read after a page that is measured."""

CLOSELY = 0.2
"""How far around the time of the first page the others are sampled, as a share of it."""

LEAST_STEP = 15e-6
"""Least seconds from one sample to the next: well above what an adapter needs for its commands."""

STALLED = 8
"""Pages in a row that found the chip busy, after which it is waited for: it takes far longer than
it should, or does not answer."""

GONE = 2
"""Status bytes of a batch that read FFh, from which on no chip is there: one may be noise."""

Page = tuple[int, bytes]
Report = Callable[[int], None]


class Programmer:
    """Programs one chip and remembers how fast it is."""

    def __init__(self, bus: Bus, chip: Chip, addressing: Addressing, waiting: Waiting) -> None:
        self._bus = bus
        self._addressing = addressing
        self._waiting = waiting
        self._geometry = chip.geometry
        self._read_ready = read_ready(chip)
        self._rest = PageRest(chip.geometry.program)

    def program(self, pieces: Iterable[Page], progress: Report) -> None:
        """Program pieces, none across a page boundary, all in one 16 MiB segment, which is already
        selected. Raises `ChipTimeoutError`, `ChipAbsentError`."""
        pages: Iterable[Page] = pieces
        size = BATCH
        if self._geometry.method is ProgramMethod.BYTE:
            pages = (
                (start + i, data[i : i + 1]) for start, data in pieces for i in range(len(data))
            )
            size = BYTES_BATCH
        run = _Run(iter(pages), progress)
        if not self._rest.measured:
            self._measure(run.next(MEASURED), progress)
        while run.more():
            self._stream(run, size)
            if run.busy:
                # The next pages must not find the chip busy. No answer is an error here.
                self._waiting.until_ready(
                    self._geometry.program, f"programming at {address(run.at)}"
                )
                run.ready()

    def _measure(self, pages: Sequence[Page], progress: Report) -> None:
        """Program a few pages one by one and measure how long each takes: the first one coarsely,
        the others closely around the time of the first."""
        span = self._geometry.program
        first, step, count = 0.0, 2 * span.typical / SAMPLES, SAMPLES
        *before, last = self._read_ready
        times: list[float] = []
        for start, data in pages:
            sample = [*before, Transaction(last.out, last.read, rest=step)]
            begun = self._bus.clock.now()
            answers = self._bus.run([*self._orders(start, data, first)[:2], *sample * count])
            busy = [bool(answer[0] & WIP) for answer in answers[2 :: len(sample)]]
            took = self._waiting.until_ready(span, f"programming at {address(start)}", begun=begun)
            if False in busy:
                # Ready between the last sample and this one; each has two bytes and the rest.
                interval = 16 * len(sample) / self._bus.hertz + step
                took = first + max(0.0, busy.index(False) - 0.5) * interval
            times.append(took)
            if first and not busy[0]:
                # Ready before the first sample: the page that said where to sample was a slow one.
                first, step, count = 0.0, 2 * span.typical / SAMPLES, SAMPLES
            elif not first and False in busy:
                first, width = took * (1 - CLOSELY), 2 * took * CLOSELY
                step = max(width / SAMPLES, LEAST_STEP)
                count = ceil(width / step)
            progress(len(data))
        if times:
            # The first one only said where to sample.
            self._rest.measure(times[1:] or times)

    def _stream(self, run: _Run, size: int) -> None:
        sent: deque[list[Page]] = deque()

        def batches() -> Iterator[list[Transaction]]:
            while not run.stalled and (batch := run.next(size)):
                rest = self._rest.seconds
                sent.append(batch)
                yield [order for page in batch for order in self._orders(*page, rest)]

        turn = 2 + len(self._read_ready)
        for answers in self._bus.run_ahead(batches()):
            statuses = [answer[0] for answer in answers[2::turn]]
            batch = sent.popleft()
            if statuses.count(ABSENT) >= GONE:
                # The next chip that answers may be another one, which must not get the rest.
                raise ChipAbsentError(
                    f"The chip stopped answering while programming at {address(batch[0][0])}.",
                    state="Writing is half done.",
                    remedy="Seat the clip again and repeat the command.",
                )
            self._rest.count(*run.record(batch, [bool(status & WIP) for status in statuses]))

    def _orders(self, start: int, data: bytes, rest: float) -> list[Transaction]:
        page = self._geometry.page
        if len(data) > page - start % page:
            raise ValueError(f"{len(data)} bytes at {start:#x} cross a page boundary")
        to = self._addressing
        order = commands.program(to.shown(start), data, to.width, native=to.native, rest=rest)
        return [commands.write_enable(), order, *self._read_ready]


class _Run:
    """The pages of one call: still to send, under way, or to be sent again."""

    def __init__(self, left: Iterator[Page], progress: Report) -> None:
        self._left = left
        self._again: deque[Page] = deque()
        self._progress = progress
        self._row = 0
        self.busy = False
        """The last status byte said busy: the page after it will be ignored."""
        self.at = 0

    @property
    def stalled(self) -> bool:
        """Whether to stop sending and wait for the chip."""
        return self._row >= STALLED

    def ready(self) -> None:
        """The chip has been waited for."""
        self.busy = False
        self._row = 0

    def more(self) -> bool:
        """Whether anything is left to send."""
        if self._again:
            return True
        for page in self._left:
            self._again.append(page)
            return True
        return False

    def next(self, size: int) -> list[Page]:
        """The next batch: pages that were ignored first."""
        again = [self._again.popleft() for _ in range(min(size, len(self._again)))]
        return list(islice(chain(again, self._left), size))

    def record(self, batch: Sequence[Page], busy: Sequence[bool]) -> tuple[int, int]:
        """Take the status bytes of a batch: how many of its pages the chip carried out, and after
        how many of those it was not ready in time. Pages sent to a busy chip are sent again."""
        pages = late = done = 0
        for page, still in zip(batch, busy, strict=True):
            self.at = page[0]
            if self.busy:
                self._again.append(page)
            else:
                pages += 1
                late += still
                done += len(page[1])
            self._row = self._row + 1 if still else 0
            self.busy = still
        if done:
            self._progress(done)
        return pages, late


# -- pages: how long to leave the chip alone -------------------------------------------------------

MARGIN = 1.06
"""The first rest, as a multiple of the usual time. A page that comes too early costs its whole
turn, a longer rest costs every turn: with a variation of 3 % the sum is least where between one and
two pages in a hundred come too early."""

COUNTED = 200
"""Pages after which the rest is judged, at the latest."""

TOO_MANY = 6
"""Pages among them that may come too early before the rest gets longer; when none does, it gets
shorter."""

STEP = 1.015
"""By how much."""


def _median(times: Iterable[float]) -> float:
    from statistics import median  # it loads much that a command that only looks does not need

    return median(times)


class PageRest:
    """Seconds to leave the chip alone after each page, within the limits of its data sheet: the
    usual time of some pages that were measured and a margin, then a step longer when too many
    pages come too early, a step shorter when none does."""

    def __init__(self, time: Duration) -> None:
        self._time = time
        self.seconds = time.typical
        self.measured = False
        self._pages = self._late = 0

    def measure(self, times: Sequence[float]) -> None:
        """Set the rest by the seconds that some pages took."""
        self._set(MARGIN * _median(times))
        self.measured = True

    def count(self, pages: int, late: int) -> None:
        """Of `pages` that the chip carried out, `late` were not ready after their rest."""
        self._pages += pages
        self._late += late
        if self._late > TOO_MANY:
            self._set(self.seconds * STEP)
        elif self._pages < COUNTED:
            return
        elif not self._late:
            self._set(self.seconds / STEP)
        self._pages = self._late = 0

    def _set(self, seconds: float) -> None:
        self.seconds = min(max(seconds, self._time.typical / 16), self._time.maximum)


# -- everything else: when to look -----------------------------------------------------------------

EARLY = 0.9
"""Share of the usual time after which looking begins: three times the usual variation."""

LOOKS = 400
"""Parts of the usual time between two looks: seeing the end late costs an eighth of a per cent on
average. What an exchange with the adapter takes is the lower bound by itself."""

REMEMBERED = 5
"""Times of which the median is taken: one operation in a thousand takes far longer than usual."""

PATIENCE = 1.5
"""How much longer than the data sheet's maximum a chip may take before it counts as dead: the
maximum holds for a chip within its rated erase cycles, and boards on benches are old."""

LEAST_PATIENCE = 2.0
"""Seconds beyond the maximum that every operation is given at least: a page of a worn or
mislabelled chip may take many times its few milliseconds; giving up leaves a board half done."""

ABSENT = 0xFF
"""The status byte that is read when no chip answers."""

FAILED = 0x60
"""P_ERR and E_ERR in the status of a Spansion part: while one is set the chip says busy, and
ignores everything but the opcode that clears it, which the entry of its scheme names (S25FL128S
data sheet, "status register 1")."""


def read_ready(chip: Chip) -> tuple[Transaction, ...]:
    """What reads the status; the first answer is status register 1.

    Micron parts of several dies want their flag status read after each operation, or they
    ignore the next one (N25Q512A data sheet, "flag status register").
    """
    if chip.part is not None and chip.part.flag_status:
        return commands.read_status(), commands.read_register(commands.READ_FLAG_STATUS)
    return (commands.read_status(),)


class Waiting:
    """Waits on one bus for one chip, no longer than its data sheet allows and not much longer
    than it takes."""

    def __init__(self, bus: Bus, chip: Chip) -> None:
        self._bus = bus
        self._read_ready = read_ready(chip)
        self._clear_errors = _clear_errors(chip)
        self._seen: dict[Duration, deque[float]] = {}

    def until_ready(self, time: Duration, what: str, *, begun: float | None = None) -> float:
        """Wait for the end of an operation that takes `time`; the seconds since `begun` (now
        when left out).

        Raises `ChipTimeoutError` some time after the data sheet's maximum, `ChipAbsentError`
        when the status reads FFh at two looks in a row: the clip is off, and what answers next
        may be another board. Whether the operation did what it should is not
        looked at: contents are always read back.
        """
        clock = self._bus.clock
        start = clock.now() if begun is None else begun
        limit = max(time.maximum * PATIENCE, time.maximum + LEAST_PATIENCE)
        seen = self._seen.setdefault(time, deque(maxlen=REMEMBERED))
        usual = _median(seen) if seen else time.typical
        looks = 1
        status = self._status()
        if status & WIP:
            # Nothing is to be seen before most of the time is over. Chips take half of the typical
            # time at least; of this one more is known once it was waited for.
            first = start + usual * (EARLY if seen else 0.5)
            clock.sleep(max(0.0, first - clock.now()))
        while status & WIP:
            asked, last = clock.now(), status
            status = self._status()
            looks += 1
            if not status & WIP:
                break
            if last == status == ABSENT or asked - start > limit:
                raise _hung(status, what, limit, time)
            clock.sleep(max(0.0, asked + usual / LOOKS - clock.now()))
        took = clock.now() - start
        if looks > 1:
            # Ready at the first look after the sleep says only that it took less.
            seen.append(took if looks > 2 else took * EARLY)
        return took

    def _status(self) -> int:
        status = self._bus.run(self._read_ready)[0][0]
        if self._clear_errors and status & WIP and status & FAILED and status != ABSENT:
            self._bus.run([Transaction(bytes((code,))) for code in self._clear_errors])
            self._bus.run([commands.write_disable()])
            status = self._bus.run(self._read_ready)[0][0]
        return status


def _clear_errors(chip: Chip) -> tuple[int, ...]:
    """The opcode that clears error bits; () unless every part that the chip may be has it."""
    codes = {scheme(name).clear_errors for name in chip.protection_schemes}
    return tuple(code for code in codes if code is not None) if len(codes) == 1 else ()


def _hung(
    status: int, what: str, limit: float, time: Duration
) -> ChipAbsentError | ChipTimeoutError:
    state = "The block that was being changed may be half done; the others are unchanged."
    if status == ABSENT:
        return ChipAbsentError(
            f"The chip stopped answering while {what}.",
            state=state,
            remedy="Seat the clip again and repeat the command.",
        )
    return ChipTimeoutError(
        f"The chip is still busy after {limit:.1f} s ({what}); its data sheet allows "
        f"{time.maximum:.1f} s.",
        state=state,
        remedy="Check the supply voltage at the chip, then repeat. If this happens again, the "
        "chip is worn out.",
    )
