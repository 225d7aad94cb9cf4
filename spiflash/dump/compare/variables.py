"""Environments of two dumps, variable by variable."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from spiflash.dump.compare.result import VariableChange
from spiflash.dump.finding import Finding, environments
from spiflash.dump.secrets import Masker, masker
from spiflash.dump.uboot_env import Environment
from spiflash.text import readable

_MOST = 500
_LONGEST = 500


def changed_variables(
    found_before: Sequence[Finding],
    found_after: Sequence[Finding],
    show_secrets: bool,
) -> tuple[VariableChange, ...]:
    """What changed in each environment; two belong together when they begin at one address, or
    when each dump has only one."""
    first = [each for each in environments(found_before) if each.saved]
    second = [each for each in environments(found_after) if each.saved]
    hide = masker((*found_before, *found_after), show=show_secrets)
    changes = [change for a, b in _pairs(first, second) for change in _changes(a, b, hide)]
    return tuple(changes[:_MOST])


def _pairs(
    first: list[Environment], second: list[Environment]
) -> Iterator[tuple[Environment, Environment]]:
    if len(first) == len(second) == 1:
        yield first[0], second[0]
        return
    by_start = {block.start: block for block in second}
    for block in first:
        if block.start in by_start:
            yield block, by_start[block.start]


def _changes(a: Environment, b: Environment, hide: Masker) -> Iterator[VariableChange]:
    before = {variable.name: variable.value for variable in a.variables}
    after = {variable.name: variable.value for variable in b.variables}
    for name in dict.fromkeys((*before, *after)):
        # Compared in full: masked, a changed passphrase would look the same.
        if before.get(name) != after.get(name):
            shown = readable(name)
            yield VariableChange(
                a.start,
                shown,
                _shown(shown, before.get(name), hide),
                _shown(shown, after.get(name), hide),
            )


def _shown(name: str, value: bytes | None, hide: Masker) -> str | None:
    if value is None:
        return None
    return hide.named(name, readable(value, _LONGEST))
