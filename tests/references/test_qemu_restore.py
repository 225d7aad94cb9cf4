"""The whole restore path on QEMU's flash models: a second chip that nobody here wrote.

QEMU's chips take no time and lose no power in mid-erase, so that this checks what is erased,
programmed and left alone, not how fast. A cut is QEMU's disappearance after so many chip-select
periods; what its image file holds then is what the next session finds. The file is also where
the result is read, behind the back of everything under test.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import pytest

from spiflash.archive.journal import open_journals
from spiflash.archive.shelf import Shelf
from spiflash.bus import Transaction
from spiflash.errors import AdapterLostError
from spiflash.jobs import Unwatched
from spiflash.jobs.connection import connected, identify_chip
from spiflash.jobs.image import Image
from spiflash.jobs.write import Rewritten, WriteOptions, restore
from spiflash.nor.identify import chip_table
from tests.references.qemu import MODELS, PROGRAM, Model, QemuBus, start_qemu

pytestmark = pytest.mark.needs(PROGRAM)

SECTOR = 4096
BY_NAME = {model.name: model for model in MODELS}
PARTS = {"w25q64": "W25Q64FV", "gd25q64": None, "n25q128": None, "is25lp128": None}


def old_and_new(model: Model) -> tuple[bytes, bytes]:
    rng = random.Random(model.name)
    old = bytearray(b"\xff" * model.size)
    for start in range(0, model.size, 1 << 20):
        old[start : start + 200_000] = rng.randbytes(200_000)
    new = bytearray(old)
    for sector in rng.sample(range(model.size // SECTOR), 12):
        new[sector * SECTOR + 50 : sector * SECTOR + 1500] = rng.randbytes(1450)
    return bytes(old), bytes(new)


ERASES = tuple(bytes.fromhex(opcode) for opcode in ("20", "21", "52", "5c", "d8", "dc", "c7"))


class Dying:
    """A bus that is gone `left` chip-select periods after the first erase."""

    def __init__(self, inner: QemuBus, left: int) -> None:
        self.inner = inner
        self.left = left
        self.begun = False
        self.clock = inner.clock
        self.description = inner.description
        self.clock_limits = inner.clock_limits
        self.set_clock = inner.set_clock
        self.set_sampling = inner.set_sampling
        self.stream = inner.stream
        self.close = inner.close

    @property
    def hertz(self) -> float:
        return self.inner.hertz

    def run(self, transactions: Sequence[Transaction]) -> list[bytes]:
        taken: list[Transaction] = []
        for each in transactions:
            self.begun = self.begun or each.out[:1] in ERASES
            if self.begun and not self.left:
                break
            self.left -= self.begun
            taken.append(each)
        answers = self.inner.run(taken)
        if len(taken) < len(transactions):
            raise AdapterLostError("The adapter has gone.")
        return answers

    def run_ahead(self, batches: Iterable[Sequence[Transaction]]) -> Iterator[list[bytes]]:
        return (self.run(batch) for batch in batches)


def written(
    bus: QemuBus, part: str | None, shelf: Shelf, image: Image | None, at: int = 0
) -> Rewritten:
    with connected(bus, identify_chip(bus, chip_table(), part)) as connection:
        return restore(
            connection,
            shelf,
            image,
            Unwatched(),
            WriteOptions(without_backup=True, at=at),
            agree=lambda _: True,
        )


@pytest.mark.parametrize("name", PARTS)
def test_a_restore_changes_what_it_should(name: str, tmp_path: Path) -> None:
    model, file = BY_NAME[name], tmp_path / "flash"
    old, new = old_and_new(model)
    file.write_bytes(old)
    at = 300
    with start_qemu(name, file) as bus:
        done = written(bus, PARTS[name], Shelf(tmp_path), Image("new", new[at:]), at)
    assert done.proof is not None
    assert not done.repaired
    assert file.read_bytes() == old[:at] + new[at:]


@pytest.mark.parametrize("periods", [30, 150, 230])
def test_a_cut_is_finished(periods: int, tmp_path: Path) -> None:
    """`periods` chip-select periods after the first erase."""
    model, file, shelf = BY_NAME["w25q64"], tmp_path / "flash", Shelf(tmp_path / "shelf")
    old, new = old_and_new(model)
    file.write_bytes(old)
    image = Image("new", new)
    with start_qemu(model.name, file) as bus:
        dying = Dying(bus, periods)
        with (
            pytest.raises(AdapterLostError),
            connected(dying, identify_chip(dying, chip_table(), PARTS["w25q64"])) as connection,
        ):
            restore(
                connection,
                shelf,
                image,
                Unwatched(),
                WriteOptions(without_backup=True),
                agree=lambda _: True,
            )
    half = file.read_bytes()
    assert half not in (old, new)
    assert len(open_journals(shelf.journals).whole) == 1
    with start_qemu(model.name, file) as bus:
        written(bus, PARTS["w25q64"], shelf, None)
    assert file.read_bytes() == new
    assert not open_journals(shelf.journals).whole
