"""Damaged boards of every kind: what triage calls them, and what its repairs would do.

    python tests/benchmarks/triage.py --boards 200 [--first N] [KIND …]
    python tests/benchmarks/triage.py --healthy 1000 [--first N]
    python tests/benchmarks/triage.py --bricks 25 [--first N] [KIND …]

`--boards` draws models at random (tests/references/triage_boards.py, made by mkimage, mkenvimage,
mksquashfs, mkfs.jffs2, ubinize and dtc), damages a board of each in every way, and judges it with
its own backup, a generic image, another board's image, and neither. What a repair does is judged by
what was planted. `--healthy` judges boards with which nothing is wrong in the same four ways.

`--bricks` are those of the demo board: they come from hwmocks/bricks.py, which knows by
construction what is wrong, what the chip should hold, and which of the board's own data still
exist. Each such case is judged with the board's own backup and the model's image at hand, with
each alone, and with neither; the repair is carried out as planned, erase by erase and page by page.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from hwmocks.bricks import KINDS, Brick, make_brick
from spiflash.dump.triage import Kind, Reference, Repair, Triage, reference, triage
from spiflash.nor.geometry import Duration, EraseType, Geometry
from spiflash.plan import make_plan
from spiflash.plan.optimum import TransferCost
from tests.job_rig import simulate, uniform
from tests.references.triage_boards import Board, draw_model
from tests.references.triage_damage import (
    DAMAGE,
    Set,
    draw_set,
    made_worse,
    own_changed,
    shown,
    strangers,
)

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

UNSEEN = frozenset({"erased", "own data lost", "bit rot", "half-erased"})
"""Kinds of which nothing may speak where no backup is at hand."""

FIRMWARE = ((0x0, 0x50000), (0x60000, 0x400000))
"""Boot loader and environment; device tree, kernel and root file system."""

AT_HAND = ("both", "backup", "image", "neither")

KILO = tuple(
    EraseType(size << 10, opcode, Duration(typical, 10 * typical))
    for size, opcode, typical in ((4, 0x20, 0.045), (32, 0x52, 0.12), (64, 0xD8, 0.15))
)
GEOMETRY: Geometry = uniform(8 << 20, 256, KILO, Duration(0.4e-3, 3e-3))
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
    right = found.kind in called(brick, at_hand)
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
    if at_hand == "image" and brick.kind == "another board's":
        # Nothing tells it from a board whose own image this is: nothing may be proposed.
        tally.repaired[brick.kind] += not found.repairs
        return
    # An update that stopped left what is whole of the old firmware: the wider repair ends it.
    wider = at_hand == "image" and brick.kind in ("interrupted", "cut off", "erased")
    for place, repair in enumerate(found.repairs[-1:] if wider else found.repairs or (None,)):
        after = carried_out(brick.contents, repair) if repair else brick.contents
        if place == 0:
            tally.repaired[brick.kind] += as_good(brick, after, good, at_hand)
            # In a repair from the backup the board's own data come from there.
            if at_hand == "image" and brick.own:
                tally.own[brick.kind] += 1
                tally.kept[brick.kind] += own_kept(brick, after)
        if not as_good(brick, after, good, at_hand):
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


def called(brick: Brick, at_hand: str) -> frozenset[Kind]:
    """What triage may call a brick, by what is at hand.

    Without this board's own backup another board's contents cannot be told from its own, and a
    loader that no checksum covers is not checked.
    """
    kind = CALLED[brick.kind]
    if at_hand in ("both", "backup"):
        return frozenset({kind})
    if brick.kind in ("intact", "another board's"):
        return frozenset({Kind.NOT_CHECKED})
    if brick.kind in UNSEEN and at_hand == "neither":
        return frozenset({kind, Kind.NOT_CHECKED, Kind.FILES, Kind.DAMAGED})
    return frozenset({kind})


def as_good(brick: Brick, after: bytes, good: bytes, at_hand: str) -> bool:
    """Whether a repair gives what it should: from the backup every byte; from an image the
    image's firmware, and outside of it nothing new."""
    if at_hand != "image":
        return after == good
    for at in range(0, len(good), SECTOR):
        span = slice(at, at + SECTOR)
        kept = after[span] == brick.contents[span]
        inside = any(start <= at < end for start, end in FIRMWARE)
        beside = brick.image[span] == b"\xff" * SECTOR
        if after[span] != good[span] and not (kept and (beside or not inside)):
            return False
    return True


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


@dataclass
class Score:
    """Cases of boards drawn at random, and what must not happen in them."""

    counts: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def fault(self, what: str, where: str) -> None:
        self.counts[what] += 1
        self.wrong.append(f"{what}: {where}")


OWN, EXACT, INTACT, HEALTHY = (
    "own bytes changed without being named",
    "repairs with a backup that are byte-exact",
    "intact on a broken chip",
    "healthy boards called damaged",
)


def hands(found: Set) -> dict[str, tuple[Board | None, Board | None]]:
    """What is at hand: this board's backup, and an image."""
    return {
        "backup": (found.board, None),
        "image": (None, found.image),
        "other": (None, found.other),
        "neither": (None, None),
    }


def judged_with(contents: bytes, own: Board | None, model: Board | None) -> Triage:
    return triage(
        examined(contents),
        own_backup=examined(own.contents) if own is not None else None,
        model_image=examined(model.contents) if model is not None else None,
    )


@lru_cache(maxsize=64)
def examined(contents: bytes) -> Reference:
    return reference(contents)


def verdict(found: Triage) -> str:
    return "damaged" if found.damaged else found.kind.value


def count_healthy(score: Score, found: Set) -> None:
    for at_hand, (own, model) in hands(found).items():
        result = judged_with(found.board.contents, own, model)
        score.counts["healthy"] += 1
        score.verdicts[f"healthy, {at_hand}", verdict(result)] += 1
        where = f"model {found.model.seed} ({at_hand})"
        if result.damaged:
            score.fault(HEALTHY, f"{where}: {result.headline}")
        if result.repairs:
            score.fault("repairs of a healthy board", where)


def count_damaged(score: Score, found: Set, kind: str) -> None:
    """One kind of damage, with everything that may be at hand."""
    good = found.board.contents
    chip = DAMAGE[kind](found, random.Random(f"{kind} {found.model.seed}"))
    if chip is None or chip == good:
        return
    for at_hand, (own, model) in hands(found).items():
        where = f"model {found.model.seed}, {kind} ({at_hand})"
        result = judged_with(chip, own, model)
        score.counts["cases"] += 1
        score.verdicts[at_hand, verdict(result)] += 1
        seen = own is not None or (model is not None and shown(found, chip, model))
        if seen and result.kind is Kind.INTACT:
            score.fault(INTACT, f"{where}: {result.headline}")
        first = result.repairs[0].applied(chip) if result.repairs else chip
        if own is not None:
            score.counts["with a backup"] += 1
            if first == good:
                score.counts[EXACT] += 1
            else:
                score.wrong.append(f"not byte-exact: {where}: {result.headline}")
        elif model is not None and shown(found, chip, model):
            score.counts["shown by an image"] += 1
            held = {good, model.contents}
            last = result.repairs[-1].applied(chip) if result.repairs else chip
            score.counts["firmware whole after a repair from an image"] += all(
                any(after[low:high] == each[low:high] for each in held for after in (first, last))
                for low, high in found.board.firmware
            )
        score.counts["refused"] += len(result.refused)
        sources = tuple(each.contents for each in (model,) if each is not None)
        for number, repair in enumerate(result.repairs):
            score.counts["repairs"] += 1
            after = repair.applied(chip)
            label = f"{where}, repair {number} of {', '.join(repair.regions)}"
            if changed := own_changed(found, chip, after, kind):
                score.fault(OWN, f"{changed} in {label}")
            if strangers(found, chip, after):
                score.fault("another board's identity written", label)
            if made_worse(found, chip, after, sources):
                score.fault("firmware that was right and is not afterwards", label)


def boards(score: Score, seeds: Iterable[int], kinds: Iterable[str]) -> Iterator[int]:
    """Every kind of damage on a board of each model; the models' numbers as they are done."""
    for seed in seeds:
        found = draw_set(draw_model(seed))
        count_healthy(score, found)
        for kind in kinds:
            count_damaged(score, found, kind)
        yield seed


def show(score: Score) -> None:
    for (at_hand, called), number in sorted(score.verdicts.items()):
        print(f"{at_hand:<18} {called:<12} {number}")
    total = score.counts
    print(
        f"{total['cases']} cases of damage, {total['repairs']} repairs proposed, "
        f"{total['refused']} refused"
    )
    print(f"{OWN}: {total[OWN]}")
    strange = "another board's identity written"
    print(f"{strange}: {total[strange]}")
    worse = "firmware that was right and is not afterwards"
    print(f"{worse}: {total[worse]}")
    print(f"{EXACT}: {total[EXACT]} of {total['with a backup']}")
    print(f"{INTACT} where backup or image shows it: {total[INTACT]}")
    print(f"{HEALTHY}: {total[HEALTHY]} of {total['healthy']}")
    mended = "firmware whole after a repair from an image"
    print(f"{mended}: {total[mended]} of {total['shown by an image']}")


def main() -> None:
    options = argparse.ArgumentParser(description="Judge and repair damaged boards.")
    options.add_argument("--boards", type=int, default=0, help="models drawn at random")
    options.add_argument("--healthy", type=int, default=0, help="healthy boards of them alone")
    options.add_argument("--bricks", type=int, default=0, help="cases of each demo brick")
    options.add_argument("--first", type=int, default=0, help="the first seed")
    options.add_argument("kinds", nargs="*", help="kinds of damage; all, if none is named")
    asked = options.parse_args()
    if asked.bricks:
        show_bricks(range(asked.first, asked.first + asked.bricks), asked.kinds or KINDS)
        return
    score = Score()
    if asked.healthy:
        for seed in range(asked.first, asked.first + asked.healthy // len(AT_HAND)):
            count_healthy(score, draw_set(draw_model(seed)))
    seeds = range(asked.first, asked.first + (asked.boards or (0 if asked.healthy else 4)))
    told = 0
    for seed in boards(score, seeds, asked.kinds or DAMAGE):
        for line in score.wrong[told:]:
            print(f"    {line}", flush=True)
        told = len(score.wrong)
        if seed % 10 == 9:
            print(f"… {seed + 1 - asked.first} boards, {dict(score.counts)}", flush=True)
    show(score)


def show_bricks(seeds: Iterable[int], kinds: Iterable[str]) -> None:
    told = dict.fromkeys(AT_HAND, 0)
    for tallies in run(seeds, kinds):
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
