"""One identity, one board: kinds and spellings, what boards keep, what is noted and deleted."""

from __future__ import annotations

import os
import sqlite3
import stat
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st
from test_ledger import board, listed, record

from spiflash.archive.ledger import After, Ledger
from spiflash.archive.ledger.claims import Held
from spiflash.archive.ledger.rows import SCRAPPED, BoardRecord, check_ledger
from spiflash.archive.ledger.store import IDENTITIES, ROWS
from spiflash.archive.ledger.values import (
    Column,
    Counted,
    Identity,
    Kept,
    KeptRange,
    Listed,
)
from spiflash.cli.main import run
from spiflash.errors import IdentityTakenError, LedgerError

BEFORE = Path(__file__).parent / "data" / "ledger-2026-11.sql"
"""A ledger as the version of November 2026 left it, dumped by sqlite3: a good board, one that
failed after it was written to and gave its values back, one in hand, one that never answered."""


def macs(first: int, last: int) -> Column:
    return Column(("ethaddr",), (Counted("mac", 0x5E005300 + first, 0x5E005300 + last),))


def serials(name: str, *texts: str) -> Column:
    return Column((name,), (Listed("text", texts),))


def finish(ledger: Ledger, key: str, values: dict[str, str]) -> None:
    ledger.writing(key)
    ledger.append(record(key, values=values, touched=True), After.KEEP)


@pytest.mark.parametrize(
    "text",
    ["00:00:5e:00:53:81", "00-00-5E-00-53-81", "00:00:5E:00:53:81", "0000.5e00.5381",
     "00005e005381", " 00:00:5e:00:53:81"],
)  # fmt: skip
def test_an_address_is_one_however_it_is_spelled(ledger: Ledger, text: str) -> None:
    drawn = dict(ledger.draw(board("a"), [macs(0x81, 0x81)]))
    assert drawn == {"ethaddr": "00:00:5e:00:53:81"}
    for kind in ("text", "mac"):
        other = [Column(("wifi",), (Listed(kind, (text, "00:00:5e:00:53:90")),))]
        assert ledger.free(other) == 1
        assert ledger.draw(board(f"b{kind}"), other) == {"wifi": "00:00:5e:00:53:90"}
        ledger.append(record(f"b{kind}", "FAIL"), After.FORGET)


def test_two_jobs_that_call_it_differently_do_not_give_one_serial_twice(ledger: Ledger) -> None:
    assert ledger.draw(board("a"), [serials("serial", "HG-2026-0001")])
    other = [serials("sticker", "hg-2026-0001", "HG-2026-0002")]
    assert ledger.draw(board("b"), other) == {"sticker": "HG-2026-0002"}


def test_a_redo_under_other_names_that_is_cut_frees_nothing(ledger: Ledger) -> None:
    first = dict(ledger.draw(board("a"), [macs(0x80, 0x8F)]))
    finish(ledger, "a", first)
    renamed = [Column(("wifi",), (Counted("mac", 0x5E005380, 0x5E00538F),))]
    second = ledger.draw(board("a"), renamed)
    ledger.writing("a")
    assert ledger.draw(board("b"), [macs(0x80, 0x8F)])["ethaddr"] not in (
        *first.values(), *second.values(),
    )  # fmt: skip
    # The whole chip was seen without the first: only now it is free.
    (gone,) = (Identity.of("mac", text) for text in first.values())
    assert ledger.free([macs(0x80, 0x8F)]) == 16 - len({*first.values(), *second.values()}) - 1
    ledger.append(record("a", values=dict(second), touched=True), After.KEEP, [gone])
    assert ledger.may_carry("a") == tuple(Identity.of("mac", text) for text in second.values())


def test_a_corrected_list_applies_to_boards_in_hand(ledger: Ledger) -> None:
    wrong = ledger.draw(board("a"), [serials("serial", "HG-2062-1", "HG-2062-2")])
    right = [serials("serial", "HG-2026-1", "HG-2026-2")]
    assert ledger.draw(board("a"), right) == {"serial": "HG-2026-1"}
    assert ledger.free([serials("serial", *wrong.values())]) == 1
    # Once it may stand on the board, the wrong one stays with it until the chip is seen without.
    ledger.writing("a")
    assert ledger.draw(board("a"), [serials("serial", "HG-2026-2")]) == {"serial": "HG-2026-2"}
    assert {each.text for each in ledger.may_carry("a")} == {"hg-2026-1"}
    assert ledger.free([serials("serial", "HG-2026-1")]) == 0


def test_overlapping_ranges_lose_no_number(ledger: Ledger) -> None:
    job = [macs(0x80, 0x83), Column(("serial",), (Counted("text", 1, 4, 4, "HG-"),))]
    ledger.draw(board("other"), [macs(0x81, 0x82)])
    drawn = [ledger.draw(board(key), job) for key in "abc"]
    assert [each["serial"] for each in drawn] == ["HG-0001", "HG-0002", "HG-0003"]
    assert [each["ethaddr"][-2:] for each in drawn] == ["80", "82", "83"]


def kept(text: str = "", sha: str = "11", pages: int = 1, *, shared: bool = False) -> Kept:
    found = frozenset({Identity.of("text", text)} if text else ())
    return Kept((KeptRange("50000+10000", sha * 32, f"{pages:x}", shared),), found)


def test_what_a_board_keeps_is_given_to_no_other(ledger: Ledger) -> None:
    assert ledger.draw(board("a"), [macs(0x80, 0x90)], kept("00:00:5E:00:53:81"))
    drawn = [ledger.draw(board(key), [macs(0x80, 0x90)]) for key in "bc"]
    assert [each["ethaddr"][-2:] for each in drawn] == ["82", "83"]
    # And the other way round: what was given, a board may not keep.
    with pytest.raises(IdentityTakenError, match="keeps 00:00:5e:00:53:82, and b already has"):
        ledger.draw(board("d"), [macs(0x80, 0x90)], kept("00-00-5e-00-53-82", "22"))
    with pytest.raises(IdentityTakenError, match="keeps 00:00:5e:00:53:81, and a already has"):
        ledger.draw(board("d"), [macs(0x80, 0x90)], kept("00-00-5e-00-53-81", "22"))
    assert ledger.in_hand("d") is None


def test_kept_ranges_that_are_alike_or_lack_data_are_refused(ledger: Ledger) -> None:
    for key, sha in (("a", "11"), ("b", "22")):
        ledger.draw(board(key), [], kept(sha=sha, pages=0b101))
    ledger.draw(board("a"), [], kept(sha="11", pages=0b101))  # the same board again
    with pytest.raises(IdentityTakenError, match="byte for byte what b keeps"):
        ledger.draw(board("c"), [], kept(sha="22", pages=0b101))
    with pytest.raises(IdentityTakenError, match="blank at 050200h, where every board"):
        ledger.draw(board("c"), [], kept(sha="33", pages=0b001))
    ledger.draw(board("c"), [], kept(sha="22", pages=0, shared=True))


def test_an_old_ledger_is_taken_over_and_an_old_bench_gives_nothing_more(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript(BEFORE.read_text())
    connection.close()
    with Ledger(path, read_only=True) as looked:
        assert [row.number for row in looked.rows()] == [1, 2, 3]
        assert check_ledger(looked.store).problems == ()
    with Ledger(path) as ledger:
        assert check_ledger(ledger.store).problems == ()
        assert {each.key: each.written for each in ledger.all_in_hand()} == {"b": True, "c": True}
        # Also what b gave back: it may stand on it.
        assert ledger.free(listed(4)) == 1
        assert ledger.draw(board("new"), listed(4))["serial"] == "HG-2026-0003"
    # As the program of that time does it.
    with sqlite3.connect(path) as old, pytest.raises(sqlite3.OperationalError, match="view"):
        old.execute("insert into values_given values ('mac', '00:00:5e:00:53:03', 'z')")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("delete from identities where text like '%:80'", "80 is no longer noted as given"),
        ("delete from identities where text like '%:81'", "of the unfinished board b is"),
        ("update identities set key = 'z' where text like '%:80'", "noted as given to z"),
        ("drop table identities", "the table identities is missing"),
        ("drop table ledger_about", "the table ledger_about is missing"),
        ("drop table claims", "the table claims is missing"),
        # Together, those of this version: what is left looks much like an older ledger.
        ("drop table identities; drop table kept_ranges; drop table claims; "
         "drop table ledger_about", "the table kept_ranges is missing"),
        ("drop table identities; drop table kept_ranges; drop table claims; "
         "drop table ledger_about; drop table ledger_rows; drop table boards_in_hand",
         "the table ledger_rows is missing"),
        ("drop table ledger_rows", "the table ledger_rows is missing"),
        ("drop table boards_in_hand", "the table boards_in_hand is missing"),
        ("delete from boards_in_hand", "given to b, and nothing else is known"),
        ("update boards_in_hand set \"values\" = '{'", "the values of the unfinished board b"),
        ("update ledger_rows set body = '{' where number = 1", "row 1 was changed"),
        # What nothing in the rows contradicts.
        ("update identities set state = 'reserved' where text like '%:80'", "were changed"),
        ("update identities set state = 'weak' where text like '%:80'", "were changed"),
        ("insert into identities values ('mac', '00:00:5e:00:53:99', 'a', 'written')", "changed"),
        ("insert into identities values ('mac', '00:00:5e:00:53:99', 'q', 'kept')", "changed"),
        ("insert into kept_ranges values ('q', '8000+1000', 'x', '1')", "were changed"),
        ("update boards_in_hand set backup = '/x'", "were changed"),
        ("update boards_in_hand set \"values\" = '{}'", "were changed"),
        ("update boards_in_hand set \"values\" = '[]'", "the values of the unfinished board b"),
    ],
)  # fmt: skip
def test_what_other_hands_do_to_values_is_found(ledger: Ledger, change: str, words: str) -> None:
    for key in "ab":
        values = dict(ledger.draw(board(key), [macs(0x80, 0x90)]))
        if key == "a":
            finish(ledger, key, values)
    assert check_ledger(ledger.store).problems == ()
    connection = sqlite3.connect(ledger.store.name)
    connection.executescript(change)
    connection.commit()
    with Ledger(ledger.store.name) as again:
        found = check_ledger(again.store)
        assert any(words in each for each in found.problems), found.problems
        if change.startswith("drop"):
            with pytest.raises(LedgerError, match="are missing: "):
                again.draw(board("c"), [macs(0x80, 0x90)])
            return
        if "\"values\" = '{'" in change or "'[]'" in change:
            with pytest.raises(LedgerError, match="unfinished board b cannot be read"):
                again.draw(board("c"), [macs(0x80, 0x90)])
            return
        # Drawing compares with the rows: what a has is given to nobody.
        assert again.draw(board("c"), [macs(0x82, 0x90)] if "81" in change else
                          [macs(0x80, 0x90)])["ethaddr"][-2:] != "80"  # fmt: skip
        # And what was altered is not forgotten.
        assert any(words in each for each in check_ledger(again.store).problems)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("delete from identities where state = 'kept'", "row 1: 00:00:5e:00:53:81, which a keeps"),
        ("update identities set key = 'b' where state = 'kept'", "which a keeps, is not noted"),
        ("update kept_ranges set pages = '0'", "values, kept ranges or unfinished boards were"),
        ("delete from kept_ranges", "row 1: what a keeps at 50000+10000 is no longer noted"),
        ("update kept_ranges set sha256 = 'x'", "no longer noted, or was altered"),
        ("delete from kept_ranges where key = 'b'", "row 2: what b keeps at 50000+10000 is no"),
        ("update kept_ranges set sha256 = 'x' where key = 'b'", "row 2: what b keeps at 50000"),
        ("update boards_in_hand set written = 0", "row 2: the board b was written to, but"),
        (
            "update boards_in_hand set backup = '/x'",
            "row 2: the board b is unfinished, with another",
        ),
    ],
)
def test_what_other_hands_do_to_kept_things_and_boards_in_hand_is_found(
    ledger: Ledger, change: str, words: str
) -> None:
    keeps = kept("00:00:5E:00:53:81")
    values = dict(ledger.draw(board("a"), [macs(0x80, 0x90)], keeps))
    ledger.writing("a")
    ledger.append(record("a", values=values, touched=True, kept=keeps.noted), After.KEEP)
    theirs = kept(sha="22")
    values = dict(ledger.draw(board("b"), [macs(0x80, 0x90)], theirs))
    ledger.writing("b")
    row = record("b", "FAIL", values=values, touched=True, backup="/shelf/b", attempt="1",
                 kept=theirs.noted)  # fmt: skip
    ledger.append(replace(row, before_sha256="00" * 32), After.FORGET)
    assert check_ledger(ledger.store).problems == ()
    with sqlite3.connect(ledger.store.name) as connection:
        connection.execute(change)
    with Ledger(ledger.store.name) as again:
        found = check_ledger(again.store).problems
        assert any(words in each for each in found), found
        # The rows say what a keeps: it is given to nobody all the same.
        assert again.free([macs(0x80, 0x83)]) == 1
        with pytest.raises(IdentityTakenError, match="keeps 00:00:5e:00:53:81"):
            again.draw(board("c"), [], kept("00:00:5e:00:53:81", "33"))


def test_what_nobody_could_have_written_is_an_error_in_words(ledger: Ledger) -> None:
    ledger.draw(board("a"), [macs(0x80, 0x90)], kept(sha="22"))
    with sqlite3.connect(ledger.store.name) as connection:
        connection.execute("update kept_ranges set pages = 'zz'")
        connection.execute("insert into claims values ('b', 't', '[1]', 9e99)")
        connection.execute("insert into claims values ('c', 't', '{}', 'x')")
    for key in "bc":
        assert not isinstance(ledger.claim(key, "here"), Held)
    with pytest.raises(LedgerError, match=r"What a keeps at .* cannot be read"):
        ledger.draw(board("b"), [macs(0x80, 0x90)], kept(sha="33"))


def test_what_a_board_keeps_stays_noted_until_the_chip_is_seen_without_it(ledger: Ledger) -> None:
    """It is done again under a job that keeps nothing, and fails before it is written to."""
    keeps = kept("00:00:5E:00:53:81")
    ledger.draw(board("a"), [], keeps)
    ledger.append(record("a", kept=keeps.noted), After.KEEP)
    ledger.draw(board("a"), [], Kept())
    ledger.append(record("a", "FAIL"), After.FORGET)
    assert ledger.draw(board("b"), [macs(0x81, 0x82)])["ethaddr"][-2:] == "82"
    assert check_ledger(ledger.store).problems == ()
    ledger.draw(board("a"), [], Kept())
    gone = ledger.may_carry("a")
    assert gone == (Identity.of("mac", "00:00:5e:00:53:81"),)
    ledger.append(record("a", touched=True), After.KEEP, gone)
    assert ledger.draw(board("c"), [macs(0x81, 0x82)])["ethaddr"][-2:] == "81"
    assert check_ledger(ledger.store).problems == ()


def test_a_guess_does_not_hide_what_another_board_keeps_for_sure(ledger: Ledger) -> None:
    guess = Kept((), frozenset(), frozenset({Identity.of("text", "HX-7")}))
    ledger.draw(board("a"), [], guess)
    ledger.draw(board("b"), [], Kept((), guess.weak))
    with pytest.raises(IdentityTakenError, match="keeps hx-7, and b already has"):
        ledger.draw(board("c"), [], Kept((), guess.weak))


def test_one_unreadable_row_hides_no_other(ledger: Ledger) -> None:
    for key in "abc":
        ledger.append(record(key), After.KEEP)
    change = sa.update(ROWS).where(ROWS.c.number == 2)
    ledger.store.changing(lambda connection: connection.execute(change.values(body="no JSON")))
    change = sa.update(ROWS).where(ROWS.c.number == 3).values(result="FAIL")
    ledger.store.changing(lambda connection: connection.execute(change))
    found = check_ledger(ledger.store)
    assert found.rows == 1
    assert [each[:6] for each in found.problems] == ["row 2 ", "row 3 "]
    assert [each.key for each in ledger.finished_like("ef4017", "a")] == []


def test_an_old_ledger_is_listed_without_a_word_about_its_tables(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "old.sqlite"
    with sqlite3.connect(path) as connection:
        connection.executescript(BEFORE.read_text())
    assert run(["ledger", "--ledger", str(path)]) == 0
    said = capsys.readouterr()
    assert (said.err, "Heron a" in said.out) == ("", True)


def test_a_read_only_ledger_can_be_listed_and_checked(tmp_path: Path) -> None:
    path = tmp_path / "copy" / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.append(record("a"), After.KEEP)
    path.chmod(stat.S_IRUSR)
    before = path.read_bytes()
    with Ledger(path, read_only=True) as looked:
        assert (check_ledger(looked.store).rows, len(looked.rows())) == (1, 1)
        with pytest.raises(LedgerError, match=r"readonly|read-only"):
            looked.append(record("b"), After.KEEP)
    assert path.read_bytes() == before


def test_an_empty_file_is_an_error_and_gives_no_value(tmp_path: Path) -> None:
    """As a full disk or a copy that was interrupted leaves it: all values would be free again."""
    path = tmp_path / "ledger.sqlite"
    path.touch()
    # The other one as a computer leaves it whose clock was set back since.
    for read_only, made in ((True, 0), (False, 0), (True, 4e9)):
        os.utime(path, (made, made))
        with pytest.raises(LedgerError, match=r"is empty \(0 bytes\)") as caught:
            Ledger(path, read_only=read_only)
        assert "Put back a copy" in caught.value.remedy
        assert path.stat().st_size == 0


@pytest.mark.parametrize("moved", [True, False])
def test_a_ledger_that_is_taken_away_in_mid_work_gives_nothing_more(
    ledger: Ledger, moved: bool
) -> None:
    path = Path(ledger.store.name)
    ledger.draw(board("a"), [macs(0x80, 0x90)])
    path.rename(path.with_name("moved")) if moved else path.unlink()
    with pytest.raises(LedgerError, match="was moved, replaced or deleted while it was in use"):
        ledger.draw(board("b"), [macs(0x80, 0x90)])


@given(
    st.sampled_from(["HG-", " hg", "00:00:5e:00:53:", "0000.5E00.53", "00005E0053", "a.b", ""]),
    st.sampled_from(["", "X", " ", ":01", "1"]),
    st.integers(1, 4),
    st.data(),
)
@settings(deadline=None, max_examples=60)
def test_a_range_has_each_of_its_members_and_nothing_else(
    before: str, after: str, digits: int, data: st.DataObject
) -> None:
    low, high = sorted(data.draw(st.tuples(*[st.integers(0, 10**digits - 1)] * 2)))
    found = Counted("text", low, high, digits, before, after)
    members = {Identity.of("text", f"{before}{i:0{digits}d}{after}") for i in range(low, high + 1)}
    assert all(found.has(each) for each in members)
    for i in (low - 1, high + 1):
        if 0 <= i < 10**digits:
            other = Identity.of("text", f"{before}{i:0{digits}d}{after}")
            assert found.has(other) == (other in members)


def test_a_ledger_of_another_user_is_an_error_in_words() -> None:
    """Neither the file nor its folder may be read. (Below pytest's folders nobody else may be.)"""
    root = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        path = Path(folder) / "theirs" / "ledger.sqlite"
        Ledger(path).store.close()
        for modes in ((0o755, 0), (0, 0)):
            path.chmod(modes[1])
            path.parent.chmod(modes[0])
            try:
                if root:  # root may read everything
                    os.seteuid(65534)
                with pytest.raises(LedgerError, match="You may not read the ledger"):
                    Ledger(path, read_only=True)
            finally:
                if root:
                    os.seteuid(0)
                path.parent.chmod(0o755)


def test_a_database_without_a_ledger_is_called_that(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("create table birds (name)")
    with pytest.raises(LedgerError, match="There is no ledger"):
        Ledger(path, read_only=True)


def test_the_values_of_a_scrapped_board_are_given_to_the_next(ledger: Ledger) -> None:
    """One that passed, and one that was half written; what they came with stays theirs."""
    keeps = kept("00:00:5E:00:53:82", "22")
    first = dict(ledger.draw(board("a"), [macs(0x80, 0x90)]))
    finish(ledger, "a", first)
    second = dict(ledger.draw(board("b"), [macs(0x80, 0x90)], keeps))
    ledger.writing("b")
    row = record("b", "FAIL", values=second, touched=True, kept=keeps.noted)
    ledger.append(row, After.FORGET)
    for key, values in (("a", first), ("b", second)):
        gone = record(key, "FAIL", kind=SCRAPPED, values=values)
        assert ledger.append(gone, After.SCRAP).record().scrapped
    assert check_ledger(ledger.store).problems == ()
    assert ledger.all_in_hand() == ()
    assert ledger.finished_like("ef4017", "a") == ()
    for again in (ledger, Ledger(ledger.store.name)):  # the rows read anew say the same
        assert again.free([macs(0x80, 0x83)]) == 3
    assert ledger.draw(board("c"), [macs(0x80, 0x90)]) == first
    assert ledger.draw(board("d"), [macs(0x80, 0x90)]) == second
    assert check_ledger(ledger.store).problems == ()
    # The scrapped board turns up all the same: it gets new values, and no row is called altered.
    assert ledger.draw(board("a"), [macs(0x80, 0x90)])["ethaddr"][-2:] == "83"
    ledger.append(record("a", "FAIL", touched=False), After.FORGET)
    assert check_ledger(ledger.store).problems == ()


def test_a_row_is_written_once_even_when_it_is_written_twice(ledger: Ledger) -> None:
    """As after a server that died between writing it and saying so."""
    row = record("a", attempt="0123456789abcdef")
    assert ledger.append(row, After.KEEP) == ledger.append(row, After.KEEP)
    assert len(ledger.rows()) == 1
    assert BoardRecord.from_json(row.to_json(), "row") == row


def test_the_tables_themselves_refuse_a_second_owner(ledger: Ledger) -> None:
    row = {"kind": "mac", "text": "00:00:5e:00:53:80", "state": "written"}
    insert = sa.insert(IDENTITIES)
    ledger.store.changing(lambda connection: connection.execute(insert.values(row | {"key": "a"})))
    with pytest.raises(LedgerError, match="UNIQUE"):
        ledger.store.changing(lambda c: c.execute(insert.values(row | {"key": "b"})))
