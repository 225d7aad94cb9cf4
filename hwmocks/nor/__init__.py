"""The simulated NOR chip and the catalogue of chips that it can be."""

from hwmocks.nor.catalog import CATALOG, describe, relabelled
from hwmocks.nor.chip import NorChip, Snapshot
from hwmocks.nor.description import ChipDescription

__all__ = ["CATALOG", "ChipDescription", "NorChip", "Snapshot", "describe", "relabelled"]
