"""What is protected at this moment, and the locks that a power cycle resets.

The rules that live here: a bit whose meaning is not known protects everything; of several parts
that a chip may be, all that any of them would protect counts; individual block locks, where they
are switched on, take the place of the block protection bits.

Single blocks (Winbond WPS): with WPS set each 4 KiB sector of the first and last 64 KiB and each
64 KiB block between them has a lock of its own; all are set at power-up. 3Dh reads a lock, 39h
opens and 36h closes it (W25Q64JV, W25Q128FV data sheets).

Some parts wake with everything protected. They are opened for a session and closed again after it;
the entry of their scheme says how.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from spiflash.bus import Bus, Transaction
from spiflash.nor import commands
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Chip
from spiflash.nor.commands import Width
from spiflash.nor.protection_rules import BLOCK
from spiflash.nor.scheme import PowerUpLock, Scheme, scheme
from spiflash.spans import SECTOR, Spans, merged


class RegisterLock(enum.Enum):
    """What prevents writing to the status register itself."""

    NONE = "not locked"
    PIN = "locked while WP# (pin 3) is low"
    POWER = "locked until the supply is switched off and on"
    PERMANENT = "locked permanently"


@dataclass(frozen=True, slots=True)
class Protection:
    """Which addresses cannot be erased and programmed.

    `ranges` are (start, end) in bytes, end excluded. `extent_known` is False if bits are set whose
    meaning is not known for this part: `ranges` then covers everything that they may protect.
    `lock` is about the status register itself. `individual`: locks of single blocks apply, not the
    block protection bits.
    """

    ranges: Spans = ()
    extent_known: bool = True
    lock: RegisterLock = RegisterLock.NONE
    individual: bool = False

    @property
    def register_locked(self) -> bool:
        """Whether the status register is locked, at least while WP# is low."""
        return self.lock is not RegisterLock.NONE

    def overlaps(self, start: int, end: int) -> bool:
        """Whether any byte of start..end (end excluded) is protected."""
        return any(low < end and start < high for low, high in self.ranges)


def protection(
    schemes: Sequence[str], size: int, values: Mapping[str, int], maker: int | None = None
) -> Protection:
    """What the registers `values` (name -> value) protect on a chip of `size` bytes.

    If several schemes are possible and disagree, everything that any of them protects counts.
    `maker` is the manufacturer byte; without it, individual block locks are not detected.
    """
    entries = [scheme(name) for name in schemes]
    each = [_protection(entry, size, values) for entry in entries]
    lock = max((one.lock for one in each), key=list(RegisterLock).index)
    if _individual(entries, maker, values):
        return Protection(((0, size),), extent_known=False, lock=lock, individual=True)
    if all(one == each[0] for one in each):
        return each[0]
    return Protection(
        tuple(merged(pair for one in each for pair in one.ranges)), extent_known=False, lock=lock
    )


def _individual(schemes: Sequence[Scheme], maker: int | None, values: Mapping[str, int]) -> bool:
    for each in schemes:
        if maker is None or maker not in each.individual:
            continue
        register, mask = each.individual[maker]
        value = values.get(register, 0)
        # Older parts (W25Q64DW) have no third register, and FFh is read.
        if value & mask and not (register == "SR3" and value == 0xFF):
            return True
    return False


def _lock(scheme: Scheme, values: Mapping[str, int]) -> RegisterLock:
    if not scheme.lock_bit:
        return RegisterLock.NONE
    srp0 = bool(values["SR1"] & 0x80)
    srp1 = bool(values.get(scheme.power_lock, 0) & 0x01)
    if srp1:
        return RegisterLock.PERMANENT if srp0 else RegisterLock.POWER
    return RegisterLock.PIN if srp0 else RegisterLock.NONE


def _protection(scheme: Scheme, size: int, values: Mapping[str, int]) -> Protection:
    """By one scheme; one without a rule protects the whole chip if any BP bit is set."""
    if scheme.name == "none":
        return Protection()
    lock = _lock(scheme, values)
    if scheme.rule is None:
        some = bool(values["SR1"] & scheme.bp_in_sr1)
        return Protection(((0, size),) if some else (), extent_known=not some, lock=lock)
    if scheme.decides and scheme.decides not in values:
        one, other = (
            scheme.rule(size, {**values, scheme.decides: value}) or () for value in (0x00, 0xFF)
        )
        if not one:
            return Protection(lock=lock)
        return Protection(tuple(merged((*one, *other))), extent_known=False, lock=lock)
    ranges = scheme.rule(size, values)
    if ranges is None:
        return Protection(((0, size),), extent_known=False, lock=lock)
    return Protection(ranges, lock=lock)


READ_LOCK = 0x3D
LOCK = 0x36
UNLOCK = 0x39

# -- locks of single blocks ------------------------------------------------------------------------


def lock_units(size: int) -> list[tuple[int, int]]:
    """(start, end) of every range with a lock of its own, ascending."""
    starts = [
        *range(0, BLOCK, SECTOR),
        *range(BLOCK, size - BLOCK, BLOCK),
        *range(size - BLOCK, size, SECTOR),
    ]
    return list(zip(starts, [*starts[1:], size], strict=True))


def locks_are_readable(maker: int, size: int) -> bool:
    """Whether the locks can be read: above 16 MiB the length of the address depends on the mode,
    and they are not used."""
    return maker == 0xEF and size <= THREE_BYTE_REACH


def locked_units(bus: Bus, size: int) -> list[tuple[int, int]]:
    """The locked units."""
    all_units = lock_units(size)
    answers = bus.run([Transaction(_head(READ_LOCK, start), 1) for start, _ in all_units])
    return [unit for unit, answer in zip(all_units, answers, strict=True) if answer[0] & 1]


def set_locks(bus: Bus, locked: Sequence[tuple[int, int]], *, closed: bool) -> None:
    """Lock or unlock these units."""
    opcode = LOCK if closed else UNLOCK
    orders: list[Transaction] = []
    for start, _ in locked:
        orders += [commands.write_enable(), Transaction(_head(opcode, start))]
    bus.run(orders)


def _head(opcode: int, start: int) -> bytes:
    return bytes((opcode,)) + commands.address(start, Width.THREE)


# -- everything locked at power-up -----------------------------------------------------------------


def power_up_unlock(chip: Chip) -> tuple[Transaction, ...]:
    """The orders that unlock every block; none for parts that are not locked after power-up.

    Of several schemes that a chip may have, the first that says how is used: if its parts differ in
    this, the chip is not written at all.
    """
    lock = _at_power_up(chip)
    return () if lock is None else _write(chip, lock.opcode, lock.value)


def power_up_relock(chip: Chip, status: int) -> tuple[Transaction, ...]:
    """The orders that restore the protection that `status`, SR1 read before `power_up_unlock`,
    shows."""
    lock = _at_power_up(chip)
    if lock is None or lock.close == -1 or status & commands.WIP:
        return ()
    if lock.close is None:
        return _write(chip, 0x01, bytes((status & lock.seen,))) if status & lock.seen else ()
    return _write(chip, 0x01, bytes((lock.close,))) if status & lock.seen == lock.seen else ()


def _at_power_up(chip: Chip) -> PowerUpLock | None:
    if not chip.locked_at_power_up:
        return None
    locks = (scheme(name).power_up for name in chip.protection_schemes)
    return next((lock for lock in locks if lock is not None), None)


def _write(chip: Chip, opcode: int, value: bytes) -> tuple[Transaction, ...]:
    rest = chip.geometry.program.maximum if value else 0.0
    return commands.write_enable(), commands.write_register(opcode, value, rest=rest)
