"""What a restore would do, did, or what a comparison found: text and JSON."""

from __future__ import annotations

from spiflash.jobs.write.proof import Proof
from spiflash.plan import Plan
from spiflash.text import amount, counted, ranges_text, seconds

SECTOR = 4096
"""Bytes in the unit in which wear is told."""


def plan_text(plan: Plan) -> str:
    """What will be erased and programmed, how long it takes, and the wear."""
    if not plan.steps:
        return "Nothing to do: the chip holds this already."
    erases = ", ".join(f"{count} × {amount(kind.size)}" for kind, count in plan.erase_counts)
    share = 100 * plan.erased_bytes / plan.size
    return "\n".join(
        (
            f"{'Erase':<10} {erases or 'nothing'} ({share:.1f} % of the chip)",
            f"{'Program':<10} {counted(plan.programs, 'page')}, {plan.programmed_bytes} bytes",
            f"{'Changes':<10} {ranges_text(plan.affected)}",
            f"{'Wear':<10} {_wear_text(plan)}",
            f"{'Takes':<10} about {seconds(plan.seconds)}, {seconds(plan.worst_seconds)} at worst",
        )
    )


def _wear_text(plan: Plan) -> str:
    """A plan erases no place twice; sectors in the unit in which endurance is rated."""
    count = plan.erased_bytes // SECTOR
    if not count:
        return "none: bits only clear"
    return f"one erase more for {counted(count, 'sector')} of {plan.size // SECTOR}"


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


def proof_text(proof: Proof) -> str:
    """What was read back, in a sentence or two."""
    if proof.passes:
        text = f"The whole chip was read back in {proof.passes} passes and is right."
    else:
        text = (
            "Every sector that was changed was read back and is right, with those beside and at "
            f"the start of the chip ({proof.sectors} in all)."
        )
        if proof.glanced:
            text += f" Of {counted(proof.glanced, 'sector')} further off a piece was read."
        text += " The rest of the chip was looked at in some places only."
    if proof.reread:
        text += f" {counted(len(proof.reread), 'sector')} had to be read again for it."
    return text


def proof_json(proof: Proof) -> dict[str, object]:
    """The same for scripts; addresses in bytes."""
    return {
        "sectors": proof.sectors,
        "whole_chip_passes": proof.passes,
        "read_again": list(proof.reread),
        "written_again": list(proof.repaired),
        "sectors_looked_at": proof.glanced,
    }
