"""The facts of a record, with their labels: the same on the page and in the text."""

from __future__ import annotations

from spiflash.archive.record import EvidenceRecord, Record
from spiflash.dump.coverage import Coverage
from spiflash.report.lines import Headline
from spiflash.text import address, amount, clock, counted, hex_pairs

COMMANDS = (
    ("See all that was found in it", "spiflash audit data/flash.bin"),
    ("Check that this folder is as it was made", "sha256sum -c manifest-sha256.txt"),
    ("Compare the chip with this backup", "spiflash verify ."),
    ("Put this backup back on the chip", "spiflash restore ."),
)
"""(what for, command) to go on with, to be given in the folder of the set. What touches the chip
names the set, not the file in it: only a set is checked, and known by its chip."""

BAD_CONTACT_PASSES = 8
BAD_CONTACT_SECTORS = 1500
"""Passes, or sectors read again, from which the contact is bad, whatever came of it."""

NOT_EXCLUDED = ("weak-cells", "patterns")
"""What no number of passes excludes, by stable names for scripts."""


def chip_facts(record: Record) -> tuple[tuple[str, str], ...]:
    """(label, value) about the chip, in the order in which to show them; not yet cleaned."""
    chip = record.chip
    facts = [
        ("Part", f"{chip.vendor} {chip.name}"),
        ("Size", f"{amount(chip.size)}, pages of {counted(chip.page, 'byte')}"),
        ("JEDEC ID", hex_pairs(bytes.fromhex(chip.jedec_id))),
        ("Unique ID", hex_pairs(bytes.fromhex(chip.unique_id)) if chip.unique_id else "none"),
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
        facts.append(("SFDP", f"{counted(len(chip.sfdp) // 2, 'byte')}, kept in the record"))
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

    stable -= len(agreement.changed)

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
        ("Changed", listed(agreement.changed)),
        *one_time_facts(record),
        *evidence_facts(record.evidence),
    )


def one_time_facts(record: Record) -> tuple[tuple[str, str], ...]:
    """(label, value): how the unique ID and the security registers were read."""
    words = [
        f"{each.name} {'settled' if each.settled else 'NOT settled'} in {each.readings} readings, "
        f"{counted(each.differing, 'bit')} of {each.bits} differed"
        for each in record.one_time
    ]
    return (("One-time data", "; ".join(words)),) if words else ()


def evidence_facts(found: EvidenceRecord) -> tuple[tuple[str, str], ...]:
    """(label, value): how sure a reading is, in numbers, and what was tested besides."""
    return (
        (
            "Error rate",
            f"{found.rate:.1e} a bit and pass, 95 % bounds {found.rate_low:.1e} to "
            f"{found.rate_high:.1e}: {counted(found.differing, 'bit')} of {found.bits:,} differ",
        ),
        *limits_of(found),
        ("Spread", f"holds for errors over at least {amount(max(1, round(found.stretch / 8)))}"),
        *((f"Tested: {probe.name}", f"{probe.outcome}; {probe.remark}") for probe in found.probes),
    )


def limits_of(found: EvidenceRecord) -> tuple[tuple[str, str], ...]:
    """(label, value): what the passes exclude and what they do not."""
    if found.weak:
        bits = counted(len(found.weak), "bit")
        more = f", about {found.unseen:.0f} more unseen" if found.unseen >= 0.5 else ""
        weak = f"; here {bits} did{more}"
    else:
        weak = ""
    chance = 2**found.passes
    return (
        (
            "Excluded" if found.expected < found.limit else "Too likely",
            f"random, evenly spread errors above {found.rate_high:.1e} a bit; "
            f"{chance_words(found)}",
        ),
        (
            "Not excluded",
            "cells or patterns that go wrong by themselves: a bit that reads wrong half of the "
            f"time is read wrong by all {found.passes} passes once in {chance}{weak}",
        ),
    )


def witness_words(coverage: Coverage) -> str:
    """What speaks for the contents besides the passes: their own checksums."""
    if not coverage.used:
        return "none: the contents are blank"
    share = coverage.verified * 1000 // coverage.used / 10
    rest = coverage.used - coverage.verified - coverage.damaged
    bad = f", and {counted(coverage.damaged, 'byte')} fail one" if coverage.damaged else ""
    return (
        f"the contents' own checksums prove {share:.1f} % of what is not blank{bad}; for the "
        f"other {counted(rest, 'byte')} there are only the passes"
    )


def bad_contact(record: Record) -> str:
    """What to say of a contact that made so much reading necessary; empty when it did not."""
    again = record.agreement.read_again
    passes = len(record.passes)
    if passes < BAD_CONTACT_PASSES and again <= BAD_CONTACT_SECTORS:
        return ""
    return (
        f"The contact is bad: it took {passes} passes, and {counted(again, 'sector')} had to be "
        "read again. Seat the clip anew before anything is written."
    )


def headline(record: Record, coverage: Coverage) -> Headline:
    """What to think of a backup: first of the reading, then of the contents."""
    passes = counted(len(record.passes), "pass", "passes")
    size = amount(record.size)
    settled = len(record.agreement.settled)
    if not record.verified:
        unstable = len(record.agreement.unstable)
        what = (
            f"The passes do not agree on {counted(unstable, 'sector')}."
            if unstable
            else f"{size} were read in {passes}, but there is doubt."
        )
        if record.evidence.weak:
            what = "Some bits read differently by themselves: these cells are weak."
        return Headline(
            "bad", "Not verified", f"{what} Do not rely on this backup.{_besides(record)}"
        )
    how = f"{passes} with different settings read the same {size}"
    how += f", {counted(settled, 'sector')} of it after reading again." if settled else "."
    how += _besides(record)
    if coverage.damaged:
        return Headline(
            "mixed",
            "Verified, contents damaged",
            f"{how} But {counted(coverage.damaged, 'byte')} fail a checksum of their own: "
            "that is how the chip holds them.",
        )
    if record.agreement.changed:
        return Headline("mixed", "Verified, contents changed meanwhile", how)
    return Headline("mixed" if bad_contact(record) else "good", "Verified", how)


def _besides(record: Record) -> str:
    """What else has to be said beside the verdict, with a blank in front."""
    said = ""
    if record.agreement.changed:
        count = counted(len(record.agreement.changed), "sector")
        said = (
            f" {count} held other contents in an earlier pass: the board's processor or the chip "
            "wrote there meanwhile, or that pass was disturbed. Both are kept in data/readings."
        )
    contact = bad_contact(record)
    return f"{said} {contact}" if contact else said


def certainty_json(record: Record, coverage: Coverage) -> dict[str, object]:
    """The same for scripts. "excluded_above" is a rate per bit, at "confidence"; it holds for the
    model that "holds_for" names. Of "witness" all are bytes."""
    found = record.evidence
    return {
        "holds_for": "random, evenly spread, independent errors",
        "excluded_above": found.rate_high,
        "confidence": 0.95,
        "expected_wrong_bits": found.expected,
        "limit": found.limit,
        "not_excluded": list(NOT_EXCLUDED),
        "weak_bits": len(found.weak),
        "weak_bits_unseen": found.unseen,
        "witness": {
            "vouched": coverage.verified,
            "known_bad": coverage.damaged,
            "unproven": coverage.unrecognised + coverage.consistent,
            "blank": coverage.blank,
        },
        "bad_contact": bool(bad_contact(record)),
    }


def chance_words(found: EvidenceRecord) -> str:
    """How many wrong bits of that kind may be left, and whether that is few enough."""
    enough = "below" if found.expected < found.limit else "NOT below"
    return f"{found.expected:.1e} wrong bits of them expected, {enough} {found.limit:.0e}"
