"""The job file that `clone --example` prints: it explains every key, and is right."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from hwmocks.boards.heron import heron_open
from spiflash.jobs.clone import ACTIONS
from spiflash.jobs.clone.job_file import KEYS, example_text, load_job
from spiflash.jobs.clone.target import check_job
from spiflash.nor.identify import chip_table


def keys_of(text: str) -> dict[str, set[str]]:
    """Every key by table, those behind "#" too, found by looking at the lines alone."""
    found: dict[str, set[str]] = {}
    table = ""
    for line in text.splitlines():
        plain = re.sub(r"^# (?=\[\[|\w+ = )", "", line)
        if header := re.match(r"\[\[?(\w+)\]\]?", plain):
            table = header[1]
            found.setdefault("", set()).add(table)
        elif key := re.match(r"(\w+) = ", plain):
            found.setdefault(table, set()).add(key[1])
    return found


def test_every_key_stands_in_it() -> None:
    assert keys_of(example_text()) == KEYS


def test_every_action_is_explained() -> None:
    for action in ACTIONS:
        assert f'"{action}"' in example_text()


def test_every_line_can_be_used_by_taking_its_mark_off() -> None:
    text = re.sub(r"(?m)^# (?=\[\[value|\w+ = )", "", example_text())
    document = tomllib.loads(text)
    assert [each["name"] for each in document["value"]] == ["ethaddr", "serial", "tag"]
    assert document["shared"]


def test_it_passes_the_check_with_the_demo_boards_image(tmp_path: Path) -> None:
    (tmp_path / "open.bin").write_bytes(heron_open())
    path = tmp_path / "job.toml"
    path.write_text(example_text())
    checked = check_job(load_job(path), chip_table())
    assert (checked.problems, checked.listed) == ((), 128)
