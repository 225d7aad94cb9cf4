"""What happened to a chip as a whole, as far as it can be told."""

from __future__ import annotations

from dataclasses import dataclass

from spiflash.dump.triage.result import Kind


@dataclass(frozen=True, slots=True)
class Whole:
    """`view` is the chip put in order as far as that can be done; `stop` the address at which
    a write stopped, `reached` up to where it had erased; `known` that the image it wrote is the
    one at hand."""

    kind: Kind
    detail: str
    view: bytes
    stop: int | None = None
    reached: int = 0
    shift: int = 0
    known: bool = False
