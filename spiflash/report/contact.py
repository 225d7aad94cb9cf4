"""The contact check as text and as JSON: a table of clock against sample edge."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.report.amounts import clock
from spiflash.report.wiring import wires

_EDGES = ("rising edge", "half a clock later")
_BAR = 16


@dataclass(frozen=True, slots=True)
class ContactFault:
    """`name` is stable, for scripts; `sign` is what was seen, `cause` what it comes from, `pins`
    the pins of the 8-pin package to look at, the likeliest first."""

    name: str
    sign: str
    cause: str
    pins: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class EyeLine:
    """At this clock (hertz), of `tried` readings each, how many came right when sampled on the
    rising edge and half a clock later."""

    hertz: float
    edge: int
    late: int
    tried: int


@dataclass(frozen=True, slots=True)
class ContactReport:
    """What the contact check found.

    `chip` is None and `lines` are empty when nothing could be identified; `refusal` says why
    then. `clock` is the one to use and `edge_limit` the fastest for sampling on the rising edge,
    in hertz, 0 for none. `latch` tells whether the write enable latch could be set and cleared,
    `locked` whether the status register is write-protected.
    """

    adapter: str
    chip: str | None
    lines: tuple[EyeLine, ...]
    clock: float
    edge_limit: float
    faults: tuple[ContactFault, ...]
    refusal: str
    latch: bool | None
    locked: bool
    cautions: tuple[str, ...] = ()
    """About the chip's supply, where 3.3 V may harm it."""

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults and not self.refusal


def contact_text(found: ContactReport) -> str:
    """The screen of `contact`."""
    lines = [f"{'Adapter':<10} {found.adapter}"]
    if found.chip is not None:
        lines.append(f"{'Chip':<10} {found.chip}")
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


def _pins(fault: ContactFault) -> str:
    names = {wire.chip_pin: wire.chip_name for wire in wires("A")}
    return ", ".join(f"pin {pin} {names[pin]}" for pin in fault.pins)


def _table(found: ContactReport) -> list[str]:
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


def contact_json(found: ContactReport) -> dict[str, object]:
    """The same for scripts: clocks in hertz; 0 for "clock" when none works."""
    return {
        "cautions": list(found.cautions),
        "adapter": found.adapter,
        "good": found.good,
        "chip": found.chip,
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
