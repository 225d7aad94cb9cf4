"""Folders that one process works in: what locks promise, checked between real processes."""

from __future__ import annotations

import errno
import fcntl
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from spiflash.archive import locks
from spiflash.archive.locks import folders, lock_folder, new_folder, try_lock

HOLDER = """
import sys
from pathlib import Path
from spiflash.archive.locks import new_folder
print(new_folder(Path(sys.argv[1]), "held-").path, flush=True)
sys.stdin.read()
"""


def test_a_folder_is_ours_until_it_is_released(tmp_path: Path) -> None:
    ours = new_folder(tmp_path / "a" / "b", "x-")
    assert ours.path.name.startswith("x-")
    assert lock_folder(ours.path) is None
    ours.release()
    again = lock_folder(ours.path)
    assert again is not None
    again.remove()
    assert not (tmp_path / "a" / "b").exists()
    assert lock_folder(ours.path) is None


def test_the_folder_of_a_killed_process_is_free(tmp_path: Path) -> None:
    command = [sys.executable, "-c", HOLDER, str(tmp_path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        path = Path(process.stdout.readline().strip())
        assert path.is_dir()
        assert lock_folder(path) is None
        process.kill()
    assert lock_folder(path) is not None


def test_many_at_once_never_get_in_each_others_way(tmp_path: Path) -> None:
    """Each makes its folder and takes it away again, and with it, at times, the one above."""
    failures: list[BaseException] = []

    def work() -> None:
        try:
            for _ in range(20):
                ours = new_folder(tmp_path / "shelf", "x-")
                for path in folders(tmp_path / "shelf", "x-"):
                    other = lock_folder(path)
                    if other is not None:
                        other.release()
                (ours.path / "data").write_bytes(b"1")
                ours.remove()
        except BaseException as error:  # seen by the main thread
            failures.append(error)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert not (tmp_path / "shelf").exists()


def test_a_folder_that_is_gone_is_not_locked(tmp_path: Path) -> None:
    ours = new_folder(tmp_path / "shelf", "x-")
    other = new_folder(tmp_path / "shelf", "y-")
    ours.remove()
    assert lock_folder(ours.path) is None
    assert not ours.path.exists()
    other.remove()


def test_a_lock_file_that_was_removed_meanwhile_is_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened, then removed by its owner before the lock was asked for."""
    path = tmp_path / "in-use"
    opened: list[int] = []
    real = fcntl.flock

    def flock(descriptor: int, operation: int) -> None:
        if not opened:
            opened.append(descriptor)
            path.unlink()
        real(descriptor, operation)

    monkeypatch.setattr(fcntl, "flock", flock)
    held = try_lock(path)
    assert opened
    # Either not locked, or locked anew: never a lock that others cannot see.
    if held is not None:
        assert try_lock(path) is None
        held.release()


def test_without_locks_nothing_is_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours = new_folder(tmp_path, "x-")
    ours.release()

    def flock(descriptor: int, operation: int) -> None:
        raise OSError(errno.ENOSYS, "Function not implemented")

    monkeypatch.setattr(fcntl, "flock", flock)
    assert lock_folder(ours.path) is None
    assert new_folder(tmp_path, "y-").path.is_dir()
    assert not list(tmp_path.rglob("*.soft*"))


def test_the_lock_file_can_be_beside_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows, as far as that can be tried here."""
    monkeypatch.setattr(locks, "BESIDE", True)
    ours = new_folder(tmp_path / "shelf", "x-")
    assert [path.name for path in folders(tmp_path / "shelf", "x-")] == [ours.path.name]
    assert list(ours.path.iterdir()) == []
    assert lock_folder(ours.path) is None
    ours.release()
    again = lock_folder(ours.path)
    assert again is not None
    again.remove()
    assert not (tmp_path / "shelf").exists()


def test_a_folder_released_twice_closes_nothing_else(tmp_path: Path) -> None:
    """The number of a closed file is given to the next one that is opened."""
    made = new_folder(tmp_path, "x-")
    made.release()
    ours = lock_folder(made.path)
    assert ours is not None
    ours.release()
    with (tmp_path / "other").open("wb") as other:
        ours.release()
        other.write(b"still open")
    assert (tmp_path / "other").read_bytes() == b"still open"
