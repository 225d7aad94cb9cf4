"""Which keys a table file has, what each may hold, and what must agree within a part.

A file names its vendor, may name sources and families, and lists parts:

    vendor = "Example"
    [sources]
    sheet = "memory: Example data sheet"
    [family.one]            # figures that several parts share
    page = "256 B"
    [[part]]
    name = "EX25Q64"
    family = "one"          # what the part says itself goes before what its family says
    id = "12 40 17"
    size = "8 MiB"

Every key of a part except name, aliases, id and extended_id may also stand in a family; a family
may build upon another one with `like`. Nothing has a default that a data sheet would have to
confirm: page, erase, times, supply and clocks must be given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from chipdb import values
from chipdb.errors import FlawError
from chipdb.part import FourByte, ProgramMethod, Source
from chipdb.schemes import PROTECTION_SCHEMES, QUAD_ENABLE_PLACES
from spiflash.toml_text import KeyPath

SOURCE_BLOCKS = ("id", "size", "erase", "times", "electrical", "registers")

TOP_KEYS = ("vendor", "sources", "family", "part")

Block = dict[str, "Value"]
Sources = Mapping[str, Source]


@dataclass(frozen=True, slots=True)
class Value:
    """A checked value and where it stands: a flaw in an inherited figure is the family's."""

    value: object
    path: KeyPath


@dataclass(frozen=True, slots=True)
class RawErase:
    """One item of `erase` as written."""

    size: int
    opcode: int
    time: object
    opcode_4byte: int | None


@dataclass(frozen=True, slots=True)
class RawRegion:
    """One item of `regions` as written: `length` None means the rest of the chip."""

    length: int | None
    erases: tuple[int, ...]
    path: KeyPath


def _choice(names: Mapping[str, object] | tuple[str, ...]) -> values.Reader:
    def read(raw: object, path: KeyPath) -> str:
        if not isinstance(raw, str) or raw not in names:
            raise FlawError(path, "expected one of " + ", ".join(f'"{name}"' for name in names))
        return raw

    return read


def _program_method(raw: object, path: KeyPath) -> ProgramMethod:
    return ProgramMethod(_choice(tuple(m.value for m in ProgramMethod))(raw, path))


def _four_byte(raw: object, path: KeyPath) -> tuple[FourByte, ...]:
    read = _choice(tuple(way.value for way in FourByte))
    items = values.array(raw, path)
    ways = tuple(FourByte(read(item, (*path, i))) for i, item in enumerate(items))
    if len(set(ways)) != len(ways):
        raise FlawError(path, "an entry is listed twice")
    return ways


def _opcode_or_none(raw: object, path: KeyPath) -> int | None:
    """`false` for chips that have no such command."""
    return None if raw is False else values.opcode(raw, path)


def _erase(raw: object, path: KeyPath) -> tuple[RawErase, ...]:
    items = values.array(raw, path)
    found = tuple(_one_erase(item, (*path, index)) for index, item in enumerate(items))
    for index in range(1, len(found)):
        if found[index].size <= found[index - 1].size:
            raise FlawError(
                (*path, index), "erase types must be listed smallest first, each size once"
            )
    return found


def _one_erase(raw: object, path: KeyPath) -> RawErase:
    item = values.table(raw, path, ("size", "opcode", "opcode_4byte", "ms"))
    wide = item.get("opcode_4byte")
    return RawErase(
        size=values.size(values.need(item, path, "size"), (*path, "size")),
        opcode=values.opcode(values.need(item, path, "opcode"), (*path, "opcode")),
        time=values.milliseconds(values.need(item, path, "ms"), (*path, "ms")),
        opcode_4byte=None if wide is None else values.opcode(wide, (*path, "opcode_4byte")),
    )


def _regions(raw: object, path: KeyPath) -> tuple[RawRegion, ...]:
    return tuple(
        _one_region(item, (*path, index)) for index, item in enumerate(values.array(raw, path))
    )


def _one_region(raw: object, path: KeyPath) -> RawRegion:
    item = values.table(raw, path, ("length", "erases"))
    length = values.need(item, path, "length")
    place = (*path, "erases")
    erases = values.array(values.need(item, path, "erases"), place)
    return RawRegion(
        length=None if length == "rest" else values.size(length, (*path, "length")),
        erases=tuple(values.size(name, (*place, i)) for i, name in enumerate(erases)),
        path=path,
    )


_SHARED: dict[str, values.Reader] = {
    "size": values.size,
    "odd_size": values.text,
    "page": values.size,
    "erase": _erase,
    "regions": _regions,
    "mirrored_by": _choice(("cr1.2",)),
    "program_ms": values.milliseconds,
    "program_method": _program_method,
    "programs_once": values.boolean,
    "chip_erase_opcode": _opcode_or_none,
    "chip_erase_s": values.seconds,
    "chip_erase_s_per_mib": values.seconds,
    "needs_erase": values.boolean,
    "supply": values.supply,
    "clock_mhz": values.clocks,
    "fast_read_dummy": lambda raw, path: values.integer(raw, path, 0, 16),
    "fast_read_dummy_4byte": lambda raw, path: values.integer(raw, path, 0, 16),
    "four_byte": _four_byte,
    "exit_4byte": _opcode_or_none,
    "protection": _choice(PROTECTION_SCHEMES),
    "quad_enable": _choice(QUAD_ENABLE_PLACES),
    "status_write_volatile": values.boolean,
    "locked_at_power_up": values.boolean,
    "flag_status": values.boolean,
    "unique_id": values.unique_id,
    "security": values.security,
    "sfdp": values.boolean,
    "sfdp_size": values.size,
    "sfdp_minor": lambda raw, path: values.integer(raw, path, 0, 255),
    "map_bits": lambda raw, path: values.integer(raw, path, 0, 255),
    "refused": values.text,
    "notes": values.texts,
}
_OWN: dict[str, values.Reader] = {
    "name": values.text,
    "aliases": values.texts,
    "id": values.jedec_id,
    "extended_id": values.extended_id,
}
# Two ways to say the same: the one that stands nearer to the part counts.
_RIVALS = {"chip_erase_s": "chip_erase_s_per_mib", "chip_erase_s_per_mib": "chip_erase_s"}


def read_sources(raw: object, path: KeyPath) -> dict[str, Source]:
    """The sources a file names once, under [sources]."""
    found = values.table(raw, path, raw if isinstance(raw, dict) else ())
    return {name: values.source(text, (*path, name)) for name, text in found.items()}


def read_family(raw: object, path: KeyPath, known: Sources) -> Block:
    """The figures of a family; `like` is kept for the loader."""
    return _block(raw, path, _SHARED, ("like",), known)


def read_part(raw: object, path: KeyPath, known: Sources) -> Block:
    """What a part says itself; `family` is kept for the loader."""
    return _block(raw, path, {**_SHARED, **_OWN}, ("family",), known)


def _block(
    raw: object,
    path: KeyPath,
    readers: Mapping[str, values.Reader],
    references: tuple[str, ...],
    known: Sources,
) -> Block:
    table = values.table(raw, path, (*readers, *references, "sources"))
    block: Block = {}
    for key, item in table.items():
        place = (*path, key)
        if key == "sources":
            block[key] = Value(_cited(item, place, known), place)
        elif key in references:
            block[key] = Value(values.text(item, place), place)
        else:
            block[key] = Value(readers[key](item, place), place)
            rival = _RIVALS.get(key)
            if rival in table:
                raise FlawError(place, f'give either "{key}" or "{rival}", not both')
    return block


def _cited(raw: object, path: KeyPath, known: Sources) -> dict[str, Source]:
    """Source by block; "all" stands for the blocks that are not named."""
    cited = values.table(raw, path, ("all", *SOURCE_BLOCKS))
    found = {}
    for block, text in cited.items():
        named = known.get(text) if isinstance(text, str) else None
        found[block] = named or values.source(text, (*path, block))
    if "all" in found:
        rest = found.pop("all")
        found = {block: found.get(block, rest) for block in SOURCE_BLOCKS}
    return found


def inherit(base: Block, own: Block, *, add_notes: bool) -> Block:
    """`own` upon `base`: sources and clocks are merged key by key, the rest replaces what was
    there. Notes are added where a part stands on its family, and replaced where a family stands
    on another one: a variant is often described by what it does not share."""
    merged = {key: value for key, value in base.items() if _RIVALS.get(key) not in own}
    for key, value in own.items():
        before = merged.get(key)
        if before is not None and isinstance(value.value, dict) and isinstance(before.value, dict):
            merged[key] = Value({**before.value, **value.value}, value.path)
        elif before is not None and key == "notes" and add_notes:
            assert isinstance(before.value, tuple)
            assert isinstance(value.value, tuple)
            merged[key] = Value((*before.value, *value.value), value.path)
        else:
            merged[key] = value
    return merged
