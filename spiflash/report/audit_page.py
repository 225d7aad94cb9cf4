"""The page of an audit: one HTML file that opens from the disk and asks for nothing.

Map, entropy strip, key and findings are the same pieces as on the page of a backup.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit
from spiflash.dump.hints import Environment
from spiflash.report import page as pieces
from spiflash.report.audit import console_words, fit_words, need_words, next_steps, region_words
from spiflash.report.sectors import sectors
from spiflash.report.wording import Headline, address, amount, clean, plural

SECTOR = 4096

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
    return (
        pieces._environment()
        .get_template("audit.html.j2")
        .render(
            title=clean(audit.name, 80),
            headline=audit_headline(audit),
            facts=[
                ("File", clean(audit.name)),
                ("Size", amount(size)),
                ("Layout", clean(audit.layout.source)),
                ("Reading", _reading(agreement)),
            ],
            symptoms=[clean(str(each)) for each in audit.symptoms],
            coverage=clean(audit.coverage.headline),
            bar=pieces._bar(audit.coverage),
            key=[
                (kind.value, text, sum(part.holds is kind for part in parts))
                for kind, text in pieces._KEY
            ],
            layout=_layout(audit),
            remarks=[clean(each) for each in audit.remarks],
            others=[clean(each.layout.source) for each in audit.others[:12]],
            groups=[
                f"{clean(each.name, 40)} {address(each.start, size)}–{address(each.end - 1, size)}"
                for each in audit.layout.groups[:24]
            ],
            map=pieces._map(parts, size),
            marks=(
                {w: sum(p.agreement == w for p in parts) for w in ("settled", "unstable")}
                if agreement
                else None
            ),
            sector=amount(known.sector_size),
            strip=pieces._strip(audit.contents),
            versions=[
                (address(each.at, size), clean(each.text, 160))
                for each in audit.hints.versions[:24]
            ],
            loads=[
                (clean(each.file, 80), clean(each.medium, 40), clean(each.command, 200),
                 address(each.at, size))
                for each in audit.hints.loads[:40]
            ],
            consoles=[clean(console_words(each), 160) for each in audit.hints.consoles[:24]],
            environments=[
                _variables(each, audit.hints.environments[0], size)
                for each in audit.hints.environments[:_ENVIRONMENTS_LIMIT]
            ],
            own=_own(audit, size),
            own_total=len(audit.own),
            need=clean(need_words(audit)),
            fits=[(each.fits, clean(fit_words(each), 900)) for each in audit.fits[:12]],
            rows=[pieces._row(each, size) for each in audit.findings[: pieces._FINDINGS_LIMIT]],
            total=len(audit.findings),
            commands=[(clean(w), clean(c, 500)) for w, c in next_steps(audit.name)],
        )
    )  # fmt: skip


def audit_headline(audit: Audit) -> Headline:
    """What to think of a dump, by its own checksums."""
    covered = audit.coverage
    if not covered.used:
        return Headline("mixed", "Blank", "Every sector is erased: there is nothing to check.")
    if covered.damaged:
        first = next((e for e in audit.findings if e.verdict.value == "damaged"), None)
        where = f" The first is at {address(first.start, covered.total)}." if first else ""
        return Headline(
            "bad",
            "Damaged",
            f"{plural(covered.damaged, 'byte')} fail a checksum of their own.{where}",
        )
    share = covered.vouched * 100 / covered.used
    if audit.symptoms:
        return Headline("mixed", "Doubtful", "There are signs that the reading went wrong.")
    if covered.vouched * 2 >= covered.used:
        return Headline("good", "No damage found", f"Checksums vouch for {share:.1f} % of it.")
    return Headline("mixed", "Hardly proven", f"Checksums vouch for only {share:.1f} % of it.")


def _reading(agreement: AgreementRecord | None) -> str:
    if agreement is None:
        return "not recorded: this is a plain file"
    return (
        f"backup set; {plural(len(agreement.settled), 'sector')} settled, "
        f"{len(agreement.unstable):,} unstable"
    )


def _own(audit: Audit, size: int) -> list[tuple[str, ...]]:
    return [
        (
            address(each.start, size),
            amount(each.length),
            each.kind,
            clean(each.name, 40),
            clean(each.text, 120),
            clean(each.region, 40) or "no region",
            clean(each.confidence, 160),
        )
        for each in audit.own[:_OWN_LIMIT]
    ]


def _variables(found: Environment, first: Environment, size: int) -> dict[str, object]:
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
                span=f"{address(entry.start, size)}–{address(entry.end - 1, size)}",
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
        holds = "; ".join(clean(text, 80) for text in (*each.remarks, *each.contents))
        found.append(
            _Entry(
                region.start,
                region.end,
                name=clean(region.name, 18),
                share=each.used / region.length,
                room=f"{amount(each.free)} free" if each.free else "full",
                role=region_words(region),
                holds=clean(holds, 38),
                tip=f"{clean(region.name, 64)}: {amount(each.used)} used, {amount(each.free)} "
                f"free, {amount(each.room)} of it at the end. {holds}",
                keep=region.keep,
            )
        )
    for low, high in audit.layout.gaps:
        if low < size:
            found.append(_Entry(low, min(high, size), "no region", tip="no region", gap=True))
    return sorted(found, key=lambda entry: entry.start)
