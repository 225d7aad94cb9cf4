"""This board's own data: found on the chip, and put into the model's image."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spiflash.dump.identity import OwnItem
from spiflash.dump.identity import mac as addresses
from spiflash.dump.layout.region import Layout, Region
from spiflash.dump.triage.environment import as_text, env_block, reached
from spiflash.dump.triage.reference import Reference
from spiflash.dump.triage.regions import is_own
from spiflash.dump.uboot_env import Environment, set_variables

_IDENTITY = ("mac", "serial", "key")


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """An environment for this board: `contents` for the bytes from `start` on. `kept` names the
    variables that are this board's, `lost` those whose values could not be found."""

    start: int
    contents: bytes
    kept: tuple[str, ...]
    lost: tuple[str, ...]

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + len(self.contents)


def rebuilt_environment(
    model: Reference, view: Reference, region: Region, layout: Layout
) -> Rebuilt | None:
    """The image's environment with this board's own values; None where the image has none in
    `region`, or they do not fit. `view` is the chip put in order."""
    theirs = env_block(model.findings, region)
    if theirs is None or not theirs.checksum_ok or theirs.end > len(view.contents):
        return None
    values = _values(model, view, region, theirs, layout)
    kept = [f"{name.decode('latin-1')} in {region.name}" for name, v in values.items() if v]
    lost = [
        f"the variable {name.decode('latin-1')} of {region.name}"
        for name, value in values.items()
        if value is None
    ]
    try:
        block = set_variables(model.contents[theirs.start : theirs.end], values, theirs)
    except ValueError:
        return None
    return Rebuilt(theirs.start, block, tuple(kept), tuple(lost))


def mended_environment(
    model: Reference, view: Reference, region: Region
) -> tuple[Rebuilt, frozenset[bytes]] | None:
    """This board's environment with the image's boot command and what that runs; and the names
    of those variables. None where that is not to be had."""
    ours, theirs = env_block(view.findings, region), env_block(model.findings, region)
    if ours is None or not ours.checksum_ok or theirs is None or not theirs.checksum_ok:
        return None
    names = frozenset(each.encode("latin-1") for each in reached(as_text(theirs)))
    values: dict[bytes, bytes | None] = {
        name: value for name, value in theirs.by_name.items() if name in names
    }
    try:
        block = set_variables(view.contents[ours.start : ours.end], values)
    except ValueError:
        return None
    return Rebuilt(ours.start, block, (), ()), names


def _values(
    model: Reference,
    view: Reference,
    region: Region,
    theirs: Environment,
    layout: Layout,
) -> dict[bytes, bytes | None]:
    """This board's own variables; None for those of the model that this board's are not known."""
    found: dict[bytes, bytes | None] = {}
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
            # What an own region has at the place of the image's same value outweighs text that
            # may be damaged; the only one of its kind there is taken where there is no text.
            value = _same_place(model, names.get(name), layout, view) or value
        if value is None:
            value = _only_one(model, names.get(name), layout, name, view)
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


def _trusted(model: Reference, layout: Layout, view: Reference) -> list[OwnItem]:
    """The own items in regions of this board's own. What is the same as in the image may be the
    image's: another board's."""
    contents = view.contents
    other = model.sized(len(contents))
    regions = [
        each
        for each in layout.regions
        if is_own(each) and contents[each.start : each.end] != other[each.start : each.end]
    ]
    return [
        item
        for item in view.own
        if any(each.start <= item.start < each.end for each in regions)
        and any(byte != 0xFF for byte in contents[item.start : item.end])
    ]


def _same_place(
    model: Reference, model_item: OwnItem | None, layout: Layout, view: Reference
) -> bytes | None:
    """The value that this board's own region holds where the image's holds the same as its
    variable."""
    if model_item is None:
        return None
    ours = {(item.start, item.kind): item for item in _trusted(model, layout, view)}
    for item in model.own:
        same = item.kind == model_item.kind and item.text == model_item.text
        here = ours.get((item.start, item.kind)) if same else None
        if here is not None and here.end <= len(view.contents):
            text = _as_text(view.contents[here.start : here.end], here.kind)
            if text is not None:
                return text
    return None


def _only_one(
    model: Reference, model_item: OwnItem | None, layout: Layout, name: bytes, view: Reference
) -> bytes | None:
    """The only address or serial number in this board's own regions."""
    kind = model_item.kind if model_item is not None else "mac" if b"addr" in name else "serial"
    single = {item.text for item in _trusted(model, layout, view) if item.kind == kind}
    return single.pop().encode("latin-1", "replace") if len(single) == 1 else None


def _as_text(raw: bytes, kind: str) -> bytes | None:
    if kind == "mac":
        if len(raw) == 6:
            return addresses.spelled(raw).encode() if addresses.is_plausible(raw) else None
        return raw if addresses.parse(raw) is not None else None
    return raw if raw and all(0x20 < byte < 0x7F for byte in raw) else None
