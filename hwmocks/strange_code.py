"""Programs for other processors: functions with a plausible mixture of instructions.

Encodings: MIPS32 and Power instruction sets (from memory).
"""

from __future__ import annotations

import random
import struct


def strange_code(rng: random.Random) -> bytes:
    """Some 48 KiB for MIPS, of either byte order, or for Power."""
    mips = rng.random() < 0.6
    big = not mips or rng.random() < 0.5
    words: list[int] = [0x10000003, 0, 0, 0] if mips else [0x48000010, 0, 0, 0]
    while len(words) < 12000:
        body = rng.randint(6, 60)
        if mips:
            words += [0x27BDFFE0, 0xAFBF001C]
            words += [_mips(rng) for _ in range(body)]
            words += [0x8FBF001C, 0x03E00008, 0x27BD0020]
        else:
            words += [0x9421FFE0, 0x7C0802A6, 0x90010024]
            words += [_power(rng) for _ in range(body)]
            words += [0x80010024, 0x7C0803A6, 0x38210020, 0x4E800020]
    return struct.pack(f"{'>' if big else '<'}{len(words)}I", *words)


def _mips(rng: random.Random) -> int:
    registers = rng.randrange(2, 16) << 21 | rng.randrange(2, 16) << 16
    kind = rng.choice(
        (0x3C000000, 0x24000000, 0x8C000000, 0xAC000000, 0x14000000, 0x0C000000, 0x21)
    )
    if kind == 0x0C000000:
        return kind | rng.randrange(1 << 16)
    if kind == 0x21:
        return registers | rng.randrange(2, 16) << 11 | kind
    return kind | registers | rng.randrange(1 << 12)


def _power(rng: random.Random) -> int:
    registers = rng.randrange(3, 13) << 21 | rng.randrange(3, 13) << 16
    kind = rng.choice((0x38000000, 0x3C000000, 0x80000000, 0x90000000, 0x60000000, 0x48000001))
    if kind == 0x48000001:
        return kind | rng.randrange(1 << 12) << 2
    return kind | registers | rng.randrange(1 << 12)
