"""The demo board holds what its map says, with checksums that the formats' own rules confirm."""

from __future__ import annotations

import struct
import zlib

import pytest

from hwmocks.boards import heron

FACTORY = heron.heron_factory()
OPEN = heron.heron_open()


def part(contents: bytes, name: str) -> bytes:
    partition = next(p for p in heron.PARTITIONS if p.name == name)
    return contents[partition.start : partition.end]


def variables(environment: bytes) -> dict[str, str]:
    body = environment[4 : environment.index(b"\0\0", 4)]
    return dict(line.split("=", 1) for line in body.decode("ascii").split("\0"))


def test_both_images_fill_the_chip_exactly() -> None:
    assert len(FACTORY) == len(OPEN) == 8388608


def test_the_partitions_cover_the_flash_without_gap_or_overlap() -> None:
    ends = [0, *(p.end for p in heron.PARTITIONS)]
    assert [p.start for p in heron.PARTITIONS] == ends[:-1]
    assert ends[-1] == len(FACTORY)


def test_the_flash_map_agrees_with_mtdparts() -> None:
    text = variables(part(FACTORY, "env"))["mtdparts"].partition(":")[2]
    units = {"k": 1 << 10, "m": 1 << 20}
    sizes = [
        (name.rstrip(")"), int(size[:-1]) * units[size[-1]])
        for size, _, name in (item.partition("(") for item in text.split(","))
    ]
    assert sizes == [(p.name, p.size) for p in heron.PARTITIONS]


@pytest.mark.parametrize("contents", [FACTORY, OPEN], ids=["factory", "open"])
def test_environment_crc(contents: bytes) -> None:
    # U-Boot, include/env_internal.h (from memory): uint32 CRC of everything behind it.
    environment = part(contents, "env")
    assert struct.unpack("<I", environment[:4])[0] == zlib.crc32(environment[4:])


@pytest.mark.parametrize("contents", [FACTORY, OPEN], ids=["factory", "open"])
def test_kernel_header_and_data_crc(contents: bytes) -> None:
    # U-Boot, include/image.h, struct legacy_img_hdr (from memory).
    kernel = part(contents, "kernel")
    magic, header_crc, _time, size, _load, _entry, data_crc = struct.unpack(">7I", kernel[:28])
    assert magic == 0x27051956
    assert header_crc == zlib.crc32(kernel[:4] + bytes(4) + kernel[8:64])
    assert data_crc == zlib.crc32(kernel[64 : 64 + size])


def test_the_open_firmware_has_no_identity() -> None:
    assert not {"ethaddr", "serial#"} & variables(part(OPEN, "env")).keys()
    assert bytes.fromhex("00005e0053") not in OPEN
    assert b"00:00:5e:00:53" not in OPEN
    assert part(OPEN, "factory") == b"\xff" * 0x10000


def test_the_boot_loader_names_the_card_files() -> None:
    files = heron.card_files()
    assert len(files) == 2
    for contents in (FACTORY, OPEN):
        for name in files:
            assert name.encode("ascii") + b"\0" in part(contents, "boot")
            assert name.encode("ascii") in part(contents, "env")
    assert files["heronfw.img"] == OPEN
    assert files["heronldr.bin"] == part(OPEN, "boot")


def test_variant_of_the_factory_number_is_what_mkenvimage_made() -> None:
    # The factory image carries mkenvimage's bytes; the variant's are assembled with zlib.
    assert heron.heron_variant(heron.FACTORY_NUMBER) == FACTORY


@pytest.mark.parametrize("number", [0, 1, 0x2A, 0xFF])
def test_a_variant_differs_in_identity_only(number: int) -> None:
    variant = heron.heron_variant(number)
    environment = part(variant, "env")
    assert struct.unpack("<I", environment[:4])[0] == zlib.crc32(environment[4:])
    own = variables(environment)
    assert own["ethaddr"] == f"00:00:5e:00:53:{number:02x}"
    assert own.pop("serial#") == f"HG-2019-{number:04d}"
    common = variables(part(FACTORY, "env"))
    assert {k for k in own if own[k] != common[k]} == {"ethaddr"}
    assert bytes.fromhex(f"00005e0053{number:02x}") in part(variant, "factory")
    for partition in heron.PARTITIONS:
        if partition.name not in ("env", "factory"):
            assert part(variant, partition.name) == part(FACTORY, partition.name)


@pytest.mark.parametrize("number", [-1, 256])
def test_a_variant_outside_the_documentation_range_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match="board number"):
        heron.heron_variant(number)


def test_calibration_crc() -> None:
    block = part(FACTORY, "factory")[0x1000:]
    magic, length, crc = struct.unpack(">4sII", block[:12])
    assert magic == b"HCAL"
    assert crc == zlib.crc32(block[12 : 12 + length])


def test_failed_card_flash_in_mid_block() -> None:
    after = heron.failed_card_flash(FACTORY, OPEN, 0x2A1234)
    assert after[:0x2A1234] == OPEN[:0x2A1234]
    assert after[0x2A1234:0x2B0000] == b"\xff" * (0x2B0000 - 0x2A1234)
    assert after[0x2B0000:] == FACTORY[0x2B0000:]


def test_failed_card_flash_at_a_boundary_has_erased_the_next_block() -> None:
    after = heron.failed_card_flash(FACTORY, OPEN, 0x10000)
    assert after[:0x10000] == OPEN[:0x10000]
    assert after[0x10000:0x20000] == b"\xff" * 0x10000
    assert after[0x20000:] == FACTORY[0x20000:]


def test_a_card_flash_that_finished_leaves_the_rest_alone() -> None:
    after = heron.failed_card_flash(FACTORY, OPEN[:0x12345], 0x12345)
    assert after == OPEN[:0x12345] + FACTORY[0x12345:]


@pytest.mark.parametrize("stop", [-1, 0x12346])
def test_failed_card_flash_refuses_a_stop_outside_the_image(stop: int) -> None:
    with pytest.raises(ValueError, match="outside the image"):
        heron.failed_card_flash(FACTORY, OPEN[:0x12345], stop)
