"""Ctrl-C, SIGTERM and SIGHUP at many moments of a real process.

Whenever it comes: the exit status is 130, one document says what is safe, the board loads
again, and a restore that had begun can be finished from its journal.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from spiflash.archive.shelf import Shelf
from spiflash.errors import ImageError, InterruptedWorkError
from tests.jobs.cli_rig import PATIENCE, Bench, contents_of, kept_passes_apart

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
MOMENTS = 24 if os.environ.get("SPIFLASH_SWEEP") == "full" else 4


@pytest.fixture(scope="module")
def whole(saved: Bench) -> Bench:
    """With an image that differs in many places."""
    image = bytearray(saved.flash)
    draw = random.Random(3)
    for start in range(0, len(image), 65536):
        image[start : start + 300] = draw.randbytes(300)
    (saved.folder / "image").write_bytes(image)
    return saved


@pytest.fixture(scope="module")
def lasts(whole: Bench, tmp_path_factory: pytest.TempPathFactory) -> float:
    """Seconds that the whole restore takes on this computer, today."""
    bench = whole.copy(tmp_path_factory.mktemp("timed") / "bench")
    start = time.monotonic()
    assert bench.on_board("restore", "image", "--yes").status == 0
    return time.monotonic() - start


def stopped(bench: Bench, signum: int, after: float, *arguments: str) -> tuple[int, str, str]:
    """Start a command, send the signal once the program is loaded and `after` seconds more."""
    process = bench.start(*arguments, "--adapter", "sim:board", "--shelf", "shelf", "--json")
    # Once it is loaded, the program handles SIGTERM itself.
    until(process, lambda: catches(process, signal.SIGTERM))
    timer = threading.Timer(after, process.send_signal, [signum])
    timer.start()
    out, err = process.communicate(timeout=PATIENCE)
    timer.cancel()
    # CPython ends itself by SIGINT where Ctrl-C hit an exec() of source text, though it was
    # handled since (dataclasses do that as they are made); a shell reports that as 130 too.
    status = 130 if process.returncode == -signal.SIGINT else process.returncode
    return status, out, err


def catches(process: subprocess.Popen[str], signum: int) -> bool:
    """Whether the process has a handler of its own for the signal; see proc(5)."""
    lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
    caught = next(line for line in lines if line.startswith("SigCgt"))
    return bool(int(caught.split()[1], 16) & 1 << (signum - 1))


def until(process: subprocess.Popen[str], true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE
    while not true():
        assert process.poll() is None, "it has ended already"
        assert time.monotonic() < deadline, "it does not get there"
        time.sleep(0.001)


@pytest.mark.parametrize("moment", range(MOMENTS))
def test_a_restore_that_is_stopped(whole: Bench, lasts: float, tmp_path: Path, moment: int) -> None:
    bench = whole.copy(tmp_path / "bench")
    image = (bench.folder / "image").read_bytes()
    after = lasts * 0.9 * (moment + 0.5) / MOMENTS
    status, out, err = stopped(bench, SIGNALS[moment % 3], after, "restore", "image", "--yes")
    assert status in (0, InterruptedWorkError.status), err
    assert "Traceback" not in err
    document = json.loads(out)
    assert document.get("status", 0) == status
    journals = list((bench.shelf / "journals").glob("*"))
    if journals:
        assert "--resume" in document["remedy"]
        assert str(journals[0].name) in document["state"]
    finished = bench.on_board("restore", "--resume", "--yes")
    if journals:
        assert finished.status == 0, finished.err
        assert bench.flash == image
        assert not list((bench.shelf / "journals").glob("*"))
    else:
        # Not begun, or done: never anything in between.
        assert finished.status == ImageError.status
        assert bench.flash in (image, whole.flash)


@pytest.mark.parametrize("moment", range(3))
def test_a_backup_that_is_stopped(whole: Bench, lasts: float, tmp_path: Path, moment: int) -> None:
    after = lasts * (0.1 + 0.1 * moment)
    for attempt in range(10):
        # On a busy machine that may be too late: a backup that is done is no case of this test.
        bench = whole.copy(tmp_path / f"bench-{attempt}")
        before = contents_of(bench.shelf)
        status, out, err = stopped(bench, SIGNALS[moment], after / 2**attempt, "backup")
        if status:
            break
    assert status == InterruptedWorkError.status, err
    assert "Traceback" not in err
    assert json.loads(out)["status"] == status
    assert kept_passes_apart(contents_of(bench.shelf)) == before
    assert bench.flash == whole.flash


@pytest.mark.parametrize("after", [0.0, 0.1, 0.2])
def test_ctrl_c_while_the_program_loads(tmp_path: Path, after: float) -> None:
    """Nothing is open yet: the process ends without a word, above all without a traceback."""
    process = Bench(tmp_path).start("identify", "--adapter", "sim:heron")
    # Python itself catches SIGINT as it starts; what comes first here lets go of it.
    until(process, lambda: catches(process, signal.SIGINT))
    until(process, lambda: not catches(process, signal.SIGINT))
    time.sleep(after)
    early = not catches(process, signal.SIGINT)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE)
    assert out == ""
    if early:
        assert (process.returncode, err) in ((-signal.SIGINT, ""), (130, err))
    assert "Traceback" not in err


def test_two_commands_on_one_shelf(whole: Bench, tmp_path: Path) -> None:
    """Two boards saved in the same second: two sets, both whole."""
    bench = whole.copy(tmp_path / "bench")
    pair = [
        bench.start("backup", "--adapter", "sim:heron", "--shelf", "both", "--json")
        for _ in range(2)
    ]
    sets = []
    for process in pair:
        out, err = process.communicate(timeout=PATIENCE)
        assert process.returncode == 0, err
        sets.append(json.loads(out)["set"])
    assert len(set(sets)) == 2
    found = Shelf(bench.folder / "both").sets()
    assert sorted(str(each.path) for each in found.sets) == sorted(
        str(bench.folder / each) for each in sets
    )
    assert all(each.record.verified for each in found.sets)


def test_ctrl_c_while_the_adapter_does_not_answer() -> None:
    """Python hears a signal only after the call under way; the word on the screen comes first. Here
    that call is a lock of the C library, which no signal interrupts: this test releases it."""
    # The helper can run only when the main thread gives Python up, which is inside the second lock.
    code = (
        "import ctypes, sys, threading\n"
        "from spiflash.cli import main as program\n"
        "libc, lock = ctypes.CDLL(None), ctypes.create_string_buffer(256)\n"
        "libc.pthread_mutex_lock(lock)\n"
        "entering = threading.Event()\n"
        "def helper():\n"
        "    entering.wait()\n"
        "    print('waiting', flush=True)\n"
        "    sys.stdin.readline()\n"
        "    libc.pthread_mutex_unlock(lock)\n"
        "def run(arguments):\n"
        "    threading.Thread(target=helper, daemon=True).start()\n"
        "    sys.setswitchinterval(1000)\n"
        "    try:\n"
        "        entering.set()\n"
        "        libc.pthread_mutex_lock(lock)\n"
        "        return 1\n"
        "    except KeyboardInterrupt:\n"
        "        print('heard', file=sys.stderr, flush=True)\n"
        "        return 130\n"
        "program.run = run\n"
        "program.main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline() == "waiting\n"
    process.send_signal(signal.SIGINT)
    assert process.stderr.readline() == "\n"
    assert process.stderr.readline() == "Stopping: waiting for the adapter …\n"
    _, said = process.communicate("go on\n", timeout=PATIENCE)
    assert said == "heard\n"
    assert process.returncode == 130
