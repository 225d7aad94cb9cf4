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
from spiflash.nor import commands, temporary_locks
from spiflash.nor.chip import Chip
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import Span
from spiflash.nor.probe import PROBE_CLOCK
from spiflash.nor.protection import Protection, RegisterLock, protection
from spiflash.nor.scheme import Clearing, scheme

WRITE_STATUS = 0x01

STATUS_WRITE = Span(15e-3, 1.0)
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


def put_back(flash: NorFlash, before: Mapping[str, int]) -> bool:
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
    lift = _lift_for(flash.chip)
    wanted = {**now, "SR1": now["SR1"] & ~lift.bp | before["SR1"] & lift.bp}
    if lift.second in before:
        kept = lift.second_lost
        wanted[lift.second] = now[lift.second] & ~kept | before[lift.second] & kept
    return _put_back(flash, _StatusWriter(flash, lift, volatile=False), wanted)


# -- locks of single blocks ------------------------------------------------------------------------


@contextmanager
def _locks_open(flash: NorFlash, ranges: Sequence[tuple[int, int]]) -> Iterator[None]:
    chip, bus = flash.chip, flash.bus
    if not temporary_locks.readable(chip.jedec_id[0], chip.size):
        raise _refusal(
            chip, "it has locks of single blocks switched on, which this program does not open"
        )
    shut = [
        (low, high)
        for low, high in temporary_locks.locked(bus, chip.size)
        if any(low < end and start < high for start, end in ranges)
    ]
    try:
        temporary_locks.set_locks(bus, shut, closed=False)
        if any(flash.protection().overlaps(low, high) for low, high in ranges):
            raise _refusal(chip, "the locks of its blocks did not open")
        yield
    finally:
        flash.settle()
        temporary_locks.set_locks(bus, shut, closed=True)


# -- block protection bits -------------------------------------------------------------------------


@contextmanager
def _bits_clear(flash: NorFlash, guard: Protection) -> Iterator[None]:
    chip = flash.chip
    lift = _lift_for(chip)
    _slowly(flash)
    before = _read(flash)
    writer = _StatusWriter(flash, lift, volatile=chip.status_write_volatile)
    open_value = _open_value(lift, before)
    try:
        if not writer.write(open_value, before) or _still_protected(flash):
            raise _locked(chip, guard)
        yield
    except BaseException as error:
        if not _put_back(flash, writer, before) and isinstance(error, SpiflashError):
            error.state = f"{error.state} {_left_open(flash, before)}".strip()
        raise
    if not _put_back(flash, writer, before):
        raise ChipProtectedError(
            "The work is done, but the block protection could not be put back.",
            state=_left_open(flash, before),
            remedy="Take the supply off and on and run 'spiflash identify' to see what holds now."
            if chip.status_write_volatile
            else "Seat the clip again and run 'spiflash identify' to see what holds now.",
        )


def _lift_for(chip: Chip) -> Clearing:
    lifts = [scheme(name).clearing for name in chip.protection_schemes]
    known = [lift for lift in lifts if lift is not None]
    if len(known) < len(lifts) or len({(lift.bp, lift.second) for lift in known}) > 1:
        schemes = ", ".join(chip.protection_schemes)
        raise _refusal(chip, f"how its protection is cleared is not known (scheme {schemes})")
    # Of namesakes some may have CMP and others not; what is written is checked by all schemes.
    return max(known, key=lambda lift: lift.complement)


def _open_value(lift: Clearing, before: dict[str, int]) -> int:
    """SR1 with which nothing is protected, every other bit as it was."""
    status = before["SR1"] & ~(commands.WIP | commands.WEL)
    if lift.complement and before.get(lift.second, 0) & lift.complement:
        return status | lift.bp
    return status & ~lift.bp


class _StatusWriter:
    """Writes SR1, keeps the second register, and remembers which form of 01h the part obeys."""

    def __init__(self, flash: NorFlash, lift: Clearing, *, volatile: bool) -> None:
        self._flash = flash
        self._enable: Transaction = (
            commands.volatile_write_enable() if volatile else commands.write_enable()
        )
        self._second = lift.second
        self._forms = (2, 1) if lift.second else (1,)

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
    flash.settle()
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


def _put_back(flash: NorFlash, writer: _StatusWriter, before: dict[str, int]) -> bool:
    """Whether the registers are as they were; tried several times, whatever happens."""
    for _ in range(ATTEMPTS):
        try:
            _slowly(flash)
            flash.settle()
            if _read(flash) == before or writer.write(before["SR1"], before):
                return True
        except (SpiflashError, KeyboardInterrupt):
            continue
    return False


def _left_open(flash: NorFlash, before: dict[str, int]) -> str:
    kept = ", ".join(f"{name} {value:02X}h" for name, value in before.items())
    end = (
        " It comes back by itself when the supply has been off."
        if flash.chip.status_write_volatile
        else ""
    )
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
