"""The journal of a restore: on the disk whole before it counts, and gone whole."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from spiflash.archive import locks
from spiflash.archive.journal import Journal, JournalState, Range, open_journals
from spiflash.errors import BackupSetError, ShelfError
from tests.archive_samples import MADE, contents_of

SIZE = 20 * 4096
BEFORE = contents_of(20, seed=1)
AFTER = contents_of(2, seed=2)
HELD = BEFORE[:4096] + BEFORE[0x10000:0x11000]
STATE = JournalState(
    chip="W25Q64JV",
    jedec_id="ef4017",
    unique_id="d2647c8f1b2a3c45",
    size=SIZE,
    ranges=(Range(0, 4096), Range(0x10000, 4096)),
    image_name="heron-öffnen.bin",
    image_sha256="ab" * 32,
    begun=MADE,
    registers={"SR1": "00"},
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "shelf" / "journals"


def begin(folder: Path, **changes: object) -> Journal:
    return Journal.begin(folder, replace(STATE, **changes), BEFORE, AFTER)  # type: ignore[arg-type]


def test_what_is_begun_is_found_and_finished(folder: Path) -> None:
    begun = begin(folder)
    listing = open_journals(folder)
    assert listing.corrupt == ()
    (found,) = listing.whole
    assert found == begun == Journal.load(begun.path)
    assert found.state == STATE
    assert (found.whole(), found.before(), found.after()) == (BEFORE, HELD, AFTER)
    assert listing.of_chip(STATE.identity) == (found,)
    assert listing.of_chip(replace(STATE, unique_id=None).identity) == ()
    found.finish()
    assert open_journals(folder).whole == ()
    assert os.listdir(folder) == []


def test_nobody_else_can_read_it(folder: Path) -> None:
    before = os.umask(0)
    try:
        path = begin(folder).path
    finally:
        os.umask(before)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(path.stat().st_mode) == 0o700
    assert {stat.S_IMODE(each.stat().st_mode) for each in path.iterdir()} == {0o600}
    assert {each.name for each in path.iterdir()} == {
        "before.bin",
        "after.bin",
        "state.json",
        "in-use",
    }


def test_no_folder_means_no_journals(folder: Path) -> None:
    assert open_journals(folder).whole == ()


@pytest.mark.parametrize("unique_id", [None, STATE.unique_id])
def test_chips_that_cannot_be_told_apart_have_several(folder: Path, unique_id: str | None) -> None:
    """Without a unique ID, or with one that copies of a chip share."""
    paths = {begin(folder, unique_id=unique_id).path for _ in range(3)}
    assert len(paths) == 3
    assert len(open_journals(folder).of_chip(replace(STATE, unique_id=unique_id).identity)) == 3


@pytest.mark.parametrize(
    "ranges",
    [
        (),
        (Range(0, 8192), Range(4096, 4096)),
        (Range(4096, 4096), Range(0, 4096)),
        (Range(SIZE, 8192),),
        (Range(0, 8192), Range(8192, 0)),
        (Range(0, 4096),),
    ],
)
def test_ranges_that_make_no_sense_are_not_written(folder: Path, ranges: tuple[Range, ...]) -> None:
    with pytest.raises(ValueError, match=r"range|bytes"):
        begin(folder, ranges=ranges)
    assert not folder.exists()


@pytest.mark.parametrize("jedec_id", ["../..", "", "/"])
def test_an_id_that_is_not_one_leads_nowhere(folder: Path, jedec_id: str) -> None:
    try:
        path = begin(folder, jedec_id=jedec_id).path
    except ValueError:
        return
    assert path.parent == folder


def change(name: str, edit: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def apply(path: Path) -> None:
        (path / name).write_bytes(edit((path / name).read_bytes()))

    return apply


def set_field(name: str, value: object) -> Callable[[Path], None]:
    return change("state.json", lambda b: json.dumps(json.loads(b) | {name: value}).encode())


def signed(name: str, value: object) -> Callable[[Path], None]:
    """The same with a right digest: what a faulty program would have written."""

    def edit(text: bytes) -> bytes:
        document = json.loads(text) | {name: value}
        document["digest"] = digest_of(document)
        return json.dumps(document).encode()

    return change("state.json", edit)


def digest_of(document: dict[str, object]) -> str:
    rest = {key: value for key, value in document.items() if key != "digest"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def linked(path: Path) -> None:
    os.rename(path / "after.bin", path.parent.parent / "after.bin")
    (path / "after.bin").symlink_to(path.parent.parent / "after.bin")


@pytest.mark.parametrize(
    ("edit", "named"),
    [
        (
            change("before.bin", lambda b: b[:-1]),
            f"before.bin has {SIZE - 1} bytes instead of {SIZE}",
        ),
        (change("before.bin", lambda b: b + b"x"), f"before.bin has {SIZE + 1} bytes"),
        (change("after.bin", lambda b: b[::-1]), "after.bin was changed"),
        (change("state.json", lambda b: b[:-9]), "not a JSON document"),
        (change("state.json", lambda b: b"\xff"), "state.json is not UTF-8"),
        (lambda path: (path / "state.json").unlink(), "state.json is missing"),
        (lambda path: (path / "after.bin").unlink(), "after.bin is missing"),
        (linked, "after.bin is a link"),
        (lambda path: shutil.rmtree(path) or path.write_text(""), "state.json is missing"),
        (set_field("journal_version", 9), "newer version of spiflash"),
        (set_field("segment", 1), "“digest” does not match: the file was changed"),
        (set_field("ranges", [{"start": 0, "length": 4096}]), "“digest” does not match"),
        (set_field("at", 4096), "“digest” does not match"),
        (signed("size", 4096), "“ranges” is not valid"),
        (signed("ranges", []), "“ranges” is not valid"),
        (signed("ranges", [{"start": 0, "length": 1 << 31}]), "“ranges” is not valid"),
        (signed("ranges", [{"start": 0, "length": "4"}]), "“ranges[0].length”"),
        (signed("unique_id", "xyz"), "“unique_id”"),
        (signed("image_sha256", ""), "“image_sha256”"),
        (signed("colour", ""), "unknown key “colour”"),
    ],
    ids=lambda value: value if isinstance(value, str) else "edit",
)
def test_a_corrupt_journal_says_so(folder: Path, edit: Callable[[Path], None], named: str) -> None:
    sound = begin(folder, jedec_id="c84017")
    path = begin(folder).path
    edit(path)
    with pytest.raises(BackupSetError) as caught:
        Journal.load(path)
    assert named in caught.value.cause
    assert "partly written" in caught.value.state
    listing = open_journals(folder)
    assert listing.whole == (sound,)
    assert [each for each, _ in listing.corrupt] == [path]


@pytest.mark.parametrize("name", ["mkdir", "chmod", "open", "write", "fsync", "rename"])
def test_a_failure_at_any_step_leaves_no_journal(tmp_path: Path, name: str) -> None:
    real = getattr(os, name)
    n = 0
    while True:
        n += 1
        folder = tmp_path / str(n) / "journals"
        calls = iter(range(1, 10_000))

        def call(
            *args: object, calls: Iterator[int] = calls, last: int = n, **named: object
        ) -> object:
            if next(calls) == last:
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(*args, **named)

        (tmp_path / str(n)).mkdir()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, name, call)
            try:
                begin(folder)
            except ShelfError as error:
                cause = error.cause
            else:
                break
        assert "disk is full" in cause
        listing = open_journals(folder)
        assert listing.corrupt == ()
        # Only the last sync can fail with the journal whole; the caller writes nothing then.
        assert listing.whole == () or name in ("fsync", "open")
    assert n > 1
    assert len(open_journals(folder).whole) == 1


@pytest.mark.parametrize("name", ["rename", "fsync", "unlink", "rmdir"])
def test_a_removal_that_is_cut_short_leaves_none_or_all(
    folder: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    begun = begin(folder)

    def fail(*_: object, **__: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, name, fail)
        with pytest.raises(ShelfError):
            begun.finish()
    listing = open_journals(folder)
    assert listing.corrupt == ()
    assert listing.whole in ((), (begun,))
    again = begun if listing.whole else begin(folder)  # a left-over is no obstacle
    again.finish()
    assert os.listdir(folder) == []


def test_a_journal_of_version_1_still_opens(folder: Path) -> None:
    """As it was written before the whole chip was kept: no digest, no request."""
    path = folder / "ef4017-d2647c8f1b2a3c45"
    path.mkdir(parents=True)
    old = contents_of(2, seed=3)
    (path / "before.bin").write_bytes(old)
    (path / "after.bin").write_bytes(AFTER)
    (path / "state.json").write_text(
        json.dumps(
            {
                "journal_version": 1,
                "chip": "W25Q64JV",
                "jedec_id": "ef4017",
                "unique_id": "d2647c8f1b2a3c45",
                "size": SIZE,
                "ranges": [{"start": 0, "length": 4096}, {"start": 65536, "length": 4096}],
                "image_name": "heron.bin",
                "image_sha256": "ab" * 32,
                "begun": MADE.isoformat(),
                "registers": {"SR1": "00"},
                "four_byte_mode": None,
                "segment": 0,
                "before_sha256": hashlib.sha256(old).hexdigest(),
                "after_sha256": hashlib.sha256(AFTER).hexdigest(),
            }
        )
    )
    (found,) = open_journals(folder).whole
    assert (found.version, found.whole(), found.state.at) == (1, None, None)
    assert (found.before(), found.after()) == (old, AFTER)
    with found.held():
        found.finish()
    assert os.listdir(folder) == []


def test_what_went_astray_goes_back_to_what_it_was(folder: Path) -> None:
    begun = begin(folder, ranges=(Range(4096, 4096), Range(0x10000, 4096)))
    begun.note_astray([(0, 4096), (0x3000, 0x5000)])
    begun.note_astray([(0x3000, 0x5000)])
    (found,) = open_journals(folder).whole
    assert found.ranges == ((0, 0x2000), (0x3000, 0x5000), (0x10000, 0x11000))
    aside = BEFORE[0x3000:0x5000]
    assert found.before() == BEFORE[:8192] + aside + BEFORE[0x10000:0x11000]
    assert found.after() == BEFORE[:4096] + AFTER[:4096] + aside + AFTER[4096:]
    (begun.path / "astray.json").write_text("[]")
    assert [path for path, _ in open_journals(folder).corrupt] == [begun.path]


def test_a_journal_has_one_user_at_a_time(folder: Path) -> None:
    begun = begin(folder)
    assert not begun.in_use
    with begun.held():
        assert begun.in_use
        with pytest.raises(ShelfError, match="Another program"), begun.held():
            pass
    assert not begun.in_use
    with begun.held():
        begun.finish()
    with pytest.raises(ShelfError), begun.held():
        pass


def test_a_journal_that_ended_meanwhile_leaves_no_lock_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found, then finished by another program before its lock was asked for."""
    begun = begin(folder)
    real = locks.try_lock

    def late(path: Path) -> object:
        begun.finish()
        return real(path)

    monkeypatch.setattr(locks, "try_lock", late)
    with pytest.raises(ShelfError, match="Another program"), begun.held():
        pass
    assert os.listdir(folder) == []


def test_a_journal_with_its_lock_file_beside_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows, as far as that can be tried here."""
    monkeypatch.setattr(locks, "BESIDE", True)
    begun = begin(folder)
    with begun.held():
        assert begun.in_use
        begun.finish()
        assert open_journals(folder).whole == ()
    assert not begun.path.exists()


def test_a_journal_can_be_put_aside(folder: Path) -> None:
    for _ in range(2):
        begin(folder).put_aside()
    assert open_journals(folder).whole == ()
    assert len(os.listdir(folder)) == 2


def test_damaged_journals_are_matched_by_their_folders(folder: Path) -> None:
    paths = [begin(folder).path, begin(folder).path, begin(folder, unique_id=None).path]
    for path in paths:
        (path / "state.json").write_text("{}")
    found = open_journals(folder)
    assert [p for p, _ in found.corrupt_of_chip(STATE.identity)] == paths[:2]
    assert [p for p, _ in found.corrupt_of_chip(replace(STATE, unique_id=None).identity)] == paths[
        2:
    ]
    assert found.corrupt_of_chip(replace(STATE, jedec_id="c84017", unique_id=None).identity) == ()
