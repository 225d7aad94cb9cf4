"""The journal of work on a chip: on the disk before the first erase, enough to finish or undo it.

    journals/<chip>/before.bin   what the whole chip held before
    journals/<chip>/after.bin    what the ranges must hold in the end, one after the other
    journals/<chip>/state.json   chip, request, ranges, and digests of all of it
    journals/<chip>/astray.json  sectors outside the ranges that the work changed by accident
    journals/<chip>/left.txt     what sectors hold that did not take what was written
    journals/<chip>/withdrawn.txt  the job that gave its values to another board (older versions)
    journals/<chip>/in-use       locked by the program that works with it

The folder appears when everything in it is on the disk, and is removed when the work is proven.
While it exists, the chip may be partly written. Version 1 has only the ranges in before.bin, no
digest of the state, and does not say which part of the image was asked for. Version 2 has no list
of what must be erased again; it is still written where that list is empty."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from spiflash.archive import codec
from spiflash.archive.codec import Count, Hex, Moment, Positive, Sha256, Text
from spiflash.archive.locks import LOCK_FILE, lock_work
from spiflash.errors import BackupSetError, NewerFormatError, ShelfError
from spiflash.files import (
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
from spiflash.nor.chip import ChipIdentity
from spiflash.spans import Sized, Span, Spans, joined, laid, merged, spans_of

JOURNAL_VERSION = 3
STATE, ASTRAY, LEFT, WITHDRAWN = "state.json", "astray.json", "left.txt", "withdrawn.txt"
ENDED = ".ended-"  # prefix of a folder that is kept although its work is proven
Damaged = tuple[Path, BackupSetError | ShelfError]
_NOTE_LIMIT = 4096
_STATE_LIMIT = 4 << 20  # bytes; one range for each sector of the largest chip needs less


@dataclass(frozen=True, slots=True)
class Range(Sized):
    """`length` bytes from address `start`."""

    start: Count
    length: Positive


def as_ranges(spans: Iterable[Span]) -> tuple[Range, ...]:
    """Spans as the files have them."""
    return tuple(Range(start, end - start) for start, end in spans)


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

    @property
    def identity(self) -> ChipIdentity:
        """Which chip it is, as far as asking it tells."""
        return ChipIdentity.from_hex(self.jedec_id, self.unique_id, self.size)


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal on the disk that was complete when it was begun or loaded."""

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
        lengths or ranges are not valid.
        """
        problem = _problem(state.ranges, state.size)
        expected = sum(each.length for each in state.ranges)
        if problem or len(before) != state.size or len(after) != expected:
            raise ValueError(
                problem or f"before must hold {state.size} bytes and after {expected} bytes"
            )
        with shelf_errors(f"making “{journals}”", "The chip was not changed."):
            make_folders(journals)
        key = _key(state.identity)
        # Chips without a unique ID, and copies that share one, may have several journals at
        # the same time.
        for name in itertools.chain((key,), (f"{key}-{number}" for number in itertools.count(2))):
            with contextlib.suppress(NameTakenError):
                return cls(journals / name, state, *_write(journals / name, state, before, after))
        raise AssertionError("there is always another name")

    @classmethod
    def load(cls, path: Path) -> Journal:
        """Read a journal back and check it completely. Raises `BackupSetError` that says what is
        wrong with it, and `ShelfError` when a file cannot be read at all."""
        text = _read(path, STATE, _STATE_LIMIT)
        try:
            version, state, before_sha256, after_sha256 = _parse(text.decode())
        except UnicodeDecodeError:
            _refuse(path, "state.json is not UTF-8 text")
        except NewerFormatError as error:
            raise NewerFormatError(
                f"The journal “{path}” was written by a newer version of spiflash.",
                state="Its chip may be partly written.",
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
    def ranges(self) -> Spans:
        """What the work may have changed, inside its ranges and outside. Raises as `load`."""
        return tuple(merged((*spans_of(self.state.ranges), *self.astray())))

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
        return joined(whole, self.ranges)

    def after(self) -> bytes:
        """What the ranges must hold in the end, one after the other. What the work changed
        outside of its own ranges goes back to what it was. Raises as `load`."""
        data = self._contents("after.bin", self.after_sha256, self._length)
        whole = self.whole()
        if whole is None:
            return data
        return joined(laid(whole, spans_of(self.state.ranges), data), self.ranges)

    def astray(self) -> Spans:
        """What the work was seen to change outside of its ranges. Raises as `load`."""
        if self.version < 2 or not os.path.lexists(self.path / ASTRAY):
            return ()
        try:
            text = _read(self.path, ASTRAY, _STATE_LIMIT).decode()
            found = codec.parse(_Astray, codec.load(text, ASTRAY), ASTRAY).ranges
        except (UnicodeDecodeError, BackupSetError) as error:
            _refuse(self.path, f"{ASTRAY} cannot be read ({error})")
        if problem := _problem(found, self.state.size):
            _refuse(self.path, f"{ASTRAY} is not valid: {problem}")
        return tuple(spans_of(found))

    def note_astray(self, spans: Iterable[Span]) -> None:
        """Note what the work changed outside of its ranges: it is put back when the work is
        continued. On the disk when this returns. Raises `ShelfError`."""
        if self.version < 2:
            return
        document = codec.dump(_Astray(as_ranges(merged((*self.astray(), *spans)))))
        with shelf_errors(f"writing “{self.path / ASTRAY}”", "The journal was not changed."):
            replace_file(self.path / ASTRAY, document.encode())

    def left(self) -> Mapping[int, str]:
        """SHA-256, by address, of what the last session read in sectors that did not take what was
        written: they tell the board again. A help: empty where it cannot be read."""
        with contextlib.suppress(OSError, ValueError):
            lines = read_plain(self.path / LEFT, _STATE_LIMIT).decode().splitlines()
            return {int(at, 16): digest for at, digest in (each.split() for each in lines)}
        return {}

    def note_left(self, sectors: Mapping[int, bytes]) -> None:
        """Note what sectors hold now. Raises `ShelfError`."""
        now = {at: hashlib.sha256(data).hexdigest() for at, data in sectors.items()}
        lines = [f"{at:06X} {digest}\n" for at, digest in {**self.left(), **now}.items()]
        with shelf_errors(f"writing “{self.path / LEFT}”", "The journal was not changed."):
            replace_file(self.path / LEFT, "".join(lines).encode())

    def withdrawn(self) -> str | None:
        """The cloning job that gave the values in this journal to another board, as earlier
        versions noted it: the work can only be undone. None when it may be finished.
        Raises `ShelfError`."""
        with shelf_errors(f"reading “{self.path}”", "The journal was not changed."):
            try:
                return read_plain(self.path / WITHDRAWN, _NOTE_LIMIT).decode(errors="replace")
            except FileNotFoundError:
                return None
            except ValueError:
                # Whatever is there, it was put there to say so.
                return ""

    # -- who works with it -------------------------------------------------------------------------

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """No other program works with this journal while the block runs.

        Raises `ShelfError` when one does, when the journal is gone, or when it cannot be locked.
        """
        with shelf_errors(f"locking the journal “{self.path}”", "The chip was not changed."):
            held = lock_work(self.path, STATE)
        if held is None:
            raise ShelfError(
                f"Another program is working with the journal “{self.path}”, or just finished it.",
                state="The chip was not changed.",
                remedy="Wait until it has finished, then repeat.",
            )
        try:
            yield
        finally:
            held.release()

    @property
    def in_use(self) -> bool:
        """Whether another program works with it at this moment. One that cannot be locked, as on a
        read-only disk, is not: whoever looks for interrupted work has to find it."""
        try:
            held = lock_work(self.path, STATE)
        except OSError:
            return False
        if held is not None:
            held.release()
        return held is None

    def put_aside(self) -> Path:
        """Keep the journal of work that is proven where later work does not find it; returns its
        new path. Raises `ShelfError`."""
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
            "The chip holds what it should; only the journal was not removed.",
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
    """Journals of work that has not ended; the `corrupt` ones with what is wrong."""

    whole: tuple[Journal, ...]
    corrupt: tuple[Damaged, ...]

    def of_chip(self, identity: ChipIdentity) -> tuple[Journal, ...]:
        """Those of this chip, of whatever size; without a unique ID, of all chips of its kind
        without one."""
        return tuple(e for e in self.whole if _key(e.state.identity) == _key(identity))

    def corrupt_of_chip(self, identity: ChipIdentity) -> tuple[Damaged, ...]:
        """The damaged ones that may be of this chip, by their folder names."""
        key = _key(identity)
        return tuple(each for each in self.corrupt if f"{each[0].name}-".startswith(f"{key}-"))


@dataclass(frozen=True, slots=True)
class _Digests:
    """What state.json says beside the state; version 1 has no digest of itself."""

    before_sha256: Sha256
    after_sha256: Sha256
    digest: Sha256 | None


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
    corrupt: list[Damaged] = []
    for path in paths:
        try:
            whole.append(Journal.load(path))
        except (BackupSetError, ShelfError) as error:
            if os.path.lexists(path):  # else its work has just ended
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
        write_file(folder / STATE, (text.encode(), b"\n"))
        write_file(folder / LOCK_FILE, ())
    return digests[0], digests[1], version


def _digest(document: Mapping[str, object]) -> str:
    """SHA-256 of everything in the document but the digest itself, in one fixed form."""
    rest = {name: value for name, value in document.items() if name != "digest"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _key(identity: ChipIdentity) -> str:
    """What the name of a journal's folder begins with."""
    return f"{identity.jedec_id.hex()}-{identity.unique_hex or 'no-id'}"


def _problem(ranges: Iterable[Range], size: int) -> str:
    """What is wrong with the ranges, in words; empty when nothing is."""
    end = 0
    for each in ranges:
        if each.length < 1 or each.start < end or each.end > size:
            return f"the range of {each.length} bytes at {each.start:06X}h is out of order"
        end = each.end
    return "" if end else "there are no ranges"


def _parse(text: str) -> tuple[int, JournalState, str, str]:
    name = STATE
    found = codec.load(text, name)
    whole = dict(found)
    version = codec.take_version(found, "journal_version", range(1, JOURNAL_VERSION + 1), name)
    if version == 1:
        codec.add(found, "digest", None, name)
    wanted = {"before_sha256", "after_sha256", "digest"} & found.keys()
    sealed = codec.parse(_Digests, {key: found.pop(key) for key in wanted}, name)
    if version > 1 and sealed.digest != _digest(whole):
        codec.refuse(name, "digest", "does not match: the file was changed after it was written")
    for since, key, value in ((2, "at", None), (2, "parts", None), (3, "again", [])):
        if version < since:
            codec.add(found, key, value, name)
    state = codec.parse(JournalState, found, name)
    problem = _problem(state.ranges, state.size)
    if problem:
        codec.refuse(name, "ranges", f"is not valid: {problem}")
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
        state="Its chip may be partly written.",
        remedy="Move the folder off the shelf and keep it. Then write the whole backup set of that "
        "chip to it with 'spiflash restore'.",
    )
