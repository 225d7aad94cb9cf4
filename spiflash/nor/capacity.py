"""Is the chip as large as it should be? Checked before the first byte is saved.

A relabelled chip, a chip that ignores the order to take four address bytes and a chip that does
not know the 4-byte opcodes all answer every question about themselves convincingly; only their
contents show what they are.

A chip ignores address bits above its own size, so that a relabelled chip of half the size shows the
same contents in both halves: its addresses wrap. The rules that live here: one difference proves
that the halves are two places; equal contents prove something only when what was compared is
neither blank nor a short pattern. Where they prove nothing, the finding says so. `wrap_probe`
compares places a power of two apart; it reads through a function, at most `PLACES` times `SAMPLE`
bytes from each half, and changes nothing.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spiflash.errors import ChipMismatchError, ChipUnknownError
from spiflash.nor.addressing import THREE_BYTE_REACH, confirm_mode, confirm_opcodes
from spiflash.nor.chip import Chip
from spiflash.nor.commands import Width
from spiflash.nor.flash import NorFlash
from spiflash.nor.geometry import ProgramMethod
from spiflash.nor.unlisted import size_option
from spiflash.text import amount

# -- the check -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Capacity:
    """What is known of the size besides the ID.

    `by_sfdp`: the chip's own table gives the same size. `mode`: how the width of addresses was
    confirmed ("" if there is only one). `wrap`: the result of comparing the halves.
    """

    by_sfdp: bool
    mode: str
    wrap: WrapFinding

    @property
    def proven(self) -> bool:
        """Whether the contents show that the array is this large."""
        return self.wrap.reach is Reach.FULL

    def sentence(self) -> str:
        """For people and records."""
        parts = ["SFDP gives the same size"] if self.by_sfdp else []
        if self.proven:
            parts.append("addresses do not wrap before the end")
        else:
            parts.append(f"wrap-around not ruled out: {self.wrap.reason}")
        return "; ".join(parts)


def check_capacity(flash: NorFlash) -> Capacity:
    """Check the size of a chip in session against its SFDP and its contents.

    Raises `ChipUnknownError` for parts that are addressed differently (DataFlash), and
    `ChipMismatchError` when the array is shorter than it should be, or the chip does not use the
    addressing scheme that was chosen. If a person confirmed the size, repeating contents do not
    contradict it. Only reads.
    """
    chip = flash.chip
    if chip.geometry.method is ProgramMethod.PAGE_528:
        raise ChipUnknownError(
            f"The {chip.name} is {chip.write_doubt}. Its addresses have another meaning, so it "
            "would be read incorrectly.",
            state="Nothing has been changed on it; no contents have been read.",
            remedy="This program does not support this part.",
        )
    mode = ""
    if chip.size > THREE_BYTE_REACH and flash.addressing.native:
        confirm_opcodes(flash.bus, chip, flash.addressing.plain)
        mode = "13h and 03h give the same contents"
    elif flash.addressing.width is Width.FOUR:
        mode = confirm_mode(flash.bus, chip)
    finding = wrap_probe(flash.peek, chip.size)
    if finding.reach is Reach.REPEATS and not chip.size_confirmed:
        raise _repeats(chip, finding)
    by_sfdp = chip.sfdp is not None and chip.sfdp.basic.size == chip.size
    return Capacity(by_sfdp, mode, finding)


def _repeats(chip: Chip, finding: WrapFinding) -> ChipMismatchError:
    assert finding.period is not None
    has = size_option(finding.period)
    state = "Nothing has been changed on it; no contents have been saved."
    if chip.size_stated:
        return ChipMismatchError(
            f"You stated {size_option(chip.size)} for the {chip.name}, but {finding.reason}.",
            state=state,
            remedy=f"Read the chip with --size {has}: after that its contents repeat.",
        )
    return ChipMismatchError(
        f"The {chip.name} should hold {amount(chip.size)}, but {finding.reason}.",
        state=state,
        remedy="The chip is probably smaller than its ID says (relabelled): read it with "
        f"--size {has}. If you know that its contents really are there twice, confirm the size "
        f"with --size {size_option(chip.size)}.",
    )


# -- comparing places ------------------------------------------------------------------------------

PLACES = 2048
"""Places that are compared before two halves count as equal: one every 4 KiB of an 8 MiB half."""

SAMPLE = 32
"""Bytes read at each place."""

FIRST_PLACES = 32
"""Places that are compared first. On a chip that is not blank they nearly always differ, and the
probe ends there."""

SMALLEST = 32768
"""Bytes: no SPI NOR chip is smaller (64 KiB is the smallest in the table). Contents that repeat
more often than this are a pattern that was written, not a short array."""

Places = Callable[[Sequence[int], int], Sequence[bytes]]
"""Reads: (start addresses, bytes at each) -> the bytes found there."""


class Reach(enum.Enum):
    """What the comparison says about the capacity."""

    FULL = "full"
    """The two halves differ: addresses do not wrap before the stated end."""
    REPEATS = "repeats"
    """All places compared are equal in both halves, and neither blank nor a pattern."""
    UNKNOWN = "unknown"
    """The contents are blank or repeat: equal halves prove nothing."""


@dataclass(frozen=True, slots=True)
class WrapFinding:
    """The result for a stated size in bytes.

    `period` is the smallest power of two after which the contents repeat (REPEATS only): the true
    size of a relabelled chip. `compared` is the number of places compared, `reason` is for people.
    """

    stated: int
    reach: Reach
    period: int | None
    compared: int
    reason: str


def wrap_probe(read: Places, stated: int) -> WrapFinding:
    """Compare the halves of a chip that is said to hold `stated` bytes. One below 64 KiB, which a
    person's own table may name, is not compared.

    If `stated` is no power of two, the largest one below it is the distance. Raises what `read`
    raises.
    """
    if stated < 2 * SMALLEST:
        reason = f"a chip of {amount(stated)} is too small to be compared with itself"
        return WrapFinding(stated, Reach.UNKNOWN, None, 0, reason)
    distance = _power_below(stated)
    first = _compare(read, distance, stated)

    def finding(reach: Reach, reason: str, period: int | None = None) -> WrapFinding:
        return WrapFinding(stated, reach, period, first.compared, reason)

    if first.differs:
        return finding(Reach.FULL, f"contents {amount(distance)} apart differ")
    if first.flickers:
        return finding(Reach.UNKNOWN, "the places compared read differently every time")
    if not first.telling:
        return finding(Reach.UNKNOWN, f"all {first.compared} places compared are blank")
    while distance > SMALLEST and not _compare(read, distance // 2, distance).differs:
        distance //= 2
    if distance <= SMALLEST:
        return finding(
            Reach.UNKNOWN,
            f"the contents repeat every {amount(distance)} or less, so they do not show the size",
        )
    return finding(
        Reach.REPEATS,
        f"the contents repeat after {amount(distance)} at all {first.compared} places compared",
        distance,
    )


@dataclass(frozen=True, slots=True)
class _Comparison:
    """`differs`: at least one place differs, and did so twice. `flickers`: some places differ, but
    none twice in the same way. `telling`: some place held more than one byte value."""

    differs: bool
    flickers: bool
    telling: bool
    compared: int


def _power_below(size: int) -> int:
    """The largest power of two below `size`."""
    return 1 << (size - 1).bit_length() - 1


def _compare(read: Places, distance: int, end: int) -> _Comparison:
    """Compare all places below `end` - `distance` with those `distance` further on."""
    span = min(distance, end - distance)
    compared, telling, flickers = 0, False, False
    for count in (FIRST_PLACES, PLACES):
        places = _spread(span, count)
        low = read(places, SAMPLE)
        high = read([place + distance for place in places], SAMPLE)
        compared += len(places)
        telling = telling or any(len(set(sample)) > 1 for sample in low)
        for place, below, above in zip(places, low, high, strict=True):
            if below == above:
                continue
            # A bad contact makes differences too; only one that is seen twice proves anything.
            if list(read([place, place + distance], SAMPLE)) == [below, above]:
                return _Comparison(True, False, True, compared)
            flickers = True
    return _Comparison(False, flickers, telling, compared)


def _spread(span: int, count: int) -> list[int]:
    """`count` places in 0..span, evenly spread, not all at the same offset in their sector: many
    sectors hold a header at their start and are blank after it."""
    step = max(span // count, SAMPLE)
    last = span - SAMPLE
    return [
        min(index * step + (0 if index % 2 == 0 else index * 97 % step), last)
        for index in range(min(count, span // step))
    ]
