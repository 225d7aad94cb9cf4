"""What belongs to this one board: addresses, serial numbers, calibration, keys."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.finding import Finding
from spiflash.dump.identity.items import OwnItem, called, gather
from spiflash.dump.layout.region import Layout
from spiflash.dump.secrets import Masker, masker

__all__ = ["OwnItem", "called", "identity"]


def identity(
    contents: bytes,
    findings: Sequence[Finding],
    layout: Layout,
    *,
    show_secrets: bool = False,
    hide: Masker | None = None,
) -> tuple[OwnItem, ...]:
    """What in `contents` differs from board to board, by rising address.

    Only what is not compressed is seen. `certainty` says what each item rests on: a checksum or
    two places that agree, a name, or its form alone. At most a thousand items.
    """
    return gather(contents, findings, layout, hide or masker(findings, show=show_secrets))
