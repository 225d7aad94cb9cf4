"""What happened to the chip as a whole: swapped, moved, cut off, or a write that stopped."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.compare.sectors import differing
from spiflash.dump.compare.whole import SECTOR, find_shifts, swapped
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.banner import find_banners
from spiflash.dump.layout.region import Layout, Role
from spiflash.dump.triage.happened import Whole
from spiflash.dump.triage.interrupted import interrupted
from spiflash.dump.triage.likeness import alike, moved
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind

_MOSTLY = 0.5
_UNITS = ((2, "pairs"), (4, "fours"))


def whole(
    chip: Reference, own: Reference | None, model: Reference | None, layout: Layout
) -> Whole | None:
    """The explanation that holds for the chip as a whole, or None."""
    contents = chip.contents
    if contents.count(0xFF) == len(contents):
        return Whole(Kind.ERASED, "the whole chip is blank", contents)
    known = [each for each in (own, model) if each is not None]
    return (
        _swapped(chip, known)
        or _cut_off(chip, model)
        or _shifted(chip, known, layout)
        or interrupted(chip, own, model, layout)
    )


def _swapped(chip: Reference, known: Sequence[Reference]) -> Whole | None:
    contents = chip.contents
    others = [each.sized(len(contents)) for each in known]
    if any(alike(contents, other) > _MOSTLY for other in others):
        return None
    for width, words in _UNITS:
        turned = swapped(contents, width)
        if any(alike(turned, other) > _MOSTLY for other in others):
            return _as_swapped(turned, words)
        if any(True for _ in find_banners(contents)):
            continue
        if any(True for _ in find_banners(turned)):
            return _as_swapped(turned, words)
    return None


def _as_swapped(turned: bytes, words: str) -> Whole:
    return Whole(Kind.SWAPPED, f"the bytes are swapped in {words}", turned)


def _cut_off(chip: Reference, model: Reference | None) -> Whole | None:
    size = len(chip.contents)
    if model is not None and len(model.contents) > size:
        tail = model.contents[size:]
        if alike(chip.contents, model.sized(size)) > _MOSTLY and tail.count(0xFF) != len(tail):
            over = len(tail)
            return Whole(
                Kind.CUT_OFF,
                f"the image has {over} bytes more than the chip",
                chip.contents,
            )
    if chip.stated and chip.remarks and _too_long(chip.findings, size):
        return Whole(Kind.CUT_OFF, chip.remarks[0].rstrip("."), chip.contents)
    return None


def _too_long(findings: Sequence[Finding], size: int) -> bool:
    """Whether something that is damaged reaches up to the end of the chip."""
    return any(each.verdict is Verdict.DAMAGED and each.end >= size for each in findings) or not (
        any(each.verdict is Verdict.BLANK and each.end >= size for each in findings)
    )


def _shifted(chip: Reference, known: Sequence[Reference], layout: Layout) -> Whole | None:
    contents = chip.contents
    size = len(contents)
    for each in known:
        other = each.sized(size)
        places = differing(other, contents)
        if len(places) * SECTOR < size // 64 or alike(contents, other) > _MOSTLY:
            continue
        for shift in find_shifts(other, contents, places):
            if alike(moved(contents, -shift), other) > _MOSTLY:
                return _as_shifted(contents, shift)
    if any(alike(contents, each.sized(size)) > _MOSTLY for each in known):
        return None
    found: dict[int, int] = {}
    for region in layout.regions:
        kinds = _BY_ROLE.get(region.role, ())
        near = [f.start - region.start for f in chip.findings if f.kind in kinds]
        near = [shift for shift in near if shift < region.length and -shift <= region.length]
        if near:
            best = min(near, key=abs)
            found[best] = found.get(best, 0) + 1
    if found:
        shift = max(found, key=lambda each: found[each])
        if shift and found[shift] >= 2:
            return _as_shifted(contents, shift)
    return None


_BY_ROLE = {
    Role.KERNEL: ("uboot-image", "fit"),
    Role.ROOT: ("squashfs", "cramfs", "romfs"),
    Role.TREE: ("devicetree",),
}


def _as_shifted(contents: bytes, shift: int) -> Whole:
    way = "behind" if shift > 0 else "before"
    detail = f"everything stands {abs(shift)} bytes ({abs(shift):X}h) {way} its place"
    return Whole(Kind.SHIFTED, detail, moved(contents, -shift), shift=shift)
