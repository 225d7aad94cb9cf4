"""Boards that no longer start: their damage, and the truth about it.

Every brick is made from Heron's flash contents, whose pieces come from the real tools (see
`boards/recipe.sh`). What is known of it by construction is kept with it: the kind of damage, where
a write stopped, what the chip should hold, and which of the board's own data still exist.
"""

from __future__ import annotations

from collections.abc import Callable

from hwmocks import bricks_in_place, bricks_written
from hwmocks.brick import Brick, Draw


def make_brick(kind: str, seed: int, board: int | None = None) -> Brick:
    """The brick of a kind, the same for the same `seed`, of the demo board with number `board` or
    of any. Raises KeyError for other kinds."""
    rng = Draw(f"{kind} {seed}")
    rng.board = board
    return _MAKERS[kind](kind, rng)


_MAKERS: dict[str, Callable[[str, Draw], Brick]] = {
    "intact": bricks_in_place.intact,
    "erased": bricks_in_place.erased,
    "interrupted": bricks_written.interrupted,
    "interrupted over blank": bricks_written.interrupted_blank,
    "interrupted in a region": bricks_in_place.interrupted_region,
    "half-erased": bricks_in_place.half_erased,
    "cut off": bricks_written.cut_off,
    "wrong offset": bricks_written.shifted,
    "byte-swapped": bricks_written.swapped,
    "another board's": bricks_written.foreign,
    "other processor": bricks_in_place.processor,
    "bad checksum": bricks_in_place.env_checksum,
    "boots nothing": bricks_in_place.env_no_boot,
    "bit rot": bricks_in_place.bit_rot,
    "file system": bricks_in_place.files,
    "own data lost": bricks_in_place.own_lost,
}

KINDS = tuple(_MAKERS)
"""All kinds of bricks."""

NAMES = {kind.replace("'", "").replace(" ", "-"): kind for kind in KINDS}
"""What a `sim:` URL calls each kind."""
