"""What one board is to hold: the image, its own kept ranges, its own values. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from spiflash.dump.checksums import crc
from spiflash.dump.uboot_env import (
    EnvironmentEditError,
    read_environment,
    set_variables,
    stored,
)
from spiflash.work.clone.job import EnvironmentRule, Job, SumRule
from spiflash.work.image import overlay


class NotTheBoardsOwnError(ValueError):
    """What a board is to keep is not there; the message says what."""


def make_target(job: Job, own: bytes, values: Mapping[str, str]) -> bytes:
    """The whole chip. `own` is what the board came with, `values` one text a value of the job.

    What lies behind the image stays as the board has it. Raises `NotTheBoardsOwnError`,
    `EnvironmentEditError` when variables do not fit, `ImageError` when the image does not.
    """
    target = bytearray(overlay(own, job.image, 0))
    for kept in job.keep:
        mine = own[kept.start : kept.end]
        if not mine.strip(b"\xff"):
            raise NotTheBoardsOwnError(f"{kept.name} at {kept.start:#x} is blank on this board")
        target[kept.start : kept.end] = mine
    for rule in job.environments:
        place = slice(rule.place.start, rule.place.end)
        changes = _kept_variables(rule, own[place])
        changes |= {each.variable: values[each.name] for each in job.values if each.variable}
        target[place] = set_variables(bytes(target[place]), stored(changes))
    for value in job.values:
        if value.place is not None:
            raw = value.raw(values[value.name])
            padding = bytes([value.fill]) * (value.place.length - len(raw))
            target[value.place.start : value.place.end] = raw + padding
    for value in job.values:
        # Last, since a checksum may cover other values too.
        if value.sum is not None:
            place = slice(value.sum.place.start, value.sum.place.end)
            target[place] = checksum(value.sum, target)
    return bytes(target)


def checksum(rule: SumRule, contents: bytes | bytearray) -> bytes:
    """The bytes of a checksum over `contents`, the whole chip."""
    value = crc(rule.kind)(bytes(contents[rule.covers.start : rule.covers.end]))
    return value.to_bytes(rule.place.length, "little" if rule.order == "little" else "big")


def _kept_variables(rule: EnvironmentRule, environment: bytes) -> dict[str, str]:
    if not rule.keep:
        return {}
    try:
        mine = {
            name.decode(): value.decode("latin-1")
            for name, value in read_environment(environment).by_name.items()
        }
    except EnvironmentEditError as exc:
        raise NotTheBoardsOwnError(f"the board's own environment cannot be read: {exc}") from exc
    missing = [name for name in rule.keep if name not in mine]
    if missing:
        raise NotTheBoardsOwnError(
            f"the board's own environment has no variable {', '.join(missing)}"
        )
    return {name: mine[name] for name in rule.keep}
