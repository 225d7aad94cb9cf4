"""What the boot loader looks for: versions, environment, files, console; where scripts write."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from spiflash.dump.boot_script import (
    Medium,
    Written,
    assigned,
    commands,
    filled,
    followed,
    wanted,
    written,
)
from spiflash.dump.finding import BannerFacts, Finding, TreeFacts, environments, images
from spiflash.dump.secrets import Masker, masker
from spiflash.dump.uboot_env import Environment
from spiflash.text import readable


@dataclass(frozen=True, slots=True)
class Version:
    """A version string at address `at`."""

    at: int
    text: str


@dataclass(frozen=True, slots=True)
class EnvironmentHints:
    """The variables of one environment in their order, from address `at`.

    `origin` says in words which environment it is; `checksum_ok` whether its checksum is OK;
    `command` what the boot command does, its `run`s followed; `addresses` the variables that
    name places in memory or flash.
    """

    at: int
    origin: str
    checksum_ok: bool
    variables: tuple[tuple[str, str], ...]
    command: tuple[str, ...]
    arguments: str
    addresses: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Load:
    """A file that the boot loader asks for.

    `medium` is the interface as written where that is a variable; `command` is the command that
    loads it; `at` is the address of the script.
    """

    file: str
    medium: Medium | str
    command: str
    at: int


@dataclass(frozen=True, slots=True)
class Write:
    """What a script writes to; `script` names the variable or image that holds it, `at` is the
    address of its text."""

    script: str
    at: int
    to: Written


@dataclass(frozen=True, slots=True)
class Console:
    """A console, its speed in baud (0 where it is not stated) and what states it."""

    device: str
    speed: int
    source: str


@dataclass(frozen=True, slots=True)
class Hints:
    """Everything found; each tuple without repetitions."""

    versions: tuple[Version, ...] = ()
    environments: tuple[EnvironmentHints, ...] = ()
    loads: tuple[Load, ...] = ()
    writes: tuple[Write, ...] = ()
    consoles: tuple[Console, ...] = ()


_Item = TypeVar("_Item")

_MOST = 200
_MOST_COMMANDS = 1000
_MOST_ENVIRONMENTS = 24
_VALUE = 2000
_ADDRESS_NAME = re.compile(r"addr(_\w+)?$|_addr|^loadaddr$|address$", re.IGNORECASE)
_ADDRESS_VALUE = re.compile(r"(0x)?[0-9a-fA-F]{4,16}")
_CONSOLE = re.compile(r"\bconsole=([\w./-]{2,32})(?:,(\d{3,8}))?")
_STDOUT_SPEED = re.compile(r":(\d{3,8})")


def hints(
    findings: Sequence[Finding], *, show_secrets: bool = False, hide: Masker | None = None
) -> Hints:
    """What a dump says about how its board starts.

    Only text that is not compressed is seen. Secrets are masked unless `show_secrets`, by `hide`
    where that is given. All strings are untrusted, but printable and bounded in length.
    """
    hide = hide or masker(findings, show=show_secrets)
    found = [(block, _plain(block)) for block in environments(findings)[:_MOST_ENVIRONMENTS]]
    loads, writes = _steps(_scripts(findings, found, hide))
    return Hints(
        versions=tuple(_versions(findings)),
        environments=tuple(_environment(block, space, hide) for block, space in found),
        loads=_distinct(loads, lambda each: (each.file, each.medium)),
        # Each command of a script once, whichever environment has it.
        writes=_distinct(writes, lambda each: (each.script, each.to.command)),
        consoles=tuple(dict.fromkeys(_consoles(findings, found)))[:_MOST],
    )


def _plain(block: Environment) -> dict[str, str]:
    return {
        readable(variable.name): readable(variable.value, _VALUE) for variable in block.variables
    }


def _versions(findings: Sequence[Finding]) -> Iterator[Version]:
    seen: set[str] = set()
    for finding in findings:
        facts = finding.facts
        if isinstance(facts, BannerFacts) and facts.text not in seen and len(seen) < _MOST:
            seen.add(facts.text)
            yield Version(finding.start, facts.text)


def origin(block: Environment) -> str:
    """In words which environment it is."""
    if not block.saved:
        return "compiled into the boot code"
    return "saved" if block.checksum_ok else "saved, but its checksum fails"


def _environment(block: Environment, space: Mapping[str, str], hide: Masker) -> EnvironmentHints:
    safe = {name: hide.named(name, value) for name, value in space.items()}
    return EnvironmentHints(
        at=block.start,
        origin=origin(block),
        checksum_ok=block.checksum_ok,
        variables=tuple(safe.items()),
        command=tuple(str(each) for each in followed("bootcmd", safe)),
        arguments=filled(safe.get("bootargs", ""), safe),
        addresses=tuple(
            (name, value)
            for name, value in safe.items()
            if _ADDRESS_NAME.search(name) and _ADDRESS_VALUE.fullmatch(value)
        ),
    )


@dataclass(frozen=True, slots=True)
class _Script:
    """The text of a script, as it may be shown, with the variables that it runs with."""

    name: str
    at: int
    text: str
    variables: Mapping[str, str]


def _scripts(
    findings: Sequence[Finding],
    found: Sequence[tuple[Environment, Mapping[str, str]]],
    hide: Masker,
) -> Iterator[_Script]:
    """Every variable of the environments, then every script image: those run with the variables
    of the first environment."""
    # Filled in from masked values, or a token in a URL would be shown.
    safe = [{name: hide.named(name, value) for name, value in space.items()} for _, space in found]
    for (block, _), space in zip(found, safe, strict=True):
        for variable in block.variables:
            name = readable(variable.name)
            yield _Script(name, variable.at, space.get(name, ""), space)
    for finding in findings:
        for image in images(finding):
            if image.script:
                text = hide.text(image.script)
                name = f"script {hide.text(readable(image.name.encode(), 40))}".strip()
                yield _Script(name, finding.start, text, safe[0] if safe else {})


def _steps(scripts: Iterable[_Script]) -> tuple[list[Load], list[Write]]:
    """What the scripts load and write; names of files come only from here: elsewhere what looks
    like one may be part of a message."""
    loads: list[Load] = []
    writes: list[Write] = []
    left = _MOST_COMMANDS
    for script in scripts:
        for known in assigned(script.text, script.variables):
            for command in commands(script.text):
                left -= 1
                if left < 0:
                    return loads, writes
                load, to = wanted(command, known), written(command, known)
                if load is not None:
                    loads.append(Load(load.file[:200], load.medium, load.command[:400], script.at))
                if to is not None:
                    short = dataclasses.replace(
                        to, name=to.name[:64], stated=to.stated[:64], command=to.command[:400]
                    )
                    writes.append(Write(script.name, script.at, short))
    return loads, writes


def _distinct(items: Sequence[_Item], key: Callable[[_Item], object]) -> tuple[_Item, ...]:
    """The first of those that have the same key."""
    found: dict[object, _Item] = {}
    for each in items:
        found.setdefault(key(each), each)
    return tuple(found.values())[:_MOST]


def _consoles(
    findings: Sequence[Finding], found: Sequence[tuple[Environment, Mapping[str, str]]]
) -> Iterator[Console]:
    for block, space in found:
        where = f"environment at {block.start:06X}h"
        for name in space:
            text = f"console={space[name]}" if name == "console" else space[name]
            if "console=" not in text:
                continue
            for match in _CONSOLE.finditer(filled(text, space)):
                yield Console(match[1], int(match[2] or 0), where)
        if (speed := space.get("baudrate", "")).isdigit() and len(speed) <= 8:
            yield Console("boot loader", int(speed), where)
    for finding in findings:
        tree = finding.facts
        if isinstance(tree, TreeFacts):
            where = f"device tree at {finding.start:06X}h"
            if tree.console:
                stated = _STDOUT_SPEED.search(tree.console)
                device = tree.console.partition(":")[0]
                yield Console(device, int(stated[1]) if stated else 0, where)
            for match in _CONSOLE.finditer(tree.arguments):
                yield Console(match[1], int(match[2] or 0), where)
