"""Text from a dump made fit for people: printable, bounded, without secrets.

What a dump contains is untrusted: it can hold terminal escape sequences, or a megabyte where a
name should be. It also holds passphrases and keys, which no report should repeat unasked.
"""

from __future__ import annotations

import re

MASK = "••••••"

_LIMIT = 1000

_SECRET_WORD = r"(?:pass|psk|pwd|secret|token|credential|key(?![a-z]))"
_SECRET_NAME = re.compile(_SECRET_WORD, re.IGNORECASE)
_SECRET_INSIDE = re.compile(
    rf"([\w.-]{{0,40}}{_SECRET_WORD}[\w.-]{{0,40}}[=:])([^\s,;]+)", re.IGNORECASE
)


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: "1 node", "2 nodes", "2 passes" where `many` says so."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def readable(raw: bytes, limit: int = _LIMIT) -> str:
    r"""`raw` as printable ASCII with \xNN for everything else, cut after `limit` bytes."""
    text = "".join(
        chr(byte) if 0x20 <= byte <= 0x7E and byte != 0x5C else f"\\x{byte:02x}"
        for byte in raw[:limit]
    )
    return text + "…" if len(raw) > limit else text


def masked(name: str, value: str) -> str:
    """`value`, with a mask in place of what looks like a secret.

    The whole value when `name` speaks of a password, passphrase, key or token; otherwise every
    `something_password=…` inside it.
    """
    if _SECRET_NAME.search(name):
        return MASK if value else ""
    return _SECRET_INSIDE.sub(rf"\g<1>{MASK}", value)
