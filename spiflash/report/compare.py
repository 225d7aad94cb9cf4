"""A comparison as text and as JSON."""

from __future__ import annotations

import shlex

from spiflash.dump.differences import ByteChange, Comparison, VariableChange
from spiflash.dump.identity.items import called
from spiflash.report.lines import facts, listed, next_steps, wrapped
from spiflash.report.plain import document, plain
from spiflash.text import address, clean, counted, span

_SHOWN = 40
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
            ways = ", ".join(f"{how.value} {count}" for how, count in each.ways)
            lines.append(
                f"  {clean(each.name):<{width}}  {address(each.start, size)}  "
                f"{each.differing:>5} of {counted(each.sectors, 'sector')}: {ways}"
            )
    if found.own:
        lines += ["", "The boards' own data"]
        for own in found.own[: _SHOWN if details else _FEW]:
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
        for part in found.differences[:_SHOWN]:
            moved = ""
            if part.shift:
                moved = f" by {abs(part.shift)} bytes {'later' if part.shift > 0 else 'earlier'}"
            lines.append(
                f"  {span(part.start, part.end, size)}  "
                f"{part.how.value}{moved}, {counted(part.bytes_differing, 'byte')}"
            )
        if len(found.differences) > _SHOWN:
            lines.append(f"  and {len(found.differences) - _SHOWN:,} more")
    if found.single:
        lines += ["", "Single bytes"]
        lines += [_byte(each, size) for each in found.single[:_SHOWN]]
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
