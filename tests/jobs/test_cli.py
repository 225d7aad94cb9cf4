"""The command line as a whole: help that works, streams, terminals, encodings."""

from __future__ import annotations

import io
import json
import os
import pty
import re
import select
import shlex
import subprocess
import sys
import termios
import time
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import click
import pytest

from hwmocks import store
from hwmocks.boards.heron import IMAGE_FILE, heron_open, heron_variant
from spiflash.cli import main as cli
from spiflash.cli.main import program, run
from spiflash.cli.screen import Bars
from spiflash.errors import ImageError
from tests.jobs.cli_rig import COMMAND, PATIENCE, Bench, assert_said, environment

COMMANDS = sorted(cli.COMMANDS)


def command_of(name: str) -> click.Command:
    found = program.get_command(click.Context(program), name)
    assert found is not None
    return found


def help_text(name: str) -> str:
    parent = click.Context(program, **program.context_settings)
    return command_of(name).get_help(click.Context(command_of(name), parent=parent))


class Screen(io.StringIO):
    """A stream that is a terminal."""

    def isatty(self) -> bool:
        return True


def help_of(command: str, capfd: pytest.CaptureFixture[str]) -> str:
    assert run([command, "--help"]) == 0
    said = capfd.readouterr()
    assert said.err == ""
    return said.out


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(capfd: pytest.CaptureFixture[str], command: str) -> None:
    """An example is a line of its own that begins with the command's own name, and its
    options are among those that the help explains."""
    text = help_of(command, capfd)
    examples = re.findall(rf"^ +spiflash ({command}\b.*)$", text, re.MULTILINE)
    assert examples, text
    for example in examples:
        for option in re.findall(r"--[a-z-]+", example):
            assert re.search(rf"^ +(-\w, )?{option}\b", text, re.MULTILINE), option


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_is_explained(command: str) -> None:
    found = command_of(command)
    for parameter in found.params:
        if isinstance(parameter, click.Option) and parameter.opts != ["--channel"]:
            assert parameter.help, parameter.opts


@pytest.mark.parametrize("command", COMMANDS)
def test_the_list_of_commands_says_what_their_help_says(command: str) -> None:
    text = re.sub(r"\s+", " ", command_of(command).help or "")
    assert text.startswith(cli.COMMANDS[command][1])


def loaded(words: Sequence[str], folder: Path) -> set[str]:
    """The modules that a command loads."""
    told = subprocess.run(
        [*COMMAND, *words],
        env=environment(folder, PYTHONPROFILEIMPORTTIME="1"),
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    return {line.rpartition("|")[2].strip() for line in told.splitlines()}


def test_the_list_of_commands_loads_none(tmp_path: Path) -> None:
    """What the list costs is paid by every command as well."""
    modules = loaded(["--help"], tmp_path)
    assert "spiflash.cli.main" in modules
    assert modules.isdisjoint(
        {"numpy", "jinja2", "sqlalchemy", "pyftdi", "spiflash.jobs.connection"}
    )


def test_an_identification_loads_no_more_than_it_needs(tmp_path: Path) -> None:
    """The command that comes first; each of these costs 10 to 100 ms. (benchmarks/start_up.py)"""
    modules = loaded(["identify", "--adapter", "sim:heron"], tmp_path)
    assert "spiflash.nor.identify" in modules
    heavy = {"numpy", "jinja2", "sqlalchemy", "msgspec", "tqdm", "statistics", "zstandard", "lz4"}
    assert modules.isdisjoint(heavy)
    assert not {each for each in modules if each.startswith(("spiflash.dump", "spiflash.archive"))}


def test_help_by_its_short_name(capfd: pytest.CaptureFixture[str]) -> None:
    for words in ([], ["backup"]):
        assert run([*words, "-h"]) == 0
        short = capfd.readouterr().out
        assert run([*words, "--help"]) == 0
        assert capfd.readouterr().out == short


OTHERWISE = {
    "convert": "test_convert_command.py runs its examples, with the shelf they need",
    "clone": "test_clone_example.py runs its examples, with the image and boards they need",
    "ledger": "its examples speak of a batch: test_clone_command.py makes one and asks for it",
    "rehearse": "the next test runs its example, and goes on with the board that it keeps",
}
"""Commands whose examples are run elsewhere."""

EXAMPLES = [
    (command, example)
    for command in COMMANDS
    if command not in OTHERWISE
    for example in re.findall(
        rf"^ +spiflash ({command}\b.*)$",
        help_text(command),
        re.MULTILINE,
    )
]
LONG = ("wiring", "chips", "prove", "shelf")
"""Commands whose answer is a table, longer than a small screen."""

STATUS = {
    "compare factory.bin later.bin": 1,
    "triage --adapter sim:./board": 1,
    "triage --image openfw.img --save repaired.bin": 1,
}
"""Exit statuses other than 0: files that differ, a board on which something is wrong."""


def set_the_scene(here: Bench) -> None:
    """The files of which the examples speak; one's own chip table."""
    (here.folder / "later.bin").write_bytes(heron_variant(3))
    (here.folder / "openfw.img").write_bytes(heron_open())
    (here.folder / "card").mkdir()
    own_parts = files("chipdb").joinpath("amic.toml").read_bytes()
    (here.folder / "my-parts.toml").write_bytes(own_parts)


@pytest.mark.parametrize(("command", "example"), EXAMPLES, ids=[each for _, each in EXAMPLES])
def test_the_example_does_what_it_says(
    bench: Bench, saved: Bench, tmp_path: Path, command: str, example: str
) -> None:
    here = (saved if command in ("restore", "erase", "triage") else bench).copy(tmp_path / "bench")
    set_the_scene(here)
    if command == "triage":
        board = here.board / store.CONTENTS
        board.write_bytes(bytes(0x1000) + board.read_bytes()[0x1000:])
    words = [word.replace("/media/", "") for word in shlex.split(example)]
    if command in ("restore", "erase") and "--plan" not in words:
        words += ["--yes"]
    before = here.flash
    shelf = {"SPIFLASH_SHELF": str(here.shelf), "SPIFLASH_ADAPTER": "sim:./board"}
    ended = here.run(*words, env=shelf)
    assert ended.status == STATUS.get(example, 0), ended.err
    assert "Next steps" in ended.out or command in ("chips", "shelf")
    if command not in LONG:
        assert len(ended.out.splitlines()) <= 24  # a terminal of 80 x 24
    if command == "backup":
        assert len(list(here.shelf.iterdir())) == 1
    if command == "stage":
        assert (here.folder / "card" / IMAGE_FILE).read_bytes() == heron_open()
    if command == "erase":
        assert here.flash[0x740000:0x750000] == b"\xff" * 65536
    elif command != "restore":
        assert here.flash == before
    for made in re.findall(r"--(?:page|save) (\S+)", example):
        assert (here.folder / made).stat().st_size > 0


def test_rehearse_saves_files_to_practise_with(tmp_path: Path) -> None:
    here = Bench(tmp_path)
    assert here.run("rehearse", "--save", "files").status == 0
    for name, contents in {"open.bin": heron_open(), f"card/{IMAGE_FILE}": heron_open()}.items():
        assert (tmp_path / "files" / name).read_bytes() == contents
    assert here.run("audit", "files/open.bin", "--layout", "files/open-layout.toml").status == 0
    again = here.run("rehearse", "--save", "files")
    assert again.status == 52
    assert "exists already" in again.err


def test_rehearse_keeps_a_board_to_go_on_with(tmp_path: Path) -> None:
    here = Bench(tmp_path)
    ended = here.run("rehearse", "--keep", "./practice", "--json")
    assert ended.status == 0, ended.err
    assert ended.document["restored"] is True
    assert (ended.document["lost"], ended.document["cloned"]) == (0, 2)
    sets = [each.parent for each in (tmp_path / "practice" / "shelf").glob("*/bagit.txt")]
    assert len(sets) == 4  # of the conversion, the way back and both clones
    assert all((each / "report.html").is_file() for each in sets)
    if os.environ.get("SPIFLASH_SWEEP") == "full":  # the rehearsal cloned with it just now
        assert here.run("clone", "practice/clone-job.toml", "--check").status == 0
    again = here.run("identify", "--adapter", "sim:practice/board", "--json", env={"COLUMNS": "20"})
    assert again.status == 0
    assert again.document["chip"]


# -- streams ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments", [("wiring",), ("rehearse",), ("identify", "--adapter", "sim:heron")]
)
def test_a_reader_that_goes_away(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    """As with `| head -1`: no complaint, the status that a shell gives to SIGPIPE."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        ended = Bench(tmp_path).run(*arguments, stdout=writing)
    finally:
        os.close(writing)
    assert ended.status == 141
    assert "Traceback" not in ended.err
    assert "Exception" not in ended.err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is of Linux")
@pytest.mark.parametrize(
    ("arguments", "status"),
    [(("wiring",), 52), (("wiring", "--json"), 52), (("identify", "--json"), 11)],
)
def test_standard_output_on_a_full_disk(
    tmp_path: Path, arguments: tuple[str, ...], status: int
) -> None:
    with open("/dev/full", "wb") as full:
        ended = Bench(tmp_path).run(*arguments, stdout=full)
    assert ended.status == status, ended.err
    assert "Traceback" not in ended.err
    assert len(ended.err.splitlines()) >= 3


@pytest.mark.parametrize("stream", ["2>/dev/full", "2>&1 >/dev/null | true", ">/dev/full 2>&1"])
def test_an_error_that_nobody_reads_keeps_its_status(stream: str, tmp_path: Path) -> None:
    """Scripts go by the status: 1 would be a finding."""
    command = f"{sys.executable} -m spiflash audit missing {stream}; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], cwd=tmp_path, timeout=PATIENCE, check=False)
    assert done.returncode == ImageError.status


def test_a_remark_that_nobody_reads_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the middle of a write, least of all."""

    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stderr", Gone())
    Bars().say("What was written was not found there")


def test_an_error_after_the_result_adds_no_second_document(bench: Bench) -> None:
    (bench.folder / "other").write_bytes(b"other")
    ended = bench.on_board("verify", "other", "--json")
    assert ended.status == 31
    assert ended.document["equal"] is False
    assert ended.err == ""  # the verdict is said once


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8", "cp437"])
def test_a_terminal_of_any_encoding(tmp_path: Path, encoding: str) -> None:
    ended = Bench(tmp_path).run(
        "wiring", env={"PYTHONIOENCODING": encoding, "LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0"}
    )
    assert ended.status == 0, ended.err
    assert ended.err == ""
    assert "CS#" in ended.out


def test_a_label_in_a_locale_without_utf_8(bench: Bench, tmp_path: Path) -> None:
    ended = bench.run(
        "backup",
        "--adapter",
        "sim:heron",
        "--shelf",
        tmp_path / "shelf",
        "--board",
        "Ōtaki",
        "--json",
        env={"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"},
    )
    assert ended.status == 0, ended.err
    assert ended.document["record"]["board"] == "Ōtaki"


@pytest.mark.parametrize("wrap", [(), ("sh", "-c", 'exec "$@" <&-', "sh")], ids=["null", "closed"])
def test_nobody_to_ask(here: Bench, wrap: tuple[str, ...]) -> None:
    before = here.flash
    ended = here.on_board("erase", "--length", "4K", wrap=wrap)
    assert_said(ended, 60, "--yes")
    assert here.flash == before


# -- a real terminal -------------------------------------------------------------------------


class Terminal:
    """A command on a pseudo-terminal of its own."""

    def __init__(self, bench: Bench, *arguments: str, columns: int = 80) -> None:
        self._master, slave = pty.openpty()
        termios.tcsetwinsize(slave, (24, columns))
        self.shown = b""
        self._process = subprocess.Popen(
            [*COMMAND, *arguments, "--adapter", "sim:board", "--shelf", "shelf"],
            cwd=bench.folder,
            env=environment(bench.folder, TERM="dumb"),
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)

    def wait_for(self, word: bytes) -> None:
        deadline = time.monotonic() + PATIENCE
        while word not in self.shown:
            assert time.monotonic() < deadline, self.shown.decode(errors="replace")
            assert self._more() or word in self.shown, self.shown.decode(errors="replace")

    def type(self, keys: bytes) -> None:
        os.write(self._master, keys)

    def end(self) -> int:
        while self._more():
            pass
        os.close(self._master)
        return self._process.wait(PATIENCE)

    def _more(self) -> bool:
        if not select.select([self._master], [], [], PATIENCE)[0]:
            return False
        try:
            piece = os.read(self._master, 65536)
        except OSError:  # EIO: the other side has closed it
            return False
        self.shown += piece
        return bool(piece)


@pytest.mark.parametrize(
    ("keys", "status", "blank"),
    [(b"y\n", 0, True), (b"n\n", 60, False), (b"\n", 60, False), (b"\x04", 60, False)],
    ids=["yes", "no", "enter", "ctrl-d"],
)
def test_the_question_before_a_change(here: Bench, keys: bytes, status: int, blank: bool) -> None:
    terminal = Terminal(here, "erase", "--length", "4K")
    terminal.wait_for(b"Write to the chip?")
    terminal.type(keys)
    assert terminal.end() == status, terminal.shown.decode()
    assert b"Traceback" not in terminal.shown
    assert (here.flash[:4096] == b"\xff" * 4096) is blank


def test_progress_on_a_terminal_only(bench: Bench, tmp_path: Path) -> None:
    here = bench.copy(tmp_path / "bench")
    assert "pass 1 of 2" not in here.on_board("backup").err
    for columns in (80, 20):
        terminal = Terminal(here, "backup", columns=columns)
        assert terminal.end() == 0, terminal.shown.decode()
        assert b"Traceback" not in terminal.shown
        assert b"pass 1 of 2" in terminal.shown
        assert b"pass 2 of 2" in terminal.shown


def test_one_version(tmp_path: Path) -> None:
    ended = Bench(tmp_path).run("--version")
    assert ended.status == 0
    assert re.fullmatch(r"spiflash, version \d+\.\d+\.\d+\S*\n", ended.out)


def test_the_json_of_every_command_that_only_looks(bench: Bench) -> None:
    for arguments in (("adapters",), ("wiring",), ("identify", "--adapter", "sim:heron")):
        found = bench.run(*arguments, "--json")
        assert found.status == 0
        assert json.loads(found.out)
        assert found.err == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["adapter"], "No such command 'adapter'. Did you mean 'adapters'?\n"),
        (["zzz"], "No such command 'zzz'.\n"),
        (["identify", "--adapterr", "x"], "Did you mean '--adapter'?\n"),
        (["chips", "--volts", "x"], "'x' is not a valid float range.\n"),
    ],
)
def test_a_mistyped_word_is_met_with_the_right_one(
    words: list[str], said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    assert run(words) == 2
    assert said in capfd.readouterr().err


@pytest.mark.parametrize(
    ("total", "counting", "shown"),
    [
        (8 << 20, {}, "8 MiB of 8 MiB, "),
        (1_000_000, {}, "977 KiB of 977 KiB, "),
        (32, {"counting": "places"}, "00:00 left, 32 of 32 places"),
    ],
)
def test_a_bar_shows_what_its_step_counts(
    total: int, counting: dict[str, str], shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stderr", Screen())
    monkeypatch.setenv("COLUMNS", "100")
    with Bars().step("reading again", total, **counting) as advance:
        advance(total)
    last = sys.stderr.getvalue().rstrip().rpartition("\r")[2]
    assert shown in last
    assert ("B/s" in last) is (not counting)


def test_a_step_with_nothing_to_do_has_no_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    for total, shown in ((0, False), (4096, True)):
        monkeypatch.setattr(sys, "stderr", Screen())
        with Bars().step("reading again", total) as advance:
            advance(total)
        assert ("reading again" in sys.stderr.getvalue()) is shown
