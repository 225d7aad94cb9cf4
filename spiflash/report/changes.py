"""What a restore would do, did, or what a comparison found: text and JSON."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.plan import Plan
from spiflash.report.amounts import counted, seconds, size, span

SHOWN = 12
"""Ranges listed before the rest is only counted."""


def plan_text(plan: Plan) -> str:
    """What will be erased and programmed, how long it takes, and the wear."""
    if not plan.steps:
        return "Nothing to do: the chip holds this already."
    erases = ", ".join(f"{count} × {size(kind.size)}" for kind, count in plan.erase_counts)
    share = 100 * plan.erased_bytes / plan.size
    return "\n".join(
        (
            f"{'Erase':<10} {erases or 'nothing'} ({share:.1f} % of the chip)",
            f"{'Program':<10} {counted(plan.programs, 'page')}, {plan.programmed_bytes} bytes",
            f"{'Changes':<10} {ranges_text(plan.affected)}",
            f"{'Takes':<10} about {seconds(plan.seconds)}, {seconds(plan.worst_seconds)} at worst",
        )
    )


def plan_json(plan: Plan) -> dict[str, object]:
    """The same for scripts: bytes and seconds."""
    return {
        "erases": [
            {"size": kind.size, "opcode": kind.opcode, "count": count}
            for kind, count in plan.erase_counts
        ],
        "erased_bytes": plan.erased_bytes,
        "programs": plan.programs,
        "programmed_bytes": plan.programmed_bytes,
        "ranges": [list(pair) for pair in plan.affected],
        "typical_s": plan.seconds,
        "worst_s": plan.worst_seconds,
    }


def ranges_text(ranges: Sequence[tuple[int, int]]) -> str:
    """Ranges of addresses; only the first dozen by name."""
    shown = ", ".join(span(low, high) for low, high in ranges[:SHOWN])
    left = len(ranges) - SHOWN
    return shown + (f" and {left} more" if left > 0 else "")
