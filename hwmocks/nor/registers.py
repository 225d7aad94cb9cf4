"""Status, configuration and bank registers: what is non-volatile, and what a write may change."""

from __future__ import annotations

from hwmocks.nor.description import Bit, ChipDescription, Register, RegisterWrite


class RegisterFile:
    """The registers of one chip.

    `live` is what the chip acts upon, `kept` what comes back after power-off.
    """

    def __init__(self, description: ChipDescription) -> None:
        self._description = description
        self._registers = {register.name: register for register in description.registers}
        self.kept = {register.name: register.default for register in description.registers}
        self.live = dict(self.kept)

    def power_up(self) -> None:
        """Take the kept values; volatile bits get their power-up default."""
        for name, register in self._registers.items():
            volatile = register.volatile
            self.live[name] = (self.kept[name] & ~volatile) | (register.default & volatile)
        srp1 = self._description.srp1
        if srp1 is not None and not self._srp_locked_for_good():
            # Power-supply lock-down ends with the power cycle (W25Q64JV, SRL).
            self._assign(srp1, False)

    def bit(self, bit: Bit | None) -> bool:
        """The live value of a bit; False where the chip has no such bit."""
        return bit is not None and bool(self.live[bit.register] >> bit.position & 1)

    def value(self, bits: tuple[Bit, ...]) -> int:
        """Bits as a number, least significant first."""
        return sum(self.bit(bit) << place for place, bit in enumerate(bits))

    def set_otp(self, bit: Bit) -> None:
        """Set a one-time-programmable bit permanently."""
        self._assign(bit, True)

    def locked(self, *, wp_low: bool) -> bool:
        """Whether SRP bits (and WP#) forbid writing the status registers.

        W25Q64JV, status register protection table: SRP alone locks while WP# is low, SRL
        until the next power cycle. WP# counts only while quad enable leaves it its meaning.
        """
        description = self._description
        if self.bit(description.srp1):
            return True
        return self.bit(description.srp0) and wp_low and not self.bit(description.qe)

    def write(self, entry: RegisterWrite, data: bytes, *, volatile: bool) -> None:
        """Write `data` to the registers of `entry` in order.

        With `volatile` (after 50h) only the live values change, and OTP bits not at all.
        """
        for position, name in enumerate(entry.registers):
            if position < len(data):
                value = data[position]
            elif entry.clears_missing:
                value = 0
            else:
                continue
            register = self._registers[name]
            self.live[name] = _merged(register, self.live[name], value, otp=not volatile)
            if not volatile:
                self.kept[name] = _merged(register, self.kept[name], value, otp=True)

    def _srp_locked_for_good(self) -> bool:
        description = self._description
        return description.srp_otp and self.bit(description.srp0) and self.bit(description.srp1)

    def _assign(self, bit: Bit, value: bool) -> None:
        mask = 1 << bit.position
        for values in (self.live, self.kept):
            values[bit.register] = values[bit.register] & ~mask | (mask if value else 0)


def _merged(register: Register, old: int, new: int, *, otp: bool) -> int:
    plain = register.writable & ~register.otp
    merged = (old & ~plain) | (new & plain)
    if otp:
        merged |= new & register.otp & register.writable
    return merged
