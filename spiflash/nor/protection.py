"""What the registers protect at this moment: ranges in addresses, and the register's own lock.

The rules that live here: a bit whose meaning is not known protects everything; of several parts
that a chip may be, all that any of them would protect counts; individual block locks, where they
are switched on, take the place of the block protection bits.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from spiflash.nor.protection_rules import DECIDES, RULES, Ranges

SCHEMES_WITHOUT_STATEMENT = frozenset({"unknown", "none", "sector-locks", "atmel-sector"})
"""Schemes that do not say which registers beside SR1 a part has."""


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
    each = [_protection(scheme, size, values) for scheme in schemes]
    lock = max((one.lock for one in each), key=list(RegisterLock).index)
    if _individual(maker, values):
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


def _individual(maker: int | None, values: Mapping[str, int]) -> bool:
    """WPS, bit 2 of SR3 (W25Q64JV, W25Q128FV, W25Q256FV), and WPSEL, bit 7 of SCUR (MX25L12835F,
    MX25L25645G; one-time): from memory of the data sheets."""
    if maker == 0xEF:
        third = values.get("SR3", 0)
        # Older parts (W25Q64DW) have no third register, and the open line reads FFh.
        return third != 0xFF and bool(third & 0x04)
    if maker == 0xC2:
        return bool(values.get("SCUR", 0) & 0x80)
    return False


_SRP1 = {
    **dict.fromkeys(("bp3-tb-sec-cmp", "bp3-tb-sec", "bp4-tb"), "SR2"),
    **dict.fromkeys(("bp-spansion-l", "bp4-spansion-l"), "CR1"),
}
"""Where bit 0 of a second register is SRP1 (SRL): with SRP0 clear it locks until power-down,
with SRP0 set for good (W25Q64FV, status register protection table; from memory). The JV calls
the latter reserved."""


def _lock(scheme: str, values: Mapping[str, int]) -> RegisterLock:
    if scheme in ("none", "atmel-sector", "sst-block"):
        return RegisterLock.NONE
    srp0 = bool(values["SR1"] & 0x80)
    srp1 = bool(values.get(_SRP1.get(scheme, ""), 0) & 0x01)
    if srp1:
        return RegisterLock.PERMANENT if srp0 else RegisterLock.POWER
    return RegisterLock.PIN if srp0 else RegisterLock.NONE


_ANY_BP = 0x3C
"""BP0–BP3 of every scheme that is not decoded: where all are clear, nothing is protected."""


def _protection(scheme: str, size: int, values: Mapping[str, int]) -> Protection:
    """By one scheme; one without a rule protects the whole chip when any BP bit is set."""
    if scheme == "none":
        return Protection()
    lock = _lock(scheme, values)
    rule = RULES.get(scheme)
    if rule is None:
        some = bool(values["SR1"] & _ANY_BP) and scheme != "sst-block"
        return Protection(((0, size),) if some else (), extent_known=not some, lock=lock)
    decides = DECIDES.get(scheme)
    if decides is not None and decides not in values:
        one, other = (rule(size, {**values, decides: value}) or () for value in (0x00, 0xFF))
        if not one:
            return Protection(lock=lock)
        return Protection(joined((*one, *other)), extent_known=False, lock=lock)
    ranges = rule(size, values)
    if ranges is None:
        return Protection(((0, size),), extent_known=False, lock=lock)
    return Protection(ranges, lock=lock)
