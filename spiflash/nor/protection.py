"""What the registers protect at this moment: ranges in addresses, and the register's own lock.

The rules that live here: a bit whose meaning is not known protects everything; of several parts
that a chip may be, all that any of them would protect counts; individual block locks, where they
are switched on, take the place of the block protection bits.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from spiflash.nor.protection_rules import Ranges
from spiflash.nor.scheme import Scheme, scheme


class RegisterLock(enum.Enum):
    """What keeps the status register itself from being written."""

    NONE = "not locked"
    PIN = "locked while WP# (pin 3) is low"
    POWER = "locked until the supply has been off"
    PERMANENT = "locked for good"


@dataclass(frozen=True, slots=True)
class Protection:
    """Which addresses refuse to be erased and programmed.

    `ranges` are (start, end) in bytes, end excluded. `extent_known` is False where bits are
    set whose meaning is not known for this part: `ranges` then covers all that they may mean.
    `lock` is about the status register itself; `individual` says that locks of single blocks
    count and not the block protection bits.
    """

    ranges: Ranges = ()
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

    Where several schemes are possible and disagree, all that any of them protects counts.
    `maker` is the manufacturer byte, where individual block locks are to be noticed.
    """
    entries = [scheme(name) for name in schemes]
    each = [_protection(entry, size, values) for entry in entries]
    lock = max((one.lock for one in each), key=list(RegisterLock).index)
    if _individual(entries, maker, values):
        return Protection(((0, size),), extent_known=False, lock=lock, individual=True)
    if all(one == each[0] for one in each):
        return each[0]
    return Protection(
        joined(pair for one in each for pair in one.ranges), extent_known=False, lock=lock
    )


def joined(ranges: Iterable[tuple[int, int]]) -> Ranges:
    """The same bytes in as few ranges as possible."""
    found: list[tuple[int, int]] = []
    for low, high in sorted(ranges):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        else:
            found.append((low, high))
    return tuple(found)


def _individual(schemes: Sequence[Scheme], maker: int | None, values: Mapping[str, int]) -> bool:
    for each in schemes:
        if maker is None or maker not in each.individual:
            continue
        register, mask = each.individual[maker]
        value = values.get(register, 0)
        # Older parts (W25Q64DW) have no third register, and the open line reads FFh.
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
    """By one scheme; one without a rule protects the whole chip when any BP bit is set."""
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
        return Protection(joined((*one, *other)), extent_known=False, lock=lock)
    ranges = scheme.rule(size, values)
    if ranges is None:
        return Protection(((0, size),), extent_known=False, lock=lock)
    return Protection(ranges, lock=lock)
