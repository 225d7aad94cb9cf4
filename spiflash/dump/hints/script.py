"""Reading boot scripts: what runs after what, and which files they ask for.

Command names and the order of their arguments: U-Boot, doc/usage/cmd (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

_STEPS = 60
_DEEPEST = 8
_REFERENCE = re.compile(r"\$\{(\w{1,64})\}|\$(\w{1,64})")
_SEPARATOR = re.compile(r"\s*(?:;|&&|\|\||\n)\s*")

_FROM_MEDIUM = re.compile(r"^(?:fat|ext2|ext4|fs|btr|sqfs)?load$|^fatsize$|^size$")
_FROM_FLASH = {"fsload": "flash file system", "ubifsload": "flash file system"}
_FROM_NETWORK = {
    *("tftpboot", "tftp", "bootp", "dhcp", "rarpboot", "nfs", "wget", "tftpsrv", "pxe"),
}
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
        changed = _REFERENCE.sub(lambda m: variables.get(m[1] or m[2], m[0]), text)[:4000]
        if changed == text:
            break
        text = changed
    return text


def commands(text: str) -> Iterator[str]:
    """The single commands of a script."""
    for piece in _SEPARATOR.split(text):
        words = piece.strip().removeprefix("if ").removeprefix("then ").removeprefix("else ")
        if words and words not in ("fi", "done", "then", "do", "else"):
            yield words


def followed(name: str, variables: Mapping[str, str]) -> tuple[str, ...]:
    """What `run name` does, `run`s followed in turn; at most sixty commands."""
    found: list[str] = []
    _follow(name, variables, found, ())
    return tuple(found)


def _follow(
    name: str, variables: Mapping[str, str], found: list[str], above: tuple[str, ...]
) -> None:
    if name in above or len(above) == _DEEPEST:
        return
    for command in commands(variables.get(name, "")):
        if len(found) >= _STEPS:
            return
        words = command.split()
        if words[0] == "run" and len(words) > 1:
            for each in words[1:]:
                if each in variables:
                    _follow(each, variables, found, (*above, name))
                else:
                    found.append(f"run {each} (not set)")
        else:
            found.append(command)


def wanted(command: str, variables: Mapping[str, str]) -> Wanted | None:
    """The file that one command loads; None when it loads none."""
    text = filled(command, variables)
    words = [word.strip("\"'") for word in text.split()]
    if not words:
        return None
    verb, arguments = words[0], words[1:]
    if verb in _FROM_FLASH and arguments:
        return Wanted(arguments[-1], _FROM_FLASH[verb], text)
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
        file = names[0] if names else variables.get("bootfile", "")
        return Wanted(file or "whatever the server names", "network", text)
    return None


def _is_address(word: str) -> bool:
    return bool(re.fullmatch(r"(0x)?[0-9a-fA-F]{5,16}|\$\{?\w*addr\w*\}?", word))
