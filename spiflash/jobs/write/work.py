"""What is to be written to a chip, worked out before anything is changed.

`WriteOptions` is what a person asked for and allowed. `Work` is what comes of it on one chip: the
plan, what the chip holds, what it is to hold, and everything a person should see before the
question. A journal covers all that the plan may change, so that work that is interrupted can be
finished or undone.

A restore writes contents only. Quad enable, block protection and the like outlast a power cycle and
decide whether a board starts: registers that differ from those in a backup set are reported and
left alone.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from spiflash.archive.backupset import BackupSet
from spiflash.archive.journal import Journal, JournalState, as_ranges
from spiflash.archive.shelf import SetsOfChip
from spiflash.errors import SAFE, ChipProtectedError, ChipUnknownError, UsageError
from spiflash.jobs.backup import now
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image
from spiflash.jobs.reading import Reading
from spiflash.jobs.write.interrupted import Outside, replayed
from spiflash.nor.addressing import ModeFound
from spiflash.nor.chip import Chip
from spiflash.nor.unprotect import restore_registers, why_not
from spiflash.plan import Plan, make_plan
from spiflash.plan.optimum import TransferCost
from spiflash.spans import SECTOR, Span, merged, sector_spans, sectors_in, spans_of
from spiflash.text import amount, ranges_text, span

TURNAROUND = 0.3e-3
"""Seconds that one exchange with the adapter costs beside the bits: a few USB microframes and
the host (common practice, no source)."""

COMPLEMENT = bytes(255 - value for value in range(256))


class Verify(enum.Enum):
    """How much is read back: what was changed and what could have been hit with it, or the whole
    chip in passes."""

    CHANGED = "changed"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class WriteOptions:
    """How a chip is to be written, and what a person allowed.

    `at` is the address of the image's first byte. The whole sectors in the (start, end) ranges
    `erase_again` are erased (or programmed, where all is to be 00h) whatever they read. `undo`
    writes back what the chip held before a work that was interrupted. `passes` is the number of
    whole readings before the work, `verify` how much is read back after it.

    `without_backup` writes although no verified backup of this very chip is known; `backup` names
    a set that is this board's, for chips that have no unique ID to prove it; `unprotect` clears
    the chip's block protection for the time of the work and restores it. `in_advance` agrees to
    the change before it is planned: nobody is asked, so that no time passes between reading and
    writing.
    """

    at: int = 0
    erase_again: tuple[Span, ...] = ()
    undo: bool = False
    passes: int = 2
    verify: Verify = Verify.CHANGED
    without_backup: bool = False
    backup: Path | None = None
    unprotect: bool = False
    in_advance: bool = False


@dataclass(frozen=True, slots=True)
class Work:
    """What would be done to one chip, shown to a person before it is.

    `old` is what the chip holds and `target` what it is to hold, the whole chip both; `chip` its
    name. `image` is what is written, None for a work that is continued; `journal` the one of the
    interrupted work that this finishes, `outside` what was found changed outside of its ranges.
    `backup` is the set from which the board can be restored, None where none is known; `sets` are
    all that hold something of this board. `erased_again` are whole sectors that are erased
    whatever they read.
    """

    plan: Plan
    target: bytes
    old: Reading
    chip: str
    options: WriteOptions
    image: Image | None = None
    erased_again: tuple[Span, ...] = ()
    journal: Journal | None = None
    outside: Outside = field(default_factory=lambda: Outside((), ()))
    backup: BackupSet | None = None
    sets: SetsOfChip | None = None
    of_another_board: bool = False
    """Whether the source is a backup set of which it is certain that it is another board's."""

    @property
    def source(self) -> str:
        """The name of what is written."""
        if self.image is not None:
            return self.image.name
        return self.journal.state.image_name if self.journal is not None else ""

    @property
    def board(self) -> str:
        """The label of the board, as its backup has it; empty when nothing says."""
        return self.backup.record.board if self.backup is not None else ""

    @property
    def asked(self) -> tuple[Span, ...]:
        """Where on the chip the image lies, or the parts of it that are written: what is correct
        there already stays as it is, and is checked anyway."""
        if self.image is None:
            return ()
        at = self.options.at
        return tuple((at + low, at + high) for low, high in self.image.ranges)


def plan_work(
    connection: Connection, old: Reading, target: bytes, image: Image, options: WriteOptions
) -> Work:
    """The least work from `old` to `target` (the whole chip), which comes of writing `image`.

    Raises `UsageError` for a range of `options.erase_again` that is not on the chip, or without a
    whole sector.
    """
    assumed = bytearray(old.contents)
    for start, end in options.erase_again:
        if end > len(assumed):
            raise UsageError(
                f"The range {span(start, end)} is not on this chip: it has {amount(len(assumed))}.",
                state=SAFE,
                remedy="Give a range within the chip.",
            )
        if not whole_sectors(((start, end),)):
            raise UsageError(
                f"There is no whole sector of {SECTOR // 1024} KiB in {span(start, end)}.",
                state=SAFE,
                remedy="Give the whole sectors that are to be erased again, such as "
                f"{start // SECTOR * SECTOR:#x}+{SECTOR:#x}.",
            )
    inside = whole_sectors(options.erase_again)
    for low, high in inside:
        # An erase was interrupted there, and what reads as blank today may not tomorrow. The
        # complement: each bit has to be written, also where all are to be 0.
        assumed[low:high] = target[low:high].translate(COMPLEMENT)
    plan = make_plan(bytes(assumed), target, connection.flash.geometry, _cost(connection))
    return Work(plan, target, old, connection.chip.name, options, image, inside)


def plan_resumed(
    connection: Connection,
    old: Reading,
    journal: Journal,
    options: WriteOptions,
    outside: Outside | None = None,
) -> Work:
    """The work that finishes an interrupted one, or with `options.undo` takes it back.

    Cells that lost power in mid-erase or mid-program may read right today and wrong tomorrow:
    every sector of the journal that is not yet what it should be is erased again, whatever it
    reads, and so is what it says to erase in any case. Nothing outside the journal's ranges is
    touched, but for what the interrupted work hit there (`outside.astray`): so the journal still
    covers this work when it is interrupted as well.
    """
    outside = outside or Outside((), ())
    target = replayed(journal, old.contents, undo=options.undo, astray=outside.blocks)
    ranges = (*journal.ranges, *outside.blocks)
    assumed = bytearray(old.contents)
    again = {*sectors_in(spans_of(journal.state.again)), *old.unstable}
    for start in sectors_in(ranges):
        end = start + SECTOR
        if start in again or old.contents[start:end] != target[start:end]:
            # The complement: whatever the target is, each of its bits has to be written.
            assumed[start:end] = target[start:end].translate(COMPLEMENT)
    # Never with the erase of the whole chip: where that took longer than it may, so it does again.
    geometry = replace(connection.flash.geometry, chip_erase=None)
    plan = make_plan(bytes(assumed), target, geometry, _cost(connection))
    return Work(plan, target, old, connection.chip.name, options, journal=journal, outside=outside)


def plan_repair(connection: Connection, held: bytes, target: bytes, ranges: Sequence[Span]) -> Plan:
    """The steps that write again what does not hold what it should, within a journal's ranges."""
    geometry = connection.flash.geometry
    # Ranges are rounded out to the largest blocks: all that could reach further is the erase of the
    # whole chip.
    if sum(high - low for low, high in ranges) < geometry.size:
        geometry = replace(geometry, chip_erase=None)
    return make_plan(held, target, geometry, _cost(connection))


def _cost(connection: Connection) -> TransferCost:
    return TransferCost.at_clock(connection.ceiling, turnaround=TURNAROUND)


def whole_sectors(where: Iterable[Span]) -> tuple[Span, ...]:
    """The whole sectors in some ranges, ascending, joined where they meet."""
    found = {
        low
        for start, end in where
        for low in range(-(-start // SECTOR) * SECTOR, end // SECTOR * SECTOR, SECTOR)
    }
    return tuple(sector_spans(found))


def journal_ranges(plan: Plan, chip: Chip) -> list[Span]:
    """What the plan may change, rounded out to the largest erase blocks: whichever erases a
    later attempt chooses for the same sectors, they stay inside, and so does an erase that takes
    more than its size."""
    block = max(chip.largest_erase, SECTOR)
    found = [
        (low // block * block, min(-(-high // block) * block, chip.size))
        for low, high in plan.affected
    ]
    for start, end, types in chip.geometry.spans():
        # A region that is one block need not be aligned to its size.
        if any(kind.size == end - start for kind in types):
            found += [(start, end) for low, high in plan.affected if low < end and start < high]
    return merged(found)


def journal_state(
    connection: Connection,
    image: Image,
    ranges: Iterable[Span],
    *,
    at: int = 0,
    again: Iterable[Span] = (),
) -> JournalState:
    """What the journal of a new work says of chip and request: `image` is written at `at`, and
    `again` is erased in any case."""
    identity = connection.identity
    return JournalState(
        chip=connection.chip.name,
        jedec_id=identity.jedec_id.hex(),
        unique_id=identity.unique_hex,
        size=identity.size,
        ranges=as_ranges(ranges),
        image_name=image.name,
        image_sha256=image.sha256,
        begun=now(),
        registers={name: value.hex() for name, value in connection.registers.items()},
        four_byte_mode=connection.mode.four,
        segment=connection.mode.segment,
        at=at,
        parts=None if image.parts is None else as_ranges(image.parts),
        again=as_ranges(again),
    )


# -- what must be true of the chip itself ---------------------------------------------------


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
