"""What there is to judge a chip by, and what every judgement goes by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.identity import OwnItem
from spiflash.dump.layout.region import Region, Role
from spiflash.dump.triage.reference import Reference

FIRMWARE = frozenset({Role.BOOT, Role.TREE, Role.KERNEL, Role.ROOT, Role.OTHER})
"""Roles whose contents come with the firmware: pieces that belong together."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a region is judged by. `own` is this board's backup, `model` an image of its model,
    both for a chip of this size; None where there is none."""

    chip: Reference
    own: Reference | None
    model: Reference | None

    def expected(self, region: Region) -> Reference | None:
        """What the region should be like: the backup, or of the firmware the model's image."""
        if self.own is not None:
            return self.own
        if self.model is None or not self.model.reaches(region):
            return None
        return self.model if region.role in FIRMWARE else None


def items_in(items: Sequence[OwnItem], region: Region) -> list[OwnItem]:
    return [item for item in items if region.start <= item.start < region.end]


def identity_in(reference: Reference, region: Region) -> set[tuple[str, str]]:
    return {
        (item.kind, item.text)
        for item in items_in(reference.own, region)
        if item.kind in ("mac", "serial")
    }
