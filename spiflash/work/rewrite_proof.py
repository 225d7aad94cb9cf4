"""Proving that a chip holds what was written, and writing again what it does not.

Every sector that was erased or programmed is read back and compared with what it should hold.
One reading is enough where it matches: what it is compared with never came over this contact in
this form, and an error does not invent it. A sector that does not match is read again first,
with other settings: a bad reading is likelier than a bad cell. What still does not match is
written again, page by page where bits only have to clear, with an erase where not, at most
`REPAIRS` times.

By default only sectors that were changed are read back. An erase or a page that went astray
for a bit error in its address is missing where it belongs, so that it cannot escape this; and
the first sector that has to be read or written again makes the check one of the whole chip, in
passes.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from spiflash.errors import UnstableReadError, VerifyError
from spiflash.nor.geometry import SECTOR
from spiflash.plan import Plan
from spiflash.work.connection import Connection
from spiflash.work.progress import Watcher
from spiflash.work.reading import disagreements, read_in_passes
from spiflash.work.rewrite_reading import Stretch, read_stretches, stretches

REPAIRS = 2
"""How often sectors that do not verify are written again before they are given up."""

AGAIN = 3
"""Further readings of a sector that does not match: two that match in a row clear it."""


class Verify(enum.Enum):
    """How much is read back: what was changed, or the whole chip in passes."""

    CHANGED = "changed"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class Proof:
    """How it is known. `sectors` were read back; `passes` of the whole chip were taken (0: only
    changed sectors were read); `reread` sectors matched only when read again; `repaired` ones
    were written again."""

    sectors: int
    passes: int
    reread: tuple[int, ...]
    repaired: tuple[int, ...]


def changed_sectors(plan: Plan) -> list[Stretch]:
    """Where the plan changes something, in whole sectors."""
    sectors = {
        at for low, high in plan.affected for at in range(low // SECTOR * SECTOR, high, SECTOR)
    }
    return stretches(sorted(sectors))


def prove(
    connection: Connection,
    where: Sequence[Stretch],
    target: bytes,
    watcher: Watcher,
    *,
    verify: Verify,
    passes: int,
    write_again: Callable[[bytes, Sequence[int]], None],
) -> Proof:
    """Read back `where` (or everything) and have written again what does not match `target`,
    the whole chip; `write_again` is given what the chip holds and the sectors concerned.

    Raises `VerifyError` with the sectors that would not hold their contents, and
    `UnstableReadError` when readings do not agree.
    """
    repaired: set[int] = set()
    reread: set[int] = set()
    whole = verify is Verify.ALL
    for attempt in range(REPAIRS + 1):
        held = bytearray(target)
        wrong: list[int] = []
        taken = 0
        if not whole:
            wrong, noisy = _compare(connection, where, held, target, watcher)
            reread.update(noisy)
            whole = bool(wrong or noisy)
            if whole:
                watcher.say(
                    f"{len(wrong) + len(noisy)} sectors did not read back at once: the whole chip "
                    "is verified"
                )
        if whole:
            reading = read_in_passes(connection, passes, watcher)
            _refuse_unsure(reading.unstable)
            taken, held = len(reading.passes), bytearray(reading.contents)
            wrong = disagreements([reading.contents, target])
        if not wrong:
            count = len(target) if whole else sum(high - low for low, high in where)
            return Proof(count // SECTOR, taken, tuple(sorted(reread)), tuple(sorted(repaired)))
        inside = [start for start in wrong if any(low <= start < high for low, high in where)]
        if len(inside) < len(wrong):
            raise _gone_astray(sorted(set(wrong) - set(inside)))
        if attempt < REPAIRS:
            watcher.say(f"{len(wrong)} sectors do not hold what was written; writing them again")
            write_again(bytes(held), wrong)
            repaired.update(wrong)
    raise _given_up(wrong, bytes(held), target)


def _compare(
    connection: Connection,
    where: Sequence[Stretch],
    held: bytearray,
    target: bytes,
    watcher: Watcher,
) -> tuple[list[int], list[int]]:
    """Read back once, and again what does not match; (sectors that are wrong, sectors that
    were only read wrongly). What was read goes into `held`."""
    found = read_stretches(connection, where, 1, "reading back", watcher)
    suspects: list[int] = []
    for (low, high), data in zip(where, found, strict=True):
        held[low:high] = data
        suspects += [low + at for at in disagreements([data, target[low:high]])]
    wrong: list[int] = []
    noisy: list[int] = []
    for start in suspects:
        readings = [bytes(held[start : start + SECTOR])]
        expected = target[start : start + SECTOR]
        for number in range(2, 2 + AGAIN):
            readings += read_stretches(
                connection, [(start, start + SECTOR)], number, "reading again", watcher
            )
            if readings[-1] == readings[-2]:
                break
        else:
            raise _unsure([start])
        held[start : start + SECTOR] = readings[-1]
        (noisy if readings[-1] == expected else wrong).append(start)
    return wrong, noisy


def _refuse_unsure(sectors: Sequence[int]) -> None:
    if sectors:
        raise _unsure(sectors)


def _unsure(sectors: Sequence[int]) -> UnstableReadError:
    return UnstableReadError(
        f"The chip was written, but {len(sectors)} sectors now read differently each time, "
        f"the first at {sectors[0]:#x}.",
        state="Whether the contents are right is not known.",
        remedy="Seat the clip again, then run 'spiflash restore --resume'.",
    )


def _gone_astray(sectors: Sequence[int]) -> VerifyError:
    return VerifyError(
        f"{_counted(sectors)} that this work should not have touched have changed: "
        f"{_listed(sectors)}.",
        state="Everything else is right. Nothing more is written over this contact.",
        remedy="Commands went astray on the way to the chip: seat the clip again, shorten the "
        "leads, set a lower --clock, then restore those sectors from the backup set.",
    )


def _given_up(wrong: Sequence[int], held: bytes, target: bytes) -> VerifyError:
    scattered = len(stretches(wrong)) > 4
    low, high = _stuck_bits(held, target)
    return VerifyError(
        f"{_counted(wrong)} do not hold what was written, also after {REPAIRS} more attempts: "
        f"{_listed(wrong)} ({low} bits stay 0, {high} stay 1).",
        state="All other sectors are right.",
        remedy="So many in different places point to the supply or the contact rather than the "
        "chip: check the voltage at pin 8, seat the clip again and run 'spiflash restore "
        "--resume'."
        if scattered
        else "Those sectors are worn out or have stuck bits: replace the chip.",
    )


def _stuck_bits(held: bytes, target: bytes) -> tuple[int, int]:
    """How many bits are 0 that should be 1, and the other way round."""
    ours, theirs = np.frombuffer(held, np.uint8), np.frombuffer(target, np.uint8)
    low, high = theirs & ~ours, ours & ~theirs
    return int(np.unpackbits(low).sum()), int(np.unpackbits(high).sum())


def _counted(sectors: Sequence[int]) -> str:
    return f"{len(sectors)} sector{'s' * (len(sectors) != 1)} of {SECTOR // 1024} KiB"


def _listed(sectors: Sequence[int]) -> str:
    return ", ".join(f"{start:#x}" for start in sectors[:8]) + (" …" if len(sectors) > 8 else "")
