"""Text from a dump made fit for people: printable and bounded.

What a dump contains is untrusted: it can hold terminal escape sequences, or a megabyte where a
name should be. Its secrets are the business of `dump/secrets.py`.
"""

from __future__ import annotations

_LIMIT = 1000
_SPELLED = {
    byte: f"\\x{byte:02x}" for byte in range(256) if not 0x20 <= byte <= 0x7E or byte == 0x5C
}
"""How bytes are spelled that are not printable, and the backslash."""


def counted(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: "1 node", "2 nodes", "2 passes" where `many` says so."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def readable(raw: bytes, limit: int = _LIMIT) -> str:
    r"""`raw` as printable ASCII with \xNN for everything else, cut after `limit` bytes."""
    text = raw[:limit].decode("latin-1").translate(_SPELLED)
    return text + "…" if len(raw) > limit else text
