"""The chips that the bench can play, by name."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from hwmocks.nor.catalog import compatible, different, gigadevice, macronix, winbond
from hwmocks.nor.description import ChipDescription

CATALOG: Mapping[str, ChipDescription] = MappingProxyType(
    {
        chip.name: chip
        for family in (winbond, gigadevice, macronix, compatible, different)
        for chip in family.ALL
    }
)


def describe(name: str) -> ChipDescription:
    """The description of a chip by its name, in any case; KeyError naming those there are."""
    try:
        return CATALOG[name.upper()]
    except KeyError:
        known = ", ".join(sorted(CATALOG))
        raise KeyError(f"no chip {name!r} on the bench; there are {known}") from None
