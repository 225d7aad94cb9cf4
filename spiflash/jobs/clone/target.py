"""What one board is to hold: the image, its own kept ranges, its own values; and what is its own.

A job is proven in the same way before the first board: what it makes of somebody's contents is
looked through for what is still the master's. Nothing here touches a chip."""

from __future__ import annotations

import hashlib
import itertools
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import SCRAPPED
from spiflash.archive.ledger.values import (
    LONGEST,
    MAC,
    TEXT,
    Counted,
    Identity,
    Kept,
    KeptRange,
    Listed,
)
from spiflash.dump.audit import examine
from spiflash.dump.finding import Certainty
from spiflash.dump.formats import crc, places
from spiflash.dump.identity import OwnItem, is_serial_name
from spiflash.dump.identity import identity as identities_in
from spiflash.dump.identity.forms import is_plausible, parse_mac
from spiflash.dump.layout import Layout, Region, Role
from spiflash.dump.uboot_env import EnvironmentEditError, read_environment, set_variables, stored
from spiflash.errors import ValuesUsedUpError
from spiflash.jobs.clone import EnvironmentRule, Job, NamedRange, SumRule, ValueRule, sums_in_order
from spiflash.jobs.image import overlay
from spiflash.nor.identify import ChipTable
from spiflash.text import address, amount, counted

PAGE = 256
"""Bytes of which it is noted whether a board keeps data there."""


class NotTheBoardsOwnError(ValueError):
    """What a board is to keep is not there; the message says what."""


def make_target(job: Job, own: bytes, values: Mapping[str, str]) -> bytes:
    """The whole chip. `own` is what the board came with, `values` one text a value of the job.

    What lies after the image stays as the board has it. Raises `NotTheBoardsOwnError`,
    `EnvironmentEditError` when variables do not fit, `ImageError` when the image does not.
    """
    target = bytearray(overlay(own, job.image, 0))
    for kept in job.keep:
        mine = own[kept.start : kept.end]
        if not mine.strip(b"\xff"):
            raise NotTheBoardsOwnError(f"{kept.name} {kept.shown} is blank on this board")
        if not mine.strip(b"\x00\xff"):
            raise NotTheBoardsOwnError(f"{kept.name} {kept.shown} is all zeros on this board")
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
    # Last, since a checksum may cover other values too.
    for _, summed in sums_in_order(job.values):
        target[summed.place.start : summed.place.end] = checksum(summed, target)
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


def find_kept(job: Job, own: bytes) -> Kept:
    """What the board keeps of its own, for the ledger: each range, and the addresses and serial
    numbers that stay on the board. Call it for what `make_target` accepts.

    An address is looked for by its form, by the first three bytes that boards and lists here have
    in common, and by what the board's own environment says. A guess at an address, and what is
    likely a serial number but is called so nowhere, is not given to another board; it is no reason
    to refuse one (it may be the name of a model). The same goes for what stands after the image,
    where the board stays as it is.
    """
    named: set[Identity] = set()
    kept: set[Identity] = set()
    for rule in job.environments:
        for name, identity in _named(own[rule.place.start : rule.place.end]):
            named.add(identity)
            if name in rule.keep:
                kept.add(identity)
    starts = {_bytes_of(each)[:3] for each in named if each.kind == MAC}
    for value in job.values:
        starts |= {
            _bytes_of(each)[:3]
            for each in (Identity.of(value.kind, value.texts[i]) for i in (0, -1))
            if each.kind == MAC
        }
    weak: set[Identity] = set()
    ranges = []
    for place in job.keep:
        data = own[place.start : place.end]
        alike = place.name.lower() in job.shared
        ranges.append(_range(place, data, alike))
        layout = Layout(len(data), (Region("kept", 0, len(data), Role.OWN, True),))
        # Settings and readings that all boards may share are no identity: a guess in them is none.
        for item in () if alike else identities_in(data, (), layout, show_secrets=True):
            if item.kind == "mac":
                # Six bytes beside what reads like a serial number can begin two bytes early.
                sure = item.certainty is not Certainty.GUESS
                (kept if sure else weak).add(Identity.of(MAC, item.text))
            elif item.kind == "serial":
                found = Identity.of(TEXT, item.text)
                (kept if found in named else weak).add(found)
        kept |= {each for each in named if each.stands_in(data)}
        kept |= set(_addresses(data, starts))
    behind = own[len(job.image.contents) :]
    weak |= {each for each in named if each.stands_in(behind)} | set(_addresses(behind, starts))
    # Longer ones are no serial numbers, and no database would take them as a key.
    shared = job.may_share | {each for each in kept | weak if len(each.text) > LONGEST}
    return Kept(tuple(ranges), frozenset(kept - shared), frozenset(weak - kept - shared))


def _named(environment: bytes) -> list[tuple[str, Identity]]:
    """Addresses and serial numbers by the variables that hold them; nothing of an environment that
    cannot be read."""
    try:
        found = read_environment(environment)
    except EnvironmentEditError:
        return []
    items = []
    for name, value in found.by_name.items():
        known = name.decode("latin-1"), value.decode("latin-1")
        if parse_mac(value) is not None:
            items.append((known[0], Identity.of(MAC, known[1])))
        elif is_serial_name(known[0]) and len(value) >= 4:
            items.append((known[0], Identity.of(TEXT, known[1])))
    return items


def _addresses(data: bytes, starts: set[bytes]) -> Iterator[Identity]:
    for start in starts:
        for at in places(data, start):
            value = data[at : at + 6]
            if is_plausible(value):
                yield Identity(MAC, value.hex(":"))


def _bytes_of(identity: Identity) -> bytes:
    return bytes.fromhex(identity.text.replace(":", ""))


def _range(place: NamedRange, data: bytes, shared: bool) -> KeptRange:
    bits = 0
    for index in range(0, len(data), PAGE):
        if data[index : index + PAGE].strip(b"\xff\x00"):
            bits |= 1 << index // PAGE
    digest = hashlib.sha256(data).hexdigest()
    return KeptRange(f"{place.start:x}+{place.length:x}", digest, f"{bits:x}", shared)


IDENTITY = ("mac", "serial")
"""What no two boards may have in common."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Why the job must not be used; `line` of the job file."""

    line: int
    text: str


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found. `free` values are left of `listed`; `remarks` are worth reading; `samples`
    are name, first and last of each list. `first` are the values that the next new board gets, and
    `label` its label; both are empty where no values are left."""

    problems: tuple[Problem, ...]
    remarks: tuple[str, ...]
    listed: int
    free: int
    samples: tuple[tuple[str, str, str], ...] = ()
    first: Mapping[str, str] = field(default_factory=dict)
    label: str = ""

    @property
    def sound(self) -> bool:
        """Whether the job may be used."""
        return not self.problems


def check_job(job: Job, table: ChipTable, ledger: Ledger | None = None) -> Checked:
    """Everything that can be known before the first board. With `ledger`, values given already
    do not count."""
    columns = job.columns
    listed = min((len(each) for each in columns), default=0)
    free = ledger.free(columns) if ledger is not None else listed
    done = len(made_by(job, ledger)) if ledger is not None else 0
    problems = [*_places(job), *_parts(job, table), *_lists(job, free, done)]
    remarks: list[str] = []
    if not problems:
        found, remarks = _contents(job)
        problems += found
    if job.values and not job.boards:
        remarks.append(
            f"the lists have values for {counted(free, 'board')}; the job does not say boards = …"
        )
    first: Mapping[str, str] = {}
    if ledger is None:
        first = {rule.name: rule.texts[0] for rule in job.values}
    else:
        with suppress(ValuesUsedUpError):
            first = ledger.next_values(columns)
    samples = tuple((rule.name, rule.texts[0], rule.texts[-1]) for rule in job.values)
    label = job.label_for(first)
    return Checked(tuple(problems), tuple(remarks), listed, free, samples, first, label)


def made_by(job: Job, ledger: Ledger) -> set[str]:
    """The keys of the boards that this job has made."""
    made: set[str] = set()
    for row in ledger.rows():
        if row.job == job.name and row.good:
            made.add(row.key)
        elif row.key in made and SCRAPPED in row.body and row.record().scrapped:
            made.discard(row.key)
    return made


def stretches(job: Job) -> list[NamedRange]:
    """Every range that the job keeps or writes; no two may overlap."""
    found = [*job.keep, *(rule.place for rule in job.environments)]
    for value in job.values:
        found += [value.place] if value.place else []
        found += [value.sum.place] if value.sum else []
    return found


def _places(job: Job) -> Iterator[Problem]:
    size = len(job.image.contents)
    if job.layout is not None and job.layout.size != size:
        yield Problem(1, f"the layout is for {job.layout.size:,} bytes, the image has {size:,}")
    ordered = sorted(stretches(job), key=lambda each: each.start)
    covers = [value.sum.covers for value in job.values if value.sum]
    for each in (*ordered, *covers):
        if each.end > size:
            yield Problem(
                each.line,
                f"{each.name} ends {counted(each.end - size, 'byte')} after the end of the image",
            )
    for first, second in itertools.pairwise(ordered):
        if second.start < first.end:
            line = max(first.line, second.line)
            yield Problem(line, f"{second.name} {second.shown} overlaps {first.name} {first.shown}")
    try:
        list(sums_in_order(job.values))
    except ValueError as exc:
        yield Problem(max(value.line for value in job.values if value.sum), str(exc))
    for rule in job.environments:
        try:
            read_environment(job.image.contents[rule.place.start : rule.place.end])
        except EnvironmentEditError as exc:
            yield Problem(rule.place.line, f"{rule.place.name}: {exc}")


def _parts(job: Job, table: ChipTable) -> Iterator[Problem]:
    for name in job.chips:
        parts = table.by_name(name)
        if not parts:
            yield Problem(1, f"chips: the chip table has no part {name}")
        elif all(part.size < len(job.image.contents) for part in parts):
            yield Problem(
                1, f"chips: the image of {amount(len(job.image.contents))} does not fit a {name}"
            )


def _lists(job: Job, free: int, done: int) -> Iterator[Problem]:
    wanted = max(0, job.boards - done)
    if job.values and free < wanted:
        yield Problem(
            min(job.values, key=lambda each: len(each.texts)).line,
            f"{counted(wanted, 'board')} left to make, but the lists have values for {free}",
        )
    for first, second in itertools.combinations(job.values, 2):
        found = _in_both(first, second)
        if found:
            yield Problem(second.line, f"{found} is also in the list of {first.name}")
    for rule in job.values:
        if len(rule.texts.longest) > LONGEST:
            # SQLite would take it, PostgreSQL would not: a job is valid for both or for none.
            yield Problem(rule.line, f"a value has more than {LONGEST} characters")
    names = {rule.name for rule in job.values}
    for named in re.findall(r"\{([^{}]*)\}", job.label):
        if named not in names:
            yield Problem(1, f"the label names “{named}”, which is not a value of the job")


def _in_both(first: ValueRule, second: ValueRule) -> str:
    """A value that both lists have; empty for none. Lines that belong together may be alike: they
    go to one board."""
    if isinstance(first.texts, Listed) and isinstance(second.texts, Listed):
        rows = zip(first.texts, second.texts, strict=False)
        alike = {Identity.of(first.kind, a) for a, b in rows if a == b}
    else:
        alike = set()
    few, many = sorted((first, second), key=lambda rule: len(rule.texts))
    one, other = few.texts, many.texts
    if isinstance(one, Counted) and isinstance(other, Counted):
        if few.kind == many.kind == MAC:
            low, high = max(one.low, other.low), min(one.high, other.high)
            return one[low - one.low] if low <= high else ""
        # All of a range are of one kind.
        if Identity.of(few.kind, one[0]).kind != Identity.of(many.kind, other[0]).kind:
            return ""
    for text in few.texts:
        identity = Identity.of(few.kind, text)
        if many.texts.has(identity) and identity not in alike:
            return text
    return ""


def _contents(job: Job) -> tuple[list[Problem], list[str]]:
    """Make a board's contents and look for what is still the master's in them."""
    own = _somebody(job)
    longest = {rule.name: rule.texts.longest for rule in job.values}
    first = {rule.name: rule.texts[0] for rule in job.values}
    try:
        make_target(job, own, longest)
        sample = make_target(job, own, first)
    except (EnvironmentEditError, NotTheBoardsOwnError) as exc:
        line = job.environments[0].place.line if job.environments else 1
        return [Problem(line, str(exc))], []
    master = examine(job.image.contents, job.image.name, layout=job.layout).own
    theirs = {(item.kind, item.text.lower()) for item in master}
    problems: list[Problem] = []
    remarks: list[str] = []
    for item in examine(sample, "a clone", layout=job.layout).own:
        if (item.kind, item.text.lower()) not in theirs or item.text.lower() in job.shared:
            continue
        if item.kind in IDENTITY:
            problems.append(
                Problem(
                    1,
                    f"every board would get the master's {_described(item)}: keep that range, set "
                    f'it with a [[value]], or add it to shared = ["{item.text}"]',
                )
            )
        else:
            remarks.append(f"every board gets the master's {_described(item)}")
    problems += _masters_in_lists(job, master)
    return problems, remarks


def _masters_in_lists(job: Job, master: tuple[OwnItem, ...]) -> Iterator[Problem]:
    taken = {
        Identity.of(item.kind, item.text): item.text for item in master if item.kind in IDENTITY
    }
    for rule in job.values:
        for identity, text in taken.items():
            if identity not in job.may_share and rule.texts.has(identity):
                yield Problem(rule.line, f"the list of {rule.name} holds the master's own {text}")
                break


def _described(item: OwnItem) -> str:
    return f"{item.called} {item.text} ({item.name} at {address(item.start)}; {item.confidence})"


def _somebody(job: Job) -> bytes:
    """Contents of some other board: nothing of the master in what a board keeps."""
    own = bytearray(job.image.contents)
    for kept in job.keep:
        own[kept.start : kept.end] = b"\xa5" * kept.length
    for rule in job.environments:
        place = slice(rule.place.start, rule.place.end)
        own[place] = set_variables(bytes(own[place]), stored(dict.fromkeys(rule.keep, "kept")))
    return bytes(own)
