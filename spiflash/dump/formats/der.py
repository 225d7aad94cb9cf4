"""Reading DER (ITU-T X.690): tags, lengths and nesting, as far as certificates need it."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.text import readable

_MOST = 64
_NAMES = {3: "CN", 6: "C", 7: "L", 8: "ST", 10: "O", 11: "OU"}  # the last arc of 2.5.4.x


@dataclass(frozen=True, slots=True)
class Element:
    """One element: its tag, where its body starts, and the address behind it."""

    tag: int
    body: int
    end: int


def read(contents: bytes, at: int, limit: int | None = None) -> Element | None:
    """The element at `at`, or None where its length is not as DER says or passes `limit`."""
    limit = len(contents) if limit is None else limit
    if at + 2 > limit:
        return None
    tag, length, body = contents[at], contents[at + 1], at + 2
    if length >= 0x80:
        count = length & 0x7F
        if not 1 <= count <= 3 or body + count > limit:
            return None
        length = int.from_bytes(contents[body : body + count], "big")
        body += count
        if length < 0x80 or length >> 8 * (count - 1) == 0:
            return None  # DER wants the shortest form
    return Element(tag, body, body + length) if body + length <= limit else None


def children(contents: bytes, parent: Element) -> list[Element] | None:
    """The elements inside, at most 64; None where they do not fill the parent exactly."""
    found: list[Element] = []
    at = parent.body
    while at < parent.end:
        element = read(contents, at, parent.end)
        if element is None or len(found) == _MOST:
            return None
        found.append(element)
        at = element.end
    return found


def names(contents: bytes, name: Element) -> str:
    """An X.501 name in one line: "C=…, O=…, CN=…"."""
    shown = []
    for group in children(contents, name) or []:
        for pair in children(contents, group) or []:
            parts = children(contents, pair) or []
            if len(parts) == 2 and contents[parts[0].body : parts[0].end - 1] == b"\x55\x04":
                key = _NAMES.get(contents[parts[0].end - 1])
                if key is not None:
                    value = readable(contents[parts[1].body : parts[1].end], 100)
                    shown.append(f"{key}={value}")
    return ", ".join(shown)
