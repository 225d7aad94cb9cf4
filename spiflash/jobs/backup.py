"""Save a chip as a backup set, and compare a chip with an image.

A backup reads the chip in passes, proves what was read, and puts a set on the shelf. A verification
reads in the same way and says where the chip differs from an image.
"""

from __future__ import annotations

import contextlib
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from spiflash import __version__
from spiflash.archive.backupset import HALF_WRITTEN, BackupSet
from spiflash.archive.journal import Journal, open_journals
from spiflash.archive.record import AgreementRecord, ChipRecord, PassRecord, Record
from spiflash.archive.shelf import Shelf
from spiflash.dump.audit import Audit, examine
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding
from spiflash.dump.symptoms import Symptom
from spiflash.errors import BackupSetError, InterruptedWorkError, ShelfError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image, overlay
from spiflash.jobs.reading import Reading, read_chip, read_in_passes
from spiflash.jobs.reading.again import OneTime, read_one_time
from spiflash.jobs.reading.kept_passes import Unfinished
from spiflash.jobs.reading.line_tests import attention
from spiflash.jobs.reading.passes import PassTaken
from spiflash.jobs.same_board import SameBoard
from spiflash.spans import SECTOR, differing, rows, sector_spans, sectors_in

LIBRARIES = ("pyftdi", "pyusb")

ROOM = 4
"""Room that a backup needs on the shelf, in sizes of the chip: the set, and the passes that are
kept until it is whole."""


SetPage = Callable[[Record, Audit], str]
"""Makes the page of a set from its record and the audit of its contents, as HTML."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A set on the shelf and what was found in it."""

    set: BackupSet
    audit: Audit

    @property
    def contents(self) -> bytes:
        """What was read."""
        return self.audit.contents

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was recognised in it."""
        return self.audit.findings

    @property
    def coverage(self) -> Coverage:
        """How far its own checksums prove it."""
        return self.audit.coverage

    @property
    def record(self) -> Record:
        """The record of the set."""
        return self.set.record


def now() -> datetime:
    """The time of day, with its UTC offset, to the second."""
    return datetime.now(UTC).astimezone().replace(microsecond=0)


def back_up(
    connection: Connection,
    shelf: Shelf,
    watcher: Watcher,
    *,
    board: str = "",
    passes: int = 2,
    page: SetPage | None = None,
    clock: Callable[[], datetime] = now,
) -> Backup:
    """Read the chip in `passes` passes, or more, and put a set on the shelf.

    Finished passes of an interrupted attempt are used. A set is made also when passes
    disagree; its record says what is wrong then (`verified` is False). `page` makes the set's page;
    without it the set has none. Raises `ShelfError`
    before anything is read when the shelf cannot be written, and `InterruptedWorkError` after
    Ctrl-C.
    """
    shelf.prepare(ROOM * connection.chip.size)
    with Unfinished.of(shelf, connection, lambda: clock().timestamp()) as unfinished:
        try:
            reading = read_in_passes(
                connection,
                passes,
                watcher,
                earlier=unfinished.found(connection, watcher),
                keep=unfinished.keep,
                stale=lambda: unfinished.set_aside(watcher),
                attend=lambda contents: attention(examine(contents, "flash.bin")),
            )
            one_time = read_for_set(connection, reading)
        except KeyboardInterrupt as exc:
            raise InterruptedWorkError(
                "Stopped while the chip was being read.",
                state="The chip was only read: nothing on it has changed. No backup set was made; "
                "finished passes are kept.",
                remedy="Start the backup again when you are ready. Within an hour it reuses the "
                "finished passes, if the chip has a unique ID.",
            ) from exc
        made = put_on_shelf(connection, reading, one_time, shelf, board, clock(), page)
        unfinished.drop(reading.contents)
    return made


def read_for_set(connection: Connection, reading: Reading) -> OneTime:
    """Read the one-time data that belong to a reading, with the board that was read on the clip.

    Raises `ChipMismatchError` where another one is, or its contents are not what was read.
    """
    board = SameBoard(connection)
    if not reading.doubts:
        board.learn(reading.contents)
        board.check_thoroughly()
    one_time = read_one_time(connection, reading.evidence.rate_high)
    board.check()
    return one_time


def put_on_shelf(
    connection: Connection,
    reading: Reading,
    one_time: OneTime,
    shelf: Shelf,
    board: str,
    made: datetime,
    page: SetPage | None = None,
) -> Backup:
    """Make a set of a finished reading; `one_time` is what the security registers hold, `page`
    makes the set's page.

    Raises `ShelfError`.
    """
    audit = examine(reading.contents, "flash.bin")
    record = record_of(connection, reading, one_time, audit.symptoms, board, made)
    html = None if page is None else page(record, audit)
    mark = HALF_WRITTEN if _half_written(shelf, record, reading.contents) else ""
    kept = readings_kept(reading)
    placed = shelf.place(record, reading.contents, one_time.otp, html, kept, mark=mark)
    return Backup(placed, audit)


def _half_written(shelf: Shelf, record: Record, contents: bytes) -> bool:
    """Whether an interrupted write left these contents. A journal that cannot be read, or that
    another program finishes meanwhile, says nothing of it."""
    with contextlib.suppress(ShelfError):
        for journal in open_journals(shelf.journals).of_chip(record.identity):
            with contextlib.suppress(BackupSetError, ShelfError):
                if not journal.in_use and _left_by(journal, contents):
                    return True
    return False


def _left_by(journal: Journal, contents: bytes) -> bool:
    """Whether some sectors of its ranges are blank or already what they are to be, and most of all
    others still what they were. Of a chip without a unique ID all must be that are outside of the
    ranges: a sister board has its own data there."""
    whole = journal.whole()
    if whole is None or len(whole) != len(contents):
        return False
    held = rows(contents)
    inside = np.zeros(len(held), dtype=bool)
    inside[np.array(sectors_in(journal.ranges)) // SECTOR] = True
    same = (held == rows(whole)).all(axis=1)
    written = (held[inside] == rows(journal.after())).all(axis=1)
    begun = (written | (held[inside] == 0xFF).all(axis=1)) & ~same[inside]
    outside = same[~inside]
    return bool(
        begun.any()
        and not written.all()
        and (begun | same[inside]).mean() >= MOST
        and (not len(outside) or outside.mean() >= (MOST if journal.state.unique_id else 1))
    )


def chip_record(connection: Connection) -> ChipRecord:
    """What is written down of the chip itself."""
    chip = connection.chip
    answers = chip.answers
    return ChipRecord(
        name=chip.name,
        vendor=chip.vendor,
        jedec_id=chip.jedec_id.hex(),
        candidates=chip.candidates,
        identified_by=chip.how,
        size=chip.size,
        page=chip.geometry.page,
        sfdp=answers.sfdp.hex() or None,
        unique_id=connection.unique_id.hex() if connection.unique_id else None,
        registers={name: value.hex() for name, value in connection.registers.items()},
        rems=answers.rems.hex() or None,
        legacy_id=answers.legacy.hex() or None,
        supply=chip.supply_text if chip.supplies or chip.supply else None,
    )


def program_versions() -> dict[str, str]:
    """Versions of this program and of what stands between it and the chip."""
    versions = {"spiflash": __version__, "python": platform.python_version()}
    for library in LIBRARIES:
        try:
            versions[library] = version(library)
        except PackageNotFoundError:
            continue
    return versions


def record_of(
    connection: Connection,
    reading: Reading,
    one_time: OneTime,
    signs: Sequence[Symptom],
    board: str,
    made: datetime,
) -> Record:
    """What is written down about a reading; `signs` are the symptoms of its contents."""
    doubts = (*reading.doubts, *one_time.doubts)
    return Record(
        made=made,
        program=program_versions(),
        adapter=connection.bus.description,
        board=board,
        chip=chip_record(connection),
        passes=tuple(_pass_record(taken) for taken in reading.passes),
        agreement=AgreementRecord(
            sector_size=SECTOR,
            sectors=len(reading.contents) // SECTOR,
            settled=reading.settled,
            unstable=reading.unstable,
            changed=reading.changed,
        ),
        evidence=reading.evidence,
        verified=not doubts,
        doubts=doubts,
        symptoms=tuple(str(sign) for sign in signs),
        size=len(reading.contents),
        sha256=sha256(reading.contents).hexdigest(),
        one_time=one_time.records,
    )


MOST = 0.75
"""Share of a half-written chip's sectors that hold what they held, or are to hold, or nothing."""

MOST_PLACES = 256
"""Places whose readings are kept one by one; of more the whole passes are kept."""


def readings_kept(reading: Reading) -> dict[str, bytes]:
    """Files that keep what was read differently, so that nothing read is lost."""
    hopeless = reading.unstable and not reading.variants
    if hopeless or len(reading.variants) > MOST_PLACES:
        return {f"pass-{taken.number}.bin": taken.contents for taken in reading.passes}
    return {
        f"{start:08x}-{number}.bin": data
        for start, found in reading.variants.items()
        for number, data in enumerate(found, start=1)
    }


def _pass_record(taken: PassTaken) -> PassRecord:
    return PassRecord(
        number=taken.number,
        opcode=taken.opcode,
        clock_hz=taken.hertz,
        sampling=taken.setting.sampling.value,
        chunk=taken.setting.chunk,
        direction="down" if taken.setting.downward else "up",
        sha256=taken.sha256,
        seconds=taken.seconds,
    )


@dataclass(frozen=True, slots=True)
class Verified:
    """`differing` and `unsure` are (start, end) ranges of whole sectors, end excluded: where
    the chip holds something else, and where readings do not agree."""

    reading: Reading
    compared: int
    differing: tuple[tuple[int, int], ...]
    unsure: tuple[tuple[int, int], ...]

    @property
    def equal(self) -> bool:
        """Whether the chip holds the image, for sure."""
        return not self.differing and not self.unsure


def verify(
    connection: Connection, image: Image, watcher: Watcher, *, at: int = 0, passes: int = 2
) -> Verified:
    """Read the chip in passes and compare it with `image` at address `at`."""
    overlay(bytes(connection.chip.size), image, at)
    reading = read_chip(connection, passes, watcher)
    expected = overlay(reading.contents, image, at)
    wrong = set(differing(reading.contents, expected))
    inside = range(at // SECTOR * SECTOR, at + len(image.contents), SECTOR)
    unsure = [start for start in reading.unstable if start in inside]
    return Verified(
        reading,
        len(image.contents),
        tuple(sector_spans(wrong.difference(unsure))),
        tuple(sector_spans(unsure)),
    )
