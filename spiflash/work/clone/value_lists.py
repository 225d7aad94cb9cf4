"""Where the values of the boards come from: counted ranges and list files.

A list file holds one value a line; blank lines, and lines that begin with "# ", are left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

from spiflash.errors import CloneJobError

MOST = 1 << 20
"""Values in one list: as many as a batch can need, few enough to hold."""

_MAC = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}")


def mac_text(text: str) -> str:
    """A MAC address as six pairs with colons, in lower case. Raises ValueError with the cause."""
    plain = text.strip().lower().replace("-", ":")
    if not _MAC.fullmatch(plain):
        raise ValueError(f"“{text[:40]}” is not a MAC address such as 00:00:5e:00:53:01")
    if int(plain[:2], 16) & 1:
        raise ValueError(f"{plain} is a group address (IEEE 802), which no board may have")
    return plain


def hex_text(text: str) -> str:
    """Bytes in hexadecimal, in lower case. Raises ValueError with the cause."""
    try:
        return bytes.fromhex(text).hex()
    except ValueError as exc:
        raise ValueError(f"“{text[:40]}” is not bytes in hexadecimal") from exc


def plain_text(text: str) -> str:
    """Printable text of one byte a character. Raises ValueError with the cause."""
    if not text or not text.isprintable() or not text.isascii():
        raise ValueError(f"“{text[:40]}” is not plain ASCII text")
    return text


FORMS: dict[str, Callable[[str], str]] = {"mac": mac_text, "hex": hex_text, "text": plain_text}
"""Kinds of values, and what brings them to one spelling."""


def mac_range(first: str, last: str) -> tuple[str, ...]:
    """Every address from `first` to `last`. Raises ValueError with the cause."""
    low, high = (int(mac_text(each).replace(":", ""), 16) for each in (first, last))
    _within(low, high)
    return tuple(
        mac_text(":".join(f"{number:012x}"[i : i + 2] for i in range(0, 12, 2)))
        for number in range(low, high + 1)
    )


def counted(pattern: str, first: int, last: int) -> tuple[str, ...]:
    """`pattern` with its run of "#" replaced by each number. Raises ValueError with the cause."""
    runs = re.findall(r"#+", pattern)
    if len(runs) != 1:
        raise ValueError("pattern needs one run of #, one for each digit, as in “HG-####”")
    _within(first, last)
    if len(str(last)) > len(runs[0]):
        raise ValueError(f"{last} has more digits than the pattern has #")
    return tuple(
        pattern.replace(runs[0], f"{number:0{len(runs[0])}d}") for number in range(first, last + 1)
    )


def listed(path: Path, kind: str) -> tuple[str, ...]:
    """The values of a list file. Raises `CloneJobError` that names file and line."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "it is not UTF-8 text"
        raise CloneJobError(
            f"The list {path} cannot be read ({reason or exc}).",
            state="No board has been touched.",
            remedy="Check the path; it is looked for beside the job file.",
        ) from exc
    found: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("# "):
            continue
        try:
            value = FORMS[kind](line.strip())
        except ValueError as exc:
            _refuse(path, number, str(exc))
        if value in found:
            _refuse(path, number, f"{value} stands on line {found[value]} already")
        found[value] = number
        if len(found) > MOST:
            _refuse(path, number, f"more than {MOST} values")
    if not found:
        _refuse(path, 1, "the list is empty")
    return tuple(found)


def _within(low: int, high: int) -> None:
    if high < low:
        raise ValueError("last comes before first")
    if high - low >= MOST:
        raise ValueError(f"more than {MOST} values")


def _refuse(path: Path, number: int, problem: str) -> NoReturn:
    raise CloneJobError(
        f"{path}, line {number}: {problem}.",
        state="No board has been touched.",
        remedy="Correct the list.",
    )
