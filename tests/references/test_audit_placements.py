"""Every format found where it was put, and nothing where nothing was put.

The images are those of `audit_images`: each made by a program that knows nothing of ours. With
SPIFLASH_SWEEP=full the figures are printed: run it with `pytest -s`.
"""

from __future__ import annotations

import random
from collections import Counter

import pytest

from spiflash.dump.audit import survey
from spiflash.dump.finding import Finding, Verdict
from tests.references.audit_images import PROGRAMS, Item, text

pytestmark = pytest.mark.needs(*PROGRAMS)


FILLERS = ("random", "blank", "text")


def filler(rng: random.Random, kind: str, size: int) -> bytes:
    if kind == "random":
        return rng.randbytes(size)
    return b"\xff" * size if kind == "blank" else text(rng, size).encode()


def claimed(findings: tuple[Finding, ...]) -> list[Finding]:
    """Findings that say more than "blank", "zeros" or "without pattern"."""
    return [f for f in findings if f.verdict not in (Verdict.BLANK, Verdict.NOTED)]


def misplaced(item: Item, start: int, end: int, findings: list[Finding]) -> str:
    """What is wrong with the findings for `item` from `start`; empty when nothing is."""
    first = start + item.offset
    same = [f for f in findings if f.kind == item.kind]
    strangers = [f for f in findings if not start <= f.start < f.end <= end]
    if strangers:
        return f"invented {strangers[0]}"
    if any(f.verdict is Verdict.DAMAGED for f in findings):
        return f"called damaged: {[f for f in findings if f.verdict is Verdict.DAMAGED][:2]}"
    if not item.pieces:
        wanted = (first, item.length)
        places = [(f.start, f.length) for f in same]
        return "" if wanted in places else f"{wanted} not in {places}"
    if not same or same[0].start != first:
        return f"starts at {[f.start for f in same[:1]]}, not {first}"
    # Behind the last run nothing is left of the file system but erased or padding bytes.
    rest = item.image[same[-1].end - start :]
    if rest.strip(b"\xff\0\xce"):
        return f"ends at {same[-1].end}, before the file system does"
    return ""


def test_every_placement_is_found(items: list[Item], full_sweep: bool) -> None:
    rounds = 10 if full_sweep else 1
    tally: Counter[str] = Counter()
    for turn in range(rounds):
        for index, item in enumerate(items):
            rng = random.Random(turn * 1000 + index)
            before, after = FILLERS[(turn + index) % 3], FILLERS[(turn + index // 3) % 3]
            offset = rng.randrange(64 * 1024 // item.align) * item.align
            contents = (
                filler(rng, before, offset)
                + item.image
                + filler(rng, after, rng.randrange(1, 32 * 1024))
            )
            end = offset + len(item.image)
            wrong = misplaced(item, offset, end, claimed(survey(contents)))
            assert not wrong, f"{item.name} at {offset}, {before}/{after}: {wrong}"
            tally[item.kind] += 1
    print(f"\n{tally.total()} placements of {len(items)} images, all found: {dict(tally)}")
    assert tally.total() >= (300 if full_sweep else 40)


def test_nothing_is_invented(full_sweep: bool) -> None:
    files = 200 if full_sweep else 15
    rng = random.Random(5)
    for number in range(files):
        size = rng.randrange(4096, 1 << 20 if full_sweep else 1 << 18)
        assert claimed(survey(rng.randbytes(size))) == [], number
        pieces = [
            filler(rng, rng.choice(("blank", "text")), rng.randrange(1, 32768)) for _ in range(6)
        ]
        pieces.append(bytes(rng.randrange(8192)))
        rng.shuffle(pieces)
        assert claimed(survey(b"".join(pieces))) == [], number
    print(f"\n{files} random and {files} filler files, nothing invented")
