"""An audit as text and as JSON. Strings from dumps go through `clean` before they are shown."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from spiflash.dump.audit import Audit
from spiflash.dump.boot_script import Onto
from spiflash.dump.coverage import Fit, Island, percent
from spiflash.dump.finding import Finding, Verdict, damaged_spans
from spiflash.dump.hints import Console, Hints, Write
from spiflash.dump.layout import Region, Role
from spiflash.report import Headline, facts, next_steps, table, wrapped
from spiflash.report.plain import document, plain
from spiflash.text import address, amount, clean, counted, span

VERDICT_WORDS = {
    Verdict.VERIFIED: "checksum OK",
    Verdict.DAMAGED: "fails its checksum",
    Verdict.CONSISTENT: "no checksum",
    Verdict.BLANK: "blank",
    Verdict.UNCHECKED: "NOT CHECKED",
    Verdict.NOTED: "noted",
}
"""How far a finding can be believed, for people."""

_SHOWN = 100
_DAMAGED_SHOWN = 6
_LAYOUT_FILE = "layout.toml"


def audit_steps(name: str) -> tuple[tuple[str, str], ...]:
    """(what for, command) of the steps after an audit of the file or set `name`."""
    file = shlex.quote(name)
    return (
        ("See how another dump differs", f"spiflash compare {file} OTHER"),
        ("See how the chip differs now", f"spiflash compare {file} --chip"),
        ("Keep this layout for other commands", f"spiflash audit {file} --save {_LAYOUT_FILE}"),
    )


def region_words(region: Region) -> str:
    """The role, and whether the region is to be kept."""
    return region.role.value + (", keep" if region.keep else "")


_FIRMWARE = (Role.BOOT, Role.KERNEL, Role.ROOT, Role.TREE)


def island_region(audit: Audit, island: Island) -> str:
    """The region in which data begin that nothing recognises."""
    region = audit.layout.at(island.start)
    return region.name if region is not None else "no region"


def island_advice(audit: Audit, island: Island) -> str:
    """What to do about data that nothing recognises: what is no firmware may be the only copy of
    calibration or settings."""
    region = audit.layout.at(island.start)
    return "" if region is not None and region.role in _FIRMWARE else "keep"


def _islands(audit: Audit, size: int) -> list[str]:
    shown = audit.islands[:_SHOWN]
    rows = [
        (
            span(each.start, each.end, size),
            amount(each.length),
            f"{each.entropy:.1f} bits a byte",
            clean(island_region(audit, each), 24),
            island_advice(audit, each),
        )
        for each in shown
    ]
    more = len(audit.islands) - len(shown)
    return [*table(rows), *([f"  and {more:,} more"] if more > 0 else [])]


def console_words(console: Console) -> str:
    """One console in words."""
    speed = f" at {console.speed} baud" if console.speed else ""
    return f"{console.device}{speed} ({console.source})"


def write_words(audit: Audit, write: Write) -> tuple[str, str]:
    """(where to, how much) of what a script writes, in words."""
    to, size = write.to, len(audit.contents)
    place = to.place(audit.layout)
    if place is not None:
        region = audit.layout.at(place)
        name = region.name if region is not None else "no region"
        where = f"{address(place, size)}, {clean(name, 40)}"
    else:
        stated = f"{to.address:X}h" if to.address is not None else "an address it does not state"
        where = " at ".join(filter(None, (clean(to.name, 40), stated)))
    if to.onto is not Onto.SPI:
        where += f" ({to.onto.value})"
    if to.length is not None:
        return where, amount(to.length)
    return where, clean(to.stated, 40) or "length not stated"


def fit_words(fit: Fit) -> str:
    """One comparison with a chip in words."""
    text = f"{amount(fit.size)}: {fit.verdict}"
    if fit.shrink:
        rooms = ", ".join(f"{room.region} {amount(room.room)}" for room in fit.shrink[:8])
        text += f" Unused at region ends: {rooms}."
    if fit.lost:
        text += f" Regions that would not fit: {', '.join(fit.lost[:12])}."
    return text


def need_words(audit: Audit) -> str:
    """What the contents need, in a sentence."""
    size = len(audit.contents)
    if audit.used_end == 0:
        return "Blank from end to end."
    tail = size - audit.used_end
    end = f"The last used sector ends at {address(audit.used_end, size)}"
    cut = f"; the {amount(tail)} after it are blank" if tail else ""
    return f"{end}{cut}. It fits chips of {amount(audit.smallest)} or more."


def audit_facts(audit: Audit) -> tuple[tuple[str, str], ...]:
    """(label, value): the audit in a few lines."""
    regions = ", ".join(clean(each.region.name, 24) for each in audit.regions[:16])
    files = ", ".join(clean(each.file, 40) for each in audit.hints.loads[:8])
    kinds = Counter(each.called for each in audit.own)
    own = ", ".join(f"{clean(kind, 40)} ({count:,})" for kind, count in kinds.most_common(12))
    return (
        ("Layout", f"{counted(len(audit.regions), 'region')}, from {audit.layout.source}"),
        ("Regions", regions or "none"),
        ("Boot files", files or "none found"),
        ("Board's own", own or "nothing found"),
        ("Size", need_words(audit)),
    )


def audit_text(
    audit: Audit, *, details: bool = False, saved: Sequence[tuple[str, Path]] = ()
) -> str:
    """Lines for the terminal, with a newline at the end: the verdict, what is damaged, and the dump
    in a few lines; with `details` everything that was found. `saved` are files that were written
    besides, each with its label."""
    size = len(audit.contents)
    lines = wrapped(audit_headline(audit).line, "", "  ")
    lines += [f"  ! {clean(str(each))}" for each in audit.symptoms]
    lines += _damaged(audit, size)
    lines += facts(
        (
            ("Dump", f"{clean(audit.name)}, {amount(size)}"),
            ("Contents", audit.coverage.headline),
            *audit_facts(audit),
            *(("Fits", clean(fit_words(each), 800)) for each in audit.fits),
            *((label, clean(str(path))) for label, path in saved),
        )
    )
    if details:
        lines += ["", f"Layout, from {clean(audit.layout.source)}"]
        lines += [f"  ! {clean(each)}" for each in audit.remarks]
        lines += _layout(audit, size)
        lines += ["", "What the boot loader looks for", *_hints(audit.hints, size)]
        if audit.hints.writes:
            lines += ["", "Where its scripts write", *_writes(audit)]
        lines += ["", "This board's own data", *_own(audit, size)]
        if audit.islands:
            lines += ["", "Not recognised", *_islands(audit, size)]
        lines += ["", "Findings, damaged ones first", *_findings(audit, size)]
    steps = list(audit_steps(audit.name))
    if not details:
        command = f"spiflash audit {shlex.quote(audit.name)} --details"
        steps = [("See everything that was found", command), *steps[:1]]
    lines += next_steps((what, clean(command, 500)) for what, command in steps)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _damaged(audit: Audit, size: int) -> list[str]:
    """The damaged findings, each with its region."""
    found = _by_damage(audit)
    bad = [each for each in found if each.verdict is Verdict.DAMAGED]
    rows = []
    for each in bad[:_DAMAGED_SHOWN]:
        region = audit.layout.at(each.start)
        name = clean(region.name, 24) if region is not None else "no region"
        rows.append((name, address(each.start, size), "DAMAGED", clean(each.title, 80)))
    more = len(bad) - _DAMAGED_SHOWN
    return [*(table(rows) if rows else ()), *([f"  and {more:,} more"] if more > 0 else [])]


def _by_damage(audit: Audit) -> list[Finding]:
    """All findings, damaged ones first."""
    return sorted(audit.findings, key=lambda each: each.verdict is not Verdict.DAMAGED)


def _layout(audit: Audit, size: int) -> list[str]:
    rows = []
    for each in audit.regions:
        region = each.region
        bad = (
            (f"DAMAGED: {counted(each.damaged, 'byte')} fail their checksum",)
            if each.damaged
            else ()
        )
        holds = "; ".join(clean(title, 60) for title in (*bad, *each.contents, *each.remarks))
        used = f"{amount(each.used)} used" if each.used else "unused"
        rows.append(
            (
                clean(region.name, 24),
                span(region.start, region.end, size),
                amount(region.length),
                used,
                f"{amount(each.free)} free" if each.free else "full",
                region_words(region),
                holds,
            )
        )
    lines = table(rows)
    lines += [
        f"  no region: {span(low, high, size)}, {amount(high - low)}"
        for low, high in audit.layout.gaps[:_SHOWN]
    ]
    return lines


def _hints(hints: Hints, size: int) -> list[str]:
    lines = [f"  {address(each.at, size)}  {clean(each.text, 120)}" for each in hints.versions]
    for load in hints.loads:
        how = f": {clean(load.command, 160)}" if load.command else ""
        lines.append(f"  {clean(load.file, 80)}, {clean(load.medium, 40)}{how}")
    lines += [f"  console {clean(console_words(each), 120)}" for each in hints.consoles]
    for found in hints.environments:
        lines.append(f"  Environment at {address(found.at, size)}, {found.origin}")
        first = hints.environments[0]
        if found is not first and found.command and found.command == first.command:
            lines.append("    boot: the same")
        else:
            lines += [f"    boot: {clean(each, 160)}" for each in found.command]
        if found.arguments:
            lines.append(f"    arguments: {clean(found.arguments, 600)}")
        lines += [
            f"    {clean(name, 40)} = {clean(value, 40)}" for name, value in found.addresses[:20]
        ]
    return lines or ["  nothing found"]


def _writes(audit: Audit) -> list[str]:
    return table(
        [
            (clean(each.script, 32), *write_words(audit, each), clean(each.to.command, 120))
            for each in audit.hints.writes[:_SHOWN]
        ]
    )


def _own(audit: Audit, size: int) -> list[str]:
    return table(
        [
            (
                address(each.start, size),
                counted(each.length, "byte"),
                each.called,
                clean(each.region, 24) or "no region",
                clean(each.name, 32),
                clean(each.text, 60),
                clean(each.confidence, 100),
            )
            for each in audit.own[:_SHOWN]
        ]
    )


def _findings(audit: Audit, size: int) -> list[str]:
    rows = [
        (
            address(each.start, size),
            amount(each.length),
            VERDICT_WORDS[each.verdict],
            clean(each.title, 80),
        )
        for each in _by_damage(audit)[:_SHOWN]
    ]
    more = len(audit.findings) - _SHOWN
    return [*table(rows), *([f"  and {more:,} more"] if more > 0 else [])]


def audit_headline(audit: Audit) -> Headline:
    """What to think of a dump, by its own checksums."""
    covered = audit.coverage
    if not covered.used:
        return Headline("mixed", "Blank", "every sector is erased, so there is nothing to check.")
    if covered.damaged:
        verb = "fails its" if covered.damaged == 1 else "fail their"
        return Headline(
            "bad", "Damaged", f"{counted(covered.damaged, 'byte')} {verb} checksum. {_where(audit)}"
        )
    share = percent(covered.verified, covered.used)
    if audit.symptoms:
        return Headline("mixed", "Doubtful", "there are signs that the dump was read badly.")
    if covered.verified * 2 >= covered.used:
        return Headline("good", "No damage found", f"checksums prove {share} of what is not blank.")
    return Headline(
        "mixed", "Mostly not checked", f"checksums prove only {share} of what is not blank."
    )


def _where(audit: Audit) -> str:
    """Which regions are damaged, and where the first damage begins."""
    first = min(start for start, _ in damaged_spans(audit.findings))
    place = f"The first damage is at {address(first, audit.coverage.total)}"
    names = [clean(each.region.name, 24) for each in audit.regions if each.damaged]
    if not names:
        return f"{place}, in no region."
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return f"{place}. Damaged regions: {', '.join(names[:6])}{more}."


def audit_json(audit: Audit) -> dict[str, object]:
    """The same for scripts: addresses and sizes in bytes, pairs of names and values as lists."""
    hints = audit.hints
    return {
        "name": audit.name,
        "size": len(audit.contents),
        "coverage": plain(audit.coverage),
        "symptoms": [str(each) for each in audit.symptoms],
        "layout": {
            **document(audit.layout),
            "remarks": plain(audit.remarks),
            "regions": plain(audit.regions),
            "others": [each.layout.source for each in audit.others],
        },
        "boot": {
            "versions": plain(hints.versions),
            "files": plain(hints.loads),
            "writes": [
                document(each)
                | {"onto": each.to.onto.name.lower(), "address": each.to.place(audit.layout)}
                for each in hints.writes
            ],
            "consoles": plain(hints.consoles),
            "environments": plain(hints.environments),
        },
        "own": plain(audit.own),
        "not_recognised": [
            document(each)
            | {
                "region": island_region(audit, each),
                "keep": bool(island_advice(audit, each)),
            }
            for each in audit.islands
        ],
        "used_end": audit.used_end,
        "smallest_chip": audit.smallest,
        "fits": plain(audit.fits),
        "findings": plain(audit.findings),
    }
