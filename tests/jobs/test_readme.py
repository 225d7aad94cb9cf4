"""The README shows what the program prints today."""

from __future__ import annotations

from readme_session import END, README, START, session


def test_the_first_session_is_what_the_commands_print() -> None:
    """When this fails: python tests/readme_session.py --write, and read what changed."""
    text = README.read_text(encoding="utf-8")
    shown = text.partition(START)[2].partition(END)[0].strip()
    assert shown == session()
