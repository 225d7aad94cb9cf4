"""What is wrong with a chip that a board does not start from, and the smallest repair."""

from __future__ import annotations

from spiflash.dump.layout.region import Layout
from spiflash.dump.triage.card import card_files
from spiflash.dump.triage.diagnosis import diagnose
from spiflash.dump.triage.references import Reference, reference
from spiflash.dump.triage.result import CardRoad, Kind, RegionFinding, Repair, Source, Triage

__all__ = [
    "CardRoad",
    "Kind",
    "Reference",
    "RegionFinding",
    "Repair",
    "Source",
    "Triage",
    "card_files",
    "reference",
    "triage",
]


def triage(
    chip: bytes | Reference,
    *,
    own_backup: Reference | None = None,
    model_image: Reference | None = None,
    layout: Layout | None = None,
) -> Triage:
    """Judge the contents of a whole chip, which may have been examined already.

    `own_backup` are contents of this very board while it worked; `model_image` is a known-good
    image of the same model, generic or of another board; with neither, only checksums speak.
    `layout` outweighs the layouts that backup, image and chip state, which are taken in this
    order. Empty contents raise ValueError. Takes some seconds for 16 MiB.
    """
    examined = chip if isinstance(chip, Reference) else reference(chip, layout)
    return diagnose(examined, own_backup, model_image, layout)
