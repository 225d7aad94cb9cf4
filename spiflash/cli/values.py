"""What a person types as a value of an option, and what it turns into."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spiflash.errors import ShelfError
from spiflash.files import default_root
from spiflash.text import number_of, span_of

if TYPE_CHECKING:
    from spiflash.archive.shelf import Shelf

_UNITS = {"": 1.0, "k": 1e3, "m": 1e6}

CLOCKS = (1e3, 200e6)
"""Hertz: what can be meant by a clock. At 1 kHz a pass over 8 MiB takes 19 hours, and no SPI
flash chip is specified for 200 MHz on one wire (common practice, no source)."""


class Frequency(click.ParamType[float | None]):
    """A clock such as 12M, 12MHz, 500k or 2000000; "auto" becomes None."""

    name = "clock"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | None:
        """Hertz."""
        if isinstance(value, float) or value == "auto":
            return value if isinstance(value, float) else None
        found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([kKmM]?)(?:[hH][zZ])?", str(value).strip())
        hertz = float(found[1]) * _UNITS[found[2].lower()] if found else 0.0
        if not CLOCKS[0] <= hertz <= CLOCKS[1]:
            self.fail(
                f"'{value}' is not a clock from 1k to 200M: write auto, 12M, 500k or 2000000",
                param,
                ctx,
            )
        return hertz


class Amount(click.ParamType[int]):
    """An address or length such as 40000h, 0x40000, 262144, 256K or 4M, in any form that is
    printed."""

    name = "bytes"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Bytes."""
        if isinstance(value, int):
            return value
        number = number_of(str(value))
        if number is None:
            self.fail(
                f"'{value}' is not a number of bytes: write 40000h, 0x40000, 256K or 4M", param, ctx
            )
        return number


class Range(click.ParamType[tuple[int, int]]):
    """A range such as 70000h+64K (start, length) or 070000h–07FFFFh; becomes its start and its
    end."""

    name = "range"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """(start, end) in bytes."""
        if isinstance(value, tuple):
            return value
        found = span_of(str(value))
        if found is None or found[0] == found[1]:
            self.fail(f"'{value}' is not a range: write 70000h+64K or 70000h–7FFFFh", param, ctx)
        return found


class PathGiven(click.Path):
    """A path; an empty one, as an unset shell variable leaves it, would be the folder one is in.

    Whether it exists and may be read is left to whoever opens it: they can say what that means.
    """

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path."""
        if not os.fspath(value):
            self.fail("the path is empty", param, ctx)
        return super().convert(value, param, ctx)


class SourceGiven(PathGiven):
    """A file, the folder of a backup set or its name on the shelf, or the label of a board: then it
    is the newest verified set of that board on the shelf, which is said on standard error."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path. Raises `LabelError` for a label that several boards have, and `NoBackupError`
        for one without a verified set."""
        path = super().convert(value, param, ctx)
        if isinstance(value, Path) or (os.path.lexists(path) and not _other_folder(path)):
            return path
        shelf = ctx.params.get("shelf") if ctx is not None else None
        if not isinstance(shelf, Path):
            shelf = Path(os.environ["SPIFLASH_SHELF"]) if "SPIFLASH_SHELF" in os.environ else None
        try:
            sets = shelf_from(shelf)
            name = os.fsencode(value).decode()
            if (folder := sets.named(name)) is not None:
                return folder
            found = sets.of_board(name)
        except (UnicodeError, click.UsageError, ShelfError):
            return path  # no label, or no shelf: whoever opens the path says what is wrong
        if found is None:
            return path
        click.echo(
            f"Set of “{found.record.board}” from {found.record.made:%Y-%m-%d %H:%M}: {found.path}",
            err=True,
        )
        if found.unlike:
            click.echo(
                f"Caution: sets with {found.unlike} other contents have this label, and their "
                "chips have no unique ID. If they are of several boards, name the folder.",
                err=True,
            )
        return found.path


def _other_folder(path: Path) -> bool:
    """Whether there is a folder that is no set, such as a simulated board: a set or a board on the
    shelf can have the same name."""
    from spiflash.archive.backupset import is_set

    try:
        return path.is_dir() and not is_set(path)
    except OSError:
        return False


class Label(click.ParamType[str]):
    """What a person writes on a board: one short line of text."""

    name = "label"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The label, without blanks around it."""
        from spiflash.archive.record import label_problem

        try:
            # In a locale without UTF-8, Python hands over undecoded bytes as surrogates.
            text = os.fsencode(value).decode().strip()
        except UnicodeError:
            self.fail("the label is not UTF-8 text", param, ctx)
        if problem := label_problem(text):
            self.fail(problem, param, ctx)
        return text


class PinName(click.ParamType[int]):
    """D4 to D7, as a bit mask."""

    name = "pin"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The mask of the pin."""
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"[dD]([4-7])", str(value).strip())
        if found is None:
            self.fail(f"'{value}' is not a spare pin: D4, D5, D6 or D7", param, ctx)
        return 1 << int(found[1])


def usual_root() -> Path | None:
    """Where the shelf usually is; None for a user without a home folder."""
    try:
        root = default_root()
    except RuntimeError:
        return None
    # A relative place would be another one from wherever the next command is run.
    return root if root.is_absolute() else None


def shelf_from(path: Path | None) -> Shelf:
    """The shelf at `path`, or at its usual place.

    Raises click.UsageError when there is no usual place.
    """
    root = path or usual_root()
    if root is None:
        raise click.UsageError("there is no home folder to keep the shelf in; name one: --shelf")
    from spiflash.archive.shelf import Shelf

    return Shelf(root)
