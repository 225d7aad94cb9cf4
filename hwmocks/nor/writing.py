"""Commands that change something; carried out when chip select rises.

A chip carries such a command out only when chip select rises right after its last bit
(W25Q64JV, "otherwise the instruction will not be executed"), so lengths are checked exactly.
"""

from __future__ import annotations

from hwmocks.nor.cells import SECTOR
from hwmocks.nor.core import Core
from hwmocks.nor.description import Erase, Op
from hwmocks.nor.otp import erase_security, page_buffer, program_secured, program_security

WHILE_BUSY = frozenset(
    {
        Op.READ_REGISTER,
        Op.SUSPEND,
        Op.RESET_ENABLE,
        Op.RESET,
        Op.RESET_AT_ONCE,
        Op.CLEAR_FLAGS,
    }
)
WHILE_AAI = frozenset({Op.PROGRAM_AAI, Op.READ_REGISTER, Op.WRITE_DISABLE})
ADDRESSED_4 = frozenset({Op.PROGRAM_4, Op.ERASE_4})


def execute(core: Core, op: Op, data: bytes, now: float) -> None:
    """Carry out `op`; `data` is everything that arrived, opcode first."""
    if op is Op.RESET:
        if core.reset_armed and len(data) == 1:
            core.reset(now)
        return
    core.reset_armed = False
    if len(data) == 1 and _simple(core, op, now):
        return
    if now < core.writes_from:
        return
    if op is Op.WRITE_REGISTER:
        _write_register(core, data, now)
        return
    if not core.wel:
        return
    match op:
        case Op.PROGRAM | Op.PROGRAM_4:
            _program(core, op, data, now)
        case Op.PROGRAM_AAI:
            _program_aai(core, data, now)
        case Op.ERASE | Op.ERASE_4:
            _erase(core, op, data, now)
        case Op.ERASE_CHIP:
            if len(data) == 1:
                _erase_chip(core, now)
        case Op.PROGRAM_SECURITY:
            program_security(core, data, now)
        case Op.ERASE_SECURITY:
            erase_security(core, data, now)
        case Op.LOCK_BLOCK | Op.UNLOCK_BLOCK:
            _lock_block(core, op, data)
        case _:
            pass


def _simple(core: Core, op: Op, now: float) -> bool:
    """Commands that are an opcode alone; True if `op` was one of them."""
    description = core.description
    match op:
        case Op.WRITE_ENABLE:
            core.wel = now >= core.writes_from
        case Op.WRITE_DISABLE:
            core.wel = False
            core.aai = None
        case Op.VOLATILE_WRITE_ENABLE:
            core.volatile_write = True
        case Op.CLEAR_FLAGS:
            core.errors.clear()
            core.held_busy = False
        case Op.ENTER_4 | Op.EXIT_4:
            if not description.enter_4_needs_wel or core.wel:
                if op is Op.EXIT_4 and core.four_byte and description.bank is not None:
                    # W25Q256FV (the kernel's winbond.c): three-byte reads come from the upper
                    # half after E9h.
                    core.registers.live[description.bank[0]] |= description.exit_4_sets_bank
                core.four_byte = op is Op.ENTER_4
                core.wel = core.wel and not description.enter_4_needs_wel
        case Op.ENTER_SECURED | Op.EXIT_SECURED:
            core.secured = op is Op.ENTER_SECURED
        case Op.RESET_ENABLE:
            core.reset_armed = True
        case Op.RESET_AT_ONCE:
            core.reset(now)
        case Op.SUSPEND:
            core.suspend(now)
        case Op.RESUME:
            core.resume(now)
        case Op.POWER_DOWN:
            core.deep_down = True
        case Op.LOCK_ALL | Op.UNLOCK_ALL:
            if core.wel:
                everything = range(description.size // SECTOR)
                core.unlocked = set(everything) if op is Op.UNLOCK_ALL else set()
                core.wel = False
        case Op.LOCK_SECURED:
            area = description.security
            if core.wel and area is not None:
                for bit in area.lock:
                    core.registers.set_otp(bit)
                core.wel = False
        case _:
            return False
    return True


def _address(core: Core, op: Op, data: bytes) -> tuple[int | None, bytes]:
    """(array address, bytes after it); no address when too few bytes arrived."""
    length = 4 if op in ADDRESSED_4 else core.address_length()
    field = data[1 : 1 + length]
    return (core.address(field) if len(field) == length else None), data[1 + length :]


def _program(core: Core, op: Op, data: bytes, now: float) -> None:
    address, payload = _address(core, op, data)
    description = core.description
    if address is None or not payload:
        return
    if description.program_bytes not in (None, len(payload)):
        return
    if core.secured:
        program_secured(core, data, now)
        return
    page = description.page
    base = address // page * page
    if not _may_program(core, base, page):
        return
    content = page_buffer(page, address - base, payload)
    if _programs_twice(core, base, content):
        core.fail("program")
        return
    before = bytes(core.cells.contents[base : base + page])
    core.cells.program(base, content)
    core.pages_programmed += 1
    if core.cells.stuck and any(
        now_bits & ~(old & new)
        for now_bits, old, new in zip(core.cells.contents[base:], before, content, strict=False)
    ):
        core.fail("program")
    core.begin("program", description.program, now, address=base, before=before, suspendable=True)


def _programs_twice(core: Core, base: int, content: bytes) -> bool:
    """Whether a unit of the error correction that holds something already would change."""
    unit = core.description.ecc_unit
    if unit is None:
        return False
    return any(
        content[at : at + unit] != b"\xff" * unit
        and bytes(core.cells.contents[base + at : base + at + unit]) != b"\xff" * unit
        for at in range(0, len(content), unit)
    )


def _may_program(core: Core, start: int, length: int) -> bool:
    """Whether the range may be programmed now; flags a failure on protected ranges."""
    held = core.suspended
    if held is not None:
        inside = held.address < start + length and start < held.address + len(held.before)
        if not held.erases or inside:
            return False
    if core.is_protected(start, length):
        core.fail("program")
        return False
    return True


def _program_aai(core: Core, data: bytes, now: float) -> None:
    """SST25VF032B, ADh: the first word brings its address, the next ones only data."""
    if core.aai is None:
        if len(data) != 6:
            return
        address = core.address(data[1:4]) & ~1
        word = data[4:]
    else:
        if len(data) != 3:
            return
        address, word = core.aai, data[1:]
    if address >= core.description.size or not _may_program(core, address, 2):
        core.aai = None
        core.wel = False
        return
    before = bytes(core.cells.contents[address : address + 2])
    core.cells.program(address, word)
    core.aai = address + 2
    core.begin(
        "program",
        core.description.program,
        now,
        address=address,
        before=before,
        ends_write_enable=False,
    )


def _erase(core: Core, op: Op, data: bytes, now: float) -> None:
    address, rest = _address(core, op, data)
    if address is None or rest or core.suspended is not None or core.secured:
        return
    erase = core.description.erases[data[0]]
    if erase.only_below is not None:
        top = core.registers.bit(core.description.parameters_top)
        place = core.description.size - 1 - address if top else address
        if place >= erase.only_below:
            return  # S25FL128S: aborted, and no error bit shows it
    start, size = _reach(core, address, erase)
    if not size:
        return
    if core.is_protected(start, size):
        core.fail("erase")
        return
    before = _do_erase(core, start, size)
    core.begin(
        f"erase-{erase.size}",
        erase.time,
        now,
        address=start,
        before=before,
        erases=True,
        suspendable=True,
    )


def _reach(core: Core, address: int, erase: Erase) -> tuple[int, int]:
    """(start, length) of the range that the erase covers; no length if it does not work there."""
    start, size = address // erase.size * erase.size, erase.size
    overlay = core.description.overlay
    if overlay is None:
        return start, size
    whole = core.description.size
    low = whole - overlay.length if core.registers.bit(overlay.top) else 0
    high = low + overlay.length
    small = size < max(each.size for each in core.description.erases.values())
    if small:
        inside = not core.registers.bit(overlay.off) and low <= address < high
        return start, size if inside else 0
    if core.registers.bit(overlay.off) or start + size <= low or high <= start:
        return start, size
    # D8h on the block that the small sectors lie in: only the rest of it.
    return (high, start + size - high) if low == start else (start, low - start)


def _erase_chip(core: Core, now: float) -> None:
    size = core.description.size
    if core.suspended is not None:
        return
    if core.is_protected(0, size):
        core.fail("erase")
        return
    before = _do_erase(core, 0, size)
    core.begin("erase-chip", core.description.chip_erase, now, before=before, erases=True)


def _do_erase(core: Core, start: int, length: int) -> bytes:
    """Erase the cells and count it; returns the old contents."""
    cells = core.cells
    before = bytes(cells.contents[start : start + length])
    if core.endurance is not None:
        for sector in range(start // SECTOR, (start + length) // SECTOR):
            if cells.wear[sector] >= core.endurance:
                cells.wear_out(sector, 1, failing="erase")
    cells.erase(start, length)
    core.erased.append((start, length))
    if cells.stuck and cells.contents.count(0xFF, start, start + length) != length:
        core.fail("erase")
    return before


def _write_register(core: Core, data: bytes, now: float) -> None:
    description = core.description
    entry = description.register_writes[data[0]]
    payload = data[1:]
    volatile, core.volatile_write = core.volatile_write, False
    if not 1 <= len(payload) <= len(entry.registers):
        return
    if entry.volatile:
        if core.wel or not entry.needs_wel:
            core.registers.write(entry, payload, volatile=False)
            core.wel = core.wel and not entry.needs_wel
        return
    if core.registers.locked(wp_low=core.wp_low):
        return
    if volatile:
        core.registers.write(entry, payload, volatile=True)
    elif core.wel and core.suspended is None:
        core.registers.write(entry, payload, volatile=False)
        core.begin("register", description.register_time, now)


def _lock_block(core: Core, op: Op, data: bytes) -> None:
    address, rest = _address(core, op, data)
    if address is None or rest:
        return
    if op is Op.UNLOCK_BLOCK:
        core.unlocked.update(core.lock_unit(address))
    else:
        core.unlocked.difference_update(core.lock_unit(address))
    core.wel = False
