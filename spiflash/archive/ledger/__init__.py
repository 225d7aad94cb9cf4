"""The ledger: every board worked on, the values it got, and what is still in hand.

This page is what other rooms use:

    with Ledger("ledger.sqlite") as ledger:
        ledger.draw(board, columns)    # a board gets its values
        ledger.writing(board.key)      # from here on they may be on its chip
        ledger.append(record, After.KEEP)

`values` says when two values are the same one, `owners` whose they are, `claims` who is working on
which board, `rows` what a row says and whether all of it fits, `store` how tables are kept.
"""

from spiflash.archive.ledger.claims import Claim, Held
from spiflash.archive.ledger.ledger import After, InHand, Ledger
from spiflash.archive.ledger.rows import (
    FAIL,
    FIRST,
    PASS,
    SCRAPPED,
    BoardRecord,
    Checked,
    Row,
    check_ledger,
    last_of_each,
)
from spiflash.archive.ledger.store import default_path

__all__ = [
    "FAIL",
    "FIRST",
    "PASS",
    "SCRAPPED",
    "After",
    "BoardRecord",
    "Checked",
    "Claim",
    "Held",
    "InHand",
    "Ledger",
    "Row",
    "check_ledger",
    "default_path",
    "last_of_each",
]
