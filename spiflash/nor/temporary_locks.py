"""Locks that no power cycle outlasts: those of single blocks, and those a part wakes with.

Single blocks (Winbond WPS): with WPS set each 4 KiB sector of the first and last 64 KiB and each
64 KiB block between them has a lock of its own; all are set at power-up. 3Dh reads a lock, 39h
opens and 36h closes it (W25Q64JV, W25Q128FV data sheets, from memory).

At power-up: some parts wake with everything protected. They are opened for a session and closed
again after it; how stands in the entry of their scheme.
"""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.bus.transaction import Bus, Transaction
from spiflash.nor import commands
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Chip
from spiflash.nor.commands import Width
from spiflash.nor.protection import joined
from spiflash.nor.protection_rules import BLOCK, Ranges
from spiflash.nor.scheme import PowerUpLock, scheme

READ_LOCK = 0x3D
LOCK = 0x36
UNLOCK = 0x39
SECTOR = 4096

# -- locks of single blocks ------------------------------------------------------------------------


def units(size: int) -> list[tuple[int, int]]:
    """(start, end) of every stretch with a lock of its own, ascending."""
    starts = [
        *range(0, BLOCK, SECTOR),
        *range(BLOCK, size - BLOCK, BLOCK),
        *range(size - BLOCK, size, SECTOR),
    ]
    return list(zip(starts, [*starts[1:], size], strict=True))


def readable(maker: int, size: int) -> bool:
    """Whether the locks can be read: above 16 MiB the length of the address depends on the
    mode, and they are left alone."""
    return maker == 0xEF and size <= THREE_BYTE_REACH


def locked(bus: Bus, size: int) -> list[tuple[int, int]]:
    """The locked stretches, one a unit."""
    all_units = units(size)
    answers = bus.run([Transaction(_head(READ_LOCK, start), 1) for start, _ in all_units])
    return [unit for unit, answer in zip(all_units, answers, strict=True) if answer[0] & 1]


def locked_ranges(bus: Bus, size: int) -> Ranges:
    """The same as ranges."""
    return joined(locked(bus, size))


def set_locks(bus: Bus, stretches: Sequence[tuple[int, int]], *, closed: bool) -> None:
    """Close or open the locks of these units."""
    opcode = LOCK if closed else UNLOCK
    orders: list[Transaction] = []
    for start, _ in stretches:
        orders += [commands.write_enable(), Transaction(_head(opcode, start))]
    bus.run(orders)


def _head(opcode: int, start: int) -> bytes:
    return bytes((opcode,)) + commands.address(start, Width.THREE)


# -- everything locked at power-up -----------------------------------------------------------------


def unlock(chip: Chip) -> tuple[Transaction, ...]:
    """What opens every block; nothing for parts that do not wake locked.

    Of several schemes that a chip may have, the first one that says how counts: a chip whose
    parts differ in this is not written at all.
    """
    lock = _at_power_up(chip)
    return () if lock is None else _write(chip, lock.opcode, lock.value)


def lock_again(chip: Chip, status: int) -> tuple[Transaction, ...]:
    """What brings back the protection that `status`, SR1 read before `unlock`, showed."""
    lock = _at_power_up(chip)
    if lock is None or lock.close == -1 or status & commands.WIP:
        return ()
    if lock.close is None:
        return _write(chip, 0x01, bytes((status & lock.seen,))) if status & lock.seen else ()
    return _write(chip, 0x01, bytes((lock.close,))) if status & lock.seen == lock.seen else ()


def _at_power_up(chip: Chip) -> PowerUpLock | None:
    if not chip.locked_at_power_up:
        return None
    ways = (scheme(name).power_up for name in chip.protection_schemes)
    return next((way for way in ways if way is not None), None)


def _write(chip: Chip, opcode: int, value: bytes) -> tuple[Transaction, ...]:
    rest = chip.geometry.program.maximum if value else 0.0
    return commands.write_enable(), commands.write_register(opcode, value, rest=rest)
