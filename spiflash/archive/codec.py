"""Typed reading and writing of the JSON documents that the program keeps for years.

A document is a frozen dataclass whose annotations say what each key may hold; msgspec checks them.
The rules that live here: no key twice, none missing, none that this version does not know, and
every complaint says which file, which key, and what was expected there. What an older version did
not have yet is put in by the module of the document, which knows what its absence meant.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from datetime import datetime
from typing import Annotated, Any, NoReturn, TypeVar

import msgspec
from msgspec import Meta

from spiflash.errors import BackupSetError, NewerFormatError
from spiflash.files import UNCHANGED
from spiflash.text import printable

T = TypeVar("T")
Document = dict[str, Any]
"""A JSON object before its types are known."""

_HEX = r"\A(?:[0-9a-f]{2})+\Z"
_SHA256 = r"\A[0-9a-f]{64}\Z"

Text = Annotated[str, Meta(max_length=4096)]
"""A longer string has no business in a record."""
Hex = Annotated[str, Meta(pattern=_HEX)]
"""At least one byte in lower-case hexadecimal. Not a `Text`: SFDP alone can be longer than that."""
Sha256 = Annotated[str, Meta(pattern=_SHA256)]
Moment = Annotated[datetime, Meta(tz=True)]
Count = Annotated[int, Meta(ge=0, le=2**32)]
Positive = Annotated[int, Meta(ge=1, le=2**32)]
Bits = Annotated[int, Meta(ge=0, le=2**40)]
Number = Annotated[float, Meta(ge=0, lt=1e18)]

_KEY_LIMIT = 200  # characters of a key in a message
_WORDS = (
    (re.escape(f"`str` matching regex {_HEX!r}"), "bytes in lower-case hexadecimal"),
    (re.escape(f"`str` matching regex {_SHA256!r}"), "a SHA-256 digest in lower-case hexadecimal"),
    ("`str` of length <= ([0-9]+)", r"text of at most \1 characters"),
    ("Invalid enum value (.*)", r"\1 is not one of the values allowed here"),
    ("Invalid RFC3339 encoded datetime", "Expected a time in ISO 8601"),
    ("`datetime` with a timezone component", "a time with its offset from UTC"),
    ("Number out of range", "Expected a number below 1e18"),
    ("` <= ", "` of at most "),
    ("` >= ", "` of at least "),
    ("` < ", "` below "),
    (" [|] null`", "` or null"),
    ("`int`", "a whole number"),
    ("`float`", "a number"),
    ("`bool`", "true or false"),
    ("`str`", "text"),
    ("`array`", "a list"),
    ("`object`", "an object"),
    ("`datetime`", "a time in ISO 8601"),
)
"""How msgspec says what it expected, and how a person would. What is not listed is passed on."""


_SURROGATE = re.compile(r"\\u[dD][89a-fA-F]|[\ud800-\udfff]")
"""Where there may be half of a surrogate pair: most documents need no closer look."""


def load(text: str, document: str) -> Document:
    """The object that a JSON text holds. Raises `BackupSetError`, which names `document`."""

    def object_of(pairs: list[tuple[str, Any]]) -> Document:
        result: Document = {}
        for key, value in pairs:
            if key in result:
                refuse(document, key, "occurs twice")
            result[key] = value
        return result

    def constant(name: str) -> NoReturn:
        raise ValueError(f"{name} is not a JSON number")

    try:
        value = json.loads(text, object_pairs_hook=object_of, parse_constant=constant)
        if _SURROGATE.search(text):
            _refuse_surrogates(value, document, "")
    except (ValueError, RecursionError) as error:
        raise _error(f"{document} is not a JSON document ({error}).") from error
    if not isinstance(value, dict):
        raise _error(f"{document} is not a JSON object.")
    return value


def take_version(found: Document, key: str, known: Collection[int], document: str) -> int:
    """Remove the version of a document's format from it and return it.

    Raises `NewerFormatError` for a newer one, `BackupSetError` for anything else not `known`.
    """
    if key not in found:
        refuse(document, key, "is missing")
    version = found.pop(key)
    if type(version) is not int:
        refuse(document, key, "must be a whole number")
    names = " and ".join(map(str, sorted(known)))
    if version > max(known):
        raise NewerFormatError(
            f"{document} was written by a newer version of spiflash (“{key}” is {version}; this "
            f"version reads {names}).",
            state=UNCHANGED,
            remedy="Update spiflash, then repeat.",
        )
    if version not in known:
        refuse(document, key, f"is {version}; this version of spiflash reads {names}")
    return version


def add(found: Document, key: str, value: object, document: str, parent: str = "") -> None:
    """Give an older document a key that it could not have yet, in the object `parent`.

    Raises `BackupSetError` when it has that key anyway.
    """
    holder = found.get(parent) if parent else found
    if isinstance(holder, dict):
        if key in holder:
            unknown(document, f"{parent}.{key}".removeprefix("."))
        holder[key] = value


def parse(kind: type[T], found: Document, document: str) -> T:
    """The document as a `kind`. Raises `BackupSetError` that names the file and the key."""
    try:
        result = msgspec.convert(found, kind)
    except msgspec.ValidationError as error:
        _explain(kind, found, document, str(error))
    _compare(found, msgspec.to_builtins(result), document, "")
    return result


def dump(value: object, *, indent: int | None = None, **first: object) -> str:
    """JSON text of a dataclass: the keys `first`, then its fields in their order."""
    document = {**first, **plain(value)}
    return json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False)


def plain(value: object) -> Document:
    """A dataclass as the JSON object it is written as; times are ISO 8601 texts."""
    found: Document = msgspec.to_builtins(value, builtin_types=(datetime,))
    return {k: v.isoformat() if isinstance(v, datetime) else v for k, v in found.items()}


def refuse(document: str, key: str, problem: str) -> NoReturn:
    """Raise the `BackupSetError` for one key of a document."""
    raise _error(f"{document}: the key “{_shown(key)}” {problem}.")


def unknown(document: str, key: str) -> NoReturn:
    """Raise the `BackupSetError` for a key that this version of a document does not have."""
    raise _error(f"{document}: unknown key “{_shown(key)}”.")


def _error(cause: str) -> BackupSetError:
    return BackupSetError(
        cause,
        state=UNCHANGED,
        remedy="Take the file from a copy of the folder, or make a new backup.",
    )


def _shown(key: str) -> str:
    return printable(key[:_KEY_LIMIT])


def _refuse_surrogates(value: object, document: str, path: str) -> None:
    """Half a surrogate pair is no text: it could neither be checked nor shown."""
    if isinstance(value, str):
        if any("\ud800" <= each <= "\udfff" for each in value):
            refuse(document, path, "holds half of a surrogate pair")
    elif isinstance(value, dict):
        for key, each in value.items():
            below = f"{path}.{key}".removeprefix(".")
            _refuse_surrogates(key, document, below)
            _refuse_surrogates(each, document, below)
    elif isinstance(value, list):
        for index, each in enumerate(value):
            _refuse_surrogates(each, document, f"{path}[{index}]")


def _explain(kind: type[T], found: Document, document: str, message: str) -> NoReturn:
    """Put msgspec's complaint into words."""
    problem, _, path = message.partition(" - at `$")
    path = path.removesuffix("`").removeprefix(".")
    missing = re.fullmatch("Object missing required field `(.*)`", problem)
    if missing:
        refuse(document, f"{path}.{missing[1]}".removeprefix("."), "is missing")
    for pattern, words in _WORDS:
        problem = re.sub(pattern, words, problem)
    if path.endswith("[...]"):
        path = _which(kind, found, path.removesuffix("[...]"))
    refuse(document, path, f"is wrong: {problem[0].lower()}{problem[1:].replace('`', '')}")


def _which(kind: type[T], found: Document, path: str) -> str:
    """The key at which a mapping with free keys is wrong. msgspec does not say: try each alone."""
    *above, last = re.findall(r"[^.\[\]]+", path)
    holder: Any = found
    for key in above:
        holder = holder[int(key) if isinstance(holder, list) else key]
    for key, value in holder[last].items():
        holder[last] = {key: value}
        try:
            msgspec.convert(found, kind)
        except msgspec.ValidationError:
            return f"{path}.{key}"
    raise AssertionError("one of them is wrong")


def _compare(found: object, said: object, document: str, path: str) -> None:
    """Refuse what is in the document and not in what was made of it, and the other way round."""
    if isinstance(found, dict) and isinstance(said, dict):
        for key in sorted(found.keys() - said.keys()):
            unknown(document, f"{path}.{key}".removeprefix("."))
        for key in said:
            below = f"{path}.{key}".removeprefix(".")
            if key not in found:
                refuse(document, below, "is missing")
            _compare(found[key], said[key], document, below)
    elif isinstance(found, list) and isinstance(said, list | tuple):
        for index, (one, other) in enumerate(zip(found, said, strict=True)):
            _compare(one, other, document, f"{path}[{index}]")
