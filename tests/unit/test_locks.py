"""Folders that one process works in: what flock(2) promises, checked between real processes."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from spiflash.archive import locks
from spiflash.archive.locks import Lock, LockedFolder, folders, lock_folder, new_folder, try_lock

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


def test_a_folder_put_in_the_place_of_another_is_not_mistaken(tmp_path: Path) -> None:
    """Opened, then removed by its owner before the lock was asked for."""
    ours = new_folder(tmp_path, "x-")
    descriptor = os.open(ours.path / locks.LOCK_FILE, os.O_RDWR)
    ours.remove()
    assert try_lock(descriptor) is Lock.OURS
    assert not locks._still_there(ours.path / locks.LOCK_FILE, descriptor)
    LockedFolder(ours.path, descriptor).release()


def test_without_locks_no_folder_is_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours = new_folder(tmp_path, "x-")
    ours.release()
    monkeypatch.setattr(locks, "fcntl", None)
    assert lock_folder(ours.path) is None
    assert new_folder(tmp_path, "y-").path.is_dir()
