"""What is wrong with a chip that a board does not start from, and the smallest repair.

Here is the triage as a whole: what happened to the chip, region by region, and the repairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from spiflash.dump.finding import TreeFacts
from spiflash.dump.formats.programs import processor
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.triage.card import card_road
from spiflash.dump.triage.chip_state import chip_state
from spiflash.dump.triage.proposal import Case
from spiflash.dump.triage.references import (
    FIRMWARE,
    Reference,
    References,
    another_version,
    islands,
    reference,
    whole_pieces,
    with_layout,
)
from spiflash.dump.triage.regions import judge
from spiflash.dump.triage.repairs import repairs
from spiflash.dump.triage.result import (
    CardRoad,
    ChipState,
    Kind,
    RegionFinding,
    Repair,
    Source,
    Triage,
)
from spiflash.spans import SECTOR, Span
from spiflash.text import counted

__all__ = [
    "CardRoad",
    "Kind",
    "Reference",
    "RegionFinding",
    "Repair",
    "Source",
    "Triage",
    "reference",
    "triage",
]

_WORST = (
    *(Kind.PROCESSOR, Kind.HALF_ERASED, Kind.SWAPPED, Kind.SHIFTED, Kind.INTERRUPTED, Kind.ERASED),
    *(Kind.FILES, Kind.BIT_ROT, Kind.DAMAGED, Kind.ENV_CHECKSUM, Kind.ENV_NO_BOOT, Kind.FOREIGN),
    Kind.OWN_LOST,
)
"""Which finding names the whole when regions have different ones."""


def triage(
    chip: bytes | Reference,
    *,
    own_backup: Reference | None = None,
    model_image: Reference | None = None,
    layout: Layout | None = None,
) -> Triage:
    """Judge the contents of a whole chip, which may have been examined already.

    `own_backup` are contents of this very board while it worked; `model_image` is a known-good
    image of the same model, generic or of another board; with neither, only checksums speak.
    `layout` outweighs the layouts that backup, image and chip state, which are taken in this
    order. Empty contents raise ValueError. Takes some seconds for 16 MiB.
    """
    if not isinstance(chip, Reference):
        chip = reference(chip, layout)
    own, model = own_backup, model_image
    contents = chip.contents
    size = len(contents)
    suggested, whose = _layout(size, own, model, chip)
    stated = layout is not None or whose.stated
    chosen = layout or _with_loader(suggested, whose)
    if layout is not None:
        chip = with_layout(chip, chosen)
    state = chip_state(chip, own, model, chosen)
    view = chip
    if state is not None and state.view != contents:
        view = reference(state.view, layout)
        if own is None and model is None and layout is None:
            chosen, stated = _with_loader(view.layout, view), view.stated
    if not stated:
        chosen = _as_long_as_on(view, chosen)
    regions = chosen.with_gaps
    refs = References(chip, own, model)
    findings = _trees_of_an_update(refs, [judge(refs, region) for region in regions])
    stranger = any(each.kind is Kind.PROCESSOR for each in findings)
    if stranger and state is not None and state.stop is not None and not state.image_known:
        # A boot loader for another processor that ends in a blank looks like an interrupted
        # update.
        state = None
    seen = findings
    if view is not chip:
        seen = [judge(References(view, own, model), region) for region in regions]
        findings = [_everywhere(each, state, contents) for each in findings]
    elif state is not None:
        findings = [_overwritten(each, state, size) for each in findings]
        seen = findings
    kind, headline = _overall(state, findings, chosen)
    case = Case(
        refs,
        view,
        state,
        tuple(findings),
        tuple(seen),
        chosen,
        stated,
        lambda contents: _examined(contents, (chip, own, model), layout),
    )
    proposed, refused = repairs(case)
    return Triage(
        kind=kind,
        headline=headline,
        layout=chosen,
        regions=tuple(findings),
        stop=_stop(state, findings),
        own=with_layout(view, chosen).own,
        view=view.contents,
        repairs=proposed,
        card=card_road(findings, refs, view),
        refused=refused,
    )


def _examined(
    contents: bytes, at_hand: Sequence[Reference | None], layout: Layout | None
) -> Reference:
    """`contents` examined, unless they are something that has been."""
    for each in at_hand:
        if each is not None and each.contents == contents:
            return each
    return reference(contents, layout)


def _layout(
    size: int, own: Reference | None, model: Reference | None, chip: Reference
) -> tuple[Layout, Reference]:
    """The backup's before the chip's own, which what happened may have taken along; and whose
    it is."""
    for each in (own, model, chip):
        if each is not None and each.stated and each.layout.size == size and not each.remarks:
            return each.layout, each
    for each in (own, model):
        if each is not None and each.layout.size == size:
            return each.layout, each
    return chip.layout, chip


def _with_loader(layout: Layout, whose: Reference) -> Layout:
    """A layout that nobody states, with the code at its beginning as the loader: a processor
    starts there (common practice, no source)."""
    if whose.stated or any(each.role is Role.BOOT for each in layout.regions):
        return layout
    gap = next((end for start, end in layout.gaps if start == 0), 0)
    first = next(iter(islands(whose.contents, 0, min(gap, len(whose.contents)), SECTOR)), (0, 0))
    if first[0] >= SECTOR or not processor(whose.contents[: first[1]]):
        return layout
    end = min(-(-first[1] // SECTOR) * SECTOR, gap)
    names = {each.name for each in layout.named}
    name = next(each for each in ("boot", "loader", "code", "start-code") if each not in names)
    regions = (Region(name, 0, end, Role.BOOT), *layout.regions)
    return Layout(layout.size, regions, layout.groups, layout.source)


def _as_long_as_on(chip: Reference, layout: Layout) -> Layout:
    """A layout that nobody states, its firmware as long as what the chip holds there: the loader
    or kernel of another version may be longer than the one that suggested the layout.

    Bare data go on only as code for the same processor: nothing else says that they are firmware.
    """
    starts = sorted(each.start for each in (*layout.regions, *chip.layout.regions))
    found: list[Region] = []
    for region in layout.regions:
        end = region.end
        limit = min((each for each in starts if each >= end), default=layout.size)
        for piece in whole_pieces(chip) if region.role in FIRMWARE else ():
            first = region.start <= piece.start < min(region.start + SECTOR, region.end)
            if not (first and region.end < piece.end):
                continue
            ours = processor(chip.contents[region.end : piece.end])
            same = ours and ours == processor(chip.contents[piece.start : region.end])
            if piece.finding is not None or (region.role is Role.BOOT and same):
                end = max(end, min(-(-piece.end // SECTOR) * SECTOR, limit))
        found.append(replace(region, length=end - region.start))
    return replace(layout, regions=tuple(found))


def _trees_of_an_update(refs: References, findings: list[RegionFinding]) -> list[RegionFinding]:
    """Backup and image say nothing of a device tree that came with another kernel than theirs: one
    that is whole and differs a little is no damage."""
    against = refs.backup or refs.model
    if against is None or not another_version(refs.chip, against):
        return findings
    trees = {each.start for each in refs.chip.findings if isinstance(each.facts, TreeFacts)}
    text = "the device tree of another kernel, and no checksum covers it"
    return [
        RegionFinding(each.region, Kind.NOT_CHECKED, text, each.places)
        if each.region.role is Role.TREE
        and each.kind in (Kind.BIT_ROT, Kind.DAMAGED)
        and each.region.start in trees
        else each
        for each in findings
    ]


def _everywhere(finding: RegionFinding, state: ChipState | None, chip: bytes) -> RegionFinding:
    """A region of a chip that is swapped or moved as a whole."""
    region = finding.region
    if state is None or (not finding.bad and region.of(chip) == region.of(state.view)):
        return finding
    where: tuple[Span, ...] = (region.span,)
    return RegionFinding(region, state.kind, state.detail, where, shift=state.shift)


def _overwritten(finding: RegionFinding, state: ChipState, size: int) -> RegionFinding:
    """A region of a chip on which a write stopped."""
    region, stop = finding.region, state.stop
    if stop is None or (finding.kind is Kind.INTACT and region.end <= stop):
        return finding
    if region.start <= stop < region.end:
        end = min(max(state.reached, stop), region.end)
        return RegionFinding(
            region,
            Kind.INTERRUPTED,
            f"written {'' if state.image_known else 'at least '}up to {stop:06X}h, then blank",
            ((stop, end),),
            stop,
        )
    if finding.kind is Kind.DAMAGED and region.end <= stop:
        return replace(finding, detail="overwritten by the update")
    return finding


def _overall(
    state: ChipState | None, findings: Sequence[RegionFinding], layout: Layout
) -> tuple[Kind, str]:
    if state is not None:
        return state.kind, f"{state.detail[:1].upper()}{state.detail[1:]}."
    bad = [each for each in findings if each.bad]
    if not bad:
        unchecked = [each for each in findings if each.kind is Kind.NOT_CHECKED]
        if not any(each.region.role in (Role.KERNEL, Role.ROOT) for each in findings):
            return Kind.NOT_CHECKED, "No kernel and no root file system was found."
        if not unchecked:
            left = sum(each.unsure for each in findings)
            but = f", but for {counted(left, 'byte')} that no checksum covers" if left else ""
            return (
                Kind.INTACT,
                f"Everything is correct by a checksum, the backup or the image{but}.",
            )
        names = [each.region.name for each in unchecked if each.region in layout.regions]
        gaps = len(unchecked) - len(names)
        shown = [*names[:8], *([counted(len(names) - 8, "other region")] if names[8:] else [])]
        shown += [counted(gaps, "gap")] if gaps else []
        return Kind.NOT_CHECKED, f"No fault found; not checked: {', '.join(shown)}."
    worst = min(bad, key=lambda each: _WORST.index(each.kind))
    more = f"; {counted(len(bad) - 1, 'other region')} with faults" if len(bad) > 1 else ""
    return worst.kind, f"{worst.region.name}: {worst.detail}{more}."


def _stop(state: ChipState | None, findings: Sequence[RegionFinding]) -> int | None:
    if state is not None and state.stop is not None:
        return state.stop
    return next((each.stop for each in findings if each.stop is not None), None)
