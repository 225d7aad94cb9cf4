"""Reading boot scripts: which commands they run, which files they load, where they write.

Command names and the order of their arguments: U-Boot, doc/usage/cmd (from memory).
"""

from __future__ import annotations

import enum
import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from spiflash.dump.layout import Layout

_STEPS = 60
_DEEPEST = 8
_LONGEST = 4000  # characters of a command with its variables filled in
_MOST_RUNS = 1000
_REFERENCE = re.compile(r"\$\{(\w{1,64})\}|\$(\w{1,64})")
_SEPARATOR = re.compile(r"\s*(?:;|&&|\|\||\n)\s*")

_FROM_MEDIUM = re.compile(r"^(?:fat|ext2|ext4|fs|btr|sqfs)?load$|^fatsize$|^size$")
_FROM_FLASH = ("fsload", "ubifsload")
_FROM_NETWORK = {
    *("tftpboot", "tftp", "bootp", "dhcp", "rarpboot", "nfs", "wget", "tftpsrv", "pxe"),
}
_LOADS = re.compile(r"^\W*(?:\$|\w*load|\w*size|tftp|bootp|dhcp|rarpboot|nfs|wget|pxe|sysboot)")
"""How a command that may load a file begins: far cheaper than filling in its variables."""

_SERVER = re.compile(r"^\d{1,3}(?:\.\d{1,3}){3}:")
"""The server before the name of a file."""


class Medium(enum.StrEnum):
    """What a file is loaded from."""

    CARD = "SD card"
    USB = "USB"
    SATA = "SATA disk"
    IDE = "IDE disk"
    NVME = "NVMe disk"
    SCSI = "SCSI disk"
    UBI = "UBI volume"
    VIRTUAL = "virtual disk"
    HOST = "host"
    MAPPED = "mapped disk"
    FIRMWARE = "firmware disk"
    FLASH = "flash file system"
    NETWORK = "network"


_MEDIA = {
    "mmc": Medium.CARD,
    "usb": Medium.USB,
    "sata": Medium.SATA,
    "ide": Medium.IDE,
    "nvme": Medium.NVME,
    "scsi": Medium.SCSI,
    "ubi": Medium.UBI,
    "virtio": Medium.VIRTUAL,
    "pvblock": Medium.VIRTUAL,
    "host": Medium.HOST,
    "hostfs": Medium.HOST,
    "semihosting": Medium.HOST,
    "blkmap": Medium.MAPPED,
    "efi_media": Medium.FIRMWARE,
}
"""By the name of the interface."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A file, its medium (the interface as written where that is a variable), and the command that
    loads it, with variables filled in."""

    file: str
    medium: Medium | str
    command: str


_WHOLE = re.compile(r"(?:spi-)?nor0")
"""The name of the whole first SPI NOR flash, in commands that take a partition."""


class Onto(enum.Enum):
    """What a command writes to."""

    SPI = "SPI flash"
    PARTITION = "flash partition"
    NAND = "NAND flash"
    MEMORY = "memory, or flash mapped into memory"


@dataclass(frozen=True, slots=True)
class Written:
    """What one command writes to.

    `address` is in bytes: in the flash, in the partition `name` where there is one, or in the
    processor's memory; None where it is not stated as a number. `length` is in bytes, None where
    it is not stated as a number; `stated` is the length as written, such as
    "${filesize}", empty where the command has none.
    """

    onto: Onto
    name: str
    address: int | None
    length: int | None
    stated: str
    command: str

    def place(self, layout: Layout) -> int | None:
        """The address in the SPI flash; None where it is not known or not of that flash."""
        if self.onto not in (Onto.SPI, Onto.PARTITION):
            return None
        if not self.name or _WHOLE.fullmatch(self.name):
            return self.address
        known = next((each.start for each in layout.named if each.name == self.name), None)
        return known + self.address if known is not None and self.address is not None else None


def filled(text: str, variables: Mapping[str, str]) -> str:
    """`text` with known variables filled in, up to eight levels deep."""
    for _ in range(_DEEPEST):
        changed = _replaced(text, variables)
        if changed == text:
            break
        text = changed
    return text


def _replaced(text: str, variables: Mapping[str, str]) -> str:
    """One level, up to the length that is shown, however many and long the values are."""
    pieces: list[str] = []
    length = at = 0
    for found in _REFERENCE.finditer(text):
        piece = text[at : found.start()] + variables.get(found[1] or found[2], found[0])
        pieces.append(piece)
        length += len(piece)
        at = found.end()
        if length >= _LONGEST:
            break
    else:
        pieces.append(text[at:])
    return "".join(pieces)[:_LONGEST]


def commands(text: str) -> Iterator[str]:
    """The single commands of a script."""
    for piece in _SEPARATOR.split(text):
        words = piece.strip().removeprefix("if ").removeprefix("then ").removeprefix("else ")
        words = words.removeprefix("do ")
        if words and words not in ("fi", "done", "then", "do", "else"):
            yield words


def assigned(text: str, variables: Mapping[str, str]) -> Iterator[Mapping[str, str]]:
    """`variables` with what a script sets before it loads: `setenv NAME VALUE`, and each value of
    a `for NAME in VALUES` in turn; `variables` themselves first. At most sixteen."""
    known = dict(variables)
    for command in commands(text):
        words = command.split()
        if words[:1] == ["setenv"] and len(words) > 2:
            known[words[1]] = filled(" ".join(words[2:]).strip("\"'"), known)
    yield known
    loops = itertools.islice(_LOOP.finditer(text), 4)
    for loop in loops:
        for value in filled(loop[2], known).split()[:16]:
            yield known | {loop[1]: value.strip("\"'")}


_LOOP = re.compile(r"\bfor\s+(\w{1,64})\s+in\s+([^;\n]{1,1000})")


@dataclass(frozen=True, slots=True)
class Step:
    """One command that runs. `missing` is the variable that a `run` asks for where it is not set,
    else empty."""

    command: str
    missing: str = ""

    @property
    def verb(self) -> str:
        """The first word of the command."""
        return self.command.split(" ")[0]

    def __str__(self) -> str:
        return f"{self.command} (not set)" if self.missing else self.command


def followed(name: str, variables: Mapping[str, str]) -> tuple[Step, ...]:
    """What `run name` does, `run`s followed in turn; at most sixty commands."""
    found: list[Step] = []
    # Runs without a result are counted too: they can branch without end.
    _follow(name, variables, found, (), iter(range(_MOST_RUNS)))
    return tuple(found)


def _follow(
    name: str,
    variables: Mapping[str, str],
    found: list[Step],
    above: tuple[str, ...],
    budget: Iterator[int],
) -> None:
    if name in above or len(above) == _DEEPEST or next(budget, None) is None:
        return
    for command in commands(variables.get(name, "")):
        if len(found) >= _STEPS:
            return
        words = command.split()
        if words[0] == "run" and len(words) > 1:
            for each in words[1:]:
                if each in variables:
                    _follow(each, variables, found, (*above, name), budget)
                else:
                    found.append(Step(f"run {each}", missing=each))
        else:
            found.append(Step(command))


def wanted(command: str, variables: Mapping[str, str]) -> Wanted | None:
    """The file that one command loads; None when it loads none."""
    if not _LOADS.search(command):
        return None
    text = filled(command, variables)
    words = [word.strip("\"'") for word in text.split()]
    if not words:
        return None
    verb, arguments = words[0], words[1:]
    if verb in _FROM_FLASH and arguments:
        return Wanted(arguments[-1], Medium.FLASH, text)
    if verb == "sysboot":
        # sysboot <interface> <device[:partition]> <any|ext2|fat> [<address>] [<file>]
        last = arguments[-1] if len(arguments) > 4 else variables.get("bootfile", "")
        medium = _medium(arguments[0]) if arguments else None
        if medium is None:
            return None
        return Wanted(last or "extlinux/extlinux.conf", medium, text)
    if _FROM_MEDIUM.match(verb):
        # load <interface> [<device[:partition]> [<address> [<file> …]]]; the sizes have no address
        place = 2 if verb.endswith("size") else 3
        medium = _medium(arguments[0]) if len(arguments) > place else None
        return Wanted(arguments[place], medium, text) if medium is not None else None
    if verb in _FROM_NETWORK:
        # tftpboot [<address>] [[<server>:]<file>]
        names = [word for word in arguments if not _is_address(word)]
        file = _SERVER.sub("", names[0]) if names else variables.get("bootfile", "")
        return Wanted(file or "the file that the server names", Medium.NETWORK, text)
    return None


def _is_address(word: str) -> bool:
    return bool(re.fullmatch(r"(0x)?[0-9a-fA-F]{5,16}|\$\{?\w*addr\w*\}?", word))


def _medium(interface: str) -> Medium | str | None:
    """The medium; None for what is no interface: then the command is ordinary text."""
    return interface if "$" in interface else _MEDIA.get(interface)


_WRITES = re.compile(r"^(?:sf|mtd|nand|cp)\b")
_WIDTHS = {"": 4, ".b": 1, ".w": 2, ".l": 4, ".q": 8}


def written(command: str, variables: Mapping[str, str]) -> Written | None:
    """What one command writes to; None when it writes to no flash.

    sf write|update ADDR OFFSET LENGTH; mtd write[.OPTIONS] NAME ADDR [OFFSET [LENGTH]];
    nand write[.OPTIONS] ADDR OFFSET|PARTITION [LENGTH]; cp[.b|.w|.l|.q] FROM TO COUNT. Numbers
    are hexadecimal.
    """
    if not _WRITES.search(command):
        return None
    text = filled(command, variables)
    words = [word.strip("\"'") for word in text.split()]
    verb, action = words[0], words[1].partition(".")[0] if len(words) > 1 else ""
    if verb == "sf" and action in ("write", "update") and len(words) > 3:
        onto, name, address, stated = Onto.SPI, "", words[3], words[4:5]
    elif verb == "mtd" and action == "write" and len(words) > 3:
        onto, name, stated = Onto.PARTITION, words[2], words[5:6]
        address = words[4] if len(words) > 4 else "0"
    elif verb == "nand" and action == "write" and len(words) > 3:
        onto, name, address, stated = Onto.NAND, "", words[3], words[4:5]
    elif (width := _WIDTHS.get(verb.removeprefix("cp"))) and len(words) > 3:
        count = _number(words[3])
        length = count * width if count is not None else None
        return Written(Onto.MEMORY, "", _number(words[2]), length, words[3], text)
    else:
        return None
    start = _number(address)
    if start is None and not name and "$" not in address:
        # The name of a partition can take the place of an offset.
        name, start = address, 0
    length = _number(stated[0].removeprefix("+")) if stated else None
    return Written(onto, name, start, length, stated[0] if stated else "", text)


def _number(word: str) -> int | None:
    return int(word, 16) if re.fullmatch(r"(0x)?[0-9a-fA-F]{1,16}", word) else None
