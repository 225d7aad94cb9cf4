"""The kernel argument `mtdparts=`, wherever it stands in a dump.

Grammar: Linux, drivers/mtd/parsers/cmdlinepart.c (from memory):

    mtdparts=<flash>[;<flash>]         <flash>     := <id>:<partition>[,<partition>]
    <partition> := <size>[@<offset>][(<name>)][ro][lk]     <size> := number[k|m|g] or "-"

Numbers are decimal, octal with 0 or hexadecimal with 0x; "-" takes the rest of the flash;
without an offset a partition follows the one before it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from spiflash.dump.formats.magic import places
from spiflash.dump.layout.partitions import MOST, Partition

LITERAL = b"mtdparts="

_ARGUMENT = re.compile(rb"(?:mtdparts=)+([!#-&(-~]{3,4000})")
_NUMBER = r"(?:0[xX][0-9a-fA-F]+|\d+)[kKmMgG]?"
_PARTITION = re.compile(
    rf"(?P<size>-|{_NUMBER})(?:@(?P<at>{_NUMBER}))?(?:\((?P<name>[^)]*)\))?(?:ro|lk|slc)*"
)
_UNITS = {"k": 10, "m": 20, "g": 30}


@dataclass(frozen=True, slots=True)
class Stated:
    """The partitions of one flash of the argument at `at` (bytes) in the dump."""

    at: int
    flash: str
    partitions: tuple[Partition, ...]


def find_mtdparts(contents: bytes, size: int) -> Iterator[Stated]:
    """Every partition table in an `mtdparts=` argument, each different one once.

    `size` bytes is how large the flash is taken to be where a partition takes the rest.
    """
    done = -1
    seen: set[bytes] = set()
    for at in places(contents, LITERAL):
        if at < done:
            continue
        match = _ARGUMENT.match(contents, at)
        if match is None:
            continue
        done = match.end()
        if match[1] in seen or len(seen) == MOST:
            continue
        seen.add(match[1])
        for flash, partitions in parse_mtdparts(match[1].decode("ascii"), size):
            yield Stated(at, flash, partitions)


def parse_mtdparts(text: str, size: int) -> list[tuple[str, tuple[Partition, ...]]]:
    """(flash, partitions) for each flash of the argument; what breaks the grammar ends it."""
    found = []
    for definition in text.split(";"):
        # The id may hold colons, the partitions cannot before their first name.
        head, bracket, _ = definition.partition("(")
        flash, colon, _ = (head if bracket else definition).rpartition(":")
        if not colon or not flash:
            continue
        partitions = tuple(_partitions(definition[len(flash) + 1 :], size))
        if partitions:
            found.append((flash[:64], partitions))
    return found


def _partitions(text: str, size: int) -> Iterator[Partition]:
    at, position = 0, 0
    for number in range(MOST):
        match = _PARTITION.match(text, position)
        if match is None:
            return
        start = at if match["at"] is None else _number(match["at"])
        length = max(size - start, 0) if match["size"] == "-" else _number(match["size"])
        name = match["name"]
        # The kernel calls a nameless partition "Partition_" and its number, three digits.
        yield Partition(f"Partition_{number:03d}" if name is None else name, start, length)
        at, position = start + length, match.end()
        if text[position : position + 1] != ",":
            return
        position += 1


def _number(text: str) -> int:
    shift = _UNITS.get(text[-1].lower(), 0)
    digits = text[:-1] if shift else text
    octal = digits.startswith("0") and digits.isdigit() and len(digits) > 1
    try:
        return int(digits, 8 if octal else 0) << shift
    except ValueError:  # 8 and 9 are no octal digits
        return 0
