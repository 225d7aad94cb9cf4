"""Which blocks to erase: the least expected time, exactly.

The chip is cut into units, the greatest length that divides every erase block and region. The
best way to bring the first n units to their new contents either leaves the last unit as it is
(where bits only clear) or ends with the erase of a block; so the optimum for n follows from
the optima before it. Programming costs are sums over chunks and do not depend on what is
erased next door, which makes this exact for any mixture of sizes, nested or not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.nor.geometry import EraseType, Geometry


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of the chip that is erased with `kind`, or left (None)."""

    start: int
    end: int
    kind: EraseType | None


@dataclass(frozen=True, slots=True)
class Choice:
    """Blocks that cover the chip in order, with their ticks and the bytes they erase."""

    blocks: tuple[Block, ...]
    cost: int
    erased: int


def usable(start: int, end: int, types: Sequence[EraseType]) -> tuple[EraseType, ...]:
    """The erase types whose naturally aligned blocks tile the region, and those for which the
    region is one single block (what boot sectors leave of a larger one)."""
    return tuple(t for t in types if start % t.size == 0 or t.size == end - start)


def unit_size(geometry: Geometry) -> int:
    """The greatest length that divides every region and every erase block, in bytes."""
    unit = geometry.size
    for start, end, types in geometry.spans():
        unit = math.gcd(unit, start, end, *(kind.size for kind in usable(start, end, types)))
    return unit


def choose(
    geometry: Geometry,
    unit: int,
    leave: Sequence[int | None],
    erased: Sequence[int],
    erase_costs: dict[EraseType, int],
) -> Choice | None:
    """The cheapest blocks; among equally cheap ones those that erase the fewest bytes.

    For each unit `leave` has the ticks to program it without an erase (None: some bit must be
    set) and `erased` the ticks to program it after one. None when no erase type reaches a unit
    that needs one.
    """
    before = [0]
    for ticks in erased:
        before.append(before[-1] + ticks)
    # (ticks, bytes erased) for the first n units, None where there is no way.
    best: list[tuple[int, int] | None] = [(0, 0)]
    made_by: list[EraseType | None] = [None]
    for start, end, types in geometry.spans():
        first = start // unit
        ways = [(kind, kind.size // unit, erase_costs[kind]) for kind in usable(start, end, types)]
        for index in range(first, end // unit):
            here: tuple[int, int] | None = None
            how: EraseType | None = None
            stay, last = leave[index], best[index]
            if stay is not None and last is not None:
                here = (last[0] + stay, last[1])
            for kind, count, ticks in ways:
                since = index + 1 - count
                if since < first or (since - first) % count:
                    continue
                last = best[since]
                if last is None:
                    continue
                way = (
                    last[0] + ticks + before[index + 1] - before[since],
                    last[1] + kind.size,
                )
                if here is None or way < here:
                    here, how = way, kind
            best.append(here)
            made_by.append(how)
    final = best[-1]
    if final is None:
        return None
    return Choice(_trace(made_by, unit), *final)


def _trace(made_by: Sequence[EraseType | None], unit: int) -> tuple[Block, ...]:
    """Walk back from the end; units left side by side become one block."""
    blocks: list[Block] = []
    at = len(made_by) - 1
    while at > 0:
        kind = made_by[at]
        since = at - (1 if kind is None else kind.size // unit)
        end = at * unit
        if kind is None and blocks and blocks[-1].kind is None:
            end = blocks.pop().end
        blocks.append(Block(since * unit, end, kind))
        at = since
    return tuple(reversed(blocks))
