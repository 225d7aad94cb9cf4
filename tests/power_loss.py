"""Every job that writes, in every test, under cuts: `pytest tests/jobs --cuts N`.

A test runs as it always does. Each time it restores or erases, that very call is played again on
copies of chip and shelf, once for each N-th USB transfer from the first change of the chip on,
and cut there: by pulling the adapter out, and by taking the board's power as well, in turn. Then
the work is taken up again, by a resume and by the same call in turn, and chip, registers and
journals have to be as the uncut call left them.

What a test asserts is therefore asserted of the uncut call, and holds for the cut ones as far as
it is about chip, registers and journals.
"""

from __future__ import annotations

import copy
import shutil
import sys
import tempfile
import weakref
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hwmocks.bench import Bench, make_bench
from hwmocks.ftdi import UsbFaults
from hwmocks.nor.chip import NorChip, Snapshot
from hwmocks.wire import SpiDevice
from spiflash.archive.shelf import Shelf
from spiflash.bus import locate
from spiflash.errors import SpiflashError
from spiflash.jobs import write as work_restore
from spiflash.jobs.connection import Connection, connected

AFTERWARDS = 1e9
"""A moment at which whatever was under way has ended."""

_open_bench_bus = locate.open_bench_bus
_restore = work_restore.restore


class CutError(AssertionError):
    """A job that was cut did not end as the uncut one."""


@dataclass
class Cutter:
    """Stands in for `restore` and for `open_bench_bus`, which tells it what a bus leads to."""

    every: int
    counts: Counter[str] = field(default_factory=Counter)
    benches: weakref.WeakKeyDictionary[Any, Bench] = field(
        default_factory=weakref.WeakKeyDictionary
    )
    busy: bool = False

    def open_bench_bus(self, bench: Bench, *arguments: Any, **named: Any) -> Any:
        bus = _open_bench_bus(bench, *arguments, **named)
        self.benches[bus] = bench
        return bus

    def restore(
        self, connection: Connection, shelf: Shelf, image: Any, *arguments: Any, **named: Any
    ) -> Any:
        bench = self.benches.get(connection.bus)
        faults = bench.device.faults if bench else UsbFaults()
        if self.busy or bench is None or faults.on_transfer or faults.unplug_at:
            return _restore(connection, shelf, image, *arguments, **named)
        with tempfile.TemporaryDirectory(prefix="cuts-") as folder:
            kept = Path(folder) / "kept"
            if shelf.root.is_dir():
                shutil.copytree(shelf.root, kept, ignore=shutil.ignore_patterns(".*"))
            case = _Case(bench, connection, copy.deepcopy(bench.wired), kept)
            written = (bench.chip.pages_programmed, len(bench.chip.erased))
            first: list[int] = []

            def watch(number: int) -> None:
                if not first and written != (bench.chip.pages_programmed, len(bench.chip.erased)):
                    first.append(number)

            faults.on_transfer, start = watch, bench.device.transfers
            try:
                result = _restore(connection, shelf, image, *arguments, **named)
            finally:
                faults.on_transfer = None
            if not first:
                return result
            self.counts["jobs"] += 1
            last = bench.device.transfers
            wanted = bench.chip.snapshot(), _journals(shelf.root)
            for number in range(first[0], last + 1, self.every):
                self._cut(case, number - start, image, arguments, named, wanted)
        return result

    def _cut(
        self,
        case: _Case,
        number: int,
        image: Any,
        arguments: tuple[Any, ...],
        named: dict[str, Any],
        wanted: tuple[Snapshot, list[str]],
    ) -> None:
        """Cut at the job's transfer `number`, go on, and compare."""
        self.counts["cuts"] += 1
        named = {**named, "agree": lambda work: True}
        trial = case.trial(power=self.counts["cuts"] % 2 == 0)
        again = image
        self.busy = True
        try:
            try:
                with trial.session(cut_at=number) as connection:
                    _restore(connection, trial.shelf, image, *arguments, **named)
            except SpiflashError:
                if not trial.cut:
                    raise
            if _journals(trial.shelf.root) and self.counts["cuts"] % 4 > 1:
                again = None
            elif image is None and not _journals(trial.shelf.root):
                return  # it had come to its end
            with trial.session() as connection:
                _restore(connection, trial.shelf, again, *arguments, **named)
        except SpiflashError as error:
            raise CutError(f"cut at transfer {number} of the job: {error}") from error
        finally:
            self.busy = False
        found = trial.chip.snapshot(), _journals(trial.shelf.root)
        if found != wanted:
            what = ["contents", "registers", "security"]
            parts = [name for name in what if getattr(found[0], name) != getattr(wanted[0], name)]
            raise CutError(
                f"cut at transfer {number} of the job: {', '.join(parts) or 'journals'} not as "
                f"without a cut; journals {found[1]}, without a cut {wanted[1]}"
            )


@dataclass
class _Case:
    """The world as it was before the job."""

    bench: Bench
    connection: Connection
    wired: SpiDevice | None
    kept: Path

    def trial(self, *, power: bool) -> _Trial:
        wired = copy.deepcopy(self.wired)
        root = self.kept.with_name("trial")
        shutil.rmtree(root, ignore_errors=True)
        if self.kept.is_dir():
            shutil.copytree(self.kept, root)
        return _Trial(self, _chip(wired), wired, Shelf(root), power)


@dataclass
class _Trial:
    """A copy of it, to be cut."""

    case: _Case
    chip: NorChip
    wired: Any
    shelf: Shelf
    power: bool
    cut: bool = False

    @contextmanager
    def session(self, cut_at: int | None = None) -> Iterator[Connection]:
        """The chip on an adapter of the same kind; with `cut_at`, the job's transfer of that
        number is the last."""
        live = self.case.bench
        # Whoever is in mid-session left the chip in it; a copy of the chip starts afresh.
        self.chip.power(False, AFTERWARDS)
        bench: Bench
        begun: list[int] = []

        def at_transfer(number: int) -> None:
            if cut_at is None or not begun or self.cut or number - begun[0] < cut_at:
                return
            if self.power:
                self.chip.power(False, bench.clock.now())
            self.cut = True
            bench.device.unplug()

        bench = make_bench(
            self.chip,
            adapter=live.device.profile.name,
            clip=lambda _: self.wired,
            faults=UsbFaults(on_transfer=at_transfer),
        )
        self.chip.power(True, 0.0)
        bench.clock.advance(0.1)
        bus = _open_bench_bus(bench, "cut")
        known = self.case.connection
        try:
            with connected(bus, known.chip, known.ceiling, known.sweep) as connection:
                begun.append(bench.device.transfers)
                yield connection
        finally:
            bus.close()


def _chip(wired: Any) -> NorChip:
    """The chip behind its contact."""
    while not isinstance(wired, NorChip):
        wired = wired.inner
    return wired


def _journals(root: Path) -> list[str]:
    folder = root / "journals"
    names = [each.name for each in folder.iterdir()] if folder.is_dir() else []
    return sorted(name for name in names if not name.startswith("."))


def install(cutter: Cutter) -> Callable[[], None]:
    """Let the cutter stand in wherever the two functions were imported; returns the way back."""
    stands_in = {id(_open_bench_bus): cutter.open_bench_bus, id(_restore): cutter.restore}
    changed: list[tuple[Any, str, Any]] = []
    for module in list(sys.modules.values()):
        if module is sys.modules[__name__]:
            continue
        for name, value in list(vars(module).items()) if module else ():
            if id(value) in stands_in:
                changed.append((module, name, value))
                setattr(module, name, stands_in[id(value)])

    def remove() -> None:
        for module, name, value in changed:
            setattr(module, name, value)

    return remove
