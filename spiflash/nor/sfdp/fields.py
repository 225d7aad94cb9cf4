"""Reading bits and DWORDs: the arithmetic that all SFDP tables share."""

from __future__ import annotations

from spiflash.nor.geometry import Span


def dwords(raw: bytes, start: int, count: int) -> tuple[int, ...]:
    """Up to `count` complete little-endian DWORDs from byte `start` on."""
    count = max(0, min(count, (len(raw) - start) // 4))
    return tuple(
        int.from_bytes(raw[at : at + 4], "little") for at in range(start, start + 4 * count, 4)
    )


def bits(dword: int, high: int, low: int) -> int:
    """Bits `high` down to `low`, as the standard's tables write them."""
    return (dword >> low) & ((1 << (high - low + 1)) - 1)


def flag(dword: int, position: int) -> bool:
    """Whether bit `position` is set."""
    return bool(dword >> position & 1)


def hexcode(opcode: int) -> int | None:
    """An opcode field; 00h and FFh mean that there is none."""
    return None if opcode in (0x00, 0xFF) else opcode


def span(count: int, unit: float, multiplier: int) -> Span:
    """Typical (count + 1) x unit seconds, maximum 2 x (multiplier + 1) times that
    (JESD216F, 10th and 11th DWORD)."""
    typical = round((count + 1) * unit, 9)
    return Span(typical, round(2 * (multiplier + 1) * typical, 9))
