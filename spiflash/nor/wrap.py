"""Does the array really reach as far as it is said to? Comparison of places a power of two apart.

A chip ignores address bits above its own size, so a relabelled chip of half the size shows the
same contents in both halves. The rules that live here: one difference proves that the halves
are two places; sameness proves something only when what was compared is neither blank nor a
short pattern. Where it proves nothing, that is what the finding says.

The core is `wrap_probe`; it does its reading through a function, at most `PLACES` times
`SAMPLE` bytes from each half, and changes nothing.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from dataclasses import dataclass

PLACES = 2048
"""Places that are compared before two halves count as the same: one every 4 KiB of an 8 MiB
half."""

SAMPLE = 32
"""Bytes read at each place."""

FIRST_PLACES = 32
"""Places that are compared first; on a chip that holds anything at all they nearly always
differ, and the probe ends there."""

SMALLEST = 32768
"""Bytes: no SPI NOR chip is smaller (64 KiB is the smallest in the table). Contents that repeat
more often than this are a pattern that somebody wrote, not a short array."""

Places = Callable[[Sequence[int], int], Sequence[bytes]]
"""Reads: (start addresses, bytes at each) -> the bytes found there."""


class Reach(enum.Enum):
    """What the comparison says about the capacity."""

    FULL = "full"
    """The two halves differ: the array does not come round before its stated end."""
    REPEATS = "repeats"
    """Everything that was compared is the same in both halves, and is no blank and no pattern."""
    UNKNOWN = "unknown"
    """Blank or periodic contents: nothing follows from sameness."""


@dataclass(frozen=True, slots=True)
class WrapFinding:
    """The outcome for a stated size in bytes.

    `period` is the smallest power of two after which the contents repeat (REPEATS only), which
    is the true size of a relabelled chip. `compared` is the number of places looked at, `reason`
    a sentence for people.
    """

    stated: int
    reach: Reach
    period: int | None
    compared: int
    reason: str


def wrap_probe(read: Places, stated: int) -> WrapFinding:
    """Compare the halves of a chip that is said to hold `stated` bytes.

    `stated` that is no power of two is compared at the largest one below it. Raises what `read`
    raises, and ValueError for a size below two sectors.
    """
    if stated < 2 * SMALLEST:
        raise ValueError(f"a capacity of {stated} bytes is too small to be compared with itself")
    distance = _power_below(stated)
    first = _compare(read, distance, stated)

    def finding(reach: Reach, reason: str, period: int | None = None) -> WrapFinding:
        return WrapFinding(stated, reach, period, first.compared, reason)

    if first.differs:
        return finding(Reach.FULL, f"contents differ {distance:#x} bytes apart")
    if first.flickers:
        return finding(Reach.UNKNOWN, "the places compared read differently each time")
    if not first.telling:
        return finding(Reach.UNKNOWN, f"all {first.compared} places that were looked at are blank")
    while distance > SMALLEST and not _compare(read, distance // 2, distance).differs:
        distance //= 2
    if distance <= SMALLEST:
        return finding(
            Reach.UNKNOWN,
            f"the contents repeat every {distance} bytes or less, which says nothing of the size",
        )
    return finding(
        Reach.REPEATS,
        f"the contents repeat after {distance:#x} bytes at every one of {first.compared} places",
        distance,
    )


@dataclass(frozen=True, slots=True)
class _Comparison:
    """`differs`: at least one place differs, and did so twice. `flickers`: some differ, none
    twice in the same way. `telling`: some place held more than one byte value."""

    differs: bool
    flickers: bool
    telling: bool
    compared: int


def _power_below(size: int) -> int:
    """The largest power of two below `size`."""
    return 1 << (size - 1).bit_length() - 1


def _compare(read: Places, distance: int, end: int) -> _Comparison:
    """All places below `end` - `distance` beside those `distance` further on."""
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
            # A bad lead makes differences too; only one that is there twice proves anything.
            if list(read([place, place + distance], SAMPLE)) == [below, above]:
                return _Comparison(True, False, True, compared)
            flickers = True
    return _Comparison(False, flickers, telling, compared)


def _spread(span: int, count: int) -> list[int]:
    """`count` places in 0..span, evenly spread, not all at the same offset in their sector:
    headers sit at sector starts and are blank behind them."""
    step = max(span // count, SAMPLE)
    last = span - SAMPLE
    return [
        min(index * step + (0 if index % 2 == 0 else index * 97 % step), last)
        for index in range(min(count, span // step))
    ]
