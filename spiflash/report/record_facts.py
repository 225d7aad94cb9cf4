"""The facts of a record, with their labels: the same on the page and in the text."""

from __future__ import annotations

import math

from spiflash.archive.record import EvidenceRecord, Record
from spiflash.dump.coverage import Coverage
from spiflash.report import Headline
from spiflash.text import address, amount, clock, counted, hex_pairs, moment

COMMANDS = (
    ("See everything that was found in it", "spiflash audit . --details"),
    ("Check that this folder is unchanged", "sha256sum -c manifest-sha256.txt"),
    ("Compare the chip with this backup", "spiflash verify ."),
    ("Write this backup back to the chip", "spiflash restore ."),
)
"""(what for, command) of next steps, to be given in the folder of the set. What touches the chip
names the set, not the file in it: only a set is checked, and tied to its chip."""

BAD_CONTACT_PASSES = 8
BAD_CONTACT_SECTORS = 1500
"""From so many passes, or sectors read again, the contact is bad, whatever the result."""

NOT_EXCLUDED = ("weak-cells", "patterns")
"""What no number of passes rules out, by stable names for scripts."""


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
        ("Made", moment(record.made)),
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
        f"{each.name} {'stable' if each.settled else 'NOT stable'} after {each.readings} readings, "
        f"{counted(each.differing, 'bit')} of {each.bits} differed"
        for each in record.one_time
    ]
    return (("One-time data", "; ".join(words)),) if words else ()


def evidence_facts(found: EvidenceRecord) -> tuple[tuple[str, str], ...]:
    """(label, value): how sure a reading is, in numbers, and what was tested besides."""
    return (
        (
            "Error rate",
            f"{found.rate:.1e} per bit and pass, 95 % bounds {found.rate_low:.1e} to "
            f"{found.rate_high:.1e}: {counted(found.differing, 'bit')} of {found.bits:,} differ",
        ),
        *limits_of(found),
        ("Error spread", f"for errors over at least {amount(max(1, round(found.stretch / 8)))}"),
        *(
            (f"Line test: {probe.name}", f"{_outcome(probe.outcome)}; {probe.remark}")
            for probe in found.probes
        ),
    )


def line_tests(found: EvidenceRecord) -> str:
    """How many tests of the line passed, and which did not."""
    passed = [each for each in found.probes if each.outcome == "held"]
    if not found.probes:
        return "no line tests were made"
    other = ", ".join(
        f"{each.name} {_outcome(each.outcome)}" for each in found.probes if each not in passed
    )
    total = counted(len(found.probes), "line test")
    return f"{len(passed)} of {total} passed" + (f"; {other}" if other else "")


def _outcome(outcome: str) -> str:
    """An outcome in a record, in words."""
    return {"held": "passed"}.get(outcome, outcome)


def limits_of(found: EvidenceRecord) -> tuple[tuple[str, str], ...]:
    """(label, value): what the passes exclude and what they do not."""
    if found.weak:
        bits = counted(len(found.weak), "weak bit")
        more = f", and about {found.unseen:.0f} more are expected" if found.unseen >= 0.5 else ""
        weak = f" Here {bits} were found{more}."
    else:
        weak = ""
    chance = 2**found.passes
    return (
        (
            "Proof",
            f"{chance_words(found)}",
        ),
        (
            "Not excluded",
            "weak cells and patterns: a bit that reads wrong half of the time is read wrong by all "
            f"{found.passes} passes once in {chance}.{weak}",
        ),
    )


def witness_words(coverage: Coverage) -> str:
    """What proves the contents besides the passes: their own checksums."""
    if not coverage.used:
        return "none: the contents are blank"
    share = coverage.verified * 1000 // coverage.used / 10
    rest = coverage.used - coverage.verified - coverage.damaged
    bad = f", and {counted(coverage.damaged, 'byte')} fail one" if coverage.damaged else ""
    return (
        f"the contents' own checksums prove {share:.1f} % of what is not blank{bad}; the other "
        f"{counted(rest, 'byte')} rest on the passes alone"
    )


def bad_contact(record: Record) -> str:
    """What to say of a contact that made so much reading necessary; empty when it did not."""
    again = record.agreement.read_again
    passes = len(record.passes)
    if passes < BAD_CONTACT_PASSES and again <= BAD_CONTACT_SECTORS:
        return ""
    return (
        f"The contact is bad: it took {passes} passes, and {counted(again, 'sector')} had to be "
        "read again. Seat the clip again before you write anything."
    )


def headline(record: Record, coverage: Coverage) -> Headline:
    """What to think of a backup: first of the reading, then of the contents."""
    passes = counted(len(record.passes), "pass", "passes")
    size = amount(record.size)
    settled = len(record.agreement.settled)
    if not record.verified:
        unstable = len(record.agreement.unstable)
        what = (
            f"the passes disagree on {counted(unstable, 'sector')}."
            if unstable
            else f"{size} were read in {passes}, with doubts."
        )
        if record.evidence.weak:
            what = "some bits read differently each time, so their cells are weak."
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
            f"{how} But {counted(coverage.damaged, 'byte')} fail their checksum: the chip really "
            "holds them like that.",
        )
    if record.agreement.changed:
        return Headline("mixed", "Verified, contents changed during the reading", how)
    return Headline("mixed" if bad_contact(record) else "good", "Verified", how)


def _besides(record: Record) -> str:
    """What else has to be said beside the verdict, with a space in front."""
    said = ""
    if record.agreement.changed:
        count = counted(len(record.agreement.changed), "sector")
        said = (
            f" {count} held other contents in an earlier pass: the board's processor wrote there, "
            "or that pass was disturbed. Both readings are kept in data/readings."
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
    """How many wrong bits of that kind may be left, and the limit."""
    above = "" if found.expected < found.limit else "; TOO MANY"
    return (
        f"expected undetected bit errors: {_small(found.expected)} (limit {_small(found.limit)})"
        f"{above}"
    )


def _small(value: float) -> str:
    """A number far below one, without an exponent."""
    return f"{value:.{max(0, -math.floor(math.log10(value)))}f}" if value > 0 else "0"
