"""What is known of the chip on the clip: its raw answers, and what follows from them. Pure
values."""

from __future__ import annotations

from dataclasses import dataclass, replace

from chipdb.part import EraseType, FourByte, Part, SecurityRegisters, UniqueId
from spiflash.nor.geometry import Geometry
from spiflash.nor.sfdp import Sfdp

LOW_VOLTAGE = 3.0
"""Volts: a part whose supply range ends below this must not be connected to a 3.3 V adapter."""

__all__ = ["Answers", "Chip", "ChipIdentity", "FourByte", "Part", "SecurityRegisters", "UniqueId"]


def volts(span: tuple[float, float]) -> str:
    """A supply range in words."""
    return f"{span[0]:g} V to {span[1]:g} V"


@dataclass(frozen=True, slots=True)
class Answers:
    """The chip's answers before anything was known of it.

    `id` is the answer to 9Fh (8 bytes), `rems` that to 90h (2), `legacy` that to ABh (1), `sfdp`
    the table area from address 0 (empty if there is none). `sector_map`: the answers to the
    detection commands of SFDP's sector map, None if they were not sent. `registers`: (name, value)
    of registers that were read to tell parts with one ID from each other.
    """

    id: bytes
    rems: bytes = b""
    legacy: bytes = b""
    sfdp: bytes = b""
    sector_map: tuple[int, ...] | None = None
    registers: tuple[tuple[str, int], ...] = ()
    after_dummy: bytes = b""
    """The answer to 9Fh and one byte of 00h, asked if `id` begins like that of an SPI NAND."""

    @property
    def jedec_id(self) -> bytes:
        """The first three bytes: manufacturer, type, capacity, unless the chip sends JEP106
        continuation codes (7Fh) first."""
        return self.id[:3]


@dataclass(frozen=True, slots=True)
class ChipIdentity:
    """Which chip it is by its own answers: a hint, never a proof. All chips of a part without a
    unique ID answer alike, and copies of chips share one, so contents have to be compared, too
    (`jobs.same_board`). Two identities that are equal (`==`) may be the same chip; two that differ
    are not.

    `size` in bytes. A unique ID whose bytes are all equal (all FFh, all 00h) is what a missing
    answer looks like, and counts as none. On disk a unique ID is lower-case hexadecimal, or None.
    """

    jedec_id: bytes
    unique_id: bytes | None
    size: int

    def __post_init__(self) -> None:
        if self.unique_id is not None and len(set(self.unique_id)) < 2:
            object.__setattr__(self, "unique_id", None)

    @classmethod
    def from_hex(cls, jedec_id: str, unique_id: str | None, size: int) -> ChipIdentity:
        """The identity from its form on disk. Raises ValueError if it is not hexadecimal."""
        unique = None if unique_id is None else bytes.fromhex(unique_id)
        return cls(bytes.fromhex(jedec_id), unique, size)

    def may_stand_as(self, kept: ChipIdentity) -> bool:
        """Whether `kept`, recorded earlier, may be this chip: it is equal, or has no unique ID,
        because earlier versions could not read that of some parts (EN25QH, SST26). Contents have to
        decide."""
        return kept in (self, replace(self, unique_id=None))

    @property
    def unique_hex(self) -> str | None:
        """The unique ID in its form on disk."""
        return None if self.unique_id is None else self.unique_id.hex()


@dataclass(frozen=True, slots=True)
class Chip:
    """What the jobs need to know of a chip, from its ID, SFDP and the chip table.

    Times in seconds, clocks in hertz. `candidates` are the names of all parts that match the
    answers; if there are several, each figure is one that is safe for all of them. `write_doubt`
    says in words why this chip should not be erased or programmed (unknown, ambiguous, refused);
    empty if it may be. `notes` are for people.
    """

    name: str
    vendor: str
    answers: Answers
    geometry: Geometry
    protection_schemes: tuple[str, ...]
    """Those of all candidates, each once."""
    quad_enable: str
    four_byte: tuple[FourByte, ...]
    clock_read: float
    clock_fast: float
    fast_read_dummy: int
    supply: tuple[float, float] | None
    """Volts that every part with this ID tolerates; None if that is not known, or if they have no
    range in common (see `supplies`). If a person named the part, its own range."""
    unique_id: UniqueId | None
    security: SecurityRegisters | None
    locked_at_power_up: bool
    part: Part | None = None
    candidates: tuple[str, ...] = ()
    how: str = ""
    """The evidence that identified it, in words."""
    sfdp: Sfdp | None = None
    write_doubt: str = ""
    exit_4byte: int | None = 0xE9
    """The opcode that ends 4-byte mode; None if none is known."""
    leaves_by_bank: bool = False
    """Bit 7 of the bank register (17h) switches the mode; used if `exit_4byte` is None."""
    status_write_volatile: bool = False
    """50h makes the next status write volatile, on every part that this chip may be."""
    size_confirmed: bool = False
    """A person stated the same capacity as the chip table or SFDP."""
    size_stated: bool = False
    """The capacity rests on a person's word alone: chip table and SFDP give none, or another."""
    notes: tuple[str, ...] = ()
    supplies: tuple[tuple[tuple[str, ...], tuple[float, float]], ...] = ()
    """(part names, volts) for each supply range among the parts with this ID, lowest first. Parts
    that other evidence excludes are included: a wrong supply destroys the chip."""
    erases_known: tuple[tuple[int, int], ...] = ()
    """(opcode, bytes) of every block erase that the chip's SFDP or any of `candidates` has, usable
    or not, including opcodes with four address bytes."""

    @property
    def size(self) -> int:
        """Capacity in bytes."""
        return self.geometry.size

    @property
    def jedec_id(self) -> bytes:
        """Manufacturer, type, capacity."""
        return self.answers.jedec_id

    @property
    def supply_text(self) -> str:
        """The supply in words."""
        if self.supply is None and not self.supplies:
            return "not known"
        each = [f"{volts(span)} ({' or '.join(names)})" for names, span in self.supplies]
        if self.supply is None:
            return (
                f"not the same for all parts with this ID: {', '.join(each)}; the marking on the "
                "chip says which part it is"
            )
        if any(span[1] < LOW_VOLTAGE <= self.supply[1] for _, span in self.supplies):
            return f"{volts(self.supply)} as {self.name}; parts with this ID: {', '.join(each)}"
        return volts(self.supply)

    @property
    def lowest_top(self) -> float | None:
        """The lowest maximum supply, in volts, of all parts that this could be; None: not known."""
        spans = [span for _, span in self.supplies] + ([self.supply] if self.supply else [])
        return min((span[1] for span in spans), default=None)

    @property
    def largest_erase(self) -> int:
        """Bytes of the largest block that one block erase of this chip could clear, by the chip
        table or by the chip's own SFDP, whichever is larger; 0 if neither has an erase.

        After an erase, the whole naturally aligned block of this size around it has to be read
        back, because table and SFDP may each be wrong about what an opcode does. The chip erase
        does not count.
        """
        known = [kind.size for kind in self.geometry.erase_types]
        return max((*known, *(size for _, size in self.erases_known)), default=0)

    def erase_reach(self, kind: EraseType) -> int:
        """Bytes that an erase of `kind` could clear: the largest size that table or SFDP give
        for its opcodes, never less than `kind.size`."""
        opcodes = (kind.opcode, kind.opcode_4byte)
        return max((kind.size, *(size for code, size in self.erases_known if code in opcodes)))
