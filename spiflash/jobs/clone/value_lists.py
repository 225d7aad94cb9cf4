"""Where the values of the boards come from: counted ranges and list files.

A list file holds one value a line; blank lines, and lines that begin with "#", are left out. What
looks like a table with columns, a line of headings or a remark beside a value is refused: written
to a board, it would be an identity.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from spiflash.archive.ledger.values import (
    HEX,
    LONGEST,
    MAC,
    TEXT,
    Counted,
    Identity,
    Listed,
    as_mac,
)
from spiflash.errors import CloneJobError

MOST = 1 << 20
"""Values in one list: as many as a batch can need, few enough to hold."""

_LIMIT = 64 << 20
"""Bytes of a list file."""

_SEPARATORS = ",;\t|\"'"
_COLUMNS = re.compile(r"\s{2,}|\s#")
_SHORT_MAC = re.compile(r"[0-9A-Fa-f]{1,2}(:[0-9A-Fa-f]{1,2}){5}")


def mac_text(text: str) -> str:
    """A MAC address as six pairs with colons, in lower case. Raises ValueError with the cause."""
    plain = as_mac(text)
    if plain is None:
        raise ValueError(f"“{text[:40]}” is not a MAC address such as 00:00:5e:00:53:01")
    if plain == "00:00:00:00:00:00":
        raise ValueError(f"{plain} is no address: it is what an empty place reads")
    if int(plain[:2], 16) & 1:
        raise ValueError(f"{plain} is a group address (IEEE 802), which no board may have")
    return plain


def hex_text(text: str) -> str:
    """Bytes in hexadecimal, in lower case. Raises ValueError with the cause."""
    try:
        found = bytes.fromhex(text).hex()
    except ValueError as exc:
        raise ValueError(f"“{text[:40]}” is not bytes in hexadecimal") from exc
    if not found:
        raise ValueError("a value of no bytes")
    return found


def plain_text(text: str) -> str:
    """Printable text of one byte a character. Raises ValueError with the cause."""
    if not text or not text.isprintable() or not text.isascii():
        raise ValueError(f"“{text[:40]}” is not plain ASCII text")
    if re.search(r"[:.-]", text) and as_mac(text) is not None:
        mac_text(text)  # an address in a list of texts is one all the same
    elif _SHORT_MAC.fullmatch(text):
        # Boot loaders take it for the address that another list may spell in full.
        raise ValueError(f"“{text}” is a MAC address without its zeros: write two digits a byte")
    return text


FORMS: dict[str, Callable[[str], str]] = {MAC: mac_text, HEX: hex_text, TEXT: plain_text}
"""Kinds of values, and what brings them to one spelling."""


def mac_range(first: str, last: str) -> Counted:
    """Every address from `first` to `last`. Raises ValueError with the cause."""
    low, high = (int(mac_text(each).replace(":", ""), 16) for each in (first, last))
    _within(low, high)
    if low >> 40 != high >> 40:
        raise ValueError(f"the range from {first} to {last} holds group addresses (IEEE 802)")
    return Counted(MAC, low, high)


def counted(kind: str, pattern: str, first: int, last: int) -> Counted:
    """`pattern` with its run of "#" replaced by each number. Raises ValueError with the cause."""
    runs = re.findall(r"#+", pattern)
    if len(runs) != 1:
        raise ValueError("pattern needs one run of #, one for each digit, as in “HG-####”")
    _within(first, last)
    digits = len(runs[0])
    if len(str(last)) > digits:
        raise ValueError(f"{last} has more digits than the pattern has #")
    before, after = pattern.split(runs[0])
    found = Counted(kind, first, last, digits, before, after)
    for each in (found[0], found[-1]):
        if FORMS[kind](each) != each:
            raise ValueError(f"“{pattern}” has to be written as {FORMS[kind](each)}")
    return found


def listed(path: Path, kind: str) -> Listed:
    """The values of a list file. Raises `CloneJobError` that names file and line."""
    found: dict[Identity, int] = {}
    texts: list[str] = []
    lines = _lines(path)
    for number, line in enumerate(lines, 1):
        if not _is_value(line):
            continue
        words = line.split()
        if kind == TEXT and (
            _COLUMNS.search(line.strip())
            or line.lstrip().startswith(("//", "--"))
            or (len(words) > 1 and any(as_mac(each) for each in words))
        ):
            _refuse(path, number, f"“{line.strip()[:40]}” is more than a value, or a remark; # "
                    "stands in front of remarks, on a line of their own")  # fmt: skip
        separator = next((each for each in _SEPARATORS if each in line), None)
        if separator is not None:
            shown = "a tab" if separator == "\t" else f"“{separator}”"
            _refuse(path, number, f"{shown} stands in it: a list has one value a line, no columns")
        try:
            value = FORMS[kind](line.strip())
        except ValueError as exc:
            _refuse(path, number, str(exc))
        identity = Identity.of(kind, value)
        if len(value) > LONGEST:
            _refuse(path, number, f"a value has {len(value)} characters, more than {LONGEST}")
        if identity in found:
            _refuse(path, number, f"{value} stands on line {found[identity]} already")
        found[identity] = number
        texts.append(value)
        if len(found) > MOST:
            _refuse(path, number, f"more than {MOST} values")
    if not found:
        _refuse(path, 1, "the list is empty")
    _refuse_headings(path, lines, kind)
    return Listed(kind, tuple(texts))


def _lines(path: Path) -> list[str]:
    try:
        with path.open("rb") as file:
            raw = file.read(_LIMIT + 1)
        if len(raw) > _LIMIT:
            _refuse(path, 1, f"the list has more than {_LIMIT} bytes")
        return raw.decode("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "it is not UTF-8 text"
        raise CloneJobError(
            f"The list {path} cannot be read ({reason or exc}).",
            state="No board has been touched.",
            remedy="Check the path; it is looked for beside the job file.",
        ) from exc


def _refuse_headings(path: Path, lines: Sequence[str], kind: str) -> None:
    """Raise for a first line without a digit above lines that all have some."""
    values = [(number, line.strip()) for number, line in enumerate(lines, 1) if _is_value(line)]
    if kind != TEXT or len(values) < 2 or any(each.isdigit() for each in values[0][1]):
        return
    if all(any(each.isdigit() for each in text) for _, text in values[1:]):
        number, text = values[0]
        _refuse(path, number, f"“{text[:40]}” looks like a heading; put # in front of it")


def _is_value(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


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
