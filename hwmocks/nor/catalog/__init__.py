"""The chips that the bench can simulate, by name.

The figures of each are from memory of the data sheet that its `source` names; what comes from the
Linux kernel or was posted to the linux-mtd list is marked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from hwmocks.nor.catalog import (
    compatible,
    different,
    gigadevice,
    infineon,
    macronix,
    winbond,
)
from hwmocks.nor.description import ChipDescription

CATALOG: Mapping[str, ChipDescription] = MappingProxyType(
    {
        chip.name: chip
        for family in (winbond, gigadevice, macronix, compatible, different, infineon)
        for chip in family.ALL
    }
)


def describe(name: str) -> ChipDescription:
    """The description of a chip by its name, in upper or lower case; KeyError lists the known
    names.

    "W25Q64JV as W25Q128JV" is a relabelled chip; see `relabelled`.
    """
    true, _as, label = name.partition(" as ")
    if label:
        return relabelled(describe(true), describe(label))
    try:
        return CATALOG[name.upper()]
    except KeyError:
        known = ", ".join(sorted(CATALOG))
        raise KeyError(f"no chip {name!r} on the bench; known: {known}") from None


def relabelled(true: ChipDescription, label: ChipDescription) -> ChipDescription:
    """A chip that answers every question about itself like `label` but has the array of
    `true`: addresses above its real size wrap around to its beginning."""
    return replace(
        true,
        name=f"{true.name} as {label.name}",
        id=label.id,
        legacy_id=label.legacy_id,
        rems=label.rems,
        sfdp=label.sfdp,
    )
