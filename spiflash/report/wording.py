"""Text from elsewhere made safe to show.

Strings that come from a dump are hostile: they may hold escape sequences, direction marks or
a megabyte of anything. Everything shown goes through `clean` first.
"""

from __future__ import annotations

import unicodedata


def clean(text: str, limit: int = 300) -> str:
    """`text` on one line, cut to `limit` characters; what cannot be seen becomes “·”."""
    shown = "".join(_shown(character) for character in text[:limit])
    return shown + "…" if len(text) > limit else shown


def _shown(character: str) -> str:
    category = unicodedata.category(character)
    if category == "Zs" or character in "\t\n":
        return " "
    # M*: marks that pile up on their neighbours. Not printable: controls, direction marks,
    # line separators, surrogates, private and unassigned characters.
    return "·" if category[0] == "M" or not character.isprintable() else character
