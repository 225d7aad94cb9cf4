"""Clear the block protection for the time of the work, and restore it afterwards.

The rules that live here. Only block protection bits change; every other bit of the registers is
written back as it was read, and all bits are checked before and after. If a part has a volatile
status write (50h), it is used, so that a loss of power restores the protection by itself. The
registers are restored also after an error and after Ctrl-C. A register that is locked is never
worked around. A wrong value written here may be permanent (one-time lock bits are in the same
registers), so all of this is done at a slow clock and only on a chip that answers like an idle one.
Of the values that an earlier session recorded, only the bits that it may have changed are used.

Some parts clear the second register if 01h has one byte (W25Q64FV and older, S25FL-P), others
refuse two bytes (GD25Q64C, where 31h writes the second). Two bytes are tried first, because they
lose nothing on any part, and one byte only if that has no effect.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from spiflash.bus import Sampling, Transaction
from spiflash.errors import ChipAbsentError, ChipProtectedError, SpiflashError
from spiflash.nor import commands
from spiflash.nor.chip import Chip
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import Duration
from spiflash.nor.probe import PROBE_CLOCK
from spiflash.nor.protection import (
    Protection,
    RegisterLock,
    locked_units,
    locks_are_readable,
    protection,
    set_locks,
)
from spiflash.nor.scheme import Clearing, scheme

WRITE_STATUS = 0x01

STATUS_WRITE = Duration(15e-3, 1.0)
"""Time to write a status register: 10 to 15 ms on most parts, 500 ms at most (S25FL128S)."""

ATTEMPTS = 3
"""How often restoring is tried, so that one bad exchange or a second Ctrl-C does not leave the chip
unprotected."""


@contextmanager
def unprotected(flash: NorFlash, ranges: Sequence[tuple[int, int]]) -> Iterator[None]:
    """Nothing in `ranges` is protected for the time of the block.

    Changes nothing if nothing there is protected. Raises `ChipProtectedError` if the protection
    cannot be cleared (with the reason), and after the block if it could not be restored.
    """
    guard = flash.protection()
    if not any(guard.overlaps(low, high) for low, high in ranges):
        yield
    elif guard.individual:
        with _locks_open(flash, ranges):
            yield
    else:
        with _bits_clear(flash, guard):
            yield


def restore_registers(flash: NorFlash, before: Mapping[str, int]) -> bool:
    """Write SR1 and the second register as an earlier session found them, which was interrupted
    before it could restore them; returns whether they have these values now. `before` has register
    values by name.

    Raises `ChipProtectedError` if it is not known how they are written on this part.
    """
    if before["SR1"] & commands.WIP:
        # These are no values of a chip: an idle chip is not busy, an open line reads as busy.
        return True
    _slowly(flash)
    now = _read(flash)
    if before["SR1"] & ~_BUSY_BITS["SR1"] == now["SR1"]:
        return True
    clearing = _clearing_for(flash.chip)
    wanted = {**now, "SR1": now["SR1"] & ~clearing.bp | before["SR1"] & clearing.bp}
    if clearing.second in before:
        kept = clearing.second_lost
        wanted[clearing.second] = now[clearing.second] & ~kept | before[clearing.second] & kept
    *_, writer = _writers(flash, clearing)
    if not clearing.unseen_second:
        writer = _StatusWriter(flash, clearing, volatile=False)
    return _restore(flash, writer, wanted)


# -- locks of single blocks ------------------------------------------------------------------------


@contextmanager
def _locks_open(flash: NorFlash, ranges: Sequence[tuple[int, int]]) -> Iterator[None]:
    chip, bus = flash.chip, flash.bus
    if reason := why_not(chip, flash.protection()):
        raise _refusal(chip, reason)
    shut = [
        (low, high)
        for low, high in locked_units(bus, chip.size)
        if any(low < end and start < high for start, end in ranges)
    ]
    try:
        set_locks(bus, shut, closed=False)
        if any(flash.protection().overlaps(low, high) for low, high in ranges):
            raise _refusal(chip, "its blocks could not be unlocked")
        yield
    finally:
        flash.wait_while_busy()
        set_locks(bus, shut, closed=True)


# -- block protection bits -------------------------------------------------------------------------


@contextmanager
def _bits_clear(flash: NorFlash, guard: Protection) -> Iterator[None]:
    chip = flash.chip
    clearing = _clearing_for(chip)
    _slowly(flash)
    before = _read(flash)
    open_value = _open_value(clearing, before)
    writer = _StatusWriter(flash, clearing, volatile=chip.status_write_volatile)
    try:
        for writer in _writers(flash, clearing):
            if writer.write(open_value, before) and not _still_protected(flash):
                break
        else:
            raise _locked(chip, guard)
        yield
    except BaseException as error:
        if not _restore(flash, writer, before) and isinstance(error, SpiflashError):
            left = _left_open(before, volatile=writer.volatile)
            error.state = f"{error.state} {left}".strip()
        raise
    if not _restore(flash, writer, before):
        raise ChipProtectedError(
            "The work is done, but the block protection could not be restored.",
            state=_left_open(before, volatile=writer.volatile),
            remedy="Switch the supply off and on, then run 'spiflash identify' to check."
            if writer.volatile
            else "Seat the clip again, then run 'spiflash identify' to check.",
        )


def _writers(flash: NorFlash, clearing: Clearing) -> Iterator[_StatusWriter]:
    """The ways to write the register, the gentlest first; the result of each is read back."""
    chip = flash.chip
    if chip.status_write_volatile or clearing.unseen_second:
        yield _StatusWriter(flash, clearing, volatile=True)
    # A non-volatile one-byte write could clear a QE bit that cannot be read, and the board would
    # not start: not if QE may be in a second register.
    if not chip.status_write_volatile and (
        not clearing.unseen_second or chip.quad_enable in ("none", "sr1.6")
    ):
        yield _StatusWriter(flash, clearing, volatile=False)


def why_not(chip: Chip, guard: Protection) -> str:
    """Why the protection of this chip cannot be cleared, as far as that is known without trying; ""
    if it may work."""
    if guard.individual:
        if locks_are_readable(chip.jedec_id[0], chip.size):
            return ""
        return "it uses locks of single blocks, which this program cannot clear"
    if guard.lock is RegisterLock.PERMANENT:
        return "its status register is locked permanently"
    clearings = [scheme(name).clearing for name in chip.protection_schemes]
    known = [clearing for clearing in clearings if clearing is not None]
    if (
        len(known) < len(clearings)
        or len({(clearing.bp, clearing.second) for clearing in known}) > 1
    ):
        schemes = ", ".join(chip.protection_schemes)
        return f"it is not known how its protection is cleared (scheme {schemes})"
    return ""


def _clearing_for(chip: Chip) -> Clearing:
    if reason := why_not(chip, Protection()):
        raise _refusal(chip, reason)
    known = [way for name in chip.protection_schemes if (way := scheme(name).clearing) is not None]
    # Of parts with one ID some may have CMP and others not; the result is checked by all schemes.
    return max(known, key=lambda clearing: clearing.complement)


def _open_value(clearing: Clearing, before: dict[str, int]) -> int:
    """The value of SR1 with which nothing is protected, every other bit as it was."""
    status = before["SR1"] & ~(commands.WIP | commands.WEL)
    if clearing.complement and before.get(clearing.second, 0) & clearing.complement:
        return status | clearing.bp
    return status & ~clearing.bp


class _StatusWriter:
    """Writes SR1, keeps the second register, and remembers which form of 01h the part accepts."""

    def __init__(self, flash: NorFlash, clearing: Clearing, *, volatile: bool) -> None:
        self._flash = flash
        self.volatile = volatile
        """What it writes is lost at power-off."""
        self._enable: Transaction = (
            commands.volatile_write_enable() if volatile else commands.write_enable()
        )
        self._second = clearing.second
        self._forms = (2, 1) if clearing.second else (1,)

    def write(self, value: int, before: dict[str, int]) -> bool:
        """Whether the registers read as intended afterwards: SR1 `value`, the others as before."""
        wanted = {**before, "SR1": value}
        for form in self._forms:
            self._send(value, before, form)
            now = _read(self._flash)
            if now == wanted:
                self._forms = (form,)
                return True
            if self._second and now[self._second] != wanted[self._second]:
                # One byte has cleared the second register: restore it at once.
                self._send(value, before, 2)
                return _read(self._flash) == wanted
        return False

    def _send(self, value: int, before: dict[str, int], form: int) -> None:
        data = bytes((value, before[self._second])) if form == 2 else bytes((value,))
        self._flash.bus.run([self._enable, commands.write_register(WRITE_STATUS, data)])
        self._flash.wait(STATUS_WRITE, "writing the status register")
        # A refused write leaves the latch set; nothing may use that by accident.
        self._flash.bus.run([commands.write_disable()])


def _slowly(flash: NorFlash) -> None:
    flash.bus.set_sampling(Sampling.LATE)
    flash.bus.set_clock(PROBE_CLOCK)


def _read(flash: NorFlash) -> dict[str, int]:
    """Every documented register without the bits that change by themselves.

    Raises `ChipAbsentError` if the chip does not answer like an idle one.
    """
    flash.wait_while_busy()
    raw = flash.registers()
    if raw["SR1"][0] & commands.WIP:
        raise ChipAbsentError(
            "The chip stopped answering when its status register was read.",
            state="The register has not been written.",
            remedy="Seat the clip again and repeat the command.",
        )
    values = {
        name: int.from_bytes(value, "little") & ~_BUSY_BITS.get(name, 0)
        for name, value in raw.items()
    }
    return {name: value for name, value in values.items() if name != "FSR"}


_BUSY_BITS = {"SR1": commands.WIP | commands.WEL}


def _still_protected(flash: NorFlash) -> bool:
    values = _read(flash)
    return bool(protection(flash.chip.protection_schemes, flash.chip.size, values).ranges)


def _restore(flash: NorFlash, writer: _StatusWriter, before: dict[str, int]) -> bool:
    """Restore the registers, in several attempts; returns whether they are as before."""
    for _ in range(ATTEMPTS):
        try:
            _slowly(flash)
            flash.wait_while_busy()
            if _read(flash) == before or writer.write(before["SR1"], before):
                return True
        except (SpiflashError, KeyboardInterrupt):
            continue
    return False


def _left_open(before: dict[str, int], *, volatile: bool) -> str:
    kept = ", ".join(f"{name} {value:02X}h" for name, value in before.items())
    end = " It returns when the supply is switched off and on." if volatile else ""
    return f"The chip's block protection is still cleared; its registers were {kept}.{end}"


def _refusal(chip: Chip, reason: str) -> ChipProtectedError:
    return ChipProtectedError(
        f"The protection of the {chip.name} cannot be cleared: {reason}.",
        state="Nothing has been erased or written.",
        remedy="Name the part with --part if you know it; otherwise clear the protection as its "
        "data sheet describes.",
    )


def _locked(chip: Chip, guard: Protection) -> ChipProtectedError:
    remedies = {
        RegisterLock.PIN: "WP# (pin 3) must be high: connect it to the supply (or use --hold-high "
        "D4 if D4 is wired to it), then repeat.",
        RegisterLock.POWER: "Switch the supply off and on, then repeat.",
        RegisterLock.PERMANENT: "This protection is permanent; the chip can only be replaced.",
        RegisterLock.NONE: "Check that WP# (pin 3) is high and the supply is stable, then repeat. "
        "On some parts the protection is one-time and permanent.",
    }
    reason = f"is {guard.lock.value}" if guard.register_locked else "did not take the new value"
    return ChipProtectedError(
        f"The block protection of the {chip.name} cannot be cleared: its status register {reason}.",
        state="Nothing has been erased or written.",
        remedy=remedies[guard.lock],
    )
