"""Commands that answer: how long their header is, and the bytes that follow it."""

from __future__ import annotations

import math
from collections.abc import Callable

from hwmocks.nor.core import SEGMENT, Core
from hwmocks.nor.description import Op
from hwmocks.wire import Beat

Source = Callable[[int, Beat], bytes]
"""(number of bytes, how they are clocked) → the chip's answer, going on from call to call."""

ADDRESSED = frozenset({Op.READ, Op.FAST_READ, Op.READ_SECURITY, Op.READ_BLOCK_LOCK})
ADDRESSED_4 = frozenset({Op.READ_4, Op.FAST_READ_4})
READS = (
    ADDRESSED
    | ADDRESSED_4
    | frozenset(
        {
            Op.READ_ID,
            Op.READ_LEGACY_ID,
            Op.READ_REMS,
            Op.READ_SFDP,
            Op.READ_UNIQUE_ID,
            Op.READ_REGISTER,
            Op.READ_ANY,
        }
    )
)


def header_length(core: Core, op: Op) -> int:
    """Bytes from the opcode to the last dummy byte before the answer starts."""
    description = core.description
    match op:
        case Op.READ_LEGACY_ID | Op.READ_REMS:
            return 4
        case Op.READ_SFDP:
            return 5  # JESD216: 3-byte address and 8 dummy clocks, in every address mode
        case Op.READ_UNIQUE_ID:
            # W25Q256JV: five dummy bytes instead of four in 4-byte address mode.
            return 1 + description.unique_id_dummy + core.address_length() - 3
        case Op.READ_ID | Op.READ_REGISTER:
            return 1
        case Op.READ_SECURITY:
            dummy = description.security.dummy if description.security is not None else 0
            return 1 + core.address_length() + dummy
        case Op.FAST_READ:
            return 1 + core.address_length() + description.fast_read_dummy
        case Op.FAST_READ_4:
            wide = description.fast_read_4_dummy
            return 5 + (description.fast_read_dummy if wide is None else wide)
        case Op.READ_4:
            return 5
        case _:
            return 1 + core.address_length()


def source(core: Core, op: Op, header: bytes) -> Source:
    """What the chip answers to the command whose header has just arrived."""
    description = core.description
    match op:
        case Op.READ_ID:
            return _cycle(description.id)
        case Op.READ_LEGACY_ID:
            legacy = description.legacy_id
            return _cycle(b"" if legacy is None else bytes([legacy]))
        case Op.READ_REMS:
            return _cycle(description.rems, header[-1] & 1)
        case Op.READ_SFDP:
            table, place = description.sfdp, description.unique_id_in_sfdp
            if place is not None:
                table = table[:place].ljust(place, b"\xff") + core.unique_id
            return _tail(table, int.from_bytes(header[1:4], "big"))
        case Op.READ_UNIQUE_ID:
            return _cycle(core.unique_id)
        case Op.READ_REGISTER:
            return _register(core, header[0])
        case Op.READ_ANY:
            return _any_register(core, header)
        case Op.READ_SECURITY:
            return _security(core, header)
        case Op.READ_BLOCK_LOCK:
            locked = core.is_protected(core.address(header[1:]), 1)
            return _cycle(b"\x01" if locked else b"\x00")
        case _:
            length = 4 if op in ADDRESSED_4 else core.address_length()
            return _array(core, header[1 : 1 + length])


def _cycle(pattern: bytes, start: int = 0) -> Source:
    """The pattern, repeated; floating if there is none."""
    if not pattern:
        pattern = b"\xff"
    place = start % len(pattern)

    def answer(count: int, _beat: Beat) -> bytes:
        nonlocal place
        repeated = pattern * (-(-(place + count) // len(pattern)))
        piece = repeated[place : place + count]
        place = (place + count) % len(pattern)
        return piece

    return answer


def _tail(table: bytes, place: int) -> Source:
    """A table read from `place` on, all ones after its end."""

    def answer(count: int, _beat: Beat) -> bytes:
        nonlocal place
        piece = table[place : place + count]
        place += count
        return piece + b"\xff" * (count - len(piece))

    return answer


def _array(core: Core, field: bytes) -> Source:
    """The memory array from an address on, wrapping at its end."""
    memory = memoryview(core.cells.contents)
    place = core.address(field)
    base, end = 0, core.description.size
    area = core.description.security
    if core.secured and area is not None:
        memory = memoryview(core.security[0])
        end = area.length
        place %= end
    elif len(field) == 3 and core.description.segment_wrap and end > SEGMENT:
        base = place // SEGMENT * SEGMENT
        end = base + SEGMENT

    def answer(count: int, _beat: Beat) -> bytes:
        nonlocal place
        if place + count < end:
            piece = bytes(memory[place : place + count])
            place += count
            return piece
        pieces = []
        while count:
            step = min(count, end - place)
            pieces.append(bytes(memory[place : place + step]))
            place = place + step if place + step < end else base
            count -= step
        return b"".join(pieces)

    return answer


def _security(core: Core, header: bytes) -> Source:
    """A security register; reading wraps within it."""
    area = core.description.security
    address = int.from_bytes(header[1 : 1 + core.address_length()], "big")
    index = core.security_index(address)
    if area is None or index is None:
        return _cycle(b"\xff")
    return _cycle(bytes(core.security[index]), address - area.addresses[index])


def _any_register(core: Core, header: bytes) -> Source:
    """65h: how many dummy bytes come before the value depends on the register."""
    address = int.from_bytes(header[1:], "big")
    name = core.description.any_registers.get(address)
    value = b"\xff" if name is None else bytes((core.register_value(name),))
    dummies = core.description.any_dummy[0 if address >= 0x800000 else 1]

    def answer(count: int, _beat: Beat) -> bytes:
        nonlocal dummies
        before = min(count, dummies)
        dummies -= before
        return b"\xff" * before + value * (count - before)

    return answer


def _register(core: Core, opcode: int) -> Source:
    """A register, read repeatedly: each byte shows the state at its own first clock."""
    name = next(r.name for r in core.description.registers if r.read == opcode)

    def answer(count: int, beat: Beat) -> bytes:
        core.settle(beat.start)
        value = core.register_value(name)
        operation = core.operation
        if operation is None or count <= 1:
            return bytes([value]) * count
        period = 8 / beat.hertz
        early = min(count, math.ceil((operation.end - beat.start) / period))
        core.settle(beat.start + (count - 1) * period)
        return bytes([value]) * early + bytes([core.register_value(name)]) * (count - early)

    return answer
