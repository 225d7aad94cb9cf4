"""An upper bound on work, so that a hostile dump cannot make a search go on for hours.

A file can claim ten thousand overlapping items of several megabytes each. Every search that
follows claims found in the dump therefore spends from a budget proportional to the dump's size.
"""

from __future__ import annotations


class Budget:
    """A number of units (bytes, steps) that may still be spent."""

    def __init__(self, units: int) -> None:
        self.left = units

    def spend(self, units: int) -> bool:
        """Take `units` away; False, and nothing taken, when that many are not left."""
        if units > self.left:
            return False
        self.left -= units
        return True
