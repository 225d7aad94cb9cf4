"""Passes of a backup that was cut short, kept so that the next attempt need not take them again.

They lie in a hidden folder on the shelf, one a chip: each finished pass as a private file,
synced, and beside it how it was taken. They are used only for the same chip (ID, SFDP, unique
ID, size) whose contents still match in a sample of places; otherwise they are dropped, and that
is said.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import shutil
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from spiflash.archive.files import make_folders, shelf_error, sync_folder, write_file
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Sampling
from spiflash.work.connection import Connection
from spiflash.work.passes import PassSetting, PassTaken
from spiflash.work.progress import Watcher

UNFINISHED = ".unfinished"
VERSION = 1
SAMPLES = 48
SAMPLE = 256
TRIES = 5


@dataclass(frozen=True, slots=True)
class Unfinished:
    """The folder of one chip's passes; it exists only while there are any."""

    folder: Path

    @classmethod
    def of(cls, shelf: Shelf, connection: Connection) -> Unfinished:
        """The one of the chip on the clip."""
        chip = connection.chip
        parts = (
            chip.answers.id,
            chip.answers.sfdp,
            connection.unique_id or b"",
            str(chip.size).encode(),
        )
        digest = hashlib.sha256()
        for part in parts:
            digest.update(len(part).to_bytes(4, "big") + part)
        return cls(shelf.root / UNFINISHED / digest.hexdigest()[:32])

    def keep(self, taken: PassTaken) -> None:
        """Put one finished pass on the disk. Raises `ShelfError`."""
        document = {
            "version": VERSION,
            "number": taken.number,
            "opcode": taken.opcode,
            "hertz": taken.hertz,
            "seconds": taken.seconds,
            "fast": taken.setting.fast,
            "wanted_hertz": taken.setting.hertz,
            "sampling": taken.setting.sampling.value,
            "chunk": taken.setting.chunk,
            "downward": taken.setting.downward,
            "first": taken.setting.first,
            "sha256": taken.sha256,
        }
        contents = self.folder / f"pass-{taken.number}.bin"
        about = self.folder / f"pass-{taken.number}.json"
        try:
            make_folders(self.folder)
            for path in (about, contents):
                path.unlink(missing_ok=True)
            # The description last: without it a half-written pass does not count.
            write_file(contents, [taken.contents])
            write_file(about, [json.dumps(document).encode()])
            sync_folder(self.folder)
        except OSError as error:
            # Half a pass is of no use, and on a full disk it is in the way.
            with contextlib.suppress(OSError):
                contents.unlink(missing_ok=True)
                self.folder.rmdir()
                self.folder.parent.rmdir()
            raise shelf_error(
                error, "keeping a finished pass", state="The chip was only read."
            ) from error

    def found(self, connection: Connection, watcher: Watcher) -> tuple[PassTaken, ...]:
        """The passes that can be used; those that cannot are dropped with a word."""
        if not self.folder.is_dir():
            return ()
        passes = self._read(connection.chip.size)
        if passes and still_match(connection, passes):
            watcher.say(f"{len(passes)} passes of an interrupted backup of this chip are used")
            return passes
        watcher.say(
            "an interrupted backup of this chip was found, but the chip holds something else "
            "now: its passes are dropped"
            if passes
            else "what an interrupted backup of this chip left cannot be used: it is dropped"
        )
        self.drop()
        return ()

    def drop(self) -> None:
        """Remove what was kept; what cannot be removed does no harm."""
        with contextlib.suppress(OSError):
            shutil.rmtree(self.folder)
        with contextlib.suppress(OSError):
            self.folder.parent.rmdir()

    def _read(self, size: int) -> tuple[PassTaken, ...]:
        """The passes that are whole on the disk, numbered 1, 2, 3 …"""
        passes: list[PassTaken] = []
        while True:
            number = len(passes) + 1
            try:
                about = json.loads((self.folder / f"pass-{number}.json").read_bytes())
                contents = (self.folder / f"pass-{number}.bin").read_bytes()
                taken = _taken(about, contents)
            except (OSError, ValueError, KeyError, TypeError):
                return tuple(passes)
            whole = taken.number == number and len(contents) == size
            if about.get("version") != VERSION or about["sha256"] != taken.sha256 or not whole:
                return tuple(passes)
            passes.append(taken)


def _taken(about: dict[str, object], contents: bytes) -> PassTaken:
    def number(name: str) -> float:
        return float(str(about[name]))

    setting = PassSetting(
        about["fast"] is True,
        number("wanted_hertz"),
        Sampling(about["sampling"]),
        int(number("chunk")),
        about["downward"] is True,
        int(number("first")),
    )
    return PassTaken(
        int(number("number")),
        setting,
        number("hertz"),
        int(number("opcode")),
        contents,
        number("seconds"),
    )


def still_match(connection: Connection, passes: Sequence[PassTaken]) -> bool:
    """Whether a sample of the chip, spread over it and new every time, is what a pass read.

    A place that differs is read again a few times, since a single bit error must not cost
    finished passes.
    """
    size = connection.chip.size
    step = size // SAMPLES
    rng = random.Random()
    starts = [
        min(index * step + rng.randrange(step), size - SAMPLE) // SAMPLE * SAMPLE
        for index in range(SAMPLES)
    ]
    connection.bus.set_clock(max(connection.ceiling / 4, connection.bus.clock_limits[0]))
    for start, first in zip(starts, connection.flash.peek(starts, SAMPLE), strict=True):
        known = {taken.contents[start : start + SAMPLE] for taken in passes}
        if first in known:
            continue
        again = connection.flash.peek([start] * TRIES, SAMPLE)
        if Counter([first, *again]).most_common(1)[0][0] not in known:
            return False
    return True
