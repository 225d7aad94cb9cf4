"""Programming pages at the chip's own speed.

Pages are sent in batches: write enable, page, idle clocks for the time that the chip needs, one
status byte. The next batch is on its way while the answers to the last one come back. A busy chip
ignores a page; the status byte before that page shows it, and the page is sent again with a later
batch. Pages do not depend on each other, and programming the same data twice changes nothing. The
verification afterwards finds a batch that noise has damaged.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice
from math import ceil

from spiflash.bus.transaction import Bus, Transaction
from spiflash.errors import ChipAbsentError
from spiflash.nor import commands
from spiflash.nor.addressing import Addressing
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WIP
from spiflash.nor.geometry import ProgramMethod
from spiflash.nor.timing import ABSENT, PageRest, Waiting, read_ready
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
