"""Reading that can be believed: as many passes as the evidence asks for, compared page by page.

What passes disagree on is read again until it is settled or counts as unstable. Two passes
that agree are enough only when the expected number of wrong bits they could share is below
one in a million; otherwise more are taken. Nothing read is thrown away.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from spiflash.archive.record import EvidenceRecord, ProbeRecord
from spiflash.errors import InterruptedWorkError
from spiflash.nor.geometry import SECTOR
from spiflash.work.connection import Connection
from spiflash.work.evidence import (
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
from spiflash.work.evidence_probes import probe_doubts
from spiflash.work.passes import PassTaken, take_pass
from spiflash.work.progress import Watcher
from spiflash.work.reading_again import Place, settle

MOST_PASSES = 8
"""Passes after which the evidence is not waited for any longer."""

HOPELESS = 0.25
"""Share of disagreeing pages above which more reading is not tried: the contact is bad."""

WHOLE = 0.25
"""Share of disagreeing sectors up to which they are read again whole, neighbours included;
above it only the pages that disagree are."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the passes agreed on. `settled` and `unstable` hold sector addresses; `variants`
    every different reading of each unstable place, by address, the most frequent first (empty
    where re-reading was not tried, since the passes hold them all)."""

    contents: bytes
    passes: tuple[PassTaken, ...]
    settled: tuple[int, ...]
    unstable: tuple[int, ...]
    evidence: EvidenceRecord
    variants: Mapping[int, tuple[bytes, ...]] = field(default_factory=dict)

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why it should not be believed, in sentences without their full stop; empty when it
        should."""
        found = []
        if self.unstable:
            found.append(f"{len(self.unstable)} sectors read differently each time they were read")
        if self.evidence.expected >= self.evidence.limit:
            found.append(
                f"the {len(self.passes)} passes could share {self.evidence.expected:.1g} wrong "
                f"bits by chance; {self.evidence.limit:.0e} is allowed"
            )
        found += [
            f"{probe.doubt} is not ruled out: {probe.remark}"
            for probe in self.evidence.probes
            if probe.outcome == "failed"
        ]
        return tuple(found)


def read_in_passes(
    connection: Connection,
    count: int,
    watcher: Watcher,
    *,
    earlier: Sequence[PassTaken] = (),
    keep: Callable[[PassTaken], None] | None = None,
) -> Reading:
    """Read the chip `count` times (2 at least), and more often when the evidence is not enough;
    settle what differs.

    `earlier` are passes of this chip taken before; `keep` is called with each new one.
    """
    if count < 2:
        raise ValueError("one pass proves nothing: at least two are needed")
    passes = list(earlier)
    while len(passes) < count:
        number = len(passes) + 1
        passes.append(_kept(connection, number, f"pass {number} of {count}", watcher, keep))
    weighed = _weigh(passes)
    while weighed.shared >= LIMIT and len(passes) < MOST_PASSES and not weighed.hopeless:
        number = len(passes) + 1
        watcher.say(
            f"{weighed.differing} bits differ; {len(passes)} passes could share "
            f"{weighed.shared:.1g} wrong bits: one more is taken"
        )
        passes.append(_kept(connection, number, f"pass {number}", watcher, keep))
        weighed = _weigh(passes)
    contents = bytearray(passes[0].contents)
    places = [] if weighed.hopeless else weighed.places(passes)
    if places:
        settle(connection, places, weighed.rate.high, watcher)
    unstable = set(weighed.sectors) if weighed.hopeless else set()
    settled_wrong = 0.0
    for place in places:
        contents[place.start : place.start + place.length] = place.likely
        settled_wrong += place.expected
        if place.accepted is None:
            unstable.add(place.start // SECTOR * SECTOR)
    agreed = bytes(contents)
    probes: tuple[ProbeRecord, ...] = ()
    if not weighed.hopeless:
        probes = probe_doubts(connection, agreed)
    return Reading(
        agreed,
        tuple(passes),
        tuple(start for start in weighed.sectors if start not in unstable),
        tuple(sorted(unstable)),
        EvidenceRecord(
            bits=8 * len(agreed),
            passes=len(passes),
            differing=weighed.differing,
            rate=weighed.rate.estimate,
            rate_low=weighed.rate.low,
            rate_high=weighed.rate.high,
            shared=weighed.shared,
            settled=settled_wrong,
            limit=LIMIT,
            stretch=smallest_stretch(weighed.differing, len(passes)),
            probes=probes,
        ),
        {place.start: place.distinct for place in places if place.accepted is None},
    )


def read_only(
    connection: Connection,
    count: int,
    watcher: Watcher,
    remedy: str = "Start again when you are ready.",
) -> Reading:
    """`read_in_passes` for work that does nothing else to the chip: Ctrl-C raises
    `InterruptedWorkError`, with `remedy`."""
    try:
        return read_in_passes(connection, count, watcher)
    except KeyboardInterrupt as exc:
        raise InterruptedWorkError(
            "Stopped while the chip was being read.",
            state="The chip was only read, so nothing on it has changed.",
            remedy=remedy,
        ) from exc


def _kept(
    connection: Connection,
    number: int,
    title: str,
    watcher: Watcher,
    keep: Callable[[PassTaken], None] | None,
) -> PassTaken:
    taken = take_pass(connection, number, title, watcher)
    if keep is not None:
        keep(taken)
    return taken


class _Weighed:
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


def _weigh(passes: Sequence[PassTaken]) -> _Weighed:
    pages = differing_bits([each.contents for each in passes])
    return _Weighed(pages, len(passes), rarest_share(passes[-1].contents))


def disagreements(readings: Sequence[bytes]) -> list[int]:
    """Addresses of the sectors in which not all readings (of one length, whole sectors) are
    equal, ascending."""
    first = np.frombuffer(readings[0], dtype=np.uint8)
    differs = np.zeros(len(first), dtype=bool)
    for other in readings[1:]:
        differs |= first != np.frombuffer(other, dtype=np.uint8)
    sectors = differs.reshape(-1, SECTOR).any(axis=1)
    return [int(index) * SECTOR for index in np.flatnonzero(sectors)]
