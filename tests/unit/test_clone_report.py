"""What cloning and the ledger show: signs, lines, CSV, the page of a batch."""

from __future__ import annotations

import base64
import csv
import hashlib
import html.parser
import io
import re

import pytest

from spiflash.report.clone import (
    batch_tone,
    chain_text,
    check_text,
    reason_line,
    result_text,
    sign,
    summary_text,
)
from spiflash.report.ledger import (
    batch_page,
    board_text,
    labels_page,
    matching,
    rows_csv,
    rows_json,
    rows_text,
)
from tests.clone_rig.rows import NASTY, entries, record


def test_the_sign_is_large_and_says_different_things() -> None:
    for word in ("PASS", "FAIL"):
        lines = sign(word).splitlines()
        assert len(lines) == 5
        assert 50 <= max(map(len, lines)) <= 80
    assert sign("PASS") != sign("FAIL")


def test_the_reason_is_one_line_without_what_a_terminal_acts_on() -> None:
    bad = record("a", "FAIL", kind="write", reason=f"Worn {NASTY}", touched=True)
    line = reason_line(bad)
    assert line.startswith(
        "Heron a: Do not use it, it was written to; 00:00:5e:00:53:01 stays with it. write: Worn"
    )
    assert "\n" not in line
    assert "\x1b" not in result_text("one", bad)
    assert reason_line(record("a")) == "Heron a: 2 passes agree, 31.5 s"


def test_a_long_reason_is_cut_where_the_line_ends_not_what_is_to_be_done() -> None:
    bad = record("a", "FAIL", kind="write", reason="Worn " * 60, touched=True)
    assert len(reason_line(bad, 40)) == 41
    unnamed = record("", "FAIL", kind="contact", reason="No answer.", label="", values={})
    assert reason_line(unnamed) == "a board that was not identified: contact: No answer."
    shown = result_text("a station" * 20, bad, 78).splitlines()
    assert max(map(len, shown)) <= 79
    assert "Do not use it" in shown[-1]


def test_check_and_summary_in_words() -> None:
    text = check_text("job.toml", [(7, "it does not fit")], [], 4, 2)
    assert text.splitlines() == [
        "JOB HAS ERRORS: 1 error.",
        "job.toml, line 7: it does not fit.",
        "Values (2 of 4 left)",
        "",
        "Next steps",
        "  Correct the job file, then check it again.",
    ]
    text = check_text("job.toml", [], [], 0, 0, (), [("serial", "HG-1"), ("keeps", "factory")])
    assert text.splitlines() == [
        "JOB OK.",
        "The first board",
        "  serial  HG-1",
        "  keeps   factory",
        "",
        "Next steps",
        "  Clip on the first board, and start:",
        "    spiflash clone job.toml",
    ]
    records = [record("a"), record("b", "FAIL", kind="read"), record("c", "FAIL", kind="read")]
    assert summary_text(records, 1) == "1 of 3 boards good: 2 failed (read 2), 1 not changed."
    assert batch_tone(records) == "mixed"
    assert (batch_tone(records[:1]), batch_tone(records[1:])) == ("good", "bad")


def test_rows_are_found_by_words_in_any_case() -> None:
    found = entries(
        record("aa"), record("bb", "FAIL", kind="read", reason="x"), record("aa", job="k")
    )
    assert [each.number for each in matching(found, ["heron AA"], None)] == [1, 3]
    assert [each.number for each in matching(found, ["aa"], "k")] == [3]
    assert [each.number for each in matching(found, ["FAIL"], None)] == [2]
    assert rows_text([]) == "No board matches."
    # In one column, or in the value of that name.
    assert [each.number for each in matching(found, ["unique_id=B"], None)] == [2]
    assert [each.number for each in matching(found, ["result=pass", "job=k"], None)] == [3]
    assert [each.number for each in matching(found, ["ethaddr=53:01"], None)] == [1, 2, 3]
    assert matching(found, ["ethaddr=W25"], None) == []
    odd = entries(record("aa", label='Größe 5" {x}', values={"wifi2": "=1+2", "s-nr": "Ä-1"}))
    for word in ('5" {X}', "GRÖSSE", "ä-1", "wifi2=1+", "s-nr=ä", "wifi2 =1"):
        assert len(matching(odd, [word], None)) == 1, word
    # What is searched is what a person reads, not how it is stored.
    for word in ("u00f6", "job_sha256", "wifi2=ä", '\\"'):
        assert matching(odd, [word], None) == [], word
    cells = next(csv.DictReader(io.StringIO(rows_csv(odd))))
    assert (cells["value:wifi2"], cells["value:s-nr"]) == ("'=1+2", "Ä-1")
    with pytest.raises(ValueError, match="“color” is not a column"):
        matching(found, ["color=red"], None)
    assert [line.split()[4] for line in rows_text(found).splitlines()[1:]] == ["AA", "BB", "AA"]
    assert "read: x" in rows_text(found)
    assert "Unique ID       AA" in board_text(found[:1])


def test_a_remark_is_told_wherever_a_board_is() -> None:
    found = entries(record("a", remark="begun at bench weir"))
    page = batch_page(found, "j")
    texts = (rows_text(found), board_text(found), rows_csv(found), reason_line(found[0].record))
    assert all("begun at bench weir" in text for text in texts)
    assert "Begun at bench weir." in page


def test_the_chain_is_explained() -> None:
    text = chain_text(3, "ab" * 32, "")
    assert "ab" * 32 in text
    assert text.startswith("Ledger OK: 3 rows.")
    assert "--check --expect" in text
    words = ("--ledger", "my batch.db")
    assert "ledger --ledger 'my batch.db' --check" in chain_text(3, "ab" * 32, "", words=words)
    assert chain_text(0, "", "") == "The ledger has no rows yet."
    assert "row 2 was changed" in chain_text(1, "", "row 2 was changed")


def test_csv_gives_back_what_went_in() -> None:
    """Read back by Python's own reader of RFC 4180."""
    found = entries(record("a", label=NASTY), record("b", values={"serial": "7"}))
    table = list(csv.DictReader(io.StringIO(rows_csv(found))))
    assert [row["label"] for row in table] == [NASTY, "Heron b"]
    assert [row["value:ethaddr"] for row in table] == ["00:00:5e:00:53:01", ""]
    assert [row["value:serial"] for row in table] == ["", "7"]
    assert [float(row["seconds:all"]) for row in table] == [31.5, 31.5]
    assert table[1]["digest"] == found[1].row.digest
    kept = entries(record("a", kept=("mac 00:00:5e:00:53:07", "text x")))
    assert next(csv.DictReader(io.StringIO(rows_csv(kept))))["kept"].startswith("mac 00:00:5e")
    assert "Keeps           mac 00:00:5e:00:53:07\n                text x\n" in board_text(kept)
    document = rows_json(found)["rows"]
    assert isinstance(document, list)
    assert document[0]["label"] == NASTY


class _Page(html.parser.HTMLParser):
    """Tags, texts and the policy of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.sources: list[str] = []
        self.policy = ""
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        given = dict(attrs)
        self.sources += [value or "" for name, value in attrs if name in ("src", "href", "style")]
        if given.get("http-equiv") == "Content-Security-Policy":
            self.policy = given["content"] or ""

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_is_self_contained_and_runs_nothing() -> None:
    found = entries(
        record("a"),
        record("b", label=NASTY),
        record("c", "FAIL", kind="write", reason=NASTY, touched=True),
        record("c"),
        record("", "FAIL", kind="contact", reason="no answer"),
    )
    text = batch_page(found, NASTY)
    page = _Page(text)
    assert "script" not in page.tags
    assert page.sources == []
    style = text[text.index("<style>") + 7 : text.index("</style>")]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in page.policy
    assert page.policy.startswith("default-src 'none'")
    # Four boards: a, b, c (good at the second try), and one that never got a name.
    assert "3 of 4 boards good" in page.text
    assert "75.0 % of them are good" in page.text
    assert "Written to." in page.text
    assert len(re.findall(r"<tr class=", text)) == 5
    assert found[-1].row.digest in page.text


def test_a_page_of_nothing_says_so() -> None:
    assert "No board yet" in batch_page([], "empty")
    assert "0 labels" in labels_page([], "empty")


def test_the_axes_say_what_they_show() -> None:
    page = batch_page(entries(*(record(f"{i}", seconds={"all": 30.0}) for i in range(3))), "j")
    assert '<p class="upright"><span>3</span><span>boards</span><span>0</span></p>' in page
    assert "<span>30.0 s</span><span>time for one board</span><span>30.0 s</span>" in page


def test_every_good_board_gets_a_label() -> None:
    """One that failed at last gets none; a job without label text has the values on it."""
    found = entries(
        record("a", label=NASTY),
        record("b", label=""),
        record("c"),
        record("c", "FAIL", kind="write"),
    )
    page = _Page(text := labels_page(found, "batch"))
    assert "script" not in page.tags
    assert page.policy.startswith("default-src 'none'")
    assert text.count('<div class="label">') == 2
    assert "<strong>ethaddr 00:00:5e:00:53:01</strong>" in text
    assert "ID B" in text
    assert "ID c" not in text
