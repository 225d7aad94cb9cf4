"""What must be true of the chip itself before it is written: protection, commands, registers.

Everything that comes back from a chip is read several times; what is sent to it is not. A flipped
bit in the address of a page sends it into another sector, and in the address of an erase it does
much more damage. Reading tests the wires to the chip as well: an address that arrives wrong brings
the contents of another place. The rules for that test:

* before the first erase, many places all over the chip are read with short commands, at the clock
  and edge of writing. Only places count whose contents differ from those at every address that is
  one bit away; the bits that counted give the bound that is stated;
* the write enable latch is tried a few times only. Reading the status while the latch is set is
  the one dangerous question: 05h with one bit wrong is 01h, which writes the status register. So
  it comes last, when bit errors are known to be rare;
* where commands do not arrive correctly the clock is halved; at the slowest one the work is
  refused.

A restore writes contents only. Quad enable, block protection and the like outlast a power cycle and
decide whether a board starts: registers that differ from those in a backup set are reported and
left alone.
"""

from __future__ import annotations

import random

import numpy as np
import numpy.typing as npt

from spiflash.archive.journal import Journal
from spiflash.bus import Bus
from spiflash.errors import SAFE, ChipProtectedError, ChipUnknownError, UnstableReadError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image
from spiflash.jobs.reading.evidence import NONE_SEEN
from spiflash.nor import commands
from spiflash.nor.addressing import ModeFound
from spiflash.nor.commands import WEL, ReadStyle
from spiflash.nor.probe import PROBE_CLOCK
from spiflash.nor.unprotect import restore_registers, why_not
from spiflash.plan import Plan
from spiflash.text import ranges_text, span

READS = 1024
LENGTH = 8
"""Bytes of one read: more than that, and the wires that come back are tried, not those that go."""

AGAIN = 2
"""Further readings of a place that read wrong, to tell on which wire the bits flip."""

OTHER_PLACE = 5
"""Bits that differ, of 64, from which the answer is that of another address or command; fewer are
errors on the wire from the chip, which every reading shows and the passes measure."""

LATCH = 8
"""How often the latch is set and cleared."""


def refuse_unknown(connection: Connection) -> None:
    """Raise `ChipUnknownError` for a chip that must not be written."""
    if connection.chip.write_doubt:
        raise ChipUnknownError(
            f"This chip may be read but not written: {connection.chip.write_doubt}.",
            state=SAFE,
            remedy="Name the part with --part once you have read its marking, or describe it in "
            "a table file with --chips.",
        )


def refuse_protected(connection: Connection, plan: Plan) -> None:
    """Raise `ChipProtectedError` when the plan touches a protected range."""
    guard = connection.flash.protection()
    hit = [pair for pair in plan.affected if guard.overlaps(*pair)]
    if not hit:
        return
    where = ranges_text(guard.ranges)
    if not guard.extent_known:
        where += " (at most; how much is not known for this part)"
    remedy = "Repeat with --unprotect to clear the protection during the work" + (
        f"; the status register is {guard.lock.value}, too." if guard.register_locked else "."
    )
    if reason := why_not(connection.chip, guard):
        remedy = (
            f"--unprotect does not help here: {reason}. Name the part with --part if you know it, "
            "or clear the protection in the way its data sheet describes."
        )
    raise ChipProtectedError(
        f"The chip's block protection covers {where}, and this work would change {span(*hit[0])}.",
        state=SAFE,
        remedy=remedy,
    )


def prove_commands(
    connection: Connection, contents: bytes, watcher: Watcher, *, rng: random.Random | None = None
) -> float:
    """See that commands reach the chip, which holds `contents`, at the clock that is set, or at
    the fastest half, quarter … of it at which they do; the clock is left there.

    Returns the 95 % bound of the rate of wrong bits on the way to the chip; 1 where the contents
    are blank, and nothing that goes astray could do harm. Raises `UnstableReadError` when
    commands do not arrive at `PROBE_CLOCK` either, `ChipProtectedError` when the chip does not
    take the write enable command.
    """
    bus = connection.bus
    rng = rng or random.Random()
    starts, bits = _places(connection, contents, rng)
    while _astray(connection, contents, starts):
        if bus.hertz <= PROBE_CLOCK:
            raise UnstableReadError(
                f"Commands do not reach the chip correctly, even at {bus.hertz / 1e6:.3g} MHz: "
                "short reads return the contents of other addresses.",
                state=SAFE,
                remedy="Seat the clip again, shorten the leads, connect ground: a page or an "
                "erase would go to the wrong place.",
            )
        before = bus.hertz
        actual = bus.set_clock(max(before / 2, PROBE_CLOCK / 2))
        watcher.say(
            f"Commands do not always reach the chip correctly at {before / 1e6:.3g} MHz: "
            f"{actual / 1e6:.3g} MHz is used for writing"
        )
    _latch(bus)
    return NONE_SEEN / bits if bits else 1.0


def _places(connection: Connection, contents: bytes, rng: random.Random) -> tuple[list[int], int]:
    """Places to read, and how many bits of their commands would show if they flipped."""
    size = len(contents)
    data = np.frombuffer(contents, np.uint8)
    starts = np.array([rng.randrange(size - LENGTH) for _ in range(2 * READS)], np.int64)
    offsets = np.arange(LENGTH)
    here: npt.NDArray[np.uint8] = data[starts[:, None] + offsets]
    varied = (here != here[:, :1]).any(axis=1)
    starts, here = starts[varied][:READS], here[varied][:READS]
    # Eight bits of opcode: another command answers with something else, or not at all.
    bits = 8 * len(starts)
    for bit in range((size - 1).bit_length()):
        there = np.minimum(starts ^ (1 << bit), size - LENGTH)
        bits += int((data[there[:, None] + offsets] != here).any(axis=1).sum())
    return [int(start) for start in starts], bits


def _astray(connection: Connection, contents: bytes, starts: list[int]) -> bool:
    """Whether a read was answered from another place, or as another command."""
    chip = connection.chip
    style = ReadStyle(connection.bus.hertz > chip.clock_read, chip.fast_read_dummy)
    found = connection.flash.peek(starts, LENGTH, style)
    for start, answer in zip(starts, found, strict=True):
        right = contents[start : start + LENGTH]
        if answer == right:
            continue
        wrong = sum((a ^ b).bit_count() for a, b in zip(answer, right, strict=True))
        if wrong >= OTHER_PLACE:
            return True
        again = connection.flash.peek([start] * AGAIN, LENGTH, style)
        if right not in again:
            return True
    return False


def _latch(bus: Bus) -> None:
    once = [
        commands.write_enable(),
        commands.read_status(),
        commands.write_disable(),
        commands.read_status(),
    ]
    answers = [answer[0] for answer in bus.run(once * LATCH) if answer]
    took = [bool(value & WEL) for value in answers[0::2]]
    left = [bool(value & WEL) for value in answers[1::2]]
    if sum(took) * 2 < len(took) or sum(left) * 2 > len(left):
        raise ChipProtectedError(
            "The chip does not accept the write enable command.",
            state=SAFE,
            remedy="See that WP# and HOLD# (pins 3 and 7) are high and that the board's processor "
            "is held in reset, seat the clip again, then repeat.",
        )


_PASSING = {"SR1": 0x03, "FSR": 0xFF}
"""Bits that change by themselves (WIP, WEL; all of Micron's flag status)."""

_QUAD_PLACES = {"sr1.6": ("SR1", 6), "sr2.1": ("SR2", 1), "cr1.1": ("CR1", 1)}


def register_differences(connection: Connection, image: Image) -> list[str]:
    """One sentence for each register that is not as the set's record has it; none for a plain
    file and for a set of another kind of chip."""
    if image.identity is None or image.identity.jedec_id != connection.chip.jedec_id:
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


def restore_chip_state(connection: Connection, journal: Journal) -> None:
    """Registers and address mode become what they were before the first session of this
    journal: an interrupted session could not see to it.

    Raises `ChipProtectedError` when the block protection could not be restored.
    """
    state = journal.state
    connection.flash.restore_mode_to(
        ModeFound(state.four_byte_mode, state.segment, "noted before the restore began")
    )
    before = {
        name: int.from_bytes(bytes.fromhex(value), "little")
        for name, value in state.registers.items()
    }
    if "SR1" in before and not restore_registers(connection.flash, before):
        kept = ", ".join(f"{name} {value:02X}h" for name, value in before.items())
        raise ChipProtectedError(
            "The contents are correct, but the block protection could not be restored.",
            state=f"The registers were {kept} before.",
            remedy="Seat the clip again and run 'spiflash restore --resume'.",
        )
