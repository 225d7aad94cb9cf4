"""Regions of a flash: where they are, what they are for, where that is known from."""

from spiflash.dump.layout.find import FoundLayout, find_layouts
from spiflash.dump.layout.occupancy import Occupancy, occupancy, used_sectors
from spiflash.dump.layout.region import Layout, Region, Role, layout_text, read_layout

__all__ = [
    "FoundLayout",
    "Layout",
    "Occupancy",
    "Region",
    "Role",
    "find_layouts",
    "layout_text",
    "occupancy",
    "read_layout",
    "used_sectors",
]
