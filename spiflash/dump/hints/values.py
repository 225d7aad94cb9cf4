"""The results: what a dump says about how its board starts."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.dump.hints.script import Written


@dataclass(frozen=True, slots=True)
class Version:
    """A version string at address `at`."""

    at: int
    text: str


@dataclass(frozen=True, slots=True)
class Environment:
    """Variables in the order in which they stand, from address `at`.

    `origin` says in words which environment it is; `vouched` whether its checksum holds;
    `command` what the boot command does, its `run`s followed; `addresses` the variables that
    name places in memory or flash.
    """

    at: int
    origin: str
    vouched: bool
    variables: tuple[tuple[str, str], ...]
    command: tuple[str, ...]
    arguments: str
    addresses: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Load:
    """A file that the boot loader asks for.

    `medium` in words ("SD card", "network", "USB", …); `command` is the command that loads it;
    `at` where the script stands.
    """

    file: str
    medium: str
    command: str
    at: int


@dataclass(frozen=True, slots=True)
class Write:
    """What a script writes to; `script` is the variable or image that it is, `at` where its text
    stands."""

    script: str
    at: int
    to: Written


@dataclass(frozen=True, slots=True)
class Console:
    """A console, its speed in baud (0 where it is not stated) and what says so."""

    device: str
    speed: int
    source: str


@dataclass(frozen=True, slots=True)
class Hints:
    """Everything found; each tuple without repetitions."""

    versions: tuple[Version, ...] = ()
    environments: tuple[Environment, ...] = ()
    loads: tuple[Load, ...] = ()
    writes: tuple[Write, ...] = ()
    consoles: tuple[Console, ...] = ()
