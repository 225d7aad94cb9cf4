"""What `spiflash prove` found out about an adapter: as text, as JSON, and as a page."""

from __future__ import annotations

from spiflash.archive.adapters import AdapterRecord, Outcome
from spiflash.report.drawing import template
from spiflash.report.headline import Headline
from spiflash.text import clean, clock, counted


def verdict(record: AdapterRecord) -> Headline:
    """What to think of the adapter."""
    tried = [each for each in record.checks if each.outcome is not Outcome.UNTRIED]
    failed = record.failed
    left = len(record.checks) - len(tried)
    rest = f" {counted(left, 'check')} could not be made." if left else ""
    if failed:
        return Headline(
            "bad",
            "Differs",
            f"{len(failed)} of {len(tried)} assumptions about this adapter do not hold.{rest}",
        )
    if left:
        return Headline(
            "mixed",
            "Partly proven",
            f"All of the {len(tried)} assumptions that were tried hold.{rest}",
        )
    return Headline("good", "Proven", f"All {len(tried)} assumptions hold.")


def settings_from_it(record: AdapterRecord) -> list[str]:
    """What is done differently with this adapter from now on, in sentences."""
    found = []
    if record.ceiling and any(each.name == "edges" for each in record.failed):
        found.append(f"The SPI clock stays at {clock(record.ceiling)} or below.")
    if record.longest_read:
        found.append(f"One read command asks for {record.longest_read:,} bytes at most.")
    return found


def prove_text(record: AdapterRecord, kept: str) -> str:
    """The screen: the verdict, one line a check, what follows, what to do next."""
    head = verdict(record)
    lines = [head.title.upper(), f"  {head.sentence}", ""]
    for each in record.checks:
        lines += [f"{each.outcome.value:<14} {each.assumption}", f"{'':14}   {each.measured}"]
    lines.append("")
    lines += settings_from_it(record)
    lines.append(
        f"Kept in {kept}."
        if kept
        else "Not kept: an adapter without a serial number, or a simulated one."
    )
    return "\n".join(lines)


def prove_page(record: AdapterRecord) -> str:
    """The page, as HTML."""
    facts = [
        ("Model", clean(record.model)),
        ("Serial", clean(record.serial) or "none"),
        ("Tried on", f"{record.made:%Y-%m-%d %H:%M}"),
        ("With", clean(", ".join(f"{name} {v}" for name, v in record.program.items()))),
        ("From now on", " ".join(settings_from_it(record)) or "the usual settings"),
    ]
    return template("prove.html.j2").render(
        title=clean(f"{record.model} {record.serial}".strip(), 80),
        headline=verdict(record),
        doubts=[],
        facts=facts,
        rows=[
            (each.outcome.value, clean(each.assumption), clean(each.measured, 500))
            for each in record.checks
        ],
    )


def proven_sentence(record: AdapterRecord | None) -> str:
    """What other commands say about the adapter they use."""
    if record is None:
        return "This adapter is not proven: 'spiflash prove' tries it on your bench."
    failed = counted(len(record.failed), "assumption")
    day = f"{record.made:%Y-%m-%d}"
    if record.failed:
        return f"This adapter was tried on {day}: {failed} did not hold, which is allowed for."
    return f"This adapter was proven on {day}."
