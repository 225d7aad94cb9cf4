"""What a triage found and proposes: text and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from spiflash.dump.belongings import Fate
from spiflash.dump.secrets import MASK
from spiflash.dump.triage import Kind, RegionFinding, Repair, Triage
from spiflash.plan import Plan
from spiflash.report.changes import own_words, plan_json
from spiflash.report.lines import table
from spiflash.report.plain import document, plain
from spiflash.text import address, clean, counted, seconds, span

SHOWN = 6
"""Places of one finding that are listed before the rest is only counted."""

_LABEL = 10
_OWN_SHOWN = 40


@dataclass(frozen=True, slots=True)
class Way:
    """A repair as it is shown: with its plan and the commands that carry it out."""

    repair: Repair
    plan: Plan
    commands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Basis:
    """What the judgement rests on: the sources that were at hand, and how the chip was read.
    `journal` is that of a restore of this chip that was cut short, `resume` the command that
    finishes it."""

    backup: Path | None
    image: Path | None
    passes: int
    unstable: int
    journal: Path | None = None
    resume: str = ""


def triage_text(found: Triage, basis: Basis, ways: Sequence[Way]) -> str:
    """The finding as a whole, region by region, then the ways back."""
    lines = []
    if basis.journal is not None:
        lines += [
            "A restore of this chip was cut short: finish it first. What follows judges a chip "
            "that is half written.",
            f"    {basis.resume}",
            "",
        ]
    verdict = found.kind.value
    verdict = verdict.upper() if found.kind is Kind.NOT_CHECKED else verdict.capitalize()
    lines += [f"{verdict}. {clean(found.headline)}"]
    lines += ["", *_basis(basis), ""]
    lines += [_region(each) for each in found.regions]
    if found.stop is not None:
        sector = found.stop // 4096 * 4096
        # Blank bytes of the image look the same as bytes that were never written.
        seen = f"The write can be followed up to {address(found.stop)}"
        lines += ["", f"{seen}, in the sector at {address(sector)}."]
    lines += _ways(found, ways)
    lines += _own(found, ways)
    lines += _card(found, ways)
    return "\n".join(lines)


def _basis(basis: Basis) -> list[str]:
    backup = str(basis.backup) if basis.backup else "none of this board at hand"
    image = str(basis.image) if basis.image else "none given"
    doubt = f"; {counted(basis.unstable, 'sector')} unstable" if basis.unstable else ""
    return [
        f"{'Backup':<{_LABEL}} {clean(backup)}",
        f"{'Image':<{_LABEL}} {clean(image)}",
        f"{'Reading':<{_LABEL}} {counted(basis.passes, 'pass', 'passes')}{doubt}",
    ]


def _region(finding: RegionFinding) -> str:
    region = finding.region
    text = f"{clean(region.name, 16):<16} {span(region.start, region.end)}  {finding.kind.value}"
    text += f": {clean(finding.detail)}"
    whole = ((region.start, region.end),)
    if not finding.bad or not finding.places or finding.places == whole:
        return text
    places = [
        address(low) if high == low + 1 else span(low, high) for low, high in finding.places[:SHOWN]
    ]
    more = len(finding.places) - SHOWN
    return f"{text} ({', '.join(places)}{f' and {more} more' if more > 0 else ''})"


def _ways(found: Triage, ways: Sequence[Way]) -> list[str]:
    if not ways:
        if found.kind is Kind.INTACT:
            return []
        lines = _refused(found)
        if found.kind is Kind.NOT_CHECKED:
            return [
                *lines,
                "",
                "Nothing speaks against what is not checked, and nothing for it. This board's own "
                "backup can tell (--backup), or an image of its model (--image).",
            ]
        return [
            *lines,
            "",
            "There is nothing to repair it with. Save what is there ('spiflash backup'), then "
            "find an image of this model and repeat with --image.",
        ]
    lines = []
    for number, way in enumerate(ways):
        repair = way.repair
        title = "Least repair" if number == 0 else "Wider repair"
        where = ", ".join(
            f"{clean(name)} {span(low, high)}"
            for name, (low, high) in zip(repair.regions, repair.ranges, strict=True)
        )
        took = f"{seconds(way.plan.seconds)} ({seconds(way.plan.worst_seconds)} at worst)"
        lines += [
            "",
            f"{title}: {repair.reason}, from {repair.source.value}.",
            f"  Rewrite {where}: {took}; nothing else.",
        ]
        if repair.overrules:
            lines.append(
                f"  It overwrites what is right by its checksum: {_spans(repair.overrules)}. "
                "Only you can say that this is meant."
            )
        if repair.unproven:
            lines.append(f"  It overwrites what nothing proves: {_spans(repair.unproven)}.")
        if repair.erase:
            lines.append(
                f"  Erased again whatever they read, because an erase was cut short in them: "
                f"{_spans(repair.erase)}."
            )
        lines += [f"  Note: {clean(each)}." for each in repair.remarks]
        if repair.rescue:
            lines.append("  The chip holds what no source has: it is saved first.")
        lines += [f"  Lost: {clean(each)}." for each in repair.lost]
        lines += [f"    {command}" for command in way.commands]
    return lines + _refused(found)


def _own(found: Triage, ways: Sequence[Way]) -> list[str]:
    """What the least repair means for each own item, in the words of a conversion."""
    if not found.own or not ways:
        return []
    after = ways[0].repair.target
    rows = []
    for item in found.own[:_OWN_SHOWN]:
        raw = found.view[item.start : item.end]
        if after[item.start : item.end] == raw:
            fate = Fate.STAYS
        else:
            fate = Fate.CARRIED if raw in after else Fate.LEFT
        masked = replace(item, text=MASK) if item.secret else item
        rows.append((*own_words(masked, len(found.view)), fate.value))
    more = len(found.own) - _OWN_SHOWN
    return [
        "",
        "This board's own, and what becomes of it with the least repair",
        *table(rows),
        *([f"  and {more:,} more"] if more > 0 else []),
    ]


def _refused(found: Triage) -> list[str]:
    lines = []
    for each in found.refused:
        names = ", ".join(clean(name) for name in each.regions)
        lines += [
            "",
            f"Not proposed: rewriting {names} from {each.source.value}. {clean(each.why)}. "
            "Name what you want overwritten to 'spiflash restore' with --region.",
        ]
    return lines


def _spans(spans: Sequence[tuple[int, int]]) -> str:
    more = len(spans) - SHOWN
    shown = ", ".join(span(low, high) for low, high in spans[:SHOWN])
    return f"{shown} and {more} more" if more > 0 else shown


def _card(found: Triage, ways: Sequence[Way]) -> list[str]:
    road = found.card
    if road is None or not found.damaged:
        return []
    names = ", ".join(clean(name) for name in road.files)
    if road.open:
        proven = "The boot loader is proven whole; the rest can go by SD card."
        return ["", f"{proven} It looks for: {names}."]
    after = " and ".join(clean(name) for name in road.after)
    if not ways:
        doubt = f"{after} is not proven whole, so the SD card may be no way back."
        return ["", f"{doubt} The boot loader looks for: {names}."]
    return [
        "",
        f"With {after} rewritten, the rest can go by SD card. The boot loader looks for: {names}.",
    ]


def triage_json(found: Triage, basis: Basis, ways: Sequence[Way]) -> dict[str, object]:
    """The same for scripts: addresses and sizes in bytes."""
    return {
        "kind": found.kind.value,
        "open_journal": plain(basis.journal),
        "headline": clean(found.headline),
        "stop": found.stop,
        "backup": plain(basis.backup),
        "image": plain(basis.image),
        "passes": basis.passes,
        "unstable_sectors": basis.unstable,
        "regions": plain(found.regions),
        "repairs": [
            {
                **document(way.repair),
                "commands": plain(way.commands),
                "plan": plan_json(way.plan),
            }
            for way in ways
        ],
        "refused": plain(found.refused),
        "card": plain(found.card),
    }
