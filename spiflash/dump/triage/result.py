"""What a triage says: a finding a region, the whole, the repairs, the road by SD card."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from spiflash.dump.finding import Span
from spiflash.dump.identity import OwnItem
from spiflash.dump.layout.region import Layout, Region


class Kind(enum.Enum):
    """What is wrong, in words that stay the same for scripts."""

    INTACT = "intact"
    ERASED = "erased"
    INTERRUPTED = "interrupted write"
    HALF_ERASED = "half-erased"
    CUT_OFF = "image for a bigger chip, cut off"
    SHIFTED = "written at the wrong offset"
    SWAPPED = "byte-swapped"
    FOREIGN = "another board's image"
    PROCESSOR = "boot loader of another processor"
    ENV_CHECKSUM = "environment with a bad checksum"
    ENV_NO_BOOT = "environment that boots nothing"
    BIT_ROT = "flipped bits"
    FILES = "file system damaged"
    OWN_LOST = "this board's own data lost"
    DAMAGED = "damaged"


class Source(enum.Enum):
    """Where the contents of a repair come from, the best first."""

    OWN = "this board's own backup"
    MODEL_AND_OWN = "the model's image with this board's own data put back"
    MODEL = "the model's image alone"
    ITSELF = "what the chip itself holds, put in order"


@dataclass(frozen=True, slots=True)
class RegionFinding:
    """What became of one region.

    `detail` is a sentence without its full stop. `places` are (start, end) addresses of what is
    wrong, as small as known. `stop` is the address at which a write stopped; `shift` by how
    many bytes later than it should be the contents stand.
    """

    region: Region
    kind: Kind
    detail: str
    places: tuple[Span, ...] = ()
    stop: int | None = None
    shift: int = 0


@dataclass(frozen=True, slots=True)
class Repair:
    """One way to put it right: write `ranges` of `target`, which is a whole chip's contents.

    `regions` are the names of the ranges. `rescue` says that the chip holds something in them
    that no source has: it is to be saved first. `lost` says in words what does not come back;
    `why` what this way has over the other.
    """

    source: Source
    target: bytes
    regions: tuple[str, ...]
    ranges: tuple[Span, ...]
    rescue: bool
    lost: tuple[str, ...]
    why: str

    def applied(self, contents: bytes) -> bytes:
        """`contents` of a chip after this repair."""
        after = bytearray(contents)
        for start, end in self.ranges:
            after[start:end] = self.target[start:end]
        return bytes(after)


@dataclass(frozen=True, slots=True)
class CardRoad:
    """The way by SD card. `files` are the names that the boot loader asks for; `open` says that
    the boot loader on the chip can read them now, `after` which regions must be written first
    so that it can."""

    files: tuple[str, ...]
    open: bool
    after: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Triage:
    """The findings by rising address, and what to do; `repairs` has the least one first.

    `stop` is the address at which an SD-card update stopped, None when none did. `own` are the
    items of this board's own that the chip still holds, `view` the contents in which they
    stand: the chip's, with swapped bytes or a shift undone.
    """

    kind: Kind
    headline: str
    layout: Layout
    regions: tuple[RegionFinding, ...]
    stop: int | None
    own: tuple[OwnItem, ...]
    view: bytes
    repairs: tuple[Repair, ...]
    card: CardRoad | None
