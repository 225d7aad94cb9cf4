"""One thing that belongs to one board."""

from __future__ import annotations

from dataclasses import dataclass

_CALLED = {
    "mac": "MAC address",
    "serial": "serial number",
    "data region": "data",
}


def called(kind: str) -> str:
    """What own items of a kind are called, for people and in every command the same."""
    return _CALLED.get(kind, kind)


@dataclass(frozen=True, slots=True)
class OwnItem:
    """`length` bytes from `start`, both in bytes.

    `kind` is "mac", "serial", "calibration", "data" or "key"; "region", "settings" or "data region"
    for one that stands for a whole range (see `belongings`). `text` is what stands there, in
    words where it is binary, masked where it is secret; `name` the variable or form it has;
    `region` the layout's region, empty in a gap; `confidence` says in words how sure that is.
    """

    start: int
    length: int
    kind: str
    name: str
    text: str
    region: str
    confidence: str
    secret: bool = False

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.start + self.length

    @property
    def called(self) -> str:
        """What it is, for people."""
        return called(self.kind)
