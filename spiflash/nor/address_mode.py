"""Is the chip in 3-byte or in 4-byte mode? By its status bit, else by a comparison of reads.

Nothing here changes the chip. The comparison rests on this: a read whose header has four bytes
after the opcode is, to a chip in 3-byte mode, a read at the first three with the fourth as a
dummy, so headers that differ only in the fourth byte give the same contents; to a chip in
4-byte mode they are different addresses. Headers that differ only in the highest bit give the
same contents in 4-byte mode (no chip is that large) and mostly different ones in 3-byte mode.
"""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.bus.transaction import Bus, Transaction
from spiflash.errors import ChipMismatchError
from spiflash.nor import commands
from spiflash.nor.addressing import THREE_BYTE_REACH, ModeFound
from spiflash.nor.chip import Chip, FourByte
from spiflash.nor.commands import Width
from spiflash.nor.probe import any_register
from spiflash.nor.scheme import ModeBit, scheme

SAMPLE = 64
"""Bytes compared at each place."""

_PLACES = tuple(number * 0x11000 for number in range(1, 120))
"""Up to 8 MiB, in steps that are no power of two, below the top bit of a 3-byte address."""


def mode_bit(chip: Chip) -> ModeBit | None:
    """The bit that shows the mode; None where the part, or one that it may be, has none."""
    if chip.size <= THREE_BYTE_REACH:
        return None
    maker = chip.jedec_id[0]
    bits = {scheme(name).mode_bits.get(maker) for name in chip.protection_schemes}
    return bits.pop() if len(bits) == 1 else None


def find_mode(bus: Bus, chip: Chip) -> ModeFound:
    """Find out how `chip` takes addresses now, and which segment is selected."""
    if chip.size <= THREE_BYTE_REACH or FourByte.ALWAYS in chip.four_byte:
        return ModeFound(False, 0, "this part has only one mode")
    segment = 0
    if FourByte.EXTENDED_REGISTER in chip.four_byte:
        segment = _register(bus, commands.READ_EXTENDED_ADDRESS)
    elif FourByte.BANK_REGISTER in chip.four_byte:
        segment = _register(bus, commands.READ_BANK) & 0x7F
    if segment << 24 >= chip.size:
        # An open line or a register that is not there; no such segment exists.
        segment = 0
    if all(scheme(name).mode_by_any_register for name in chip.protection_schemes):
        form = any_register(bus)
        if form is not None:
            return ModeFound(form.width == 4, segment, "how 65h takes its address")
    bit = mode_bit(chip)
    if bit is not None:
        four = bool(_register(bus, bit.opcode) & bit.mask)
        return ModeFound(four, segment, bit.name)
    return _by_comparison(bus, segment)


def _register(bus: Bus, opcode: int) -> int:
    return bus.run([commands.read_register(opcode)])[0][0]


def _read(header: Sequence[int]) -> Transaction:
    return Transaction(bytes((commands.READ, *header)), SAMPLE)


def _by_comparison(bus: Bus, segment: int) -> ModeFound:
    plain, low, high = [], [], []
    for place in _PLACES:
        upper, middle = place >> 16 & 0x7F, place >> 8 & 0xF0
        plain.append(_read((upper, middle, 0, 0)))
        low.append(_read((upper, middle, 0, 0x80)))
        high.append(_read((upper | 0x80, middle, 0, 0)))
    first, fourth, top, again = (bus.run(reads) for reads in (plain, low, high, plain))
    steady = [a == b for a, b in zip(first, again, strict=True)]
    four = any(s and a != b for s, a, b in zip(steady, first, fourth, strict=True))
    three = any(s and a != b for s, a, b in zip(steady, first, top, strict=True))
    if four == three:
        why = "the contents are blank or periodic" if not four else "the readings contradict"
        return ModeFound(None, segment, f"cannot be told: {why}")
    return ModeFound(four, segment, "comparison of reads with three and four address bytes")


def confirm_mode(bus: Bus, chip: Chip) -> str:
    """See that a chip which was switched to 4-byte mode is in it; how that is known.

    Raises `ChipMismatchError` when it is not; every address would be read wrongly then.
    """
    found = find_mode(bus, chip)
    if found.four is False:
        # Of namesakes not all show the mode in the same bit; contents are the better witness.
        second = _by_comparison(bus, found.segment)
        if second.four:
            return f"{second.evidence}, though {found.evidence} does not show it"
        raise ChipMismatchError(
            f"The {chip.name} was told to take 4-byte addresses and still takes three "
            f"({found.evidence}).",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="The chip may be relabelled, or another part with the same ID: read the marking "
            "and name the part with --part.",
        )
    return found.evidence


def confirm_opcodes(bus: Bus, chip: Chip, plain: Width) -> None:
    """See that 13h, the read with four address bytes, gives what 03h gives, which takes `plain`
    of them in the mode that the chip is in. A chip that does not know 13h answers nothing, which
    looks like a blank chip.

    Raises `ChipMismatchError` when it does not.
    """
    places = (0, *_PLACES[::12])
    three = bus.run(
        [
            Transaction(bytes((commands.READ,)) + place.to_bytes(plain, "big"), SAMPLE)
            for place in places
        ]
    )
    four = bus.run(
        [
            Transaction(bytes((commands.READ_4BYTE,)) + place.to_bytes(4, "big"), SAMPLE)
            for place in places
        ]
    )
    if three != four:
        raise ChipMismatchError(
            f"The {chip.name} should know the read with four address bytes (13h), but the chip on "
            "the clip answers it differently from the plain read (03h).",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="The chip may be relabelled or another part with the same ID: read the marking "
            "and name the part with --part. If it is right, seat the clip again and repeat.",
        )
