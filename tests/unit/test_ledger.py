"""The ledger on SQLite: values once, rows chained, cuts survived."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from spiflash.archive.ledger import After, InHand, Ledger
from spiflash.archive.ledger.rows import BoardRecord, check_ledger, last_of_each
from spiflash.archive.ledger.values import Column, Counted, Listed
from spiflash.errors import LedgerError, ValuesUsedUpError


def listed(count: int) -> list[Column]:
    return [
        Column(("ethaddr",), (Counted("mac", 0x5E005300, 0x5E005300 + count - 1),)),
        Column(("serial",), (Counted("text", 0, count - 1, 4, "HG-2026-"),)),
    ]


def board(key: str, **more: object) -> InHand:
    plain: dict[str, object] = {
        "job": "j", "bench": "b", "jedec_id": "ef4017", "unique_id": key, "size": 8 << 20,
        "backup": f"/shelf/{key}", "before_sha256": "00" * 32, "values": {},
    }  # fmt: skip
    return InHand(key=key, **{**plain, **more})  # type: ignore[arg-type]


def record(key: str, result: str = "PASS", **more: object) -> BoardRecord:
    plain: dict[str, object] = {
        "begun": "2026-05-01T10:00:00+00:00", "ended": "2026-05-01T10:00:40+00:00", "job": "j",
        "job_sha256": "11" * 32, "image_sha256": "22" * 32, "bench": "b", "station": "1",
        "adapter": "ft232h", "part": "W25Q64JV", "jedec_id": "ef4017", "unique_id": key,
        "values": {}, "label": "",
    }  # fmt: skip
    return BoardRecord(key=key, result=result, **{**plain, **more})  # type: ignore[arg-type]


def test_is_made_on_first_use_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "a" / "b" / "ledger.sqlite"
    with Ledger(path) as ledger:
        assert ledger.rows() == ()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_each_board_gets_the_first_free_values_and_the_same_ones_again(ledger: Ledger) -> None:
    rows = listed(3)
    first = ledger.draw(board("a"), rows)
    assert first == {"ethaddr": "00:00:5e:00:53:00", "serial": "HG-2026-0000"}
    assert ledger.draw(board("b"), rows)["serial"] == "HG-2026-0001"
    assert ledger.draw(board("a"), rows) == first
    assert ledger.free(rows) == 1
    assert ledger.in_hand("a") == board("a", values=first)


def test_a_finished_board_keeps_its_values_whatever_happens_later(ledger: Ledger) -> None:
    rows = listed(2)
    ledger.draw(board("a"), rows)
    values = ledger.draw(board("a"), rows)
    ledger.append(record("a", values=values), After.KEEP)
    assert ledger.in_hand("a") is None
    for after in (After.FORGET, After.HOLD):
        ledger.append(record("a", "FAIL", kind="read"), after)
        assert ledger.free(rows) == 1


@pytest.mark.parametrize(
    ("after", "free", "remembered", "values"),
    [
        (After.FORGET, 2, False, None),
        (After.HOLD, 1, True, {"ethaddr": "00:00:5e:00:53:00", "serial": "HG-2026-0000"}),
    ],
)
def test_what_becomes_of_a_failed_boards_values(
    ledger: Ledger, after: After, free: int, remembered: bool, values: object
) -> None:
    rows = listed(2)
    ledger.draw(board("a"), rows)
    ledger.append(record("a", "FAIL", kind="write"), after)
    assert ledger.free(rows) == free
    found = ledger.in_hand("a")
    assert (found is not None) == remembered
    assert found is None or found.values == values


def test_what_was_written_stays_with_its_board_whatever_is_asked_for(ledger: Ledger) -> None:
    values = ledger.draw(board("a"), listed(2))
    ledger.writing("a")
    ledger.append(record("a", "FAIL", kind="write", touched=True, values=values), After.FORGET)
    assert ledger.free(listed(2)) == 1
    (waiting,) = ledger.all_in_hand()
    assert (waiting.values, waiting.written) == (values, True)


def test_a_used_up_list_is_an_error_and_takes_nothing(ledger: Ledger) -> None:
    rows = listed(1)
    ledger.draw(board("a"), rows)
    with pytest.raises(ValuesUsedUpError, match="boards have all 1 values"):
        ledger.draw(board("b"), rows)
    assert ledger.in_hand("b") is None


def test_a_value_shared_by_two_rows_is_given_once(ledger: Ledger) -> None:
    lists = (Listed("text", ("1", "1", "2")), Listed("text", ("x", "y", "z")))
    rows = [Column(("m", "s"), lists)]
    assert ledger.draw(board("a"), rows)["s"] == "x"
    assert ledger.draw(board("b"), rows)["s"] == "z"


def test_a_draw_that_is_cut_gives_nothing(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = listed(2)

    def cut(*args: object) -> str:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("spiflash.archive.ledger._packed", cut)
        with pytest.raises(KeyboardInterrupt):
            ledger.draw(board("a"), rows)
    assert ledger.free(rows) == 2
    assert ledger.in_hand("a") is None


def _bench(path: Path, name: str, count: int, results: multiprocessing.Queue[list[str]]) -> None:
    with Ledger(path) as ledger:
        rows = listed(40)
        results.put([ledger.draw(board(f"{name}-{i}"), rows)["serial"] for i in range(count)])


def test_two_benches_never_draw_the_same_value(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    Ledger(path).store.close()
    context = multiprocessing.get_context("spawn")
    results: multiprocessing.Queue[list[str]] = context.Queue()
    benches = [
        context.Process(target=_bench, args=(path, name, 20, results)) for name in ("x", "y")
    ]
    for bench in benches:
        bench.start()
    drawn = [results.get(timeout=60) for _ in benches]
    for bench in benches:
        bench.join()
    assert sorted(drawn[0] + drawn[1]) == [f"HG-2026-{i:04d}" for i in range(40)]


def chained(ledger: Ledger) -> Path:
    for key in "abcd":
        ledger.append(record(key), After.KEEP)
    return Path(ledger.store.name)


def test_the_chain_is_what_the_definition_says(ledger: Ledger) -> None:
    """Computed here from the stored text alone: SHA-256 over number, digest before, record."""
    path = chained(ledger)
    before = "0" * 64
    for number, stored, digest, body in sqlite3.connect(path).execute(
        "select number, before, digest, body from ledger_rows order by number"
    ):
        assert stored == before
        before = hashlib.sha256(f"{number}\n{before}\n{body}".encode()).hexdigest()
        assert digest == before
    found = check_ledger(ledger.store)
    assert (found.rows, found.head, found.broken) == (4, before, "")


@pytest.mark.parametrize(
    ("change", "row"),
    [
        ("update ledger_rows set body = replace(body, 'PASS', 'FAIL') where number = 2", 2),
        ("update ledger_rows set body = replace(body, '40+00', '41+00') where number = 4", 4),
        ("update ledger_rows set result = 'FAIL' where number = 3", 3),
        ("update ledger_rows set key = 'z' where number = 1", 1),
        ("delete from ledger_rows where number = 3", 3),
        ("delete from ledger_rows where number = 1", 1),
        ("update ledger_rows set before = digest where number = 2", 2),
        ("update ledger_rows set digest = before where number = 4", 4),
    ],
)
def test_every_change_is_named_with_its_row(ledger: Ledger, change: str, row: int) -> None:
    path = chained(ledger)
    connection = sqlite3.connect(path)
    assert connection.execute(change).rowcount == 1
    connection.commit()
    assert f"row {row} " in check_ledger(ledger.store).broken


def test_a_changed_row_with_a_new_digest_breaks_the_next(ledger: Ledger) -> None:
    connection = sqlite3.connect(chained(ledger))
    ((before, body),) = connection.execute("select before, body from ledger_rows where number=2")
    body = json.dumps({**json.loads(body), "part": "other"}, sort_keys=True, separators=(",", ":"))
    digest = hashlib.sha256(f"2\n{before}\n{body}".encode()).hexdigest()
    connection.execute("update ledger_rows set body=?, digest=? where number=2", (body, digest))
    connection.commit()
    assert check_ledger(ledger.store).broken == "row 3 does not follow the row before it"


def test_records_come_back_as_they_were(ledger: Ledger) -> None:
    full = record("a", passes=("ab",), expected=1e-9, seconds={"backup": 1.5}, touched=True)
    assert ledger.append(full, After.KEEP).record() == full
    assert ledger.rows()[0].record() == full


def test_a_row_of_an_earlier_version_has_no_remark(ledger: Ledger) -> None:
    full = record("a", remark="x")
    document = json.loads(full.to_json())
    del document["remark"]
    old = BoardRecord.from_json(json.dumps(document), "row")
    assert old == record("a")


def test_the_values_that_a_board_had_last_are_remembered(ledger: Ledger) -> None:
    rows = listed(2)
    values = ledger.draw(board("a"), rows)
    ledger.append(record("a", "FAIL", values=values), After.FORGET)
    ledger.append(record("a", "FAIL", values={}), After.FORGET)
    assert ledger.last_values("a") == values
    assert ledger.last_values("b") == {}


@pytest.mark.parametrize(
    "where", ["mysql://x/y", "/proc/none/ledger.sqlite", "postgresql://127.0.0.1:1/none"]
)
def test_places_that_cannot_be_are_refused_in_words(where: str) -> None:
    with pytest.raises(LedgerError, match="cannot be used"):
        Ledger(where)


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(b"not a database at all" * 100)
    with pytest.raises(LedgerError, match="not a database"):
        Ledger(path)


@pytest.mark.parametrize("name", ["batch #3.sqlite", "50%41.sqlite", "what?.sqlite", "a;b&c=d"])
def test_a_ledger_of_any_name_can_be_looked_at(tmp_path: Path, name: str) -> None:
    """SQLite's names of files for looking only are URIs: RFC 3986 gives such signs a meaning."""
    with Ledger(tmp_path / name) as ledger:
        ledger.append(record("a"), After.KEEP)
    with Ledger(tmp_path / name, read_only=True) as ledger:
        assert len(ledger.rows()) == 1
    assert [each.name for each in tmp_path.iterdir()] == [name]


KILLED = """import os, sqlite3, sys
ledger = sqlite3.connect(sys.argv[1], isolation_level=None)
ledger.execute("PRAGMA cache_size = 1")
ledger.execute("BEGIN IMMEDIATE")
ledger.execute("UPDATE ledger_rows SET result = 'FAIL'")
ledger.execute("CREATE TABLE junk (x)")
for i in range(200):
    ledger.execute("INSERT INTO junk VALUES (?)", ("y" * 500,))
os._exit(9)
"""


def test_a_ledger_cut_in_mid_write_can_be_looked_at(tmp_path: Path) -> None:
    """sqlite.org/lockingv3.html, "hot journals": who reads next has to put the file back first."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.append(record("a"), After.KEEP)
    subprocess.run([sys.executable, "-c", KILLED, path], check=False)
    assert (tmp_path / "ledger.sqlite-journal").stat().st_size
    with Ledger(path, read_only=True) as ledger:
        assert check_ledger(ledger.store).problems == ()
        assert [row.result for row in ledger.rows()] == ["PASS"]


def test_a_ledger_cut_in_mid_write_can_be_looked_at_where_it_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a disk that is mounted read-only: what SQLite has to undo first is undone in a copy."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.append(record("a"), After.KEEP)
    subprocess.run([sys.executable, "-c", KILLED, path], check=False)
    held = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    assert len(held) == 2
    monkeypatch.setattr("os.access", lambda *arguments: False)  # root may do all
    with Ledger(path, read_only=True) as ledger:
        assert check_ledger(ledger.store).problems == ()
        assert [row.result for row in ledger.rows()] == ["PASS"]
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == held


def test_a_value_in_another_kinds_spelling_is_drawn_anew(ledger: Ledger) -> None:
    """The board had an address from a list of texts; the job's list is of kind mac by now."""
    text = "00-00-5E-00-53-01"
    assert ledger.draw(board("a"), [Column(("ethaddr",), (Listed("text", (text,)),))])
    for kind, again in (("mac", "00:00:5e:00:53:01"), ("hex", "00005e005301")):
        column = Column(("ethaddr",), (Listed(kind, (again,)),))
        assert ledger.draw(board("a"), [column]) == {"ethaddr": again}


def test_a_board_that_came_again_and_passed_is_no_failed_board() -> None:
    """As after a cable that was pulled out: the rows stay both, the count is of boards."""
    rows = [
        record("a", "FAIL", kind="adapter"),
        record("b", "PASS"),
        record("", "FAIL"),
        record("a", "PASS"),
        record("", "FAIL"),
        record("c", "PASS"),
        record("c", "FAIL"),
    ]
    last = last_of_each(rows)
    assert [(each.key, each.result) for each in last] == [
        ("b", "PASS"),
        ("", "FAIL"),
        ("a", "PASS"),
        ("", "FAIL"),
        ("c", "FAIL"),
    ]
