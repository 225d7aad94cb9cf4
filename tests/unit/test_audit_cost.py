"""What hostile contents cost an audit, counted in work and not in seconds.

`tests/benchmarks/audit_speed.py --hostile` prints processor time and memory of whole commands.
"""

from __future__ import annotations

import random
import struct
import tracemalloc
import zlib

import pytest

from spiflash.dump import audit as survey_module
from spiflash.dump.audit import examine
from spiflash.dump.formats.jffs2 import find_jffs2
from spiflash.dump.identity.forms import data_blocks

SIZE = 1 << 20


def trx_flood() -> bytes:
    """A container's header every 32 bytes, each claiming everything up to the end."""
    out = bytearray()
    while len(out) < SIZE:
        out += struct.pack("<4sIIHH4I", b"HDR0", SIZE - len(out), 7, 0, 1, 28, 0, 0, 0)
    return bytes(out)


def test_damage_that_overlaps_is_looked_at_so_often_and_no_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looked = 0
    clear = survey_module._clear

    def counting(marked: object, start: int, end: int) -> list[tuple[int, int]]:
        nonlocal looked
        looked += end - start
        return clear(marked, start, end)  # type: ignore[arg-type]

    monkeypatch.setattr(survey_module, "_clear", counting)
    found = survey_module.survey(trx_flood())
    assert len(found) > 1000
    assert looked <= 16 * SIZE


@pytest.mark.parametrize("kind", ["random", "text", "trx"])
def test_an_audit_takes_a_few_times_the_size_of_the_dump(kind: str) -> None:
    """Counting bytes as numbers of eight bytes each took twenty times its size."""
    size = SIZE // 2 if kind == "trx" else 2 * SIZE
    text = random.Random(2).choices([b"heron ", b"key=", b"level\n", b"0x42000000 "], k=size // 4)
    contents = {
        "random": random.Random(1).randbytes(size),
        "text": b"".join(text)[:size],
        "trx": trx_flood()[-size:],
    }[kind]
    examine(contents[: SIZE // 16], "warm")
    tracemalloc.start()
    examine(contents, "x")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak <= 6 * size + (16 << 20)


def markers(step: int, size: int) -> bytes:
    """Empty JFFS2 nodes every `step` bytes, with right CRCs, among blank flash."""
    head = struct.pack("<HHI", 0x1985, 0x2003, 12)
    node = head + (zlib.crc32(head, 0xFFFFFFFF) ^ 0xFFFFFFFF).to_bytes(4, "little")
    return node.ljust(step, b"\xff") * (size // step)


def test_a_flood_of_empty_nodes_is_cut_off() -> None:
    """A place was kept for each: sixteen times the size of the dump."""
    assert sum(len(each.uncovered) for each in find_jffs2(markers(12, SIZE))) < SIZE // 512
    # One in each of the smallest erase blocks is not many.
    found = list(find_jffs2(markers(4096, 4 * SIZE)))
    assert sum(int(dict(each.details)["nodes"]) for each in found) == 1024


@pytest.mark.parametrize("edge", [-70, -64, -3, 0, 3, 64])
def test_pieces_that_are_looked_at_part_no_block(edge: int) -> None:
    raw = bytearray(b"\xff" * (3 * SIZE))
    at = SIZE + edge
    raw[at : at + 40] = b"A" * 40
    raw[SIZE - 200 : SIZE - 190] = b"B" * 10
    whole = [(SIZE - 200, SIZE - 190), (at, at + 40)]
    assert data_blocks(bytes(raw), 0, len(raw)) == whole
