"""Security registers and secured areas: small memories beside the array, with locks that only
ever close."""

from __future__ import annotations

from hwmocks.nor.core import Core


def _security_place(core: Core, data: bytes) -> tuple[int | None, int, bytes]:
    """(index of an unlocked security register or None, offset in it, bytes after it)."""
    area = core.description.security
    length = core.address_length()
    field, payload = data[1 : 1 + length], data[1 + length :]
    address = int.from_bytes(field, "big")
    index = core.security_index(address) if len(field) == length else None
    if area is None or index is None or core.suspended is not None:
        return None, 0, payload
    if area.lock and core.registers.bit(area.lock[min(index, len(area.lock) - 1)]):
        return None, 0, payload
    return index, address - area.addresses[index], payload


def page_buffer(page: int, offset: int, payload: bytes) -> bytes:
    """What the page buffer holds once `payload` has come in at `offset`: it wraps within
    the page, and of more than a page the last bytes stay. Untouched places are FFh."""
    content = bytearray(b"\xff") * page
    skip = max(0, len(payload) - page)
    for place, byte in enumerate(payload[skip:], start=offset + skip):
        content[place % page] = byte
    return bytes(content)


def program_security(core: Core, data: bytes, now: float) -> None:
    """42h (62h): clear bits of one security register."""
    index, offset, payload = _security_place(core, data)
    if index is None or not payload:
        return
    register = core.security[index]
    page = min(core.description.page, len(register))
    base = offset // page * page
    content = page_buffer(page, offset - base, payload)
    for place, byte in enumerate(content[: len(register) - base]):
        register[base + place] &= byte
    core.begin("security-program", core.description.program, now)


def program_secured(core: Core, data: bytes, now: float) -> None:
    """Between B1h and C1h an ordinary program goes to the secured area (MX25L)."""
    field = core.address_length()
    address = int.from_bytes(data[1 : 1 + field], "big") % len(core.security[0])
    program_security(core, data[:1] + address.to_bytes(field, "big") + data[1 + field :], now)


def erase_security(core: Core, data: bytes, now: float) -> None:
    """44h (64h): set all bits of one security register."""
    index, _offset, payload = _security_place(core, data)
    area = core.description.security
    if index is None or payload or area is None or area.one_time:
        return
    core.security[index][:] = b"\xff" * area.length
    smallest = min(core.description.erases.values(), key=lambda erase: erase.size)
    core.begin("security-erase", smallest.time, now)
