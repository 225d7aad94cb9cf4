"""Prove that a chip holds what was written, and write again what it does not hold.

Every sector that was erased or programmed is read back and compared with what it should hold. One
reading is enough where it matches: what it is compared with never came over this contact in this
form, and an error does not invent it. A sector that does not match is first read again with other
settings: a bad reading is likelier than a bad cell. What still does not match is written again,
page by page where bits only have to clear, otherwise with an erase, at most `REPAIRS` times.

What the work has not touched is never written again because of a reading. Where that does not
match, commands reached wrong addresses or another board is on the clip, and the proof ends there.

What else the work could have changed is checked, too: the blocks that the largest erase of the chip
could have taken (all of them where that is little, a piece of every sector where it is much), and
the first pages of the chip, which a page reaches whose address was cut off. The first sector that
has to be read or written again makes the check one of the whole chip, in passes, against all that
it held before and was to hold.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.errors import AstrayError, NotTakenError, UnstableReadError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading import disagreements, read_in_passes
from spiflash.jobs.write.before import read_spans
from spiflash.nor.commands import ReadStyle
from spiflash.plan import Plan
from spiflash.spans import SECTOR, Span, sector_spans
from spiflash.text import address

REPAIRS = 2
"""How often sectors that do not verify are written again before they are given up."""

AGAIN = 12
"""Further readings of a sector that does not match: two that match in a row clear it. At one wrong
bit in a million a sector of 4 KiB is wrong in one of 30 readings; three more are not enough then
in one of a thousand sectors, which is a matter of time where many are read."""


LITTLE = 1 / 16
"""Share of the chip that is read back whole beside what was changed; of more, a piece of each
sector is."""

PIECE = 64
"""Bytes that are read of a sector beside what was changed: what an erase took is all blank."""

FIRST = 0x1000
"""Bytes at the start of the chip that are always read back."""


@dataclass(frozen=True, slots=True)
class Proof:
    """How it is known. `sectors` were read back; `passes` of the whole chip were taken (0: only
    what was changed and its neighbours were read); `reread` sectors matched only when read again;
    `repaired` ones were written again; of `glanced` sectors beside them a piece was read."""

    sectors: int
    passes: int
    reread: tuple[int, ...]
    repaired: tuple[int, ...]
    glanced: int = 0


def changed_sectors(plan: Plan) -> list[Span]:
    """Where the plan changes something, in whole sectors."""
    sectors = {
        at for low, high in plan.affected for at in range(low // SECTOR * SECTOR, high, SECTOR)
    }
    return sector_spans(sectors)


def prove(
    connection: Connection,
    changed: Sequence[Span],
    touched: Sequence[Span],
    covered: Sequence[Span],
    target: bytes,
    watcher: Watcher,
    *,
    whole: bool,
    passes: int,
    write_again: Callable[[bytes, Sequence[int]], None],
) -> Proof:
    """Read back what was `changed`, and what could have been hit with it, or the `whole` chip in
    `passes`; have
    written again what does not match `target`, the whole chip. Of that, this very work erased or
    programmed what it `touched`; `covered` is what the journal holds; `write_again` is given what
    the chip holds and the sectors concerned.

    Raises `VerifyError` with the sectors that would not hold their contents, `AstrayError` with
    those that changed although they were not `touched`, and `UnstableReadError` when readings do
    not agree.
    """
    where, glances = _worth_reading(changed, covered, len(target))
    repaired: set[int] = set()
    reread: set[int] = set()
    for attempt in range(REPAIRS + 1):
        held = bytearray(target)
        wrong: list[int] = []
        taken = 0
        if not whole:
            wrong, noisy = compare(connection, where, held, target, watcher, "reading back")
            reread.update(noisy)
            whole = bool(wrong or noisy) or not _glance(connection, glances, target)
            if whole:
                watcher.say("Not everything read back correctly at first: verifying the whole chip")
        if whole:
            reading = read_in_passes(connection, passes, watcher)
            _refuse_unsure(reading.unstable)
            taken, held = len(reading.passes), bytearray(reading.contents)
            wrong = disagreements([reading.contents, target])
        if not wrong:
            count = len(target) if whole else sum(high - low for low, high in where)
            return Proof(
                count // SECTOR,
                taken,
                tuple(sorted(reread)),
                tuple(sorted(repaired)),
                0 if whole else len(glances),
            )
        inside = [start for start in wrong if any(low <= start < high for low, high in touched)]
        if len(inside) < len(wrong):
            raise _gone_astray(sorted(set(wrong) - set(inside)), wrong)
        if attempt < REPAIRS:
            watcher.say(f"{_counted(wrong)} did not hold what was written: writing again")
            write_again(bytes(held), wrong)
            repaired.update(wrong)
    raise _given_up(wrong, bytes(held), target)


def _worth_reading(
    changed: Sequence[Span], covered: Sequence[Span], size: int
) -> tuple[list[Span], list[int]]:
    """What is read back whole, and the sectors of which a piece is."""
    must = {at for low, high in changed for at in range(low, high, SECTOR)}
    must |= set(range(0, min(FIRST, size), SECTOR))
    beside = {at for low, high in covered for at in range(low, high, SECTOR)} - must
    if len(beside) * SECTOR <= LITTLE * size:
        return sector_spans(must | beside), []
    return sector_spans(must), sorted(beside)


def _glance(connection: Connection, sectors: Sequence[int], target: bytes) -> bool:
    """Whether one piece of each sector, with contents where there is one, is as in `target`."""
    places = []
    for start in sectors:
        first = start + random.randrange(SECTOR // PIECE) * PIECE
        around = (*range(first, start + SECTOR, PIECE), *range(start, first, PIECE))
        filled = (at for at in around if target[at : at + PIECE] != b"\xff" * PIECE)
        places.append(next(filled, first))
    chip = connection.chip
    style = ReadStyle(connection.bus.hertz > chip.clock_read, chip.fast_read_dummy)
    found = connection.flash.peek(places, PIECE, style)
    return all(data == target[at : at + PIECE] for at, data in zip(places, found, strict=True))


def compare(
    connection: Connection,
    where: Sequence[Span],
    held: bytearray,
    target: bytes,
    watcher: Watcher,
    title: str,
) -> tuple[list[int], list[int]]:
    """Read `where` once, and again what is not as in `target`; (sectors that are wrong, sectors
    that were only read wrongly). What was read goes into `held`.

    Raises `UnstableReadError` for a sector of which no two readings in a row agree.
    """
    found = read_spans(connection, where, 1, title, watcher)
    suspects: list[int] = []
    for (low, high), data in zip(where, found, strict=True):
        held[low:high] = data
        suspects += [low + at for at in disagreements([data, target[low:high]])]
    # All together in a few rounds: a chip that ignores writes has hundreds.
    readings = {start: [bytes(held[start : start + SECTOR])] for start in suspects}
    unsettled = suspects
    for number in range(2, 2 + AGAIN):
        if not unsettled:
            break
        spans = [(start, start + SECTOR) for start in unsettled]
        again = read_spans(connection, spans, number, "reading again", watcher)
        for start, data in zip(unsettled, again, strict=True):
            readings[start].append(data)
        unsettled = [start for start in unsettled if readings[start][-1] != readings[start][-2]]
    if unsettled:
        raise _unsure(unsettled)
    for start in suspects:
        held[start : start + SECTOR] = readings[start][-1]
    wrong = [at for at in suspects if held[at : at + SECTOR] != target[at : at + SECTOR]]
    return wrong, [at for at in suspects if at not in set(wrong)]


def _refuse_unsure(sectors: Sequence[int]) -> None:
    if sectors:
        raise _unsure(sectors)


def _unsure(sectors: Sequence[int]) -> UnstableReadError:
    return UnstableReadError(
        f"The chip was written, but {_counted(sectors)} now read differently each time, "
        f"the first at {address(sectors[0])}.",
        state="It is not known whether the contents are correct.",
        remedy="Seat the clip again, then run 'spiflash restore --resume'.",
    )


def _gone_astray(sectors: Sequence[int], wrong: Sequence[int]) -> AstrayError:
    return AstrayError(
        sectors,
        wrong,
        f"{_counted(sectors)} outside the area to be written changed: {_listed(sectors)}.",
        state="Writing has stopped.",
        remedy="Either the board's processor wrote there, or commands were corrupted on the way to "
        "the chip: hold the processor in reset, seat the clip again, shorten the leads, set a "
        "lower --clock, and run 'spiflash restore --resume', which restores those sectors too.",
    )


def _given_up(wrong: Sequence[int], held: bytes, target: bytes) -> NotTakenError:
    scattered = len(sector_spans(wrong)) > 4
    low, high = _stuck_bits(held, target)
    return NotTakenError(
        {start: held[start : start + SECTOR] for start in wrong},
        f"{_counted(wrong)} do not hold what was written, even after {REPAIRS} more attempts: "
        f"{_listed(wrong)} ({low} bits stay 0, {high} stay 1).",
        state="All other sectors are correct.",
        remedy="So many in different places point to the supply or the contact rather than the "
        "chip: check the voltage at pin 8, seat the clip again and run 'spiflash restore "
        "--resume'."
        if scattered
        else "Check the contact with 'spiflash contact'. If it is good, those sectors are worn out "
        "or have stuck bits: replace the chip.",
    )


def _stuck_bits(held: bytes, target: bytes) -> tuple[int, int]:
    """How many bits are 0 that should be 1, and how many the reverse."""
    ours, theirs = np.frombuffer(held, np.uint8), np.frombuffer(target, np.uint8)
    low, high = theirs & ~ours, ours & ~theirs
    return int(np.unpackbits(low).sum()), int(np.unpackbits(high).sum())


def _counted(sectors: Sequence[int]) -> str:
    return f"{len(sectors)} sector{'s' * (len(sectors) != 1)} of {SECTOR // 1024} KiB"


def _listed(sectors: Sequence[int]) -> str:
    return ", ".join(address(start) for start in sectors[:8]) + (" …" if len(sectors) > 8 else "")
