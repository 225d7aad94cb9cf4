"""The MPSSE opcodes that the engine knows (AN_108, from memory).

A data shifting opcode is a set of flags; only the combinations that AN_108 lists exist. TMS
shifting (0x4A to 0x6F), waiting on a pin and the host bus emulation are not modelled: they
answer like unknown opcodes.
"""

from __future__ import annotations

from typing import NamedTuple

from hwmocks.ftdi.profile import AdapterProfile

WRITE_FALLING = 0x01  # data out changes on the falling edge
BITS = 0x02  # a length in bits, not bytes
READ_FALLING = 0x04  # data in is sampled on the falling edge, half a clock late
LSB_FIRST = 0x08
WRITE = 0x10
READ = 0x20

SHIFTS = frozenset(
    bytes.fromhex(
        "10 11 12 13 18 19 1A 1B"  # out only
        "20 22 24 26 28 2A 2C 2E"  # in only
        "31 33 34 36 39 3B 3C 3E"  # both ways, on opposite edges
    )
)

SET_LOW, GET_LOW, SET_HIGH, GET_HIGH = 0x80, 0x81, 0x82, 0x83
LOOPBACK_ON, LOOPBACK_OFF = 0x84, 0x85
SET_DIVISOR, SEND_NOW = 0x86, 0x87
DIV5_OFF, DIV5_ON = 0x8A, 0x8B
THREE_PHASE_ON, THREE_PHASE_OFF = 0x8C, 0x8D
CLOCK_BITS, CLOCK_BYTES = 0x8E, 0x8F
ADAPTIVE_ON, ADAPTIVE_OFF = 0x96, 0x97
DRIVE_ZERO = 0x9E

BAD_COMMAND = 0xFA


class Command(NamedTuple):
    """How the engine handles one opcode.

    `arguments` bytes follow it (not counting the payload of a byte-wise write, which is
    consumed while it is clocked); it `clocks` the bus, `bytewise` or not; it `answers` with
    one byte at once.
    """

    arguments: int
    clocks: bool = False
    bytewise: bool = False
    answers: bool = False


_COMMON = {
    SET_LOW: Command(2),
    GET_LOW: Command(0, answers=True),
    SET_HIGH: Command(2),
    GET_HIGH: Command(0, answers=True),
    LOOPBACK_ON: Command(0),
    LOOPBACK_OFF: Command(0),
    SET_DIVISOR: Command(2),
    SEND_NOW: Command(0),
}
_HIGH_SPEED = {
    DIV5_OFF: Command(0),
    DIV5_ON: Command(0),
    THREE_PHASE_ON: Command(0),
    THREE_PHASE_OFF: Command(0),
    CLOCK_BITS: Command(1, clocks=True),
    CLOCK_BYTES: Command(2, clocks=True, bytewise=True),
    ADAPTIVE_ON: Command(0),
    ADAPTIVE_OFF: Command(0),
}


def _shift(opcode: int) -> Command:
    if not opcode & BITS:
        return Command(2, clocks=True, bytewise=True)
    return Command(2 if opcode & WRITE else 1, clocks=True, answers=bool(opcode & READ))


def known(profile: AdapterProfile) -> dict[int, Command]:
    """The opcodes that this adapter type knows."""
    table = {opcode: _shift(opcode) for opcode in SHIFTS} | _COMMON
    if profile.high_speed:
        table |= _HIGH_SPEED
    if profile.drive_zero:
        table[DRIVE_ZERO] = Command(2)
    return table
