"""The page of a backup set: one HTML file that opens from the disk and asks for nothing.

A content security policy names the digests of the page's own style and script, so that
nothing that came out of a dump could run even if it got past the escaping.
"""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.archive.record import Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding
from spiflash.report.cautions import after_backup
from spiflash.report.drawing import pieces, template
from spiflash.report.examined import examined_pieces
from spiflash.report.headline import headline
from spiflash.report.record_facts import (
    COMMANDS,
    PASS_COLUMNS,
    agreement_facts,
    backup_facts,
    chip_facts,
    limits_of,
    pass_rows,
    witness_words,
)
from spiflash.report.sectors import sectors
from spiflash.text import clean


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
                ("Second witness", witness_words(coverage)),
            )
        ],
        agreement=[(label, clean(value, 2000)) for label, value in agreement_facts(record)],
        cautions=[clean(each) for each in after_backup(record.chip.supply)],
        commands=COMMANDS,
        examined=audit is not None,
        **(examined_pieces(audit) if audit is not None else {}),
        **pieces(contents, findings, coverage, parts, record.agreement),
    )
