"""What a triage says: a finding a region, the whole, the repairs, the SD card."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from spiflash.dump.identity import OwnItem
from spiflash.dump.layout import Layout, Region
from spiflash.spans import Ranged, Span

MOST_PLACES = 64
"""Places of one finding that are kept."""


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
    ENV_CHANGED = "environment that boots otherwise than in the backup"
    NOT_CHECKED = "not checked"


class Proof(enum.Enum):
    """What a finding of INTACT rests on."""

    NONE = "nothing"
    CHECKSUM = "its own checksums"
    BACKUP = "this board's own backup"
    IMAGE = "the image"


class Why(enum.Enum):
    """Why a range may be replaced: what is wrong with its contents now."""

    BACKUP = "it is not as in this board's own backup"
    CHECKSUM = "a checksum fails"
    BLANK = "it is blank where something must be"
    PIECE = "the rest of the same piece is the image's, byte for byte"
    HALF_ERASED = "an erase was interrupted in it"
    PROCESSOR = "its code is for another processor"
    MOVED = "its contents are swapped or out of place"
    STOPPED = "a write stopped in it"
    BOOTS_NOTHING = "the boot command starts nothing"
    TOGETHER = "it must match what is replaced"


class Source(enum.Enum):
    """Where the contents of a repair come from, the best first."""

    OWN = "this board's own backup"
    MODEL_AND_OWN = "the model's image with this board's own data put back"
    MODEL = "the model's image alone"
    ITSELF = "what the chip itself holds, put in order"


@dataclass(frozen=True, slots=True)
class ChipState:
    """What happened to a chip as a whole, as far as it can be told.

    `view` is the chip put in order as far as that can be done; `stop` the address at which a
    write stopped, `reached` up to where it had erased; `image_known` that the image it wrote is the
    one that was given.
    """

    kind: Kind
    detail: str
    view: bytes
    stop: int | None = None
    reached: int = 0
    shift: int = 0
    image_known: bool = False


@dataclass(frozen=True, slots=True)
class RegionFinding:
    """What became of one region.

    `detail` is a sentence without its full stop. `places` are (start, end) addresses of what is
    wrong, as small as known. `stop` is the address at which a write stopped; `shift` by how
    many bytes the contents are too late. `proof` says what INTACT rests on;
    `unsure` are bytes of an INTACT region that nothing proves.
    """

    region: Region
    kind: Kind
    detail: str
    places: tuple[Span, ...] = ()
    stop: int | None = None
    shift: int = 0
    proof: Proof = Proof.NONE
    unsure: int = 0

    @property
    def bad(self) -> bool:
        """Whether something is wrong with it: neither intact nor merely not checked."""
        return self.kind not in (Kind.INTACT, Kind.NOT_CHECKED)


@dataclass(frozen=True, slots=True)
class Change(Ranged):
    """Bytes `start` to `end` are replaced, and why they may be."""

    start: int
    end: int
    why: Why


@dataclass(frozen=True, slots=True)
class Repair:
    """One repair: a chip that holds `target` afterwards.

    Only `changes` differ from what the chip holds now. `regions` are the names, `ranges` the
    addresses of the regions that have changes. `rescue` says that something is overwritten that
    no source has: it is to be saved first. `unproven` are the ranges that are overwritten
    although nothing proves their contents correct or wrong; `overrules` the ones that are
    correct by their own checksum and are overwritten anyway, because a person names their
    regions. `erase` are whole blocks to erase again before anything is written: an erase was
    interrupted in them, and cells that read correctly may be weak. `lost` says in words what is not
    restored; `reason` what this repair does; `remarks` what to know before.
    """

    source: Source
    target: bytes
    regions: tuple[str, ...]
    ranges: tuple[Span, ...]
    changes: tuple[Change, ...]
    rescue: bool
    lost: tuple[str, ...]
    reason: str
    unproven: tuple[Span, ...] = ()
    overrules: tuple[Span, ...] = ()
    erase: tuple[Span, ...] = ()
    remarks: tuple[str, ...] = ()

    def applied(self, contents: bytes) -> bytes:
        """`contents` of a chip after this repair."""
        after = bytearray(contents)
        for each in self.changes:
            after[each.start : each.end] = each.of(self.target)
        return bytes(after)


@dataclass(frozen=True, slots=True)
class Refused:
    """A repair that was worked out and is not proposed: its source and regions, and why not."""

    source: Source
    regions: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class CardRoad:
    """Recovery by SD card. `files` are the names that the boot loader asks for; `open` says that
    the boot loader on the chip can read them now, `after` which regions must be written first
    so that it can."""

    files: tuple[str, ...]
    open: bool
    after: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Triage:
    """The findings by rising address, and what to do; `repairs` has the smallest one first,
    `refused` those that would have changed what is correct.

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
    refused: tuple[Refused, ...] = ()

    @property
    def damaged(self) -> bool:
        """Whether something is found wrong: neither intact nor merely not checked."""
        return self.kind not in (Kind.INTACT, Kind.NOT_CHECKED)
