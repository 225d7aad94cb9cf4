"""The triage as a whole: what happened, region by region, and the way back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from spiflash.dump.finding import Span
from spiflash.dump.identity import identity
from spiflash.dump.layout.region import Layout, Region, Role
from spiflash.dump.triage.alone import UNPROVEN
from spiflash.dump.triage.card import card_road
from spiflash.dump.triage.happened import Whole
from spiflash.dump.triage.known import Known
from spiflash.dump.triage.reference import Reference, reference
from spiflash.dump.triage.regions import judge
from spiflash.dump.triage.repairs import repairs
from spiflash.dump.triage.result import Kind, RegionFinding, Triage
from spiflash.dump.triage.whole import whole
from spiflash.dump.wording import counted

_WORST = (
    Kind.PROCESSOR,
    Kind.HALF_ERASED,
    Kind.SWAPPED,
    Kind.SHIFTED,
    Kind.INTERRUPTED,
    Kind.ERASED,
    Kind.FILES,
    Kind.BIT_ROT,
    Kind.DAMAGED,
    Kind.ENV_CHECKSUM,
    Kind.ENV_NO_BOOT,
    Kind.FOREIGN,
    Kind.OWN_LOST,
)
"""Which finding names the whole when regions have different ones."""


def diagnose(
    chip: Reference,
    own: Reference | None,
    model: Reference | None,
    layout: Layout | None,
) -> Triage:
    """See `triage`."""
    contents = chip.contents
    size = len(contents)
    chosen = layout or _layout(size, own, model, chip)
    chip = _with_layout(chip, chosen)
    happened = whole(chip, own, model, chosen)
    view = chip
    if happened is not None and happened.view != contents:
        view = _with_layout(reference(happened.view, layout or chosen), chosen)
        if own is None and model is None and layout is None:
            view = reference(happened.view)
            chosen = view.layout
    regions = _regions(chosen)
    known = Known(chip, own, model)
    findings = [judge(known, region) for region in regions]
    stranger = any(each.kind is Kind.PROCESSOR for each in findings)
    if stranger and happened is not None and happened.stop is not None and not happened.known:
        # A strange boot loader that ends in a blank looks like an update of which no more came.
        happened = None
    seen = findings
    if view is not chip:
        seen = [judge(Known(view, own, model), region) for region in regions]
        findings = [_everywhere(each, happened) for each in findings]
    elif happened is not None:
        findings = [_overwritten(each, happened, size) for each in findings]
    kind, headline = _overall(happened, findings)
    return Triage(
        kind=kind,
        headline=headline,
        layout=chosen,
        regions=tuple(findings),
        stop=_stop(happened, findings),
        own=view.own,
        view=view.contents,
        repairs=repairs(chip, view, happened, findings, seen, own, model, chosen),
        card=card_road(findings, [each for each in (own, model, view) if each is not None]),
    )


def _layout(size: int, own: Reference | None, model: Reference | None, chip: Reference) -> Layout:
    """The backup's before the chip's own, which what happened may have taken along."""
    for each in (own, model, chip):
        if each is not None and each.stated and each.layout.size == size and not each.remarks:
            return each.layout
    for each in (own, model):
        if each is not None and each.layout.size == size:
            return each.layout
    return chip.layout


def _with_layout(chip: Reference, layout: Layout) -> Reference:
    if chip.layout == layout:
        return chip
    own = identity(chip.contents, chip.findings, layout, show_secrets=True)
    return replace(chip, layout=layout, own=own)


def _regions(layout: Layout) -> list[Region]:
    """The regions and what lies between them."""
    gaps = [Region(f"gap-{low:06X}h", low, high - low) for low, high in layout.gaps]
    return sorted((*layout.regions, *gaps), key=lambda region: region.start)


def _everywhere(finding: RegionFinding, happened: Whole | None) -> RegionFinding:
    """A region of a chip that is swapped or moved as a whole."""
    region = finding.region
    if happened is None or finding.kind is Kind.INTACT:
        return finding
    where: tuple[Span, ...] = ((region.start, region.end),)
    return RegionFinding(region, happened.kind, happened.detail, where, shift=happened.shift)


def _overwritten(finding: RegionFinding, happened: Whole, size: int) -> RegionFinding:
    """A region of a chip on which a write stopped."""
    region, stop = finding.region, happened.stop
    if stop is None or (finding.kind is Kind.INTACT and region.end <= stop):
        return finding
    if region.start <= stop < region.end:
        end = min(max(happened.reached, stop), region.end)
        return RegionFinding(
            region,
            Kind.INTERRUPTED,
            f"written up to {stop:06X}h, then blank",
            ((stop, end),),
            stop,
        )
    if finding.kind is Kind.DAMAGED and region.end <= stop:
        return replace(finding, detail="written over by the update")
    return finding


def _overall(happened: Whole | None, findings: Sequence[RegionFinding]) -> tuple[Kind, str]:
    if happened is not None:
        return happened.kind, f"{happened.detail[:1].upper()}{happened.detail[1:]}."
    bad = [each for each in findings if each.kind is not Kind.INTACT]
    if not any(each.region.role in (Role.KERNEL, Role.ROOT) for each in findings) and not bad:
        return Kind.DAMAGED, "Neither a kernel nor a root file system is found."
    if not bad:
        open_ = [each.region.name for each in findings if each.detail == UNPROVEN]
        doubt = f"; nothing vouches for {', '.join(open_)}" if open_ else ""
        return Kind.INTACT, f"Nothing is wrong as far as can be told{doubt}."
    worst = min(bad, key=lambda each: _WORST.index(each.kind))
    more = f"; {counted(len(bad) - 1, 'other region')} with findings" if len(bad) > 1 else ""
    return worst.kind, f"{worst.region.name}: {worst.detail}{more}."


def _stop(happened: Whole | None, findings: Sequence[RegionFinding]) -> int | None:
    if happened is not None and happened.stop is not None:
        return happened.stop
    return next((each.stop for each in findings if each.stop is not None), None)
