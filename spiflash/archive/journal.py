"""The journal of a work on a chip: on the disk before the first erase, enough to finish or undo it.

    journals/<chip>/before.bin   what the whole chip held before
    journals/<chip>/after.bin    what the ranges are to hold, one after the other
    journals/<chip>/state.json   chip, request, ranges, digests of all of it
    journals/<chip>/astray.json  sectors outside the ranges that the work hit all the same
    journals/<chip>/withdrawn.txt  the job that gave its values to another board (older versions)
    journals/<chip>/in-use       locked by the program that is at it

The folder appears when everything in it is on the disk, and goes when the work is proven; while
it is there, the chip may be in between. Version 1 held only the ranges in before.bin, no digest
of the state, and not which part of the image was asked for; version 2 nothing to erase again: it
is still written where there is none."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from spiflash.archive import codec
from spiflash.archive.codec import Count, Hex, Moment, Positive, Sha256, Text
from spiflash.archive.locks import Lock, try_lock
from spiflash.errors import BackupSetError, NewerFormatError, ShelfError
from spiflash.files import (
    FILE_MODE,
    NameTakenError,
    make_folders,
    read_plain,
    remove_folder,
    replace_file,
    shelf_errors,
    sync_folder,
    whole_folder,
    write_file,
)
from spiflash.spans import merged

JOURNAL_VERSION = 3
IN_USE = "in-use"
ASTRAY = "astray.json"
WITHDRAWN = "withdrawn.txt"
ENDED = ".ended-"  # before the name of a folder that is kept although its work is proven
_NOTE_LIMIT = 4096
_STATE_LIMIT = 4 << 20  # bytes; one range a sector of the largest chips stays below that


@dataclass(frozen=True, slots=True)
class Range:
    """`length` bytes from address `start`."""

    start: Count
    length: Positive

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length


def joined(ranges: Iterable[Range]) -> tuple[Range, ...]:
    """The ranges in order, those that meet or overlap made one."""
    return tuple(
        Range(start, end - start) for start, end in merged((e.start, e.end) for e in ranges)
    )


@dataclass(frozen=True, slots=True)
class JournalState:
    """Which work a journal belongs to.

    IDs and register values are raw bytes in lower-case hexadecimal; `size` is the size of
    the chip in bytes; `ranges` ascend and do not overlap; `begun` has its UTC offset.
    `four_byte_mode` is the address mode before, None where it is not known; `segment` what the
    register with the high address bits held. `at` is the address of the image's first byte (None
    in version 1), `parts` are the parts of it that are to be written, None for all; `again` is what
    is erased whatever it reads.
    """

    chip: Text
    jedec_id: Hex
    unique_id: Hex | None
    size: Positive
    ranges: tuple[Range, ...]
    image_name: Text
    image_sha256: Sha256
    begun: Moment
    registers: Mapping[Text, Hex] = field(default_factory=dict)
    four_byte_mode: bool | None = None
    segment: Count = 0
    at: Count | None = None
    parts: tuple[Range, ...] | None = None
    again: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal on the disk, whole when it was begun or loaded."""

    path: Path
    state: JournalState
    before_sha256: str
    after_sha256: str
    version: int = JOURNAL_VERSION

    @classmethod
    def begin(cls, journals: Path, state: JournalState, before: bytes, after: bytes) -> Journal:
        """Write a journal below the folder `journals`; when this returns, it is on the disk.

        `before` is what the whole chip holds, `after` what the ranges of `state` are to hold, one
        after the other. Raises `ShelfError` when it cannot be written, and `ValueError` when
        lengths or ranges make no sense.
        """
        problem = _problem(state.ranges, state.size)
        expected = sum(each.length for each in state.ranges)
        if problem or len(before) != state.size or len(after) != expected:
            raise ValueError(
                problem or f"before must hold {state.size} bytes and after {expected} bytes"
            )
        with shelf_errors(f"making “{journals}”", "The chip was not touched."):
            make_folders(journals)
        key = _key(state.jedec_id, state.unique_id)
        # Of chips that cannot be told apart, and of copies that share an ID, several may be half
        # done at the same time.
        for name in itertools.chain((key,), (f"{key}-{number}" for number in itertools.count(2))):
            with contextlib.suppress(NameTakenError):
                return cls(journals / name, state, *_write(journals / name, state, before, after))
        raise AssertionError("there is always another name")

    @classmethod
    def load(cls, path: Path) -> Journal:
        """Read a journal back and check it completely.

        Raises `BackupSetError` that says what is wrong with it, and `ShelfError` when a file
        cannot be read at all.
        """
        text = _read(path, "state.json", _STATE_LIMIT)
        try:
            version, state, before_sha256, after_sha256 = _parse(text.decode())
        except UnicodeDecodeError:
            _refuse(path, "state.json is not UTF-8 text")
        except NewerFormatError as error:
            raise NewerFormatError(
                f"The journal “{path}” was written by a newer version of spiflash.",
                state="The chip it belongs to may be half written.",
                remedy="Update spiflash, then continue the work or undo it.",
            ) from error
        except BackupSetError as error:
            _refuse(path, error.cause.removesuffix("."))
        result = cls(path, state, before_sha256, after_sha256, version)
        result.before()
        result.after()
        return result

    # -- contents ----------------------------------------------------------------------------

    @property
    def ranges(self) -> tuple[Range, ...]:
        """What the work may have changed, and what it hit outside of that. Raises as `load`."""
        return joined((*self.state.ranges, *self.astray()))

    def whole(self) -> bytes | None:
        """What the whole chip held before; None in a journal of version 1. Raises as `load`."""
        if self.version < 2:
            return None
        return self._contents("before.bin", self.before_sha256, self.state.size)

    def before(self) -> bytes:
        """What the ranges held before, one after the other. Raises as `load`."""
        whole = self.whole()
        if whole is None:
            return self._contents("before.bin", self.before_sha256, self._length)
        return _joined(whole, self.ranges)

    def after(self) -> bytes:
        """What the ranges are to hold, one after the other: what lies outside of those that the
        work meant to change goes back to what it was. Raises as `load`."""
        data = self._contents("after.bin", self.after_sha256, self._length)
        whole = self.whole()
        if whole is None:
            return data
        target = bytearray(whole)
        at = 0
        for each in self.state.ranges:
            target[each.start : each.end] = data[at : at + each.length]
            at += each.length
        return _joined(target, self.ranges)

    def astray(self) -> tuple[Range, ...]:
        """What the work hit outside of its ranges, as far as that was noticed. Raises as `load`."""
        if self.version < 2 or not os.path.lexists(self.path / ASTRAY):
            return ()
        try:
            text = _read(self.path, ASTRAY, _STATE_LIMIT).decode()
            found = codec.parse(_Astray, codec.load(text, ASTRAY), ASTRAY).ranges
        except (UnicodeDecodeError, BackupSetError) as error:
            _refuse(self.path, f"{ASTRAY} cannot be read ({error})")
        if problem := _problem(found, self.state.size):
            _refuse(self.path, f"{ASTRAY} makes no sense: {problem}")
        return found

    def note_astray(self, ranges: Sequence[Range]) -> None:
        """Note what the work hit outside of its ranges: it is put back when the work is taken up
        again. On the disk when this returns. Raises `ShelfError`."""
        if self.version < 2:
            return
        document = codec.dump(_Astray(joined((*self.astray(), *ranges))))
        with shelf_errors(f"writing “{self.path / ASTRAY}”", "The journal is as it was."):
            replace_file(self.path / ASTRAY, document.encode())

    def withdrawn(self) -> str | None:
        """The name of the cloning job that gave the values in this journal to another board; None
        when the work may be finished. Earlier versions wrote this down; a journal that says so can
        only be undone. Raises `ShelfError` when it cannot be found out.
        """
        with shelf_errors(f"reading “{self.path}”", "The journal was not changed."):
            try:
                return read_plain(self.path / WITHDRAWN, _NOTE_LIMIT).decode(errors="replace")
            except FileNotFoundError:
                return None
            except ValueError:
                # Whatever is there, it was put there to say so.
                return ""

    # -- whose it is -------------------------------------------------------------------------

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Nobody else works with this journal for as long as the block lasts.

        Raises `ShelfError` when somebody does, or when it is gone by now.
        """
        descriptor = self._lock()
        if descriptor is None:
            raise ShelfError(
                f"Another program is working with the journal “{self.path}”, or has just ended it.",
                state="The chip was not touched.",
                remedy="Wait until it has ended, then repeat.",
            )
        try:
            yield
        finally:
            os.close(descriptor)

    @property
    def in_use(self) -> bool:
        """Whether somebody else works with it at this moment."""
        descriptor = self._lock()
        if descriptor is not None:
            os.close(descriptor)
        return descriptor is None

    def _lock(self) -> int | None:
        """The locked file; None when somebody else has it, or the journal is gone."""
        try:
            descriptor = os.open(self.path / IN_USE, os.O_RDWR | os.O_CREAT, FILE_MODE)
        except OSError:
            return None
        # It may have been finished, and the folder removed, before the lock was ours.
        if try_lock(descriptor) is Lock.TAKEN or not os.path.lexists(self.path / "state.json"):
            os.close(descriptor)
            return None
        return descriptor

    def put_aside(self) -> Path:
        """Keep the journal of a work that is proven, out of the way of later works; where it is
        now. Raises `ShelfError`."""
        number = 1
        while os.path.lexists(path := self.path.with_name(f"{ENDED}{self.path.name}-{number}")):
            number += 1
        with shelf_errors(f"moving the journal “{self.path}” aside", "The journal is complete."):
            os.rename(self.path, path)
            sync_folder(path.parent)
        return path

    def finish(self) -> None:
        """Remove the journal: the work is proven, or undone. Raises `ShelfError`."""
        with shelf_errors(
            f"removing the journal “{self.path}”",
            "The chip holds what it should; only the journal is left over.",
        ):
            remove_folder(self.path)

    @property
    def _length(self) -> int:
        return sum(each.length for each in self.state.ranges)

    def _contents(self, name: str, digest: str, expected: int) -> bytes:
        data = _read(self.path, name, expected)
        if len(data) != expected:
            _refuse(self.path, f"{name} has {len(data)} bytes instead of {expected}")
        if hashlib.sha256(data).hexdigest() != digest:
            _refuse(self.path, f"{name} was changed after the journal was written")
        return data


@dataclass(frozen=True, slots=True)
class OpenJournals:
    """Journals of works that have not ended; `corrupt` ones with what is wrong."""

    whole: tuple[Journal, ...]
    corrupt: tuple[tuple[Path, BackupSetError | ShelfError], ...]

    def of_chip(self, jedec_id: str, unique_id: str | None) -> tuple[Journal, ...]:
        """Those of this chip; without a unique ID, of all chips of its kind without one."""
        wanted = jedec_id, unique_id
        return tuple(e for e in self.whole if (e.state.jedec_id, e.state.unique_id) == wanted)

    def corrupt_of_chip(
        self, jedec_id: str, unique_id: str | None
    ) -> tuple[tuple[Path, BackupSetError | ShelfError], ...]:
        """The damaged ones that may be of this chip, by the names of their folders."""
        key = _key(jedec_id, unique_id)
        return tuple(each for each in self.corrupt if f"{each[0].name}-".startswith(f"{key}-"))


@dataclass(frozen=True, slots=True)
class _Digests1:
    """What state.json of version 1 says beside the state."""

    before_sha256: Sha256
    after_sha256: Sha256


@dataclass(frozen=True, slots=True)
class _Digests(_Digests1):
    """The same since version 2."""

    digest: Sha256


@dataclass(frozen=True, slots=True)
class _Astray:
    """What astray.json says."""

    ranges: tuple[Range, ...]


def open_journals(journals: Path) -> OpenJournals:
    """All journals below the folder `journals`, which need not exist.

    Raises `ShelfError` when the folder cannot be read.
    """
    paths: list[Path] = []
    with (
        shelf_errors(f"reading “{journals}”", "Nothing was changed."),
        contextlib.suppress(FileNotFoundError),
    ):
        paths = sorted(path for path in journals.iterdir() if not path.name.startswith("."))
    whole = []
    corrupt: list[tuple[Path, BackupSetError | ShelfError]] = []
    for path in paths:
        try:
            whole.append(Journal.load(path))
        except (BackupSetError, ShelfError) as error:
            if os.path.lexists(path):  # else it was finished in this very moment
                corrupt.append((path, error))
    return OpenJournals(tuple(whole), tuple(corrupt))


def _write(path: Path, state: JournalState, before: bytes, after: bytes) -> tuple[str, str, int]:
    """Write the files; returns the digests of `before` and `after`, and the version."""
    version = JOURNAL_VERSION if state.again else JOURNAL_VERSION - 1
    with whole_folder(path) as folder:
        digests = tuple(
            write_file(folder / f"{name}.bin", (data,))[1]
            for name, data in (("before", before), ("after", after))
        )
        document = {"journal_version": version, **codec.plain(state)}
        if not state.again:
            del document["again"]
        document["before_sha256"], document["after_sha256"] = digests
        document["digest"] = _digest(document)
        text = json.dumps(document, indent=1, ensure_ascii=False)
        write_file(folder / "state.json", (text.encode(), b"\n"))
        write_file(folder / IN_USE, ())
    return digests[0], digests[1], version


def _digest(document: Mapping[str, object]) -> str:
    """SHA-256 of everything in the document but the digest itself, in one fixed form."""
    rest = {name: value for name, value in document.items() if name != "digest"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _joined(contents: bytes | bytearray, ranges: Iterable[Range]) -> bytes:
    return b"".join(contents[each.start : each.end] for each in ranges)


def _key(jedec_id: str, unique_id: str | None) -> str:
    # bytes.fromhex refuses whatever could be more than a plain folder name.
    return f"{bytes.fromhex(jedec_id).hex()}-{bytes.fromhex(unique_id or '').hex() or 'no-id'}"


def _problem(ranges: Iterable[Range], size: int) -> str:
    """What is wrong with the ranges, in words; empty when nothing is."""
    end = 0
    for each in ranges:
        if each.length < 1 or each.start < end or each.end > size:
            return f"the range of {each.length} bytes at {each.start:06X}h is out of order"
        end = each.end
    return "" if end else "there are no ranges"


def _parse(text: str) -> tuple[int, JournalState, str, str]:
    name = "state.json"
    found = codec.load(text, name)
    whole = dict(found)
    version = codec.take_version(found, "journal_version", range(1, JOURNAL_VERSION + 1), name)
    wanted = {"before_sha256", "after_sha256", *({"digest"} if version > 1 else ())}
    digests = {key: found.pop(key) for key in wanted & found.keys()}
    sealed = codec.parse(_Digests if version > 1 else _Digests1, digests, name)
    if isinstance(sealed, _Digests) and sealed.digest != _digest(whole):
        codec.refuse(name, "digest", "shows that the file was changed after it was written")
    for since, key, value in ((2, "at", None), (2, "parts", None), (3, "again", [])):
        if version < since:
            codec.add(found, key, value, name)
    state = codec.parse(JournalState, found, name)
    problem = _problem(state.ranges, state.size)
    if problem:
        codec.refuse(name, "ranges", f"makes no sense: {problem}")
    return version, state, sealed.before_sha256, sealed.after_sha256


def _read(path: Path, name: str, limit: int) -> bytes:
    with shelf_errors(f"reading “{path / name}”", "The journal was not changed."):
        try:
            return read_plain(path / name, limit)
        except ValueError as error:
            _refuse(path, f"{name} {error}")
        except (FileNotFoundError, NotADirectoryError):
            _refuse(path, f"{name} is missing")


def _refuse(path: Path, problem: str) -> NoReturn:
    raise BackupSetError(
        f"The journal “{path}” cannot be used: {problem}.",
        state="The chip it belongs to may be half written.",
        remedy="Move the folder away from the shelf and keep it; then write that chip's backup set "
        "to it with 'spiflash restore', the whole set.",
    )
