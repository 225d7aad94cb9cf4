"""Pages: one HTML file each, that opens from the disk and asks for nothing.

A content security policy names the digests of the page's own style and script, so that nothing
that came out of a dump could run even if it got past the escaping.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Sequence
from dataclasses import replace

import jinja2

from spiflash.archive.adapters import AdapterRecord
from spiflash.archive.record import AgreementRecord, Record
from spiflash.dump.audit import Audit
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Finding
from spiflash.report.audit import audit_headline, audit_steps
from spiflash.report.bench import after_backup, prove_headline, settings_from_it
from spiflash.report.drawing import pieces, sectors
from spiflash.report.examined import examined_pieces
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
from spiflash.text import amount, clean, counted


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
