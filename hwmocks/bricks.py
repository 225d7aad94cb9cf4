"""Boards that do not come up any more: the damage, and beside it what is true about it.

Every brick is made from Heron's flash contents, whose pieces come from the real tools (see
`boards/recipe.sh`). What is known of it by construction is kept with it: the kind of damage, where
a write stopped, what the chip should hold, and which of the board's own data still exist.
"""

from __future__ import annotations

import random
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
    VARIABLES,
    Brick,
    environment,
    piece_of,
    put,
    rebuilt_from,
)
from hwmocks.strange_code import strange_code

SECTOR = 4096

_OPEN_USED = 0x228000
"""Where the open image's root file system ends, rounded down: updates that stop behind it have
written everything."""


def make_brick(kind: str, seed: int) -> Brick:
    """The brick of a kind, the same for the same `seed`. Raises KeyError for other kinds."""
    return _MAKERS[kind](kind, random.Random(f"{kind} {seed}"))


def _boards(rng: random.Random) -> tuple[int, int]:
    """The numbers of this board and of another one, of a small batch."""
    first, second = rng.sample(range(0x20, 0x28), 2)
    return first, second


def _local(
    kind: str,
    rng: random.Random,
    damage: Callable[[bytes], bytes],
    own: frozenset[str] = BOTH,
    stop: int | None = None,
) -> Brick:
    """A board on which something was damaged in place; the image is another board's dump."""
    number, other = _boards(rng)
    good, image = heron_variant(number), heron_variant(other)
    return Brick(kind, damage(good), good, image, rebuilt_from(image, good, number, own), own, stop)


def _intact(kind: str, rng: random.Random) -> Brick:
    return _local(kind, rng, lambda good: good)


def _erased(kind: str, rng: random.Random) -> Brick:
    names = ["boot", "env", "dtb", "kernel", "rootfs", "readings"]
    chosen = rng.sample(names, rng.randint(1, 3))
    if rng.random() < 0.2:
        return _local(kind, rng, lambda good: BLANK * len(good), NOTHING)

    def damage(good: bytes) -> bytes:
        for name in chosen:
            start, end = PLACE[name]
            good = put(good, start, BLANK * (end - start))
        return good

    return _local(kind, rng, damage)


def _stops(image: bytes, seen: Callable[[int], bytes], rng: random.Random) -> int:
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


def _interrupted(kind: str, rng: random.Random) -> Brick:
    """The open firmware over the factory's, dead on the way."""
    number, _ = _boards(rng)
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


def _interrupted_blank(kind: str, rng: random.Random) -> Brick:
    """The same over a chip that had been erased as a whole."""
    number, _ = _boards(rng)
    image = heron_open()
    blank = BLANK * FLASH_SIZE
    stop = _stops(image, lambda at: image[:at] + blank[at:], rng)
    contents = image[:stop] + blank[stop:]
    before = heron_variant(number)
    return Brick(
        kind, contents, before, image, rebuilt_from(image, before, number, NOTHING), NOTHING, stop
    )


def _interrupted_region(kind: str, rng: random.Random) -> Brick:
    """One partition written again with what it held, dead on the way."""
    start, length = rng.choice(((0x70000, 0x32000), (0x200000, 0x32000)))
    while (stop := start + rng.randrange(256, length, 256)) % SECTOR == 0:
        continue
    end = (stop // ERASE_BLOCK + 1) * ERASE_BLOCK
    return _local(kind, rng, lambda good: put(good, stop, BLANK * (end - stop)), stop=stop)


def _half_erased(kind: str, rng: random.Random) -> Brick:
    """An erase that was cut short: some of the cells have reached 1, the others not yet."""
    start, blocks = rng.choice(((0x0, 1), (0x70000, 3), (0x200000, 3)))
    block = start + rng.randrange(blocks) * ERASE_BLOCK
    share = rng.uniform(0.05, 0.7)

    def damage(good: bytes) -> bytes:
        masks = bytes(
            sum(1 << bit for bit in range(8) if rng.random() < share) for _ in range(ERASE_BLOCK)
        )
        old = good[block : block + ERASE_BLOCK]
        return put(good, block, bytes(a | b for a, b in zip(old, masks, strict=True)))

    return _local(kind, rng, damage)


def _cut_off(kind: str, rng: random.Random) -> Brick:
    """The image of a sister model with 16 MiB, of which 8 MiB went on the chip."""
    number, other = _boards(rng)
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


def _whole(
    kind: str, rng: random.Random, change: Callable[[bytes], bytes], own_share: float = 0.5
) -> Brick:
    """A whole image written in the wrong way: this board's own dump, or the open image."""
    number, other = _boards(rng)
    good = heron_variant(number)
    if rng.random() < own_share:
        image = heron_variant(other)
        return Brick(kind, change(good), good, image, rebuilt_from(image, good, number, BOTH), BOTH)
    image = heron_open()
    rebuilt = rebuilt_from(image, good, number, NOTHING)
    return Brick(kind, change(image), good, image, rebuilt, NOTHING)


def _shifted(kind: str, rng: random.Random) -> Brick:
    """Written at an offset: a header of some bytes left in front, or a wrong address."""
    by = rng.choice((64, 256, 512, 0x1000, 0x8000, 0x10000, 0x40000))
    return _whole(kind, rng, lambda image: (BLANK * by + image)[:FLASH_SIZE])


def _swapped(kind: str, rng: random.Random) -> Brick:
    width = rng.choice((2, 4))

    def change(image: bytes) -> bytes:
        result = bytearray(len(image))
        for at in range(width):
            result[at::width] = image[width - 1 - at :: width]
        return bytes(result)

    return _whole(kind, rng, change)


def _foreign(kind: str, rng: random.Random) -> Brick:
    number, other = _boards(rng)
    good, image = heron_variant(number), heron_variant(other)
    return Brick(kind, image, good, image, rebuilt_from(image, good, number, NOTHING), NOTHING)


def _processor(kind: str, rng: random.Random) -> Brick:
    """A boot loader for MIPS or Power."""
    banner = b"\0U-Boot 1.1.4 (Mar  2 2011 - 11:05:08) other-board\0"
    start, end = PLACE["boot"]
    loader = (strange_code(rng) + banner).ljust(end - start, BLANK)
    return _local(kind, rng, lambda good: put(good, start, loader))


def _env_checksum(kind: str, rng: random.Random) -> Brick:
    start, _ = PLACE["env"]
    way = rng.randrange(3)

    def damage(good: bytes) -> bytes:
        if way == 0:
            return put(good, start, rng.randbytes(4))
        if way == 1:
            at = good.index(b"bootdelay=2", start) + len(b"bootdelay=")
            return put(good, at, b"7")
        return put(good, start + rng.randrange(0, 400), rng.randbytes(rng.randint(64, 1500)))

    return _local(kind, rng, damage)


def _env_no_boot(kind: str, rng: random.Random) -> Brick:
    start, _ = PLACE["env"]
    way = rng.randrange(4)

    def change(variables: dict[bytes, bytes]) -> None:
        if way == 0:
            del variables[b"bootcmd"]
        elif way == 1:
            variables[b"bootcmd"] = b"run distro_boot"
        elif way == 2:
            variables[b"bootcmd"] = b"echo ready"
        else:
            wrong = b"0x%x" % (0x3A0000 + 0x10000 * rng.randrange(4))
            variables[b"bootcmd"] = b"sf probe; sf read 0x42000000 " + wrong + b" 0x190000; bootm"

    def damage(good: bytes) -> bytes:
        return put(good, start, environment(piece_of(good, "env"), change))

    return _local(kind, rng, damage)


def _bit_rot(kind: str, rng: random.Random) -> Brick:
    spans = (
        (0x0, 0x4A00),
        (0x9000, 0x12000),
        (0x60100, 0x60300),
        (0x70100, 0xA2000),
        (0x200100, 0x232000),
    )

    def damage(good: bytes) -> bytes:
        changed = bytearray(good)
        for _ in range(rng.randint(1, 8)):
            at = rng.randrange(*rng.choice(spans))
            changed[at] ^= 1 << rng.randrange(8)
        return bytes(changed)

    brick = _local(kind, rng, damage)
    return brick if brick.contents != brick.backup else _bit_rot(kind, rng)


def _files(kind: str, rng: random.Random) -> Brick:
    """Sectors of a file system overwritten with something else."""
    start, sectors = rng.choice(((0x200000, 50), (0x440000, 500)))
    first = start + SECTOR * rng.randrange(sectors)
    length = SECTOR * rng.randint(1, 3)
    return _local(kind, rng, lambda good: put(good, first, rng.randbytes(length)))


def _own_lost(kind: str, rng: random.Random) -> Brick:
    start, end = PLACE["factory"]
    return _local(kind, rng, lambda good: put(good, start, BLANK * (end - start)), VARIABLES)


_MAKERS: dict[str, Callable[[str, random.Random], Brick]] = {
    "intact": _intact,
    "erased": _erased,
    "interrupted": _interrupted,
    "interrupted over blank": _interrupted_blank,
    "interrupted in a region": _interrupted_region,
    "half-erased": _half_erased,
    "cut off": _cut_off,
    "wrong offset": _shifted,
    "byte-swapped": _swapped,
    "another board's": _foreign,
    "other processor": _processor,
    "bad checksum": _env_checksum,
    "boots nothing": _env_no_boot,
    "bit rot": _bit_rot,
    "file system": _files,
    "own data lost": _own_lost,
}

KINDS = tuple(_MAKERS)
"""All kinds of bricks."""
