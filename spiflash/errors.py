"""Every error a person can meet: what happened, what is safe, what to do, and an exit status.

A message has three sentences: what happened, what is safe now, and what to do. The exit
statuses are part of the interface: scripts rely on them, so a number is never reused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

SAFE = "Nothing has been erased or written."
"""What is safe, of every error before the first change of a chip."""


class SpiflashError(Exception):
    """Base of all errors shown to a person.

    `cause` says what happened, `state` what is safe now, `remedy` what to do next.
    """

    status = 10

    def __init__(self, cause: str, *, state: str = "", remedy: str = "") -> None:
        super().__init__(cause)
        self.cause = cause
        self.state = state
        self.remedy = remedy

    def __str__(self) -> str:
        return " ".join(part for part in (self.cause, self.state, self.remedy) if part)


class UsageError(SpiflashError):
    """The command line or an adapter URL has a mistake."""

    status = 2


class LabelError(UsageError):
    """Sets of several chips have the label that was given."""


class AdapterNotFoundError(SpiflashError):
    """No adapter was found, or not the one that was named."""

    status = 11


class AdapterChoiceError(SpiflashError):
    """Several adapters are plugged in, and none was named."""

    status = 12


class BusError(SpiflashError):
    """The adapter stopped answering, or gave a wrong answer."""

    status = 13


class AdapterLostError(BusError):
    """The adapter was unplugged during the work."""

    status = 14


class ChipAbsentError(SpiflashError):
    """No flash chip answers."""

    status = 20


class ChipUnknownError(SpiflashError):
    """A chip answers, but it is not in the chip table and its SFDP does not say enough."""

    status = 21


class ChipAmbiguousError(SpiflashError):
    """Several parts share this ID, and they differ in what matters for this work."""

    status = 22


class ChipMismatchError(SpiflashError):
    """The chip is not the expected one."""

    status = 23


class ChipTimeoutError(SpiflashError):
    """The chip stayed busy longer than its data sheet allows."""

    status = 24


class ChipProtectedError(SpiflashError):
    """The range to be written is write-protected."""

    status = 25


class SupplyLostError(SpiflashError):
    """The chip lost power for a moment while it was being written."""

    status = 26


class EraseSizeError(SpiflashError):
    """An erase covered more than the chip table and SFDP say."""

    status = 27


class UnstableReadError(SpiflashError):
    """The readings do not agree, even after reading again."""

    status = 30


class VerifyError(SpiflashError):
    """The chip does not hold what was written, or what it should hold."""

    status = 31


class NotTakenError(VerifyError):
    """Sectors do not take what is written to them; `held` is what they hold, by address."""

    def __init__(self, held: Mapping[int, bytes], cause: str, *, state: str, remedy: str) -> None:
        super().__init__(cause, state=state, remedy=remedy)
        self.held = held


class AstrayError(VerifyError):
    """A work hit `sectors` (addresses) that it should not have touched."""

    def __init__(self, sectors: Sequence[int], cause: str, *, state: str, remedy: str) -> None:
        super().__init__(cause, state=state, remedy=remedy)
        self.sectors = tuple(sectors)


class ImageError(SpiflashError):
    """The image file is missing, empty, unreadable, changing, or does not fit."""

    status = 40


class NoBackupError(SpiflashError):
    """No verified backup of this very chip is on the shelf."""

    status = 41


class BackupSetError(SpiflashError):
    """A backup set is incomplete, or was changed after it was made."""

    status = 42


class NewerFormatError(BackupSetError):
    """A file that spiflash keeps was written by a newer version of it."""


class ShelfError(SpiflashError):
    """The shelf cannot be read or written (permissions, disk full)."""

    status = 43


class UnfinishedWorkError(ShelfError):
    """Interrupted work on this chip must be finished first, or its journal is damaged. Nothing of
    what was asked for was done."""

    status = 45


class CardError(SpiflashError):
    """The folder or memory card cannot take the files of an SD-card update, or did not keep
    them."""

    status = 44


class ChipTableError(SpiflashError):
    """A chip table file has an error; the message names file and line."""

    status = 50


class LayoutError(SpiflashError):
    """A layout file has an error, or has no region of that name; the message names file and
    line."""

    status = 51


class OutputError(SpiflashError):
    """An output file, or standard output, cannot be written."""

    status = 52


class CloneJobError(SpiflashError):
    """A clone job or a list of values has an error, or does not fit its image; the message names
    file and line."""

    status = 53


class LedgerError(SpiflashError):
    """The ledger cannot be reached, or was altered outside spiflash."""

    status = 54


class ClaimLostError(SpiflashError):
    """Another bench is working on this board."""

    status = 56


class IdentityTakenError(SpiflashError):
    """Another board already has a value that this one keeps or would get."""

    status = 57


class ValuesUsedUpError(SpiflashError):
    """All values of the list are in use."""

    status = 55


class BoardsFailedError(SpiflashError):
    """Cloning ended, and some boards failed."""

    status = 32


class DeclinedError(SpiflashError):
    """You answered no."""

    status = 60


class InterruptedWorkError(SpiflashError):
    """Stopped by Ctrl-C or a signal; the message says in which state the chip is."""

    status = 130
