"""Triage of a small made-up board, where every rule shows by itself."""

from __future__ import annotations

import os
import random
import struct
import subprocess
import zlib
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hwmocks.boards.heron import heron_factory, heron_open
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage import (
    Kind,
    Reference,
    RegionFinding,
    Source,
    Triage,
    reference,
    triage,
)
from spiflash.dump.triage.repairs import reason_for
from spiflash.jobs.triage import _sound

SIZE = 0x80000
LAYOUT = Layout(
    SIZE,
    (
        Region("boot", 0x00000, 0x10000, Role.BOOT),
        Region("env", 0x10000, 0x4000, Role.ENVIRONMENT),
        Region("factory", 0x14000, 0x4000, Role.OWN, keep=True),
        Region("kernel", 0x20000, 0x20000, Role.KERNEL),
        Region("rootfs", 0x40000, 0x20000, Role.ROOT),
        Region("data", 0x60000, 0x18000, Role.DATA),
    ),
)
OWN = "00:00:5e:00:53:2a"
OTHER = "00:00:5e:00:53:77"

EXAMPLES = 300 if os.environ.get("SPIFLASH_SWEEP") == "full" else 12


def environment(**variables: str) -> bytes:
    text = b"".join(f"{name}={value}\0".encode() for name, value in variables.items())
    body = (text + b"\0").ljust(0x4000 - 4, b"\xff")
    return struct.pack("<I", zlib.crc32(body)) + body


def env_of(mac: str, delay: int = 2) -> bytes:
    return environment(bootcmd="bootm 0x9f020000", bootdelay=str(delay), ethaddr=mac)


def factory_of(mac: str, number: int) -> bytes:
    payload = random.Random(number).randbytes(40)
    calibration = struct.pack(">4sII", b"TCAL", len(payload), zlib.crc32(payload)) + payload
    block = bytes.fromhex(mac.replace(":", "")).ljust(0x100, b"\xff") + calibration
    return block.ljust(0x4000, b"\xff")


def firmware(version: int) -> dict[str, bytes]:
    rng = random.Random(f"firmware {version}")
    return {
        "boot": struct.pack("<8I", *[0xE59FF014] * 8) + rng.randbytes(0xC000),
        "kernel": rng.randbytes(0x1A000),
        "rootfs": rng.randbytes(0x19000),
    }


def board(mac: str, number: int, version: int = 1) -> bytes:
    flash = bytearray(b"\xff" * SIZE)
    pieces = firmware(version) | {
        "env": env_of(mac),
        "factory": factory_of(mac, number),
        "data": random.Random(f"data {number}").randbytes(0x9000),
    }
    for name, piece in pieces.items():
        start = LAYOUT.region(name).start
        flash[start : start + len(piece)] = piece
    return bytes(flash)


GOOD = board(OWN, 1)
SISTER = board(OTHER, 2)


@cache
def known(contents: bytes) -> Reference:
    return reference(contents, LAYOUT)


def judged(chip: bytes, own: bytes | None = None, model: bytes | None = None) -> Triage:
    return triage(
        chip,
        own_backup=known(own) if own is not None else None,
        model_image=known(model) if model is not None else None,
        layout=LAYOUT,
    )


def put(contents: bytes, at: int, data: bytes) -> bytes:
    return contents[:at] + data + contents[at + len(data) :]


def kinds(found: Triage) -> dict[str, Kind]:
    """What is wrong, region by region."""
    return {each.region.name: each.kind for each in found.regions if each.bad}


def unchecked(found: Triage) -> set[str]:
    return {each.region.name for each in found.regions if each.kind is Kind.NOT_CHECKED}


def test_intact() -> None:
    found = judged(GOOD, GOOD)
    assert (found.kind, found.repairs, kinds(found)) == (Kind.INTACT, (), {})


def test_what_changed_since_the_backup_is_left_alone() -> None:
    """A variable and the data are newer; only the kernel is rewritten."""
    newer = put(GOOD, 0x10000, env_of(OWN, delay=9))
    newer = put(newer, 0x60000, environment(record="42"))
    found = judged(put(newer, 0x24000, b"\xff" * 0x1000), GOOD)
    assert kinds(found) == {"kernel": Kind.ERASED}
    assert unchecked(found) == {"data"}
    repair = found.repairs[0]
    assert repair.regions == ("kernel",)
    assert repair.applied(put(newer, 0x24000, b"\xff" * 0x1000)) == newer
    safer = found.repairs[1]
    assert safer.applied(newer) == GOOD
    assert safer.rescue
    assert not repair.rescue


def test_flipped_bits_by_address() -> None:
    chip = put(GOOD, 0x23456, bytes([GOOD[0x23456] ^ 0x10]))
    chip = put(chip, 0x47777, bytes([GOOD[0x47777] ^ 0x81]))
    found = judged(chip, GOOD)
    assert found.kind is Kind.BIT_ROT
    places = [place for each in found.regions for place in each.places]
    assert places == [(0x23456, 0x23457), (0x47777, 0x47778)]
    assert found.repairs[0].applied(chip) == GOOD
    # Spoiled sectors are in no source: they are saved first.
    assert found.repairs[0].rescue


@pytest.mark.parametrize("stop", [0x23100, 0x2FF00, 0x44400, 0x45FFF])
def test_a_write_that_stopped_is_found_to_the_byte(stop: int) -> None:
    """New firmware over old; the erase had reached the end of a 16 KiB block."""
    update = put(board(OTHER, 3, version=2), 0x60000, b"\xff" * 0x18000)
    reached = (stop // 0x4000 + 1) * 0x4000
    chip = update[:stop] + b"\xff" * (reached - stop) + GOOD[reached:]
    for model in (update, None):
        found = judged(chip, GOOD, model)
        assert (found.kind, found.stop) == (Kind.INTERRUPTED, stop)
        assert found.repairs[0].source is Source.OWN
        assert found.repairs[0].applied(chip) == GOOD
        assert found.repairs[0].rescue
    alone = judged(chip, None, update)
    assert (alone.kind, alone.stop) == (Kind.INTERRUPTED, stop)


def test_a_half_finished_erase() -> None:
    rng = random.Random(5)
    half = bytes(byte | rng.randrange(256) for byte in GOOD[0x20000:0x24000])
    found = judged(put(GOOD, 0x20000, half), GOOD)
    assert kinds(found) == {"kernel": Kind.HALF_ERASED}
    assert found.regions[4].places == ((0x20000, 0x24000),)


@pytest.mark.parametrize("shift", [64, 0x1000, 0x20000])
def test_written_at_the_wrong_place(shift: int) -> None:
    chip = (b"\xff" * shift + GOOD)[:SIZE]
    found = judged(chip, GOOD)
    assert found.kind is Kind.SHIFTED
    assert {each.shift for each in found.regions if each.kind is Kind.SHIFTED} == {shift}
    assert found.repairs[0].applied(chip) == GOOD


@pytest.mark.parametrize("width", [2, 4])
def test_swapped_bytes_give_the_own_data_back(width: int) -> None:
    chip = b"".join(GOOD[at : at + width][::-1] for at in range(0, SIZE, width))
    assert judged(chip, GOOD).kind is Kind.SWAPPED
    found = judged(chip, None, SISTER)
    assert found.kind is Kind.SWAPPED
    after = found.repairs[0].applied(chip)
    assert after[:0x18000] == GOOD[:0x18000]
    assert found.repairs[0].source is Source.MODEL_AND_OWN


def test_one_region_at_the_wrong_place() -> None:
    chip = put(GOOD, 0x20000, b"\xff" * 0x800 + firmware(1)["kernel"])
    found = judged(chip, GOOD)
    assert kinds(found) == {"kernel": Kind.SHIFTED}
    assert found.regions[4].shift == 0x800


def test_another_boards_contents() -> None:
    found = judged(SISTER, GOOD)
    assert found.kind is Kind.FOREIGN
    assert OTHER in found.headline
    assert found.repairs[0].applied(SISTER)[:0x60000] == GOOD[:0x60000]


def test_the_image_alone_never_brings_its_identity() -> None:
    """The board holds nothing of its own any more: its regions stay blank, and that is said."""
    found = judged(b"\xff" * SIZE, None, SISTER)
    repair = found.repairs[0]
    assert repair.source is Source.MODEL
    after = repair.applied(b"\xff" * SIZE)
    assert after[0x14000:0x18000] == b"\xff" * 0x4000
    assert OTHER.encode() not in after
    assert bytes.fromhex(OTHER.replace(":", "")) not in after
    assert after[0x10000:0x14000] == environment(bootcmd="bootm 0x9f020000", bootdelay="2")
    assert any("factory" in each for each in repair.lost)
    assert any("ethaddr" in each for each in repair.lost)


@pytest.mark.parametrize("gone", ["env", "factory"])
def test_identity_survives_in_either_place(gone: str) -> None:
    region = LAYOUT.region(gone)
    damaged = put(GOOD, region.start, b"\xff" * region.length)
    damaged = put(damaged, 0x20000, bytes(0x8000))
    found = judged(damaged, None, SISTER)
    # A blank environment may never have been saved: only the wider repair writes one.
    after = found.repairs[-1 if gone == "env" else 0].applied(damaged)
    assert OWN.encode() in after[0x10000:0x14000]
    assert OTHER.encode() not in after
    if gone == "env":
        assert after[:0x60000] == GOOD[:0x60000]
    else:
        # Calibration exists nowhere any more; another board's is not put in its place.
        assert after[0x14000:0x18000] == b"\xff" * 0x4000


def test_own_data_lost_and_nothing_else() -> None:
    chip = put(GOOD, 0x14000, b"\xff" * 0x4000)
    assert kinds(judged(chip, GOOD)) == {"factory": Kind.OWN_LOST}
    assert judged(chip, GOOD).repairs[0].applied(chip) == GOOD
    assert judged(chip, None, SISTER).repairs == ()


@pytest.mark.parametrize(
    ("env", "kind"),
    [
        (b"\0\0\0\0" + env_of(OWN)[4:], Kind.ENV_CHECKSUM),
        (environment(bootdelay="1", baudrate="115200", ethaddr=OWN), Kind.ENV_NO_BOOT),
        (bytes(0x4000), Kind.ENV_CHECKSUM),
        (env_of(OTHER), Kind.FOREIGN),
        (environment(bootcmd="bootm", bootdelay="1", baudrate="9600"), Kind.OWN_LOST),
    ],
)
def test_environments(env: bytes, kind: Kind) -> None:
    chip = put(GOOD, 0x10000, env)
    found = judged(chip, GOOD)
    assert kinds(found) == {"env": kind}
    assert found.repairs[0].regions == ("env",)
    assert found.repairs[0].applied(chip) == GOOD


def test_an_image_for_a_bigger_chip() -> None:
    big = board(OWN, 1, version=2) + random.Random(9).randbytes(SIZE)
    chip = big[:SIZE]
    assert judged(chip, None, big).kind is Kind.CUT_OFF


def test_nothing_at_hand_proposes_nothing() -> None:
    assert judged(put(GOOD, 0x20000, bytes(0x9000))).repairs == ()


def test_the_layout_of_the_triage_does_not_reach_the_gaps_silently() -> None:
    """What lies between the regions is judged, too: the board itself may have written it."""
    chip = put(GOOD, 0x1A000, b"stray")
    found = judged(chip, GOOD)
    assert unchecked(found) == {"gap-018000h"}
    assert found.kind is Kind.NOT_CHECKED
    assert found.repairs[0].applied(chip) == GOOD


def test_hostile_contents_end() -> None:
    for seed in range(6):
        rng = random.Random(seed)
        chip = bytearray(GOOD)
        for _ in range(30):
            at = rng.randrange(SIZE - 0x800)
            chip[at : at + 0x400] = rng.choice(
                (rng.randbytes(0x400), bytes(0x400), b"\xff" * 0x400, GOOD[:0x400])
            )
        found = judged(bytes(chip), GOOD, SISTER)
        assert found.kind is not Kind.INTACT
        assert found.repairs[-1].target == GOOD
    for odd in (b"\x00", b"\xff" * 4097, b"x" * 5000):
        assert triage(odd).regions
    with pytest.raises(ValueError, match="nothing"):
        triage(b"")


def test_a_short_image_says_nothing_of_what_lies_behind_it() -> None:
    """A boot loader alone: only its own region is written, and nothing is made blank."""
    loader = GOOD[:0x10000]
    chip = put(GOOD, 0x2000, bytes(0x3000))
    found = judged(chip, None, loader)
    assert "boot" in kinds(found)
    for repair in found.repairs:
        assert repair.applied(chip) == GOOD


def test_a_repair_says_what_it_rewrites_besides_the_damage() -> None:
    """An update stopped in the kernel; its boot loader is whole, but of another version."""
    boot, kernel = LAYOUT.region("boot"), LAYOUT.region("kernel")
    findings = (
        RegionFinding(boot, Kind.INTACT, "other contents"),
        RegionFinding(kernel, Kind.INTERRUPTED, "written up to 024000h"),
        RegionFinding(LAYOUT.region("data"), Kind.INTACT, "as in the backup"),
    )
    assert reason_for([kernel], findings) == "rewrites only what is damaged"
    assert reason_for([boot, kernel], findings).endswith("must match it (boot)")


def test_a_set_made_of_a_damaged_board_is_no_source() -> None:
    """A wrong byte in a loader that nothing proves: only an older set speaks against it."""
    later = put(GOOD, 0x3000, bytes([GOOD[0x3000] ^ 0xFF]))
    assert not judged(later).damaged
    assert _sound([known(later)], known(later), {})
    assert not _sound([known(later), known(GOOD)], known(later), {})
    # What the board has merely written since is no damage.
    newer = put(put(GOOD, 0x10000, env_of(OWN, delay=9)), 0x60000, bytes(range(256)) * 16)
    assert _sound([known(newer), known(GOOD)], known(newer), {})


def test_what_an_image_holds_outside_of_its_firmware_is_never_written() -> None:
    """For every damage and every source: own regions, data and gaps stay as they are."""
    rng = random.Random(11)
    for _ in range(12):
        chip = bytearray(GOOD)
        at = rng.randrange(SIZE - 0x3000)
        chip[at : at + 0x3000] = rng.choice((b"\xff" * 0x3000, bytes(0x3000)))
        before = bytes(chip)
        for repair in judged(before, None, SISTER).repairs:
            after = repair.applied(before)
            for start, end in ((0x14000, 0x20000), (0x60000, SIZE)):
                assert after[start:end] == before[start:end]
            spans = [(each.start, each.end) for each in repair.changes]
            for place in range(0, SIZE, 0x100):
                if after[place : place + 0x100] != before[place : place + 0x100]:
                    assert any(start < place + 0x100 and place < end for start, end in spans)


def test_a_wrong_boot_command_is_named_with_its_variable() -> None:
    chip = put(GOOD, 0x10000, environment(bootcmd="bootn 0x9f020000", bootdelay="2", ethaddr=OWN))
    found = judged(chip, GOOD)
    assert kinds(found) == {"env": Kind.ENV_NO_BOOT}
    assert "bootcmd: “bootn 0x9f020000” where the backup has “bootm 0x9f020000”" in found.headline
    assert found.repairs[0].applied(chip) == GOOD


def test_a_blank_copy_of_a_redundant_pair_is_left_alone() -> None:
    """The image's environment has a flag that would outweigh the whole copy."""

    def copy(flag: int, mac: str) -> bytes:
        text = f"bootcmd=bootm 0x9f020000\0bootdelay=2\0ethaddr={mac}\0\0".encode()
        body = text.ljust(0x2000 - 5, b"\xff")
        return struct.pack("<I", zlib.crc32(body)) + bytes([flag]) + body

    chip = put(GOOD, 0x10000, copy(1, OWN) + b"\xff" * 0x2000)
    chip = put(chip, 0x20000, b"\xff" * 0x20000)
    layout = Layout(
        SIZE,
        (
            LAYOUT.region("boot"),
            Region("env", 0x10000, 0x2000, Role.ENVIRONMENT),
            Region("env2", 0x12000, 0x2000, Role.ENVIRONMENT),
            *LAYOUT.regions[2:],
        ),
    )
    image = put(SISTER, 0x10000, copy(2, OTHER) + copy(3, OTHER))
    found = triage(chip, model_image=reference(image, layout), layout=layout)
    assert kinds(found) == {"kernel": Kind.ERASED}
    for repair in found.repairs:
        assert repair.applied(chip)[0x10000:0x14000] == chip[0x10000:0x14000]


def test_an_erased_own_region_is_not_intact() -> None:
    """The generic image has nothing there, nor has any other board's been seen."""
    generic = put(put(GOOD, 0x14000, b"\xff" * 0x4000), 0x60000, b"\xff" * 0x18000)
    chip = put(GOOD, 0x14000, b"\xff" * 0x4000)
    found = judged(chip, None, generic)
    assert found.kind is Kind.NOT_CHECKED
    assert "factory" in unchecked(found)
    assert found.repairs == ()


def boot_image(holds: int, size: int, architecture: int = 5) -> bytes:
    """A legacy image with both of its CRCs (U-Boot, include/image.h: it holds 2, a kernel, or 7,
    a file system, for the architecture 2, ARM, or 5, MIPS)."""
    data = random.Random(size).randbytes(size)
    numbers = (zlib.crc32(data), 5, architecture, holds, 0)
    head = struct.pack(">7I4B32s", 0x27051956, 0, 0, size, 0, 0, *numbers, b"one")
    return head[:4] + struct.pack(">I", zlib.crc32(head)) + head[8:] + data


@pytest.mark.parametrize("value", [0x00, 0xFF])
def test_what_is_left_of_a_region_does_not_vouch_for_what_is_gone(value: int) -> None:
    """A root file system behind a kernel that is 00h throughout: its checksum holds, and the board
    does not start."""
    kernel = boot_image(2, 0x8000)
    contents = put(put(GOOD, 0x20000, bytes(0x20000)), 0x20000, kernel)
    contents = put(contents, 0x30000, boot_image(7, 0x4000))
    layout = Layout(SIZE, (*LAYOUT.regions[:3], Region("firmware", 0x20000, 0x20000, Role.KERNEL)))
    chip = put(contents, 0x20000, bytes([value]) * len(kernel))
    alone = triage(chip, layout=layout)
    assert "firmware" in unchecked(alone)
    found = triage(chip, own_backup=reference(contents, layout), layout=layout)
    assert kinds(found) == {"firmware": Kind.ERASED}
    assert found.repairs[0].applied(chip) == contents


def test_an_environment_is_none_of_the_loader_whatever_it_is_called() -> None:
    text = (
        "mtdparts=mtdparts=spi0.0:64k(fsbl),16k(bl-params),48k(factory),128k(kernel),128k(rootfs)"
    )
    name, _, value = text.partition("=")
    contents = put(GOOD, 0x10000, environment(**{name: value, "bootcmd": "bootm 0x9f020000"}))
    roles = {each.name: each.role for each in reference(contents).layout.regions}
    assert (roles["fsbl"], roles["bl-params"]) == (Role.BOOT, Role.ENVIRONMENT)


CODE = (0xE12FFF1E, 0xE92D4010, 0xE8BD8010, 0xE59FF018)
"""ARM: a return, a prologue, an epilogue, a vector (architecture manual; from memory)."""


def loader_of(rng: random.Random, length: int, *, code: bool) -> bytes:
    """Code in which every fifth word is telling, or bytes that tell nothing."""
    if not code:
        return rng.randbytes(length).replace(b"\xff", b"\0")
    words = [
        rng.choice(CODE) if rng.random() < 0.2 else rng.getrandbits(31) for _ in range(length // 4)
    ]
    return struct.pack(f"<{len(words)}I", *words)


@settings(deadline=None, max_examples=EXAMPLES, derandomize=True)
@given(
    seed=st.integers(0, 1 << 30),
    loaders=st.tuples(st.integers(0x1000, 0x1C000), st.integers(0x1000, 0x1C000)),
    kernels=st.tuples(st.integers(0x1000, 0x1F000), st.integers(0x1000, 0x1F000)),
    tail_is_code=st.booleans(),
    beside=st.sampled_from((None, 0x500, 0x1800)),
    damage=st.sampled_from(("kernel", "root", "kernel bit", "root bit", "loader")),
)
def test_firmware_that_is_right_stays_or_becomes_the_images_as_a_whole(
    seed: int,
    loaders: tuple[int, int],
    kernels: tuple[int, int],
    tail_is_code: bool,
    beside: int | None,
    damage: str,
) -> None:
    """No layout is stated, and the image's loader and kernel are longer or shorter than the
    chip's: what was right holds its old contents or the image's over its full length."""
    rng = random.Random(seed)
    front = loader_of(rng, loaders[0] // 2 & ~3, code=True)
    rest = loader_of(rng, loaders[0] // 2 & ~3, code=tail_is_code)
    old = {
        0: front + rest,
        0x20000: boot_image(2, kernels[0], 2),
        0x40000: boot_image(7, 0x4000, 2),
    }
    new = {
        0: loader_of(rng, loaders[1] & ~3, code=True),
        0x20000: boot_image(2, kernels[1], 2),
        0x40000: boot_image(7, 0x5000, 2),
    }
    good, image = b"\xff" * SIZE, b"\xff" * SIZE
    for at in old:
        good, image = put(good, at, old[at]), put(image, at, new[at])
    if beside is not None:
        good = put(good, len(old[0]) + beside, rng.randbytes(0x200))
    chip = good
    if damage.endswith("bit"):
        at = 0x20400 if "kernel" in damage else 0x40400
        chip = put(good, at, bytes([good[at] ^ 4]))
    else:
        at = {"kernel": 0x20000, "root": 0x40000, "loader": 0}[damage]
        chip = put(good, at, b"\xff" * len(old[at]))
    found = triage(chip, model_image=reference(image))
    for repair in found.repairs:
        after = repair.applied(chip)
        for at, piece in old.items():
            span = slice(at, at + len(piece))
            if chip[span] == piece:
                assert after[span] in (piece, image[span]), f"{at:#x} in {repair.regions}"
        if beside is not None:
            span = slice(len(old[0]) + beside, len(old[0]) + beside + 0x200)
            if after[span] != good[span]:
                # Only where the loader is gone, and the image's reaches up to there.
                assert damage == "loader", f"what stands beside the loader in {repair.regions}"
                assert repair.rescue
                assert any(low < span.stop and span.start < high for low, high in repair.unproven)


@pytest.mark.parametrize("name", ["devcal", "data", "config", ""])
def test_a_blank_region_of_which_nothing_tells_is_not_checked(name: str) -> None:
    """Calibration may have stood there, under a name that nothing knows, or in a gap."""
    others = tuple(each for each in LAYOUT.regions if each.name not in ("factory", "data"))
    role = {"data": Role.DATA, "config": Role.SETTINGS}.get(name, Role.OTHER)
    regions = (*others, Region(name, 0x60000, 0x18000, role)) if name else others
    layout = Layout(SIZE, regions)
    chip = put(GOOD, 0x60000, b"\xff" * 0x18000)
    for model in (None, reference(put(SISTER, 0x60000, b"\xff" * 0x20000), layout)):
        found = triage(chip, model_image=model, layout=layout)
        finding = next(e for e in found.regions if e.region.start == 0x60000)
        assert finding.kind is Kind.NOT_CHECKED
        assert found.kind is Kind.NOT_CHECKED


def test_the_smallest_repair_from_a_newer_image_leaves_the_loader() -> None:
    """The newer kernel is longer and reaches into the root file system, whose checksum holds: both
    are of one version. A loader that nothing speaks against is none of it."""
    layout = Layout(SIZE, (*LAYOUT.regions[:3], Region("firmware", 0x20000, 0x40000, Role.KERNEL)))
    old = put(put(GOOD, 0x20000, b"\xff" * 0x40000), 0x20000, boot_image(2, 0x8000, 2))
    old = put(old, 0x29000, boot_image(7, 0x4000, 2))
    new = put(put(SISTER, 0x20000, b"\xff" * 0x40000), 0x20000, boot_image(2, 0xC000, 2))
    new = put(put(new, 0x2D000, boot_image(7, 0x5000, 2)), 0, firmware(2)["boot"])
    chip = put(old, 0x20000, b"\xff" * 0x8000)
    found = triage(chip, model_image=reference(new, layout), layout=layout)
    assert kinds(found) == {"firmware": Kind.ERASED}
    smallest = found.repairs[0]
    assert smallest.regions == ("firmware",)
    assert smallest.applied(chip)[0x20000:0x60000] == new[0x20000:0x60000]
    assert smallest.applied(chip)[:0x20000] == old[:0x20000]
    assert smallest.overrules
    assert "must match" in smallest.reason


def test_what_must_match_a_newer_kernel_comes_second() -> None:
    """The kernel alone is the smallest repair, and says that versions are mixed; the next wider one
    brings the root file system with it, and only the widest the loader."""
    new = board(OTHER, 3, version=2)
    chip = put(GOOD, 0x20000, b"\xff" * 0x20000)
    found = judged(chip, None, new)
    assert [each.regions for each in found.repairs] == [
        ("kernel",),
        ("kernel", "rootfs"),
        ("boot", "kernel", "rootfs"),
    ]
    assert found.repairs[0].remarks
    assert not found.repairs[1].remarks


def test_a_loader_that_may_be_wrong_comes_back_with_the_kernel_of_its_version() -> None:
    """An update that stopped right after its kernel: all that has a checksum is OK."""
    old = put(GOOD, 0x20000, boot_image(2, 0x8000, 2).ljust(0x20000, b"\xff"))
    new = firmware(2)["boot"].ljust(0x10000, b"\xff")
    chip = put(put(old, 0, new), 0x20000, boot_image(2, 0xA000, 2).ljust(0x20000, b"\xff"))
    found = judged(chip, old)
    assert kinds(found) == {}
    assert found.repairs[0].regions == ("boot", "kernel")
    assert found.repairs[0].applied(chip) == old


@pytest.mark.parametrize("value", [0x00, 0xFF])
def test_own_data_gone_from_a_gap_are_missed_although_the_rest_of_it_is_proven(value: int) -> None:
    """No region says what stands there, and a newer kernel in the same gap has its checksum."""
    layout = Layout(SIZE, tuple(e for e in LAYOUT.regions if e.name not in ("factory", "kernel")))
    old = put(GOOD, 0x20000, boot_image(2, 0x8000, 2).ljust(0x20000, b"\xff"))
    chip = put(old, 0x20000, boot_image(2, 0xA000, 2).ljust(0x20000, b"\xff"))
    held = len(factory_of(OWN, 1).rstrip(b"\xff"))
    chip = put(chip, 0x14000, bytes([value]) * held)
    found = triage(chip, own_backup=reference(old, layout), layout=layout)
    assert set(kinds(found)) == {"gap-014000h"}
    assert found.repairs[0].applied(chip) == old


def test_data_of_what_may_be_another_board_come_back_with_the_rest() -> None:
    """In one gap something else stands altogether, another is blank: it may be another board, and
    its data are not this board's."""
    rng = random.Random(3)
    good = put(put(GOOD, 0x18000, rng.randbytes(0x300)), 0x1C000, rng.randbytes(0x300))
    chip = put(put(good, 0x18000, rng.randbytes(0x300)), 0x60000, rng.randbytes(0x9000))
    two = (Region("one", 0x18000, 0x1000), Region("two", 0x1C000, 0x1000))
    layout = Layout(SIZE, (*LAYOUT.regions[:3], *two, *LAYOUT.regions[3:]))
    chip = put(chip, 0x1C000, b"\xff" * 0x1000)
    found = triage(chip, own_backup=reference(good, layout), layout=layout)
    assert kinds(found) == {"two": Kind.ERASED}
    assert found.repairs[0].applied(chip) == good


def test_a_converted_board_with_a_shorter_root_file_system_was_not_interrupted() -> None:
    """It keeps its data after a blank where the longer file system of before ended. Without the
    image, the checksums of the new file system say that it is whole."""
    before, image = heron_factory(), heron_open()
    own, model = reference(before), reference(image)
    # What a conversion leaves: the image, and the board's own regions where the image is blank.
    kept = bytearray(image)
    for region in own.layout.regions:
        if image[region.start : region.end].count(0xFF) == region.length:
            kept[region.start : region.end] = before[region.start : region.end]
    kept[0x40000:0x50000] = before[0x40000:0x50000]
    chip = bytes(kept)
    assert triage(chip, own_backup=own, model_image=model).kind is Kind.INTACT
    alone = triage(chip, own_backup=own)
    assert alone.kind is Kind.NOT_CHECKED
    assert not any(each.bad for each in alone.regions)
    # One that did stop is still found, wherever it stopped in the file system.
    for stop in (0x210000, 0x228000):
        short = chip[:stop] + b"\xff" * (0x230000 - stop) + chip[0x230000:]
        for found in (
            triage(short, own_backup=own, model_image=model),
            triage(short, own_backup=own),
        ):
            assert found.kind is Kind.INTERRUPTED, hex(stop)


LOG = b"".join(b"%06d gauge: level %d mm\n" % (n * 60, n * 7919 % 4000) for n in range(700))


@pytest.mark.parametrize("name", ["data", "misc", "gap"])
@pytest.mark.parametrize(
    "change",
    [(len(LOG), b"\0"), (len(LOG), b"042000 gauge: level 12 mm\n"), (8, b"\x01\x03\x07\x0f")],
    ids=["a mark", "a line", "a counter"],
)
def test_what_a_working_board_writes_is_no_damage(name: str, change: tuple[int, bytes]) -> None:
    """A mark or line at the end of its log, or a counter of its starts: it was called flipped bits,
    or damaged. Nothing proves it correct either."""
    at = {"data": 0x60000, "misc": 0x18000, "gap": 0x18000}[name]
    misc = (Region("misc", 0x18000, 0x8000),) if name == "misc" else ()
    layout = Layout(SIZE, (*LAYOUT.regions[:3], *misc, *LAYOUT.regions[3:]))
    good = put(GOOD, 0x60000, b"\xff" * 0x18000)
    good = put(good, at, LOG)
    own = reference(good, layout)
    chip = put(good, at + change[0], change[1])
    found = triage(chip, own_backup=own, layout=layout)
    assert found.kind is Kind.NOT_CHECKED
    # With something wrong the rest is what it was.
    rotten = put(chip, 0x23456, bytes([GOOD[0x23456] ^ 0x10]))
    found = triage(rotten, own_backup=own, layout=layout)
    assert kinds(found) == {"kernel": Kind.BIT_ROT}


@pytest.mark.parametrize("sector", [2, 3])
def test_a_log_whose_oldest_sector_is_erased_is_no_damage(sector: int) -> None:
    good = put(put(GOOD, 0x60000, b"\xff" * 0x18000), 0x60000, LOG)
    chip = put(good, 0x60000 + sector * 0x1000, b"\xff" * 0x1000)
    assert judged(chip, good).kind is Kind.NOT_CHECKED
    assert judged(put(good, 0x60000, b"\xff" * 0x18000), good).kind is Kind.ERASED


@pytest.mark.parametrize("cut", [False, True])
def test_a_blank_after_whole_firmware_is_no_interrupted_write(cut: bool) -> None:
    """The kernel of an update is shorter than the one before, and what is after it is still the
    old: only where something ends too soon has a write stopped."""
    old = put(GOOD, 0x20000, boot_image(2, 0x1C000, 2).ljust(0x20000, b"\xff"))
    kernel = boot_image(2, 0xA000, 2)
    chip = put(board(OWN, 1, version=2), 0x20000, kernel.ljust(0x20000, b"\xff"))
    chip = chip[:0x40000] + old[0x40000:]
    if cut:
        chip = put(chip, 0x28000, b"\xff" * 0x8000)
    found = judged(chip, old)
    assert (found.kind is Kind.INTERRUPTED) == cut
    assert kinds(found).get("kernel") == (Kind.INTERRUPTED if cut else None)


@pytest.mark.needs("dtc")
@pytest.mark.parametrize("updated", [True, False])
def test_the_tree_of_an_updated_kernel_is_not_judged_by_the_backup(updated: bool) -> None:
    """One clock in it is another: two bits. With the kernel of the backup they are flipped bits."""
    layout = Layout(SIZE, (*LAYOUT.regions[:3], Region("dtb", 0x18000, 0x4000, Role.TREE)))
    layout = Layout(SIZE, (*layout.regions, *LAYOUT.regions[3:]))

    def made(rate: int, size: int) -> bytes:
        source = f'/dts-v1/; / {{ compatible = "heron,gauge"; rate = <{rate}>; }};'.encode()
        done = subprocess.run(["dtc", "-O", "dtb"], input=source, capture_output=True, check=True)
        flash = put(put(GOOD, 0x18000, done.stdout), 0x20000, b"\xff" * 0x20000)
        return put(flash, 0x20000, boot_image(2, size))

    chip = made(2, 0x9000 if updated else 0x8000)
    found = triage(chip, own_backup=reference(made(1, 0x8000), layout), layout=layout)
    assert found.kind is (Kind.NOT_CHECKED if updated else Kind.BIT_ROT)


def test_an_image_of_another_version_says_nothing_of_a_loader_that_is_proven() -> None:
    """The first stage is the same in both, and the second has its checksum: it was called damaged
    because the two are alike over more than half of their length."""
    stage = struct.pack("<8I", *[0xE59FF014] * 8) + random.Random(8).randbytes(0xA000 - 32)
    ours, theirs = boot_image(5, 0x2000), boot_image(5, 0x2400)
    chip, model = (put(GOOD, 0, (stage + e).ljust(0x10000, b"\xff")) for e in (ours, theirs))
    assert "boot" not in kinds(judged(chip, None, model))
    for at in (0x5000, 0xB000):  # in the stage, and in what the checksum covers
        rotten = put(chip, at, bytes([chip[at] ^ 0x10]))
        assert "boot" in kinds(judged(rotten, None, model))


def test_a_loader_with_more_in_its_middle_is_not_out_of_place() -> None:
    right = GOOD[:0x10000]
    longer = (right[:0x1000] + b"\x12\x34" * 200 + right[0x1000:])[:0x10000]
    for model in (True, False):
        chip = put(GOOD, 0, longer)
        found = judged(chip, None if model else GOOD, GOOD if model else None)
        assert kinds(found).get("boot") is not Kind.SHIFTED
    found = judged(put(GOOD, 0, (b"\xff" * 0x190 + right)[:0x10000]), GOOD)
    assert kinds(found)["boot"] is Kind.SHIFTED


def test_firmware_where_the_backup_has_settings_is_no_file_system_of_the_board() -> None:
    """The lower half of the flash a second time: its kernel is proven, and none of the data."""
    node = struct.pack("<HHI", 0x1985, 0x2003, 12)
    node += struct.pack("<I", zlib.crc32(node, 0xFFFFFFFF) ^ 0xFFFFFFFF)
    good = put(GOOD, 0x60000, b"\xff" * 0x18000)
    for at in range(0x60000, 0x70000, 0x1000):
        good = put(good, at, node)
    chip = put(good, 0x60000, boot_image(2, 0x11000))
    found = judged(chip, good)
    assert kinds(found) == {"data": Kind.DAMAGED}
    assert found.repairs[0].applied(chip) == good


@pytest.mark.parametrize("empty", [b"\xff", b"\0"])
@pytest.mark.parametrize("at", [0x450000, 0x640000])
def test_a_data_partition_that_lost_an_erase_block_is_not_called_intact(
    at: int, empty: bytes
) -> None:
    """The checksums of the nodes that are left say nothing of those that are gone. The demo board's
    partition is one of mkfs.jffs2, in blocks of 64 KiB with a mark at the start of each."""
    good = heron_factory()
    own, chip = reference(good), put(good, at, empty * 0x10000)
    found = triage(chip, own_backup=own)
    (readings,) = (each for each in found.regions if each.region.name == "readings")
    assert readings.kind is Kind.NOT_CHECKED
    assert readings.places == ((at, at + 0x10000),)
    # A block that the board erased itself begins with its mark.
    marked = put(good, at, good[0x410000:0x420000])
    found = triage(marked, own_backup=own)
    assert {each.kind for each in found.regions} == {Kind.INTACT}
