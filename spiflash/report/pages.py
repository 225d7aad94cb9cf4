"""Pages: one HTML file each, that opens from the disk and asks for nothing.

A content security policy names the digests of the page's own style and script, so that nothing
that came out of a dump could run even if it got past the escaping.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import jinja2

from spiflash.archive.adapters import AdapterRecord
from spiflash.archive.record import AgreementRecord, Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Certainty, Finding, Verdict
from spiflash.dump.hints import EnvironmentHints
from spiflash.report.audit import (
    audit_headline,
    audit_steps,
    console_words,
    fit_words,
    island_advice,
    island_region,
    need_words,
    region_words,
    write_words,
)
from spiflash.report.bench import after_backup, prove_headline, settings_from_it
from spiflash.report.drawing import pieces, sectors
from spiflash.report.record_facts import (
    COMMANDS,
    PASS_COLUMNS,
    agreement_facts,
    backup_facts,
    chance_words,
    chip_facts,
    headline,
    limits_of,
    pass_rows,
    witness_words,
)
from spiflash.spans import SECTOR
from spiflash.text import address, amount, clean, counted, span


def template(name: str) -> jinja2.Template:
    """A template of this folder; everything that it shows is escaped."""
    return _templates().get_template(name)


@functools.cache
def _templates() -> jinja2.Environment:
    # Made once: parsing them takes longer than filling one in.
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("spiflash", "report/html"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["csp_digest"] = _csp_digest
    environment.filters["thousands"] = lambda number: f"{number:,}"
    return environment


def _csp_digest(text: str) -> str:
    """The source expression of an inline style or script (Content Security Policy Level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(str(text).encode()).digest()).decode()


def set_page(record: Record, audit: Audit) -> str:
    """The page of a set, with the audit of its contents; see `backup_page`."""
    return backup_page(record, audit.contents, audit.findings, audit.coverage, audit)


def backup_page(
    record: Record,
    contents: bytes,
    findings: Sequence[Finding],
    coverage: Coverage,
    audit: Audit | None = None,
) -> str:
    """The page about one backup, as HTML.

    `contents` are the bytes that `record`, `findings` and `coverage` are about. With the `audit`
    of the contents the page also shows the layout, what the boot loader looks for, what is this
    board's own, and the fit; secrets are as masked as `audit` has them. The page holds no byte
    of the contents but what the findings and the audit quote.
    """
    parts = sectors(contents, findings, record.agreement)
    return template("backup.html.j2").render(
        title=clean(f"{record.board or record.chip.name}, {record.made:%Y-%m-%d}", 80),
        headline=headline(record, coverage),
        about=[
            clean(each)
            for each in (
                record.board or "no label",
                f"{record.chip.vendor} {record.chip.name}",
                f"{record.made:%Y-%m-%d %H:%M}",
                chance_words(record.evidence),
            )
        ],
        doubts=[clean(each) for each in record.doubts],
        symptoms=[clean(each) for each in record.symptoms],
        backup_facts=[(label, clean(value)) for label, value in backup_facts(record)],
        chip_facts=[(label, clean(value)) for label, value in chip_facts(record)],
        pass_columns=PASS_COLUMNS,
        pass_rows=pass_rows(record),
        certainty=[
            (label, clean(value, 600))
            for label, value in (
                *limits_of(record.evidence),
                ("Checksums", witness_words(coverage)),
            )
        ],
        agreement=[(label, clean(value, 2000)) for label, value in agreement_facts(record)],
        cautions=[clean(each) for each in after_backup(record.chip.supply)],
        commands=COMMANDS,
        examined=audit is not None,
        **(examined_pieces(audit) if audit is not None else {}),
        **pieces(contents, findings, coverage, parts, record.agreement),
    )


def audit_page(audit: Audit, agreement: AgreementRecord | None = None) -> str:
    """The page about one audit, as HTML.

    `agreement` is that of the passes in which it was read; None when nothing is known of the
    reading. Secrets are as masked as `audit` has them.
    """
    size = len(audit.contents)
    known = agreement or AgreementRecord(SECTOR, -(-size // SECTOR), (), ())
    parts = sectors(audit.contents, audit.findings, known)
    if agreement is None:
        parts = tuple(replace(part, agreement="reading not recorded") for part in parts)
    return template("audit.html.j2").render(
        title=clean(audit.name, 80),
        headline=audit_headline(audit),
        about=[clean(audit.name, 80), amount(size), _reading(agreement)],
        doubts=[],
        facts=[
            ("File", clean(audit.name)),
            ("Size", amount(size)),
            ("Layout", clean(audit.layout.source)),
            ("Reading", _reading(agreement)),
        ],
        symptoms=[clean(str(each)) for each in audit.symptoms],
        commands=[(clean(w), clean(c, 500)) for w, c in audit_steps(audit.name)],
        **examined_pieces(audit),
        **pieces(audit.contents, audit.findings, audit.coverage, parts, agreement),
    )


def _reading(agreement: AgreementRecord | None) -> str:
    if agreement is None:
        return "how it was read is not known"
    return (
        f"from a backup set; {counted(len(agreement.settled), 'sector')} settled, "
        f"{len(agreement.unstable):,} unstable"
    )


def prove_page(record: AdapterRecord) -> str:
    """The page, as HTML."""
    facts = [
        ("Model", clean(record.model)),
        ("Serial", clean(record.serial) or "none"),
        ("Tested on", f"{record.made:%Y-%m-%d %H:%M}"),
        ("With", clean(", ".join(f"{name} {v}" for name, v in record.program.items()))),
        ("From now on", " ".join(settings_from_it(record)) or "the usual settings"),
    ]
    return template("prove.html.j2").render(
        title=clean(f"{record.model} {record.serial}".strip(), 80),
        headline=prove_headline(record),
        about=[],
        doubts=[],
        facts=facts,
        rows=[
            (each.outcome.value, clean(each.assumption), clean(each.measured, 500))
            for each in record.checks
        ],
    )


# -- what an audit found, as the parts of a page need it ----------------------------------

# The layout: a bar to scale on the left, a row of text for each region, fans between them.
_ROW = 30
_BAR_WIDTH = 92
_TEXT_LEFT = 196
_ROWS_LIMIT = 64
_OWN_LIMIT = 300
_VARIABLES_LIMIT = 100
_ENVIRONMENTS_LIMIT = 16


@dataclass(frozen=True, slots=True)
class _Entry:
    """A region or gap and what its row says; `share` is the used part, 0 to 1."""

    start: int
    end: int
    name: str
    share: float = 0.0
    room: str = ""
    role: str = ""
    holds: str = ""
    tip: str = ""
    gap: bool = False
    keep: bool = False
    damaged: bool = False


@dataclass(frozen=True, slots=True)
class _Strip:
    """An entry drawn: its place in the bar to scale, the fan to its row, the row's height."""

    entry: _Entry
    top: float
    height: float
    used: float
    fan: str
    y: int
    span: str
    length: str


def examined_pieces(audit: Audit) -> dict[str, object]:
    """What the templates about an audit need, all of it safe to show."""
    size = len(audit.contents)
    return {
        "layout_source": clean(audit.layout.source),
        "layout": _layout(audit),
        "remarks": [clean(each) for each in audit.remarks],
        "others": [clean(each.layout.source) for each in audit.others[:12]],
        "groups": [
            f"{clean(each.name, 40)} {span(each.start, each.end, size)}"
            for each in audit.layout.groups[:24]
        ],
        "versions": [
            (address(each.at, size), clean(each.text, 160)) for each in audit.hints.versions[:24]
        ],
        "loads": [
            (
                clean(each.file, 80),
                clean(each.medium, 40),
                clean(each.command, 200),
                address(each.at, size),
            )
            for each in audit.hints.loads[:40]
        ],
        "writes": [
            (clean(each.script, 64), *write_words(audit, each), clean(each.to.command, 200))
            for each in audit.hints.writes[:40]
        ],
        "consoles": [clean(console_words(each), 160) for each in audit.hints.consoles[:24]],
        "environments": [
            _variables(each, audit.hints.environments[0], size)
            for each in audit.hints.environments[:_ENVIRONMENTS_LIMIT]
        ],
        "own": _own(audit, size),
        "own_shown": min(len(audit.own), _OWN_LIMIT),
        "own_total": len(audit.own),
        **_damaged(audit, size),
        "islands": [
            (
                span(each.start, each.end, size),
                amount(each.length),
                f"{each.entropy:.1f}",
                clean(island_region(audit, each), 40),
                island_advice(audit, each),
            )
            for each in audit.islands[:_OWN_LIMIT]
        ],
        "islands_total": len(audit.islands),
        "need": clean(need_words(audit)),
        "fits": [(each.fits, clean(fit_words(each), 900)) for each in audit.fits[:12]],
    }


def _damaged(audit: Audit, size: int) -> dict[str, object]:
    """What fails its checksum, by region."""
    found: dict[str, list[tuple[str, str, str]]] = {}
    bad = sorted(
        (each for each in audit.findings if each.verdict is Verdict.DAMAGED),
        key=lambda each: each.start,
    )
    for each in bad[:_OWN_LIMIT]:
        region = audit.layout.at(each.start)
        name = clean(region.name, 40) if region is not None else "no region"
        checks = "; ".join(clean(check, 160) for check in each.checks[:4])
        found.setdefault(name, []).append(
            (address(each.start, size), clean(each.title, 120), checks)
        )
    return {"damaged": list(found.items()), "damaged_more": max(len(bad) - _OWN_LIMIT, 0)}


def _own(audit: Audit, size: int) -> list[tuple[str, list[tuple[str, ...]]]]:
    """The board's own items, those that are certain apart from those that are guessed."""
    groups: dict[str, list[tuple[str, ...]]] = {"Certain": [], "Likely, or a guess": []}
    for each in audit.own[:_OWN_LIMIT]:
        certain = each.certainty is Certainty.SURE
        groups["Certain" if certain else "Likely, or a guess"].append(
            (
                address(each.start, size),
                amount(each.length),
                each.called,
                clean(each.name, 40),
                clean(each.text, 120),
                clean(each.region, 40) or "no region",
                clean(each.confidence, 160),
            )
        )
    return [(heading, rows) for heading, rows in groups.items() if rows]


def _variables(found: EnvironmentHints, first: EnvironmentHints, size: int) -> dict[str, object]:
    return {
        "same": found is not first and bool(found.command) and found.command == first.command,
        "at": address(found.at, size),
        "origin": found.origin,
        "command": [clean(each, 200) for each in found.command],
        "arguments": clean(found.arguments, 800),
        "variables": [
            (clean(name, 64), clean(value, 400))
            for name, value in found.variables[:_VARIABLES_LIMIT]
        ],
        "more": max(len(found.variables) - _VARIABLES_LIMIT, 0),
    }


def _layout(audit: Audit) -> dict[str, object]:
    size = len(audit.contents)
    entries = _entries(audit, size)
    shown = entries[:_ROWS_LIMIT]
    height = max(len(shown) * _ROW, 300)
    step = height / max(len(shown), 1)
    strips = []
    for index, entry in enumerate(shown):
        top, low = height * entry.start / size, height * min(entry.end, size) / size
        y = index * step
        strips.append(
            _Strip(
                entry,
                top=round(top, 2),
                height=round(max(low - top, 0.6), 2),
                used=round((low - top) * entry.share, 2),
                fan=f"M{_BAR_WIDTH} {top:.1f}L{_TEXT_LEFT - 14} {y + 3:.1f}V{y + step - 3:.1f}"
                f"L{_BAR_WIDTH} {low:.1f}Z",
                y=round(y + step / 2 + 5),
                span=span(entry.start, entry.end, size),
                length=amount(entry.end - entry.start),
            )
        )
    return {
        "strips": strips,
        "height": height,
        "bar": _BAR_WIDTH,
        "left": _TEXT_LEFT,
        "more": len(entries) - len(shown),
    }


def _entries(audit: Audit, size: int) -> list[_Entry]:
    """Regions and gaps in order."""
    found: list[_Entry] = []
    for each in audit.regions:
        region = each.region
        if region.start >= size:
            continue
        bad = (f"DAMAGED, {counted(each.damaged, 'byte')}",) if each.damaged else ()
        holds = "; ".join(clean(text, 80) for text in (*bad, *each.remarks, *each.contents))
        found.append(
            _Entry(
                region.start,
                region.end,
                name=clean(region.name, 14),
                share=each.used / region.length,
                room=f"{amount(each.free)} free" if each.free else "full",
                role=region_words(region),
                holds=clean(holds, 32),
                tip=f"{clean(region.name, 64)}: {amount(each.used)} used, {amount(each.free)} "
                f"free, {amount(each.room)} of it at the end. {holds}",
                keep=region.keep,
                damaged=bool(each.damaged),
            )
        )
    for low, high in audit.layout.gaps:
        if low < size:
            found.append(_Entry(low, min(high, size), "no region", tip="no region", gap=True))
    return sorted(found, key=lambda entry: entry.start)
