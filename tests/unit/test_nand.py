"""SPI NAND chips are recognised and refused, and no NOR flash is taken for one.

Source of the IDs: tests/references/data/kernel_spi_nand.csv (the tables of Linux 6.12,
drivers/mtd/nand/spi); those in `FROM_MEMORY` are from memory of the makers' data sheets.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hwmocks.bench import make_bench
from hwmocks.nand import NandChip
from hwmocks.nor.catalog import CATALOG
from hwmocks.nor.chip import NorChip
from hwmocks.wire import SpiDevice
from spiflash.bus.ftdi import FtdiBus
from spiflash.bus.locate import open_bench_bus
from spiflash.errors import ChipUnknownError
from spiflash.jobs.connection import identify_chip
from spiflash.nor.identify import chip_table
from spiflash.nor.jedec import nand

DATA = Path(__file__).parents[1] / "references" / "data" / "kernel_spi_nand.csv"
FROM_MEMORY = {
    "DS35Q1GA": "E571",
    "DS35Q2GB": "E5F2",
    "FM25S01": "A1A1",
    "FM25S02A": "A1E5",
    "HYF1GQ4U": "C921",
    "EM73D044": "D520",
    "UM19A0HISW": "B014",
    "ZD35Q1GA": "BA71",
    "BWJX08U": "BCB1",
    "FS35ND01G": "CDEA",
}


def listed() -> Iterator[tuple[str, int, bytes]]:
    with DATA.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            dummies = 0 if row["method"] == "opcode" else 1
            yield f"{row['name']}-{row['id']}", dummies, bytes.fromhex(row["id"])
    for name, code in FROM_MEMORY.items():
        yield name, 1, bytes.fromhex(code)


CHIPS = [pytest.param(dummies, code, id=name) for name, dummies, code in listed()]


@contextmanager
def clipped(device: SpiDevice) -> Iterator[FtdiBus]:
    bus = open_bench_bus(make_bench(NorChip("W25Q64JV"), clip=lambda _chip: device), "test")
    try:
        yield bus
    finally:
        bus.close()


def test_the_list_is_the_kernels() -> None:
    assert len(CHIPS) == 107 + len(FROM_MEMORY)


@pytest.mark.parametrize("floats_at", [0xFF, 0x00])
@pytest.mark.parametrize(("dummies", "code"), CHIPS)
def test_each_is_recognised(dummies: int, code: bytes, floats_at: int) -> None:
    answer = bytes([floats_at]) * dummies + (code * 8)[: 8 - dummies]
    assert nand(answer, (code * 8)[:8] if dummies else b"")
    assert nand(answer)


@pytest.mark.parametrize("words", [{}, {"size": 8 << 20}, {"part": "W25Q64JV"}])
@pytest.mark.parametrize(
    ("dummies", "code", "family"),
    [(1, "EFAA21", "W25N"), (1, "C212", "MX35L"), (0, "C8B148", "GD5F"), (1, "0BE1", "XT26G")],
)
def test_it_is_refused_in_words_whatever_is_stated(
    dummies: int, code: str, family: str, words: dict[str, object]
) -> None:
    part, size = words.get("part"), words.get("size")
    with (
        clipped(NandChip(bytes.fromhex(code), dummies)) as bus,
        pytest.raises(ChipUnknownError, match="NAND chip") as caught,
    ):
        identify_chip(bus, chip_table(), part, size=size)  # type: ignore[arg-type]
    assert family in str(caught.value)
    assert "--size" not in caught.value.remedy
    assert "no contents have been read" in caught.value.state


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_no_simulated_nor_flash_is_taken_for_one(name: str) -> None:
    answer = (CATALOG[name].id * 8)[:8]
    assert not nand(answer)
    assert not nand(b"\xff" + answer[:7]), "read one byte late"


def test_no_part_of_the_table_is_taken_for_one() -> None:
    for part in chip_table().parts:
        assert not nand((part.id + part.extended_id + bytes(8))[:8]), part.name


@pytest.mark.parametrize("words", [{}, {"size": 8 << 20}])
@pytest.mark.parametrize("code", ["6b55", "ef4018"], ids=["a maker nobody listed", "a byte late"])
def test_an_answer_that_no_nor_flash_gives_is_not_read_at_a_stated_size(
    code: str, words: dict[str, int]
) -> None:
    with (
        clipped(NandChip(bytes.fromhex(code))) as bus,
        pytest.raises(ChipUnknownError, match="not a NOR flash's ID") as caught,
    ):
        identify_chip(bus, chip_table(), size=words.get("size"))
    assert "--size" not in caught.value.remedy
