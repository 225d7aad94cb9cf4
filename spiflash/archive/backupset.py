"""A backup set: a checked bag, its record, and the contents of the chip."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from spiflash.archive.bag import Bag, check_bag
from spiflash.archive.files import pieces_of, read_plain, shelf_error
from spiflash.archive.record import Record
from spiflash.errors import BackupSetError

CONTENTS = "flash.bin"
RECORD = "record.json"
OTP = "otp.bin"
PAGE = "report.html"

_RECORD_LIMIT = 8 << 20  # bytes; thousands of unstable addresses stay far below that


@dataclass(frozen=True, slots=True)
class BackupSet:
    """A backup set that was whole when it was opened."""

    path: Path
    record: Record
    bag: Bag

    @property
    def name(self) -> str:
        """The name of its folder."""
        return self.path.name

    @property
    def page(self) -> Path:
        """Where its page is; the file need not exist."""
        return self.path / PAGE

    def contents(self) -> bytes:
        """All bytes of the chip, checked once more against the record.

        Raises `BackupSetError` when they changed since the set was opened.
        """
        return self._payload(CONTENTS)

    def otp(self) -> bytes | None:
        """The security registers one after the other, or None when none were saved."""
        return self._payload(OTP) if OTP in self.bag.payload else None

    def _payload(self, name: str) -> bytes:
        try:
            data = b"".join(pieces_of(self.path / "data" / name))
        except OSError as error:
            raise shelf_error(
                error, f"reading {name} of “{self.path}”", state="The set was not changed."
            ) from error
        if hashlib.sha256(data).hexdigest() != self.bag.payload[name]:
            _refuse(self.path, f"{name} was changed after the set was opened")
        return data


def open_set(path: Path) -> BackupSet:
    """Check a backup set completely and open it.

    Raises `BackupSetError` that names the file and what is wrong with it, and `ShelfError`
    when a file cannot be read at all.
    """
    bag = check_bag(path)
    for name in (CONTENTS, RECORD):
        if name not in bag.payload:
            _refuse(path, f"{name} is missing")
    record = read_record(path)
    if bag.payload[CONTENTS] != record.sha256:
        _refuse(path, f"{RECORD} describes other contents than {CONTENTS} holds")
    try:
        size = (path / "data" / CONTENTS).stat().st_size
    except OSError as error:
        raise shelf_error(error, f"reading “{path}”", state="The set was not changed.") from error
    if size != record.size:
        _refuse(path, f"{CONTENTS} has {size} bytes, but {RECORD} says {record.size}")
    return BackupSet(path, record, bag)


def read_record(path: Path) -> Record:
    """The record of the set at `path`, without checking anything else of it.

    Raises `BackupSetError` or `ShelfError`.
    """
    file = path / "data" / RECORD
    try:
        return Record.from_json(read_plain(file, _RECORD_LIMIT).decode(), str(file))
    except FileNotFoundError:
        _refuse(path, f"{RECORD} is missing")
    except NotADirectoryError:
        _refuse(path, "data is not a folder")
    except UnicodeDecodeError:
        _refuse(path, f"{RECORD} is not UTF-8 text")
    except ValueError as error:
        _refuse(path, f"{RECORD} {error}")
    except OSError as error:
        raise shelf_error(error, f"reading “{file}”", state="The set was not changed.") from error


def _refuse(path: Path, problem: str) -> NoReturn:
    raise BackupSetError(
        f"The backup set “{path}” cannot be relied on: {problem}.",
        state="Nothing was changed.",
        remedy="Use another copy of the set, or make a new backup.",
    )
