"""From an adapter URL to an identified chip that is ready for work, and back to a free bus."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from spiflash.bus.locate import open_bus
from spiflash.bus.mpsse import Pins
from spiflash.bus.transaction import Bus
from spiflash.nor.chip import Chip
from spiflash.nor.flash import NorFlash
from spiflash.nor.identify import identify
from spiflash.nor.probe import probe, read_security, read_unique_id
from spiflash.nor.protection import Protection
from spiflash.nor.tables import chip_table

DEFAULT_CEILING = 15e6
"""Hertz: the fastest clock used unless told otherwise. Clip leads of 10 to 20 cm are usually
good for it with late sampling (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a person said about the bench.

    `adapter` is a URL or None for the only one there is; `part` a name from the chip table
    that they insist on; `tables` further chip table files; `ceiling` the fastest SPI clock in
    hertz that may be used.
    """

    adapter: str | None = None
    part: str | None = None
    tables: tuple[Path, ...] = ()
    ceiling: float = DEFAULT_CEILING
    pins: Pins = field(default_factory=Pins)


@dataclass(frozen=True, slots=True)
class Connection:
    """An identified chip on an open bus.

    `registers` holds the raw value of each register the part documents, as found;
    `unique_id` is None for chips without one.
    """

    bus: Bus
    flash: NorFlash
    chip: Chip
    unique_id: bytes | None
    registers: Mapping[str, bytes]
    protection: Protection
    ceiling: float

    def security(self) -> tuple[bytes, ...]:
        """The contents of the security registers."""
        return read_security(self.bus, self.chip)


@contextmanager
def connect(settings: Settings) -> Iterator[Connection]:
    """Open the adapter, find out what is on the clip, and release both at the end.

    Raises what `open_bus`, `probe` and `identify` raise.
    """
    table = chip_table(settings.tables)
    bus = open_bus(settings.adapter, settings.pins)
    try:
        answers = probe(bus)
        chip = identify(answers, table, settings.part)
        with connected(bus, chip, settings.ceiling) as connection:
            yield connection
    finally:
        bus.close()


@contextmanager
def connected(bus: Bus, chip: Chip, ceiling: float = DEFAULT_CEILING) -> Iterator[Connection]:
    """The same on a bus that is open already, for a chip that is known already."""
    with NorFlash(bus, chip) as flash:
        yield Connection(
            bus=bus,
            flash=flash,
            chip=chip,
            unique_id=read_unique_id(bus, chip),
            registers=flash.registers(),
            protection=flash.protection(),
            ceiling=ceiling,
        )
