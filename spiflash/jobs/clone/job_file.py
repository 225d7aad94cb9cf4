"""Job files: TOML of our own. `example.toml` beside this file shows every key with a remark."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any, NoReturn

from spiflash.archive.ledger.values import MAC, ValueList
from spiflash.dump.formats import VARIANTS
from spiflash.dump.layout import Layout
from spiflash.errors import CloneJobError, LayoutError
from spiflash.files import decoded, read_named
from spiflash.jobs.clone import (
    ACTIONS,
    FAILURES,
    FORMS,
    EnvironmentRule,
    Job,
    NamedRange,
    SumRule,
    ValueRule,
    counted,
    listed,
    mac_range,
)
from spiflash.jobs.image import load_image, load_layout
from spiflash.toml_text import KeyPath, TomlText

VERSION = 1
_LIMIT = 1 << 20
KEYS: Mapping[str, frozenset[str]] = {
    "": frozenset(
        {
            *("clone", "name", "image", "layout", "chips", "boards", "passes", "label", "shared"),
            *("keep", "environment", "value", "failure"),
        }
    ),
    "keep": frozenset({"region", "name", "start", "length"}),
    "environment": frozenset({"region", "name", "start", "length", "keep"}),
    "value": frozenset(
        {
            *("name", "kind", "first", "last", "pattern", "list", "variable", "at", "length"),
            *("fill", "sum", "sum_at", "sum_order", "sum_start", "sum_length"),
        }
    ),
    "failure": frozenset(FAILURES),
}
"""The keys of each table; those above all tables under the empty name."""


def example_text() -> str:
    """A job file for the demo board in which every key is explained."""
    return resources.files(__package__).joinpath("example.toml").read_text("utf-8")


def load_job(path: Path) -> Job:
    """Read a job file and all it names.

    Raises `CloneJobError` that names file and line, and what `load_image` and `load_layout`
    raise.
    """
    raw = read_named(path, CloneJobError, limit=_LIMIT)
    text = decoded(raw, path, CloneJobError)
    return _Reader(JobText(text, str(path)), path.parent, hashlib.sha256(raw).hexdigest()).job()


class JobText(TomlText):
    """A job file as TOML, and where each of its keys stands. Raises `CloneJobError`."""

    def text(self, table: dict[str, Any], place: KeyPath, key: str, default: str | None) -> str:
        """A text on one line; needed when there is no default."""
        value = table.get(key, default)
        if not isinstance(value, str) or not value.isprintable() or (default is None and not value):
            self.refuse(self.line(place, key), f"{key} must be a text in quotes")
        return value

    def texts(self, table: dict[str, Any], place: KeyPath, key: str) -> tuple[str, ...]:
        """A list of texts; empty where it is left out."""
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            self.refuse(self.line(place, key), f"{key} must be a list of texts in quotes")
        return tuple(value)

    def number(
        self,
        table: dict[str, Any],
        place: KeyPath,
        key: str,
        low: int,
        high: int,
        default: int | None,
    ) -> int:
        """A whole number in its limits."""
        value = table.get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            self.refuse(self.line(place, key), f"{key} must be a number from {low} to {high}")
        return value

    def choice(
        self, table: dict[str, Any], place: KeyPath, key: str, known: tuple[str, ...], default: str
    ) -> str:
        """One of the known words."""
        value = table.get(key, default)
        if value not in known:
            self.refuse(self.line(place, key), f"{key} must be one of {', '.join(known)}")
        return str(value)

    def refuse(self, line: int, problem: str) -> NoReturn:
        """Raise the error for a line."""
        raise CloneJobError(
            f"{self.name}, line {line}: {problem}.",
            remedy="Correct the file, then check it with 'spiflash clone FILE --check'.",
        )


class _Reader:
    def __init__(self, text: JobText, folder: Path, sha256: str) -> None:
        self.text = text
        self.data = text.data
        self.folder = folder
        self.sha256 = sha256
        self.layout: Layout | None = None

    def job(self) -> Job:
        text, data = self.text, self.data
        text.known(data, (), KEYS[""])
        if data.get("clone") != VERSION or isinstance(data.get("clone"), bool):
            text.refuse(text.line((), "clone"), f"this line must be clone = {VERSION}")
        if "layout" in data:
            self.layout = load_layout(self.folder / text.text(data, (), "layout", None))
        chips = text.texts(data, (), "chips")
        if not chips:
            text.refuse(text.line((), "chips"), "chips must list the parts that are accepted")
        environments = tuple(self.environment(*each) for each in text.tables("environment"))
        return Job(
            source=text.name,
            sha256=self.sha256,
            name=text.text(data, (), "name", None),
            image=load_image(self.folder / text.text(data, (), "image", None)),
            layout=self.layout,
            chips=chips,
            boards=text.number(data, (), "boards", 0, 1 << 20, 0),
            passes=text.number(data, (), "passes", 2, 12, 2),
            label=text.text(data, (), "label", ""),
            shared=tuple(each.lower() for each in text.texts(data, (), "shared")),
            keep=tuple(self.keep(*each) for each in text.tables("keep")),
            environments=environments,
            values=self.values(bool(environments)),
            failure=self.failure(),
        )

    def keep(self, table: dict[str, Any], place: KeyPath) -> NamedRange:
        self.text.known(table, place, KEYS["keep"])
        return self.stretch(table, place, "a kept range")

    def environment(self, table: dict[str, Any], place: KeyPath) -> EnvironmentRule:
        self.text.known(table, place, KEYS["environment"])
        return EnvironmentRule(
            self.stretch(table, place, "environment"), self.text.texts(table, place, "keep")
        )

    def stretch(self, table: dict[str, Any], place: KeyPath, name: str) -> NamedRange:
        """A range given by a region's name, or by start and length."""
        text, line = self.text, self.text.line(place)
        if "region" in table:
            wanted = text.text(table, place, "region", None)
            line = text.line(place, "region")
            if self.layout is None:
                text.refuse(line, "region needs a layout, and the job has none")
            try:
                region = self.layout.region(wanted)
            except LayoutError as exc:
                text.refuse(line, f"{exc.cause.rstrip('.')}. {exc.remedy.rstrip('.')}")
            if "start" in table or "length" in table:
                text.refuse(line, "give a region, or start and length, not both")
            return NamedRange(wanted, region.start, region.length, line)
        start, length = text.amount(table, place, "start"), text.amount(table, place, "length")
        if length == 0:
            text.refuse(text.line(place, "length"), "the range is empty")
        return NamedRange(text.text(table, place, "name", name), start, length, line)

    def values(self, environments: bool) -> tuple[ValueRule, ...]:
        found: dict[str, ValueRule] = {}
        variables: dict[str, str] = {}
        for table, place in self.text.tables("value"):
            rule = self.value(table, place)
            if rule.name in found:
                self.text.refuse(
                    self.text.line(place, "name"), f"the name {rule.name} is used twice"
                )
            if rule.variable and not environments:
                line = self.text.line(place, "variable")
                self.text.refuse(line, "variable needs an [[environment]], and the job has none")
            if rule.variable is not None:
                other = variables.setdefault(rule.variable, rule.name)
                if other != rule.name:
                    line = self.text.line(place, "variable")
                    self.text.refuse(line, f"{rule.variable} is already set by {other}")
            found[rule.name] = rule
        kept = {
            name: place
            for table, place in self.text.tables("environment")
            for name in self.text.texts(table, place, "keep")
        }
        for name in variables.keys() & kept.keys():
            line = self.text.line(kept[name], "keep")
            self.text.refuse(line, f"{name} is kept here, but set by {variables[name]}")
        return tuple(found.values())

    def value(self, table: dict[str, Any], place: KeyPath) -> ValueRule:
        text = self.text
        text.known(table, place, KEYS["value"])
        name = text.text(table, place, "name", None)
        line = text.line(place)
        kind = text.choice(table, place, "kind", tuple(FORMS), "text")
        texts = self.source(table, place, kind)
        variable = text.text(table, place, "variable", None) if "variable" in table else None
        where = None
        if "at" in table:
            start = text.amount(table, place, "at")
            rule = ValueRule(name, kind, texts, None, None, 0, None, line)
            longest = len(rule.raw(texts.longest))
            length = text.amount(table, place, "length") if "length" in table else longest
            if longest > length:
                text.refuse(
                    text.line(place, "length"), f"a value has {longest} bytes, more than {length}"
                )
            where = NamedRange(name, start, length, text.line(place, "at"))
        if where is None and variable is None:
            text.refuse(line, f"{name} is not written anywhere: give variable, or at, or both")
        fill = text.number(table, place, "fill", 0, 255, 0)
        checksum = self.sum(table, place, where) if "sum" in table else None
        return ValueRule(name, kind, texts, variable, where, fill, checksum, line)

    def source(self, table: dict[str, Any], place: KeyPath, kind: str) -> ValueList:
        text = self.text
        if "list" in table:
            if table.keys() & {"first", "last", "pattern"}:
                text.refuse(text.line(place, "list"), "give a list or a range, not both")
            return listed(self.folder / text.text(table, place, "list", None), kind)
        line = text.line(place, "first")
        try:
            if kind == MAC:
                ends = (text.text(table, place, key, None) for key in ("first", "last"))
                return mac_range(*ends)
            numbers = [text.number(table, place, key, 0, 10**12, None) for key in ("first", "last")]
            pattern = text.text(table, place, "pattern", None)
            return counted(kind, pattern, *numbers)
        except ValueError as exc:
            text.refuse(line, str(exc))

    def sum(self, table: dict[str, Any], place: KeyPath, where: NamedRange | None) -> SumRule:
        text = self.text
        line = text.line(place, "sum")
        kind = text.choice(table, place, "sum", tuple(VARIANTS), "")
        covers = where
        if "sum_start" in table or "sum_length" in table:
            start, length = (text.amount(table, place, f"sum_{key}") for key in ("start", "length"))
            covers = NamedRange("what a checksum covers", start, length, line)
        if covers is None:
            text.refuse(line, "give sum_start and sum_length: what the checksum covers")
        at = text.amount(table, place, "sum_at")
        width = (VARIANTS[kind].polynomial.bit_length() - 1) // 8
        stored = NamedRange(f"checksum of {table['name']}", at, width, text.line(place, "sum_at"))
        if stored.meets(covers):
            text.refuse(
                text.line(place, "sum_at"), "the checksum is inside the range that it covers"
            )
        order = text.choice(table, place, "sum_order", ("little", "big"), "little")
        return SumRule(kind, covers, stored, order)

    def failure(self) -> dict[str, str]:
        table = self.data.get("failure", {})
        if not isinstance(table, dict):
            self.text.refuse(self.text.line((), "failure"), "write [failure] above these lines")
        place = ("failure",)
        self.text.known(table, place, KEYS["failure"])
        return {key: self.text.choice(table, place, key, ACTIONS, "next") for key in table}
