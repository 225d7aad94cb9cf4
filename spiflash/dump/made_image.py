"""Whether a merged image keeps what was promised, judged by an audit of it.

How the image was made is not known here. Whoever promised an item says where it should be;
this looks there, and in the environments as they read now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from spiflash.dump.audit import Audit
from spiflash.dump.board_data import (
    CONTAINERS,
    WHOLE_KINDS,
    Decision,
    Fate,
    sound_environments,
    whole_item,
    whole_ranges,
)
from spiflash.dump.finding import Finding
from spiflash.dump.identity import OwnItem
from spiflash.spans import meets_any, spans_of

_NOT_THERE = "not found again in the finished image"


def why_not_kept(said: Decision, board: Audit, made: Audit) -> str:
    """Why an item cannot be said to be kept; empty when it was found again, and for one that is
    not said to be kept.

    `board` and `made` are audits of the chip as it is and as it is to be.
    """
    if not said.kept:
        return ""
    item = said.item
    raw = item.of(board.contents)
    if said.fate is Fate.VARIABLE:
        name = said.variable.encode("latin-1", "replace")
        held = [each.by_name.get(name) for each in sound_environments(made)]
        # A redundant pair has two, of which the loader may take either one day.
        return "" if held and set(held) == {raw} else _NOT_THERE
    if said.place is None:
        return _NOT_THERE
    if item.kind in WHOLE_KINDS:
        raw = raw.rstrip(b"\xff")
        before = _forms(board.findings, item.start, item.end)
        after = _forms(made.findings, said.place, said.place + item.length)
        seen = before <= after
    else:
        seen = meets_any((said.place, said.place + item.length), spans_of(made.own))
    same = made.contents[said.place : said.place + len(raw)] == raw
    return "" if same and seen else _NOT_THERE


def _forms(findings: Sequence[Finding], start: int, end: int) -> set[tuple[str, int, int, str]]:
    """What was recognised in a range: kind, place in it, length and verdict."""
    return {
        (each.kind, each.start - start, each.length, each.verdict.value)
        for each in findings
        if start <= each.start < end and each.kind in CONTAINERS
    }


def items_from_image(
    board: Audit, made: Audit, given: Mapping[str, str], image: Audit | None = None
) -> tuple[OwnItem, ...]:
    """Addresses and serial numbers in a merged image that are neither the board's nor among the
    values `given`: they come with the image, and every board written with it gets them.

    Some are known only from other contents of `image`, of which it was made, such as variables
    that the made one has no longer.
    """
    known = {each.of(board.contents).lower() for each in board.own}
    known |= {each.text.encode().lower() for each in board.own if each.kind == "mac"}
    known |= {each.lower().encode("latin-1", "replace") for each in given.values()}
    places = spans_of(sound_environments(made))
    # Addresses in firmware are on all boards of a model; anywhere else they are one board's.
    places += spans_of(each for each in made.layout.regions if each.is_own)
    places += spans_of(whole_ranges(made))
    found = list(made.own)
    if image is not None:
        places += spans_of(whole_ranges(image))
        starts = {each.start for each in found}
        found += [
            each
            for each in image.own
            if each.start not in starts and each.of(image.contents) == each.of(made.contents)
        ]
    return tuple(
        each
        for each in sorted(found, key=lambda each: each.start)
        if each.kind in ("mac", "serial")
        and any(start <= each.start < end for start, end in places)
        and each.of(board.contents) != each.of(made.contents)
        and not {each.of(made.contents).lower(), each.text.encode().lower()} & known
    )


def other_boards_items(board: Audit, made: Audit, sets: Sequence[bytes]) -> tuple[OwnItem, ...]:
    """Another board's addresses and serial numbers that writing `made` would bring to a board
    that has its own, on the chip or in one of its `sets` (whole contents): what is in
    neither."""
    ours = [each for each in board.own if each.kind in ("mac", "serial")]
    if not ours and not sets:
        return ()
    return tuple(
        each
        for each in items_from_image(board, made, {})
        if not any(each.of(held) == each.of(made.contents) for held in sets)
    )


def overwritten_items(board: Audit, after: bytes) -> tuple[OwnItem, ...]:
    """The board's own items, regions of settings among them, that are lost when the chip holds
    `after`; one that is elsewhere in it is not. A setting counts only after its name: the
    loader does not look for its address in a block of factory data."""
    lost = []
    for region in whole_ranges(board):
        held = region.of(board.contents).rstrip(b"\xff")
        if not after.startswith(held, region.start):
            lost.append(whole_item(board, region))
    for each in board.own:
        raw = each.of(board.contents)
        name = each.name.encode("latin-1", "replace") + b"="
        forms = [raw]
        if board.contents[max(each.start - len(name), 0) : each.start] == name:
            forms = [name + raw]
        elif each.kind == "mac":
            forms += [each.text.encode(), bytes.fromhex(each.text.replace(":", ""))]
        if each.of(after) != raw and not any(form in after for form in forms):
            lost.append(each)
    return tuple(sorted(lost, key=lambda each: (each.start, -each.length)))
