"""What is known about an adapter: which assumptions about it were tested, and the results.

One JSON file for each adapter, named by model and serial number, in a folder beside the shelf. A
file that cannot be read counts as missing: nothing is then known about the adapter.
"""

from __future__ import annotations

import enum
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive import codec
from spiflash.archive.codec import Count, Moment, Number, Text
from spiflash.errors import BackupSetError
from spiflash.files import data_folder, make_folders, read_plain, replace_file, shelf_errors

VERSION = 1
_LIMIT = 1 << 20


class Outcome(enum.Enum):
    """The result of one check."""

    HOLDS = "holds"
    FAILS = "does not hold"
    UNTRIED = "not tried"


@dataclass(frozen=True, slots=True)
class Check:
    """One assumption: what it says, whether it holds, and what was measured, in a sentence."""

    name: Text
    assumption: Text
    outcome: Outcome
    measured: Text


@dataclass(frozen=True, slots=True)
class AdapterRecord:
    """The results of testing one adapter once.

    `ceiling` is the fastest SPI clock in hertz that may be used with it, `longest_read` the most
    bytes that one read command may ask for; 0 where nothing limits them.
    """

    model: Text
    serial: Text
    made: Moment
    program: Mapping[Text, Text]
    checks: tuple[Check, ...]
    ceiling: Number = 0.0
    longest_read: Count = 0

    @property
    def failed(self) -> tuple[Check, ...]:
        """The assumptions that do not hold."""
        return tuple(each for each in self.checks if each.outcome is Outcome.FAILS)

    def document(self) -> dict[str, object]:
        """The record as JSON has it."""
        return {**codec.plain(self), "version": VERSION}


def default_folder() -> Path:
    """Where these files are."""
    return data_folder() / "adapters"


def _path(folder: Path, model: str, serial: str) -> Path:
    return folder / f"{re.sub(r'[^A-Za-z0-9]+', '-', f'{model}-{serial}')}.json"


def keep(record: AdapterRecord, folder: Path | None = None) -> Path:
    """Replace the record of this adapter; returns its path. Raises `ShelfError`."""
    path = _path(folder or default_folder(), record.model, record.serial)
    text = json.dumps(record.document(), indent=1, ensure_ascii=False) + "\n"
    with shelf_errors(f"writing the results to “{path}”", "The tests are done."):
        make_folders(path.parent)
        replace_file(path, text.encode())
    return path


def known(model: str, serial: str, folder: Path | None = None) -> AdapterRecord | None:
    """What is known about an adapter; None for nothing, and for one without a serial number."""
    if not serial:
        return None
    try:
        path = _path(folder or default_folder(), model, serial)
        found = _parse(read_plain(path, _LIMIT).decode())
    except (OSError, ValueError, RuntimeError, BackupSetError):
        return None
    # Two serial numbers that differ only in punctuation have one file.
    return found if (found.model, found.serial) == (model, serial) else None


def _parse(text: str) -> AdapterRecord:
    name = "record of an adapter"
    found = codec.load(text, name)
    codec.take_version(found, "version", (VERSION,), name)
    return codec.parse(AdapterRecord, found, name)
