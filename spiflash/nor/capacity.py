"""The capacity check before the first byte is saved: SFDP, address mode and wrap-around.

A relabelled chip, a chip that ignores the order to take four address bytes and a chip that does
not know the 4-byte opcodes all answer every question about themselves convincingly; only their
contents give them away.
"""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.errors import ChipMismatchError, ChipUnknownError
from spiflash.nor.address_mode import confirm_mode, confirm_opcodes
from spiflash.nor.addressing import THREE_BYTE_REACH
from spiflash.nor.chip import Chip
from spiflash.nor.commands import Width
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import ProgramMethod
from spiflash.nor.wrap import Reach, WrapFinding, wrap_probe


@dataclass(frozen=True, slots=True)
class Capacity:
    """What is known of the size beside the ID.

    `by_sfdp` says that the chip's own table gives the same size, `mode` how the width of
    addresses is known ("" where there is nothing to know), `wrap` what the comparison of the
    halves gave.
    """

    by_sfdp: bool
    mode: str
    wrap: WrapFinding

    @property
    def proven(self) -> bool:
        """Whether the contents themselves show that the array reaches this far."""
        return self.wrap.reach is Reach.FULL

    def sentence(self) -> str:
        """For people and records."""
        parts = ["SFDP gives the same size"] if self.by_sfdp else []
        if self.proven:
            parts.append("addresses do not come round before it")
        else:
            parts.append(f"wrap-around not ruled out: {self.wrap.reason}")
        return "; ".join(parts)


def check_capacity(flash: NorFlash) -> Capacity:
    """Hold the size of a chip in session against SFDP and against its contents.

    Raises `ChipUnknownError` for parts that are addressed in another way (DataFlash), and
    `ChipMismatchError` when the array is shorter than stated, or does not take addresses
    in the way that was chosen; a size that a person confirmed is not contradicted by repeating
    contents. Reads only.
    """
    chip = flash.chip
    if chip.geometry.method is ProgramMethod.PAGE_528:
        raise ChipUnknownError(
            f"The {chip.name} is {chip.write_doubt}: its addresses mean something else, and it "
            "would be read wrongly.",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="This program cannot serve this part.",
        )
    mode = ""
    if chip.size > THREE_BYTE_REACH and flash.way.native:
        confirm_opcodes(flash.bus, chip, flash.way.plain)
        mode = "13h gives what 03h gives"
    elif flash.way.width is Width.FOUR:
        mode = confirm_mode(flash.bus, chip)
    finding = wrap_probe(flash.peek, chip.size)
    if finding.reach is Reach.REPEATS and not chip.size_confirmed:
        raise _repeats(chip, finding)
    by_sfdp = chip.sfdp is not None and chip.sfdp.basic.size == chip.size
    return Capacity(by_sfdp, mode, finding)


def _repeats(chip: Chip, finding: WrapFinding) -> ChipMismatchError:
    assert finding.period is not None
    has = _amount(finding.period)
    state = "Nothing has been changed on it; no contents have been saved."
    if chip.size_stated:
        return ChipMismatchError(
            f"You stated {_amount(chip.size)} for the {chip.name}, but {finding.reason}.",
            state=state,
            remedy=f"Read what it has with --size {has}: beyond that it begins anew.",
        )
    return ChipMismatchError(
        f"The {chip.name} should hold {chip.size} bytes, but {finding.reason}.",
        state=state,
        remedy="Most likely the chip is smaller than its ID says (relabelled): read what it has "
        f"with --size {has}. If you know that its contents are there twice, confirm the "
        f"capacity with --size {_amount(chip.size)}.",
    )


def _amount(size: int) -> str:
    return f"{size >> 20}M" if size % (1 << 20) == 0 else f"{size >> 10}K"
