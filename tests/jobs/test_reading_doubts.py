"""What goes wrong without any noise: older passes, other boards, processors, weak cells.

A set that is called verified holds what the board held at one moment; what cannot be known for
certain is said. The faults are those of `hwmocks.faults.reads`; the benchmark has the same ones by
the hundred.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from hwmocks.faults import MovedClip, WeakCells, Wrapper
from hwmocks.nor.chip import NorChip
from hwmocks.wire import Beat, SpiDevice
from spiflash.archive.record import Record
from spiflash.archive.shelf import Shelf
from spiflash.cli.main import run
from spiflash.errors import ChipMismatchError, InterruptedWorkError, UnstableReadError
from spiflash.jobs import Unwatched
from spiflash.jobs.backup import Backup, back_up
from spiflash.jobs.reading.kept_passes import FRESH, UNFINISHED
from spiflash.jobs.reading.passes import MOST_TRIES
from spiflash.report.backup import backup_text
from tests.benchmarks import believable_reading as benchmark
from tests.job_rig import WATCHER, Rig

MIB = benchmark.MIB
WHEN = datetime(2026, 5, 4, 19, 30, tzinfo=UTC)


def a_chip(
    seed: int = 7, *, anonymous: bool = False, contents: bytes | None = None, size: int = MIB
) -> NorChip:
    description = benchmark.described(size, False, anonymous)
    return NorChip(description, contents or benchmark.contents_of(size), seed=seed)


class Acting(Unwatched):
    """Does something when a step begins, and keeps what is said."""

    def __init__(self, **acts: Callable[[], None]) -> None:
        self.acts = {name.replace("_", " "): act for name, act in acts.items()}
        self.said: list[str] = []

    @contextmanager
    def step(
        self, title: str, total: int, counting: str = "bytes"
    ) -> Iterator[Callable[[int], None]]:
        for name, act in self.acts.items():
            if title.startswith(name):
                act()
        yield lambda count: None

    def say(self, text: str) -> None:
        self.said.append(text)


def stop() -> None:
    raise KeyboardInterrupt


def saved(rig: Rig, shelf: Path, watcher: Unwatched = WATCHER, hours: float = 0.0) -> Backup:
    with rig.connect() as connection:
        return back_up(
            connection, Shelf(shelf), watcher, clock=lambda: WHEN + timedelta(hours=hours)
        )


def cut_short(rig: Rig, shelf: Path) -> Path:
    """A backup that leaves one whole pass; where it lies."""
    with pytest.raises(InterruptedWorkError):
        saved(rig, shelf, Acting(pass_2=stop))
    (kept,) = (shelf / UNFINISHED).rglob("*.bin")
    return kept


def right(made: Backup, *states: bytes) -> None:
    assert made.set.contents() in states
    assert made.record.verified


# -- passes of an earlier run ----------------------------------------------------------------


def test_a_board_that_ran_since_has_none_of_its_older_contents_in_the_set(tmp_path: Path) -> None:
    """A few bytes of settings, which a sample of places does not meet."""
    rig = Rig(a_chip())
    before = bytes(rig.chip.contents)
    kept = cut_short(rig, tmp_path)
    rig.chip.contents[0x20010:0x20020] = bytes(16)
    listener = Acting()
    made = saved(rig, tmp_path, listener)
    right(made, bytes(rig.chip.contents))
    assert kept.read_bytes() == before  # and nothing that was read is gone
    assert any("holds something else now" in line for line in listener.said)
    assert not made.record.agreement.changed


def test_a_sister_without_unique_id_gets_no_passes_of_another_board(tmp_path: Path) -> None:
    first = a_chip(anonymous=True)
    kept = cut_short(Rig(first), tmp_path)
    sister = bytearray(first.contents)
    sister[0x1000:0x1006] = b"\x00\x00\x5e\x00\x53\x07"
    listener = Acting()
    made = saved(Rig(a_chip(8, anonymous=True, contents=bytes(sister))), tmp_path, listener)
    right(made, bytes(sister))
    assert any("no unique ID" in line for line in listener.said)
    assert kept.read_bytes() == bytes(first.contents)


@pytest.mark.parametrize("hours", [FRESH / 3600 + 0.1, -0.1])
def test_old_passes_are_left_alone_until_a_set_holds_the_same(
    tmp_path: Path, hours: float, full_sweep: bool
) -> None:
    if hours < 0 and not full_sweep:
        return
    rig = Rig(a_chip())
    kept = cut_short(rig, tmp_path)
    listener = Acting()
    right(saved(rig, tmp_path, listener, hours), bytes(rig.chip.contents))
    assert any("older than" in line for line in listener.said)
    assert not kept.exists()  # the set holds every byte of it


def test_every_run_takes_a_whole_pass_of_its_own(tmp_path: Path) -> None:
    rig = Rig(a_chip())
    with pytest.raises(InterruptedWorkError):
        saved(rig, tmp_path, Acting(pass_3=stop))
    assert len(list((tmp_path / UNFINISHED).rglob("*.bin"))) == 2
    titles: list[str] = []
    made = saved(rig, tmp_path, Acting(pass_3=lambda: titles.append("3")))
    assert titles == ["3"]
    right(made, bytes(rig.chip.contents))


# -- another board, or another state of it ---------------------------------------------------


def moved_between_passes(first: NorChip, second: NorChip, shelf: Path) -> Backup:
    clips: list[MovedClip] = []

    def clip(device: SpiDevice) -> SpiDevice:
        clips.append(MovedClip(device))
        return clips[-1]

    rig = Rig(first, clip=clip)
    with rig.connect() as connection:
        watcher = Acting(pass_1=lambda: None)
        real = connection.flash.read
        state = {"passes": 0}

        def read(start: int, length: int, style: object) -> Iterator[bytes]:
            yield from real(start, length, style)  # type: ignore[arg-type]
            if start + length == first.description.size and not state["passes"]:
                state["passes"] = 1
                clips[-1].move(second)

        connection.flash.read = read  # type: ignore[method-assign, assignment]
        return back_up(connection, Shelf(shelf), watcher)


def test_a_clip_moved_between_passes_makes_no_set(tmp_path: Path) -> None:
    first = a_chip(1)
    other = bytearray(first.contents)
    other[0x1000:0x1006] = b"\x00\x00\x5e\x00\x53\x07"
    with pytest.raises(ChipMismatchError) as caught:
        moved_between_passes(first, a_chip(2, contents=bytes(other)), tmp_path)
    assert "unique ID" in caught.value.cause
    assert Shelf(tmp_path).sets().sets == ()


def test_without_a_unique_id_a_moved_clip_gives_one_whole_board(tmp_path: Path) -> None:
    first = a_chip(1, anonymous=True)
    other = bytearray(first.contents)
    other[0x1000:0x1006] = b"\x00\x00\x5e\x00\x53\x07"
    made = moved_between_passes(first, a_chip(2, anonymous=True, contents=bytes(other)), tmp_path)
    right(made, bytes(other))
    assert made.record.agreement.changed == (0x1000,)


@pytest.mark.parametrize("what", ["bits cleared", "sector anew", "record"])
def test_what_the_processor_wrote_between_passes_is_named_and_both_are_kept(
    tmp_path: Path, what: str, full_sweep: bool
) -> None:
    if what != "record" and not full_sweep:
        return
    rig = Rig(a_chip())
    chip = rig.chip
    before = bytes(chip.contents)

    def write() -> None:
        if what == "bits cleared":
            chip.contents[0xF0010:0xF0012] = b"\x00\x00"
        elif what == "record":
            chip.contents[0xF0100:0xF0200] = bytes(range(256))
        else:
            chip.contents[0xF0000:0xF1000] = b"\x5a" * 700 + b"\xff" * 3396

    made = saved(rig, tmp_path, Acting(pass_2=write))
    right(made, bytes(chip.contents))
    assert made.record.agreement.changed == (0xF0000,)
    assert not made.record.agreement.settled
    assert len(made.record.passes) >= 3
    kept = {path.read_bytes() for path in (made.set.path / "data" / "readings").iterdir()}
    assert {before[0xF0000:0xF1000], bytes(chip.contents[0xF0000:0xF1000])} <= kept
    text = backup_text(made.record, made.audit, made.set.path)
    assert text.startswith("VERIFIED, CONTENTS CHANGED DURING THE READING")
    assert "data/readings" in text


def test_a_board_that_goes_on_writing_is_not_verified(tmp_path: Path) -> None:
    rig = Rig(a_chip())

    def write() -> None:
        at = rig.chip.contents.index(b"\xff" * 64, 0xF0000)
        rig.chip.contents[at : at + 64] = bytes(64)

    made = saved(rig, tmp_path, Acting(pass_=write))
    assert not made.record.verified
    assert any("reset" in doubt for doubt in made.record.doubts)


# -- cells that go wrong by themselves -------------------------------------------------------


def row(name: str) -> benchmark.Row:
    return next(each for each in benchmark.ROWS if each.name == name)


@pytest.mark.parametrize("count", [5, 50])
def test_weak_cells_are_named_and_never_verified(
    tmp_path: Path, count: int, full_sweep: bool
) -> None:
    if count == 50 and not full_sweep:
        return
    chip = a_chip()
    cells = dict.fromkeys(benchmark.places(chip, count, count), 0.4)
    rig = Rig(chip, clip=lambda inner: WeakCells(inner, MIB, cells, seed=count))
    made = saved(rig, tmp_path)
    assert not made.record.verified
    assert "weak cells" in made.record.doubts[0]
    assert made.record.evidence.weak
    assert set(made.record.evidence.weak) <= set(cells)
    if count == 50:
        found, unseen = len(made.record.evidence.weak), made.record.evidence.unseen
        assert found > 35
        assert abs(found + unseen - 50) < 15


@pytest.mark.parametrize("chance", [0.3, 0.5])
def test_a_single_weak_cell_is_wrong_only_where_no_reading_showed_it(
    chance: float, full_sweep: bool
) -> None:
    """Both passes read it wrong alike in one of four or ten backups: the screen says so."""
    if chance < 0.5 and not full_sweep:
        return
    count = 3 if full_sweep else 1
    name = f"weak: 1 cell, p {chance:g}"
    trials = [benchmark.run_trial(row(name), seed) for seed in range(count)]
    assert not any(trial.wrong for trial in trials)


@pytest.mark.parametrize(
    "name", ["3 bits wrong at 30 and 15 MHz", "wrong address by block", "one band of 64 KiB, 1e-04"]
)
def test_errors_with_a_place_of_their_own_are_not_verified_wrongly(
    name: str, full_sweep: bool
) -> None:
    if row(name).slow and not full_sweep:
        return
    count = 2 if full_sweep else 1
    trials = [benchmark.run_trial(row(name), seed) for seed in range(500, 500 + count)]
    assert not any(trial.wrong for trial in trials)


def test_the_second_pass_is_not_at_half_the_clock_of_the_first(tmp_path: Path) -> None:
    rig = Rig(a_chip())
    with rig.connect(ceiling=30e6) as connection:
        made = back_up(connection, Shelf(tmp_path), WATCHER)
    first, second = (each.clock_hz for each in made.record.passes[:2])
    assert first == 30e6
    assert first / second != pytest.approx(2)


# -- one-time data ---------------------------------------------------------------------------


class OnceWrong(Wrapper):
    """The first answers to some command have a bit wrong."""

    def __init__(self, inner: SpiDevice, opcode: int, times: int) -> None:
        super().__init__(inner)
        self.opcode, self.times, self.now = opcode, times, False

    def select(self, now: float) -> None:
        self.fresh = True
        super().select(now)

    def transfer(self, mosi: bytes, beat: Beat) -> bytes:
        if self.fresh:
            self.now = mosi[0] == self.opcode
            self.fresh = False
        answer = self.inner.transfer(mosi, beat)
        if self.now and self.times and len(answer) > 6:
            self.times -= 1
            return answer[:-2] + bytes((answer[-2] ^ 0x20, answer[-1]))
        return answer


@pytest.mark.parametrize("opcode", [0x48, 0x4B])
def test_one_time_data_is_not_believed_at_its_first_reading(tmp_path: Path, opcode: int) -> None:
    rig = Rig(a_chip(), clip=lambda inner: OnceWrong(inner, opcode, 1))
    rig.chip.security[1][:16] = b"gauge 23, Heron "
    made = saved(rig, tmp_path)
    assert made.record.verified
    assert made.set.otp() == b"".join(bytes(each) for each in rig.chip.security)
    assert made.record.chip.unique_id == rig.chip.unique_id.hex()
    assert {each.name for each in made.record.one_time} >= {"unique-id", "security-1"}


def test_a_security_register_that_flips_is_not_verified(tmp_path: Path) -> None:
    class Flips(OnceWrong):
        def transfer(self, mosi: bytes, beat: Beat) -> bytes:
            self.times = int(beat.start * 1e6) % 2
            return super().transfer(mosi, beat)

    rig = Rig(a_chip(), clip=lambda inner: Flips(inner, 0x48, 1))
    made = saved(rig, tmp_path)
    assert not made.record.verified
    assert any("security-" in doubt for doubt in made.record.doubts)


# -- what is said ----------------------------------------------------------------------------


def test_the_verdict_and_the_page_say_what_is_not_excluded_and_send_nobody_past_the_checks(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    full_sweep: bool,
) -> None:
    shelf = str(tmp_path)
    assert run(["backup", "--adapter", "sim:heron", "--shelf", shelf]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "expected undetected bit errors: 0.0000003 (limit 0.000001)" in text
    assert "Not excluded weak cells and patterns" in text
    assert "wrong by all 2 passes once in 4" in text
    assert "Contents 95.8 % checksum OK" in text
    (folder,) = (path for path in tmp_path.iterdir() if (path / "bagit.txt").exists())
    html = (folder / "report.html").read_text("utf-8")
    assert "Not excluded" in html
    assert "the contents&#39; own checksums prove 95.8 %" in html
    assert "spiflash restore .<" in html
    assert "restore data/flash.bin" not in html
    if full_sweep:
        assert run(["backup", "--adapter", "sim:heron", "--shelf", shelf, "--json"]) == 0
        certainty = json.loads(capsys.readouterr().out)["certainty"]
        assert certainty["excluded_above"] == pytest.approx(3.689 / (2 * 8 * (8 << 20)), rel=1e-3)
        assert certainty["not_excluded"] == ["weak-cells", "patterns"]
        assert certainty["witness"]["vouched"] > 2_000_000
    monkeypatch.chdir(folder)
    assert run(["verify", ".", "--adapter", "sim:heron"]) == 0
    (folder / "data" / "flash.bin").write_bytes(b"\x00" * (8 << 20))
    assert run(["restore", ".", "--adapter", "sim:heron", "--shelf", shelf, "--yes"]) != 0
    capsys.readouterr()


def test_a_pass_is_not_taken_again_for_ever(tmp_path: Path) -> None:
    """A chip that answers rightly before every pass and never after one, however slow."""

    class AfterReading(Wrapper):
        def __init__(self, inner: SpiDevice) -> None:
            super().__init__(inner)
            self.sent, self.long, self.bad = 0, False, 0

        def select(self, now: float) -> None:
            self.bad = 5 if self.sent > 30_000 else max(0, self.bad - 1)
            self.sent = 0
            super().select(now)

        def transfer(self, mosi: bytes, beat: Beat) -> bytes:
            self.sent += len(mosi)
            answer = self.inner.transfer(mosi, beat)
            return bytes(byte ^ 0x5A for byte in answer) if self.bad else answer

    rig = Rig(a_chip(size=MIB // 8), clip=AfterReading)
    listener = Acting()
    with pytest.raises((UnstableReadError, ChipMismatchError)):
        saved(rig, tmp_path, listener)
    assert len(listener.said) <= MOST_TRIES


def test_records_of_the_version_before_still_open(tmp_path: Path) -> None:
    made = saved(Rig(a_chip()), tmp_path)
    document = json.loads(made.record.to_json())
    document["record_version"] = 2
    for place, name in (("agreement", "changed"), ("evidence", "weak"), ("evidence", "unseen")):
        del document[place][name]
    del document["one_time"]
    old = Record.from_json(json.dumps(document))
    assert old.verified
    assert old.one_time == ()
    assert old.sha256 == made.record.sha256
