"""Registers read so that they can be noted, and some of them written back later."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.bus.transaction import Bus
from spiflash.errors import UnstableReadError
from spiflash.nor import commands
from spiflash.nor.registers import documented

READINGS = 6
"""How often registers are read until two readings in a row agree."""


def read_registers(bus: Bus, schemes: Sequence[str]) -> dict[str, bytes]:
    """Every register that a part with any of these protection schemes documents, by name.

    Only values that come twice in a row count. Raises `UnstableReadError` when none do.
    """
    known = documented(schemes)
    reads = [commands.read_register(register.opcode, register.length) for register in known]
    last: list[bytes] = []
    for _ in range(READINGS):
        values = bus.run(reads)
        if values == last:
            return {register.name: value for register, value in zip(known, values, strict=True)}
        last = values
    raise UnstableReadError(
        "The chip's registers read differently each time.",
        state="Nothing has been changed by this step.",
        remedy="Seat the clip again, shorten the leads, connect ground, then repeat.",
    )
