"""Lift the block protection for as long as work goes on, and put it back as it was.

The rules that live here. Only block protection bits change; every other bit of the registers is
written back as it was read, and both are checked before and after. Where a part has a volatile
status write (50h) it is used, so that a loss of power restores the protection by itself. The
register is put back also after an error and after Ctrl-C. A register that is locked is never
worked around. A wrong value written here may be there for good (one-time lock bits share these
registers), so that all of this is done at a slow clock and only on a chip that answers as an idle
one does; what an earlier session noted is used for the bits that it may have changed and no others.

Some parts clear the second register when 01h brings one byte (W25Q64FV and older, S25FL-P),
others refuse two bytes (GD25Q64C, where 31h writes the second): two bytes are tried first, as
they lose nothing on any part, and one byte only when that had no effect.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from spiflash.bus.transaction import Sampling, Transaction
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
"""Time to write a status register: 10 to 15 ms on most parts, 500 ms at most (S25FL128S; from
memory of the data sheets)."""

ATTEMPTS = 3
"""How often putting back is tried, so that a single bad exchange or an impatient second Ctrl-C
does not leave the chip open."""


@contextmanager
def unprotected(flash: NorFlash, ranges: Sequence[tuple[int, int]]) -> Iterator[None]:
    """Nothing in `ranges` is protected while the block lasts.

    Does nothing when nothing there is. Raises `ChipProtectedError` when the protection cannot
    be lifted (with the reason), and after the block when it could not be put back.
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
    """Write SR1 and its companion as an earlier session found them, which was cut off before it
    could do so itself; whether they hold that now. `before` has register values by name.

    Raises `ChipProtectedError` when it is not known how this part takes them.
    """
    if before["SR1"] & commands.WIP:
        # Nothing was noted: an idle chip is not busy, an open line is.
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
            raise _refusal(chip, "the locks of its blocks did not open")
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
            "The work is done, but the block protection could not be put back.",
            state=_left_open(before, volatile=writer.volatile),
            remedy="Take the supply off and on and run 'spiflash identify' to see what holds now."
            if writer.volatile
            else "Seat the clip again and run 'spiflash identify' to see what holds now.",
        )


def _writers(flash: NorFlash, clearing: Clearing) -> Iterator[_StatusWriter]:
    """How the register may be written, the gentlest way first; what each did is read back."""
    chip = flash.chip
    if chip.status_write_volatile or clearing.unseen_second:
        yield _StatusWriter(flash, clearing, volatile=True)
    # A lasting one-byte write could clear a QE bit that cannot be seen, and the board would not
    # start: not where QE may be in a second register.
    if not chip.status_write_volatile and (
        not clearing.unseen_second or chip.quad_enable in ("none", "sr1.6")
    ):
        yield _StatusWriter(flash, clearing, volatile=False)


def why_not(chip: Chip, guard: Protection) -> str:
    """Why the protection of this chip cannot be lifted, as far as that is known without trying;
    "" where it may work."""
    if guard.individual:
        if locks_are_readable(chip.jedec_id[0], chip.size):
            return ""
        return "it has locks of single blocks switched on, which this program does not open"
    if guard.lock is RegisterLock.PERMANENT:
        return "its status register is locked for good"
    clearings = [scheme(name).clearing for name in chip.protection_schemes]
    known = [clearing for clearing in clearings if clearing is not None]
    if (
        len(known) < len(clearings)
        or len({(clearing.bp, clearing.second) for clearing in known}) > 1
    ):
        schemes = ", ".join(chip.protection_schemes)
        return f"how its protection is cleared is not known (scheme {schemes})"
    return ""


def _clearing_for(chip: Chip) -> Clearing:
    if reason := why_not(chip, Protection()):
        raise _refusal(chip, reason)
    known = [way for name in chip.protection_schemes if (way := scheme(name).clearing) is not None]
    # Of namesakes some may have CMP and others not; what is written is checked by all schemes.
    return max(known, key=lambda clearing: clearing.complement)


def _open_value(clearing: Clearing, before: dict[str, int]) -> int:
    """SR1 with which nothing is protected, every other bit as it was."""
    status = before["SR1"] & ~(commands.WIP | commands.WEL)
    if clearing.complement and before.get(clearing.second, 0) & clearing.complement:
        return status | clearing.bp
    return status & ~clearing.bp


class _StatusWriter:
    """Writes SR1, keeps the second register, and remembers which form of 01h the part obeys."""

    def __init__(self, flash: NorFlash, clearing: Clearing, *, volatile: bool) -> None:
        self._flash = flash
        self.volatile = volatile
        """Nothing that it writes outlasts a power cycle."""
        self._enable: Transaction = (
            commands.volatile_write_enable() if volatile else commands.write_enable()
        )
        self._second = clearing.second
        self._forms = (2, 1) if clearing.second else (1,)

    def write(self, value: int, before: dict[str, int]) -> bool:
        """Whether the registers read as wanted afterwards: SR1 `value`, the others as before."""
        wanted = {**before, "SR1": value}
        for form in self._forms:
            self._send(value, before, form)
            now = _read(self._flash)
            if now == wanted:
                self._forms = (form,)
                return True
            if self._second and now[self._second] != wanted[self._second]:
                # One byte cleared the second register: give it back at once.
                self._send(value, before, 2)
                return _read(self._flash) == wanted
        return False

    def _send(self, value: int, before: dict[str, int], form: int) -> None:
        data = bytes((value, before[self._second])) if form == 2 else bytes((value,))
        self._flash.bus.run([self._enable, commands.write_register(WRITE_STATUS, data)])
        self._flash.wait(STATUS_WRITE, "writing the status register")
        # A write that was refused leaves the latch set; nothing may use it by accident.
        self._flash.bus.run([commands.write_disable()])


def _slowly(flash: NorFlash) -> None:
    flash.bus.set_sampling(Sampling.LATE)
    flash.bus.set_clock(PROBE_CLOCK)


def _read(flash: NorFlash) -> dict[str, int]:
    """Every documented register without the bits that change by themselves.

    Raises `ChipAbsentError` when the chip does not answer as an idle one does.
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
    """Whether the registers are as they were; tried several times, whatever happens."""
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
    end = " It comes back by itself when the supply has been off." if volatile else ""
    return f"The chip's block protection is lifted still; its registers were {kept}.{end}"


def _refusal(chip: Chip, reason: str) -> ChipProtectedError:
    return ChipProtectedError(
        f"The protection of the {chip.name} cannot be lifted: {reason}.",
        state="Nothing has been erased or written.",
        remedy="Name the part with --part if you know it; otherwise clear the protection in the "
        "way its data sheet describes.",
    )


def _locked(chip: Chip, guard: Protection) -> ChipProtectedError:
    remedies = {
        RegisterLock.PIN: "WP# (pin 3) must be high: tie it to the supply (--hold-high D4 where "
        "D4 is wired to it), then repeat.",
        RegisterLock.POWER: "Take the supply off and on, then repeat.",
        RegisterLock.PERMANENT: "This protection is for good; the chip can only be replaced.",
        RegisterLock.NONE: "Check that WP# (pin 3) is high and the supply is steady, then repeat; "
        "on some parts the protection is one-time and stays.",
    }
    reason = guard.lock.value if guard.register_locked else "did not take the new value"
    return ChipProtectedError(
        f"The block protection of the {chip.name} cannot be lifted: its status register "
        + (f"is {reason}." if guard.register_locked else f"{reason}."),
        state="Nothing has been erased or written.",
        remedy=remedies[guard.lock],
    )
