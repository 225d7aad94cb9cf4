"""The inside of the simulated chip: its state, its clock-driven operations, its protection.

Opcodes are decoded in `chip.py`, answers made in `reading.py`, changes carried out in
`writing.py`; what several of them need is here. All times are virtual seconds.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from hwmocks.nor.busy import BusyTimes
from hwmocks.nor.cells import SECTOR, Cells
from hwmocks.nor.description import ChipDescription, Time
from hwmocks.nor.protection import BLOCK, Ranges, protected
from hwmocks.nor.registers import RegisterFile

WIP = 0x01
WEL = 0x02
SEGMENT = 1 << 24


@dataclass(slots=True)
class Operation:
    """A self-timed operation under way; `before` is what its cells held, for power cuts."""

    kind: str
    start: float
    end: float
    address: int = 0
    before: bytes = b""
    erases: bool = False
    suspendable: bool = False
    ends_write_enable: bool = True


class Core:
    """State of one chip and the rules that several commands share."""

    def __init__(
        self,
        description: ChipDescription,
        contents: bytes | None,
        seed: int,
        unique_id: bytes | None,
        endurance: int | None,
    ) -> None:
        if seed < 0 or (endurance is not None and endurance < 0):
            raise ValueError("neither a seed nor an endurance is below zero")
        self.description = description
        self.rng = random.Random(seed)
        self.busy_times = BusyTimes(self.rng)
        self.unique_id = self.rng.randbytes(description.unique_id_length)
        if unique_id is not None:
            if len(unique_id) != description.unique_id_length:
                raise ValueError(
                    f"{description.name} has a unique ID of {description.unique_id_length} "
                    f"bytes, not {len(unique_id)}"
                )
            self.unique_id = unique_id
        self.cells = Cells(description.size, contents, self.rng)
        self.registers = RegisterFile(description)
        self.security: list[bytearray] = []
        if description.security is not None:
            blank = b"\xff" * description.security.length
            self.security = [bytearray(blank) for _ in description.security.addresses]
        self.endurance = endurance
        self.erased: list[tuple[int, int]] = []
        self.pages_programmed = 0
        self.wp_low = False
        self.writes_from = float("-inf")
        self.ready_at = float("-inf")
        self.operation: Operation | None = None
        self.suspended: Operation | None = None
        self.forget()

    def forget(self) -> None:
        """Everything volatile goes back to its power-up state."""
        self.operation = None
        self.suspended = None
        self.wel = False
        self.volatile_write = False
        self.deep_down = False
        self.secured = False
        self.reset_armed = False
        self.aai: int | None = None
        self.errors: set[str] = set()
        self.held_busy = False
        self.unlocked: set[int] = set()
        self.registers.power_up()
        self.four_byte = self.registers.bit(self.description.adp)

    # --- time -----------------------------------------------------------------------------

    def settle(self, now: float) -> None:
        """Finish what has come to its end by `now`."""
        operation = self.operation
        if operation is not None and now >= operation.end:
            self.operation = None
            if operation.ends_write_enable:
                self.wel = False

    def busy(self) -> bool:
        """Whether WIP is set, as of the last `settle`."""
        return self.operation is not None or self.held_busy

    def begin(
        self,
        kind: str,
        time: Time,
        now: float,
        *,
        address: int = 0,
        before: bytes = b"",
        erases: bool = False,
        suspendable: bool = False,
        ends_write_enable: bool = True,
    ) -> None:
        """Start a self-timed operation; its length is drawn here."""
        end = now + self.busy_times.draw(kind, time)
        self.operation = Operation(
            kind, now, end, address, before, erases, suspendable, ends_write_enable
        )

    def break_off(self, now: float) -> None:
        """Power or reset cut off what was under way or suspended: its cells stay half done."""
        self.settle(now)
        for operation, moment in ((self.operation, now), (self.suspended, 0.0)):
            if operation is None or not operation.before:
                continue
            if operation.erases:
                self.cells.interrupt_erase(operation.address, operation.before)
            else:
                whole = operation.end - operation.start
                done = (moment - operation.start) / whole if whole > 0 else 1.0
                done = max(0.0, min(1.0, done))
                self.cells.interrupt_program(operation.address, operation.before, done)

    def suspend(self, now: float) -> None:
        """75h: put the running erase or program aside, if it is one that can be."""
        operation = self.operation
        if operation is None or not operation.suspendable or self.suspended is not None:
            return
        self.suspended = operation
        operation.start -= now  # while suspended, its times count from the suspension
        operation.end -= now
        latency = self.description.suspend_latency
        self.operation = Operation(
            "suspending", now, now + latency, suspendable=False, ends_write_enable=True
        )

    def resume(self, now: float) -> None:
        """7Ah: go on with what was put aside."""
        operation = self.suspended
        if operation is None or self.operation is not None:
            return
        operation.start += now
        operation.end += now
        self.operation, self.suspended = operation, None
        self.wel = True

    def reset(self, now: float) -> None:
        """66h/99h or RESET#: break off, forget, and be deaf for the reset time."""
        self.break_off(now)
        self.forget()
        self.ready_at = now + self.description.reset_delay

    # --- registers ------------------------------------------------------------------------

    def register_value(self, name: str) -> int:
        """What reading the register gives, computed bits included, as of the last `settle`."""
        description = self.description
        value = self.registers.live[name]
        if name == "SR1":
            value |= (WIP if self.busy() else 0) | (WEL if self.wel else 0)
            if self.aai is not None:
                value |= 0x40  # SST25VF: AAI programming mode
        if name == description.flag_register:
            value |= 0 if self.busy() else 0x80
        if description.sus is not None and self.suspended is not None:
            bit = description.sus[0 if self.suspended.erases else 1]
            if bit.register == name:
                value |= 1 << bit.position
        if description.ads is not None and description.ads.register == name and self.four_byte:
            value |= 1 << description.ads.position
        if description.error_bits is not None:
            for what, bit in zip(("erase", "program"), description.error_bits, strict=True):
                if what in self.errors and bit.register == name:
                    value |= 1 << bit.position
        return value

    # --- addresses ------------------------------------------------------------------------

    def address_length(self) -> int:
        """3 or 4: bytes of address that commands without a length of their own take."""
        return 4 if self.four_byte or self.registers.bit(self.description.bank_extadd) else 3

    def address(self, field: bytes) -> int:
        """The array address that 3 or 4 address bytes name; bits above the size fall away."""
        address = int.from_bytes(field, "big")
        bank = self.description.bank
        if len(field) == 3 and bank is not None:
            address |= (self.registers.live[bank[0]] & bank[1]) << 24
        return address % self.description.size

    def security_index(self, address: int) -> int | None:
        """Which security register an address is in."""
        area = self.description.security
        if area is None:
            return None
        for index, base in enumerate(area.addresses):
            if base <= address < base + area.length:
                return index
        return None

    # --- protection -----------------------------------------------------------------------

    def protected_ranges(self) -> Ranges:
        """Ranges that BP bits cover; with individual block locks see `is_protected`."""
        description, registers = self.description, self.registers
        return protected(
            description.protection,
            description.size,
            registers.value(description.bp),
            tb=registers.bit(description.tb),
            sec=registers.bit(description.sec),
            cmp=registers.bit(description.cmp),
        )

    def is_protected(self, start: int, length: int) -> bool:
        """Whether any byte of the range is protected."""
        if self.registers.bit(self.description.wps):
            last = (start + length - 1) // SECTOR
            return any(n not in self.unlocked for n in range(start // SECTOR, last + 1))
        return any(a < start + length and start < b for a, b in self.protected_ranges())

    def lock_unit(self, address: int) -> range:
        """Sector numbers that an individual lock covers: W25Q64JV locks 4 KiB sectors in the
        first and last 64 KiB block, whole blocks between them."""
        size = self.description.size
        if BLOCK <= address < size - BLOCK:
            first = address // BLOCK * (BLOCK // SECTOR)
            return range(first, first + BLOCK // SECTOR)
        return range(address // SECTOR, address // SECTOR + 1)

    def fail(self, what: str) -> None:
        """An erase or program ("erase", "program") did not work out; flag it where there is
        a flag."""
        if self.description.error_bits is not None:
            self.errors.add(what)
            self.held_busy = self.description.errors_hold_busy
