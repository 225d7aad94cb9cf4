"""The SD card: whether it is a way back, and which contents belong under which name on it.

The names are those that the boot loader's scripts load; what is meant by a name is common
practice, no source: a loader, a device tree, a kernel or a root file system says so in its name.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.hints import Hints
from spiflash.dump.layout.region import Layout, Region, Role
from spiflash.dump.triage.reference import Known, Reference
from spiflash.dump.triage.result import CardRoad, Kind, Proof, RegionFinding

CARD = "SD card"


def card_files(hints: Hints) -> tuple[str, ...]:
    """The files that scripts load from an SD card, each once, in the order of the scripts."""
    return tuple(dict.fromkeys(each.file for each in hints.loads if each.medium == CARD))


def card_road(findings: Sequence[RegionFinding], known: Known, view: Reference) -> CardRoad | None:
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
        asked = known.own or known.model or view
    elif any(each.proof is Proof.BACKUP for each in loaders) and known.own is not None:
        asked = known.own
    elif any(each.proof is Proof.IMAGE for each in loaders) and known.model is not None:
        asked = known.model
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
    """A file for the card; `what` says in words what it holds, `start` where that stands in
    the flash."""

    name: str
    contents: bytes
    what: str
    start: int


def files_for_card(image: Reference, names: tuple[str, ...] = ()) -> tuple[CardFile, ...]:
    """The files that the boot loader in `image` asks for, or the `names` given instead.

    A name with folders keeps them. Empty when nothing says which names are looked for.
    """
    return tuple(_file(image, name) for name in names or card_files(image.hints))


def _file(image: Reference, name: str) -> CardFile:
    role = next((role for role, pattern in _MEANT if pattern.search(name)), None)
    region = _region(image.layout, role)
    if region is None:
        return CardFile(name, image.contents, "the whole image", 0)
    contents = image.contents[region.start : region.end]
    if role is not Role.BOOT:
        # The boot loader takes the file's own length; the blank rest of a region is not of it.
        contents = contents.rstrip(b"\xff") or contents
    return CardFile(name, contents, f"region {region.name}", region.start)


def _region(layout: Layout, role: Role | None) -> Region | None:
    return next((each for each in layout.regions if each.role is role), None)
