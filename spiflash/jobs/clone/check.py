"""Proving a job against its image without a board."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from spiflash.archive.ledger import Ledger
from spiflash.archive.ledger.rows import SCRAPPED
from spiflash.archive.ledger.values import LONGEST, MAC, Counted, Identity, Listed
from spiflash.archive.shelf import LedgerNote, Shelf
from spiflash.dump.audit import examine
from spiflash.dump.identity import OwnItem
from spiflash.dump.uboot_env import (
    EnvironmentEditError,
    read_environment,
    set_variables,
    stored,
)
from spiflash.errors import LedgerError, ValuesUsedUpError
from spiflash.jobs.clone.job import Job, Stretch, ValueRule, sums_in_order
from spiflash.jobs.clone.target import NotTheBoardsOwnError, make_target
from spiflash.nor.identify import ChipTable
from spiflash.text import address, amount, counted

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
    first = _first(job, ledger)
    label = job.label_for(first)
    return Checked(tuple(problems), tuple(remarks), listed, free, _samples(job), first, label)


def refuse_older(ledger: Ledger, shelf: Shelf) -> None:
    """Raise `LedgerError` when the ledger lacks a row that was written to it with this shelf: it is
    an older copy, and would give values again that boards have."""
    first = ledger.row(1)
    for path, note in shelf.ledger_notes().items():
        if first is None or first.digest != note.first:
            continue
        row = ledger.row(note.row)
        if row is None or row.digest != note.digest:
            raise LedgerError(
                f"The ledger {ledger.store.name} is older than the work on this shelf: row "
                f"{note.row}, which was written to it from here, is missing or another one.",
                state="No board was written to: it would get values that boards have already.",
                remedy="Put back the newest copy of the ledger. If that is lost, make a new list "
                f"of values for the job, then delete {path}.",
            )


def other_ledger(job: Job, ledger: Ledger, shelf: Shelf) -> LedgerNote | None:
    """Another ledger in which boards of this job on this shelf are recorded, while this one has
    none of the job."""
    if any(row.job == job.name for row in ledger.rows()):
        return None
    return next((each for each in shelf.ledger_notes().values() if each.job == job.name), None)


def made_by(job: Job, ledger: Ledger) -> set[str]:
    """The keys of the boards that this job has made."""
    made: set[str] = set()
    for row in ledger.rows():
        if row.job == job.name and row.good:
            made.add(row.key)
        elif row.key in made and SCRAPPED in row.body and row.record().scrapped:
            made.discard(row.key)
    return made


def _samples(job: Job) -> tuple[tuple[str, str, str], ...]:
    return tuple((rule.name, rule.texts[0], rule.texts[-1]) for rule in job.values)


def _first(job: Job, ledger: Ledger | None) -> Mapping[str, str]:
    if ledger is None:
        return {rule.name: rule.texts[0] for rule in job.values}
    try:
        return ledger.next_values(job.columns)
    except ValuesUsedUpError:
        return {}


def stretches(job: Job) -> list[Stretch]:
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
                    f"every board would get the master's {_named(item)}: keep that range, set it "
                    f'with a [[value]], or add it to shared = ["{item.text}"]',
                )
            )
        else:
            remarks.append(f"every board gets the master's {_named(item)}")
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


def _named(item: OwnItem) -> str:
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
