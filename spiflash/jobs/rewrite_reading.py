"""What a chip holds before it is rewritten: believed only with a second witness.

Two passes that agree are good evidence, and cost a whole pass. A restore often has a witness
already: a verified backup of this very chip on the shelf, or the image that is to be written. A
sector that one pass reads exactly as a witness has it is corroborated: the witness was not read
in this pass, over this contact, at this clock, and an error that turns other contents into just
these 4096 bytes is not to be expected. The rules that live here:

* a sector that matches a witness needs no further reading;
* every other sector is read once more, with another opcode, clock, edge and transfer length, and
  must then be equal bit for bit;
* the two readings may share wrong bits by chance. How many is bounded by the error rate that the
  corroborated bits of the same pass show; where that bound is not below `LIMIT`, or a
  single sector disagrees, or a quarter of the chip has no witness, whole passes are taken and
  weighed as for a backup.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.errors import UnstableReadError
from spiflash.jobs.connection import Connection
from spiflash.jobs.evidence import LIMIT
from spiflash.jobs.passes import PassTaken, apply, pass_setting, take_pass
from spiflash.jobs.progress import Watcher
from spiflash.jobs.reading import Reading, read_in_passes
from spiflash.jobs.same_board import still_there
from spiflash.nor.commands import ReadStyle
from spiflash.nor.geometry import SECTOR

ENOUGH = 0.75
"""Share of the chip that needs a witness for the others to be read one by one."""

NONE_SEEN = 3.0
"""Upper 95 % bound of a Poisson mean of which no event was seen (F. Garwood, Biometrika 28
(1936) 437–442)."""

Stretch = tuple[int, int]
"""Start and end address, whole sectors."""


@dataclass(frozen=True, slots=True)
class Witness:
    """Contents known from elsewhere, from address `start` on."""

    start: int
    contents: bytes


@dataclass(frozen=True, slots=True)
class Before:
    """What the chip holds.

    `unstable` are sectors that read differently each time; `passes` whole readings taken;
    `corroborated` and `again` sectors that a witness confirmed, and that were read twice.
    `reading` is the evidence of whole passes, where they were taken; `first` the only whole pass,
    where a witness spared the others.
    """

    contents: bytes
    unstable: tuple[int, ...]
    passes: int
    corroborated: int = 0
    again: int = 0
    reading: Reading | None = None
    first: PassTaken | None = None

    @classmethod
    def of(cls, reading: Reading) -> Before:
        """A reading in whole passes."""
        return cls(reading.contents, reading.unstable, len(reading.passes), reading=reading)


def read_before(
    connection: Connection, witnesses: Sequence[Witness], passes: int, watcher: Watcher
) -> Before:
    """Read what the chip holds. With `passes` above 2, that many whole passes are taken.

    Raises `UnstableReadError` when it cannot be believed.
    """
    if passes > 2 or not witnesses:
        return _believed(read_in_passes(connection, passes, watcher))
    first = take_pass(connection, 1, "reading what is there", watcher)
    alone = unconfirmed(first.contents, witnesses)
    if _few(len(alone) * SECTOR, len(first.contents)):
        where = stretches(alone)
        second = read_stretches(connection, where, 2, "reading again what is new", watcher)
        if second == [first.contents[low:high] for low, high in where]:
            confirmed = len(first.contents) // SECTOR - len(alone)
            return Before(first.contents, (), 1, confirmed, len(alone), first=first)
    # Not enough is known of this contact: the whole evidence is taken.
    return _believed(read_in_passes(connection, passes, watcher, earlier=[first]))


def unconfirmed(contents: bytes, witnesses: Sequence[Witness]) -> list[int]:
    """Addresses of the sectors that are not, as a whole, what some witness has there."""
    alone = np.ones(len(contents) // SECTOR, dtype=bool)
    for witness in witnesses:
        low = -(-witness.start // SECTOR) * SECTOR
        high = (witness.start + len(witness.contents)) // SECTOR * SECTOR
        if low < high:
            theirs = np.frombuffer(
                witness.contents, np.uint8, high - low, low - witness.start
            ).reshape(-1, SECTOR)
            ours = np.frombuffer(contents, np.uint8, high - low, low).reshape(-1, SECTOR)
            alone[low // SECTOR : high // SECTOR] &= (theirs != ours).any(axis=1)
    return [int(index) * SECTOR for index in np.flatnonzero(alone)]


def _few(alone: int, size: int) -> bool:
    """Whether two readings of `alone` bytes can share less than `LIMIT` wrong bits, by what the
    other bytes of the pass, all of them right, say about its error rate."""
    confirmed = size - alone
    if confirmed < ENOUGH * size:
        return False
    rate = NONE_SEEN / (8 * confirmed)
    return 8 * alone * rate * rate < LIMIT


def stretches(sectors: Sequence[int]) -> list[Stretch]:
    """Ascending sector addresses, joined where they meet."""
    found: list[Stretch] = []
    for start in sectors:
        if found and found[-1][1] == start:
            found[-1] = (found[-1][0], start + SECTOR)
        else:
            found.append((start, start + SECTOR))
    return found


def read_stretches(
    connection: Connection,
    where: Sequence[Stretch],
    number: int,
    title: str,
    watcher: Watcher,
) -> list[bytes]:
    """Read some stretches with the setting of pass `number`.

    Raises `ChipMismatchError` or `UnstableReadError` unless the chip gives its known answers
    before and after.
    """
    chip = connection.chip
    setting = pass_setting(
        number,
        chip,
        connection.bus.clock_limits,
        connection.ceiling,
        connection.edge_limit,
    )
    style = ReadStyle(setting.fast, chip.fast_read_dummy, setting.chunk)
    still_there(connection)
    apply(connection, setting)
    found: list[bytes] = []
    with watcher.step(title, sum(high - low for low, high in where)) as advance:
        for low, high in where:
            found.append(connection.flash.read_all(low, high - low, style))
            advance(high - low)
    still_there(connection)
    return found


def _believed(reading: Reading) -> Before:
    refuse_unstable(reading.unstable)
    if reading.doubts:
        raise UnstableReadError(
            f"What the chip holds is not known well enough: {'; '.join(reading.doubts)}.",
            state="Nothing has been erased or written.",
            remedy="Seat the clip again, shorten the leads or set a lower --clock; "
            "'spiflash contact' names the pin to look at.",
        )
    return Before.of(reading)


def refuse_unstable(sectors: Sequence[int]) -> None:
    """Raise `UnstableReadError` when there are any."""
    if sectors:
        raise UnstableReadError(
            f"{len(sectors)} sectors read differently each time, the first at {sectors[0]:#x}.",
            state="Nothing has been erased or written.",
            remedy="Seat the clip again, shorten the leads or set a lower --clock; a chip that "
            "cannot be read reliably must not be written.",
        )
