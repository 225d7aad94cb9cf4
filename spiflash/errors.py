"""Every error a person can meet, each with cause, state, next step and an exit status.

A message has three sentences: what happened, what is safe now, and what to do. The exit
statuses are part of the interface: scripts rely on them, so a number is never reused.
"""

from __future__ import annotations


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
    """The command line or a URL does not make sense."""

    status = 2


class AdapterNotFoundError(SpiflashError):
    """No adapter, or not the one that was named."""

    status = 11


class AdapterChoiceError(SpiflashError):
    """Several adapters and no word which one."""

    status = 12


class BusError(SpiflashError):
    """The adapter stopped answering, or answered wrongly."""

    status = 13


class AdapterLostError(BusError):
    """The adapter was unplugged in the middle of work."""

    status = 14


class ChipAbsentError(SpiflashError):
    """Nothing that behaves like a flash chip answers."""

    status = 20


class ChipUnknownError(SpiflashError):
    """A chip answers, but neither the chip table nor SFDP says enough about it."""

    status = 21


class ChipAmbiguousError(SpiflashError):
    """Several parts share this ID and differ in what matters for the job."""

    status = 22


class ChipMismatchError(SpiflashError):
    """The chip is not the one that was expected."""

    status = 23


class ChipTimeoutError(SpiflashError):
    """The chip stayed busy for longer than its data sheet allows."""

    status = 24


class ChipProtectedError(SpiflashError):
    """The chip refuses writes in the range concerned."""

    status = 25


class SupplyLostError(SpiflashError):
    """The chip lost its supply for a moment while it was written."""

    status = 26


class EraseSizeError(SpiflashError):
    """An erase took more than chip table and SFDP say."""

    status = 27


class UnstableReadError(SpiflashError):
    """The passes do not agree, also after re-reading."""

    status = 30


class VerifyError(SpiflashError):
    """The chip does not hold what it should."""

    status = 31


class ImageError(SpiflashError):
    """The image file is missing, empty, unreadable, changing, or does not fit."""

    status = 40


class NoBackupError(SpiflashError):
    """No verified backup of this very chip is on the shelf."""

    status = 41


class BackupSetError(SpiflashError):
    """A backup set is incomplete or was changed after it was made."""

    status = 42


class NewerFormatError(BackupSetError):
    """A file that spiflash keeps was written by a newer version of it."""


class ShelfError(SpiflashError):
    """The shelf cannot be read or written (permissions, disk full)."""

    status = 43


class UnfinishedWorkError(ShelfError):
    """An earlier work on this chip was cut short, and what was asked for is another one; or its
    journal is damaged. Nothing of what was asked for was done."""

    status = 45


class CardError(SpiflashError):
    """The folder or memory card for the SD-card road cannot take the files, or did not keep
    them."""

    status = 44


class ChipTableError(SpiflashError):
    """A chip table file has an error; names file and line."""

    status = 50


class LayoutError(SpiflashError):
    """A layout file has an error, or names no such region; names file and line."""

    status = 51


class OutputError(SpiflashError):
    """A file that was asked for, or standard output, cannot be written."""

    status = 52


class CloneJobError(SpiflashError):
    """A clone job or a list of values has an error, names file and line; or does not suit its
    image."""

    status = 53


class LedgerError(SpiflashError):
    """The ledger cannot be reached, or was changed by other hands."""

    status = 54


class ClaimLostError(SpiflashError):
    """Another bench has the board that was being worked on here."""

    status = 56


class IdentityTakenError(SpiflashError):
    """Another board has already what this one keeps, or would get."""

    status = 57


class ValuesUsedUpError(SpiflashError):
    """The list has no value left that no board has."""

    status = 55


class BoardsFailedError(SpiflashError):
    """Cloning ended, and not every board is good."""

    status = 32


class DeclinedError(SpiflashError):
    """The person said no."""

    status = 60


class InterruptedWorkError(SpiflashError):
    """Ctrl-C; says in which state the chip was left."""

    status = 130
