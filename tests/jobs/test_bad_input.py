"""Nonsense on the command line and in the environment: refused, nothing touched, no traceback.

In one process, because there are many; tests/jobs/test_cli.py starts real ones.
"""

from __future__ import annotations

import json
import pwd
from pathlib import Path
from typing import NoReturn

import pytest

from spiflash.cli.main import run
from tests.jobs.cli_rig import (
    Bench,
    Ended,
    assert_said,
    assert_said_in_json,
    contents_of,
)

MISUSE = 2


@pytest.fixture(autouse=True)
def _plain_environment(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(bench.folder)
    monkeypatch.setenv("HOME", str(bench.folder))
    for name in ("SPIFLASH_ADAPTER", "SPIFLASH_SHELF", "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)


def here(capfd: pytest.CaptureFixture[str], *arguments: str) -> Ended:
    """Run a command in this process."""
    status = run(list(arguments))
    said = capfd.readouterr()
    return Ended(status, said.out, said.err)


BOARD = ("--adapter", "sim:board")

NONSENSE: list[tuple[tuple[str, ...], str]] = [
    (("nonsense",), "nonsense"),
    (("--nonsense",), "--nonsense"),
    (("verify",), "SOURCE"),
    (("verify", "factory.bin", "factory.bin", *BOARD), "unexpected"),
    (("restore", *BOARD), "SOURCE"),
    (("restore", "factory.bin", "--resume", *BOARD), "--resume"),
    (("wiring", "FT245R"), "FT245R"),
    (("wiring", "FT2232D", "--channel", "B"), "FT2232D"),
    (("wiring", "FT4232H", "--channel", "C"), "--channel"),
    *(
        (("identify", *BOARD, "--clock", text), "--clock")
        for text in (
            "0",
            "-1",
            "1e99",
            "nan",
            "inf",
            "",
            " ",
            "1",
            "999",
            "201M",
            "9" * 400,
            "12 M Hz",
        )
    ),
    *(
        (("verify", "factory.bin", *BOARD, "--at", text), "--at")
        for text in ("-1", "-4K", "1e3", "", "0x", "4G", "0b11", "1_000", "9" * 40, "0x" + "f" * 40)
    ),
    (("verify", "factory.bin", *BOARD, "--at", "8M"), "800000h"),
    (("verify", "factory.bin", *BOARD, "--at", "0xffffffffffff"), "FFFFFFFFFFFFh"),
    *(
        (("erase", *BOARD, *where), "range")
        for where in (
            ("--length", "0"),
            ("--length", "9M"),
            ("--at", "8M"),
            ("--at", "8M", "--length", "1"),
            ("--at", "0x7ff001", "--length", "4K"),
        )
    ),
    *((("backup", *BOARD, "--passes", text), "--passes") for text in ("0", "1", "-3", "13", "two")),
    *(
        (("identify", *BOARD, option, pin), option)
        for option in ("--hold-high", "--hold-low")
        for pin in ("D0", "D3", "D8", "4", "", "WP#")
    ),
    (("identify", *BOARD, "--hold-high", "D4", "--hold-low", "d4"), "high and low"),
    (("backup", *BOARD, "--shelf", ""), "--shelf"),
    (("identify", *BOARD, "--chips", ""), "--chips"),
    (("rehearse", "--keep", ""), "--keep"),
    (("rehearse", "--keep", "board"), "not empty"),
    (("rehearse", "--keep", "factory.bin"), "factory.bin"),
    *(
        (("backup", *BOARD, "--board", label), "--board")
        for label in ("two\nlines", "\x1b[31mred", "bell\a", "x" * 101, "\udcff", "\u202egnirts")
    ),
    *(
        (("identify", "--adapter", url), "simulated board")
        for url in (
            "sim:",
            "sim:?new=heron",
            "sim:heron?new=heron",
            "sim:heron?",
            "sim:heron?x=1",
            "sim:heron?board",
            "sim:heron?board=abc",
            "sim:heron?board=-1",
            "sim:heron?board=256",
            "sim:heron?chip=NOSUCH",
            "sim:heron?chip=",
            "sim:heron?adapter=ft9999h",
            "sim:heron?channel=",
            "sim:heron?channel=AB",
            "sim:heron?channel=Z",
            "sim:heron?card=-1",
            "sim:heron?card=0x800001",
            "sim:heron?seed=1&seed=2",
            "sim:missing",
            "sim:missing?new=crow",
            "sim:factory.bin",
            "sim:~no-such-user-here/board",
            "sim:" + "a" * 300 + "?new=heron",
            "sim:two\nlines",
        )
        if url != "sim:heron?"
    ),
    (("identify", "--adapter", "sim:heron?adapter=ft4232h&channel=C"), "MPSSE"),
    *((("identify", "--adapter", url), "adapter URL") for url in ("", " ", "usb:1", "heron", ":")),
]


@pytest.mark.parametrize(
    ("arguments", "word"),
    NONSENSE,
    ids=[f"{number}-{case[0][0]}" for number, case in enumerate(NONSENSE)],
)
def test_nonsense_is_refused_and_nothing_touched(
    bench: Bench, capfd: pytest.CaptureFixture[str], arguments: tuple[str, ...], word: str
) -> None:
    before = contents_of(bench.board) if "sim:board" not in arguments else bench.flash
    assert_said(here(capfd, *arguments), MISUSE, word)
    assert before == (contents_of(bench.board) if "sim:board" not in arguments else bench.flash)
    assert sorted(path.name for path in bench.folder.iterdir()) == ["board", "factory.bin"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("nonsense",),
        ("verify",),
        ("wiring", "FT2232D", "--channel", "B"),
        ("identify", *BOARD, "--clock", "0"),
        ("erase", *BOARD, "--length", "0"),
        ("identify", *BOARD, "--hold-high", "D4", "--hold-low", "D4"),
        ("identify", "--adapter", "sim:missing"),
        ("rehearse", "--keep", "board"),
    ],
    ids=lambda value: value[0],
)
def test_json_also_for_misuse(
    bench: Bench, capfd: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    assert_said_in_json(here(capfd, *arguments, "--json"), MISUSE, "UsageError")


@pytest.mark.parametrize(
    ("name", "value", "status", "word"),
    [
        ("SPIFLASH_ADAPTER", "nonsense", 2, "nonsense"),
        ("SPIFLASH_SHELF", "factory.bin", 43, "factory.bin"),
        ("SPIFLASH_SHELF", "/proc/none", 43, "/proc/none"),
        ("SPIFLASH_SHELF", "/dev/null", 43, "/dev/null"),
        ("HOME", "/proc/none", 43, "/proc/none"),
    ],
)
def test_variables_with_nonsense(
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    value: str,
    status: int,
    word: str,
) -> None:
    monkeypatch.setenv(name, value)
    adapter = () if name == "SPIFLASH_ADAPTER" else BOARD
    assert_said(here(capfd, "backup", *adapter), status, word)


def test_a_user_without_a_home_folder(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in a container whose user number is in no /etc/passwd."""

    def nobody(number: int) -> NoReturn:
        raise KeyError(number)

    monkeypatch.delenv("HOME")
    monkeypatch.setattr(pwd, "getpwuid", nobody)
    assert_said(here(capfd, "backup", *BOARD), MISUSE, "--shelf")


def test_an_unset_shell_variable_counts_as_none(
    bench: Bench, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SPIFLASH_ADAPTER", "")
    assert_said(here(capfd, "identify"), 11, "plugged in")


def test_a_label_of_any_script_is_kept(
    bench: Bench, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    label = "Pegel 7 / Ōtaki ../../etc 河"
    ended = here(
        capfd,
        "backup",
        *BOARD,
        "--shelf",
        str(tmp_path / "shelf"),
        "--board",
        f" {label} ",
        "--json",
    )
    assert ended.status == 0
    found = ended.document
    assert found["record"]["board"] == label
    made = Path(found["set"])
    # No part of a label may lead out of the shelf.
    assert made.parent == tmp_path / "shelf"
    assert json.loads((made / "data/record.json").read_text("utf-8"))["board"] == label


def test_no_arguments_show_the_commands(capfd: pytest.CaptureFixture[str]) -> None:
    ended = here(capfd)
    assert ended.status == MISUSE
    assert ended.out == ""
    for name in (
        "adapters",
        "wiring",
        "identify",
        "backup",
        "verify",
        "restore",
        "erase",
        "rehearse",
    ):
        assert f"\n  {name} " in ended.err
