"""At which clock and edge the chip is spoken to while it is written.

On long wires an answer sampled on the rising edge is a bit late above some 15 MHz (common
practice, no source): a status that is read so says ready when the chip is busy.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.faults import Wrapper
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat
from spiflash.archive.shelf import Shelf
from spiflash.bus import Sampling
from spiflash.jobs.connection import ClockSweep, SweepPoint
from spiflash.jobs.image import Image
from spiflash.jobs.write import WriteOptions, restore
from tests.job_rig import Rig

NEW = bytes(range(256)) * 64


class Watched(Wrapper):
    """Notes how single-byte answers are sampled while something is written."""

    writing = False

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        if self.writing and len(mosi) == 1:
            self.beats.append(beat)
        return self.inner.transfer(mosi, beat)

    def __init__(self, chip: NorChip) -> None:
        super().__init__(chip)
        self.beats: list[Beat] = []

    @contextmanager
    def step(self, title: str, total: int, counting: str = "bytes"):  # type: ignore[no-untyped-def]
        self.writing = title.startswith("erasing")
        try:
            yield lambda count: None
        finally:
            self.writing = False

    def say(self, text: str) -> None:
        pass


def sweep(late: float, edge: float) -> ClockSweep:
    """Everything works up to these clocks."""

    def points() -> Iterator[SweepPoint]:
        for hertz in (1e6, 12e6, 24e6, 30e6):
            for sampling, top in ((Sampling.LATE, late), (Sampling.EDGE, edge)):
                yield SweepPoint(hertz, sampling, 8 if hertz <= top else 0, 8)

    return ClockSweep(tuple(points()))


@pytest.mark.parametrize(("seen", "late"), [(sweep(30e6, 24e6), True), (sweep(24e6, 30e6), False)])
def test_the_status_is_sampled_at_the_edge_that_works(
    seen: ClockSweep, late: bool, tmp_path: Path
) -> None:
    chip = NorChip("W25Q64JV", seed=3)
    clip = Watched(chip)
    with Rig(chip, clip=lambda _: clip).connect("W25Q64JV", ceiling=30e6) as connection:
        restore(
            replace(connection, sweep=seen, edge_limit=24e6),
            Shelf(tmp_path),
            # Mostly what the chip holds: the rest is read again at 21 MHz, rising edge.
            Image("new", NEW + b"\xff" * (chip.description.size - len(NEW))),
            clip,  # type: ignore[arg-type]
            WriteOptions(without_backup=True),
            agree=lambda work: True,
        )
    assert chip.contents[: len(NEW)] == NEW
    assert {beat.hertz for beat in clip.beats} == {30e6}
    assert any(beat.late for beat in clip.beats) == late
