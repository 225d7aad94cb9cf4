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
from spiflash.report.headline import audit_headline
from spiflash.report.sectors import sectors
from spiflash.text import amount, clean, counted


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


def _reading(agreement: AgreementRecord | None) -> str:
    if agreement is None:
        return "not recorded: this is a plain file"
    return (
        f"backup set; {counted(len(agreement.settled), 'sector')} settled, "
        f"{len(agreement.unstable):,} unstable"
    )
