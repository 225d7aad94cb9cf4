"""From the merged keys of one part to a `Part`, with the checks that span several keys."""

from __future__ import annotations

from typing import Any

from chipdb.errors import FlawError
from chipdb.part import Duration, EraseRegion, EraseType, FourByte, Part, ProgramMethod
from chipdb.schema import SOURCE_BLOCKS, Block, RawErase, RawRegion
from spiflash.toml_text import KeyPath

THREE_BYTE_LIMIT = 1 << 24
"""Bytes that a 3-byte address reaches."""

FOUR_BYTE_LIMIT = 1 << 32
"""Bytes that a 4-byte address reaches."""

_REQUIRED = (
    "name",
    "id",
    "size",
    "page",
    "erase",
    "program_ms",
    "supply",
    "clock_mhz",
    "protection",
    "quad_enable",
    "sources",
)
_OPTIONAL = (
    "aliases",
    "extended_id",
    "mirrored_by",
    "program_method",
    "programs_once",
    "chip_erase_opcode",
    "needs_erase",
    "fast_read_dummy",
    "fast_read_dummy_4byte",
    "four_byte",
    "exit_4byte",
    "status_write_volatile",
    "locked_at_power_up",
    "flag_status",
    "unique_id",
    "security",
    "sfdp",
    "sfdp_size",
    "sfdp_minor",
    "map_bits",
    "refused",
    "notes",
)
"""Keys that go to the `Part` field of the same name as they are."""


def build(vendor: str, block: Block, path: KeyPath) -> Part:
    """The part that `block` describes; raises `FlawError` where its figures do not go together."""
    for key in _REQUIRED:
        if key not in block:
            raise FlawError(path, f'key "{key}" is missing, in the part and in its family')
    size = _size(block)
    erase = _get(block, "erase")
    erase_types = tuple(EraseType(e.size, e.opcode, e.time, e.opcode_4byte) for e in erase)
    clocks = _clocks(block)
    given = {key: _get(block, key) for key in _OPTIONAL if key in block}
    part = Part(
        name=_get(block, "name"),
        vendor=vendor,
        id=_get(block, "id"),
        size=size,
        page=_page(block, size),
        erase_types=erase_types,
        regions=_tiles(block, size, erase),
        program=_get(block, "program_ms"),
        sources=_sources(block, path),
        chip_erase=_chip_erase(block, size),
        supply=_get(block, "supply"),
        clock_read=clocks["read"],
        clock_fast=clocks["fast"],
        protection=_get(block, "protection"),
        quad_enable=_get(block, "quad_enable"),
        **given,
    )
    _check_addressing(part, block)
    return part


def _get(block: Block, key: str) -> Any:
    return block[key].value


def _size(block: Block) -> int:
    size: int = _get(block, "size")
    if size > FOUR_BYTE_LIMIT:
        raise FlawError(block["size"].path, "four address bytes reach 4096 MiB, and no further")
    if size & (size - 1) and "odd_size" not in block:
        raise FlawError(
            block["size"].path,
            "the size is not a power of two; if that is true, say why with odd_size",
        )
    return size


def _page(block: Block, size: int) -> int:
    page: int = _get(block, "page")
    if page > size or size % page:
        raise FlawError(block["page"].path, "the size is no multiple of the page")
    return page


def _clocks(block: Block) -> dict[str, float]:
    clocks: dict[str, float] = _get(block, "clock_mhz")
    for key in ("read", "fast"):
        if key not in clocks:
            raise FlawError(block["clock_mhz"].path, f'key "{key}" is missing')
    return clocks


def _chip_erase(block: Block, size: int) -> Duration | None:
    if "chip_erase_opcode" in block and _get(block, "chip_erase_opcode") is None:
        return None
    if "chip_erase_s" in block:
        span: Duration = _get(block, "chip_erase_s")
        return span
    if "chip_erase_s_per_mib" in block:
        rate: Duration = _get(block, "chip_erase_s_per_mib")
        mib = size / (1 << 20)
        return Duration(rate.typical * mib, rate.maximum * mib)
    return None


def _tiles(block: Block, size: int, erase: tuple[RawErase, ...]) -> tuple[EraseRegion, ...]:
    """The erase map: as listed, or every erase type everywhere."""
    place = block["erase"].path
    if not erase:
        if "needs_erase" not in block or _get(block, "needs_erase"):
            raise FlawError(place, "no erase type given, though the part needs erasing")
        return (EraseRegion(size, ()),)
    if "regions" not in block:
        types = tuple(range(len(erase)))
        for index, one in enumerate(erase):
            if size % one.size:
                raise FlawError((*place, index), "this erase size does not divide the chip")
        return (EraseRegion(size, types),)
    raw: tuple[RawRegion, ...] = _get(block, "regions")
    rest = size - sum(region.length or 0 for region in raw)
    open_ended = sum(region.length is None for region in raw)
    if open_ended > 1:
        raise FlawError(block["regions"].path, 'only one region can be "rest"')
    if rest < 0 or (rest == 0) != (open_ended == 0):
        raise FlawError(
            block["regions"].path, f"the regions do not add up to the size of {size} bytes"
        )
    return tuple(_region(region, region.length or rest, erase) for region in raw)


def _region(raw: RawRegion, length: int, erase: tuple[RawErase, ...]) -> EraseRegion:
    sizes = [one.size for one in erase]
    if not raw.erases:
        raise FlawError(raw.path, "no erase size works in this region; it could never be written")
    for wanted in raw.erases:
        if wanted not in sizes:
            raise FlawError(raw.path, f"no erase type of {wanted} bytes is listed under erase")
        if length % wanted:
            raise FlawError(raw.path, f"an erase of {wanted} bytes does not divide the region")
    if sorted(set(raw.erases)) != list(raw.erases):
        raise FlawError(raw.path, "erase sizes must be listed smallest first, each once")
    return EraseRegion(length, tuple(sizes.index(wanted) for wanted in raw.erases))


def _sources(block: Block, path: KeyPath) -> tuple[tuple[str, Any], ...]:
    cited = _get(block, "sources")
    for name in SOURCE_BLOCKS:
        if name not in cited:
            raise FlawError(path, f'no source is given for the block "{name}"')
    return tuple((name, cited[name]) for name in SOURCE_BLOCKS)


def _check_addressing(part: Part, block: Block) -> None:
    wide = any(erase.opcode_4byte is not None for erase in part.erase_types)
    listed = FourByte.OPCODES in part.four_byte
    if wide and not listed:
        raise FlawError(
            block["erase"].path, 'opcode_4byte is given, but four_byte has no "opcodes"'
        )
    if listed and part.erase_types and not wide:
        raise FlawError(
            block["four_byte"].path, '"opcodes" is listed, but no erase type has opcode_4byte'
        )
    own_commands = part.program_method is ProgramMethod.PAGE_528
    if part.size > THREE_BYTE_LIMIT and not part.four_byte and not own_commands:
        raise FlawError(block["size"].path, "above 16 MiB four_byte must list a way to reach it")
    if own_commands and not part.refused:
        raise FlawError(
            block["program_method"].path, 'a "page-528" part must say under refused why it is'
        )
