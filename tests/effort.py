"""How much work something is, whatever else the machine does meanwhile.

Processor time alone grows on a busy machine: its cores share caches and heat. So it is compared
with a fixed piece of work of the same process, done just before and just after.
"""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable

NOMINAL = 0.05
"""Processor seconds that the yardstick takes on an idle core of 2026: the unit of the limits."""


def effort(work: Callable[[], object]) -> float:
    """Processor seconds of `work`, as on a machine on which the yardstick takes `NOMINAL`."""
    before = _yardstick()
    began = time.process_time()
    work()
    seconds = time.process_time() - began
    return seconds * NOMINAL / max(before, _yardstick())


def _yardstick() -> float:
    began = time.process_time()
    total = 0
    for value in range(600_000):
        total ^= value * 7 & 0xFFFF
    zlib.crc32(bytes(16 << 20), total)
    return time.process_time() - began
