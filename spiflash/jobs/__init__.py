"""The jobs a person asks for, each from connected bench to result.

A job tells whoever watches it how far it is through a `Watcher`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol

DRAW = random.Random()
"""Draws places to look at, and the like: not the same ones every time, whoever seeds the generator
of the whole program."""

Advance = Callable[[int], None]
"""Called with how much was finished since the last call: bytes, or what the step counts."""

BYTES = "bytes"
"""What most steps count."""


class Watcher(Protocol):
    """Shown the steps of a job as they happen."""

    def step(
        self, title: str, total: int, counting: str = BYTES
    ) -> AbstractContextManager[Advance]:
        """A step of `total` bytes begins, or of `total` of what it is `counting` instead; it ends
        with the context."""
        ...

    def say(self, text: str) -> None:
        """A remark in one line."""
        ...


class Unwatched:
    """Nobody watches."""

    @contextmanager
    def step(self, title: str, total: int, counting: str = BYTES) -> Iterator[Advance]:
        """Show nothing."""
        yield lambda count: None

    def say(self, text: str) -> None:
        """Say nothing."""
