"""The pin table: which adapter pin goes to which pin of an 8-pin flash chip."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.report.cautions import CAUTIONS


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
    lines = [f"{model}, channel {channel}, to an 8-pin SPI flash chip", "", _PACKAGE, ""]
    for wire in wires(channel):
        place = f"pin {wire.chip_pin}" if wire.chip_pin else "board"
        lines.append(f"  {wire.adapter_pin:<11} to {place} {wire.chip_name:<6} {wire.remark}")
    lines += ["", "Keep the leads under 20 cm. Before you clip on:"]
    lines += [f"  * {caution}" for caution in CAUTIONS]
    return "\n".join(lines)
