"""The passes of one reading: taken one after the other, and weighed.

The rules that live here: no two passes have one setting; the chip must be the same one before
each of them; passes of an earlier, interrupted run count only when a whole new one reads what
they do; and what all passes together say decides how much is read again.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from spiflash.archive.record import EvidenceRecord, ProbeRecord
from spiflash.jobs.connection import Connection
from spiflash.jobs.evidence import (
    LIMIT,
    PAGE,
    Counts,
    Flags,
    bit_rate,
    differing_bits,
    rarest_share,
    shared_bits,
    smallest_stretch,
)
from spiflash.jobs.passes import PassTaken, pass_setting, take_pass
from spiflash.jobs.progress import Watcher
from spiflash.jobs.reading_again import Place
from spiflash.jobs.reading_changes import LEAST, latest_alone
from spiflash.jobs.same_board import SameBoard
from spiflash.jobs.weak_cells import unseen
from spiflash.nor.geometry import SECTOR

MOST_PASSES = 8
"""Passes after which the evidence is not waited for any longer."""

HOPELESS = 0.25
"""Share of disagreeing pages above which more reading is not tried: the contact is bad."""

WHOLE = 0.25
"""Share of disagreeing sectors up to which they are read again whole, neighbours included;
above it only the pages that disagree are."""

LOOKED_AT = 64
"""Pages, at most, that are looked at to see whether they changed."""


class Passes:
    """The passes of one reading, and what else has to be known to take the next one."""

    def __init__(
        self,
        connection: Connection,
        watcher: Watcher,
        keep: Callable[[PassTaken], None] | None,
        rng: random.Random,
    ) -> None:
        self.connection = connection
        self.watcher = watcher
        self.taken: list[PassTaken] = []
        self.rng = rng
        self._keep = keep
        self._board = SameBoard(connection, rng=rng)

    def begin(
        self, earlier: Sequence[PassTaken], count: int, stale: Callable[[], None] | None
    ) -> None:
        """Take the first pass of this run, and decide whether the earlier ones can be used."""
        self.taken = list(earlier)
        if not earlier:
            return
        fresh = self._one_more(f"pass {len(earlier) + 1} of {max(count, len(earlier) + 1)}")
        if latest_alone([earlier[-1].contents, fresh.contents]):
            self.watcher.say("the earlier passes hold other contents than the chip does now")
            self.taken = []
            if stale is not None:
                stale()
        self._add(fresh)

    def take(self, title: str) -> None:
        """One more pass."""
        self._add(self._one_more(title))

    def _one_more(self, title: str) -> PassTaken:
        if self.taken:
            self._board.check()
        seen = self.taken[-1].contents if self.taken else None
        return take_pass(
            self.connection, self._next_setting(), title, self.watcher, seen=seen, rng=self.rng
        )

    def _next_setting(self) -> int:
        """The number of a setting that no pass has had."""
        had = {(each.setting.chunk, each.setting.first) for each in self.taken}
        number = 1
        while len(had) >= number:
            setting = pass_setting(
                number,
                self.connection.chip,
                self.connection.bus.clock_limits,
                self.connection.ceiling,
            )
            if (setting.chunk, setting.first) not in had:
                break
            number += 1
        return number

    def _add(self, taken: PassTaken) -> None:
        taken = replace(taken, number=len(self.taken) + 1)
        self.taken.append(taken)
        if self._keep is not None:
            self._keep(taken)

    @property
    def contents(self) -> list[bytes]:
        """What each pass read."""
        return [each.contents for each in self.taken]

    def weigh(self) -> Weighed:
        """What the passes so far say."""
        pages = differing_bits(self.contents)
        return Weighed(pages, len(self.taken), rarest_share(self.taken[-1].contents))

    def too_little(self, weighed: Weighed) -> str | None:
        """Why another pass is needed before anything is read again; None when it is not."""
        if len(self.taken) >= MOST_PASSES:
            return None
        if weighed.shared >= LIMIT:
            return (
                f"{weighed.differing} bits differ; {len(self.taken)} passes could share "
                f"{weighed.shared:.1g} wrong bits"
            )
        if self._just_changed():
            return "some pages hold other contents now than in the passes before"
        return None

    def _just_changed(self) -> bool:
        """Whether pages that only the last pass reads as it does are as it read them."""
        alone = latest_alone(self.contents)
        pages = self.rng.sample(alone, min(len(alone), LOOKED_AT))
        if not pages:
            return False
        last = self.taken[-1].contents
        found = self.connection.flash.peek(sorted(pages), PAGE)
        return any(
            _distance(last[page : page + PAGE], data) < LEAST
            for page, data in zip(sorted(pages), found, strict=True)
        )


class Weighed:
    """What the passes so far say."""

    def __init__(self, pages: Counts, passes: int, share: float) -> None:
        self.pages = pages
        self.differing = int(pages.sum())
        flagged: Flags = pages > 0
        per_sector = SECTOR // PAGE
        by_sector = np.flatnonzero(flagged.reshape(-1, per_sector).any(axis=1))
        self.sectors = tuple(int(index) * SECTOR for index in by_sector)
        self.whole = len(by_sector) * per_sector <= WHOLE * len(pages)
        reread = flagged
        if self.whole:
            reread = np.repeat(flagged.reshape(-1, per_sector).any(axis=1), per_sector)
        self.hopeless = bool(flagged.mean() > HOPELESS)
        self.rate = bit_rate(self.differing, 8 * PAGE * len(pages), passes)
        self.shared = shared_bits(pages, passes, reread, share)

    def places(self, passes: Sequence[PassTaken]) -> list[Place]:
        """What is to be read again, with what the passes read there."""
        if self.whole:
            spans = [(start, SECTOR) for start in self.sectors]
        else:
            spans = [(int(index) * PAGE, PAGE) for index in np.flatnonzero(self.pages)]
        return [
            Place(start, length, [each.contents[start : start + length] for each in passes])
            for start, length in spans
        ]

    def record(
        self,
        passes: Passes,
        settled: float = 0.0,
        probes: tuple[ProbeRecord, ...] = (),
        weak: tuple[int, ...] = (),
    ) -> EvidenceRecord:
        """The figures, for the record."""
        count = len(passes.taken)
        return EvidenceRecord(
            bits=8 * PAGE * len(self.pages),
            passes=count,
            differing=self.differing,
            rate=self.rate.estimate,
            rate_low=self.rate.low,
            rate_high=self.rate.high,
            shared=self.shared,
            settled=settled,
            limit=LIMIT,
            stretch=smallest_stretch(self.differing, count),
            probes=probes,
            weak=weak,
            unseen=unseen(passes.contents, weak),
        )


def _distance(one: bytes, other: bytes) -> int:
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).bit_count()
