"""The JSON documents that scripts read: their keys, and their values, as they always were.

Each file in data/json is the answer of one command to the simulated board, as version 0.1.0 gave
it. What a sentence says to people, times, measured figures and dates are left out of the
comparison, their places are not. A document may get new keys; none may go, and none may change its
type or meaning.

To add a command: run this file as a program (`python tests/jobs/test_json.py NAME`), and read what
it writes into data/json before committing it.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from hwmocks import store
from hwmocks.boards.heron import heron_factory, heron_open, heron_variant
from spiflash.cli.main import run

GOLDEN = Path(__file__).parent / "data" / "json"
LONGEST = 6
"""Items of a list that are compared; of the rest, how many there are."""

WORDS = 4
"""Blanks in a text that is a sentence for people."""

SAID = frozenset({"remark", "remarks", "cautions"})
"""Keys of texts for people."""

BOARD = ("--adapter", "sim:board")
SHELF = ("--shelf", "shelf")

SESSION: dict[str, tuple[str, ...]] = {
    "wiring": ("wiring", "FT2232H", "--channel", "B"),
    "chips-one": ("chips", "w25q64jv"),
    "chips-many": ("chips", "macronix", "--size", "16M", "--volts", "1.8"),
    "contact": ("contact", *BOARD),
    "identify": ("identify", *BOARD),
    "backup": ("backup", *BOARD, *SHELF, "--board", "gauge-23"),
    "shelf": ("shelf", *SHELF),
    "audit": ("audit", "factory.bin", "--fits", "4M"),
    "compare": ("compare", "factory.bin", "later.bin"),
    "verify": ("verify", "later.bin", *BOARD),
    "convert-plan": ("convert", "open.bin", "--plan", *BOARD, *SHELF),
    "restore-plan": ("restore", "later.bin", "--plan", *BOARD, *SHELF),
    "erase": ("erase", "--at", "0x740000", "--length", "64K", "--yes", *BOARD, *SHELF),
    "triage": ("triage", "--image", "open.bin", *BOARD, *SHELF),
    "stage": ("stage", "card", "--image", "open.bin"),
    "prove": ("prove", "--read-only", *BOARD),
    "usage-error": ("restore", *BOARD),
    "shelf-error": ("restore", "absent.bin", *BOARD),
}
"""Commands in the order in which they are run, by the name of the document."""


def prepare(folder: Path) -> None:
    """Files and a board to run the commands on."""
    (folder / "factory.bin").write_bytes(heron_factory())
    (folder / "later.bin").write_bytes(heron_variant(3))
    (folder / "open.bin").write_bytes(heron_open())
    (folder / "card").mkdir()
    store.create(folder / "board", "W25Q64JV", heron_factory(), seed=7)


def answer(command: tuple[str, ...]) -> Any:
    """What a command prints with --json."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        run([*command, "--json"])
    return json.loads(out.getvalue())


def comparable(value: Any) -> Any:
    """Without what differs from one run to the next."""
    if isinstance(value, dict):
        return {
            name: "for people" if name in SAID else comparable(each) for name, each in value.items()
        }
    if isinstance(value, list):
        more = [f"{len(value) - LONGEST} more"] if len(value) > LONGEST else []
        return [comparable(each) for each in value[:LONGEST]] + more
    if isinstance(value, float):
        return "a figure"
    if isinstance(value, str):
        if value.count(" ") >= WORDS:
            return "a sentence"
        text = re.sub(r"\d{4}-\d\d-\d\d-\d{6}", "DATE", value)
        text = re.sub(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?([+-]\d\d:\d\d)?", "DATE", text)
        return re.sub(re.escape(str(Path.cwd())), "HERE", text)
    return value


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The answers of a whole session."""
    folder = tmp_path_factory.mktemp("json")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("HOME", str(folder))
        prepare(folder)
        return {name: comparable(answer(command)) for name, command in SESSION.items()}


def lost(old: Any, new: Any, place: str = "") -> list[str]:
    """Where the new document does not say what the old one said."""
    if isinstance(old, dict) and isinstance(new, dict):
        found = [f"{place}/{name} is gone" for name in old if name not in new]
        for name in old.keys() & new.keys():
            found += lost(old[name], new[name], f"{place}/{name}")
        return found
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = enumerate(zip(old, new, strict=True))
        return [each for number, pair in pairs for each in lost(*pair, f"{place}/{number}")]
    return [] if old == new else [f"{place}: {old!r} has become {new!r}"]


@pytest.mark.parametrize("name", SESSION)
def test_a_document_says_what_it_always_said(documents: dict[str, Any], name: str) -> None:
    golden = json.loads((GOLDEN / f"{name}.json").read_text("utf-8"))
    assert lost(golden, documents[name]) == []


def test_what_counts_as_lost() -> None:
    assert lost({"a": [1, {"b": 2}]}, {"a": [1, {"b": 2}], "c": 3}) == []
    assert len(lost({"a": 1, "b": 2}, {"b": "2"})) == 2
    assert len(lost([1, 2], [1])) == 1


if __name__ == "__main__":
    import tempfile

    GOLDEN.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home:
        os.chdir(home)
        prepare(Path(home))
        for each, words in SESSION.items():
            found = comparable(answer(words))
            if each in sys.argv[1:] or "all" in sys.argv[1:]:
                text = json.dumps(found, indent=1, ensure_ascii=False) + "\n"
                (GOLDEN / f"{each}.json").write_text(text, "utf-8")
