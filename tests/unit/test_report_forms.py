"""Page, text and JSON of a backup: they say what the record says, and nothing of the dump acts."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hwmocks.boards.heron import PARTITIONS, heron_factory
from spiflash.archive.record import AgreementRecord, Record
from spiflash.dump.audit import examine
from spiflash.dump.coverage import coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.backup import backup_details, backup_json, backup_text
from spiflash.report.pages import backup_page
from spiflash.report.record_facts import headline
from spiflash.text import clean
from tests.archive_samples import chip_of, contents_of, record_of
from tests.report_samples import CONTENTS, COVERAGE, FINDINGS, HOSTILE_TEXT, RECORD, hostile


class Page(HTMLParser):
    """What a page consists of, by Python's own parser."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: dict[str, list[str]] = {}
        self._stack: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "input", "link", "img", "br"):
            self._stack.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self._stack and self._stack.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self._stack:
            self.texts.setdefault(self._stack[-1], []).append(data)


@pytest.fixture(scope="module")
def page() -> Page:
    return Page(backup_page(RECORD, CONTENTS, FINDINGS, COVERAGE))


def test_the_map_has_a_cell_a_sector(page: Page) -> None:
    cells = [attrs for tag, attrs in page.tags if "cell" in (attrs.get("class") or "").split()]
    assert len(cells) == RECORD.agreement.sectors == 79
    assert [int(cell["data-start"] or "") for cell in cells] == list(range(0, 79 * 4096, 4096))
    assert len({(cell["x"], cell["y"]) for cell in cells}) == 79
    drawn = [str(cell["class"]).split("holds-")[1] for cell in cells]
    assert drawn[:9] == ["vouched", "unproven", "damaged", "unproven", "consistent", "consistent",
                         "blank", "blank", "unproven"]  # fmt: skip
    assert drawn[40:43] == ["vouched"] * 3


def test_unstable_and_settled_sectors_are_marked(page: Page) -> None:
    marks = [attrs.get("class") for tag, attrs in page.tags]
    # One more of each is in the key.
    assert marks.count("mark-unstable") == 2 + 1
    assert marks.count("mark-settled") == 1 + 1


def test_tips_say_what_is_there(page: Page) -> None:
    tips = [text for text in page.texts["title"] if "h–" in text]
    assert len(tips) == 79
    blank = CONTENTS[5000:8192].count(0xFF)  # beyond the image, nothing claims them
    assert tips[1] == (
        f"001000h–001FFFh: not recognised {3192 - blank:,} bytes, checksum OK 904 bytes, "
        f"blank {blank} bytes; settled; legacy image “Heron”"
    )
    assert tips[78].startswith("04E000h–04E063h: ")


def test_the_page_needs_nothing_from_elsewhere(page: Page) -> None:
    for tag, attrs in page.tags:
        assert tag not in ("link", "img", "iframe", "object", "embed", "base", "audio", "video")
        for name, value in attrs.items():
            assert not name.startswith("on")
            assert name not in ("src", "href", "action", "style", "srcset", "xlink:href")
            assert "http:" not in (value or "")
            assert "https:" not in (value or "")


def test_the_policy_allows_only_its_own_style_and_script() -> None:
    """Content Security Policy Level 3, section 2.3.1 (hash-source) and 6.7.3."""
    html = backup_page(RECORD, CONTENTS, FINDINGS, COVERAGE)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html)
    assert policy
    directives = dict(each.strip().split(" ", 1) for each in policy[1].split(";"))
    assert directives["default-src"] == "'none'"
    for name, tag in (("style-src", "style"), ("script-src", "script")):
        (text,) = re.findall(rf"<{tag}>(.*?)</{tag}>", html, flags=re.DOTALL)
        assert len(text) > 500
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert directives[name] == f"'sha256-{digest}'"


def test_every_fact_is_on_the_page_and_in_the_text(page: Page) -> None:
    on_page = " ".join(text for tag in page.texts for text in page.texts[tag])
    short = backup_text(RECORD, examine(CONTENTS, "flash.bin"), Path("set"))
    in_text = re.sub(r"\s+", " ", short + backup_details(RECORD, CONTENTS, FINDINGS, COVERAGE))
    for fact in (
        "Heron gauge 07", "W25Q64JV, W25Q64FV", "EF 40 17", "D2 64 7C 8F 1B 2A 3C 45",
        "SR1 00h, SR2 02h, SR3 60h", "2.7–3.6 V", RECORD.sha256, "15 MHz", "60 KiB", "0Bh",
        "2: 002000h 00A000h", "1: 001000h", "76 of 79 sectors", "Two sectors stay unstable.",
        "nothing odd", "boot loader banner", "sha256sum -c manifest-sha256.txt",
        "unplug the board and its mains adaptor", COVERAGE.headline,
    ):  # fmt: skip
        assert fact in on_page
        assert fact in in_text


@pytest.mark.parametrize(
    ("changes", "verdict", "tone", "title", "words"),
    [
        ({}, Verdict.VERIFIED, "good", "Verified", "read the same 16 KiB."),
        (
            {"agreement": AgreementRecord(4096, 4, settled=(0,))},
            Verdict.VERIFIED,
            "good",
            "Verified",
            "1 sector of it after reading again",
        ),
        ({}, Verdict.DAMAGED, "mixed", "contents damaged", "10 bytes fail their checksum"),
        (
            {"verified": False, "doubts": ("x",)},
            Verdict.DAMAGED,
            "bad",
            "Not verified",
            "with doubts",
        ),
        (
            {"verified": False, "agreement": AgreementRecord(4096, 4, unstable=(0, 4096))},
            Verdict.VERIFIED,
            "bad",
            "Not verified",
            "disagree on 2 sectors",
        ),
    ],
)
def test_the_headline(
    changes: dict[str, object], verdict: Verdict, tone: str, title: str, words: str
) -> None:
    contents = contents_of()
    record = record_of(contents, **changes)
    told = headline(record, coverage(contents, [Finding(0, 10, "x", "x", verdict)]))
    assert told.tone == tone
    assert title in told.title
    assert words in told.sentence


def test_a_hostile_dump_stays_text() -> None:
    html = backup_page(*hostile())
    page = Page(html)
    tags = [tag for tag, _ in page.tags]
    assert tags.count("script") == 1
    assert "img" not in tags
    assert "window.hacked" not in "".join(page.texts["script"])
    assert "&lt;script&gt;window.hacked" in html
    assert "{{7*7}}" in html
    assert "A" * 400 not in html
    assert not set(html) & set("\x1b\x07\x00\u202e\u2028")
    assert len(html) < 150_000


def test_a_hostile_dump_does_not_act_on_the_terminal() -> None:
    record, contents, findings, told = hostile()
    audit = replace(examine(contents, "flash.bin"), findings=findings)
    folder = Path(f"shelf/{HOSTILE_TEXT[:80]}")
    for text in (
        backup_details(*hostile()),
        backup_text(record, audit, folder),
    ):
        assert all(character.isprintable() or character == "\n" for character in text)
        assert "A" * 400 not in text.replace("\n", "")
    document = backup_json(record, findings, told)
    assert all(" " <= character <= "~" or character == "\n" for character in document)
    assert json.loads(document)["findings"][0]["title"] == HOSTILE_TEXT


@given(st.text())
def test_cleaned_text_can_be_shown(text: str) -> None:
    shown = clean(text, 20)
    assert shown.isprintable()
    assert len(shown) <= 21
    assert len(shown) == min(len(text), 20) + (len(text) > 20)


def test_json_is_one_document_with_everything(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("set")
    document = json.loads(backup_json(RECORD, FINDINGS, COVERAGE, folder))
    assert document["set"] == str(folder)
    assert Record.from_json(json.dumps(document["record"])) == RECORD
    kinds = ("vouched", "damaged", "consistent", "blank", "unproven")
    assert sum(document["coverage"][kind] for kind in kinds) == len(CONTENTS)
    assert document["coverage"]["total"] == len(CONTENTS)
    assert document["coverage"]["damaged"] == 4096
    assert document["coverage"]["headline"] == COVERAGE.headline
    assert [each["start"] for each in document["findings"]] == [f.start for f in FINDINGS]
    assert document["findings"][1] == {
        "start": 8192,
        "length": 4096,
        "kind": "environment",
        "title": "settings",
        "verdict": "damaged",
        "checks": ["CRC-32 differs"],
        "details": [["bootcmd", "sf probe 0"], ["bootdelay", "3"]],
        "uncovered": [],
        "damage": [],
        "parent": None,
        "proof": None,
    }
    assert json.loads(backup_json(RECORD, (), COVERAGE))["set"] is None


def test_json_tells_what_is_uncovered_damaged_and_around() -> None:
    inner = Finding(10, 90, "x", "x", Verdict.DAMAGED, uncovered=((12, 14),), damage=((20, 30),),
                    parent=0)  # fmt: skip
    outer = Finding(0, 200, "x", "x", Verdict.CONSISTENT)
    first, second = json.loads(backup_json(RECORD, (outer, inner), COVERAGE))["findings"]
    assert (first["uncovered"], first["damage"], first["parent"]) == ([], [], None)
    assert (second["uncovered"], second["damage"], second["parent"]) == ([[12, 14]], [[20, 30]], 0)


def test_the_audit_is_on_the_page_and_in_short_in_the_text() -> None:
    contents = heron_factory()
    audit = examine(contents, "flash.bin")
    told = (record_of(contents), contents, audit.findings, audit.coverage)
    html = backup_page(*told, audit=audit)
    text = backup_text(told[0], audit, Path("set"), details=True)
    for region in PARTITIONS:
        assert f">{region.name}</text>" in html
        assert region.name in text
    assert "heronldr.bin" in html
    assert "heronldr.bin" in text
    assert "invented-passphrase" not in html + text
    assert 'id="layout"' not in backup_page(*told)


def test_a_bare_record_can_be_shown() -> None:
    contents = b"\xff" * 4096
    chip = chip_of(4096, candidates=(), registers={}, sfdp=None, unique_id=None, supply=None)
    record = replace(record_of(contents), chip=chip, board="", program={})
    told = coverage(contents, ())
    assert "Nothing was recognised" in backup_page(record, contents, (), told)
    text = backup_details(record, contents, (), told)
    assert "not named" in text
    assert "no unique ID" in backup_text(record, examine(contents, "blank"), Path("set"))
    assert re.search(r"Unique ID +none", text)
    assert "nothing was recognised" in text


def test_too_many_findings_are_counted_not_listed() -> None:
    many = tuple(Finding(i, 1, "x", f"item {i}", Verdict.CONSISTENT) for i in range(2500))
    html = backup_page(RECORD, CONTENTS, many, COVERAGE)
    assert html.count("<tr data-verdict") == 2000
    assert "The first 2,000 of 2,500 are listed." in html
    assert "and 2,400 more" in backup_details(RECORD, CONTENTS, many, COVERAGE)
