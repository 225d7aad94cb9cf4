"""The bench: cautions, wiring, the contact check and what is known of the adapter."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from spiflash.nor.chip import LOW_VOLTAGE, Chip, volts
from spiflash.report import Headline, facts, next_steps, wrapped
from spiflash.report.plain import document
from spiflash.text import amount, clean, clock, counted

if TYPE_CHECKING:
    from spiflash.archive.adapters import AdapterRecord
    from spiflash.jobs.contact import Contact, Fault

# The last one: an FTDI channel without a set-up of its own wakes as a UART, with TXD, RTS# and
# DTR# as outputs (FT232H and FT2232H data sheets, from memory); the program leaves inputs behind.
CAUTIONS: tuple[str, ...] = (
    "Unplug the board and its mains adaptor and take out its battery.",
    "Never open or touch mains-powered parts. Follow your local electrical rules; leave work on "
    "mains to qualified people.",
    "Find out the chip's voltage first. A 3.3 V adapter destroys a 1.8 V chip; use a level "
    "shifter.",
    "Feed the chip from one source only: the adapter or the board, never both.",
    "Hold the board's processor in reset while the clip is on, or it drives the same wires.",
    "Touch ground before you touch the board: static kills flash chips without a sign.",
    "Plug the adapter into USB and run 'spiflash contact' once. When first plugged in it "
    "drives D0, D2 and D4; after 'contact' all pins are inputs.",
)


def about_voltage(chip: Chip) -> tuple[str, ...]:
    """What must be said of this chip's supply before anything else; nothing for a 3 V part."""
    if chip.lowest_top is None:
        return (
            "The voltage of this chip is not known, and a 3.3 V adapter destroys a 1.8 V chip. "
            "Look it up before you continue.",
        )
    if chip.lowest_top >= LOW_VOLTAGE:
        return ()
    if chip.supply is not None and chip.supply[1] < LOW_VOLTAGE:
        return (
            f"STOP: {chip.name} takes at most {chip.supply[1]:g} V. A 3.3 V adapter destroys it. "
            "Take the clip off unless a level shifter is in between.",
        )
    low = " or ".join(
        name for names, span in chip.supplies if span[1] < LOW_VOLTAGE for name in names
    )
    if chip.supply is not None:
        return (
            f"You named this chip {chip.name} ({volts(chip.supply)}), but {low} has the same ID "
            f"and takes at most {chip.lowest_top:g} V; 3.3 V would destroy it. Continue only if "
            "the marking on the chip says so.",
        )
    return (
        f"STOP: this may be {low}, which takes at most {chip.lowest_top:g} V. The supply is "
        f"{chip.supply_text}. A 3.3 V adapter destroys a 1.8 V chip. Read the marking, and take "
        "the clip off unless it names a 3 V part or a level shifter is in between.",
    )


AT_THE_CLIP = (
    "Safety: board unplugged, battery out, one source of supply, processor in reset? See "
    "'spiflash wiring'."
)
"""What matters beside the voltage now that a chip is on the clip."""


def after_backup(supply: str | None) -> tuple[str, ...]:
    """What can go wrong once a set is made; `supply` is the chip's supply range in words."""
    volts = f" ({supply})" if supply else ""
    return (
        "This folder can hold Wi-Fi passphrases, keys and serial numbers of the board. Do not pass "
        "it on unchanged.",
        "Before you clip on again: unplug the board and its mains adaptor, take out batteries, "
        "and discharge yourself. Never feed the chip from two sources.",
        f"The adapter's voltage must be in the supply range of the chip{volts}. 3.3 V destroys a "
        "1.8 V part.",
        "Do not open anything with mains voltage inside. Follow your local electrical rules.",
    )


@dataclass(frozen=True, slots=True)
class Wire:
    """One connection. `chip_pin` is the pin of the SOIC-8, WSON-8 or DIP-8 package; 0 is
    elsewhere on the board."""

    adapter_pin: str
    chip_pin: int
    chip_name: str
    remark: str


_PORTS = {"A": "ADBUS", "B": "BDBUS"}


def wires(channel: str) -> tuple[Wire, ...]:
    """The connections for MPSSE channel "A" or "B".

    Pin numbers: the 8-pin packages of all vendors agree (any W25Q, MX25L or GD25Q data sheet);
    adapter pins: FT232H and FT2232H data sheets, MPSSE column of the pin tables (from memory).
    """
    port = _PORTS[channel]
    return (
        Wire(f"D3  {port}3", 1, "CS#", "chip select"),
        Wire(f"D2  {port}2", 2, "DO", "chip to adapter (MISO)"),
        Wire(f"D4  {port}4", 3, "WP#", "or tie to pin 8; driven with --hold-high D4"),
        Wire("GND", 4, "GND", "always connect it first"),
        Wire(f"D1  {port}1", 5, "DI", "adapter to chip (MOSI)"),
        Wire(f"D0  {port}0", 6, "CLK", "clock (SCK)"),
        Wire(f"D5  {port}5", 7, "HOLD#", "or tie to pin 8; driven with --hold-high D5"),
        Wire("3V3", 8, "VCC", "from the adapter or from the board, never both"),
        Wire(f"D6  {port}6", 0, "reset", "the board's reset line; driven with --hold-low D6"),
    )


_PACKAGE = """\
            dot at pin 1
              ┌──•──────┐
     CS#   1 ─┤         ├─ 8   VCC
     DO    2 ─┤  flash  ├─ 7   HOLD#
     WP#   3 ─┤         ├─ 6   CLK
     GND   4 ─┤         ├─ 5   DI
              └─────────┘
              from above"""


def wiring_text(model: str, channel: str) -> str:
    """The pin table, the package seen from above, and the cautions."""
    lines = [f"{model} channel {channel} to an 8-pin SPI flash chip", "", _PACKAGE, ""]
    for wire in wires(channel):
        place = f"pin {wire.chip_pin}" if wire.chip_pin else "board"
        lines.append(f"  {wire.adapter_pin:<11} to {place} {wire.chip_name:<6} {wire.remark}")
    lines += ["", "Keep the leads under 20 cm. Before you clip on:"]
    for caution in CAUTIONS:
        lines += wrapped(caution, "  * ", "    ")
    return "\n".join([*lines, *next_steps([("Check the clip", "spiflash contact")])])


_EDGES = ("rising edge", "late sample")
_BAR = 16


def contact_headline(found: Contact) -> Headline:
    """What to think of the contact."""
    from spiflash.jobs.contact import ID_READINGS

    if found.good and found.repeated is not None:
        alike = found.repeated
        return Headline(
            "good",
            "Contact good",
            f"{ID_READINGS} readings of the chip's ID were the same, and so were {alike.readings} "
            f"readings of {amount(alike.length)} of its contents at {clock(alike.hertz)}. --clock "
            f"auto uses {clock(found.clock)}.",
        )
    said = found.faults[0].sign if found.faults else found.refusal
    return Headline("bad", "Contact bad", said)


def contact_text(found: Contact, *, details: bool = False, words: Sequence[str] = ()) -> str:
    """The screen of `contact`: the verdict, what is wrong and where to look; with `details`, or
    when something is wrong, the table of clocks. `words` are the options that a next command
    needs."""
    head = contact_headline(found)
    lines = wrapped(head.line, "", "  ")
    rows = []
    for number, fault in enumerate(found.faults):
        rows += [("Also seen", fault.sign)] if number else []
        rows += [("Cause", fault.cause), ("Look at", _pins(fault))]
    if found.refusal and found.faults:
        rows.append(("Refused", found.refusal))
    if found.chip is not None:
        rows.append(("Chip", f"{found.chip.name}, {found.chip.vendor}"))
    rows.append(("Adapter", found.adapter))
    if found.lines:
        late = max((each.hertz for each in found.lines if each.late == each.tried), default=0.0)
        rows.append(
            (
                "Clocks",
                f"correct up to {_fastest(found.edge_limit)} on the rising edge, up to "
                f"{_fastest(late)} with late sample",
            )
        )
    if found.latch:
        rows.append(("Write latch", "sets and clears correctly"))
    if found.locked:
        rows.append(("WP#", "the status register is locked, at least while WP# (pin 3) is low"))
    lines += facts(rows)
    if found.lines and (details or not found.good):
        lines += ["", *_table(found)]
    again = shlex.join(["spiflash", "contact", *words])
    if found.good:
        steps = [("Find out which chip it is", shlex.join(["spiflash", "identify", *words]))]
    else:
        steps = [("Correct the contact, then check it again", again)]
    return "\n".join([*lines, *next_steps(steps)])


def _fastest(hertz: float) -> str:
    return clock(hertz) if hertz else "no clock"


def _pins(fault: Fault) -> str:
    names = {wire.chip_pin: wire.chip_name for wire in wires("A")}
    return ", ".join(f"pin {pin} {names[pin]}" for pin in fault.pins)


def _table(found: Contact) -> list[str]:
    """One line a clock: how many of the readings came right with each edge."""
    lines = [f"  {'Clock':<10} " + " ".join(f"{name:<{_BAR + 7}}" for name in _EDGES).rstrip()]
    for each in found.lines:
        cells = []
        for right in (each.edge, each.late):
            full = right * _BAR // each.tried
            cells.append(f"{'#' * full}{'.' * (_BAR - full)} {f'{right}/{each.tried}':<6}")
        mark = " used" if each.hertz == found.clock else ""
        lines.append((f"  {clock(each.hertz):<10} " + " ".join(cells) + mark).rstrip())
    return lines


def contact_json(found: Contact) -> dict[str, object]:
    """The same for scripts: clocks in hertz; 0 for "clock" when none works."""
    chip = found.chip
    return {
        "cautions": [] if chip is None else list(about_voltage(chip)),
        "chip": None if chip is None else f"{chip.name}, {chip.vendor}",
        **document(found),
    }


def prove_headline(record: AdapterRecord) -> Headline:
    """What to think of the adapter."""
    from spiflash.archive.adapters import Outcome

    tried = [each for each in record.checks if each.outcome is not Outcome.UNTRIED]
    failed = record.failed
    left = len(record.checks) - len(tried)
    rest = f" {counted(left, 'check')} could not be made." if left else ""
    if failed:
        return Headline(
            "bad",
            "Differs",
            f"{len(failed)} of {len(tried)} assumptions about this adapter are wrong.{rest}",
        )
    if left:
        return Headline(
            "mixed",
            "Partly proven",
            f"all {len(tried)} assumptions that were tried are correct.{rest}",
        )
    return Headline("good", "Proven", f"all {len(tried)} assumptions are correct.")


def settings_from_it(record: AdapterRecord) -> list[str]:
    """What is done differently with this adapter from now on, in sentences."""
    found = []
    if record.ceiling and any(each.name == "edges" for each in record.failed):
        found.append(f"The SPI clock stays at {clock(record.ceiling)} or below.")
    if record.longest_read:
        found.append(f"One read command asks for {record.longest_read:,} bytes at most.")
    return found


def prove_text(
    record: AdapterRecord,
    kept: str,
    *,
    details: bool = False,
    page: Path | None = None,
    words: Sequence[str] = (),
) -> str:
    """The screen: the verdict, what does not hold, what follows from it; with `details` every
    check and what was measured. `words` are the options that a next command needs."""
    from spiflash.archive.adapters import Outcome

    lines = wrapped(prove_headline(record).line, "", "  ")
    for each in record.checks:
        if details or each.outcome is not Outcome.HOLDS:
            lines.append(f"  {each.outcome.value:<14} {each.assumption}")
            lines += [f"{'':16} {each.measured}"] if details or each in record.failed else []
    lines += [f"  {each}" for each in settings_from_it(record)]
    if kept:
        lines.append(f"  The result is kept in {kept} and used from now on.")
    else:
        lines.append("  The result is not kept: the adapter is simulated or has no serial number.")
    lines += [f"  Page: {clean(str(page))}"] if page is not None else []
    steps = [] if details else [("--details lists every check and what was measured.", "")]
    steps.append(("Check the clip", shlex.join(["spiflash", "contact", *words])))
    return "\n".join([*lines, *next_steps(steps)])


def proven_sentence(record: AdapterRecord | None) -> str:
    """What other commands say about the adapter they use."""
    if record is None:
        return "This adapter is not proven: 'spiflash prove' tests it on your bench."
    failed = counted(len(record.failed), "assumption")
    day = f"{record.made:%Y-%m-%d}"
    if record.failed:
        return f"This adapter was tried on {day}: {failed} wrong; its settings avoid that."
    return f"This adapter was proven on {day}."
