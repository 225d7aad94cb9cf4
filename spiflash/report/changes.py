"""What a change of the chip would do or did: plans, proofs and conversions, as text and as JSON.

The rows of a board's own items stand here for every command that shows them, so that all use one
table and the same words.
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import Protocol

from spiflash.dump.audit import Audit
from spiflash.dump.board_data import WHOLE_KINDS, Decision, Fate, saved_environments
from spiflash.dump.convert import Proposal
from spiflash.dump.identity import OwnItem
from spiflash.dump.image_fits import Concern
from spiflash.jobs.write.proof import Proof
from spiflash.plan import Plan
from spiflash.report.lines import facts, table, wrapped
from spiflash.report.plain import document, plain
from spiflash.spans import SECTOR
from spiflash.text import address, amount, clean, counted, ranges_text, seconds


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
    erases = [
        {"size": kind.size, "opcode": kind.opcode, "count": count}
        for kind, count in plan.erase_counts
    ]
    return {"erases": erases, **document(plan)}


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


_SHOWN = 200


def own_words(item: OwnItem, size: int) -> tuple[str, str]:
    """(name, what it is) of an own item, on a chip of `size` bytes; secrets stay as masked as
    the audit has them."""
    if item.kind in WHOLE_KINDS:
        return clean(item.name, 24), f"{amount(item.length)} from {address(item.start, size)}"
    where = address(item.start, size)
    if item.kind == "key":
        return where, f"{clean(item.name, 24)} {clean(item.text, 24)}"
    if item.kind in ("mac", "serial"):
        return where, f"{item.called} {clean(item.text, 40)}"
    return where, f"{item.called}, {counted(item.length, 'byte')}"


def fate_words(said: Decision, size: int) -> str:
    """What becomes of an item, and why."""
    if said.whole and said.item.kind not in WHOLE_KINDS:
        return clean(said.why if said.kept else f"{said.fate.value}, {said.why}", 80)
    if said.fate is Fate.VARIABLE:
        return f"{said.fate.value}{said.why and ': ' + said.why}"
    where = ""
    if said.fate is Fate.CARRIED and said.place is not None and said.place != said.item.start:
        where = f" to {address(said.place, size)}"
    return f"{said.fate.value}{where}: {clean(said.why, 200)}"


def decision_rows(decisions: Sequence[Decision], size: int) -> list[tuple[str, str, str]]:
    """(name, what it is, what becomes of it) for each item; those that move with a region stand
    behind it, set in."""
    return [(*decision_names(each, size), fate_words(each, size)) for each in decisions[:_SHOWN]]


def decision_names(said: Decision, size: int) -> tuple[str, str]:
    """(name, what it is) of an item in the table."""
    name, what = own_words(said.item, size)
    if said.whole and said.item.kind not in WHOLE_KINDS:
        name = f"  {name}"
    elif said.item.kind not in WHOLE_KINDS and said.variable:
        name = clean(said.variable, 24)
    return name, what


def verdict(proposal: Proposal, refused: Sequence[Concern]) -> str:
    """What to think of it, in a line."""
    if refused:
        return "REFUSED: this image does not belong on this board"
    lost = len(proposal.lost)
    if not proposal.decisions:
        return "Nothing was found that is this board's own"
    if not lost:
        return f"The board keeps all of its own: {counted(len(proposal.decisions), 'item')}"
    return (
        f"The board keeps {len(proposal.decisions) - lost} of {len(proposal.decisions)} own "
        f"items; {lost} of them only the backup has"
    )


def proposal_text(
    board: Audit,
    image: Audit,
    proposal: Proposal,
    concerns: Sequence[Concern],
    refused: Sequence[Concern],
    *,
    backup: str,
) -> str:
    """What a conversion means, for the terminal; `backup` says which set it goes by."""
    size = len(board.contents)
    lines = [verdict(proposal, refused), ""]
    lines += facts(
        (
            ("Backup", backup),
            ("Board", f"{amount(size)}, layout from {board.layout.source}"),
            ("Image", f"{image.name}, {amount(len(image.contents))}, layout from "
                      f"{image.layout.source}"),
        )
    )  # fmt: skip
    for each in concerns:
        mark = "!" if each.refuses else "-"
        taken = "" if each in refused or not each.refuses else " Accepted, as you said."
        lines += wrapped(f"{each.text}{taken}", f"  {mark} ", "    ")
    lines += ["", "This board's own, and what becomes of it"]
    lines += table(decision_rows(proposal.decisions, size))
    more = len(proposal.decisions) - _SHOWN
    lines += [f"  and {more:,} more"] if more > 0 else []
    for name, _ in proposal.values:
        lines += wrapped(f"{name} is set in the environment, as you said.")
    if proposal.brought:
        lines += ["", "The image brings these; every board written with it gets the same"]
        lines += table(
            [(address(each.start, size), clean(each.name, 24), clean(each.text, 60))
             for each in proposal.brought[:20]]
        )  # fmt: skip
    return "\n".join(line.rstrip() for line in lines)


def overwrites_text(lost: Sequence[OwnItem], source: object, *, whole: bool = True) -> str:
    """What a restore of `source`, the whole or a part of it, does to the board's own items, one
    line each; empty when nothing."""
    if not lost:
        return ""
    size = max(each.end for each in lost)
    rows = []
    for each in lost[:_SHOWN]:
        name, what = own_words(each, size)
        within = f"in {clean(each.region, 24)}" if each.region else "in no region"
        rows.append((name, what, within if each.region != each.name else ""))
    more = [f"  and {len(lost) - _SHOWN:,} more"] if len(lost) > _SHOWN else []
    return "\n".join(
        (
            "",
            "This overwrites or blanks what is this board's own; only its backup keeps it:",
            *table(rows),
            *more,
            "To write the image and keep them:"
            if whole
            else "To keep them, leave their regions out; to write the whole image and keep them:",
            f"  spiflash convert {shlex.quote(clean(str(source), 500))}",
        )
    )


def first_start(proposal: Proposal) -> list[str]:
    """What to do when the board is started for the first time."""
    said = ["Take the clip off and unplug the adapter before the board gets power."]
    console = next((each for each in proposal.audit.hints.consoles if each.speed), None)
    if console is not None:
        said.append(f"Watch the console {clean(console.device, 40)} at {console.speed} baud.")
    for each in proposal.lost if not saved_environments(proposal.audit) else ():
        item = each.item
        if each.variable and not item.secret and item.kind in ("mac", "serial"):
            said.append(
                f"At the loader's prompt: setenv {clean(item.name, 40)} {clean(item.text, 60)}; "
                "saveenv"
            )
    if proposal.brought:
        said.append("Give the board an address or number of its own where the image brings one.")
    return said


class Done(Protocol):
    """What was written (see `work.rewrite.Rewritten`)."""

    @property
    def plan(self) -> Plan:
        """What was erased and programmed."""
        ...

    @property
    def proof(self) -> Proof | None:
        """How it is known to be right."""
        ...

    @property
    def seconds(self) -> float:
        """How long it took."""
        ...


def conversion_end(proposal: Proposal, done: Done, *, page: str, back: str) -> str:
    """What was done, what to do at first start, and the way back; `back` is a command."""
    if done.plan.steps and done.proof is not None:
        head = f"CONVERTED. {proof_text(done.proof)} {seconds(done.seconds)} in all."
    else:
        head = "CONVERTED already: the chip holds this, and nothing had to be written."
    lines = [*wrapped(head, "", "  "), ""]
    steps = first_start(proposal)
    for number, step in enumerate(steps, 1):
        lines += wrapped(step, f"  {number}. ", "     ")
    lines += ["", "The way back to what the board held:", f"  {back}"]
    lines += [f"Page: {page}"] if page else []
    return "\n".join(lines)


def conversion_json(
    proposal: Proposal, concerns: Sequence[Concern], refused: Sequence[Concern]
) -> dict[str, object]:
    """The same for scripts; addresses and lengths in bytes."""
    return {
        "refused": [each.name for each in refused],
        "concerns": plain(concerns),
        "own": plain(proposal.decisions),
        "lost": len(proposal.lost),
        "values": [name for name, _ in proposal.values],
        "brought": plain(proposal.brought),
    }
