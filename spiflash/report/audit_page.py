"""The page of an audit: one HTML file that opens from the disk and asks for nothing.

Its parts are the same as on the page of a backup.
"""

from __future__ import annotations

from dataclasses import replace

from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit
from spiflash.report.audit import next_steps
from spiflash.report.drawing import SECTOR, pieces, template
from spiflash.report.examined import examined_pieces
from spiflash.report.sectors import sectors
from spiflash.report.wording import Headline, address, amount, clean, plural


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
        doubts=[],
        facts=[
            ("File", clean(audit.name)),
            ("Size", amount(size)),
            ("Layout", clean(audit.layout.source)),
            ("Reading", _reading(agreement)),
        ],
        symptoms=[clean(str(each)) for each in audit.symptoms],
        commands=[(clean(w), clean(c, 500)) for w, c in next_steps(audit.name)],
        **examined_pieces(audit),
        **pieces(audit.contents, audit.findings, audit.coverage, parts, agreement),
    )


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
