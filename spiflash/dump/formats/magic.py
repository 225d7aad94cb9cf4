"""Finding a magic number, the first step of most formats."""

from __future__ import annotations

from collections.abc import Iterator


def places(contents: bytes, magic: bytes) -> Iterator[int]:
    """The offsets of `magic` in `contents`, rising, overlapping ones too."""
    at = contents.find(magic)
    while at >= 0:
        yield at
        at = contents.find(magic, at + 1)
