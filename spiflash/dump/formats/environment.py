"""U-Boot environments: a CRC-32, perhaps a flag byte, then NUL-terminated `name=value` strings.

Layout: U-Boot, include/env_internal.h, `struct environment_s` (from memory; the tests compare with
`mkenvimage`). The CRC is stored in the processor's byte order and covers everything behind it
except the flag byte, up to the size configured at build time, which is stored nowhere. The
search therefore tries every whole number of 4 KiB sectors up to 256 KiB with one running CRC.

Text that repeats `name=value` looks like an environment in every sector, so that the work is
bounded: CRCs and the reading of broken environments have a budget each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from spiflash.dump.budget import Budget
from spiflash.dump.checksums import crc32
from spiflash.dump.finding import Finding, Span, Verdict
from spiflash.dump.wording import counted, masked, readable

SECTOR = 4096
LARGEST = 256 << 10

_VARIABLE = re.compile(rb"[\x21-\x3c\x3e-\x7e]{1,64}=")
_TELLTALES = {b"bootcmd", b"bootdelay", b"bootargs", b"baudrate", b"ethaddr"}


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the variables start, and what to call it."""

    first: int
    name: str


_LAYOUTS = (_Layout(4, "single"), _Layout(5, "redundant"))


def find_environments(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Environments that start on a 4 KiB sector and have a size of whole sectors."""
    # A sector costs at most 128 times its size in CRCs, so that a dump three quarters of which
    # are hostile text still has each real environment found.
    checking, reading = Budget(96 * len(contents)), Budget(4 * len(contents))
    done = 0
    broken: Finding | None = None
    for at in range(0, len(contents), SECTOR):
        if at < done:
            continue
        sound = _vouched(contents, at, checking)
        if broken is not None and (sound is not None or at >= broken.end):
            # Where a broken one ends is a guess; one whose CRC holds is not.
            yield replace(broken, length=min(broken.length, at - broken.start))
            broken = None
        if sound is not None:
            yield sound
            done = sound.end
        elif broken is None:
            broken = _damaged(contents, at, reading)
    if broken is not None:
        yield broken


def _vouched(contents: bytes, at: int, budget: Budget) -> Finding | None:
    view = memoryview(contents)
    for layout in _LAYOUTS:
        name = _VARIABLE.match(contents, at + layout.first)
        if name is None or contents.find(b"\0", name.end(), at + LARGEST) < 0:
            continue
        stored = {
            int.from_bytes(contents[at : at + 4], "big"): "big",
            int.from_bytes(contents[at : at + 4], "little"): "little",
        }
        running, done = 0, at + layout.first
        for end in range(at + SECTOR, min(at + LARGEST, len(contents)) + 1, SECTOR):
            if not budget.spend(end - done):
                return None
            running = crc32(view[done:end], running)
            done = end
            if running in stored:
                return _describe(contents, at, end - at, layout, stored[running])
    return None


def _describe(contents: bytes, at: int, length: int, layout: _Layout, order: str) -> Finding:
    variables = _split(contents[at + layout.first : at + length])
    checks = [f"CRC-32 holds over {length - layout.first} bytes"]
    details = [
        ("size", f"{length} bytes"),
        ("byte order", f"{order} endian"),
        ("copies", layout.name),
    ]
    if layout.name == "redundant":
        checks.append("the flag byte is not covered by the CRC")
        details.append(("flag", f"{contents[at + 4]:02X}h"))
    return Finding(
        at,
        length,
        "environment",
        f"U-Boot environment, {counted(len(variables), 'variable')}",
        Verdict.VOUCHED,
        tuple(checks),
        (*details, *_shown(variables)),
        uncovered=((at + 4, at + 5),) if layout.name == "redundant" else (),
    )


def _damaged(contents: bytes, at: int, budget: Budget) -> Finding | None:
    """What reads like an environment although no CRC holds.

    At least three variables in a row, one of them with a name that every U-Boot has.
    """
    for layout in _LAYOUTS:
        start = at + layout.first
        if not _looks_like_text(contents[start : start + 80]):
            continue
        if contents.find(b"\0", start, at + LARGEST) < 0:  # much faster than for two
            continue
        end = contents.find(b"\0\0", start, at + LARGEST)
        if end < 0 or not budget.spend(end - start):
            continue
        variables = _split(contents[start : end + 2])
        strings = contents.count(b"\0", start, end) + 1
        telling = any(name in _TELLTALES for name, _ in variables)
        if not telling or len(variables) < 3 or len(variables) < strings - 1:
            continue
        return Finding(
            at,
            _extent(contents, at, end + 2) - at,
            "environment",
            f"U-Boot environment, {counted(len(variables), 'variable')}",
            Verdict.DAMAGED,
            (f"no CRC-32 holds for any size from {SECTOR} to {LARGEST} bytes",),
            _shown(variables),
        )
    return None


def _extent(contents: bytes, at: int, end: int) -> int:
    """Where a broken environment ends at the latest, as its padding tells.

    It goes on from `end`, behind its variables, over sectors that hold padding but for a few
    bytes; erased sectors at the end are not counted, since flash around may be erased too.
    """
    padding = contents[end : end + 1]
    limit = min(at + LARGEST, len(contents))
    reached = sector = min(-(-end // SECTOR) * SECTOR, limit)
    if not padding or contents.count(padding, end, reached) < (reached - end) * 0.9:
        return end
    while sector + SECTOR <= limit:
        alike = contents.count(padding, sector, sector + SECTOR)
        if alike < SECTOR - 8:
            break
        sector += SECTOR
        if padding != b"\xff" or alike < SECTOR:
            reached = sector
    return reached


def _looks_like_text(beginning: bytes) -> bool:
    """Cheap, and lenient enough for one wrong byte."""
    return b"=" in beginning and sum(0x20 <= byte <= 0x7E for byte in beginning[:16]) >= 15


def _split(body: bytes) -> list[tuple[bytes, bytes]]:
    end = body.find(b"\0\0")
    strings = (body if end < 0 else body[:end]).split(b"\0")
    return [
        (name, value)
        for name, equals, value in (string.partition(b"=") for string in strings)
        if equals and _VARIABLE.fullmatch(name + equals)
    ]


def _shown(variables: list[tuple[bytes, bytes]]) -> tuple[tuple[str, str], ...]:
    return tuple(
        (readable(name), masked(readable(name), readable(value))) for name, value in variables[:500]
    )
