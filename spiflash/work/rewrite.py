"""Bring a chip from what it holds to what it should hold, and prove it.

The order is what makes it safe: read and believe it, plan, check, ask, write the journal to
disk, only then erase and program, read back, and drop the journal once that is right. A cut at
any moment leaves a chip whose every changed range is in the journal, before and after.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from spiflash.archive.journal import Journal, JournalState, Range
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Sampling
from spiflash.errors import (
    ChipProtectedError,
    DeclinedError,
    InterruptedWorkError,
    SpiflashError,
)
from spiflash.nor.geometry import SECTOR, Geometry
from spiflash.nor.unprotect import unprotected, why_not
from spiflash.plan import Erase, Plan, Program, TransferCost, make_plan
from spiflash.plan.steps import merged
from spiflash.work.backup import now
from spiflash.work.connection import Connection
from spiflash.work.progress import Watcher
from spiflash.work.rewrite_proof import Proof, Verify, changed_sectors, prove
from spiflash.work.rewrite_reading import Before
from spiflash.work.rewrite_resume import put_things_back

TURNAROUND = 0.3e-3
"""Seconds that one exchange with the adapter costs beside the bits: a few USB microframes and
the host (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Work:
    """What would be done, shown to a person before it is."""

    plan: Plan
    target: bytes
    old: Before


@dataclass(frozen=True, slots=True)
class Rewritten:
    """What was done: the plan, how it is known to be right (None when there was nothing to
    do), and the seconds it took."""

    plan: Plan
    proof: Proof | None
    seconds: float

    @property
    def repaired(self) -> tuple[int, ...]:
        """Sectors that had to be written again."""
        return self.proof.repaired if self.proof else ()


def plan_work(connection: Connection, old: Before, target: bytes) -> Work:
    """The least work from `old` to `target` (the whole chip both)."""
    plan = make_plan(old.contents, target, connection.flash.geometry, _cost(connection))
    return Work(plan, target, old)


def plan_resumed(connection: Connection, old: Before, target: bytes, journal: Journal) -> Work:
    """The work that finishes a restore that was cut short.

    Cells that lost power in mid-erase or mid-program may read right today and wrong tomorrow:
    every sector of the journal that is not yet what it should be is erased again, whatever it
    reads. Nothing outside the journal's ranges is touched, so that it still covers this work
    when it is cut short as well.
    """
    assumed = bytearray(old.contents)
    covered = [(each.start, each.start + each.length) for each in journal.state.ranges]
    for each in journal.state.ranges:
        for start in range(each.start, each.start + each.length, SECTOR):
            end = start + SECTOR
            if start in old.unstable or old.contents[start:end] != target[start:end]:
                assumed[start:end] = bytes(SECTOR)
    geometry = _within(connection.flash.geometry, covered)
    plan = make_plan(bytes(assumed), target, geometry, _cost(connection))
    return Work(plan, target, old)


def _cost(connection: Connection) -> TransferCost:
    return TransferCost.at_clock(connection.ceiling, turnaround=TURNAROUND)


def journal_ranges(plan: Plan, geometry: Geometry) -> tuple[Range, ...]:
    """What the plan may change, rounded out to the largest erase blocks: whichever erases a
    later attempt chooses for the same sectors, they stay inside."""
    found: list[tuple[int, int]] = []
    for low, high in plan.affected:
        for start, end, types in geometry.spans():
            if low < end and start < high:
                block = max((kind.size for kind in types), default=SECTOR)
                inner = max(low, start) - start, min(high, end) - start
                found.append(
                    (start + inner[0] // block * block, start + -(-inner[1] // block) * block)
                )
    return tuple(Range(low, high - low) for low, high in merged(found))


def refuse_protected(connection: Connection, plan: Plan) -> None:
    """Raise `ChipProtectedError` when the plan touches a protected range."""
    guard = connection.flash.protection()
    hit = [pair for pair in plan.affected if guard.overlaps(*pair)]
    if not hit:
        return
    where = ", ".join(f"{low:#x}–{high - 1:#x}" for low, high in guard.ranges)
    if not guard.extent_known:
        where += " (at most; how much is not known for this part)"
    remedy = "Repeat with --unprotect to lift the protection for the time of the work" + (
        f"; the status register is {guard.lock.value}, too." if guard.register_locked else "."
    )
    if reason := why_not(connection.chip, guard):
        remedy = (
            f"--unprotect does not help here: {reason}. Name the part with --part if you know it, "
            "or clear the protection in the way its data sheet describes."
        )
    raise ChipProtectedError(
        f"The chip's block protection covers {where}, and this work would change "
        f"{hit[0][0]:#x}–{hit[0][1] - 1:#x}.",
        state="Nothing has been erased or written.",
        remedy=remedy,
    )


def rewrite(
    connection: Connection,
    shelf: Shelf,
    work: Work,
    image_name: str,
    image_sha256: str,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    passes: int = 2,
    verify: Verify = Verify.CHANGED,
    journal: Journal | None = None,
    unprotect: bool = False,
) -> Rewritten:
    """Carry the work out. `agree` is asked before anything is changed.

    `journal` is one found open for this chip, which this work finishes; without one, a new one
    is begun. `unprotect` lifts the chip's block protection and puts it back afterwards.
    Raises `DeclinedError`, `ChipProtectedError`, `VerifyError` with the sectors that would not
    hold their contents, and `InterruptedWorkError` after Ctrl-C.
    """
    clock = connection.bus.clock
    start = clock.now()
    if not work.plan.steps:
        if journal is not None:
            put_things_back(connection, journal)
            journal.finish()
        return Rewritten(work.plan, None, 0.0)
    if not unprotect:
        refuse_protected(connection, work.plan)
    if not agree(work):
        raise DeclinedError("Not done, as you said.", state="Nothing has been erased or written.")
    # What a session of its own changed, it has put back itself.
    resumed = journal is not None
    if journal is None:
        journal = _begin(connection, shelf, work, image_name, image_sha256)
    try:
        with unprotected(connection.flash, work.plan.affected if unprotect else ()):
            carry_out(connection, work.plan, "erasing and programming", watcher)
            proof = _prove(connection, work, journal, watcher, verify=verify, passes=passes)
        if resumed:
            put_things_back(connection, journal)
    except KeyboardInterrupt as exc:
        raise InterruptedWorkError(
            "Stopped in the middle of writing.",
            state=f"The chip holds a mixture of old and new contents; both are in {journal.path}.",
            remedy="Run 'spiflash restore --resume' to finish; do not power the board before.",
        ) from exc
    except SpiflashError as exc:
        exc.state = (
            f"{exc.state} Old and new contents of every range concerned are kept in {journal.path}."
        ).strip()
        raise
    journal.finish()
    return Rewritten(work.plan, proof, clock.now() - start)


def _begin(
    connection: Connection, shelf: Shelf, work: Work, image_name: str, image_sha256: str
) -> Journal:
    ranges = journal_ranges(work.plan, connection.flash.geometry)
    state = JournalState(
        chip=connection.chip.name,
        jedec_id=connection.chip.jedec_id.hex(),
        unique_id=connection.unique_id.hex() if connection.unique_id else None,
        size=connection.chip.size,
        ranges=ranges,
        image_name=image_name,
        image_sha256=image_sha256,
        begun=now(),
        registers={name: value.hex() for name, value in connection.registers.items()},
        four_byte_mode=connection.mode.four,
        segment=connection.mode.segment,
    )
    return Journal.begin(
        shelf.journals,
        state,
        _joined(work.old.contents, ranges),
        _joined(work.target, ranges),
    )


def _joined(contents: bytes, ranges: Sequence[Range]) -> bytes:
    return b"".join(contents[each.start : each.start + each.length] for each in ranges)


def carry_out(connection: Connection, plan: Plan, title: str, watcher: Watcher) -> None:
    """Do the steps in their order; programs between two erases go out together."""
    _for_writing(connection)
    flash = connection.flash
    total = plan.erased_bytes + plan.programmed_bytes
    with watcher.step(title, total) as advance:
        pages: list[tuple[int, bytes]] = []
        for step in plan.steps:
            if isinstance(step, Program):
                pages.append((step.address, step.data))
                continue
            flash.program(pages, advance)
            pages = []
            _erase(connection, step)
            advance(step.type.size)
        flash.program(pages, advance)


def _for_writing(connection: Connection) -> None:
    """The fastest clock, and the edge at which the status is read rightly at it: the passes
    before may have left the other one."""
    bus, eye = connection.bus, connection.eye
    hertz = bus.set_clock(min(connection.ceiling, connection.chip.clock_fast, bus.clock_limits[1]))
    only_edge = eye is not None and eye.reach(Sampling.LATE) < hertz <= eye.reach(Sampling.EDGE)
    bus.set_sampling(Sampling.EDGE if only_edge else Sampling.LATE)


def _erase(connection: Connection, step: Erase) -> None:
    connection.flash.erase(step.address, step.type)


def _prove(
    connection: Connection,
    work: Work,
    journal: Journal,
    watcher: Watcher,
    *,
    verify: Verify,
    passes: int,
) -> Proof:
    geometry = connection.flash.geometry
    covered = [(each.start, each.start + each.length) for each in journal.state.ranges]

    def write_again(held: bytes, wrong: Sequence[int]) -> None:
        plan = make_plan(held, work.target, _within(geometry, covered), _cost(connection))
        carry_out(connection, plan, "writing again", watcher)

    return prove(
        connection,
        changed_sectors(work.plan),
        work.target,
        watcher,
        # Whoever wants more passes than usual wants all of the chip in them.
        verify=Verify.ALL if passes > 2 else verify,
        passes=passes,
        write_again=write_again,
    )


def _within(geometry: Geometry, covered: Sequence[tuple[int, int]]) -> Geometry:
    """What may be erased while only the covered ranges are in the journal: everything but the
    whole chip, since ranges are rounded out to the largest blocks."""
    if sum(high - low for low, high in covered) < geometry.size:
        return replace(geometry, chip_erase=None)
    return geometry
