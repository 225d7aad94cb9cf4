"""A clone job that does to the next boards what a conversion did to the first.

The regions that stayed are kept, variables are taken from each board's own environment. What a
person set with a fixed value goes into an image beside the job, unless it tells boards apart: then
the job has a place where the values of the others are to be listed.
"""

from __future__ import annotations

import os
from pathlib import Path

from spiflash.dump.board_data import WRITTEN, Fate, saved_environments
from spiflash.dump.identity.items import OwnItem
from spiflash.dump.uboot_env import Environment, set_variables, stored
from spiflash.errors import CloneJobError
from spiflash.files import write_new
from spiflash.jobs.convert import Prepared

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
        for each in saved_environments(prepared.image)
        if each.end <= len(prepared.board.contents)
    ]
    names = [each.variable for each in prepared.proposal.decisions if each.fate is Fate.VARIABLE]
    own = {each.start for each in saved_environments(prepared.board)}
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
