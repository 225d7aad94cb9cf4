"""What the tests of cloning and of the ledger work with.

`heron`: a batch of demo boards with faults, and adapters that share them; `judge` says whether such
a batch is correct. `world`: small boards, twins among them, and everything that can happen to a
bench; it judges by itself after each step. `clip`: a person who moves a clip. `rows`: rows of a
ledger. `postgres`: a server that can be killed.
"""

from __future__ import annotations

import os

import pytest

FULL = os.environ.get("SPIFLASH_SWEEP") == "full"
LONG = pytest.mark.skipif(not FULL, reason="takes long: SPIFLASH_SWEEP=full")
"""The mark of a test, or of one of its cases, that belongs to the long sweeps alone."""
