"""Bricks made by an update, or by a whole image that was written incorrectly."""

from __future__ import annotations

from collections.abc import Callable

from hwmocks.boards.heron import (
    ERASE_BLOCK,
    FLASH_SIZE,
    failed_card_flash,
    heron_open,
    heron_variant,
)
from hwmocks.brick import (
    BLANK,
    BOTH,
    NOTHING,
    PLACE,
    Brick,
    Draw,
    environment,
    piece_of,
    put,
    rebuilt_from,
)
from hwmocks.bricks_in_place import boards
from hwmocks.nor.cells import SECTOR

_OPEN_USED = 0x228000
"""Where the open image's root file system ends, rounded down: updates that stop after it have
written everything."""


def _stops(image: bytes, seen: Callable[[int], bytes], rng: Draw) -> int:
    """A page boundary at which an update that stops can be seen to have stopped: the image goes
    on in the same sector otherwise than the chip, and does not end in blank bytes before it."""
    while True:
        stop = rng.randrange(SECTOR, _OPEN_USED, 256)
        end = stop // SECTOR * SECTOR + SECTOR
        before = image[max(stop - 1, stop // SECTOR * SECTOR) : stop]
        if stop % SECTOR == 0:
            before = image[stop - 1 : stop]
        if before != BLANK and seen(stop)[stop:end] != image[stop:end]:
            return stop


def interrupted(kind: str, rng: Draw) -> Brick:
    """The open firmware written over the factory's, interrupted."""
    number, _ = boards(rng)
    before, image = heron_variant(number), heron_open()
    stop = _stops(image, lambda at: failed_card_flash(before, image, at), rng)
    contents = failed_card_flash(before, image, stop)
    reached = (stop // ERASE_BLOCK + 1) * ERASE_BLOCK
    own = NOTHING
    if reached <= PLACE["factory"][0]:
        own = BOTH
    rebuilt = rebuilt_from(image, before, number, own)
    for name in ("config", "readings"):
        rebuilt = put(rebuilt, PLACE[name][0], piece_of(before, name))
    return Brick(kind, contents, before, image, rebuilt, own, stop)


def interrupted_blank(kind: str, rng: Draw) -> Brick:
    """The same over a chip that had been erased as a whole."""
    number, _ = boards(rng)
    image = heron_open()
    blank = BLANK * FLASH_SIZE
    stop = _stops(image, lambda at: image[:at] + blank[at:], rng)
    contents = image[:stop] + blank[stop:]
    before = heron_variant(number)
    return Brick(
        kind, contents, before, image, rebuilt_from(image, before, number, NOTHING), NOTHING, stop
    )


def cut_off(kind: str, rng: Draw) -> Brick:
    """The image of a sister model with 16 MiB, of which 8 MiB went on the chip."""
    number, other = boards(rng)
    good, image, piece = heron_variant(number), heron_variant(other), heron_open()
    root = 0x800000 - SECTOR * rng.randint(1, 30)
    parts = f"heron-spi:256k(boot),64k(env),64k(factory),64k(dtb),{(root - 0x70000) >> 10}k(kernel)"
    parts += f",{(0x1000000 - root) >> 10}k(rootfs)"

    def stated(variables: dict[bytes, bytes]) -> None:
        old = variables[b"mtdparts"].removeprefix(b"mtdparts=")
        for name, value in variables.items():
            variables[name] = value.replace(old, parts.encode())

    big = bytearray(BLANK * (16 << 20))
    big[:0x200000] = piece[:0x200000]
    big[0x40000:0x50000] = environment(piece_of(piece, "env"), stated)
    files = piece_of(piece, "rootfs")
    big[root : root + len(files)] = files
    contents = bytes(big[:FLASH_SIZE])
    return Brick(kind, contents, good, image, rebuilt_from(image, good, number, NOTHING), NOTHING)


def _whole(kind: str, rng: Draw, change: Callable[[bytes], bytes], own_share: float = 0.5) -> Brick:
    """A whole image written incorrectly: this board's own dump, or the open image."""
    number, other = boards(rng)
    good = heron_variant(number)
    if rng.random() < own_share:
        image = heron_variant(other)
        return Brick(kind, change(good), good, image, rebuilt_from(image, good, number, BOTH), BOTH)
    image = heron_open()
    rebuilt = rebuilt_from(image, good, number, NOTHING)
    return Brick(kind, change(image), good, image, rebuilt, NOTHING)


def shifted(kind: str, rng: Draw) -> Brick:
    """Written at an offset: a header of some bytes left in front, or a wrong address."""
    by = rng.choice((64, 256, 512, 0x1000, 0x8000, 0x10000, 0x40000))
    return _whole(kind, rng, lambda image: (BLANK * by + image)[:FLASH_SIZE])


def swapped(kind: str, rng: Draw) -> Brick:
    width = rng.choice((2, 4))

    def change(image: bytes) -> bytes:
        result = bytearray(len(image))
        for at in range(width):
            result[at::width] = image[width - 1 - at :: width]
        return bytes(result)

    return _whole(kind, rng, change)


def foreign(kind: str, rng: Draw) -> Brick:
    number, other = boards(rng)
    good, image = heron_variant(number), heron_variant(other)
    return Brick(kind, image, good, image, rebuilt_from(image, good, number, NOTHING), NOTHING)
