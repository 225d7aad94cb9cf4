"""Environment variables with their places: saved environments and compiled-in ones.

The findings of a survey show values masked and shortened; here they are read again in full.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats.magic import places

_NAME = re.compile(rb"[\x21-\x3c\x3e-\x7e]{1,64}=")
_MOST = 500
_FARTHEST = 64 << 10
"""Bytes to which a compiled-in environment may reach from the variable that gives it away."""

_TELLTALES = (b"bootcmd=", b"bootargs=", b"bootdelay=", b"baudrate=")
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class Variable:
    """One variable; `at` is the address of its value in the dump."""

    name: bytes
    value: bytes
    at: int


@dataclass(frozen=True, slots=True)
class Block:
    """The variables of one environment. `saved` tells one in its own place on the flash, with
    a checksum in front, from one that is compiled into the boot code."""

    start: int
    end: int
    saved: bool
    vouched: bool
    variables: tuple[Variable, ...]


def blocks(contents: bytes, findings: Sequence[Finding]) -> tuple[Block, ...]:
    """Saved environments as found, then compiled-in ones, each in rising order."""
    saved = [_saved(contents, finding) for finding in findings if finding.kind == "environment"]
    covered = [(block.start, block.end) for block in saved]
    return (*saved, *_compiled(contents, covered))


def _saved(contents: bytes, finding: Finding) -> Block:
    # Behind the four bytes of the checksum; a redundant copy has a flag byte first. A flag is
    # no printable character, so that the first name tells.
    at = finding.start + (4 if _NAME.match(contents, finding.start + 4) else 5)
    variables = tuple(_variables(contents, at, finding.end))
    vouched = finding.verdict is Verdict.VOUCHED
    return Block(finding.start, finding.end, True, vouched, variables)


def _variables(contents: bytes, at: int, limit: int) -> Iterator[Variable]:
    for _ in range(_MOST):
        end = contents.find(b"\0", at, limit)
        if end <= at:  # an empty string ends the environment
            return
        name, equals, value = contents[at:end].partition(b"=")
        if equals and _NAME.fullmatch(name + equals):
            yield Variable(name, value, at + len(name) + 1)
        at = end + 1


def _compiled(contents: bytes, covered: Sequence[tuple[int, int]]) -> Iterator[Block]:
    done = list(covered)
    tried = 0
    starts = sorted({at for word in _TELLTALES for at in _at_string_start(contents, word)})
    for at in starts:
        if any(start <= at < end for start, end in done):
            continue
        if (tried := tried + 1) > _MOST:
            return
        start = _first(contents, at)
        variables = tuple(_variables(contents, start, min(at + _FARTHEST, len(contents))))
        end = variables[-1].at + len(variables[-1].value) + 1 if variables else at + 1
        done.append((start, max(end, at + 1)))
        if len(variables) >= _FEWEST:
            yield Block(start, end, False, False, variables)


def _at_string_start(contents: bytes, word: bytes) -> Iterator[int]:
    for count, at in enumerate(places(contents, word)):
        if count == _MOST:
            return
        if at == 0 or not 0x20 <= contents[at - 1] <= 0x7E:
            yield at


def _first(contents: bytes, at: int) -> int:
    """Where the run of `name=value` strings around `at` begins."""
    lowest = max(at - _FARTHEST, 0)
    while at > lowest and contents[at - 1] == 0:
        before = contents.rfind(b"\0", lowest, at - 1) + 1
        if before <= lowest or before >= at - 1 or not _NAME.match(contents, before, at):
            break
        at = before
    return at
