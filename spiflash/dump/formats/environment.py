"""U-Boot environments: saved ones, wherever they begin and however long they are, and the
defaults that are compiled into boot loaders. Their form is in `dump/uboot_env.py`.

A saved environment is proven by its CRC-32. Its length is not stored anywhere, so sizes are tried
with one running sum. Where no checksum is OK, text decides: at the start of a 4 KiB sector, or
after blank flash and before padding, it is a damaged saved environment; everything else that reads
like one is part of a boot loader.

Text that repeats `name=value` looks like an environment everywhere, so that the work is bounded:
sums, steps, reading and the number of variables have a budget each.
"""

from __future__ import annotations

import bisect
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from zlib import crc32

from spiflash.dump.finding import Finding, Verdict
from spiflash.dump.formats import Budget, one_by_one, places
from spiflash.dump.secrets import masked
from spiflash.dump.uboot_env import (
    CHECKSUM,
    ENTRY,
    LARGEST,
    Environment,
    Order,
    Variable,
    sizes,
    variables_at,
)
from spiflash.spans import SECTOR, Span, spans_of
from spiflash.text import counted, readable

_LEFTOVERS = 256 << 10
"""Bytes: how far a checksum is tried over padding that is not uniform: some loaders save whatever
was in memory after the variables."""

_TELLING = (
    *(b"bootcmd", b"bootdelay", b"bootargs", b"baudrate", b"ethaddr", b"ipaddr", b"serverip"),
    *(b"loadaddr", b"stdin", b"fdtcontroladdr", b"fdt_addr"),
)
"""Names that environments of boot loaders have (U-Boot, doc/usage/environment.rst, from memory)."""

_FEWEST = 3
_BLANK = 16
"""Bytes of FFh that no variable has."""

_FARTHEST = 64 << 10
"""Bytes of text that are searched before the variable by which it was found."""

_MOST_TELLING = 20_000
_MOST_SHOWN = 500
_MOST_TOLD = 16  # environments whose variables are listed in the details for people
_MOST_COMPILED = 2000
_PADDING = {byte: re.compile(re.escape(bytes([byte])) + b"+") for byte in (0x00, 0xFF)}
_FIRSTS = (CHECKSUM, CHECKSUM + 1)


def find_environments(contents: bytes, packed: Sequence[Span] = ()) -> Iterator[Finding]:
    """Saved environments ("environment") and compiled-in ones ("default-environment")."""
    yield from _Search(contents).run()


class _Search:
    """One search through one dump."""

    def __init__(self, contents: bytes) -> None:
        self.contents = contents
        self.summing = Budget(96 * len(contents))
        self.steps = Budget(2_000_000)
        self.reading = Budget(4 * len(contents))
        self.variables = Budget(40_000)
        self.known: Span = (0, -1)
        self.told = Budget(_MOST_TOLD)

    def run(self) -> Iterator[Finding]:
        runs = list(self.runs())
        tries = {at for run in runs for at in self.beginnings(run)}
        tries.update(
            at
            for at in range(0, len(self.contents), SECTOR)
            if any(ENTRY.match(self.contents, at + first) for first in _FIRSTS)
        )
        saved = self.saved(sorted(tries))
        damaged = list(self.without_checksum(spans_of(saved), runs))
        found = sorted([*saved, *damaged], key=lambda each: each.start)
        yield from found
        covered = spans_of(found)
        for start in itertools.islice(runs, _MOST_COMPILED):
            compiled = self.compiled(start, covered)
            if compiled is not None:
                bisect.insort(covered, compiled.span)
                yield compiled

    def text_end(self, at: int) -> int | None:
        """The address after the two NULs that end the text at `at`; None when it is
        longer than an environment can be. Asked for in rising order, this costs one look at
        each byte."""
        low, high = self.known
        if not low <= at <= high:
            found = self.contents.find(b"\0\0", at)
            high = found if found >= 0 else len(self.contents) + LARGEST
            self.known = (at, high)
        return high + 2 if high + 2 - at <= LARGEST else None

    def runs(self) -> Iterator[int]:
        """Where the runs of strings begin that contain a telling name, in rising order."""
        done = -1
        searches = (places(self.contents, name + b"=") for name in _TELLING)
        for at in sorted(at for each in searches for at in itertools.islice(each, _MOST_TELLING)):
            end = self.text_end(at) if at >= done else None
            if end is None or not self.reading.spend(64):
                continue
            before = self.contents[at - 1] if at else 0
            if 0x21 <= before <= 0x7E and not self.after_sum(at):
                continue
            yield self.first(at)
            done = end

    def after_sum(self, at: int) -> bool:
        """Whether a name after a printable byte may be the first of an environment: that byte is
        then the last of the checksum, and the string does not continue to the left."""
        before = self.contents[max(at - 6, 0) : at]
        return any(not 0x20 <= byte <= 0x7E for byte in before) or len(before) < 6

    def first(self, at: int) -> int:
        """Where the run of `name=value` strings around `at` begins."""
        contents = self.contents
        lowest = max(at - _FARTHEST, 0)
        while at > lowest and contents[at - 1] == 0:
            before = contents.rfind(b"\0", lowest, at - 1) + 1
            if before <= lowest or before >= at - 1 or not ENTRY.match(contents, before, at):
                break
            if not self.reading.spend(at - before):
                break
            at = before
        return at

    def beginnings(self, start: int) -> Iterator[int]:
        """Where an environment may begin whose first whole string is at `start`.

        The checksum before it can have any bytes, printable ones too, so the string before `start`
        may be the first of the environment.
        """
        contents = self.contents
        names = [start]
        if start and contents[start - 1] == 0:
            low = max(start - 1 - LARGEST // 16, 0)
            before = contents.rfind(b"\0", low, start - 1) + 1 or low
            text = start - 1
            while text > before and 0x20 <= contents[text - 1] <= 0x7E and start - text < 8192:
                text -= 1
            # Of the printable bytes, up to five may be checksum and flag.
            names += [at for at in range(text, min(text + 6, start)) if ENTRY.match(contents, at)]
        else:
            names += [at for at in range(max(start - 5, 0), start) if ENTRY.match(contents, at)]
        yield from (at - first for at in names for first in _FIRSTS if at >= first)

    def saved(self, tries: Sequence[int]) -> list[Finding]:
        def read(at: int) -> Finding | None:
            held = self.held(at)
            return self.described(held) if held is not None else None

        return list(one_by_one(tries, read))

    def held(self, at: int) -> Environment | None:
        """The environment from `at` on whose checksum is OK."""
        contents = self.contents
        for first in _FIRSTS:
            if ENTRY.match(contents, at + first) is None:
                continue
            text = self.text_end(at + first)
            if text is None:
                continue
            for length, order in self.sums(at, first, text):
                return self.environment(at, length, first, order)
        return None

    def sums(self, at: int, first: int, text: int) -> Iterator[tuple[int, Order]]:
        """Length and byte order of a checksum that is OK over everything from `first` on."""
        contents = self.contents
        view = memoryview(contents)
        raw = contents[at : at + CHECKSUM]
        stored: dict[int, Order] = {
            int.from_bytes(raw, "big"): "big",
            int.from_bytes(raw, "little"): "little",
        }
        padding = _PADDING.get(contents[text]) if text < len(contents) else None
        match = padding.match(contents, text, at + LARGEST) if padding else None
        uniform = match.end() if match else text
        # Uniform padding ends with the environment, or continues into blank flash after it.
        if not self.summing.spend(uniform - at):
            return
        running, done = crc32(view[at + first : text]), text
        for size in self.fine(text - at, uniform - at):
            running = crc32(view[done : at + size], running)
            done = at + size
            if running in stored:
                yield size, stored[running]
                return
        if at % 256:
            return
        running, done = crc32(view[at + first : text]), text
        low = -(-(text - at) // SECTOR) * SECTOR
        for end in range(at + low, min(at + _LEFTOVERS, len(contents)) + 1, SECTOR):
            if not self.summing.spend(end - done) or not self.steps.spend(1):
                return
            running = crc32(view[done:end], running)
            done = end
            if running in stored:
                yield end - at, stored[running]
                return

    def fine(self, low: int, high: int) -> Iterator[int]:
        """The sizes from `low` to `high` to try, each paid for from the budget."""
        for size in sizes(high):
            if size >= low and not self.steps.spend(1):
                return
            if size >= low:
                yield size

    def environment(self, at: int, length: int, first: int, order: Order | None) -> Environment:
        return Environment(
            start=at,
            length=length,
            saved=True,
            order=order,
            flag=self.contents[at + CHECKSUM] if first > CHECKSUM else None,
            variables=self.read(at + first, at + length),
        )

    def read(self, at: int, limit: int) -> tuple[Variable, ...]:
        found = variables_at(self.contents, at, limit)
        return tuple(each for each in found if self.variables.spend(1))

    def described(self, each: Environment) -> Finding:
        sum_over = each.length - CHECKSUM - each.redundant
        checks = [f"CRC-32 over {sum_over:,} bytes OK"]
        details = [
            ("size", f"{each.length} bytes"),
            ("byte order", f"{each.order} endian"),
            ("copies", "redundant" if each.redundant else "single"),
        ]
        if each.flag is not None:
            checks.append("the CRC does not cover the flag byte")
            details.append(("flag", f"{each.flag:02X}h"))
        flag = each.start + CHECKSUM
        return Finding(
            each.start,
            each.length,
            "environment",
            f"U-Boot environment, {counted(len(each.variables), 'variable')}",
            Verdict.VERIFIED,
            tuple(checks),
            (*details, *(shown(each.variables) if self.told.spend(1) else ())),
            uncovered=((flag, flag + 1),) if each.redundant else (),
            facts=each,
        )

    def without_checksum(self, saved: list[Span], runs: Sequence[int]) -> Iterator[Finding]:
        """What reads like a saved environment although no checksum is OK."""
        places_ = set(range(0, len(self.contents), SECTOR))
        places_.update(at for run in runs for at in self.beginnings(run) if self.apart(at))
        starts = [start for start, _ in saved]
        done = 0
        for at in sorted(places_):
            index = bisect.bisect_right(starts, at)
            if at < done or (index and at < saved[index - 1][1]):
                continue
            limit = starts[index] if index < len(starts) else len(self.contents)
            finding = self.damaged(at)
            if finding is not None:
                # Where a damaged one ends is a guess; where a verified one begins is not.
                yield replace(finding, length=min(finding.length, limit - at))
                done = at + finding.length

    def apart(self, at: int) -> bool:
        """Whether an environment that does not begin a sector is separate: blank flash before it,
        and a start on a multiple of 64 bytes."""
        return at % 64 == 0 and at >= 64 and self.contents[at - 64 : at].count(0xFF) == 64

    def damaged(self, at: int) -> Finding | None:
        """At least three variables in a row, one of them with a telling name."""
        contents = self.contents
        for first in _FIRSTS:
            start = at + first
            if not _looks_like_text(contents[start : start + 80]) or self.goes_on(at):
                continue
            end = self.text_end(start)
            if end is None or not self.reading.spend(end - start):
                continue
            # What is after a blank may belong to something else: what is before it has to tell.
            blank = contents.find(b"\xff" * _BLANK, start, end)
            strings = contents[start : blank if blank >= 0 else end - 2].split(b"\0")
            names = [match[0][:-1] for each in strings if (match := ENTRY.match(each))]
            if len(names) < max(_FEWEST, len(strings) - 1) or not set(_TELLING) & set(names):
                continue
            length = self.extent(at, end) - at
            form = self.environment(at, length, first, None)
            return Finding(
                at,
                length,
                "environment",
                f"U-Boot environment, {counted(len(form.variables), 'variable')}",
                Verdict.DAMAGED,
                (f"CRC-32 fails for every usual size up to {LARGEST:,} bytes",),
                shown(form.variables),
                facts=form,
            )
        return None

    def goes_on(self, at: int) -> bool:
        """Whether a string crosses `at` or begins there: then no checksum is stored there."""
        before = self.contents[max(at - 16, 0) : at]
        if before in (b"", b"\xff" * 16, bytes(16)):
            return False
        if ENTRY.match(self.contents, at):
            return True
        window = before + self.contents[at : at + CHECKSUM]
        text = sum(0x20 <= byte <= 0x7E for byte in window)
        return text >= len(window) // 2 and text + window.count(0) == len(window)

    def extent(self, at: int, end: int) -> int:
        """Where a damaged environment ends at the latest, judged by its padding.

        It extends from `end`, after its variables, over sectors that are padding but for a few
        bytes; erased sectors at the end are not counted: the flash around may be erased too.
        """
        contents = self.contents
        padding = contents[end : end + 1]
        limit = min(at + _LEFTOVERS, len(contents))
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
        return max(reached, end)

    def compiled(self, start: int, covered: list[Span]) -> Finding | None:
        """The defaults of a boot loader that begin at `start`."""
        index = bisect.bisect_right(covered, (start, len(self.contents))) - 1
        if index >= 0 and start < covered[index][1]:
            return None
        limit = covered[index + 1][0] if index + 1 < len(covered) else len(self.contents)
        variables = self.read(start, min(start + _FARTHEST, limit))
        if len(variables) < _FEWEST or not {each.name for each in variables} & set(_TELLING):
            return None
        end = variables[-1].at + len(variables[-1].value) + 1
        return Finding(
            start,
            end - start,
            "default-environment",
            f"U-Boot environment in the boot code, {counted(len(variables), 'variable')}",
            Verdict.CONSISTENT,
            ("strings in the usual form, compiled into the boot code; it has no checksum",),
            shown(variables),
            facts=Environment(start, end - start, False, None, None, variables),
        )


def shown(variables: Sequence[Variable]) -> tuple[tuple[str, str], ...]:
    """Names and masked values for people."""
    return tuple(
        (readable(each.name), masked(readable(each.name), readable(each.value)))
        for each in variables[:_MOST_SHOWN]
    )


def _looks_like_text(beginning: bytes) -> bool:
    """A quick test that allows for one wrong byte."""
    return b"=" in beginning and sum(0x20 <= byte <= 0x7E for byte in beginning[:16]) >= 15
