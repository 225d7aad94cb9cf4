"""Passes of a backup that was cut short, kept so that the next attempt need not take them again.

They lie in a hidden folder on the shelf, one folder an attempt: each finished pass as a private
file, synced, and beside it how it was taken. They are used only for the same chip (ID, SFDP,
unique ID, size) whose contents still match in a sample of places, and by one process at a time:
two boards whose chips have no unique ID look alike, and may be saved side by side. Passes of
other contents are left where they are, since those may exist nowhere else.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType

from spiflash.archive.claim import ClaimedFolder, claim, folders, new_folder
from spiflash.archive.files import shelf_error, sync_folder, write_file
from spiflash.archive.shelf import Shelf
from spiflash.bus.transaction import Sampling
from spiflash.report.amounts import counted
from spiflash.work.connection import Connection
from spiflash.work.passes import PassSetting, PassTaken
from spiflash.work.progress import Watcher

UNFINISHED = ".unfinished"
VERSION = 1
SAMPLES = 48
SAMPLE = 256
TRIES = 5


class Unfinished:
    """The finished passes of one attempt at one chip; its folder exists only while there are any.

    A context manager: at its end the folder, if it is still there, is free for the next attempt.
    """

    def __init__(self, root: Path, chip: str) -> None:
        self._root = root
        self._chip = chip
        self._folder: ClaimedFolder | None = None

    @classmethod
    def of(cls, shelf: Shelf, connection: Connection) -> Unfinished:
        """Of the chip on the clip."""
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
        return cls(shelf.root / UNFINISHED, digest.hexdigest()[:32])

    def __enter__(self) -> Unfinished:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._folder is None:
            return
        if any(self._folder.path.glob("pass-*.json")):
            self._folder.release()
        else:
            self._folder.remove()
        self._folder = None

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
        try:
            if self._folder is None:
                self._folder = new_folder(self._root, f"{self._chip}-")
            _write(self._folder.path, taken.number, taken.contents, document)
        except OSError as error:
            raise shelf_error(
                error, "keeping a finished pass", state="The chip was only read."
            ) from error

    def found(self, connection: Connection, watcher: Watcher) -> tuple[PassTaken, ...]:
        """The passes that can be used: of the first attempt whose contents the chip still holds.

        What is left of other attempts, and why, is said.
        """
        for path in folders(self._root, f"{self._chip}-"):
            folder = claim(path)
            if folder is None:  # somebody is at it, with a chip that answers alike
                continue
            passes = _read(path, connection.chip.size)
            if not passes:
                watcher.say("an interrupted backup left no whole pass: its rest is removed")
                folder.remove()
            elif still_match(connection, passes):
                taken = counted(len(passes), "pass", "passes")
                watcher.say(f"{taken} of an interrupted backup of this chip used again")
                self._folder = folder
                return passes
            else:
                watcher.say(
                    "an interrupted backup of such a chip, but with other contents, is left in "
                    f"{path}: remove it when nothing in it is wanted"
                )
                folder.release()
        return ()

    def drop(self) -> None:
        """Remove what was kept; what cannot be removed does no harm."""
        if self._folder is not None:
            self._folder.remove()
            self._folder = None


def _write(folder: Path, number: int, data: bytes, document: Mapping[str, object]) -> None:
    """Put a pass and how it was taken into `folder`. Raises `OSError`."""
    contents = folder / f"pass-{number}.bin"
    about = folder / f"pass-{number}.json"
    for path in (about, contents):
        path.unlink(missing_ok=True)
    try:
        # The description last: without it a half-written pass does not count.
        write_file(contents, [data])
        write_file(about, [json.dumps(document).encode()])
        sync_folder(folder)
    except OSError:
        # Half a pass is of no use, and on a full disk it is in the way.
        for path in (about, contents):
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        raise


def _read(folder: Path, size: int) -> tuple[PassTaken, ...]:
    """The passes that are whole on the disk, numbered 1, 2, 3 …"""
    passes: list[PassTaken] = []
    while True:
        number = len(passes) + 1
        try:
            about = json.loads((folder / f"pass-{number}.json").read_bytes())
            contents = (folder / f"pass-{number}.bin").read_bytes()
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
