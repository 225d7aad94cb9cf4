"""Finished passes of an interrupted backup, kept so that the next attempt need not repeat them.

They are in a hidden folder on the shelf, one folder an attempt: each finished pass as a private
file, synced, and beside it how and when it was taken. The rules:

* they are used only for a chip with the same unique ID: a twin without one answers just the same;
* they are used within the hour (`FRESH`): a board that was put back and ran has changed since;
* a sample of places must still hold what they read, and the whole pass that every run takes must
  agree with them (`read_in_passes`);
* one process at a time uses them;
* what cannot be used is left where it is, since it may exist nowhere else, until a finished set
  holds the very same contents.
"""

from __future__ import annotations

import contextlib
import hashlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from spiflash.archive import codec
from spiflash.archive.codec import Count, Number, Positive, Sha256
from spiflash.archive.locks import LockedFolder, folders, lock_folder, new_folder
from spiflash.archive.shelf import Shelf
from spiflash.bus import Sampling
from spiflash.errors import BackupSetError
from spiflash.files import read_plain, shelf_errors, sync_folder, write_file
from spiflash.jobs import DRAW, Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading.line_tests import as_read
from spiflash.jobs.reading.passes import PassSetting, PassTaken
from spiflash.text import counted

UNFINISHED = ".unfinished"
VERSION = 2
"""1 did not say when a pass was taken: such passes are left alone."""

FRESH = 3600.0
"""Seconds for which a finished pass is used again."""

MOST = 64
"""Passes of one attempt that are looked for."""

SAMPLES = 48
SAMPLE = 256


_ABOUT_LIMIT = 1 << 16  # bytes


@dataclass(frozen=True, slots=True)
class _About:
    """How one kept pass was taken, as pass-N.json beside it says. `hertz` is the actual clock,
    `taken` the time of day in seconds since 1970."""

    number: Positive
    opcode: Count
    hertz: Number
    seconds: Number
    fast: bool
    wanted_hertz: Number
    sampling: Sampling
    chunk: Count
    downward: bool
    first: Count
    sha256: Sha256
    taken: Number


class Unfinished:
    """The finished passes of one attempt at one chip; its folder exists only while there are any.

    A context manager: at its end the folder, if it is still there, is free for the next attempt.
    """

    def __init__(
        self, root: Path, chip: str, known: bool = True, clock: Callable[[], float] = time.time
    ) -> None:
        self._root = root
        self._chip = chip
        self._known = known
        self._clock = clock
        self._folder: LockedFolder | None = None
        self._aside: list[Path] = []

    @classmethod
    def of(
        cls, shelf: Shelf, connection: Connection, clock: Callable[[], float] = time.time
    ) -> Unfinished:
        """Of the chip on the clip; `clock` gives the time of day in seconds."""
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
        return cls(
            shelf.root / UNFINISHED,
            digest.hexdigest()[:32],
            connection.unique_id is not None and len(set(connection.unique_id)) > 1,
            clock,
        )

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
        about = _About(
            taken.number,
            taken.opcode,
            taken.hertz,
            taken.seconds,
            taken.setting.fast,
            taken.setting.hertz,
            taken.setting.sampling,
            taken.setting.chunk,
            taken.setting.downward,
            taken.setting.first,
            taken.sha256,
            self._clock(),
        )
        with shelf_errors("keeping a finished pass", "The chip was only read."):
            if self._folder is None:
                self._folder = new_folder(self._root, f"{self._chip}-")
            _write(self._folder.path, taken.contents, about)

    def found(self, connection: Connection, watcher: Watcher) -> tuple[PassTaken, ...]:
        """The passes that can be used: of the first attempt whose contents the chip still holds.

        What is left of other attempts, and why, is said.
        """
        for path in folders(self._root, f"{self._chip}-"):
            folder = lock_folder(path)
            if folder is None:  # somebody is at it, with a chip that answers alike
                continue
            passes, oldest = _read(path, connection.chip.size)
            if not passes:
                if any(path.glob("pass-*.bin")):
                    self._leave(folder, "no whole pass is left of it", watcher)
                else:
                    folder.remove()
                continue
            reason = self._why_not(connection, passes, oldest)
            if reason is None:
                taken = counted(len(passes), "pass", "passes")
                watcher.say(
                    f"Reusing {taken} of an interrupted backup of this chip, together with at "
                    "least one new pass"
                )
                self._folder = folder
                return passes
            self._leave(folder, reason, watcher)
        return ()

    def _why_not(
        self, connection: Connection, passes: Sequence[PassTaken], oldest: float
    ) -> str | None:
        if not self._known:
            return "the chip has no unique ID, so nothing shows that it is of this board"
        if not 0 <= self._clock() - oldest <= FRESH:
            return f"it is older than {FRESH / 60:.0f} minutes, and the board may have run since"
        if not still_match(connection, passes):
            return "the chip holds something else now"
        return None

    def _leave(self, folder: LockedFolder, reason: str, watcher: Watcher) -> None:
        watcher.say(
            f"An interrupted backup of such a chip is not reused: {reason}. It is kept in "
            f"{folder.path} until a backup set holds the same"
        )
        self._aside.append(folder.path)
        folder.release()

    def set_aside(self, watcher: Watcher) -> None:
        """The passes found turned out to be of older contents: they stay, for themselves."""
        if self._folder is not None:
            folder, self._folder = self._folder, None
            self._leave(folder, "the chip holds something else now", watcher)

    def drop(self, contents: bytes) -> None:
        """A set holds `contents`: remove what was kept for it, and what was left aside and holds
        nothing else. What cannot be removed does no harm."""
        if self._folder is not None:
            self._folder.remove()
            self._folder = None
        for path in self._aside:
            folder = lock_folder(path)
            if folder is None:
                continue
            passes, _ = _read(path, len(contents))
            whole = len(passes) == len(list(path.glob("pass-*.bin")))
            if whole and all(each.contents == contents for each in passes):
                folder.remove()
            else:
                folder.release()


def _write(folder: Path, data: bytes, about: _About) -> None:
    """Put a pass and how it was taken into `folder`. Raises `OSError`."""
    contents = folder / f"pass-{about.number}.bin"
    description = folder / f"pass-{about.number}.json"
    for path in (description, contents):
        path.unlink(missing_ok=True)
    try:
        # The description last: without it a half-written pass does not count.
        write_file(contents, [data])
        write_file(description, [codec.dump(about, version=VERSION).encode()])
        sync_folder(folder)
    except OSError:
        # Half a pass is of no use, and on a full disk it is in the way.
        for path in (description, contents):
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        raise


def _read(folder: Path, size: int) -> tuple[tuple[PassTaken, ...], float]:
    """The passes that are whole on the disk, numbered 1, 2, 3 …, and when the oldest was taken
    (0.0 where one does not say)."""
    passes: list[PassTaken] = []
    oldest = float("inf")
    for number in range(1, MOST + 1):
        try:
            about = _read_about(folder / f"pass-{number}.json")
            contents = read_plain(folder / f"pass-{number}.bin", size)
        except (OSError, ValueError, BackupSetError):
            break
        setting = PassSetting(
            about.fast, about.wanted_hertz, about.sampling, about.chunk, about.downward, about.first
        )
        taken = PassTaken(about.number, setting, about.hertz, about.opcode, contents, about.seconds)
        if about.number != number or len(contents) != size or about.sha256 != taken.sha256:
            break
        passes.append(taken)
        oldest = min(oldest, about.taken)
    return tuple(passes), oldest


def _read_about(path: Path) -> _About:
    """Raises `OSError`, `ValueError` and `BackupSetError`."""
    found = codec.load(read_plain(path, _ABOUT_LIMIT).decode(), str(path))
    if codec.take_version(found, "version", (1, VERSION), str(path)) == 1:
        codec.add(found, "taken", 0.0, str(path))
    return codec.parse(_About, found, str(path))


def still_match(connection: Connection, passes: Sequence[PassTaken]) -> bool:
    """Whether a sample of the chip, spread over it and new every time, is what a pass read."""
    size = connection.chip.size
    step = size // SAMPLES
    starts = [
        min(index * step + DRAW.randrange(step), size - SAMPLE) // SAMPLE * SAMPLE
        for index in range(SAMPLES)
    ]
    connection.bus.set_clock(max(connection.ceiling / 4, connection.bus.clock_limits[0]))
    return all(as_read(connection, [taken.contents for taken in passes], starts, SAMPLE))
