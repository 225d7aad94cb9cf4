"""Dumps that a transfer or a tool changed, data that nothing recognises, damage by its region."""

from __future__ import annotations

import pytest

from hwmocks.boards.heron import heron_factory
from spiflash.dump.audit import Audit, examine
from spiflash.dump.symptoms import symptoms
from spiflash.report.audit import audit_headline

FACTORY = heron_factory()


def swapped(contents: bytes, width: int) -> bytes:
    rows = [contents[at : at + width][::-1] for at in range(0, len(contents), width)]
    return b"".join(rows)


@pytest.mark.parametrize(
    ("contents", "name"),
    [
        (swapped(FACTORY[: 1 << 20], 2), "bytes-swapped-16"),
        (swapped(FACTORY[: 1 << 20], 4), "bytes-swapped-32"),
        (FACTORY.replace(b"\n", b"\r\n"), "cr-lf"),
        (FACTORY + b"\0", "odd-size"),
        (FACTORY[:-1], "odd-size"),
        (FACTORY[1:], "odd-size"),
    ],
    ids=["pairs", "fours", "cr-lf", "one more", "one fewer", "first lost"],
)
def test_a_line_says_so(contents: bytes, name: str) -> None:
    assert name in {each.name for each in symptoms(contents)}


def test_a_good_dump_has_no_signs() -> None:
    assert symptoms(FACTORY) == ()


def audited(contents: bytes) -> Audit:
    return examine(contents, "dump.bin")


def test_calibration_at_the_end_is_listed_without_a_layout() -> None:
    contents = bytearray(b"\xff" * (1 << 20))
    contents[0xFF000:0xFF300] = bytes(range(1, 0xC1)) * 4
    (island,) = audited(bytes(contents)).islands
    assert (island.start, island.length) == (0xFF000, 0x1000)
    assert 7 < island.entropy < 8


def test_damage_is_named_by_its_region() -> None:
    contents = bytearray(FACTORY)
    contents[0x72000] ^= 4
    found = audited(bytes(contents))
    assert [each.region.name for each in found.regions if each.damaged] == ["kernel"]
    said = audit_headline(found)
    assert (said.tone, said.title) == ("bad", "Damaged")
    assert said.sentence.endswith("Damaged regions: kernel.")
