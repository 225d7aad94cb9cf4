"""Sector map detection (JESD216F 6.5, from memory): asked where harmless, left alone elsewhere."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest

from hwmocks.bench import make_bench
from hwmocks.nor.catalog import describe
from hwmocks.nor.chip import NorChip
from hwmocks.nor.sfdp import Basic, EraseTypeEntry, Table, assemble, basic_table
from spiflash.bus.locate import open_bench_bus
from spiflash.nor.chip import Answers
from spiflash.nor.probe import probe
from tests.nor_rig import NorRig

MIB = 1 << 20


def command(opcode: int, mask: int, *, dummy: int = 0, last: bool = True) -> tuple[int, int]:
    """A configuration detection command without an address."""
    return mask << 24 | dummy << 16 | opcode << 8 | (1 if last else 0), 0


def region_map(number: int, erases: int, *, last: bool) -> tuple[int, int]:
    """One configuration of a single region of 8 MiB."""
    return number << 8 | 2 | (1 if last else 0), (8 * MIB // 256 - 1) << 8 | erases


def sfdp(*dwords: tuple[int, int]) -> bytes:
    flat = [word for pair in dwords for word in pair]
    types = (EraseTypeEntry(4096, 0x20), EraseTypeEntry(65536, 0xD8))
    return assemble(
        (1, 6),
        [
            basic_table(Basic(8 * MIB, types), None, offset=0x30, revision=(1, 0)),
            Table(0xFF81, (1, 0), 0xC0, struct.pack(f"<{len(flat)}I", *flat)),
        ],
    )


def asked(tables: bytes, status: int = 0) -> tuple[NorChip, Answers]:
    chip = NorChip(replace(describe("W25Q64JV"), name="mapped", sfdp=tables), seed=1)
    if status:
        NorRig(chip).write(bytes((0x01, status)))
    chip.opcode_counts.clear()
    bus = open_bench_bus(make_bench(chip), "test")
    answers = probe(bus)
    bus.close()
    return chip, answers


MAPS = (region_map(0, 0b01, last=False), region_map(1, 0b10, last=True))


@pytest.mark.parametrize("status", [0x00, 0x04])
def test_a_status_bit_selects_the_configuration(status: int) -> None:
    _, answers = asked(sfdp(command(0x05, 0x04), *MAPS), status)
    assert answers.sector_map is not None
    assert answers.sector_map[0] & 0x04 == status


@pytest.mark.parametrize("opcode", [0x06, 0x35, 0x99, 0xC7, 0x01])
def test_a_table_cannot_have_other_opcodes_sent(opcode: int) -> None:
    """35h reads a register on one maker's chips and enters QPI on another's; C7h erases."""
    chip, answers = asked(sfdp(command(opcode, 0x04), *MAPS))
    assert answers.sector_map is None
    assert chip.opcode_counts[opcode] == 0


def test_an_unknown_latency_is_not_guessed() -> None:
    _, answers = asked(sfdp(command(0x65, 0x04, dummy=15), *MAPS))
    assert answers.sector_map is None


def test_no_map_no_question() -> None:
    _, answers = asked(describe("W25Q64JV").sfdp)
    assert answers.sector_map is None
