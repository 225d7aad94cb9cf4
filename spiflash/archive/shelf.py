"""The shelf: the folder in which backup sets are kept, and which of them belong to a chip.

The rule that lives here: a backup is a backup *of this very chip* when JEDEC ID, size and
unique ID are the same (`ChipIdentity`). A chip without a unique ID cannot be told from others of
its kind by asking it; there the caller must compare the contents.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import itertools
import json
import os
import re
import shutil
import tempfile
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path

from spiflash.archive import codec
from spiflash.archive.backupset import (
    CONTENTS,
    OTP,
    PAGE,
    RECORD,
    BackupSet,
    Recorded,
    is_backup,
    open_set,
    read_record,
    write_bag,
)
from spiflash.archive.journal import Damaged, Journal, open_journals
from spiflash.archive.record import Record
from spiflash.errors import BackupSetError, LabelError, NoBackupError, ShelfError
from spiflash.files import JOURNALS, NameTakenError, make_folders, replace_file, shelf_errors
from spiflash.nor.chip import ChipIdentity
from spiflash.text import printable

READINGS = "readings"
_LEDGER = ".ledger-"
"""How the files begin in which ledgers are remembered."""

KEPT = 2
"""Sets of one chip whose contents are kept in memory."""

MOST_SETS = 8
"""Sets of one board that are looked through, from the newest on."""

_MOST_NAMED = 8  # sets in an error
_NAME_PART_LIMIT = 40  # characters of a chip name or board label that go into a folder name


@dataclass(frozen=True, slots=True)
class BrokenSet:
    """A folder on the shelf that cannot be used as a set, and why."""

    path: Path
    error: BackupSetError | ShelfError


@dataclass(frozen=True, slots=True)
class Interrupted:
    """Work on a chip that has not ended: its journal, and how it may go on. `resume` is False when
    the values that were being written were given to another board: then it can only be undone."""

    journal: Journal
    in_use: bool
    resume: bool


@dataclass(frozen=True, slots=True)
class Overview:
    """What there is to see on a shelf. `damaged` are journals that cannot be used, with why;
    `checked` tells whether every file of the sets was read and compared with its checksum."""

    root: Path
    interrupted: tuple[Interrupted, ...]
    damaged: tuple[Damaged, ...]
    sets: tuple[Recorded, ...]
    broken: tuple[BrokenSet, ...]
    checked: bool


@dataclass(frozen=True, slots=True)
class Listing:
    """What is on the shelf: complete sets, newest first, and broken ones by name."""

    sets: tuple[BackupSet, ...]
    broken: tuple[BrokenSet, ...]


@dataclass(frozen=True, slots=True)
class LedgerNote:
    """What a shelf remembers of a ledger that boards on it are recorded in: the digest of its first
    row, by which it is that ledger wherever it is kept, the newest row seen, where it was (`name`),
    and the job of that row."""

    first: str
    row: int
    digest: str
    name: str
    job: str


@dataclass(frozen=True, slots=True)
class Shelf:
    """The shelf at `root`, which need not exist yet."""

    root: Path

    @property
    def journals(self) -> Path:
        """The folder of the journals of work that has not ended."""
        return self.root / JOURNALS

    def note_ledger(self, note: LedgerNote) -> Path:
        """Remember a ledger as it is now. That is left out where it cannot be written."""
        path = self.root / f"{_LEDGER}{note.first[:16]}-{_in_a_name(note.job)[:40]}.json"
        with contextlib.suppress(OSError):
            replace_file(path, json.dumps(asdict(note), indent=1).encode())
        return path

    def ledger_notes(self) -> Mapping[Path, LedgerNote]:
        """What is remembered of ledgers; what cannot be read is left out."""
        found = {}
        for path in sorted(self.root.glob(f"{_LEDGER}*.json")):
            with contextlib.suppress(OSError, ValueError, BackupSetError):
                text = path.read_text("utf-8")
                found[path] = codec.parse(LedgerNote, codec.load(text, str(path)), str(path))
        return found

    def sets(self) -> Listing:
        """Every set on the shelf, each checked completely (all files are read).

        Raises `ShelfError` when the shelf itself cannot be read.
        """
        return Listing(*self._whole(*self._records()))

    def backups_of(self, identity: ChipIdentity) -> Listing:
        """The sets that may be of this chip: same JEDEC ID, unique ID and size.

        Without a unique ID, every set of a chip of this kind without one is meant; the contents
        must decide. Only sets that match are checked completely; `broken` names those of them that
        are not complete, and those whose record cannot be read.
        """
        found, broken = self._records()
        ours = [each for each in found if each.record.identity == identity]
        return Listing(*self._whole(ours, broken))

    def verified_of(self, identity: ChipIdentity) -> tuple[BackupSet, ...]:
        """Those of `backups_of` that are verified: the newest `MOST_SETS`, newest first."""
        found, _ = self._records()
        ours = [e for e in found if e.record.identity == identity and e.record.verified]
        return self._whole(ours, ())[0][:MOST_SETS]

    def overview(
        self,
        words: Sequence[str] = (),
        since: date | None = None,
        verified: bool | None = None,
        *,
        check: bool = False,
    ) -> Overview:
        """Interrupted work, and the sets in which every word is found, in any case: made on `since`
        or later, with the verdict `verified` (None: any). With `check` all their files are read.

        Raises `ShelfError` when the shelf itself cannot be read.
        """
        journals = open_journals(self.journals)
        found, broken = self._records()
        sets: Sequence[Recorded] = [
            each
            for each in found
            if all(word.casefold() in each.searched for word in words)
            and (since is None or each.record.made.date() >= since)
            and verified in (None, each.record.verified)
        ]
        if check:
            sets, broken = self._whole(sets, broken)
        begun = (Interrupted(e, e.in_use, e.withdrawn() is None) for e in journals.whole)
        return Overview(
            self.root, tuple(begun), journals.corrupt, tuple(sets), tuple(broken), check
        )

    def named(self, name: str) -> Path | None:
        """The folder of the set whose full name, as the list of sets prints it, is `name`."""
        folder = self.root / name
        plain = name not in ("", ".", "..", JOURNALS) and Path(name).name == name
        return folder if plain and folder.is_dir() else None

    def of_board(self, label: str) -> Recorded | None:
        """The newest verified set of the board with this label, in any case of its letters; None
        where no set has the label. What a write saved by itself is not meant: that is what the
        board was to be rid of; nor is what was read of a board that was half written.

        Raises `LabelError` when sets of several chips have it, and `NoBackupError` when none of
        its sets is verified.
        """
        found = [e for e in self._records()[0] if _folded(e.record.board) == _folded(label)]
        if not found or not label.strip():
            return None
        identities = [each.record.identity for each in found]
        chips = {(each.jedec_id, each.size) for each in identities}
        # What has no unique ID may be of the one chip that has one: older versions could not read
        # it of some parts.
        unique = {each.unique_id for each in identities} - {None}
        if len(chips) > 1 or len(unique) > 1:
            names = "; ".join(f"“{each.path}”" for each in found[:_MOST_NAMED])
            more = f"; and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
            raise LabelError(
                f"“{label}” is the label of sets of {max(len(chips), len(unique))} chips: "
                f"{names}{more}.",
                remedy="Name the folder of the set to use.",
            )
        made = [e for e in found if e.record.verified and is_backup(e.path)]
        if made:
            others = {e.record.sha256 for e in made} - {made[0].record.sha256}
            return replace(made[0], unlike=0 if unique else len(others))
        raise NoBackupError(
            f"No backup of “{label}” is verified. Its newest set is “{found[0].path}”.",
            remedy="Make another backup of the board, or name the folder of the set to use.",
        )

    def _records(self) -> tuple[list[Recorded], Sequence[BrokenSet]]:
        """Every set as its record describes it, newest first; nothing else of it is read. And the
        folders whose record cannot be read."""
        sets: list[Recorded] = []
        broken: list[BrokenSet] = []
        for path in self._folders():
            try:
                sets.append(Recorded(path, read_record(path)))
            except (BackupSetError, ShelfError) as error:
                broken.append(BrokenSet(path, error))
        sets.sort(key=lambda each: (each.record.made, each.path.name), reverse=True)
        return sets, broken

    def _whole(
        self, found: Sequence[Recorded], broken: Sequence[BrokenSet]
    ) -> tuple[tuple[BackupSet, ...], tuple[BrokenSet, ...]]:
        """Those of the sets that are whole, all of their files read; the others and `broken`."""
        sets: list[BackupSet] = []
        others = list(broken)
        for each in found:
            try:
                sets.append(open_set(each.path))
            except (BackupSetError, ShelfError) as error:
                others.append(BrokenSet(each.path, error))
        return tuple(sets), tuple(sorted(others, key=lambda each: each.path))

    def _folders(self) -> list[Path]:
        # Hidden folders are sets that are being written, or that a crash left.
        with (
            shelf_errors(f"reading the shelf “{self.root}”", "Nothing was changed."),
            contextlib.suppress(FileNotFoundError),
        ):
            return sorted(
                path
                for path in self.root.iterdir()
                if path.is_dir() and path.name != JOURNALS and not path.name.startswith(".")
            )
        return []

    def prepare(self, size: int = 0) -> None:
        """Make the shelf's folder (mode 0700) where it is missing, and see that `size` bytes
        can be written there.

        Raises `ShelfError`: better before a long reading than after it.
        """
        with shelf_errors(f"making the shelf “{self.root}”", "Nothing was written."):
            make_folders(self.root)
            # Checking permissions is not enough: a mount can be read-only, and root may write.
            with tempfile.TemporaryFile(prefix=".probe-", dir=self.root):
                pass
            if shutil.disk_usage(self.root).free < size:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def place(
        self,
        record: Record,
        contents: bytes,
        otp: bytes | None,
        page: str | None,
        readings: Mapping[str, bytes] | None = None,
        *,
        mark: str = "",
    ) -> BackupSet:
        """Put a new set on the shelf, read it back, and return it.

        The name is made of date, time, chip and board label; it never replaces another set.
        `otp` are the security registers and `page` the HTML page, None where there are none;
        `readings` are further files for data/readings, by name: what unstable sectors read.
        `mark` is BEFORE_WRITE or HALF_WRITTEN where it is not a person's backup of a whole board.
        Raises `ShelfError`, and `ValueError` when record and contents do not belong together.
        """
        if len(contents) != record.size or hashlib.sha256(contents).hexdigest() != record.sha256:
            raise ValueError("the record does not describe these contents")
        self.prepare()
        payload: dict[str, bytes | Path] = {CONTENTS: contents, RECORD: record.to_json().encode()}
        if otp is not None:
            payload[OTP] = otp
        for name, data in (readings or {}).items():
            payload[f"{READINGS}/{name}"] = data
        info = {
            "Bagging-Date": record.made.date().isoformat(),
            "External-Description": printable(
                f"Flash contents of {record.board or 'an unnamed board'}, chip {record.chip.name}"
            ),
            "Bag-Software-Agent": printable(
                ", ".join(f"{name} {version}" for name, version in sorted(record.program.items()))
            ),
        }
        if mark:
            info[mark] = "yes"
        stem, tags = _stem(record), {} if page is None else {PAGE: page.encode()}
        names = (f"{stem}-{number}" for number in itertools.count(2))
        for path in (self.root / name for name in itertools.chain((stem,), names)):
            with contextlib.suppress(NameTakenError):
                write_bag(path, payload, info, tags)
                return open_set(path)
        raise AssertionError("there is always another name")


def _stem(record: Record) -> str:
    parts = [record.made.strftime("%Y-%m-%d-%H%M%S"), record.chip.name, record.board]
    safe = (_in_a_name(part)[:_NAME_PART_LIMIT].strip("-") for part in parts[1:])
    return "_".join([parts[0], *(part for part in safe if part)])


def _in_a_name(text: str) -> str:
    """A text as part of a folder's name: ASCII, which every system and every card can hold. Letters
    lose their accents; the label itself is in the record."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    kept = "".join(each for each in plain if not unicodedata.combining(each))
    return re.sub(r"[^A-Za-z0-9]+", "-", kept)


def _folded(label: str) -> str:
    """A label for comparing: however its letters are composed, spaced and cased."""
    return " ".join(unicodedata.normalize("NFKC", label).casefold().split())


class SetsOfChip:
    """The whole sets on a shelf that may be of a chip, opened and checked once.

    `named` is one that a person named as this board's. A set of a chip without a unique ID is this
    board's only where it holds what this chip held whole at some time that is known.
    """

    def __init__(
        self, identity: ChipIdentity, shelf: Shelf, named: BackupSet | None = None
    ) -> None:
        self._named = [] if named is None else [named]
        self._by_id: tuple[BackupSet, ...] = ()
        if identity.unique_id is not None:
            self._by_id = shelf.backups_of(identity).sets
        self._without_id = shelf.backups_of(replace(identity, unique_id=None)).sets
        self._read: dict[Path, bytes] = {}

    def holding(self, *known: bytes) -> list[BackupSet]:
        """Those of this very chip, which held each of `known` whole at some time; the one that was
        named first, then the newest."""
        digests = {hashlib.sha256(each).hexdigest() for each in known}
        alike = [each for each in self._without_id if each.record.sha256 in digests]
        return [*self._named, *self._by_id, *alike]

    def verified(self) -> BackupSet | None:
        """A verified set of which no contents have to say that it is this chip's."""
        return next((each for each in self.holding() if each.record.verified), None)

    def contents(self, found: BackupSet) -> bytes:
        """What the chip held by this set, read once; empty when it was changed since it was
        opened: then it saves nothing."""
        if found.path not in self._read:
            if len(self._read) >= KEPT:
                self._read.pop(next(iter(self._read)))
            self._read[found.path] = contents_of(found)
        return self._read[found.path]


def contents_of(found: BackupSet) -> bytes:
    """The contents of a set; empty when it was changed since it was opened: it saves nothing."""
    try:
        return found.contents()
    except (BackupSetError, ShelfError):
        return b""
