"""Whether the SD card is a way back, and under which names the files are looked for."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.hints import Hints
from spiflash.dump.layout.region import Role
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import CardRoad, Kind, RegionFinding

CARD = "SD card"


def card_files(hints: Hints) -> tuple[str, ...]:
    """The files that scripts load from an SD card, each once, in the order of the scripts."""
    return tuple(dict.fromkeys(each.file for each in hints.loads if each.medium == CARD))


def card_road(
    findings: Sequence[RegionFinding], references: Sequence[Reference]
) -> CardRoad | None:
    """The way by SD card, by the first of `references` that names files; None when none does.

    It is open when the boot loader is whole and the environment is, too, or fails its
    checksum: then the boot loader falls back on the variables compiled into it.
    """
    for each in references:
        files = card_files(each.hints)
        if files:
            break
    else:
        return None
    needed = [
        finding.region.name
        for finding in findings
        if (finding.region.role is Role.BOOT and finding.kind is not Kind.INTACT)
        or (
            finding.region.role is Role.ENVIRONMENT
            # A bad checksum, or none, is what the compiled-in variables are for.
            and finding.kind is Kind.ENV_NO_BOOT
        )
    ]
    if not any(finding.region.role is Role.BOOT for finding in findings):
        return None
    return CardRoad(files, not needed, tuple(needed))
