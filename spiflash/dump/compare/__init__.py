"""How two dumps differ: not only where."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.compare.result import (
    ByteChange,
    Comparison,
    Difference,
    How,
    RegionChange,
    VariableChange,
)
from spiflash.dump.compare.run import compared
from spiflash.dump.layout.region import Layout

__all__ = [
    "ByteChange",
    "Comparison",
    "Difference",
    "How",
    "RegionChange",
    "VariableChange",
    "compare",
]


def compare(
    before: bytes,
    after: bytes,
    layout: Layout | None = None,
    *,
    unsure: Sequence[int] = (),
    show_secrets: bool = False,
) -> Comparison:
    """Compare `before` (A) with `after` (B).

    `layout` is that of A; None takes what A states itself. `unsure` are addresses of 4 KiB
    sectors of B that no reading settled; they count as neither equal nor different. Both are
    surveyed where they differ: what their checksums say of a difference belongs to it.
    """
    return compared(before, after, layout, frozenset(unsure), show_secrets)
