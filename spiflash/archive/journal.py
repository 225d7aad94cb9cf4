"""The journal of a restore: enough, on the disk before the first erase, to finish or undo it.

    journals/<chip>/before.bin   what the ranges held before
    journals/<chip>/after.bin    what they are to hold
    journals/<chip>/state.json   chip, ranges, image, digests

Both files hold the ranges one after the other. The folder appears when everything in it is
on the disk, and goes when the restore is verified; while it is there, the chip may be in
between.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import NoReturn

from spiflash.archive.fields import parse_object
from spiflash.archive.files import (
    NameTakenError,
    make_folders,
    read_plain,
    remove_folder,
    shelf_error,
    whole_folder,
    write_file,
)
from spiflash.errors import BackupSetError, ShelfError

JOURNAL_VERSION = 1
_STATE_LIMIT = 4 << 20  # bytes; one range a sector of the largest chips stays below that


@dataclass(frozen=True, slots=True)
class Range:
    """`length` bytes from address `start`."""

    start: int
    length: int


@dataclass(frozen=True, slots=True)
class JournalState:
    """Which restore a journal belongs to.

    IDs and register values are raw bytes in lower-case hexadecimal; `size` is the size of
    the chip in bytes; `ranges` ascend and do not overlap; `begun` has its UTC offset.
    """

    chip: str
    jedec_id: str
    unique_id: str | None
    size: int
    ranges: tuple[Range, ...]
    image_name: str
    image_sha256: str
    begun: datetime
    registers: Mapping[str, str] = field(default_factory=dict)
    four_byte_mode: bool | None = None
    """Whether the chip was in 4-byte address mode before; None where that is not known."""
    segment: int = 0
    """What the register with the high address bits held before."""


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal on the disk, whole when it was begun or loaded."""

    path: Path
    state: JournalState
    before_sha256: str
    after_sha256: str

    @classmethod
    def begin(cls, journals: Path, state: JournalState, before: bytes, after: bytes) -> Journal:
        """Write a journal below the folder `journals`; when this returns, it is on the disk.

        `before` and `after` hold the ranges of `state` one after the other. A chip with a
        unique ID has one journal at most; of chips without, which cannot be told apart, there
        may be several. Raises `ShelfError` when it cannot be written or one is open already,
        and `ValueError` when lengths or ranges make no sense.
        """
        problem = _problem(state.ranges, state.size)
        expected = sum(each.length for each in state.ranges)
        if problem or len(before) != expected or len(after) != expected:
            raise ValueError(problem or f"before and after must each hold {expected} bytes")
        try:
            make_folders(journals)
        except OSError as error:
            raise shelf_error(
                error, f"making “{journals}”", state="The chip was not touched."
            ) from error
        path = journals / _key(state.jedec_id, state.unique_id)
        number = 1
        while state.unique_id is None and os.path.lexists(path):
            number += 1
            path = journals / f"{_key(state.jedec_id, None)}-{number}"
        try:
            digests = _write(path, state, before, after)
        except NameTakenError as error:
            raise ShelfError(
                f"A restore of this chip was begun earlier and has not ended (“{path}”).",
                state="The chip was not touched.",
                remedy="Finish or undo that restore first.",
            ) from error
        return cls(path, state, *digests)

    @classmethod
    def load(cls, path: Path) -> Journal:
        """Read a journal back and check it completely.

        Raises `BackupSetError` that says what is wrong with it, and `ShelfError` when a file
        cannot be read at all.
        """
        text = _read(path, "state.json", _STATE_LIMIT)
        try:
            state, before_sha256, after_sha256 = _parse(text.decode())
        except UnicodeDecodeError:
            _refuse(path, "state.json is not UTF-8 text")
        except BackupSetError as error:
            _refuse(path, error.cause.removesuffix("."))
        result = cls(path, state, before_sha256, after_sha256)
        result.before()
        result.after()
        return result

    def before(self) -> bytes:
        """What the ranges held before the restore. Raises as `load` does."""
        return self._contents("before.bin", self.before_sha256)

    def after(self) -> bytes:
        """What the ranges are to hold. Raises as `load` does."""
        return self._contents("after.bin", self.after_sha256)

    def finish(self) -> None:
        """Remove the journal: the restore is verified, or undone. Raises `ShelfError`."""
        try:
            remove_folder(self.path)
        except OSError as error:
            raise shelf_error(
                error,
                f"removing the journal “{self.path}”",
                state="The chip holds what it should; only the journal is left over.",
            ) from error

    def _contents(self, name: str, digest: str) -> bytes:
        expected = sum(each.length for each in self.state.ranges)
        data = _read(self.path, name, expected)
        if len(data) != expected:
            _refuse(self.path, f"{name} has {len(data)} bytes instead of {expected}")
        if hashlib.sha256(data).hexdigest() != digest:
            _refuse(self.path, f"{name} was changed after the journal was written")
        return data


@dataclass(frozen=True, slots=True)
class OpenJournals:
    """Journals of restores that have not ended; `corrupt` ones with what is wrong."""

    whole: tuple[Journal, ...]
    corrupt: tuple[tuple[Path, BackupSetError | ShelfError], ...]

    def of_chip(self, jedec_id: str, unique_id: str | None) -> tuple[Journal, ...]:
        """Those of this chip; without a unique ID, of all chips of its kind without one."""
        return tuple(
            each
            for each in self.whole
            if (each.state.jedec_id, each.state.unique_id) == (jedec_id, unique_id)
        )


def open_journals(journals: Path) -> OpenJournals:
    """All journals below the folder `journals`, which need not exist.

    Raises `ShelfError` when the folder cannot be read.
    """
    try:
        paths = sorted(path for path in journals.iterdir() if not path.name.startswith("."))
    except FileNotFoundError:
        paths = []
    except OSError as error:
        raise shelf_error(error, f"reading “{journals}”", state="Nothing was changed.") from error
    whole = []
    corrupt: list[tuple[Path, BackupSetError | ShelfError]] = []
    for path in paths:
        try:
            whole.append(Journal.load(path))
        except (BackupSetError, ShelfError) as error:
            corrupt.append((path, error))
    return OpenJournals(tuple(whole), tuple(corrupt))


def _write(path: Path, state: JournalState, before: bytes, after: bytes) -> tuple[str, str]:
    """Write the three files; returns the digests of `before` and `after`."""
    with whole_folder(path) as folder:
        digests = tuple(
            write_file(folder / f"{name}.bin", (data,))[1]
            for name, data in (("before", before), ("after", after))
        )
        document: dict[str, object] = {"journal_version": JOURNAL_VERSION}
        document |= asdict(state)
        document["begun"] = state.begun.isoformat()
        document["before_sha256"], document["after_sha256"] = digests
        text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
        write_file(folder / "state.json", (text.encode(),))
    return digests[0], digests[1]


def _key(jedec_id: str, unique_id: str | None) -> str:
    # bytes.fromhex refuses whatever could be more than a plain folder name.
    return f"{bytes.fromhex(jedec_id).hex()}-{bytes.fromhex(unique_id or '').hex() or 'no-id'}"


def _problem(ranges: Iterable[Range], size: int) -> str:
    """What is wrong with the ranges, in words; empty when nothing is."""
    end = 0
    count = 0
    for each in ranges:
        if each.length < 1 or each.start < end or each.start + each.length > size:
            return f"the range of {each.length} bytes at {each.start:06X}h is out of order"
        end = each.start + each.length
        count += 1
    return "" if count else "there are no ranges"


def _parse(text: str) -> tuple[JournalState, str, str]:
    fields = parse_object(text, "state.json")
    version = fields.integer("journal_version")
    if version != JOURNAL_VERSION:
        fields.refuse("journal_version", f"is {version}; this program reads {JOURNAL_VERSION}")

    def ranges() -> Iterator[Range]:
        for child in fields.children("ranges"):
            yield Range(child.integer("start"), child.integer("length", low=1))
            child.finish()

    state = JournalState(
        chip=fields.text("chip"),
        jedec_id=fields.hexadecimal("jedec_id"),
        unique_id=fields.optional_hexadecimal("unique_id"),
        size=fields.integer("size", low=1),
        ranges=tuple(ranges()),
        image_name=fields.text("image_name"),
        image_sha256=fields.sha256("image_sha256"),
        begun=fields.moment("begun"),
        registers=fields.hexadecimal_mapping("registers"),
        four_byte_mode=fields.optional_flag("four_byte_mode"),
        segment=fields.integer("segment"),
    )
    digests = fields.sha256("before_sha256"), fields.sha256("after_sha256")
    fields.finish()
    problem = _problem(state.ranges, state.size)
    if problem:
        fields.refuse("ranges", f"makes no sense: {problem}")
    return state, *digests


def _read(path: Path, name: str, limit: int) -> bytes:
    try:
        return read_plain(path / name, limit)
    except ValueError as error:
        _refuse(path, f"{name} {error}")
    except (FileNotFoundError, NotADirectoryError):
        _refuse(path, f"{name} is missing")
    except OSError as error:
        raise shelf_error(
            error, f"reading “{path / name}”", state="The journal was not changed."
        ) from error


def _refuse(path: Path, problem: str) -> NoReturn:
    raise BackupSetError(
        f"The journal “{path}” cannot be used: {problem}.",
        state="The chip it belongs to may be half written.",
        remedy="Restore that chip from a backup set, then remove the folder.",
    )
