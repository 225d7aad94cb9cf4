"""What a restore that was cut short left behind."""

from __future__ import annotations

import numpy as np

from spiflash.archive.journal import Journal
from spiflash.archive.ledger_journal import withdrawn
from spiflash.errors import ChipMismatchError, ChipProtectedError, ShelfError
from spiflash.nor.addressing import ModeFound
from spiflash.nor.geometry import SECTOR
from spiflash.nor.unprotect import put_back
from spiflash.work.connection import Connection
from spiflash.work.progress import Watcher
from spiflash.work.reading import disagreements
from spiflash.work.rewrite_reading import Before, read_stretches

IN_THE_AIR = 4
"""Largest erase blocks that may hold neither old nor new contents: a cut leaves one, and each
change of direction (undo, then not) may leave the one before it behind."""


def read_cut(connection: Connection, journal: Journal, watcher: Watcher) -> Before:
    """Read the journal's ranges twice, with different settings.

    Nothing else can have been under way, and nothing else will be touched: elsewhere the
    contents given are FFh and mean nothing. Cells that lost power in mid-erase or mid-program
    may read differently each time. Here that is no obstacle, it only names sectors that will
    be erased again; the contact is judged by the known answers of the chip.

    Raises `ChipMismatchError` for a chip without a unique ID whose contents show that it is not
    the one that was begun.
    """
    size = connection.chip.size
    where = [(each.start, each.start + each.length) for each in journal.state.ranges]
    contents = bytearray(b"\xff" * size)
    unstable: list[int] = []
    first = read_stretches(connection, where, 1, "reading what was begun", watcher)
    second = read_stretches(connection, where, 2, "reading it again", watcher)
    for (low, high), one, other in zip(where, first, second, strict=True):
        contents[low:high] = one
        unstable += [low + at for at in disagreements([one, other])]
    if journal.state.unique_id is None:
        _refuse_stranger(connection, journal, first)
    read = sum(high - low for low, high in where)
    return Before(bytes(contents), tuple(unstable), 0, again=read // SECTOR)


def _refuse_stranger(connection: Connection, journal: Journal, found: list[bytes]) -> None:
    """Raise `ChipMismatchError` unless nearly all of `found`, the journal's ranges, is on its way
    from old to new contents: erasing only sets bits, programming leaves those that are to stay."""
    held, before, after = (
        np.frombuffer(data, np.uint8).reshape(-1, SECTOR)
        for data in (b"".join(found), journal.before(), journal.after())
    )
    known = (held == after).all(axis=1)
    for once in (before, after):
        known |= (held & once == once).all(axis=1)
    strange = int((~known).sum())
    kinds = connection.chip.geometry.erase_types
    if strange * SECTOR <= IN_THE_AIR * max((kind.size for kind in kinds), default=SECTOR):
        return
    state = journal.state
    raise ChipMismatchError(
        f"The restore of {state.image_name} that was cut short on {state.begun:%Y-%m-%d %H:%M} "
        f"was not of this chip: {strange} of {len(held)} sectors hold neither what was there nor "
        "what was to be written. Chips of this kind have no unique ID to tell them apart.",
        state="Nothing has been erased or written.",
        remedy=f"Put the other board on the clip and finish its restore, or move {journal.path} "
        "away from the shelf to work on this one.",
    )


def replayed(journal: Journal, old: Before, *, undo: bool = False) -> bytes:
    """The chip's contents as the cut restore would have left them, as far as the journal goes;
    with `undo`, as they were before it."""
    target = bytearray(old.contents)
    wanted = journal.before() if undo else journal.after()
    at = 0
    for each in journal.state.ranges:
        target[each.start : each.start + each.length] = wanted[at : at + each.length]
        at += each.length
    return bytes(target)


def refuse_withdrawn(journal: Journal, *, undo: bool) -> None:
    """Raise `ShelfError` when finishing the work would write what may be another board's by now."""
    job = None if undo else withdrawn(journal)
    if job is not None:
        raise ShelfError(
            f"This board failed while it was cloned (job {job}), and its values went back to the "
            "list: another board may have them by now.",
            state="This command has erased and written nothing; the board is half written, and "
            "what it came with is in its backup set.",
            remedy="Go on with 'spiflash clone' and that job, which knows the board and gives it "
            "values of its own; or write back what it held with 'spiflash restore --undo'.",
        )


def put_things_back(connection: Connection, journal: Journal) -> None:
    """Registers and address mode become what they were before the first session of this
    journal: a cut session could not see to it.

    Raises `ChipProtectedError` when the block protection could not be put back.
    """
    state = journal.state
    connection.flash.leave_as(
        ModeFound(state.four_byte_mode, state.segment, "noted before the restore was begun")
    )
    before = {
        name: int.from_bytes(bytes.fromhex(value), "little")
        for name, value in state.registers.items()
    }
    if "SR1" in before and not put_back(connection.flash, before):
        kept = ", ".join(f"{name} {value:02X}h" for name, value in before.items())
        raise ChipProtectedError(
            "The contents are right, but the block protection could not be put back.",
            state=f"The registers were {kept} before.",
            remedy="Seat the clip again and run 'spiflash restore --resume'.",
        )
