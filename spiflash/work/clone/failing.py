"""Which kind of failure an error is."""

from __future__ import annotations

from spiflash.errors import (
    BusError,
    ChipAbsentError,
    ChipAmbiguousError,
    ChipMismatchError,
    ChipProtectedError,
    ChipTimeoutError,
    ChipUnknownError,
    SpiflashError,
    UnstableReadError,
    ValuesUsedUpError,
    VerifyError,
)

_KINDS: tuple[tuple[type[SpiflashError], str], ...] = (
    (BusError, "adapter"),
    (ChipAbsentError, "contact"),
    (ChipUnknownError, "chip"),
    (ChipAmbiguousError, "chip"),
    (ChipMismatchError, "chip"),
    (ChipProtectedError, "chip"),
    (UnstableReadError, "read"),
    (VerifyError, "write"),
    (ChipTimeoutError, "write"),
    (ValuesUsedUpError, "values"),
)


class BoardError(SpiflashError):
    """A failure whose kind is known where it happens."""

    def __init__(self, kind: str, cause: str) -> None:
        super().__init__(cause)
        self.kind = kind


def kind_of(error: SpiflashError, *, identified: bool) -> str:
    """The kind, a key of `FAILURES`. Before the chip is identified, unsteady answers and a
    chip of no known ID mean the contact: nothing else has been asked of the chip yet."""
    if isinstance(error, BoardError):
        return error.kind
    kind = next((kind for family, kind in _KINDS if isinstance(error, family)), "other")
    return "contact" if kind == "read" and not identified else kind
