"""What a triage found and proposes: text and JSON.

The text begins with the verdict and ends with what to do next, and fits on a small screen. With
`details` come every region that was judged, wider repairs, what was refused, and each own item.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from spiflash.dump.board_data import Fate
from spiflash.dump.identity import OwnItem
from spiflash.dump.secrets import MASK
from spiflash.dump.triage import Kind, RegionFinding, Repair, Triage
from spiflash.jobs.triage import Proposal, Triaged
from spiflash.report import next_steps, table
from spiflash.report.changes import own_words, plan_json
from spiflash.report.plain import document, plain
from spiflash.text import address, clean, counted, seconds, span

SHOWN = 6
"""Places of one finding that are listed before the rest is only counted."""

_OWN_SHOWN = 40


def triage_text(done: Triaged, *, details: bool = False) -> str:
    """Interrupted work that has to be finished first; verdict, damaged regions, the smallest repair
    and the next steps; see the head of the file for `details`."""
    found = done.triage
    lines = [*_unfinished(done), f"{found.kind.value.upper()}: {clean(found.headline)}"]
    lines += _all_regions(done) if details else _damaged_regions(found)
    lines += [*([""] if details else []), _basis(done)]
    for number, each in enumerate(done.proposals if details else done.proposals[:1]):
        # The short form has to fit a terminal of 24 lines: it has no blank line here.
        lines += [""] if details else []
        lines += _repair(each, "Wider" if number else "Smallest", details=details)
        if details and number:
            lines += [f"    {command}" for command in each.commands]
    if found.own and done.proposals:
        lines += _own_table(done) if details else [_own_summary(done)]
    if details:
        lines += [f"Not proposed: {each}" for each in _refused(found)]
    else:
        lines += _left_out(done)
    return "\n".join([*lines, *_card(done), *_next_steps(done)])


def _unfinished(done: Triaged) -> list[str]:
    open_ = done.unfinished
    if open_ is None:
        return []
    what = (
        f"A write of {clean(open_.image)} to this chip" if open_.image else "A write to this chip"
    )
    begun = f", begun on {open_.begun:%Y-%m-%d %H:%M}," if open_.begun else ""
    if open_.job is not None:
        why = f"The batch “{clean(open_.job)}” took its values back, so undo it first."
    elif open_.image is None:
        why = f"Its journal {clean(str(open_.journal))} has errors. Deal with it first."
    else:
        why = "Finish it first."
    return [
        f"{what}{begun} was interrupted. {why} What follows judges a chip that is half written.",
        f"    {open_.command}",
        "",
    ]


def _basis(done: Triaged) -> str:
    backup = clean(str(done.backup)) if done.backup else "no backup of this board"
    image = clean(str(done.image)) if done.image else "no image"
    unstable = len(done.reading.unstable)
    doubt = f" ({counted(unstable, 'sector')} unstable)" if unstable else ""
    passes = counted(len(done.reading.passes), "pass", "passes")
    return f"Judged by: {backup}; {image}; {passes}{doubt}."


def _all_regions(done: Triaged) -> list[str]:
    lines = ["", *(_region(each) for each in done.triage.regions)]
    if done.triage.stop is not None:
        sector = done.triage.stop // 4096 * 4096
        # Blank bytes of the image look the same as bytes that were never written.
        seen = f"The write can be followed up to {address(done.triage.stop)}"
        lines += ["", f"{seen}, in the sector at {address(sector)}."]
    return lines


def _damaged_regions(found: Triage) -> list[str]:
    """The regions with findings, and the names of those that were not checked."""
    bad = [each for each in found.regions if each.bad]
    lines = [_region(each) for each in bad[:SHOWN]]
    if bad[SHOWN:]:
        lines.append(f"and {counted(len(bad) - SHOWN, 'other region')} with faults")
    unchecked = [clean(e.region.name) for e in found.regions if e.kind is Kind.NOT_CHECKED]
    if bad and unchecked:
        more = f" and {len(unchecked) - SHOWN} more" if unchecked[SHOWN:] else ""
        lines.append(f"NOT CHECKED: {', '.join(unchecked[:SHOWN])}{more}")
    return lines


def _region(finding: RegionFinding) -> str:
    region = finding.region
    kind = finding.kind.value
    kind = kind.upper() if finding.kind is Kind.NOT_CHECKED else kind
    text = f"{clean(region.name, 16):<12} {span(region.start, region.end)}  {kind}"
    text += f": {clean(finding.detail)}"
    whole = ((region.start, region.end),)
    if not finding.bad or not finding.places or finding.places == whole:
        return text
    places = [
        address(low) if high == low + 1 else span(low, high) for low, high in finding.places[:SHOWN]
    ]
    more = len(finding.places) - SHOWN
    return f"{text} ({', '.join(places)}{f' and {more} more' if more > 0 else ''})"


def _repair(proposal: Proposal, title: str, *, details: bool) -> list[str]:
    repair, plan = proposal.repair, proposal.plan
    names = [clean(each) for each in repair.regions]
    if details:
        names = [
            f"{name} {span(low, high)}"
            for name, (low, high) in zip(names, repair.ranges, strict=True)
        ]
    took = f"{seconds(plan.seconds)} ({seconds(plan.worst_seconds)} at worst)"
    lines = [
        f"{title} repair: {repair.reason}, from {repair.source.value}.",
        f"  Rewrites {', '.join(names)}: {took}.",
    ]
    if repair.overrules:
        spans = _ranges(repair.overrules, details=details)
        lines.append(
            f"  Overwrites what is correct by its checksum ({spans}): only you can say so."
        )
    first = "; parts exist only here: save them first" if repair.rescue else ""
    if repair.unproven:
        spans = _ranges(repair.unproven, details=details)
        lines.append(f"  Overwrites {spans} with no checksum{first}.")
    elif repair.rescue:
        lines.append("  Overwrites what exists only here: save it first.")
    if repair.erase:
        spans = _ranges(repair.erase, details=details)
        lines.append(f"  Erases {spans} again, because an erase was interrupted there.")
    lines += [f"  Note: {clean(each)}." for each in repair.remarks]
    return lines + [f"  Lost: {clean(each)}." for each in repair.lost]


def _ranges(spans: Sequence[tuple[int, int]], *, details: bool) -> str:
    if not details and len(spans) > 1:
        return counted(len(spans), "range")
    more = len(spans) - SHOWN
    shown = ", ".join(span(low, high) for low, high in spans[:SHOWN])
    return f"{shown} and {more} more" if more > 0 else shown


def own_fates(found: Triage, repair: Repair) -> list[tuple[OwnItem, Fate]]:
    """What a repair means for each own item that the chip still holds."""
    return [(item, _fate(found, item, repair.target)) for item in found.own]


def _fate(found: Triage, item: OwnItem, after: bytes) -> Fate:
    raw = found.view[item.start : item.end]
    if after[item.start : item.end] == raw:
        return Fate.STAYS
    return Fate.CARRIED if raw in after else Fate.LEFT


def _own_summary(done: Triaged) -> str:
    fates = [fate for _, fate in own_fates(done.triage, done.proposals[0].repair)]
    words = {Fate.STAYS: "unchanged"}
    said = [f"{fates.count(each)} {words.get(each, each.value)}" for each in Fate if each in fates]
    return f"  This board's own items: {', '.join(said)} (see --details)."


def _own_table(done: Triaged) -> list[str]:
    """Each own item in the words of a conversion."""
    found = done.triage
    rows = [
        (*own_words(_masked(item), len(found.view)), fate.value)
        for item, fate in own_fates(found, done.proposals[0].repair)
    ]
    more = len(rows) - _OWN_SHOWN
    return [
        "",
        "This board's own items, and what happens to them in the smallest repair",
        *table(rows[:_OWN_SHOWN]),
        *([f"  and {more:,} more"] if more > 0 else []),
    ]


def _masked(item: OwnItem) -> OwnItem:
    return replace(item, text=MASK) if item.secret else item


def _refused(found: Triage) -> list[str]:
    return [
        f"rewriting {', '.join(clean(name) for name in each.regions)} from {each.source.value}. "
        f"{clean(each.why)}. Name what you want overwritten to 'spiflash restore' with --region."
        for each in found.refused
    ]


def _left_out(done: Triaged) -> list[str]:
    """What only the details say, as far as it matters for what to do."""
    said = []
    if done.proposals[1:]:
        said.append(counted(len(done.proposals) - 1, "wider repair"))
    if done.triage.refused:
        said.append(f"{counted(len(done.triage.refused), 'repair')} refused")
    if not said:
        return []
    lead = [] if done.proposals else [""]
    return [*lead, f"  With --details: {', '.join(said)}."]


def _card(done: Triaged) -> list[str]:
    road = done.triage.card
    if road is None or not done.triage.damaged:
        return []
    names = ", ".join(clean(name) for name in road.files)
    looks = f"The boot loader looks for: {names}."
    after = " and ".join(clean(name) for name in road.after)
    if road.open:
        return [f"SD card: the boot loader is proven, so a card can write the rest. {looks}"]
    if not done.proposals:
        return [f"SD card: {after} is not proven, so a card may not help. {looks}"]
    return [f"SD card: once {after} is rewritten, a card can write the rest. {looks}"]


def _next_steps(done: Triaged) -> list[str]:
    found = done.triage
    if done.proposals:
        commands = done.proposals[0].commands
        order = ", in this order" if len(commands) > 1 else ""
        return ["", f"Next steps{order}", *(f"    {each}" for each in commands)]
    if found.kind is Kind.INTACT:
        return next_steps([("The chip is correct. Look for the fault elsewhere on the board.", "")])
    if found.kind is Kind.NOT_CHECKED:
        return next_steps(
            [
                (
                    "To find out more, repeat with this board's own backup (--backup) or an image "
                    "of its model (--image).",
                    "",
                )
            ]
        )
    return next_steps(
        [
            ("There is nothing to repair it with yet. Save what is there", "spiflash backup"),
            ("Find an image of this model, and repeat with --image.", ""),
        ]
    )


def triage_json(done: Triaged) -> dict[str, object]:
    """The same for scripts: addresses and sizes in bytes. `own` is what the smallest repair means
    for each own item of this board; secrets are masked."""
    found = done.triage
    fates = own_fates(found, done.proposals[0].repair) if done.proposals else []
    said = fates or [(item, Fate.STAYS) for item in found.own]
    return {
        "kind": found.kind.value,
        "open_journal": plain(done.unfinished.journal) if done.unfinished else None,
        "headline": clean(found.headline),
        "stop": found.stop,
        "backup": plain(done.backup),
        "image": plain(done.image),
        "passes": len(done.reading.passes),
        "unstable_sectors": len(done.reading.unstable),
        "regions": plain(found.regions),
        "own": [{**document(_masked(item)), "fate": fate.value} for item, fate in said],
        "repairs": [
            {
                **document(each.repair),
                "commands": plain(each.commands),
                "plan": plan_json(each.plan),
            }
            for each in done.proposals
        ],
        "refused": plain(found.refused),
        "card": plain(found.card),
    }
