"""The contact check as text and as JSON: a table of clock against sample edge."""

from __future__ import annotations

from spiflash.jobs.contact import Contact, Fault
from spiflash.report.cautions import about_voltage
from spiflash.report.wiring import wires
from spiflash.text import clock

_EDGES = ("rising edge", "half a clock later")
_BAR = 16


def contact_text(found: Contact) -> str:
    """The screen of `contact`."""
    lines = [f"{'Adapter':<10} {found.adapter}"]
    if found.chip is not None:
        lines.append(f"{'Chip':<10} {found.chip.name}, {found.chip.vendor}")
    if found.lines:
        lines += ["", *_table(found), ""]
    for fault in found.faults:
        lines += [f"{'Fault':<10} {fault.sign}", f"{'Cause':<10} {fault.cause}"]
        lines.append(f"{'Look at':<10} {_pins(fault)}")
    if found.refusal:
        lines.append(f"{'Refused':<10} {found.refusal}")
    if found.latch:
        lines.append(f"{'Latch':<10} write enable is set and cleared as it should be")
    if found.locked:
        lines.append(
            f"{'WP#':<10} the status register is locked, at least while WP# (pin 3) is low"
        )
    if found.good:
        lines.append(f"{'Contact':<10} good; --clock auto takes {clock(found.clock)}")
    return "\n".join(lines)


def _pins(fault: Fault) -> str:
    names = {wire.chip_pin: wire.chip_name for wire in wires("A")}
    return ", ".join(f"pin {pin} {names[pin]}" for pin in fault.pins)


def _table(found: Contact) -> list[str]:
    """One line a clock: how many of the readings came right with each edge."""
    lines = [f"{'Clock':<10} " + " ".join(f"{name:<{_BAR + 7}}" for name in _EDGES).rstrip()]
    for each in found.lines:
        cells = []
        for right in (each.edge, each.late):
            full = right * _BAR // each.tried
            cells.append(f"{'#' * full}{'.' * (_BAR - full)} {f'{right}/{each.tried}':<6}")
        mark = " to use" if each.hertz == found.clock else ""
        lines.append((f"{clock(each.hertz):<10} " + " ".join(cells) + mark).rstrip())
    return lines


def contact_json(found: Contact) -> dict[str, object]:
    """The same for scripts: clocks in hertz; 0 for "clock" when none works."""
    return {
        "cautions": [] if found.chip is None else list(about_voltage(found.chip)),
        "adapter": found.adapter,
        "good": found.good,
        "chip": None if found.chip is None else f"{found.chip.name}, {found.chip.vendor}",
        "clock": found.clock,
        "edge_limit": found.edge_limit,
        "lines": [
            {"clock": each.hertz, "edge": each.edge, "late": each.late, "tried": each.tried}
            for each in found.lines
        ],
        "faults": [
            {"name": f.name, "sign": f.sign, "cause": f.cause, "pins": list(f.pins)}
            for f in found.faults
        ],
        "refusal": found.refusal,
        "write_latch": found.latch,
        "register_locked": found.locked,
    }
