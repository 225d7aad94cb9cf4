"""What happened to the chip as a whole: swapped, moved, cut off, or a write that stopped."""

from __future__ import annotations

from collections.abc import Sequence

from spiflash.dump.differences import differing, find_shifts, swapped
from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.programs import find_banners
from spiflash.dump.layout.region import Layout, Role
from spiflash.dump.survey import survey
from spiflash.dump.triage.interrupted import interrupted
from spiflash.dump.triage.likeness import alike, moved, used
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind, Whole
from spiflash.spans import SECTOR

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
        if not _recognised(chip.findings) and len(_recognised(survey(turned))) > 1:
            return _as_swapped(turned, words)
    return None


def _recognised(findings: Sequence[Finding]) -> list[Finding]:
    """Images, trees, file systems and saved environments that are whole."""
    kinds = {kind for each in _BY_ROLE.values() for kind in each} | {"jffs2"}
    whole_ones = (Verdict.VERIFIED, Verdict.CONSISTENT)
    return [e for e in findings if e.kind in kinds and e.verdict in whole_ones]


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
            back = moved(contents, -shift)
            if alike(back, other) > _MOSTLY and not _in_place(contents, other, layout):
                return _as_shifted(contents, shift)
    if any(alike(contents, each.sized(size)) > _MOSTLY for each in known):
        return None
    found: dict[int, int] = {}
    for region in layout.regions:
        kinds = _BY_ROLE.get(region.role, ())
        shifts = {f.start - region.start for f in _recognised(chip.findings) if f.kind in kinds}
        if 0 in shifts:
            # Where one piece is in its place, not everything was moved.
            return None
        for shift in shifts:
            found[shift] = found.get(shift, 0) + 1
    if found:
        shift = max(found, key=lambda each: (found[each], -abs(each)))
        if found[shift] >= 2 and abs(shift) <= size // 4:
            return _as_shifted(contents, shift)
    return None


def _in_place(contents: bytes, other: bytes, layout: Layout) -> bool:
    """Whether a region that is not blank stands where it should."""
    return any(
        contents[each.start : each.end] == other[each.start : each.end]
        and used(contents[each.start : each.end]).any()
        for each in layout.regions
    )


_BY_ROLE = {
    Role.KERNEL: ("uboot-image", "fit", "kernel"),
    Role.ROOT: ("squashfs", "cramfs", "erofs", "romfs", "cpio"),
    Role.TREE: ("devicetree",),
    Role.ENVIRONMENT: ("environment",),
}


def _as_shifted(contents: bytes, shift: int) -> Whole:
    way = "behind" if shift > 0 else "before"
    detail = f"everything stands {abs(shift)} bytes ({abs(shift):X}h) {way} its place"
    return Whole(Kind.SHIFTED, detail, moved(contents, -shift), shift=shift)
