"""What a channel counts, for tests and benchmarks."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace


@dataclass(slots=True)
class Counters:
    """Running totals of one channel.

    `bytes_out` and `bytes_in` are bulk payload (without status bytes), `clocked` bytes on the
    SPI wires. `busy`, `stalled` (reply FIFO full) and `idle` (no command to carry out) are
    virtual seconds of the engine and add up to the time since it was switched on.
    """

    bytes_out: int = 0
    bytes_in: int = 0
    bulk_writes: int = 0
    bulk_reads: int = 0
    controls: int = 0
    clocked: int = 0
    busy: float = 0.0
    stalled: float = 0.0
    idle: float = 0.0

    @property
    def usb_calls(self) -> int:
        """USB requests of every kind."""
        return self.bulk_writes + self.bulk_reads + self.controls

    @property
    def utilisation(self) -> float:
        """Share of the time in which the engine worked, 0 to 1."""
        total = self.busy + self.stalled + self.idle
        return self.busy / total if total else 0.0

    def snapshot(self) -> Counters:
        """A copy that no longer changes."""
        return replace(self)

    def since(self, earlier: Counters) -> Counters:
        """What was added after the snapshot `earlier`."""
        return Counters(
            **{f.name: getattr(self, f.name) - getattr(earlier, f.name) for f in fields(self)}
        )
