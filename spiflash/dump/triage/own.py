"""This board's own data: found on the chip, and put into the model's image."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.identity import OwnItem
from spiflash.dump.identity import mac as addresses
from spiflash.dump.layout.region import Layout, Region, Role
from spiflash.dump.triage.envblock import env_block
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.result import Kind, RegionFinding, Source
from spiflash.dump.uboot_env import Environment, set_variables

_IDENTITY = ("mac", "serial", "key")


@dataclass(frozen=True, slots=True)
class Composed:
    """The model's image with what is this board's own; `kept` names what that was, `lost` what
    could not be found."""

    target: bytes
    source: Source
    kept: tuple[str, ...]
    lost: tuple[str, ...]


def is_own(region: Region) -> bool:
    """Whether a region belongs to the board rather than to the firmware."""
    return region.keep or region.role is Role.OWN


def compose(
    model: Reference, view: Reference, findings: Sequence[RegionFinding], layout: Layout
) -> Composed:
    """Build what the chip should hold from the model's image and the chip's own contents.

    `view` is the chip put in order. The board's own regions stay when they still hold its own
    data and are blank otherwise: another board's identity is worse than none. The environment
    is the model's with this board's values. Data that are whole stay.
    """
    size = len(view.contents)
    image = model.sized(size)
    target = bytearray(image)
    kept: list[str] = []
    lost: list[str] = []
    for finding in findings:
        region = finding.region
        span = slice(region.start, min(region.end, size))
        here = view.contents[span]
        if is_own(region):
            if holds_own(view, model, finding):
                target[span] = here
                kept.append(region.name)
            else:
                target[span] = b"\xff" * len(here)
                lost.append(f"what {region.name} held: addresses, serial number, calibration")
        elif not model.reaches(region):
            target[span] = here
        elif region.role in (Role.SETTINGS, Role.DATA):
            if finding.kind is Kind.INTACT:
                target[span] = here
            else:
                lost.append(f"what this board had written to {region.name}")
    for finding in findings:
        if finding.region.role is Role.ENVIRONMENT:
            _environment(target, model, view, finding, layout, kept, lost)
    source = Source.MODEL_AND_OWN if kept else Source.MODEL
    return Composed(bytes(target), source, tuple(kept), tuple(lost))


def holds_own(view: Reference, model: Reference | None, finding: RegionFinding) -> bool:
    """Whether an own region still holds this board's data, as far as can be told."""
    region = finding.region
    here = view.contents[region.start : region.end]
    if here.count(0xFF) == len(here):
        return False
    if model is not None and here == model.sized(len(view.contents))[region.start : region.end]:
        return False
    return finding.kind not in (Kind.FOREIGN, Kind.ERASED, Kind.OWN_LOST)


def _environment(
    target: bytearray,
    model: Reference,
    view: Reference,
    finding: RegionFinding,
    layout: Layout,
    kept: list[str],
    lost: list[str],
) -> None:
    """Put the environment of the model, with this board's values, into `target`."""
    region = finding.region
    theirs = env_block(model.findings, region)
    if theirs is None:
        return
    values = _values(target, model, view, finding, theirs, layout)
    for name, value in values.items():
        shown = name.decode("latin-1")
        if value is None:
            lost.append(f"the variable {shown} of {region.name}")
        else:
            kept.append(f"{shown} in {region.name}")
    try:
        block = set_variables(model.sized(len(target))[theirs.start : theirs.end], values, theirs)
    except ValueError:
        lost.append(f"the variables of {region.name}: there is no room for them")
        return
    target[theirs.start : theirs.end] = block


def _values(
    target: bytearray,
    model: Reference,
    view: Reference,
    finding: RegionFinding,
    theirs: Environment,
    layout: Layout,
) -> dict[bytes, bytes | None]:
    """This board's own variables; None for those of the model that this board's are not known."""
    region = finding.region
    found: dict[bytes, bytes | None] = {}
    by_address = {item.start: item for item in model.own}
    names = _named(model.own, region)
    ours = env_block(view.findings, region)
    as_image = ours is not None and _same(view, model, ours)
    mine = _named(view.own, region)
    # Names that U-Boot itself gives a meaning (U-Boot, doc/usage/environment; from memory).
    usual = () if names or mine else (b"ethaddr", b"serial#")
    for name in (*dict.fromkeys((*names, *mine)), *usual):
        value = None
        if ours is not None and not as_image:
            value = ours.by_name.get(name)
        if value is None or (ours is not None and not ours.checksum_ok):
            value = _elsewhere(target, names.get(name), by_address, layout, name, view) or value
        if value is not None or name not in usual:
            found[name] = value
    return found


def _same(view: Reference, model: Reference, ours: Environment) -> bool:
    span = slice(ours.start, ours.end)
    return view.contents[span] == model.sized(len(view.contents))[span]


def _named(items: Sequence[OwnItem], region: Region) -> dict[bytes, OwnItem]:
    return {
        item.name.encode("latin-1", "replace"): item
        for item in items
        if region.start <= item.start < region.end and item.kind in _IDENTITY
    }


def _elsewhere(
    target: bytearray,
    model_item: OwnItem | None,
    by_address: dict[int, OwnItem],
    layout: Layout,
    name: bytes,
    view: Reference,
) -> bytes | None:
    """The value of a variable from an own region: from where the model's image has the same
    value, or the only one of its kind there."""
    regions = [each for each in layout.regions if is_own(each)]

    def inside(item: OwnItem) -> bool:
        # Only what `target` kept: the rest of it is blank.
        return any(each.start <= item.start < each.end for each in regions) and any(
            byte != 0xFF for byte in target[item.start : item.end]
        )

    if model_item is not None:
        for item in by_address.values():
            if item.kind == model_item.kind and item.text == model_item.text and inside(item):
                raw = bytes(target[item.start : item.end])
                text = _as_text(raw, item.kind)
                if text is not None:
                    return text
        kind = model_item.kind
    else:
        kind = "mac" if b"addr" in name else "serial"
    single = {item.text for item in view.own if item.kind == kind and inside(item)}
    return single.pop().encode("latin-1", "replace") if len(single) == 1 else None


def _as_text(raw: bytes, kind: str) -> bytes | None:
    if kind == "mac":
        if len(raw) == 6:
            return addresses.spelled(raw).encode() if addresses.is_plausible(raw) else None
        return raw if addresses.parse(raw) is not None else None
    return raw if raw and all(0x20 < byte < 0x7F for byte in raw) else None
