"""JSON documents: every result that scripts read is made here, from its type.

A result is a dataclass, and its fields are the keys of its document. Where a document has other
keys than the code has fields, `KEYS` says so; those keys are an interface and stay, whatever the
fields are called.
"""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Mapping
from datetime import datetime
from pathlib import PurePath
from typing import Any

KEYS: dict[str, str] = {
    "Adapter": "url model channel serial top_hz=top_clock_hz access",
    "ByteChange": "at before=a after=b bit says_before=a_says says_after=b_says",
    "Chip": (
        "name vendor candidates how=known_by jedec_id answers.id=id_answer answers.rems=rems "
        "answers.legacy=legacy_id answers.sfdp=sfdp size geometry.page=page "
        "clock_read=clock_read_hz clock_fast=clock_fast_hz supply=supply_v write_doubt notes"
    ),
    "ClockLine": "hertz=clock edge late tried",
    "Comparison": (
        "size_before=a_bytes size_after=b_bytes equal relations bytes_differing differences "
        "regions variables unsure single=single_bytes own moved"
    ),
    "Contact": (
        "adapter good clock edge_limit lines faults refusal latch=write_latch "
        "locked=register_locked"
    ),
    "Coverage": ("total blank verified=vouched damaged consistent unrecognised=unproven headline"),
    "Decision": (
        "item.start item.length item.kind item.name item.text item.region item.confidence "
        "item.secret fate place variable?=variable whole?=with why"
    ),
    "Difference": "start end how bytes_differing=bytes shift",
    "EnvironmentHints": "at origin checksum_ok=vouched variables command arguments addresses",
    "EraseType": "size opcode opcode_4byte time.typical=typical_s time.maximum=maximum_s",
    "EraseRegion": "length types=erases",
    "Finding": (
        "start length kind title verdict checks details uncovered damage parent proof.words=proof"
    ),
    "Layout": "source groups gaps",
    "Moved": "title before=a after=b",
    "Occupancy": (
        "region.name region.start region.length region.role region.keep used free room damaged "
        "contents remarks"
    ),
    "OwnChange": "at kind name before=a after=b",
    "Part": (
        "name vendor aliases id=jedec_id extended_id?=extended_id size page erase_types=erases "
        "regions mirrored_by?=mirrored_by map_bits?=map_bits programs_once needs_erase "
        "chip_erase_opcode chip_erase "
        "program_method program.typical=program_typical_s program.maximum=program_maximum_s "
        "clock_read=clock_read_hz clock_fast=clock_fast_hz fast_read_dummy fast_read_dummy_4byte "
        "supply=supply_v four_byte exit_4byte protection quad_enable status_write_volatile "
        "locked_at_power_up flag_status unique_id security sfdp sfdp_size sfdp_minor "
        "refused?=refused notes"
    ),
    "Plan": (
        "erased_bytes programs programmed_bytes affected=ranges seconds=typical_s "
        "worst_seconds=worst_s"
    ),
    "Proof": (
        "sectors passes=whole_chip_passes reread=read_again repaired=written_again "
        "glanced=sectors_looked_at"
    ),
    "Protection": (
        "ranges=protected extent_known=protected_extent_known register_locked "
        "individual=block_locks"
    ),
    "RegionFinding": (
        "region.name region.start region.end kind proof unsure=unproven_bytes detail places stop "
        "shift"
    ),
    "Repair": (
        "source regions ranges changes rescue=save_first unproven=overwrites_unproven "
        "overrules=overwrites_right erase=erase_again remarks lost"
    ),
    "UniqueId": "opcode dummy length address?=address",
    "VariableChange": "at name before=a after=b",
    "Write": (
        "script at to.name to.address=stated_address to.length to.stated=stated_length to.command"
    ),
}
"""By class: its keys, as "field", or "field=key" where the key has another name than the field. A
path leads to a field of a field, whose last part is the key; "?" after a field makes null of an
empty text. A class that is not listed has all of its fields."""


def plain(value: object) -> Any:
    """`value` as JSON has it, and whatever it holds.

    A dataclass becomes an object, a tuple or list an array, a mapping an object, bytes hexadecimal
    digits, an enumeration its value, a path its text, a moment ISO 8601. Raises `TypeError` for
    what JSON has no form for.
    """
    if value is None or isinstance(value, (bool, str, float)):
        return value
    if isinstance(value, enum.Enum):
        return plain(value.value)
    if isinstance(value, int):
        return value
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(plain(name)): plain(each) for name, each in value.items()}
    if isinstance(value, (tuple, list, frozenset)):
        return [plain(each) for each in value]
    return document(value)


def document(value: object) -> dict[str, Any]:
    """A dataclass as an object, by its line in `KEYS`. Raises `TypeError` for anything else."""
    if not dataclasses.is_dataclass(value) or isinstance(value, type):
        raise TypeError(f"JSON has no form for {type(value).__name__}")
    keys = KEYS.get(type(value).__name__)
    if keys is None:
        return {each.name: plain(getattr(value, each.name)) for each in dataclasses.fields(value)}
    found = {}
    for entry in keys.split():
        path, key = field_and_key(entry)
        held = _follow(value, path.removesuffix("?"))
        found[key] = None if path.endswith("?") and not held else plain(held)
    return found


def field_and_key(entry: str) -> tuple[str, str]:
    """The field, or the path to it, and the key of an entry in `KEYS`."""
    path, equals, key = entry.partition("=")
    return path, key if equals else path.rpartition(".")[2]


def _follow(value: object, path: str) -> object:
    for name in path.split("."):
        if value is None:
            return None
        value = getattr(value, name)
    return value
