"""Programming pages at the chip's own speed.

Pages go out in batches: write enable, page, idle clocks for the time the chip takes, one status
byte; the next batch is on its way while the answers to the last one come back. A page that
reaches a busy chip is ignored by it. That is seen from the status byte before it, and the page
is sent again with a later batch: pages do not depend on each other, and programming the same
data twice changes nothing. A batch lost to noise is found by the verification that follows.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice

from spiflash.bus.transaction import Bus, Transaction
from spiflash.nor import commands
from spiflash.nor.addressing import Addressing
from spiflash.nor.chip import Chip
from spiflash.nor.commands import WIP
from spiflash.nor.geometry import ProgramMethod
from spiflash.nor.pace import Rest
from spiflash.nor.waiting import Waiting, look

BATCH = 32
"""Pages in one exchange with the adapter: about 8 KiB of commands, twice the largest FIFO."""

BYTES_BATCH = 512
"""The same for parts that take one byte a command."""

SOUNDINGS = 4
"""Pages whose time is measured before the first batch."""

SAMPLES = 32
"""Status bytes read after a page that is measured: up to twice the typical time."""

STALLED = 8
"""Pages in a row that met a busy chip, after which it is waited for: it takes far longer than
it should, or does not answer."""

Page = tuple[int, bytes]
Report = Callable[[int], None]


class Programmer:
    """Programs one chip and remembers how fast it is."""

    def __init__(self, bus: Bus, chip: Chip, way: Addressing, waiting: Waiting) -> None:
        self._bus = bus
        self._way = way
        self._waiting = waiting
        self._geometry = chip.geometry
        self._look = look(chip)
        self._rest = Rest(chip.geometry.program)

    @property
    def rest(self) -> float:
        """Seconds that the chip is left alone after each page at present."""
        return self._rest.seconds

    def program(self, pieces: Iterable[Page], progress: Report) -> None:
        """Program pieces, none across a page boundary, all in one 16 MiB segment that is
        selected already. Raises `ChipTimeoutError`, `ChipAbsentError`."""
        pages: Iterable[Page] = pieces
        size = BATCH
        if self._geometry.method is ProgramMethod.BYTE:
            pages = (
                (start + i, data[i : i + 1]) for start, data in pieces for i in range(len(data))
            )
            size = BYTES_BATCH
        left = iter(pages)
        if not self._rest.known:
            self._sound(list(islice(left, SOUNDINGS)), progress)
        run = _Run(left, progress)
        while run.more():
            self._stream(run, size)
            if run.stalled:
                self._waiting.until_ready(self._geometry.program, f"programming at {run.at:#x}")
                run.stalled = 0

    def _sound(self, pages: Sequence[Page], progress: Report) -> None:
        """Program a few pages one by one and see how long each takes."""
        span = self._geometry.program
        step = 2 * span.typical / SAMPLES
        *before, last = self._look
        sample = [*before, Transaction(last.out, last.read, rest=step)]
        # Two bytes each, then the rest.
        interval = 16 * len(sample) / self._bus.hertz + step
        times: list[float] = []
        for start, data in pages:
            begun = self._bus.clock.now()
            answers = self._bus.run([*self._orders(start, data, 0.0)[:2], *sample * SAMPLES])
            busy = [bool(answer[0] & WIP) for answer in answers[2 :: len(sample)]]
            took = self._waiting.until_ready(span, f"programming at {start:#x}", begun=begun)
            # Ready between the sample before and this one.
            times.append((busy.index(False) - 0.5) * interval if False in busy else took)
            progress(len(data))
        if times:
            self._rest.sound(times)

    def _stream(self, run: _Run, size: int) -> None:
        sent: deque[list[Page]] = deque()

        def batches() -> Iterator[list[Transaction]]:
            while not run.stalled and (batch := run.next(size)):
                sent.append(batch)
                rest = self._rest.seconds
                yield [order for page in batch for order in self._orders(*page, rest)]

        turn = 2 + len(self._look)
        for answers in self._bus.run_ahead(batches()):
            busy = [bool(answer[0] & WIP) for answer in answers[2::turn]]
            late = run.settle(sent.popleft(), busy)
            self._rest.learn(late, busy)
        # What follows must not meet a busy chip.
        if run.busy:
            self._waiting.until_ready(self._geometry.program, f"programming at {run.at:#x}")
            run.busy = False

    def _orders(self, start: int, data: bytes, rest: float) -> list[Transaction]:
        page = self._geometry.page
        if len(data) > page - start % page:
            raise ValueError(f"{len(data)} bytes at {start:#x} cross a page boundary")
        way = self._way
        order = commands.program(way.shown(start), data, way.width, native=way.native, rest=rest)
        return [commands.write_enable(), order, *self._look]


class _Run:
    """The pages of one call: still to send, under way, or to be sent again."""

    def __init__(self, left: Iterator[Page], progress: Report) -> None:
        self._left = left
        self._again: deque[Page] = deque()
        self._progress = progress
        self._row = 0
        self.busy = False
        """The last status seen said busy: the page behind it was ignored."""
        self.stalled = 0
        self.at = 0

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

    def settle(self, batch: Sequence[Page], busy: Sequence[bool]) -> int:
        """Statuses of a batch are in; how often the chip was not ready in time.

        One slow page may make several that follow come too early: they count once.
        """
        late = done = 0
        for page, still in zip(batch, busy, strict=True):
            self.at = page[0]
            if self.busy:
                self._again.append(page)
            else:
                done += len(page[1])
                late += still
            self._row = self._row + 1 if still else 0
            self.busy = still
        if done:
            self._progress(done)
        if self._row >= STALLED:
            self.stalled = self._row
        return late
