"""Convert one board: its backup, what the image makes of it, and the writing.

Everything here is put together from what other jobs do: the set comes from `backup`, the writing
and what follows a cut from `restore`. What the chip is to hold depends on nothing but the set, the
image and the wishes, so that the same command after an interruption makes the same image again.

A conversion also gives a clone job that does the same to the next boards. The regions that stayed
are kept, variables are taken from each board's own environment. What a person set with a fixed
value goes into an image beside the job, unless it tells boards apart: then the job has a place
where the values of the others are to be listed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from spiflash.archive.backupset import BackupSet, open_set
from spiflash.archive.shelf import Shelf
from spiflash.dump.audit import Audit, examine
from spiflash.dump.board_data import WRITTEN, Fate, Wishes, sound_environments
from spiflash.dump.convert import Proposal, propose
from spiflash.dump.identity import OwnItem
from spiflash.dump.image_fits import Concern, find_concerns, refusals
from spiflash.dump.layout import Layout
from spiflash.dump.uboot_env import Environment, set_variables, stored
from spiflash.errors import (
    CloneJobError,
    ImageError,
    ShelfError,
    UnfinishedWorkError,
    UnstableReadError,
)
from spiflash.files import write_file, write_new
from spiflash.jobs import Watcher
from spiflash.jobs.backup import SetPage, back_up, now
from spiflash.jobs.connection import Connection
from spiflash.jobs.image import Image
from spiflash.jobs.write import (
    SAFE,
    Rewritten,
    Verify,
    Work,
    WriteOptions,
    find_interrupted,
    named_backup,
    refuse_unknown,
    restore,
)
from spiflash.jobs.write import prepare as prepare_write
from spiflash.jobs.write.before import read_before

ConversionPage = Callable[["Prepared", str, datetime], str]
"""Makes the page about a conversion, as HTML, from what was prepared, the command for the way back
and the time of day."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How to convert: wishes about own items, the names of concerns about the image that a
    person accepts, a layout that outweighs what the image states, the backup set to go by
    (None: the shelf decides), what a new set is to be called, and how often to read."""

    wishes: Wishes = field(default_factory=Wishes)
    despite: tuple[str, ...] = ()
    image_layout: Layout | None = None
    backup: Path | None = None
    label: str = ""
    passes: int = 2


@dataclass(frozen=True, slots=True)
class Prepared:
    """A conversion before anything is written.

    `board` is the audit of what the set holds, `image` that of the image. `begun` says that this
    very conversion was interrupted, `done` that the chip holds its result already; otherwise the
    chip holds what the set holds. `fresh` says that the set was made just now.
    """

    set: BackupSet
    source: Image
    board: Audit
    image: Audit
    concerns: tuple[Concern, ...]
    proposal: Proposal
    asked: Asked
    fresh: bool = False
    begun: bool = False
    done: bool = False

    @property
    def refused(self) -> tuple[Concern, ...]:
        """Why the image is not written."""
        return refusals(self.concerns, self.asked.despite)

    @property
    def made(self) -> Image:
        """What the chip is to hold."""
        return Image(f"{self.source.name}, made for this board", self.proposal.made)

    def with_wishes(self, wishes: Wishes) -> Prepared:
        """The same with other wishes."""
        asked = replace(self.asked, wishes=wishes)
        return replace(self, asked=asked, proposal=propose(self.board, self.image, wishes))


def prepare_from_set(path: Path, image: Image, asked: Asked) -> Prepared:
    """What `image` makes of the board whose backup is `path`, without the board."""
    return _prepared(open_set(path), _audit_of(image, asked), image, asked)


def prepare(
    connection: Connection,
    shelf: Shelf,
    image: Image,
    asked: Asked,
    watcher: Watcher,
    *,
    page: SetPage | None = None,
) -> Prepared:
    """Know what the chip holds, have a verified set of exactly that, and work out the rest.

    A verified set on the shelf is used when the chip still holds exactly what it holds;
    otherwise a new one is made, with the page that `page` makes. Raises the refusals of
    `restore` and `back_up`, and `UnfinishedWorkError` when another restore of this chip was
    interrupted.
    """
    refuse_unknown(connection)
    theirs = _audit_of(image, asked)
    sets = _sets(connection, shelf, asked)
    begun = find_interrupted(connection, shelf, watcher, needed=False)
    if begun is not None:
        journal = begun.journal
        for each in sets:
            found = _prepared(each, theirs, image, asked)
            if found.made.sha256 == journal.state.image_sha256:
                return replace(found, begun=True)
        raise UnfinishedWorkError(
            f"A restore of {journal.state.image_name} to this chip was interrupted on "
            f"{journal.state.begun:%Y-%m-%d %H:%M}; parts of the chip are half written.",
            state=f"{SAFE} What those parts held is in {journal.path}.",
            remedy="Give the interrupted command again with all its options, or run 'spiflash "
            "restore --resume'; then convert.",
        )
    if sets:
        known = [(0, each.contents()) for each in sets]
        # Odd contents are no reason to stop here: what is made of them is a backup, or nothing.
        held = read_before(connection, known, asked.passes, watcher, odd=True)
        for each in sets:
            if each.record.sha256 == hashlib.sha256(held.contents).hexdigest():
                return _prepared(each, theirs, image, asked)
        for each in sets:
            found = _prepared(each, theirs, image, asked)
            if found.proposal.made == held.contents:
                return replace(found, done=True)
        if asked.backup is not None:
            raise ShelfError(
                f"The chip does not hold what the set {asked.backup} holds.",
                state=SAFE,
                remedy="Leave --backup out: then what the chip holds now is saved first.",
            )
    made = back_up(connection, shelf, watcher, board=asked.label, passes=asked.passes, page=page)
    if not made.record.verified:
        remedy = "Seat the clip again or set a lower --clock, then convert again."
        if sets:
            remedy += (
                f" If the chip really holds this, write the set {sets[0].path} to it first, with "
                "'spiflash restore'."
            )
        raise UnstableReadError(
            f"The backup is kept but not verified: {'; '.join(made.record.doubts)}.",
            state=SAFE,
            remedy=remedy,
        )
    return replace(_prepared(made.set, theirs, image, asked), fresh=True)


def _sets(connection: Connection, shelf: Shelf, asked: Asked) -> Sequence[BackupSet]:
    """Verified sets that may be of this very chip, newest first."""
    if asked.backup is not None:
        return [named_backup(asked.backup, connection)]
    return shelf.verified_of(connection.identity)


def _audit_of(image: Image, asked: Asked) -> Audit:
    return examine(image.contents, image.name, layout=asked.image_layout, signs=False)


def _prepared(found: BackupSet, theirs: Audit, image: Image, asked: Asked) -> Prepared:
    board = examine(found.contents(), found.name, signs=False)
    return Prepared(
        found,
        image,
        board,
        theirs,
        find_concerns(board, theirs),
        propose(board, theirs, asked.wishes),
        asked,
    )


def refuse(prepared: Prepared) -> None:
    """Raise `ImageError` when there is a reason not to write the image that nobody accepted."""
    refused = prepared.refused
    if not refused:
        return
    names = " ".join(f"--despite {each.name}" for each in refused if not each.final)
    final = any(each.final for each in refused)
    raise ImageError(
        f"{prepared.source.name} does not belong on this board. "
        + " ".join(each.text for each in refused),
        state=SAFE,
        remedy="Use an image that was made for this board and its chip."
        + ("" if final else f" To write it anyway: {names}."),
    )


def foresee(connection: Connection, shelf: Shelf, prepared: Prepared, watcher: Watcher) -> Work:
    """What writing would do; nothing is changed or asked."""
    refuse(prepared)
    options = WriteOptions(backup=prepared.set.path)
    return prepare_write(connection, shelf, prepared.made, watcher, options)


def convert(
    connection: Connection,
    shelf: Shelf,
    prepared: Prepared,
    watcher: Watcher,
    *,
    agree: Callable[[Work], bool],
    verify: Verify = Verify.CHANGED,
    unprotect: bool = False,
    in_advance: bool = False,
) -> Rewritten:
    """Write what was prepared, as `restore` does, and prove it. `unprotect` and
    `in_advance` are those of `WriteOptions`.

    Raises `ImageError` for an image that was refused, `ShelfError` when the chip holds something
    else by now than the set, and what `restore` raises.
    """
    refuse(prepared)
    expected = prepared.proposal.made if prepared.done else prepared.board.contents

    def agreed(work: Work) -> bool:
        if not prepared.begun and work.old.contents != expected:
            raise ShelfError(
                "The chip no longer holds what this board's set holds.",
                state=SAFE,
                remedy="Is it still the same board? Convert again: what it holds is saved first.",
            )
        return agree(work)

    options = WriteOptions(
        passes=prepared.asked.passes,
        verify=verify,
        backup=prepared.set.path,
        unprotect=unprotect,
        in_advance=in_advance,
    )
    return restore(connection, shelf, prepared.made, watcher, options, agree=agreed)


def save_image(prepared: Prepared, path: Path) -> None:
    """Write the merged image to a new file. Raises `ImageError` and `OutputError`."""
    refuse(prepared)
    write_new(path, prepared.proposal.made)


def save_page(
    prepared: Prepared, back: str, watcher: Watcher, render: ConversionPage
) -> Path | None:
    """Put the page about a conversion, made by `render`, into the set of the board; None where
    that cannot be written, which is said and no more: the board is what counts. `back` is the
    command for the way back."""
    moment = now()
    page = prepared.set.path / f"conversion-{moment:%Y-%m-%d-%H%M%S}.html"
    try:
        write_file(page, (render(prepared, back, moment).encode(),))
    except OSError as exc:
        watcher.say(f"the page {page} cannot be written ({exc.strerror or exc})")
        return None
    return page


_TELLS_APART = ("mac", "serial")


def save_job(prepared: Prepared, image: Path, path: Path) -> None:
    """Write the job to the new file `path`; `image` is the file that was converted to.

    Raises `CloneJobError` for what a job cannot say, `OutputError` when a file cannot be written.
    """
    moved = [each for each, there in prepared.proposal.kept if each.start != there.start]
    if moved:
        raise _cannot(f"{moved[0].name} goes to another place in the image")
    places = [
        each
        for each in sound_environments(prepared.image)
        if each.end <= len(prepared.board.contents)
    ]
    names = [each.variable for each in prepared.proposal.decisions if each.fate is Fate.VARIABLE]
    own = {each.start for each in sound_environments(prepared.board)}
    if names and any(each.start not in own for each in places):
        raise _cannot("the image has its environment at another place than the board")
    own_items = prepared.proposal.audit.own
    apart = {
        name
        for name, _ in prepared.proposal.values
        if any(_is(item, name, places) for item in own_items)
    }
    fixed = {name: value for name, value in prepared.proposal.values if name not in apart}
    if fixed:
        image = _with_fixed(prepared, places, fixed, path)
    write_new(path, _text(prepared, image, path, places, names, sorted(apart)).encode())


def _is(item: OwnItem, name: str, places: list[Environment]) -> bool:
    return (
        item.name == name
        and item.kind in _TELLS_APART
        and any(each.start <= item.start < each.end for each in places)
    )


def _with_fixed(
    prepared: Prepared, places: list[Environment], fixed: dict[str, str], path: Path
) -> Path:
    contents = bytearray(prepared.source.contents)
    for each in places:
        span = slice(each.start, each.end)
        contents[span] = set_variables(bytes(contents[span]), stored(fixed))
    target = path.with_name(f"{path.stem}-image.bin")
    write_new(target, bytes(contents))
    return target


def _text(
    prepared: Prepared,
    image: Path,
    path: Path,
    places: list[Environment],
    names: list[str],
    apart: list[str],
) -> str:
    chip = prepared.set.record.chip
    parts = ", ".join(_quoted(each) for each in chip.candidates or (chip.name,))
    lines = [
        "# Made by 'spiflash convert' from the first board. Every key: spiflash clone --example",
        "",
        "clone = 1",
        f"name = {_quoted(path.stem)}",
        f"image = {_quoted(_reached(image, path))}",
        f"chips = [{parts}]",
    ]
    reach = len(prepared.source.contents)
    kept = [region for region, _ in prepared.proposal.kept if region.start < reach]
    alike = ", ".join(_quoted(each.name) for each in kept if each.role in WRITTEN)
    if alike:
        # Settings tell no boards apart: two that were never set up have the same.
        lines += [f"shared = [{alike}]"]
    for region in kept:
        lines += [
            *("", "[[keep]]", f"name = {_quoted(region.name)}"),
            *(f"start = {region.start:#x}", f"length = {region.length:#x}"),
        ]
    for each in places:
        wanted = ", ".join(_quoted(name) for name in dict.fromkeys(names))
        lines += [
            *("", "[[environment]]", 'name = "environment"'),
            *(f"start = {each.start:#x}", f"length = {each.length:#x}", f"keep = [{wanted}]"),
        ]
    for name in apart:
        lines += [
            "",
            f"# {name} was given by hand, and no two boards may have the same: list the values of",
            "# the next boards, one a line, in the file named here, and remove the #.",
            *("# [[value]]", f"# name = {_quoted(name)}", f"# list = {_quoted(name + '.txt')}"),
            f"# variable = {_quoted(name)}",
        ]
    return "\n".join(lines) + "\n"


def _reached(image: Path, path: Path) -> str:
    """The image as the job names it: looked for beside the job."""
    try:
        return os.path.relpath(image, path.parent)
    except ValueError:  # on another drive
        return str(image.absolute())


def _quoted(text: str) -> str:
    """A TOML basic string."""
    safe = "".join(
        f"\\u{ord(each):04X}" if each in '"\\' or not each.isprintable() else each for each in text
    )
    return f'"{safe}"'


def _cannot(why: str) -> CloneJobError:
    return CloneJobError(
        f"A job cannot say what was done here: {why}.",
        state="No job was written.",
        remedy="Convert the other boards one by one with the same command.",
    )
