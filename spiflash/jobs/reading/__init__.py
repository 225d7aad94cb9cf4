"""Read a chip so that the result can be believed: as many passes as the evidence asks for.

Passes are compared page by page. What they disagree on is read again until it is settled or counts
as unstable. Two passes that agree are enough only when the expected number of undetected bit errors
is below one in a million. Otherwise more are taken, as they are when contents changed meanwhile or
cells are weak (`differences`). Nothing that was read is thrown away.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from spiflash.archive.record import EvidenceRecord, ProbeRecord
from spiflash.errors import InterruptedWorkError
from spiflash.jobs import Watcher
from spiflash.jobs.connection import Connection
from spiflash.jobs.reading.again import Reread, settle
from spiflash.jobs.reading.differences import Changes, find_changes
from spiflash.jobs.reading.evidence import LIMIT, PAGE
from spiflash.jobs.reading.line_tests import (
    ODD_CONTENTS,
    SHORT,
    Attention,
    probe_doubts,
    suspect_sectors,
    third_look,
    third_look_record,
)
from spiflash.jobs.reading.passes import MOST_PASSES, Passes, PassTaken, Weighed
from spiflash.spans import SECTOR, differing, sectors_in
from spiflash.text import address, counted, decimal

WEAK_PASSES = 5
"""Passes that are taken where cells go wrong by themselves, to find as many of them as possible."""

SUSPECT = 12
"""Readings, at least, of what the contents themselves or another reading call wrong."""

NOISY = 1.5e-6
"""Error rate above which a third look meets noise, and asks again before it makes much of it."""

POOR = 1e-6
"""Error rate per bit and pass from which the contact counts as poor: some 70 wrong bits in a pass
of 8 MiB, where a good one has none (common practice, no source)."""

KEPT = 16
"""Places that were read again of which every reading is kept, also once they are settled."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What the passes agreed on. `settled`, `unstable` and `changed` hold sector addresses;
    `variants` every different reading of a place that is not plainly settled, by address, in the
    order in which they came (empty where re-reading was not tried, since the passes hold them
    all).

    Where one pass was enough because other sources confirm it, `confirmed` is the number of
    sectors that a backup set, an image or a journal has alike, and `read_twice` that of the others.
    """

    contents: bytes
    passes: tuple[PassTaken, ...]
    settled: tuple[int, ...]
    unstable: tuple[int, ...]
    evidence: EvidenceRecord
    variants: Mapping[int, tuple[bytes, ...]] = field(default_factory=dict)
    changed: tuple[int, ...] = ()
    torn: bool = False
    """Whether contents went on changing, so that no two whole passes hold the same state."""
    confirmed: int = 0
    read_twice: int = 0

    @classmethod
    def of_one_pass(
        cls,
        taken: PassTaken,
        confirmed: int,
        read_twice: int,
        *,
        contents: bytes | None = None,
        unstable: Sequence[int] = (),
    ) -> Reading:
        """One pass, which other sources confirm; `contents` where reading some sectors again gave
        others."""
        held = taken.contents if contents is None else contents
        evidence = EvidenceRecord(
            bits=8 * len(held),
            passes=1,
            differing=0,
            rate=0.0,
            rate_low=0.0,
            rate_high=1.0,
            shared=1.0,
            settled=0.0,
            limit=LIMIT,
            stretch=0.0,
        )
        return cls(
            held,
            (taken,),
            (),
            tuple(unstable),
            evidence,
            confirmed=confirmed,
            read_twice=read_twice,
        )

    @property
    def poor_contact(self) -> bool:
        """Whether so many bits came wrong that clip or leads are bad, also where enough passes made
        up for it."""
        return self.evidence.rate >= POOR and not (self.changed or self.torn)

    @property
    def only_odd(self) -> bool:
        """Whether all there is against it is how the contents look: blank, repeating, one bit the
        same everywhere. A bad line gives such contents, and so does a chip that holds them."""
        failed = [probe.name for probe in self.evidence.probes if probe.outcome == "failed"]
        return failed == [ODD_CONTENTS] and len(self.doubts) == 1

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why it should not be believed, in sentences without their full stop; empty when it
        should."""
        if len(self.passes) == 1:
            return (
                f"only one whole pass was taken: a backup set or an image holds the same in "
                f"{counted(self.confirmed, 'sector')}, and {self.read_twice} were read twice",
            )
        found = []
        if self.evidence.weak:
            found.append(weak_words(self.evidence))
        if self.unstable:
            found.append(f"{counted(len(self.unstable), 'sector')} read differently each time")
        if self.torn:
            found.append(
                f"{counted(len(self.changed), 'sector')} changed while the chip was read, and no "
                "two whole passes agree: hold the board's processor in reset"
            )
        if self.evidence.expected >= self.evidence.limit:
            found.append(
                f"expected undetected bit errors after {len(self.passes)} passes: "
                f"{decimal(self.evidence.expected)} (limit {decimal(self.evidence.limit)})"
            )
        found += [
            f"{probe.doubt} is not ruled out: {probe.remark}"
            for probe in self.evidence.probes
            if probe.outcome == "failed"
        ]
        return tuple(found)


def weak_words(evidence: EvidenceRecord) -> str:
    """What to say of weak cells, without a full stop."""
    count = len(evidence.weak)
    first = evidence.weak[0] // 8
    more = f", and about {evidence.unseen:.0f} more by estimate" if evidence.unseen >= 0.5 else ""
    return (
        f"weak cells: {counted(count, 'bit')} {'does' if count == 1 else 'do'} not read the same "
        f"every time, the first at {address(first)}{more}"
    )


def read_in_passes(
    connection: Connection,
    count: int,
    watcher: Watcher,
    *,
    earlier: Sequence[PassTaken] = (),
    keep: Callable[[PassTaken], None] | None = None,
    stale: Callable[[], None] | None = None,
    attend: Callable[[bytes], Attention] | None = None,
) -> Reading:
    """Read the chip `count` times (2 at least), and more often when the evidence is not enough;
    settle what differs.

    `earlier` are passes of this chip taken before; at least one more is taken, and where it
    does not read what they do, they count as older contents: `stale` is called, and they
    have no part in what is returned. `keep` is called with each new pass. `attend` tells of
    contents where to look twice. Raises `ChipMismatchError` when another board comes onto the clip.
    """
    if count < 2:
        raise ValueError("one pass proves nothing: at least two are needed")
    reader = Passes(connection, watcher, keep)
    reader.begin(earlier, count, stale)
    while len(reader.taken) < count:
        reader.take(f"pass {len(reader.taken) + 1} of {count}")
    while True:  # each time round takes a pass, and there are at most `MOST_PASSES`
        weighed = reader.weigh()
        if weighed.hopeless:
            record = weighed.record(reader)
            return Reading(
                reader.taken[0].contents, tuple(reader.taken), (), weighed.sectors, record
            )
        least, reason = 0, reader.too_little(weighed)
        if reason is None:
            found = _Settling(reader, weighed)
            found.settle(attend or (lambda contents: Attention()))
            reason = found.too_little
            if reason is None or len(reader.taken) >= MOST_PASSES:
                reading = found.reading()
                if reading.poor_contact:
                    watcher.say(
                        f"The contact is poor: about 1 in {1 / reading.evidence.rate:,.0f} bits "
                        f"read wrong, and {len(reading.passes)} passes were needed. Seat the clip "
                        "again and shorten the leads before anything is written"
                    )
                return reading
            least = WEAK_PASSES if found.weak else 0
        watcher.say(f"{reason}: reading once more")
        reader.take(f"pass {len(reader.taken) + 1}")
        while len(reader.taken) < least:
            reader.take(f"pass {len(reader.taken) + 1} of {least}")


class _Settling:
    """Reads again what is in doubt after some passes, and what that came to."""

    def __init__(self, passes: Passes, weighed: Weighed) -> None:
        self._passes = passes
        self._weighed = weighed
        self._contents = bytearray(passes.taken[-1].contents)
        self._places: list[Reread] = []
        self._changes = Changes((), (), 0, 0)
        self._probes: tuple[ProbeRecord, ...] = ()

    def settle(self, attend: Callable[[bytes], Attention]) -> None:
        """Read again what passes disagree on, what the contents themselves call wrong, and a third
        time what matters most."""
        passes, connection = self._passes, self._passes.connection
        rate = self._weighed.rate.high
        self._read_again([self._place(*each) for each in self._weighed.disagreeing])
        known = attend(bytes(self._contents))
        self._read_again(self._new_places(suspect_sectors(bytes(self._contents), known)))
        agreed = bytes(self._contents)
        looked, other = third_look(connection, agreed, known.first)
        if rate > NOISY:
            other = self._still_other(agreed, other)
        again = self._new_places(sorted(other))
        for place in again:
            place.readings.append(other[place.start])
            place.passes += 1
        self._read_again(again)
        wrong = sorted(set(other).intersection(differing(bytes(self._contents), agreed)))
        agreed = bytes(self._contents)
        self._changes = find_changes(passes.contents, agreed, rate)
        self._probes = (
            *probe_doubts(connection, agreed),
            third_look_record(looked, len(other), wrong),
        )

    def _place(self, start: int, length: int, least: int = 0) -> Reread:
        read = [each[start : start + length] for each in self._passes.contents]
        return Reread(start, length, read, least)

    def _new_places(self, sectors: Sequence[int]) -> list[Reread]:
        """The sectors in which nothing has been read again yet."""
        had = {place.sector for place in self._places}
        return [self._place(start, SECTOR, SUSPECT) for start in sectors if start not in had]

    def _read_again(self, places: list[Reread]) -> None:
        if places:
            passes, rate = self._passes, self._weighed.rate.high
            settle(passes.connection, places, rate, passes.watcher)
        self._places += places
        for place in places:
            self._contents[place.start : place.start + place.length] = place.likely

    def _still_other(self, agreed: bytes, other: Mapping[int, bytes]) -> dict[int, bytes]:
        """Of sectors that came otherwise, those that do in most of some more readings."""
        still = {}
        for start, data in other.items():
            for at in range(start, start + SECTOR, SHORT):
                if agreed[at : at + SHORT] == data[at - start : at - start + SHORT]:
                    continue
                at = min(at, len(agreed) - SHORT)
                more = self._passes.connection.flash.peek([at] * 3, SHORT)
                if sum(each != agreed[at : at + SHORT] for each in more) > 1:
                    still[start] = data
                    break
        return still

    @property
    def weak(self) -> tuple[int, ...]:
        """Addresses of the weak bits, ascending."""
        return tuple(sorted(bit for place in self._places for bit in place.weak))

    @property
    def too_little(self) -> str | None:
        """Why another pass is needed; None when it is not."""
        if self._changes.torn:
            count = len(sectors_of_pages(self._changes.changed))
            return f"{counted(count, 'sector')} changed while the chip was read"
        if self.weak and len(self._passes.taken) < WEAK_PASSES:
            return f"{counted(len(self.weak), 'bit')} did not read the same every time"
        return None

    def reading(self) -> Reading:
        """The result."""
        changes, places = self._changes, self._places
        unstable = {*sectors_of_pages(changes.contrary)}
        unstable.update(place.sector for place in places if place.accepted is None)
        changed = set(sectors_of_pages(changes.changed)) - unstable
        # Where other passes were disturbed in passing too, so was the first one, rather than that
        # somebody wrote. What it read is kept anyway.
        disturbed = changes.disturbed and not changes.torn and changes.whole > 1
        named = set() if disturbed else changed
        touched = {place.sector for place in places if place.differing}
        kept = unstable | changed
        if len(places) <= KEPT:
            kept |= touched
        variants = {
            place.start: place.distinct
            for place in places
            if place.sector in kept and len(place.distinct) > 1
        }
        return Reading(
            bytes(self._contents),
            tuple(self._passes.taken),
            tuple(sorted(touched - unstable - named)),
            tuple(sorted(unstable)),
            self._weighed.record(
                self._passes,
                settled=sum(place.expected for place in places),
                probes=self._probes,
                weak=self.weak,
            ),
            variants,
            tuple(sorted(named)),
            changes.torn,
        )


def read_chip(
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


def sectors_of_pages(pages: Sequence[int]) -> list[int]:
    """Addresses of the sectors in which these pages lie, ascending."""
    return sectors_in((page, page + PAGE) for page in pages)
