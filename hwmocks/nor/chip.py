"""The simulated NOR chip as its pins see it: chip select, clocked bytes, side wires, power."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

from hwmocks.nor import reading, writing
from hwmocks.nor.busy import BusyTimes
from hwmocks.nor.catalog import describe
from hwmocks.nor.core import Core
from hwmocks.nor.description import ChipDescription, Op
from hwmocks.nor.protection import Ranges
from hwmocks.wire import Beat


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What survives a power cycle, as values that can be compared."""

    contents: bytes
    registers: Mapping[str, int]
    security: tuple[bytes, ...]


class NorChip:
    """A simulated SPI NOR flash chip; implements `hwmocks.wire.SpiDevice`.

    `description` is one from the catalogue or its name (KeyError when unknown). `contents`
    has exactly the chip's size (ValueError otherwise), erased when left out. `seed` fixes
    every random draw: speed, jitter, unique ID, broken-off operations, worn cells. `endurance`
    is the number of erases after which each further erase of a 4 KiB sector leaves one more
    bit stuck at 0; ValueError where one of the two is negative. The chip has been powered for a
    long time when it is made.
    """

    def __init__(
        self,
        description: ChipDescription | str,
        contents: bytes | None = None,
        *,
        seed: int = 0,
        unique_id: bytes | None = None,
        endurance: int | None = None,
    ) -> None:
        if isinstance(description, str):
            description = describe(description)
        self.core = Core(description, contents, seed, unique_id, endurance)
        self.seed = seed
        self.opcode_counts: Counter[int] = Counter()
        self.power_cycles = 0
        self._powered = True
        self._selected = False
        self._hold_low = False
        self._reset_low = False
        self._source: reading.Source | None = None
        self._op: Op | None = None
        self._input = bytearray()
        self._header = 0
        self._refused = False

    # --- the wires ------------------------------------------------------------------------

    def select(self, now: float) -> None:
        """Chip select falls: the next byte is an opcode."""
        self._selected = True
        self._source = None
        self._op = None
        self._input = bytearray()
        self._refused = False

    def deselect(self, now: float) -> None:
        """Chip select rises: a complete command that changes something is carried out."""
        if not self._selected:
            return
        self._selected = False
        core, op = self.core, self._op
        self._source = None
        if op is None or not self._powered or self._reset_low:
            return
        core.settle(now)
        if op is Op.READ_LEGACY_ID and core.deep_down:
            core.deep_down = False
            core.ready_at = now + core.description.wake_delay
        if op in reading.READS:
            core.reset_armed = False
        else:
            writing.execute(core, op, bytes(self._input), now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        """Clock bytes in and out; all ones wherever the chip drives nothing."""
        count = len(mosi)
        if not self._listens():
            return b"\xff" * count
        if self._source is not None:
            return self._source(count, beat)
        if self._refused or not count:
            return b"\xff" * count
        if self._op is None:
            self._decode(mosi[0], beat.start)
            if self._op is None:
                return b"\xff" * count
        if self._op not in reading.READS:
            self._input += mosi
            return b"\xff" * count
        missing = min(count, self._header - len(self._input))
        self._input += mosi[:missing]
        if len(self._input) < self._header:
            return b"\xff" * count
        self._source = reading.source(self.core, self._op, bytes(self._input))
        rest = count - missing
        later = Beat(beat.start + 8 * missing / beat.hertz, beat.hertz, beat.late)
        return b"\xff" * missing + (self._source(rest, later) if rest else b"")

    def level(self, pin: str, high: bool | None, now: float) -> None:
        """A side wire changes; undriven pins are pulled up. ValueError for an unknown pin."""
        low = high is False
        description = self.core.description
        match pin:
            case "WP#":
                self.core.wp_low = low
            case "HOLD#":
                self._hold_low = low and description.has_hold
            case "RESET#":
                was, self._reset_low = self._reset_low, low and description.has_reset
                if self._reset_low and not was:
                    self.core.reset(now)
                elif was and not self._reset_low:
                    self.core.ready_at = now + description.reset_delay
            case _:
                raise ValueError(f"a NOR chip has no pin {pin!r}")

    def power(self, on: bool, now: float) -> None:
        """The supply is switched on or off; what is volatile is lost, any operation is
        interrupted."""
        if on == self._powered:
            return
        self._powered = on
        core = self.core
        if on:
            self.power_cycles += 1
            core.forget()
            core.writes_from = now + core.description.power_up_delay
        else:
            core.break_off(now)
            core.forget()
            self._op = None
            self._source = None

    def begin_power_cycle(self, number: int) -> None:
        """Simulate the given power cycle of this chip: its speed stays, everything random from
        now on belongs to that cycle. The chip has been powered for a long time."""
        self.power_cycles = number
        self.core.rng.seed(f"{self.seed}/{number}")
        self.core.forget()

    def _listens(self) -> bool:
        if not (self._powered and self._selected) or self._reset_low:
            return False
        return not self._hold_low or self.core.registers.bit(self.core.description.qe)

    def _decode(self, opcode: int, now: float) -> None:
        """Take the first byte of a command, or refuse everything until deselected."""
        core = self.core
        core.settle(now)
        op = core.description.opcodes.get(opcode)
        self._refused = (
            op is None
            or now < core.ready_at
            or (core.deep_down and op is not Op.READ_LEGACY_ID)
            or (core.busy() and op not in writing.WHILE_BUSY)
            or (core.aai is not None and op not in writing.WHILE_AAI)
        )
        if self._refused or op is None:
            return
        self.opcode_counts[opcode] += 1
        self._op = op
        if op in reading.READS:
            self._header = reading.header_length(core, op)

    # --- what tests and benches look at ---------------------------------------------------

    @property
    def description(self) -> ChipDescription:
        """What the chip is."""
        return self.core.description

    @property
    def contents(self) -> bytearray:
        """The memory array itself; assign slices of equal length only."""
        return self.core.cells.contents

    @property
    def security(self) -> list[bytearray]:
        """The security registers themselves."""
        return self.core.security

    @property
    def unique_id(self) -> bytes:
        """The factory-programmed unique ID; empty when the chip has none."""
        return self.core.unique_id

    @property
    def registers(self) -> Mapping[str, int]:
        """Live register values by name, with the bits that the chip computes as of its last
        clock edge."""
        return {name: self.core.register_value(name) for name in self.core.registers.live}

    @property
    def protected_ranges(self) -> Ranges:
        """Half-open ranges that the block protection bits cover now."""
        return self.core.protected_ranges()

    @property
    def busy_drawn(self) -> Mapping[str, float]:
        """Seconds of busy time drawn so far, by kind: "program", "erase-4096", "erase-chip",
        "register", "security-program", "security-erase"."""
        return self.core.busy_times.drawn

    @property
    def speed_factor(self) -> float:
        """This chip's busy times over the data sheet's typical ones (0.7–1.3)."""
        return self.core.busy_times.factor

    @property
    def busy_times(self) -> BusyTimes:
        """What draws the busy times of this chip; another one may be put in its place."""
        return self.core.busy_times

    @busy_times.setter
    def busy_times(self, times: BusyTimes) -> None:
        self.core.busy_times = times

    @property
    def endurance(self) -> int | None:
        """Erases after which a sector wears; None: never."""
        return self.core.endurance

    @property
    def wear(self) -> array[int]:
        """Erases per 4 KiB sector."""
        return self.core.cells.wear

    @property
    def erased(self) -> list[tuple[int, int]]:
        """(address, length) of every erase so far, in order."""
        return self.core.erased

    @property
    def pages_programmed(self) -> int:
        """How many page programs have been carried out."""
        return self.core.pages_programmed

    @property
    def four_byte_mode(self) -> bool:
        """Whether commands without an address length of their own take 4 bytes now."""
        return self.core.address_length() == 4

    @property
    def powered(self) -> bool:
        """Whether the chip is powered."""
        return self._powered

    def busy_until(self) -> float:
        """When the operation under way ends; minus infinity when there is none."""
        operation = self.core.operation
        return operation.end if operation is not None else float("-inf")

    @property
    def under_way(self) -> str | None:
        """The kind of the operation under way, as in `busy_drawn`; None when there is none."""
        operation = self.core.operation
        return None if operation is None else operation.kind

    # --- what tests and benches do to it --------------------------------------------------

    def relabel(self, identity: bytes) -> None:
        """Answer 9Fh with `identity` from now on."""
        self.core.description = replace(self.core.description, id=identity)

    def set_register(self, name: str, value: int, *, lasting: bool = False) -> None:
        """Make a register hold `value` whatever the chip would let a command write; `lasting`:
        after a power cycle, too."""
        self.core.registers.live[name] = value
        if lasting:
            self.core.registers.kept[name] = value

    def set_four_byte_mode(self, on: bool) -> None:
        """Put the chip into 4-byte mode or out of it, as an earlier program may have left it."""
        self.core.four_byte = on

    def stick(self, address: int, bit: int, value: int) -> None:
        """From now on that bit (0–7) of that byte is `value` whatever is done to it."""
        self.core.cells.stick(address, bit, value)

    def wear_out(self, sector: int, bits: int = 1, *, failing: str = "erase") -> None:
        """Make random bits of a 4 KiB sector fail to "erase" or to "program"."""
        self.core.cells.wear_out(sector, bits, failing=failing)

    def snapshot(self) -> Snapshot:
        """What survives a power cycle."""
        kept = dict(self.core.registers.kept)
        return Snapshot(bytes(self.contents), kept, tuple(bytes(r) for r in self.security))
