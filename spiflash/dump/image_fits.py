"""Whether an image fits a board: asked before anything is written.

Each concern refuses the image until a person names it, or is a remark. What is compared: the
image with the chip (size), with itself (checksums, repetition, byte order, places), and with
what the board came with (processor, boot loader). A missing answer is no objection: where
nothing says for which processor something is, nothing is claimed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from spiflash.dump.audit import Audit, survey
from spiflash.dump.board_data import sound_environments
from spiflash.dump.coverage import fit, repeats_after
from spiflash.dump.differences import swapped
from spiflash.dump.finding import (
    Architecture,
    FileSystemFacts,
    Finding,
    Holds,
    TreeFacts,
    Verdict,
    images,
    is_loader_banner,
)
from spiflash.dump.formats import is_blank
from spiflash.dump.formats.programs import byte_order, processor
from spiflash.dump.layout import Region, Role
from spiflash.dump.layout.find import find_layouts
from spiflash.text import address, counted

STRONG = frozenset(
    {"uboot-image", "fit", "squashfs", "cramfs", "erofs", "romfs", "ubi", "jffs2", "environment"}
    | {"trx"}
)
"""Kinds with a checksum or a structure that chance does not make."""

_RUNS = (Holds.KERNEL, Holds.FIRMWARE, Holds.PROGRAM, Holds.SEVERAL)
"""What an image can hold that runs on the processor."""

_FARTHEST_HEADER = 64 << 10
_FLASH_READ = re.compile(r"sf read \S+ (?:0x)?([0-9a-fA-F]{1,8}) (?:0x)?([0-9a-fA-F]{1,8})")


@dataclass(frozen=True, slots=True)
class Concern:
    """A reason not to write an image, or a remark.

    `name` is stable, and what a person writes to go on anyway; `refuses` says whether the
    image is not written without that; `final` that nothing helps. `text` says why.
    """

    name: str
    text: str
    refuses: bool = True
    final: bool = False


def find_concerns(board: Audit, image: Audit) -> tuple[Concern, ...]:
    """Every reason not to write `image` to `board`, the most serious first.

    `board` is the audit of the whole chip as it is.
    """
    found = [
        *_size(board, image),
        *_form(image),
        *_damage(image),
        *_places(board, image),
        *_processor(board, image),
        *_loader(board, image),
        *_boot_places(board, image),
        *_remarks(board, image),
    ]
    return tuple(sorted(found, key=lambda each: (not each.final, not each.refuses)))


def refusals(found: tuple[Concern, ...], despite: tuple[str, ...]) -> tuple[Concern, ...]:
    """The concerns for which an image is not written when a person accepted those named
    `despite`."""
    return tuple(
        each for each in found if each.refuses and (each.final or each.name not in despite)
    )


def _size(board: Audit, image: Audit) -> Iterator[Concern]:
    size, have = len(board.contents), len(image.contents)
    known = find_layouts(image.contents, image.findings)[0]
    stated = known.end if known.at is not None else 0
    if have > size:
        judged = fit(image.contents, image.findings, image.layout, size)
        text = f"It has {_amount(have)}, the chip {_amount(size)}. {judged.verdict}"
        if judged.shrink and judged.enough:
            rooms = ", ".join(f"{each.region} ({_amount(each.room)})" for each in judged.shrink[:4])
            text += f" Unused at the end of regions: {rooms}."
        yield Concern("size", text, final=not judged.fits)
    elif have < stated:
        yield Concern(
            "short",
            f"Its own layout covers {_amount(stated)}, the file has {_amount(have)}: "
            f"{_amount(stated - have)} of it are not there.",
        )
    elif (cut := _cut(image)) is not None:
        over = cut.start + _stated_size(cut) - have
        text = (
            f"{cut.title} at {cut.start:06X}h extends {_amount(over)} beyond the end of the file."
        )
        yield Concern("short", text)
    elif have < size and (lacking := _lacking(board, image)):
        text = f"It ends at {address(have)}, and has no {lacking}; this board has one after that."
        yield Concern("short", text)
    elif have < size:
        text = f"It ends at {address(have)}; what the chip holds from there on stays."
        yield Concern("ends", text, refuses=False)
    if stated > size:
        text = f"Its layout is for a flash of {_amount(stated)}; the chip has {_amount(size)}."
        yield Concern("layout", text)
    elif stated and stated < size and have >= stated:
        text = f"Its layout uses {_amount(stated)} of the chip's {_amount(size)}."
        yield Concern("layout-smaller", text, refuses=False)


def _stated_size(finding: Finding) -> int:
    return finding.facts.size if isinstance(finding.facts, FileSystemFacts) else 0


def _cut(image: Audit) -> Finding | None:
    """A file system that states that it reaches beyond the end of an image."""
    have = len(image.contents)
    outer = [each for each in image.findings if each.parent is None]
    return next((each for each in outer if each.start + _stated_size(each) > have), None)


def _lacking(board: Audit, image: Audit) -> str:
    """What of a kernel and a root file system a board has after the end of an image that has
    none: it was cut off, or the two would be of different versions."""
    reach = len(image.contents)

    def held(audit: Audit, role: Role) -> list[int]:
        layouts = (audit.layout, find_layouts(audit.contents, audit.findings)[-1].layout)
        return [
            each.start
            for layout in layouts
            for each in layout.regions
            if each.role is role and not is_blank(audit.contents, each.start, each.end)
        ]

    for role, name in ((Role.KERNEL, "kernel"), (Role.ROOT, "root file system")):
        behind = [start for start in held(board, role) if start >= reach]
        if behind and not [start for start in held(image, role) if start < reach]:
            return name
    return ""


def _amount(count: int) -> str:
    """A number of bytes, in MiB or KiB where that is a whole number."""
    for unit, name in ((1 << 20, "MiB"), (1 << 10, "KiB")):
        if count and count % unit == 0:
            return f"{count // unit:,} {name}"
    return counted(count, "byte")


def _form(image: Audit) -> Iterator[Concern]:
    contents = image.contents
    period = repeats_after(contents)
    if period is not None:
        yield Concern(
            "doubled",
            f"The same {_amount(period)} are repeated {len(contents) // period} times: a smaller "
            "chip was read with too large a size.",
        )
    if _strong(image.findings):
        return
    for width in (2, 4):
        if _strong(survey(swapped(contents, width))):
            text = f"Its bytes are in the wrong order, in groups of {width}."
            yield Concern("swapped", text)
            return
    yield Concern(
        "unknown", "Nothing in it is recognised: no boot image, file system or environment."
    )


def _strong(findings: tuple[Finding, ...]) -> list[Finding]:
    return [each for each in findings if each.kind in STRONG]


def _damage(image: Audit) -> Iterator[Concern]:
    broken = [each for each in image.findings if each.verdict is Verdict.DAMAGED]
    if broken:
        first = broken[0]
        more = f" {len(broken) - 1} more like it." if len(broken) > 1 else ""
        why = first.checks[-1] if first.checks else "its checksum FAILS"
        text = f"It is damaged: {first.title} at {first.start:06X}h: {why}.{more}"
        yield Concern("damaged", text)


def _places(board: Audit, image: Audit) -> Iterator[Concern]:
    """Whether everything is a little after where it should be: a header is in front."""
    outer = [each for each in _strong(image.findings) if each.parent is None]
    stated = find_layouts(image.contents, image.findings)[0].at is not None
    starts = {each.start for each in board.layout.regions}
    if stated:
        starts |= {each.start for each in image.layout.regions}
    votes = Counter(
        each.start - start
        for each in outer
        for start in starts
        if 0 <= each.start - start <= _FARTHEST_HEADER
    )
    over = len(image.contents) - len(board.contents)
    shift, count = max(
        ((shift, count) for shift, count in votes.items() if shift),
        key=lambda pair: (pair[1], pair[0] == over),
        default=(0, 0),
    )
    enough = 1 if shift == over or shift % 4096 else 2
    if not stated and not shift % 4096 and shift != over:
        # Without a layout, a new image may well have everything after its loader a little later.
        enough = 2 if _starts_otherwise(board, image, shift) else len(outer) + 1
    if count > votes[0] and count >= enough:
        yield Concern(
            "header",
            f"Everything in it is {shift:,} bytes after its place: it starts with a header that "
            "does not belong on the chip.",
        )


def _starts_otherwise(board: Audit, image: Audit, length: int) -> bool:
    """Whether the board begins with code and the image, in its first `length` bytes, does not."""
    ours, theirs = board.contents[:length], image.contents[:length]
    return bool(processor(ours)) and not processor(theirs)


def _families(audit: Audit, boot: Region | None) -> dict[Architecture, str]:
    """Processor families that boot code and kernels are for, and what says so."""
    found: dict[Architecture, str] = {}
    for each in audit.findings:
        for facts in images(each):
            if facts.holds in _RUNS and facts.architecture:
                where = f"{each.title} at {each.start:06X}h"
                found.setdefault(facts.architecture.family, where)
    name = processor(boot.of(audit.contents)) if boot is not None else ""
    if name and boot is not None:
        where = f"the instructions of the boot code at {boot.start:06X}h"
        found.setdefault(Architecture(name).family, where)
    return found


def _kernels(audit: Audit) -> set[Architecture]:
    """What the kernels of a dump are for, as they say."""
    stated = [facts for each in audit.findings for facts in images(each)]
    return {e.architecture for e in stated if e.holds is Holds.KERNEL and e.architecture}


def _processor(board: Audit, image: Audit) -> Iterator[Concern]:
    boot = _boot(board)
    ours, theirs = _families(board, boot), _families(image, _boot(image) or boot)
    for name, why in theirs.items():
        if ours and name not in ours:
            known, because = next(iter(ours.items()))
            yield Concern(
                "processor", f"It is for {name} ({why}); this board is {known} ({because})."
            )
            return
    boots = [(board, boot), (image, _boot(image) or boot)]
    ways = [byte_order(at.of(each.contents)) if at else "" for each, at in boots]
    if all(ways) and ways[0] != ways[1]:
        text = f"Its boot code is {ways[1]}-endian, this board's {ways[0]}-endian."
        yield Concern("processor", text)
        return
    kernels = [_kernels(board), _kernels(image)]
    if all(kernels) and not kernels[0] & kernels[1]:
        # A 64-bit processor may run 32-bit code, but that is for a person to know.
        text = f"Its kernel is for {min(kernels[1])}, this board's for {min(kernels[0])}."
        yield Concern("processor", text)
        return
    orders = [{each.order for each in sound_environments(side)} for side in (board, image)]
    if all(orders) and not orders[0] & orders[1]:
        yield Concern(
            "processor",
            f"Its environment is for a {min(map(str, orders[1]))}-endian processor, this board's "
            f"for a {min(map(str, orders[0]))}-endian one.",
        )


def _boot(audit: Audit) -> Region | None:
    """Where the boot loader is: the first region of that role, or the start of the flash."""
    named = next((each for each in audit.layout.regions if each.role is Role.BOOT), None)
    if named is not None:
        return named
    regions = audit.layout.regions
    if regions and regions[0].start == 0 and regions[0].role is Role.OTHER:
        return regions[0]  # whatever it is called, a processor starts there
    first = regions[0].start if regions else 0
    return Region("boot", 0, first, Role.BOOT) if first else None


def _loader(board: Audit, image: Audit) -> Iterator[Concern]:
    """Whether there is a loader where the board starts."""
    boot = _boot(board)
    if boot is None or boot.start >= len(image.contents) or not _speaks(board, boot):
        return
    if is_blank(image.contents, boot.start, boot.end):
        yield Concern("loader", f"It is blank where the board has its boot loader ({boot.name}).")
    elif not _speaks(image, boot):
        first = next((each for each in image.findings if each.start == boot.start), None)
        what = first.title if first is not None else "something unknown"
        text = f"Where the board has its boot loader ({boot.name}), it has {what}."
        yield Concern("loader", text)


def _speaks(audit: Audit, boot: Region) -> bool:
    """Whether boot code is known there, by its version string or its instructions."""
    banner = any(is_loader_banner(each) and boot.holds(each.start) for each in audit.findings)
    return banner or bool(processor(boot.of(audit.contents)))


def _boot_places(board: Audit, image: Audit) -> Iterator[Concern]:
    """Whether the boot command reads from where there is something."""
    reach = len(image.contents)
    saved = [each for each in image.hints.environments if each.checksum_ok]
    for environment in (saved or image.hints.environments)[:1]:
        for step in environment.command:
            match = _FLASH_READ.match(step)
            start = int(match[1], 16) if match else reach
            if start < reach and is_blank(image.contents, start, start + 64):
                text = f"Its boot command reads from {start:06X}h, where it is blank."
                yield Concern("boot-command", text)
                return


def _remarks(board: Audit, image: Audit) -> Iterator[Concern]:
    compatible = [
        (
            word
            for each in side.findings
            if isinstance(each.facts, TreeFacts)
            for word in each.facts.compatible
        )
        for side in (board, image)
    ]
    trees = [set(words) for words in compatible]
    if all(trees) and not trees[0] & trees[1]:
        text = f"Its device tree is for {min(trees[1])}, this board's for {min(trees[0])}."
        yield Concern("tree", text, refuses=False)
