"""The SD card: whether the board can be recovered with it, and which files belong on it.

The names are those that the boot loader's scripts load; what is meant by a name is common
practice, no source: a loader, a device tree, a kernel or a root file system says so in its name.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.boot_script import Medium, followed, wanted, written
from spiflash.dump.hints import Hints
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage.references import Reference, References
from spiflash.dump.triage.result import CardRoad, Kind, Proof, RegionFinding


def card_files(hints: Hints) -> tuple[str, ...]:
    """The files that scripts load from an SD card, each once, in the order of the scripts."""
    return tuple(dict.fromkeys(each.file for each in hints.loads if each.medium is Medium.CARD))


def card_road(
    findings: Sequence[RegionFinding], refs: References, view: Reference
) -> CardRoad | None:
    """The way by SD card, by the loader that is on the chip; None when nothing says which files
    it looks for.

    It is open only when every part of the loader is proven whole, and the environment does not
    stop it: one that fails its checksum does not, because then the loader falls back on the
    variables that are compiled into it. The names are those of the contents that hold this very
    loader.
    """
    loaders = [each for each in findings if each.region.role is Role.BOOT]
    if not loaders:
        return None
    proven = all(each.kind is Kind.INTACT and each.proof is not Proof.NONE for each in loaders)
    asked = view
    if not proven:
        asked = refs.backup or refs.model or view
    elif any(each.proof is Proof.BACKUP for each in loaders) and refs.backup is not None:
        asked = refs.backup
    elif any(each.proof is Proof.IMAGE for each in loaders) and refs.model is not None:
        asked = refs.model
    files = card_files(asked.hints)
    if not files:
        return None
    needed = [
        each.region.name
        for each in findings
        if (each.region.role is Role.BOOT and each.kind is not Kind.INTACT)
        or each.kind is Kind.ENV_NO_BOOT
    ]
    return CardRoad(files, not needed, tuple(needed))


_MEANT = (
    (Role.TREE, re.compile(r"\.dtb$|fdt|devicetree", re.IGNORECASE)),
    (Role.KERNEL, re.compile(r"kernel|[uz]image|linux|\.itb$", re.IGNORECASE)),
    (Role.ROOT, re.compile(r"root|squash", re.IGNORECASE)),
    (Role.BOOT, re.compile(r"ldr|loader|boot|spl|bootstrap", re.IGNORECASE)),
)


@dataclass(frozen=True, slots=True)
class CardFile:
    """A file for the card; `what` says in words what it holds, `start` where that is in
    the flash, `whole` whether it is the whole image."""

    name: str
    contents: bytes
    what: str
    start: int
    whole: bool = False


@dataclass(frozen=True, slots=True)
class CardFiles:
    """The files for a card; `left` are those that are asked for and cannot be made, with why."""

    files: tuple[CardFile, ...]
    left: tuple[tuple[str, str], ...] = ()


def files_for_card(image: Reference, names: tuple[str, ...] = ()) -> CardFiles:
    """The files that the boot loader in `image` asks for, or the `names` given instead.

    A file holds what the image has where the loader's script writes it; where no
    script says so, what its name speaks of. A file of which nothing says what it is to hold is
    left out, unless a person names it: then it is the whole image. A name with folders keeps
    them. Nothing at all when nothing says which names are looked for.
    """
    places = destinations(image)
    files: list[CardFile] = []
    left: list[tuple[str, str]] = []
    for name in names or card_files(image.hints):
        made = _file(image, name, places.get(name, frozenset()), named=bool(names))
        if isinstance(made, CardFile):
            files.append(made)
        else:
            left.append((name, made))
    return CardFiles(tuple(files), tuple(left))


def destinations(image: Reference) -> dict[str, frozenset[int]]:
    """Where in the flash the scripts write the files that they load from a card: the addresses
    by file."""
    found: dict[str, set[int]] = {}
    for block in image.hints.environments:
        space = dict(block.variables)
        for name in space:
            loaded = ""
            for step in (each.command for each in followed(name, space)):
                load = wanted(step, space)
                if load is not None:
                    loaded = load.file if load.medium is Medium.CARD else ""
                    continue
                write = written(step, space)
                to = write.place(image.layout) if write is not None else None
                if loaded and to is not None:
                    found.setdefault(loaded, set()).add(to)
    return {name: frozenset(places) for name, places in found.items()}


def _file(image: Reference, name: str, places: frozenset[int], *, named: bool) -> CardFile | str:
    """The file, or why it cannot be made."""
    if "$" in name:
        return "its name is in a variable that is not set"
    role = next((role for role, pattern in _MEANT if pattern.search(name)), None)
    region = _region(image.layout, role)
    if len(places) > 1:
        shown = ", ".join(f"{place:06X}h" for place in sorted(places))
        return f"the scripts write it to several places: {shown}"
    if places:
        (place,) = places
        if region is None or region.start != place:
            region = next((e for e in image.layout.regions if e.start == place), None)
            if place == 0:
                return CardFile(name, image.contents, "the whole image", 0, whole=True)
            if region is None:
                return f"its script writes it to {place:06X}h, and no region starts there"
    if region is None:
        if not named:
            return "nothing says what it has to contain"
        return CardFile(name, image.contents, "the whole image", 0, whole=True)
    contents = region.of(image.contents)
    if region.role is not Role.BOOT:
        # The boot loader takes the file's own length; the blank rest of a region is not of it.
        contents = contents.rstrip(b"\xff") or contents
    return CardFile(name, contents, f"region {region.name}", region.start)


def _region(layout: Layout, role: Role | None) -> Region | None:
    return next((each for each in layout.regions if each.role is role), None)
