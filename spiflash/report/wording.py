"""The words and figures that page and text have in common, made safe to show.

Strings that come from a dump are hostile: they may hold escape sequences, direction marks or
a megabyte of anything. Everything shown goes through `clean` first.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from spiflash.archive.record import EvidenceRecord, Record
from spiflash.dump.coverage import Coverage
from spiflash.dump.finding import Verdict
from spiflash.report.amounts import clock

VERDICT_WORDS = {
    Verdict.VOUCHED: "vouched",
    Verdict.DAMAGED: "damaged",
    Verdict.CONSISTENT: "consistent",
    Verdict.BLANK: "blank",
    Verdict.NOTED: "noted",
}

COMMANDS = (
    ("See all that was found in it", "spiflash audit data/flash.bin"),
    ("Check that this folder is as it was made", "sha256sum -c manifest-sha256.txt"),
    ("Compare the chip with this backup", "spiflash verify data/flash.bin"),
    ("Put this backup back on the chip", "spiflash restore data/flash.bin"),
)
"""(what for, command) to go on with, to be given in the folder of the set."""


def clean(text: str, limit: int = 300) -> str:
    """`text` on one line, cut to `limit` characters; what cannot be seen becomes “·”."""
    shown = "".join(_shown(character) for character in text[:limit])
    return shown + "…" if len(text) > limit else shown


def _shown(character: str) -> str:
    category = unicodedata.category(character)
    if category == "Zs" or character in "\t\n":
        return " "
    # M*: marks that pile up on their neighbours. Not printable: controls, direction marks,
    # line separators, surrogates, private and unassigned characters.
    return "·" if category[0] == "M" or not character.isprintable() else character


def address(value: int, size: int) -> str:
    """An address in hexadecimal, as wide as the last one of a chip of `size` bytes."""
    return f"{value:0{max(6, len(f'{size - 1:X}'))}X}h"


def amount(count: int) -> str:
    """A number of bytes, in the largest unit that divides it."""
    for unit, name in ((1 << 20, "MiB"), (1 << 10, "KiB")):
        if count and count % unit == 0:
            return f"{count // unit:,} {name}"
    return plural(count, "byte")


def plural(count: int, noun: str, ending: str = "s") -> str:
    """“1 sector”, “2 sectors”."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}{ending}"


@dataclass(frozen=True, slots=True)
class Headline:
    """`tone` is "good", "mixed" or "bad"; `title` and `sentence` say it in words."""

    tone: str
    title: str
    sentence: str


def headline(record: Record, coverage: Coverage) -> Headline:
    """What to think of a backup: first of the reading, then of the contents."""
    passes = plural(len(record.passes), "pass", "es")
    size = amount(record.size)
    settled = len(record.agreement.settled)
    if not record.verified:
        unstable = len(record.agreement.unstable)
        what = (
            f"The passes do not agree on {plural(unstable, 'sector')}."
            if unstable
            else f"{size} were read in {passes}, but there is doubt."
        )
        return Headline("bad", "Not verified", f"{what} Do not rely on this backup.")
    how = f"{passes} with different settings read the same {size}"
    how += f", {plural(settled, 'sector')} of it after reading again." if settled else "."
    if coverage.damaged:
        return Headline(
            "mixed",
            "Read correctly, contents damaged",
            f"{how} But {plural(coverage.damaged, 'byte')} fail a checksum of their own: "
            "that is how the chip holds them.",
        )
    return Headline("good", "Verified", how)


def chip_facts(record: Record) -> tuple[tuple[str, str], ...]:
    """(label, value) about the chip, in the order in which to show them; not yet cleaned."""
    chip = record.chip
    facts = [
        ("Part", f"{chip.vendor} {chip.name}"),
        ("Size", f"{amount(chip.size)}, pages of {plural(chip.page, 'byte')}"),
        ("JEDEC ID", spaced(chip.jedec_id)),
        ("Unique ID", spaced(chip.unique_id) if chip.unique_id else "none"),
        ("Identified by", chip.identified_by),
    ]
    if len(chip.candidates) > 1:
        facts.append(("Same answers from", ", ".join(chip.candidates)))
    if chip.supply:
        facts.append(("Supply", chip.supply))
    if chip.registers:
        facts.append(
            ("Registers", ", ".join(f"{k} {v.upper()}h" for k, v in chip.registers.items()))
        )
    if chip.sfdp:
        facts.append(("SFDP", f"{plural(len(chip.sfdp) // 2, 'byte')}, kept in the record"))
    return tuple(facts)


def backup_facts(record: Record) -> tuple[tuple[str, str], ...]:
    """(label, value) about how the backup was made; not yet cleaned."""
    return (
        ("Board", record.board or "not named"),
        ("Made", record.made.isoformat(sep=" ", timespec="seconds")),
        ("Adapter", record.adapter),
        ("Program", ", ".join(f"{k} {v}" for k, v in sorted(record.program.items()))),
        ("SHA-256", record.sha256),
    )


def pass_rows(record: Record) -> tuple[tuple[str, ...], ...]:
    """One row a pass, in the order of `PASS_COLUMNS`."""
    return tuple(
        (
            str(each.number),
            f"{each.opcode:02X}h",
            clock(each.clock_hz),
            each.sampling,
            amount(each.chunk),
            each.direction,
            f"{each.seconds:.1f} s",
            each.sha256[:16] + ("" if each.sha256 == record.sha256 else " differs"),
        )
        for each in record.passes
    )


PASS_COLUMNS = ("Pass", "Opcode", "Clock", "Sampling", "Chunk", "Direction", "Time", "SHA-256")


def agreement_facts(record: Record, limit: int = 64) -> tuple[tuple[str, str], ...]:
    """(label, value): how many sectors are stable, settled, unstable, and which ones."""
    agreement = record.agreement
    stable = agreement.sectors - len(agreement.settled) - len(agreement.unstable)

    def listed(addresses: tuple[int, ...]) -> str:
        if not addresses:
            return "none"
        shown = " ".join(address(each, record.size) for each in addresses[:limit])
        more = len(addresses) - limit
        return f"{len(addresses):,}: {shown}" + (f" and {more:,} more" if more > 0 else "")

    return (
        ("Stable", f"{stable:,} of {agreement.sectors:,} sectors"),
        ("Settled", listed(agreement.settled)),
        ("Unstable", listed(agreement.unstable)),
        *evidence_facts(record.evidence),
    )


def evidence_facts(found: EvidenceRecord) -> tuple[tuple[str, str], ...]:
    """(label, value): how sure a reading is, in numbers, and what was tested besides."""
    enough = "below" if found.expected < found.limit else "NOT below"
    return (
        (
            "Error rate",
            f"{found.rate:.1e} a bit and pass, 95 % bounds {found.rate_low:.1e} to "
            f"{found.rate_high:.1e}: {plural(found.differing, 'bit')} of {found.bits:,} differ",
        ),
        (
            "Left to chance",
            f"{found.expected:.1e} wrong bits expected that nothing has shown, {enough} "
            f"{found.limit:.0e}; holds for errors spread over at least "
            f"{amount(max(1, round(found.stretch / 8)))}",
        ),
        *((f"Tested: {probe.name}", f"{probe.outcome}; {probe.remark}") for probe in found.probes),
    )


def cautions(record: Record) -> tuple[str, ...]:
    """What can go wrong from here on."""
    supply = f" ({record.chip.supply})" if record.chip.supply else ""
    return (
        "This folder can hold Wi-Fi passphrases, keys and serial numbers of the board. "
        "Do not pass it on as it is.",
        "Before clipping on again: unplug the board and its mains adaptor, take out batteries, "
        "and discharge yourself. Never feed the chip from two sources.",
        f"The adapter's voltage must lie in the supply range of the chip{supply}; "
        "3.3 V destroys a 1.8 V part.",
        "Leave anything with mains voltage inside closed; local electrical rules apply.",
    )


def spaced(digits: str) -> str:
    """Hexadecimal digits in pairs, upper case."""
    return " ".join(digits[i : i + 2] for i in range(0, len(digits), 2)).upper()
