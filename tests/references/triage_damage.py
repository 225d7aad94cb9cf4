"""What can go wrong with the boards of `triage_boards.py`, and an independent judge of repairs.

The judge knows what was planted and what was damaged, and nothing of the program: it looks only
at what the chip held, at what it would hold, and at what the board is.
"""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from tests.references.triage_boards import (
    BLANK,
    BLOCK,
    FAMILIES,
    SECTOR,
    Board,
    Model,
    Part,
    build,
    code,
)

Maker = Callable[["Set", random.Random], bytes | None]


@dataclass(frozen=True)
class Set:
    """A board, another one of its model, and a generic image of its firmware or of the next."""

    model: Model
    board: Board
    other: Board
    image: Board
    newer: bool


def draw_set(model: Model) -> Set:
    newer = model.seed % 2 == 1
    return Set(
        model,
        build(model, 1),
        build(model, 2),
        build(model, 0, 2 if newer else 1, generic=True),
        newer,
    )


def put(contents: bytes, at: int, data: bytes) -> bytes:
    return contents[:at] + data + contents[at + len(data) :]


def part(found: Set, role: str) -> Part | None:
    return next((each for each in found.model.parts if each.role == role), None)


def _erase(role: str) -> Maker:
    def damage(found: Set, rng: random.Random) -> bytes | None:
        where = part(found, role)
        if where is None:
            return None
        return put(found.board.contents, where.start, BLANK * where.size)

    return damage


def _somewhere(found: Set, rng: random.Random) -> tuple[int, int]:
    """A piece of firmware."""
    return rng.choice(found.board.firmware)


def flipped(found: Set, rng: random.Random) -> bytes:
    changed = bytearray(found.board.contents)
    for _ in range(rng.randint(1, 8)):
        changed[rng.randrange(*_somewhere(found, rng))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def garbage(found: Set, rng: random.Random) -> bytes:
    start, end = _somewhere(found, rng)
    at = rng.randrange(start, end) // SECTOR * SECTOR
    return put(found.board.contents, at, rng.randbytes(SECTOR))


def sector_erased(found: Set, rng: random.Random) -> bytes:
    start, end = _somewhere(found, rng)
    at = rng.randrange(start, end) // SECTOR * SECTOR
    return put(found.board.contents, at, BLANK * SECTOR)


def update_stopped(found: Set, rng: random.Random) -> bytes:
    """The image, written from the start on, block by block, up to somewhere."""
    image, before = found.image.contents, found.board.contents
    stop = rng.randrange(SECTOR, len(image) * 3 // 4) // 256 * 256
    erased = min((stop // BLOCK + 1) * BLOCK, len(before))
    return image[:stop] + BLANK * (erased - stop) + before[erased:]


def region_stopped(found: Set, rng: random.Random) -> bytes | None:
    where = part(found, rng.choice(("kernel", "root")))
    assert where is not None
    start, end = next(e for e in found.board.firmware if e[0] == where.start)
    stop = rng.randrange(start + 512, end, 256)
    return put(found.board.contents, stop, BLANK * ((stop // BLOCK + 1) * BLOCK - stop))


def half_erased(found: Set, rng: random.Random) -> bytes:
    start, end = _somewhere(found, rng)
    block = rng.randrange(start, end) // BLOCK * BLOCK
    old = found.board.contents[block : block + BLOCK]
    masks = rng.randbytes(len(old))
    return put(found.board.contents, block, bytes(a | b for a, b in zip(old, masks, strict=True)))


def firmware_late(found: Set, rng: random.Random) -> bytes:
    """Kernel and root file system 64 KiB too late; everything else in its place."""
    contents = found.board.contents
    kernel, root = part(found, "kernel"), part(found, "root")
    assert kernel is not None
    assert root is not None
    moved = contents[kernel.start : root.end - BLOCK]
    return put(put(contents, kernel.start, BLANK * BLOCK), kernel.start + BLOCK, moved)


def all_late(found: Set, rng: random.Random) -> bytes:
    by = rng.choice((512, SECTOR, BLOCK, 2 * BLOCK))
    return (BLANK * by + found.board.contents)[: found.model.size]


def swapped(found: Set, rng: random.Random) -> bytes:
    width = rng.choice((2, 4))
    changed = bytearray(found.model.size)
    for at in range(width):
        changed[at::width] = found.board.contents[width - 1 - at :: width]
    return bytes(changed)


def others(found: Set, rng: random.Random) -> bytes:
    return found.other.contents


def other_processor(found: Set, rng: random.Random) -> bytes:
    family = "arm" if found.model.family.startswith(("mips", "riscv")) else "mips-be"
    assert FAMILIES[family]
    start, end = found.board.firmware[0]
    return put(found.board.contents, start, code(rng, family, end - start))


def environment_broken(found: Set, rng: random.Random) -> bytes | None:
    where = part(found, "env")
    if where is None or not found.model.env_saved:
        return None
    return put(found.board.contents, where.start + rng.choice((1, 20)), rng.randbytes(2))


def environment_idle(found: Set, rng: random.Random) -> bytes | None:
    """`bootn` for `bootm` with the right checksum, in every copy."""
    if not found.model.env_saved:
        return None
    contents = found.board.contents
    first = 5 if found.model.redundant else 4
    order = ">I" if found.model.family == "mips-be" else "<I"
    for where in found.model.parts:
        if where.role == "env":
            old = contents[where.start : where.start + found.model.env_size]
            body = old[first:].replace(b"bootm ", b"bootn ")
            new = struct.pack(order, zlib.crc32(body)) + old[4:first] + body
            contents = put(contents, where.start, new)
    return contents


def cut_behind_kernel(found: Set, rng: random.Random) -> bytes:
    """The image, whole up to the end of its kernel, and old contents behind: no blank tells."""
    kernel = part(found, "kernel")
    assert kernel is not None
    return found.image.contents[: kernel.end] + found.board.contents[kernel.end :]


def own_spoiled(found: Set, rng: random.Random) -> bytes | None:
    where = part(found, "own")
    assert where is not None
    return put(found.board.contents, where.start + 0x20, bytes(64))


def zeroed(found: Set, rng: random.Random) -> bytes:
    start, end = _somewhere(found, rng)
    return put(found.board.contents, start, bytes(end - start))


def data_spoiled(found: Set, rng: random.Random) -> bytes | None:
    where = part(found, "data") or part(found, "settings")
    if where is None:
        return None
    return put(found.board.contents, where.start + SECTOR, rng.randbytes(SECTOR))


DAMAGE: dict[str, Maker] = {
    "kernel erased": _erase("kernel"),
    "root erased": _erase("root"),
    "loader erased": _erase("boot"),
    "own erased": _erase("own"),
    "environment erased": _erase("env"),
    "bits flipped": flipped,
    "garbage in firmware": garbage,
    "sector erased": sector_erased,
    "update stopped": update_stopped,
    "write stopped": region_stopped,
    "half-erased": half_erased,
    "firmware 64 KiB late": firmware_late,
    "all late": all_late,
    "swapped": swapped,
    "another board's": others,
    "other processor": other_processor,
    "environment broken": environment_broken,
    "boot command": environment_idle,
    "cut behind kernel": cut_behind_kernel,
    "own spoiled": own_spoiled,
    "firmware zeroed": zeroed,
    "data spoiled": data_spoiled,
}


def own_changed(found: Set, chip: bytes, after: bytes, kind: str) -> int:
    """Bytes of this board's own that a repair changes to anything but what they should be.

    Where all was moved, what stands at their place before is something else.
    """
    good = found.board.contents
    count = 0
    moved = kind in ("all late", "swapped")
    for start, end in found.board.own:
        now, then, right = chip[start:end], after[start:end], good[start:end]
        if moved and now != right:
            continue
        for old, new, wanted in zip(now, then, right, strict=True):
            count += old != new and new != wanted
    for where in found.model.parts:
        if where.role == "env":
            span = slice(where.start, where.end)
            if chip[span] == good[span] and after[span] != good[span]:
                count += sum(
                    len(value)
                    for value in found.board.values
                    if value in good[span] and value not in after[span]
                )
    return count


def strangers(found: Set, chip: bytes, after: bytes) -> int:
    """Places at which a repair brings another board's address or serial number."""
    return sum(
        after.count(value) > chip.count(value)
        for value in found.other.values
        if value not in found.board.contents
    )


def made_worse(found: Set, chip: bytes, after: bytes, allowed: tuple[bytes, ...]) -> int:
    """Pieces of firmware that were right and are neither right nor a source's afterwards."""
    good = found.board.contents
    return sum(
        chip[start:end] == good[start:end]
        and after[start:end] not in {each[start:end] for each in (good, *allowed)}
        for start, end in found.board.firmware
    )


def shown(found: Set, chip: bytes, image: Board) -> bool:
    """Whether an image shows the damage: a piece of its firmware that the board has, too, and
    the chip has not."""
    good = found.board.contents
    return any(
        good[start:end] == image.contents[start:end] != chip[start:end]
        for start, end in found.board.firmware
    )
