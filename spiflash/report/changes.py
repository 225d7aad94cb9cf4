"""What a change of the chip would do or did, and how two dumps differ, as text and as JSON.

The rows of a board's own items stand here for every command that shows them, so that all use one
table and the same words.
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from spiflash.dump.audit import Audit, examine
from spiflash.dump.board_data import WHOLE_KINDS, Decision, Fate, sound_environments
from spiflash.dump.compare import ByteChange, Comparison, VariableChange
from spiflash.dump.convert import Proposal
from spiflash.dump.identity import OwnItem, called
from spiflash.dump.image_fits import Concern
from spiflash.jobs.write import Rewritten, Work
from spiflash.jobs.write.rewriting import Proof
from spiflash.plan import Plan
from spiflash.report import facts, listed, next_steps, table, wrapped
from spiflash.report.plain import document, plain
from spiflash.spans import SECTOR
from spiflash.text import address, amount, clean, counted, ranges_text, seconds, span


def plan_text(plan: Plan, work: Work | None = None) -> str:
    """What will be erased and programmed, how long it takes, and the wear; of `work` also what is
    written to which board, and what protects it."""
    if not plan.steps:
        return "NOTHING TO DO: the chip holds exactly this already."
    erases = ", ".join(f"{count} × {amount(kind.size)}" for kind, count in plan.erase_counts)
    share = 100 * plan.erased_bytes / plan.size
    head = (
        f"PLAN: {counted(plan.erases, 'erase')} and {counted(plan.programs, 'page')} to program, "
        f"about {seconds(plan.seconds)} ({seconds(plan.worst_seconds)} at most)."
    )
    rows = [] if work is None else _what_for(work)
    rows += [
        ("Erase", f"{erases or 'nothing'} ({share:.1f} % of the chip)"),
        ("Program", f"{counted(plan.programs, 'page')}, {plan.programmed_bytes:,} bytes"),
        ("Changes", ranges_text(plan.affected, 12 if work is None else 4)),
        ("Wear", _wear_text(plan)),
    ]
    return "\n".join([*wrapped(head, "", "  "), *facts(rows)])


def _what_for(work: Work) -> list[tuple[str, str]]:
    """Source, its size against the chip, board, backup and regions."""
    size, image = work.plan.size, work.image
    source = work.source or "what the chip held before"
    if image is not None:
        length = sum(high - low for low, high in image.ranges)
        part = "the whole chip" if length == size else f"{amount(length)} of {amount(size)}"
        source += f" ({part})"
    other = " ANOTHER BOARD'S SET" if work.of_another_board else ""
    layout = examine(work.old.contents, "the chip", signs=False).layout
    regions = [
        clean(region.name, 24)
        for region in layout.regions
        if any(low < region.end and region.start < high for low, high in work.plan.affected)
    ]
    backup = str(work.backup.path) if work.backup is not None else ""
    return [
        ("Source", f"{source}{other}"),
        ("Chip", f"{work.chip}, {amount(size)}"),
        ("Board", work.board or "no label"),
        ("Backup", backup or "NONE of this chip: what it holds now cannot be brought back"),
        ("Regions", ", ".join(regions) or "no layout known"),
    ]


def _wear_text(plan: Plan) -> str:
    """A plan erases no place twice; sectors in the unit in which endurance is rated."""
    count = plan.erased_bytes // SECTOR
    if not count:
        return "none: bits are only cleared"
    return f"one more erase cycle for {count:,} of {counted(plan.size // SECTOR, 'sector')}"


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
        text = f"The whole chip was read back in {proof.passes} passes and is correct."
    else:
        text = (
            "Every changed sector was read back and is correct, as are those next to them and at "
            f"the start of the chip ({counted(proof.sectors, 'sector')})."
        )
        if proof.glanced:
            text += f" Of {counted(proof.glanced, 'sector')} further away a part was read."
        text += " The rest of the chip was checked in a few places only."
    if proof.reread:
        text += f" {counted(len(proof.reread), 'sector')} had to be read again."
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
    """What happens to an item, and why."""
    if said.whole and said.item.kind not in WHOLE_KINDS:
        return clean(said.why if said.kept else f"{said.fate.value}, {said.why}", 80)
    if said.fate is Fate.VARIABLE:
        return f"{said.fate.value}{said.why and ': ' + said.why}"
    where = ""
    if said.fate is Fate.CARRIED and said.place is not None and said.place != said.item.start:
        where = f" to {address(said.place, size)}"
    return f"{said.fate.value}{where}: {clean(said.why, 200)}"


def decision_rows(decisions: Sequence[Decision], size: int) -> list[tuple[str, str, str]]:
    """(name, what it is, what happens to it) for each item; those that move with a region stand
    after it, indented."""
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
        return "No data of this board's own was found"
    if not lost:
        return f"The board keeps all of its own data: {counted(len(proposal.decisions), 'item')}"
    return (
        f"The board keeps {len(proposal.decisions) - lost} of its {len(proposal.decisions)} own "
        f"items. LOST: {lost}, which only the backup will have"
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
        taken = "" if each in refused or not each.refuses else " Accepted with --despite."
        lines += wrapped(f"{each.text}{taken}", f"  {mark} ", "    ")
    lines += ["", "This board's own data, and what happens to it"]
    lines += table(decision_rows(proposal.decisions, size))
    more = len(proposal.decisions) - _SHOWN
    lines += [f"  and {more:,} more"] if more > 0 else []
    for name, _ in proposal.values:
        lines += wrapped(f"{name} is set in the environment (--set).")
    if proposal.brought:
        lines += ["", "The image has these; every board written with it gets the same"]
        lines += table(
            [(address(each.start, size), clean(each.name, 24), clean(each.text, 60))
             for each in proposal.brought[:20]]
        )  # fmt: skip
    return "\n".join(line.rstrip() for line in lines)


def overwrites_text(
    lost: Sequence[OwnItem], source: object, words: Sequence[str] = (), *, whole: bool = True
) -> str:
    """What a restore of `source`, the whole or a part of it, does to the board's own items, one
    line each; empty when nothing. `words` are the options that the next command needs."""
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
            "LOST: this overwrites or erases this board's own data. Only its backup keeps:",
            *table(rows),
            *more,
            "To write the image and keep them:"
            if whole
            else "To keep them, leave out their regions. To write the whole image and keep them:",
            f"  {shlex.join(('spiflash', 'convert', clean(str(source), 500), *words))}",
        )
    )


def first_start(proposal: Proposal) -> list[str]:
    """What to do when the board is started for the first time."""
    said = ["Take the clip off and unplug the adapter before the board gets power."]
    console = next((each for each in proposal.audit.hints.consoles if each.speed), None)
    if console is not None:
        said.append(f"Watch the console {clean(console.device, 40)} at {console.speed} baud.")
    for each in proposal.lost if not sound_environments(proposal.audit) else ():
        item = each.item
        if each.variable and not item.secret and item.kind in ("mac", "serial"):
            said.append(
                f"At the loader's prompt: setenv {clean(item.name, 40)} {clean(item.text, 60)}; "
                "saveenv"
            )
    if proposal.brought:
        said.append("Give the board an address or number of its own where the image brings one.")
    return said


def conversion_end(proposal: Proposal, done: Rewritten, *, page: str, back: str) -> str:
    """What was done, what to do at first start, and the way back; `back` is a command."""
    if done.plan.steps and done.proof is not None:
        head = f"CONVERTED: {proof_text(done.proof)} It took {seconds(done.seconds)}."
    else:
        head = "CONVERTED: the chip holds this already, so nothing was written."
    lines = wrapped(head, "", "  ")
    lines += [f"  Page  {page}"] if page else []
    lines += ["", "Next steps"]
    for number, step in enumerate(first_start(proposal), 1):
        lines += wrapped(step, f"  {number}. ", "     ")
    return "\n".join([*lines, "  To go back to what the board held:", f"    {back}"])


def rewritten_text(done: Rewritten, what: str) -> str:
    """The end of a restore or an erase; `what` says what was done."""
    if not done.plan.steps:
        text = f"VERIFIED: {what}. Nothing had to be written; the passes agree on it."
    else:
        proof = f" {proof_text(done.proof)}" if done.proof else ""
        text = f"VERIFIED: {what}.{proof} It took {seconds(done.seconds)}."
    lines = wrapped(text, "", "  ")
    if done.repaired:
        lines += wrapped(
            f"{counted(len(done.repaired), 'sector')} had to be written again: the chip may be "
            "near the end of its life, or the supply is weak.",
        )
    step = "Take the clip off and unplug the adapter before the board gets power."
    return "\n".join([*lines, *next_steps([(step, "")])])


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


_DIFFERENCES = 40
_FEW = 6


def compare_text(found: Comparison, before: str, after: str, *, details: bool = False) -> str:
    """Lines for the terminal; A is `before`, B is `after`: the verdict, then regions, own data and
    variables; with `details` sectors and bytes."""
    size = max(found.size_before, found.size_after)
    names = facts((("A", clean(before)), ("B", clean(after))))
    if found.equal:
        audit = shlex.join(["spiflash", "audit", clean(before, 500)])
        end = next_steps([("See what it holds", audit)])
        return "\n".join([f"EQUAL: all {found.size_before:,} bytes.", *names, *end])
    sectors = sum(-(-(each.end - each.start) // 4096) for each in found.differences)
    differ = (
        f"{counted(found.bytes_differing, 'byte')} in {counted(sectors, 'sector')} differ."
        if sectors
        else "nothing differs in the bytes that both have."
    )
    lines = [*wrapped(f"DIFFERENT: {differ}", "", "  "), *names]
    lines += listed(found.relations)
    changed = [each for each in found.regions if each.differing]
    if changed:
        lines += ["", "By region"]
        width = max(len(clean(each.name)) for each in changed)
        for each in changed:
            ways = ", ".join(f"{count} {how.value}" for how, count in each.ways)
            lines.append(
                f"  {clean(each.name):<{width}}  {address(each.start, size)}  "
                f"{each.differing:>5} of {counted(each.sectors, 'sector')}: {ways}"
            )
    if found.own:
        lines += ["", "The boards' own data"]
        for own in found.own[: _DIFFERENCES if details else _FEW]:
            lines.append(
                f"  {address(own.at, size)}  {called(own.kind)} ({clean(own.name, 32)}): "
                f"A {clean(own.before or 'none', 60)}, B {clean(own.after or 'none', 60)}"
            )
    if found.unsure:
        lines += ["", "UNSTABLE: these sectors of the chip read differently each time"]
        lines += [f"  {span(low, high, size)}" for low, high in found.unsure]
    if details:
        lines += _details(found, size)
    steps = [("--details lists sectors, bytes and variables.", "")] if not details else []
    steps.append(
        ("See what one of them holds", shlex.join(["spiflash", "audit", clean(before, 500)]))
    )
    return "\n".join([*lines, *next_steps(steps)])


def _details(found: Comparison, size: int) -> list[str]:
    lines = []
    if found.differences:
        lines += ["", "By sector"]
        for part in found.differences[:_DIFFERENCES]:
            moved = ""
            if part.shift:
                moved = f" by {abs(part.shift)} bytes {'later' if part.shift > 0 else 'earlier'}"
            lines.append(
                f"  {span(part.start, part.end, size)}  "
                f"{part.how.value}{moved}, {counted(part.bytes_differing, 'byte')}"
            )
        if len(found.differences) > _DIFFERENCES:
            lines.append(f"  and {len(found.differences) - _DIFFERENCES:,} more")
    if found.single:
        lines += ["", "Single bytes"]
        lines += [_byte(each, size) for each in found.single[:_DIFFERENCES]]
    if found.moved:
        lines += ["", "Moved"]
        lines += [
            f"  {clean(each.title, 80)}: at {address(each.before, size)} in A, at "
            f"{address(each.after, size)} in B"
            for each in found.moved
        ]
    if found.variables:
        lines += ["", "Environment variables"]
        for change in found.variables:
            lines += _variable(change, size)
    return lines


def _byte(change: ByteChange, size: int) -> str:
    bit = "" if change.bit is None else f", bit {change.bit}"
    return (
        f"  {address(change.at, size)}  A {change.before:02X}h, B {change.after:02X}h{bit}: "
        f"A {change.says_before.value}, B {change.says_after.value}"
    )


def _variable(change: VariableChange, size: int) -> list[str]:
    name = f"  {address(change.at, size)}  {clean(change.name, 64)}"
    if change.before is None:
        return [f"{name} is new: {clean(change.after or '')}"]
    if change.after is None:
        return [f"{name} is gone, was: {clean(change.before)}"]
    if change.before == change.after:
        return [f"{name} changed (masked; --show-secrets shows it)"]
    return [f"{name}", f"    A {clean(change.before)}", f"    B {clean(change.after)}"]


def compare_json(found: Comparison, before: str, after: str) -> dict[str, object]:
    """The same for scripts; addresses and sizes in bytes, ends excluded."""
    regions = [document(each) | {"ways": plain(dict(each.ways))} for each in found.regions]
    return {"a": before, "b": after, **document(found), "regions": regions}
