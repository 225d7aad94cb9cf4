"""Registers of the chip beside those that a backup set recorded: said, never changed.

Quad enable, block protection and their like outlast a power cycle and decide whether a board
starts; a restore writes contents only, so what differs is told to the person.
"""

from __future__ import annotations

from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image

_PASSING = {"SR1": 0x03, "FSR": 0xFF}
"""Bits that change by themselves (WIP, WEL; all of Micron's flag status)."""

_QUAD_PLACES = {"sr1.6": ("SR1", 6), "sr2.1": ("SR2", 1), "cr1.1": ("CR1", 1)}


def register_differences(connection: Connection, image: Image) -> list[str]:
    """One sentence for each register that is not as the set's record has it; none for a plain
    file and for a set of another kind of chip."""
    if image.jedec_id != connection.chip.jedec_id.hex():
        return []
    found = []
    for name, recorded in image.registers.items():
        now = connection.registers.get(name)
        if now is None or len(now) * 2 != len(recorded):
            continue
        mask = ~_PASSING.get(name, 0)
        before, after = (
            int.from_bytes(bytes.fromhex(recorded), "little"),
            int.from_bytes(now, "little"),
        )
        changed = (before ^ after) & mask
        if changed:
            found.append(
                f"Register {name} is {now.hex().upper()}h; it was {recorded.upper()}h when the set "
                f"was made{_meaning(connection, name, changed, after)}. It is left as it is."
            )
    return found


def _meaning(connection: Connection, name: str, changed: int, now: int) -> str:
    place = _QUAD_PLACES.get(connection.chip.quad_enable)
    if place is None or place[0] != name or not changed >> place[1] & 1:
        return ""
    return f" (quad enable is {'set' if now >> place[1] & 1 else 'clear'} now)"
