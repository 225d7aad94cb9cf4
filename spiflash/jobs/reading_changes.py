"""Contents that changed between passes: told from noise, and from a pass that was disturbed. Pure.

A board's processor that is not held in reset goes on writing its settings and logs while the chip
is read; a clip may be moved to a sister board. Both leave pages that earlier passes read in one way
and everything since in another. The rules that live here:

* a pass *holds* the final contents of a page when it differs from them in no more bits than noise
  explains;
* a page *changed* when the first passes do not hold it and later ones do. One pass that does not,
  with passes before and after it that do, was disturbed there;
* a whole image of the board at one moment needs two whole passes that hold every page: what was
  read only once since the last change may be half of an older and half of a newer state;
* what two passes read alike, and neither the passes after them nor the readings since, is no
  change of contents: the way of reading decides what comes, and nothing is settled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from spiflash.jobs.evidence import PAGE
from spiflash.nor.geometry import SECTOR

LEAST = 4
"""Bits of a page that differ, at least, where contents changed; fewer are settled one by one."""

UNLIKELY = 1e-3
"""Chance of so many wrong bits in any page of the chip below which noise does not explain them."""

WHOLE = 2
"""Whole passes that must hold the final contents."""

_BITS = np.array([bin(value).count("1") for value in range(256)], dtype=np.uint8)

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Changes:
    """`changed` are the addresses of pages that earlier passes read otherwise; `contrary`
    those of pages where the way of reading decides; `whole` how many passes hold the final contents
    of all changed pages, `disturbed` how many pages some pass read wrong in passing."""

    changed: tuple[int, ...]
    contrary: tuple[int, ...]
    whole: int
    disturbed: int

    @property
    def torn(self) -> bool:
        """Whether too few whole passes were taken since the last change."""
        return bool(self.changed) and self.whole < WHOLE


def changed_bits(pages: int, rate: float) -> int:
    """Bits of a page that must differ for noise of `rate` a bit not to explain it."""
    mean, bits = 8 * PAGE * rate, LEAST
    while bits < 8 * PAGE and pages * _tail(bits, mean) >= UNLIKELY:
        bits += 1
    return bits


def _tail(count: int, mean: float) -> float:
    """Upper bound for the chance of a Poisson count of `count` or more (Chernoff)."""
    if count <= mean:
        return 1.0
    return math.exp(count - mean - count * math.log(count / mean)) if mean > 0 else 0.0


def find_changes(passes: Sequence[bytes], final: bytes, rate: float) -> Changes:
    """Compare whole passes, in the order in which they were taken, with the `final` contents;
    `rate` is the upper bound of the error rate per bit."""
    true = np.frombuffer(final, np.uint8)
    least = changed_bits(len(final) // PAGE, rate)
    off: Flags = np.stack(
        [_bits_by_page(np.frombuffer(each, np.uint8) ^ true) >= least for each in passes]
    )
    held = ~off
    since = np.logical_or.accumulate(held, axis=0)  # whether this pass or one before holds it
    before = off & ~since
    after = off & since
    changed = before.any(axis=0) & held.any(axis=0)
    holding = [int(held[:, page].sum()) for page in np.flatnonzero(changed)]
    contrary = set(_repeated(passes, after))
    # Passes before the change that read it alike only show that it was stable until then.
    return Changes(
        tuple(int(page) * PAGE for page in np.flatnonzero(changed) if int(page) not in contrary),
        tuple(page * PAGE for page in sorted(contrary)),
        min(holding, default=len(passes)),
        int((after.any(axis=0)).sum()),
    )


def _repeated(passes: Sequence[bytes], after: Flags) -> list[int]:
    """Pages of which a pass that does not hold them, although one before does, reads just what
    another pass that does not hold them reads, but for a few bits."""
    found = []
    for page in np.flatnonzero(after.any(axis=0)):
        part = slice(int(page) * PAGE, (int(page) + 1) * PAGE)
        for late in np.flatnonzero(after[:, page]):
            mine = np.frombuffer(passes[int(late)][part], np.uint8)
            others = [each[part] for number, each in enumerate(passes) if number != late]
            alike = [int(_BITS[mine ^ np.frombuffer(o, np.uint8)].sum()) < LEAST for o in others]
            if any(alike):
                found.append(int(page))
                break
    return found


def _bits_by_page(differs: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    counts = np.zeros(len(differs) // PAGE, dtype=np.int64)
    places = np.flatnonzero(differs)
    np.add.at(counts, places // PAGE, _BITS[differs[places]])
    return counts


def latest_alone(passes: Sequence[bytes]) -> tuple[int, ...]:
    """Addresses of pages that the last pass reads unlike every pass before it, by `LEAST` bits or
    more: it was disturbed, or they changed."""
    last = np.frombuffer(passes[-1], np.uint8)
    alone: Flags = np.ones(len(last) // PAGE, dtype=bool)
    for each in passes[:-1]:
        alone &= _bits_by_page(np.frombuffer(each, np.uint8) ^ last) >= LEAST
    return tuple(int(page) * PAGE for page in np.flatnonzero(alone))


def sectors_of(pages: Sequence[int]) -> tuple[int, ...]:
    """The sectors in which these pages lie, ascending."""
    return tuple(sorted({page // SECTOR * SECTOR for page in pages}))
