"""Bricks of every kind: what triage calls them, where it says the write stopped, what it repairs.

    python tests/benchmarks/triage.py [--seeds N] [--first N] [KIND …]

The bricks come from hwmocks/bricks.py, which knows by construction what is wrong, what the chip
should hold, and which of the board's own data still exist. Each case is judged with the board's
own backup and the model's image at hand, with each alone, and with neither; the repair is
carried out as planned, erase by erase and page by page.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from hwmocks.bricks import KINDS, Brick, make_brick
from spiflash.dump.triage import Kind, Reference, Repair, Triage, reference, triage
from spiflash.nor.geometry import EraseType, Geometry, Span, uniform
from spiflash.plan import TransferCost, make_plan, simulate

SECTOR = 4096

CALLED = {
    "intact": Kind.INTACT,
    "erased": Kind.ERASED,
    "interrupted": Kind.INTERRUPTED,
    "interrupted over blank": Kind.INTERRUPTED,
    "interrupted in a region": Kind.INTERRUPTED,
    "half-erased": Kind.HALF_ERASED,
    "cut off": Kind.CUT_OFF,
    "wrong offset": Kind.SHIFTED,
    "byte-swapped": Kind.SWAPPED,
    "another board's": Kind.FOREIGN,
    "other processor": Kind.PROCESSOR,
    "bad checksum": Kind.ENV_CHECKSUM,
    "boots nothing": Kind.ENV_NO_BOOT,
    "bit rot": Kind.BIT_ROT,
    "file system": Kind.FILES,
    "own data lost": Kind.OWN_LOST,
}
"""What triage should call each kind of brick."""

AT_HAND = ("both", "backup", "image", "neither")

KILO = tuple(
    EraseType(size << 10, opcode, Span(typical, 10 * typical))
    for size, opcode, typical in ((4, 0x20, 0.045), (32, 0x52, 0.12), (64, 0xD8, 0.15))
)
GEOMETRY: Geometry = uniform(8 << 20, 256, KILO, Span(0.4e-3, 3e-3))
"""Erase sizes of 8 MiB chips of the trade, with times of a W25Q64JV (data sheet, from memory)."""


@dataclass
class Tally:
    """Cases and what went right in them."""

    cases: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)
    stops: Counter[str] = field(default_factory=Counter)
    stopped: Counter[str] = field(default_factory=Counter)
    repaired: Counter[str] = field(default_factory=Counter)
    own: Counter[str] = field(default_factory=Counter)
    kept: Counter[str] = field(default_factory=Counter)
    only_copies: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


@lru_cache(maxsize=12)
def known(contents: bytes) -> Reference:
    return reference(contents)


def judged(brick: Brick, at_hand: str) -> Triage:
    own = known(brick.backup) if at_hand in ("both", "backup") else None
    model = known(brick.image) if at_hand in ("both", "image") else None
    return triage(known(brick.contents), own_backup=own, model_image=model)


@lru_cache(maxsize=4)
def simulated(contents: bytes, target: bytes) -> bytes:
    plan = make_plan(contents, target, GEOMETRY, TransferCost.at_clock(15e6))
    return simulate(plan, contents)


def carried_out(contents: bytes, repair: Repair) -> bytes:
    """The chip after the repair, by the plan's own erases and programs."""
    return simulated(contents, repair.applied(contents))


def only_copy(brick: Brick, after: bytes, sources: Iterable[bytes]) -> bool:
    """Whether a sector was overwritten that is neither blank nor anywhere in the sources."""
    held = list(sources)
    for at in range(0, len(after), SECTOR):
        old = brick.contents[at : at + SECTOR]
        gone = old != after[at : at + SECTOR] and old.count(0xFF) != SECTOR
        if gone and not any(old == each[at : at + SECTOR] for each in held):
            return True
    return False


def count(tally: Tally, brick: Brick, at_hand: str, seed: int) -> None:
    """Judge one brick and count."""
    label = f"{brick.kind} {seed} ({at_hand})"
    found = judged(brick, at_hand)
    tally.cases[brick.kind] += 1
    right = found.kind is CALLED[brick.kind]
    tally.named[brick.kind] += right
    if not right:
        tally.wrong.append(f"{label}: called {found.kind.value}: {found.headline}")
    if brick.stop is not None:
        tally.stops[brick.kind] += 1
        exact = found.stop is not None and found.stop // SECTOR == brick.stop // SECTOR
        tally.stopped[brick.kind] += exact
        if not exact:
            tally.wrong.append(f"{label}: stop {found.stop} instead of {brick.stop}")
    if at_hand == "neither":
        return
    good = brick.rebuilt if at_hand == "image" else brick.backup
    for place, repair in enumerate(found.repairs or (None,)):
        after = carried_out(brick.contents, repair) if repair else brick.contents
        if place == 0:
            tally.repaired[brick.kind] += after == good
            # In a repair from the backup the board's own data come from there.
            if at_hand == "image" and brick.own:
                tally.own[brick.kind] += 1
                tally.kept[brick.kind] += own_kept(brick, after)
        if after != good:
            differing = [
                at
                for at in range(0, len(good), SECTOR)
                if after[at : at + SECTOR] != good[at : at + SECTOR]
            ]
            tally.wrong.append(
                f"{label}: repair {place} ({repair.regions if repair else 'none'}) leaves "
                f"{len(differing)} sectors wrong, the first at {differing[0]:#x}"
            )
        sources = {
            "both": [brick.image, brick.backup],
            "backup": [brick.backup],
            "image": [brick.image],
        }[at_hand]
        if repair and not repair.rescue and only_copy(brick, after, sources):
            tally.only_copies.append(f"{label}, repair {place}")


def own_kept(brick: Brick, after: bytes) -> bool:
    """Whether everything of the board's own that still existed is there afterwards."""
    wanted = []
    if "factory" in brick.own:
        wanted.append(after[0x50000:0x60000] == brick.backup[0x50000:0x60000])
    if "variables" in brick.own:
        own = brick.backup[0x40000:0x50000]
        for name in (b"ethaddr=", b"serial#="):
            at = own.index(name)
            wanted.append(own[at : own.index(b"\0", at) + 1] in after[0x40000:0x50000])
    return all(wanted)


def run(seeds: Iterable[int], kinds: Iterable[str] = KINDS) -> Iterator[dict[str, Tally]]:
    """The tallies by what is at hand, after each seed: every kind once more."""
    tallies = {at_hand: Tally() for at_hand in AT_HAND}
    for seed in seeds:
        for kind in kinds:
            brick = make_brick(kind, seed)
            for at_hand, tally in tallies.items():
                count(tally, brick, at_hand, seed)
        yield tallies


def main() -> None:
    options = argparse.ArgumentParser(description="Judge and repair bricks of every kind.")
    options.add_argument("--seeds", type=int, default=25, help="cases of each kind")
    options.add_argument("--first", type=int, default=0, help="the first seed")
    options.add_argument("kinds", nargs="*", help="kinds of bricks; all, if none is named")
    asked = options.parse_args()
    kinds = asked.kinds or KINDS
    told = dict.fromkeys(AT_HAND, 0)
    for tallies in run(range(asked.first, asked.first + asked.seeds), kinds):
        for at_hand, tally in tallies.items():
            for line in (*tally.wrong, *tally.only_copies)[told[at_hand] :]:
                print(f"    {line}")
            told[at_hand] = len(tally.wrong) + len(tally.only_copies)
            cases = tally.cases.total()
            print(
                f"{at_hand:<8} {cases} cases: {tally.named.total()} named right, "
                f"{tally.stopped.total()} of {tally.stops.total()} stops exact, "
                f"{tally.repaired.total()} good after repair, own data kept in "
                f"{tally.kept.total()} of {tally.own.total()}, "
                f"{len(tally.only_copies)} only copies lost",
                flush=True,
            )
    for at_hand, tally in tallies.items():
        by_kind = (f"{kind} {tally.named[kind]}/{tally.cases[kind]}" for kind in kinds)
        print(f"{at_hand:<8} named: {', '.join(by_kind)}")


if __name__ == "__main__":
    main()
