"""A board folder that is kept up to date during the work.

A simulated board ordinarily goes back into its folder when the adapter is closed. A program that
is killed never closes it, and the folder would hold old contents. Here the
folder follows at every USB transfer, sector by sector and in place, so that a kill at any moment
leaves there what a real chip would hold: a chip that keeps its supply finishes by itself what it
is doing, which is why an operation under way counts as done.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np

from hwmocks import store
from hwmocks.nor.cells import SECTOR
from hwmocks.nor.chip import NorChip


class WriteThrough:
    """Follows one chip; `look` is called as often as the folder is to be brought up to date."""

    def __init__(self, chip: NorChip, folder: Path) -> None:
        self._chip = chip
        self._folder = folder
        self._kept = np.frombuffer(bytes(chip.contents), np.uint8).reshape(-1, SECTOR).copy()
        self._wear = chip.wear[:]
        self._registers = dict(chip.core.registers.kept)
        self._done = (0, 0)

    def look(self) -> None:
        """Write what has changed since the last look."""
        chip = self._chip
        registers = dict(chip.core.registers.kept)
        done = (chip.pages_programmed, len(chip.erased))
        if (done, registers) == (self._done, self._registers):
            return
        self._done = done
        now = np.frombuffer(chip.contents, np.uint8).reshape(-1, SECTOR)
        changed = np.flatnonzero((now != self._kept).any(axis=1))
        if len(changed):
            with (self._folder / store.CONTENTS).open("r+b") as file:
                for sector in changed:
                    os.pwrite(file.fileno(), now[sector].tobytes(), int(sector) * SECTOR)
            self._kept[changed] = now[changed]
        if registers != self._registers or chip.wear != self._wear:
            store.save_state(chip, self._folder)
            self._wear, self._registers = chip.wear[:], registers

    def hook(self, inner: Callable[[int], None] | None) -> Callable[[int], None]:
        """Call this at every USB transfer, with its number; it calls `inner` first."""

        def at_transfer(number: int) -> None:
            if inner is not None:
                inner(number)
            self.look()

        return at_transfer
