"""The facts of a record, with their labels: the same on the page and in the text."""

from __future__ import annotations

from spiflash.archive.record import EvidenceRecord, Record
from spiflash.report.amounts import address, amount, clock, counted, hex_pairs

COMMANDS = (
    ("See all that was found in it", "spiflash audit data/flash.bin"),
    ("Check that this folder is as it was made", "sha256sum -c manifest-sha256.txt"),
    ("Compare the chip with this backup", "spiflash verify data/flash.bin"),
    ("Put this backup back on the chip", "spiflash restore data/flash.bin"),
)
"""(what for, command) to go on with, to be given in the folder of the set."""


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
    return (
        (
            "Error rate",
            f"{found.rate:.1e} a bit and pass, 95 % bounds {found.rate_low:.1e} to "
            f"{found.rate_high:.1e}: {counted(found.differing, 'bit')} of {found.bits:,} differ",
        ),
        (
            "Left to chance",
            f"{chance_words(found)}; holds for errors spread over at least "
            f"{amount(max(1, round(found.stretch / 8)))}",
        ),
        *((f"Tested: {probe.name}", f"{probe.outcome}; {probe.remark}") for probe in found.probes),
    )


def chance_words(found: EvidenceRecord) -> str:
    """How many wrong bits may be left, and whether that is few enough."""
    enough = "below" if found.expected < found.limit else "NOT below"
    return (
        f"{found.expected:.1e} wrong bits expected that nothing has shown, {enough} "
        f"{found.limit:.0e}"
    )
