"""The commands clone and ledger as a person starts them, on simulated boards kept in a folder."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from hwmocks.boards.heron import heron_open, heron_variant
from spiflash.archive.ledger import After, InHand, Ledger
from spiflash.archive.ledger.values import Column, Listed
from spiflash.cli.main import run
from spiflash.dump.uboot_env import read_environment
from tests.clone_rig.heron import ENV, FACTORY, Board, kept_board, write_job
from tests.clone_rig.rows import finished_row
from tests.jobs.cli_rig import COMMAND, environment


def start(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments],
        cwd=folder,
        env=environment(folder, SPIFLASH_LEDGER="ledger.sqlite", SPIFLASH_SHELF="shelf"),
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=240,
    )


class Here:
    """Commands run in this process, which is quicker; in a folder with a ledger."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.capsys = capsys

    def __call__(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        status = run(list(arguments))
        shown = self.capsys.readouterr()
        return subprocess.CompletedProcess(arguments, status, shown.out, shown.err)


@pytest.fixture
def here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Here:
    for name, value in environment(
        tmp_path, SPIFLASH_LEDGER="ledger.sqlite", SPIFLASH_SHELF="shelf"
    ).items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(tmp_path)
    return Here(tmp_path, capsys)


def test_a_newcomer_gets_from_the_example_to_a_sound_job(tmp_path: Path) -> None:
    """The commands that the example names, as they stand there."""
    example = start(tmp_path, "clone", "--example")
    assert example.returncode == 0
    (tmp_path / "job.toml").write_text(example.stdout)
    commands = re.findall(r"(?m)^#   (.*)$", example.stdout)
    assert commands[-1].startswith("spiflash clone job.toml --adapter")
    start_of_program = f'spiflash() {{ "{sys.executable}" -m spiflash "$@"; }}'
    done = subprocess.run(
        ["sh", "-ec", "\n".join([start_of_program, *commands[:-1]]).replace("1 2 3", "1")],
        cwd=tmp_path,
        env=environment(tmp_path),
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    assert "Values\n  ethaddr: 00:00:5e:00:53:80 to 00:00" in done.stdout
    assert done.stdout.count("JOB OK: 128 of 128 values left.\n") == 1
    assert "  serial   HG-2026-0001 (variable serial#, at 7FF000h)\n" in done.stdout
    assert "  label    Heron HG-2026-0001 00:00:5e:00:53:80\n" in done.stdout
    assert (tmp_path / "open.bin").read_bytes() == heron_open()
    assert len(list(tmp_path.glob("boards/*/chip.json"))) == 1


def test_a_batch_from_the_folder_to_the_page(tmp_path: Path, here: Here) -> None:
    """Check, clone a good board and one that the job does not accept, list, export, page."""
    write_job(tmp_path, 1)
    kept_board(Board(1, "W25Q64JV"), tmp_path / "boards" / "1")
    kept_board(Board(2, "XM25QH64C"), tmp_path / "boards" / "2")
    missing = here("ledger")
    assert (missing.returncode, "There is no ledger" in missing.stderr) == (54, True)
    assert not (tmp_path / "ledger.sqlite").exists()
    done = start(tmp_path, "clone", "job.toml", "--adapter", "sim:boards/*", "--clock", "15M")
    assert done.returncode == 32, done.stderr
    told = "1 of 2 boards good: 1 failed (chip 1).\nThe whole batch: 1 of 1 board good.\n"
    assert done.stdout.startswith(told), done.stdout
    assert done.stderr.count("good, 0 failed") == 1  # between the two
    assert [path.name for path in tmp_path.glob("shelf/*/report.html")] == ["report.html"]
    assert "Ledger OK: 2 rows. Write down the last digest:" in done.stdout
    assert "sim:boards/*: waiting for a board" in done.stderr
    assert "chip: The job does not accept the part XM25QH64C" in done.stderr
    assert "\x1b" not in done.stderr
    held = (tmp_path / "boards" / "1" / "flash.bin").read_bytes()
    assert held[slice(*FACTORY)] == heron_variant(1)[slice(*FACTORY)]
    assert read_environment(held[slice(*ENV)]).by_name[b"serial#"] == b"HG-2026-0001"
    assert (tmp_path / "boards" / "2" / "flash.bin").read_bytes() == heron_variant(2)
    left = here("clone", "job.toml", "--adapter", "sim:boards/1", "--json")
    assert left.returncode == 0, left.stderr
    document = json.loads(left.stdout)
    assert (document["records"], len(document["left_alone"])) == ([], 1)
    assert document["ledger"]["head"] in done.stdout  # nothing was written since
    table = list(csv.DictReader(io.StringIO(here("ledger", "--csv").stdout)))
    assert [(row["result"], row["value:serial"]) for row in table] == [
        ("PASS", "HG-2026-0001"),
        ("FAIL", ""),
    ]
    pages = ("--page", "batch.html", "--labels", "labels.html")
    found = here("ledger", "hg-2026-0001", "--full", *pages)
    assert "<strong>Heron HG-2026-0001" in (tmp_path / "labels.html").read_text()
    assert "Result          PASS" in found.stdout
    assert "1 of 1 board good" in (tmp_path / "batch.html").read_text()
    assert found.stdout.endswith("Page about 1 row: batch.html\nPage of 1 label: labels.html\n")
    _scrap_a_board(here)
    _check_chain(here, table[-1]["digest"])


def _scrap_a_board(here: Here) -> None:
    """On a person's word alone, for one board; then the next gets its values."""
    shutil.copy(here.folder / "ledger.sqlite", here.folder / "copy.sqlite")
    with Ledger(here.folder / "copy.sqlite") as ledger:
        ledger.append(finished_row(key="ef4017-aa", label="another", values={}), After.KEEP)
    copy = ("--ledger", "copy.sqlite")

    def scrap(*words: str) -> subprocess.CompletedProcess[str]:
        return here("ledger", *copy, "--scrap", *words)

    assert "HG-2026-0002 (variable" in here("clone", "job.toml", "--check", *copy).stdout
    unsure = scrap("serial=HG-2026-0001")
    assert (unsure.returncode, "a person's word" in unsure.stderr) == (60, True)
    several = scrap("PASS", "--yes")
    assert (several.returncode, "2 boards match: " in several.stderr) == (54, True)
    for words in ("nothing like it", "another"):  # the second has no values
        assert scrap(words, "--yes").returncode == 54
    done = scrap("serial=HG-2026-0001", "--yes")
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("Back on the list: 00:00:5e:00:53:80, HG-2026-0001.\n")
    assert "HG-2026-0001 (variable" in here("clone", "job.toml", "--check", *copy).stdout
    assert scrap("serial=HG-2026-0001", "--yes").returncode == 54
    here("ledger", *copy, "PASS", "--labels", "left.html")
    assert "HG-2026-0001" not in (here.folder / "left.html").read_text()
    # Its serial number is another's now: that one is meant, even before it has a row.
    with Ledger(here.folder / "copy.sqlite") as ledger:
        held = InHand("ef4017-cc", "j", "b", "ef4017", "cc", 8 << 20, "", "", {})
        ledger.draw(held, [Column(("serial",), (Listed("text", ("HG-2026-0001",)),))])
    waiting = here("ledger", *copy, "serial=HG-2026-0001")
    assert "Unfinished, to be put on again: 1 board\n  ef4017-cc; serial HG" in waiting.stdout
    assert scrap("serial=HG-2026-0001", "--yes").stdout.startswith("SCRAPPED: ef4017-cc, in row 5.")
    assert here("ledger", *copy, "--check").returncode == 0


def _check_chain(here: Here, head: str) -> None:
    whole = here("ledger", "--check", "--expect", head)
    assert (whole.returncode, head in whole.stdout) == (0, True)
    assert head in here("ledger", "--check").stdout
    database = sqlite3.connect(here.folder / "ledger.sqlite")
    database.execute("update ledger_rows set result = 'PASS' where number = 2")
    database.commit()
    broken = here("ledger", "--check")
    assert (broken.returncode, "row 2 was changed" in broken.stderr) == (54, True)
    database.execute("delete from ledger_rows where number = 2")
    database.commit()
    assert here("ledger", "--check").returncode == 0
    cut = here("ledger", "--check", "--expect", head)
    assert (cut.returncode, "deleted at the end" in cut.stderr) == (54, True)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("boards = 1", "boards = 129"), "line 18: 129 boards left to make"),
        (('name = "factory"', "nam = 1"), "line 9: unknown key “nam”"),
    ],
)
def test_a_bad_job_is_refused_before_any_board(
    here: Here, change: tuple[str, str], words: str
) -> None:
    path = write_job(here.folder, 1)
    text = path.read_text()
    assert text.count(change[0]) == 1
    path.write_text(text.replace(*change))
    for options in (("--check",), ("--adapter", "sim:heron")):
        done = here("clone", "job.toml", *options)
        assert done.returncode == 53
        assert words in done.stderr + done.stdout


def test_misuse_is_told_in_words(here: Here) -> None:
    write_job(here.folder, 1)
    for arguments, status in (
        (("clone", "none.toml"), 53),
        (("clone", "job.toml", "--adapter", "sim:none/*"), 2),
        (("clone", "job.toml", "--adapter", "sim:heron", "--adapter", "sim:heron"), 2),
        (("ledger", "--expect", "00"), 2),
        (("ledger", "--ledger", "mysql://x/y"), 54),
    ):
        done = here(*arguments)
        assert done.returncode == status, done.stderr
        assert "Traceback" not in done.stderr


def test_other_commands_do_not_load_the_database_library() -> None:
    program = "import sys, spiflash.cli.main; sys.exit('sqlalchemy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program]).returncode == 0
