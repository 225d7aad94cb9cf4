"""Whether contents fit another chip."""

from __future__ import annotations

import pytest

from hwmocks.boards.heron import PARTITIONS, heron_factory, heron_open
from spiflash.dump.audit import survey
from spiflash.dump.coverage import fit, repeats_after, smallest_chip, used_end
from spiflash.dump.layout import Layout, Region
from spiflash.dump.layout.find import find_layouts

M = 1 << 20


def test_the_open_image_fits_half_the_chip() -> None:
    contents = heron_open()
    findings = survey(contents)
    layout = find_layouts(contents, findings)[0].layout
    used = -(-len(contents.rstrip(b"\xff")) // 4096) * 4096
    assert used_end(contents, findings) == used
    assert smallest_chip(contents, findings) == 4 * M
    found = fit(contents, findings, layout, 4 * M)
    assert found.fits
    assert found.lost == tuple(each.name for each in PARTITIONS if each.end > 4 * M)
    assert f"{used:06X}h" in found.verdict


def test_the_factory_image_does_not_and_says_what_would_give_way() -> None:
    contents = heron_factory()
    findings = survey(contents)
    layout = find_layouts(contents, findings)[0].layout
    found = fit(contents, findings, layout, 4 * M)
    tail = contents[4 * M :]
    used = sum(set(tail[at : at + 4096]) != {0xFF} for at in range(0, len(tail), 4096))
    assert not found.fits
    assert found.over == used * 4096
    assert found.shrink[0].region == "rootfs"
    assert found.enough
    assert {room.region for room in found.shrink}.isdisjoint({"readings", "spare", "env"})


def test_equal_and_larger_chips() -> None:
    contents = bytes(range(256)) * 4096
    layout = Layout(M, ())
    assert "exactly" in fit(contents, (), layout, M).verdict
    larger = fit(contents, (), layout, 16 * M)
    assert larger.fits
    assert f"{15 * M:,}" in larger.verdict


def test_a_chip_read_twice_over_can_be_cut() -> None:
    part = bytes(range(256)) * 4096 + b"end " * (M // 4)
    assert repeats_after(part + part) == 2 * M
    assert repeats_after(4 * part) == 2 * M
    assert repeats_after(part + part[:-1] + b"x") is None
    assert fit(part + part, (), Layout(4 * M, ()), 2 * M).fits


def test_more_used_than_the_chip_holds() -> None:
    contents = b"".join(number.to_bytes(4, "big") for number in range(M // 2))
    found = fit(contents, (), Layout(2 * M, (Region("all", 0, 2 * M),)), M)
    assert (found.fits, found.enough, found.over) == (False, False, M)


@pytest.mark.parametrize("size", [1, 4096, 70_000])
def test_blank_contents_need_nothing(size: int) -> None:
    assert used_end(b"\xff" * size, ()) == 0
    assert fit(b"\xff" * size, (), Layout(size, ()), 4096).fits


def test_zeros_that_fill_an_image_up_are_nothing() -> None:
    contents = heron_open()[: 4 * M] + bytes(4 * M)
    findings = survey(contents)
    assert used_end(contents, findings) <= 4 * M
    found = fit(contents, findings, find_layouts(contents, findings)[0].layout, 4 * M)
    assert found.fits
    assert "blank or zero" in found.verdict


def test_gaps_are_room_too() -> None:
    contents = b"A" * 0x10000 + b"\xff" * 0x20000 + b"B" * 0x10000
    layout = Layout(len(contents), (Region("a", 0, 0x10000), Region("b", 0x30000, 0x10000)))
    found = fit(contents, survey(contents), layout, 0x20000)
    assert [(room.region, room.room) for room in found.shrink] == [("gap-010000h", 0x20000)]
    assert found.enough
