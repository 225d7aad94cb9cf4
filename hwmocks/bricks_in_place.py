"""Bricks that were damaged in one place; the rest of the board is unchanged."""

from __future__ import annotations

from collections.abc import Callable

from hwmocks.boards.heron import ERASE_BLOCK, heron_variant
from hwmocks.brick import (
    BLANK,
    BOTH,
    NOTHING,
    PLACE,
    VARIABLES,
    Brick,
    Draw,
    environment,
    piece_of,
    put,
    rebuilt_from,
)
from hwmocks.nor.cells import SECTOR
from hwmocks.strange_code import strange_code


def boards(rng: Draw) -> tuple[int, int]:
    """The numbers of this board and of another one, of a small batch."""
    first, second = rng.sample(range(0x20, 0x28), 2)
    return first if rng.board is None else rng.board, second


def local(
    kind: str,
    rng: Draw,
    damage: Callable[[bytes], bytes],
    own: frozenset[str] = BOTH,
    stop: int | None = None,
) -> Brick:
    """A board on which something was damaged in place; the image is another board's dump."""
    number, other = boards(rng)
    good, image = heron_variant(number), heron_variant(other)
    return Brick(kind, damage(good), good, image, rebuilt_from(image, good, number, own), own, stop)


def intact(kind: str, rng: Draw) -> Brick:
    return local(kind, rng, lambda good: good)


def erased(kind: str, rng: Draw) -> Brick:
    names = ["boot", "env", "dtb", "kernel", "rootfs", "readings"]
    chosen = rng.sample(names, rng.randint(1, 3))
    if rng.random() < 0.2:
        return local(kind, rng, lambda good: BLANK * len(good), NOTHING)

    def damage(good: bytes) -> bytes:
        for name in chosen:
            start, end = PLACE[name]
            good = put(good, start, BLANK * (end - start))
        return good

    return local(kind, rng, damage)


def interrupted_region(kind: str, rng: Draw) -> Brick:
    """One partition written again with its old contents, interrupted."""
    start, length = rng.choice(((0x70000, 0x32000), (0x200000, 0x32000)))
    while (stop := start + rng.randrange(256, length, 256)) % SECTOR == 0:
        continue
    end = (stop // ERASE_BLOCK + 1) * ERASE_BLOCK
    return local(kind, rng, lambda good: put(good, stop, BLANK * (end - stop)), stop=stop)


def half_erased(kind: str, rng: Draw) -> Brick:
    """An interrupted erase: some of the cells have reached 1, the others not yet."""
    start, blocks = rng.choice(((0x0, 1), (0x70000, 3), (0x200000, 3)))
    block = start + rng.randrange(blocks) * ERASE_BLOCK
    share = rng.uniform(0.05, 0.7)

    def damage(good: bytes) -> bytes:
        masks = bytes(
            sum(1 << bit for bit in range(8) if rng.random() < share) for _ in range(ERASE_BLOCK)
        )
        old = good[block : block + ERASE_BLOCK]
        return put(good, block, bytes(a | b for a, b in zip(old, masks, strict=True)))

    return local(kind, rng, damage)


def processor(kind: str, rng: Draw) -> Brick:
    """A boot loader for MIPS or Power."""
    banner = b"\0U-Boot 1.1.4 (Mar  2 2011 - 11:05:08) other-board\0"
    start, end = PLACE["boot"]
    loader = (strange_code(rng) + banner).ljust(end - start, BLANK)
    return local(kind, rng, lambda good: put(good, start, loader))


def env_checksum(kind: str, rng: Draw) -> Brick:
    start, _ = PLACE["env"]
    way = rng.randrange(3)

    def damage(good: bytes) -> bytes:
        if way == 0:
            return put(good, start, rng.randbytes(4))
        if way == 1:
            at = good.index(b"bootdelay=2", start) + len(b"bootdelay=")
            return put(good, at, b"7")
        return put(good, start + rng.randrange(0, 400), rng.randbytes(rng.randint(64, 1500)))

    return local(kind, rng, damage)


def env_no_boot(kind: str, rng: Draw) -> Brick:
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

    return local(kind, rng, damage)


def bit_rot(kind: str, rng: Draw) -> Brick:
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

    brick = local(kind, rng, damage)
    return brick if brick.contents != brick.backup else bit_rot(kind, rng)


def files(kind: str, rng: Draw) -> Brick:
    """Sectors of a file system overwritten with something else."""
    start, sectors = rng.choice(((0x200000, 50), (0x440000, 500)))
    first = start + SECTOR * rng.randrange(sectors)
    length = SECTOR * rng.randint(1, 3)
    return local(kind, rng, lambda good: put(good, first, rng.randbytes(length)))


def own_lost(kind: str, rng: Draw) -> Brick:
    start, end = PLACE["factory"]
    return local(kind, rng, lambda good: put(good, start, BLANK * (end - start)), VARIABLES)
