"""Reading boot scripts: what runs after what, and which files they ask for.

Command names and the order of their arguments: U-Boot, doc/usage/cmd (from memory).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

_STEPS = 60
_DEEPEST = 8
_LONGEST = 4000  # characters of a command with its variables filled in
_MOST_RUNS = 1000
_REFERENCE = re.compile(r"\$\{(\w{1,64})\}|\$(\w{1,64})")
_SEPARATOR = re.compile(r"\s*(?:;|&&|\|\||\n)\s*")

_FROM_MEDIUM = re.compile(r"^(?:fat|ext2|ext4|fs|btr|sqfs)?load$|^fatsize$|^size$")
_FROM_FLASH = {"fsload": "flash file system", "ubifsload": "flash file system"}
_FROM_NETWORK = {
    *("tftpboot", "tftp", "bootp", "dhcp", "rarpboot", "nfs", "wget", "tftpsrv", "pxe"),
}
_LOADS = re.compile(r"^\W*(?:\$|\w*load|\w*size|tftp|bootp|dhcp|rarpboot|nfs|wget|pxe|sysboot)")
"""How a command begins that may load a file: far cheaper than filling in its variables."""

_SERVER = re.compile(r"^\d{1,3}(?:\.\d{1,3}){3}:")
"""The server in front of a file's name."""

_MEDIA = {
    "mmc": "SD card",
    "usb": "USB",
    "sata": "SATA disk",
    "ide": "IDE disk",
    "nvme": "NVMe disk",
    "scsi": "SCSI disk",
    "ubi": "UBI volume",
    "virtio": "virtual disk",
    "host": "host",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """A file, the medium in words, and the command that loads it, with variables filled in."""

    file: str
    medium: str
    command: str


def filled(text: str, variables: Mapping[str, str]) -> str:
    """`text` with the variables filled in that are known, as far as eight levels go."""
    for _ in range(_DEEPEST):
        changed = _replaced(text, variables)
        if changed == text:
            break
        text = changed
    return text


def _replaced(text: str, variables: Mapping[str, str]) -> str:
    """One level; no longer than is shown, however often and how long the values are."""
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


def followed(name: str, variables: Mapping[str, str]) -> tuple[str, ...]:
    """What `run name` does, `run`s followed in turn; at most sixty commands."""
    found: list[str] = []
    # Runs that lead to nothing are counted too: they can branch without end.
    _follow(name, variables, found, (), iter(range(_MOST_RUNS)))
    return tuple(found)


def _follow(
    name: str,
    variables: Mapping[str, str],
    found: list[str],
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
                    found.append(f"run {each} (not set)")
        else:
            found.append(command)


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
        return Wanted(arguments[-1], _FROM_FLASH[verb], text)
    if verb == "sysboot":
        # sysboot <interface> <device[:partition]> <any|ext2|fat> [<address>] [<file>]
        last = arguments[-1] if len(arguments) > 4 else variables.get("bootfile", "")
        medium = _MEDIA.get(arguments[0], arguments[0]) if arguments else "unknown"
        return Wanted(last or "extlinux/extlinux.conf", medium, text)
    if _FROM_MEDIUM.match(verb):
        # load <interface> [<device[:partition]> [<address> [<file> …]]]; the sizes have no address
        place = 2 if verb.endswith("size") else 3
        if len(arguments) > place:
            medium = _MEDIA.get(arguments[0], arguments[0])
            return Wanted(arguments[place], medium, text)
        return None
    if verb in _FROM_NETWORK:
        # tftpboot [<address>] [[<server>:]<file>]
        names = [word for word in arguments if not _is_address(word)]
        file = _SERVER.sub("", names[0]) if names else variables.get("bootfile", "")
        return Wanted(file or "whatever the server names", "network", text)
    return None


def _is_address(word: str) -> bool:
    return bool(re.fullmatch(r"(0x)?[0-9a-fA-F]{5,16}|\$\{?\w*addr\w*\}?", word))
