"""The README shows what the program prints and has today.

When one of these fails: python tests/readme_session.py --write, and read what changed.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from hwmocks.bench import contacts
from hwmocks.bricks import NAMES
from tests.benchmarks.strings import texts
from tests.readme_session import README, ROOT, SESSIONS, run, sessions, shown, statuses
from tests.wiring_picture import PICTURE, picture

SESSIONS_BY_DEFAULT = ("convert", "unbrick")


@pytest.fixture(scope="module")
def readme() -> str:
    return README.read_text(encoding="utf-8")


def test_the_walkthroughs_are_what_the_commands_print(readme: str, full_sweep: bool) -> None:
    """The batch takes as long as the other two: the long sweep runs it (SPIFLASH_SWEEP=full)."""
    for name, printed in sessions(tuple(SESSIONS) if full_sweep else SESSIONS_BY_DEFAULT).items():
        assert shown(name, readme).strip() == printed


def test_the_exit_statuses_are_those_of_the_errors(readme: str) -> None:
    assert shown("statuses", readme).strip() == statuses()


def test_every_command_is_listed(readme: str) -> None:
    listed = run("spiflash --help", ROOT).partition("Commands:")[2]
    commands = re.findall(r"^  (\w+)  ", listed, re.MULTILINE)
    assert len(commands) > 15
    assert set(re.findall(r"^\| `spiflash (\w+)", readme, re.MULTILINE)) == set(commands)


def test_the_picture_of_the_wiring_agrees_with_the_table() -> None:
    """When this fails: python tests/wiring_picture.py --write, and look at it."""
    assert PICTURE.read_text(encoding="utf-8") == picture()


def test_pictures_and_headings_that_are_linked_exist(readme: str) -> None:
    linked = re.findall(r"\]\(([^)]+)\)", readme)
    headings = re.findall(r"^#+ (.+)$", readme, re.MULTILINE)
    anchors = {
        f"#{re.sub(r'[^a-z0-9 -]', '', each.lower()).replace(' ', '-')}" for each in headings
    }
    assert [each for each in linked if each not in anchors and not (ROOT / each).is_file()] == []
    assert len(linked) > 4


def test_messages_that_are_quoted_are_those_of_the_program(readme: str) -> None:
    table = readme.partition("## Troubleshooting")[2].partition("\n## ")[0]
    quoted = re.findall(r"\*([^*|]+)\*", "".join(re.findall(r"^\|[^|]+\|", table, re.MULTILINE)))
    assert len(quoted) > 6
    said = "\n".join(each.text.lower() for each in texts() if each.path.startswith("spiflash"))
    of_others = {"no matches found: sim:…?…"}
    assert [each for each in quoted if each.lower() not in said and each not in of_others] == []


def test_addresses_with_a_question_mark_are_quoted(readme: str) -> None:
    """Unquoted, zsh takes `sim:x?y` for a pattern of file names and refuses it."""
    unquoted = re.compile(r"--adapter sim:\S*\?")
    assert unquoted.search(readme) is None
    assert unquoted.search("spiflash identify --adapter sim:gauge?new=heron")


def test_the_faults_to_practise_with_are_all_listed(readme: str) -> None:
    section = readme.partition("## Practise with faults")[2].partition("\n## ")[0]
    in_help = run("spiflash rehearse --help", ROOT).partition("  clip=   ")[2]
    for listed in (section.partition("* `clip=`")[2], in_help.partition("Examples:")[0]):
        clips, _, bricks = listed.replace("`", "").partition("brick=")
        bricks = bricks.partition("\n\n")[0]
        assert re.findall(r"[\w-]+\w", clips) == list(contacts())
        assert re.findall(r"[\w-]+\w", bricks) == list(NAMES)


def test_shells_can_complete(readme: str) -> None:
    for shell in ("bash", "zsh", "fish"):
        assert f"_SPIFLASH_COMPLETE={shell}_source spiflash" in readme
    asked = {"COMP_WORDS": "spiflash ba", "COMP_CWORD": "1", "_SPIFLASH_COMPLETE": "bash_complete"}
    done = subprocess.run(
        [sys.executable, "-c", "from spiflash.__main__ import start; start()"],
        env={**os.environ, "PYTHONPATH": str(ROOT), **asked},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.split() == ["plain,backup"]
