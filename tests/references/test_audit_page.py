"""The page of an audit in a real browser (Debian's chromium, headless)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hwmocks.boards.heron import PARTITIONS, failed_card_flash, heron_factory, heron_open
from spiflash.archive.record import AgreementRecord
from spiflash.dump.audit import Audit, examine
from spiflash.dump.boot_script import Onto, Written
from spiflash.dump.finding import Verdict
from spiflash.dump.hints import Console, EnvironmentHints, Hints, Load, Version, Write
from spiflash.dump.layout import Layout, Region, Role
from spiflash.report.pages import audit_page
from tests.references.chromium import Chromium, keep_picture
from tests.report_samples import HOSTILE_TEXT

pytestmark = pytest.mark.needs("chromium", "bash")

CELLS = "document.querySelectorAll('#map .cell').length"
NAMES = "Array.from(document.querySelectorAll('#layout .name')).map(each => each.textContent)"
VISIBLE = "Array.from(document.querySelectorAll('#findings tbody tr')).map(row => !row.hidden)"


@pytest.fixture(scope="module")
def factory() -> Audit:
    return examine(heron_factory(), "factory.bin", sizes=(4 << 20,))


def show(browser: Chromium, folder: Path, html: str) -> Path:
    path = folder / "audit.html"
    path.write_text(html, "utf-8")
    browser.open(path)
    return path


def test_the_page_asks_for_nothing_and_draws_everything(
    browser: Chromium, tmp_path: Path, factory: Audit
) -> None:
    path = show(browser, tmp_path, audit_page(factory))
    assert browser.complaints() == []
    assert browser.requests() == [path.as_uri()]
    assert browser.value(CELLS) == len(factory.contents) // 4096
    assert browser.value(NAMES) == [each.name for each in PARTITIONS]
    assert browser.value("document.querySelector('h1').textContent") == "No damage found"
    assert browser.value("document.body.scrollWidth <= innerWidth")
    assert browser.value("document.querySelectorAll('#files tbody tr').length") == 2
    assert browser.value("document.querySelectorAll('#own tbody tr').length") == len(factory.own)
    text = str(browser.value("document.documentElement.outerHTML"))
    assert "heronldr.bin" in text
    assert "invented-passphrase" not in text
    keep_picture(browser, "audit", tmp_path)


def test_the_layout_is_to_scale(browser: Chromium, tmp_path: Path, factory: Audit) -> None:
    show(browser, tmp_path, audit_page(factory))
    heights = browser.value(
        "Array.from(document.querySelectorAll('#layout .whole')).map(r => r.getBBox().height)"
    )
    whole = browser.value("document.getElementById('layout').viewBox.baseVal.height")
    for height, partition in zip(heights, PARTITIONS, strict=True):
        assert height == pytest.approx(whole * partition.size / (8 << 20), abs=0.02)


def test_the_filter_works(browser: Chromium, tmp_path: Path, factory: Audit) -> None:
    show(browser, tmp_path, audit_page(factory))
    hidden = (Verdict.BLANK, Verdict.NOTED)
    assert browser.value(VISIBLE) == [each.verdict not in hidden for each in factory.findings]
    browser.value("document.getElementById('words').focus()")
    browser.write("SQUASHFS 4.0")
    wanted = [each.start for each in factory.findings if each.kind == "squashfs"]
    shown = browser.value(
        "Array.from(document.querySelectorAll('#findings tbody tr'))"
        ".filter(row => !row.hidden).map(row => Number(row.dataset.start))"
    )
    assert shown == wanted
    browser.click("#map .cell[data-start='262144']")
    assert browser.value("document.getElementById('words').value") == "040000h"
    assert browser.complaints() == []


def test_damage_and_the_reading_are_told(browser: Chromium, tmp_path: Path) -> None:
    contents = failed_card_flash(heron_factory(), heron_open(), 0x84000)
    agreement = AgreementRecord(4096, 2048, settled=(0,), unstable=(4096,))
    show(browser, tmp_path, audit_page(examine(contents, "d.bin"), agreement))
    assert browser.value("document.querySelector('h1').textContent") == "Damaged"
    assert browser.value("document.querySelectorAll('#map .mark-unstable').length") == 1
    assert browser.value("document.querySelectorAll('#map .mark-settled').length") == 1
    assert browser.complaints() == []


OFF_SCREEN = """Array.from(document.querySelectorAll("body *")).filter(each => {
    const box = each.getBoundingClientRect();
    return box.width && box.height && (box.left < -0.5 || box.right > innerWidth + 0.5);
}).map(each => each.outerHTML.slice(0, 80))"""

OVERLAPS = """Array.from(document.querySelectorAll("#layout g")).flatMap(row => {
    const texts = Array.from(row.querySelectorAll("text")).filter(each => each.textContent);
    const edge = document.getElementById("layout").viewBox.baseVal.width;
    const boxes = texts.map(each => each.getBBox());
    return texts.filter((each, at) => boxes[at].x + boxes[at].width >
        (at + 1 < boxes.length ? boxes[at + 1].x : edge)).map(each => each.textContent);
})"""

CUT_OFF = """Array.from(document.querySelectorAll("td, dd, p, li, h1, h2, h3, code")).filter(
    each => each.scrollWidth > each.clientWidth + 1 && each.clientWidth &&
        getComputedStyle(each).display != "inline").map(each => each.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_lies_off_screen_or_on_other_text(
    browser: Chromium, tmp_path: Path, width: int
) -> None:
    """A damaged dump with long names, regions and rows of every kind."""
    contents = bytearray(failed_card_flash(heron_factory(), heron_open(), 0x84000))
    contents[0x7F0000:0x7F0300] = bytes(range(1, 0xC1)) * 4
    parts = [Region(each.name, each.start, each.size, Role.SETTINGS) for each in PARTITIONS]
    parts[1] = Region("a-name-of-many-letters", 0x40000, 0x10000, Role.ENVIRONMENT, True)
    for layout in (None, Layout(len(contents), tuple(parts), source="a file")):
        audit = examine(bytes(contents), "board-17-" + "x" * 60, layout=layout, sizes=(4 << 20,))
        browser.resize(width, 900)
        show(browser, tmp_path, audit_page(audit))
        assert browser.value(OFF_SCREEN) == []
        assert browser.value(OVERLAPS) == []
        assert browser.value(CUT_OFF) == []
        assert browser.value("document.documentElement.scrollWidth <= innerWidth")
        # What the filter leaves out is not there on a narrow screen either.
        rows = "document.querySelectorAll('#findings tbody tr[hidden]')"
        assert browser.value(f"{rows}.length") > 0
        assert browser.value(f"Array.from({rows}).every(each => !each.offsetHeight)")


@pytest.mark.parametrize("size", [1, 4097, 1 << 20])
def test_dumps_of_odd_sizes_and_without_contents(
    browser: Chromium, tmp_path: Path, size: int
) -> None:
    show(browser, tmp_path, audit_page(examine(b"\xff" * size, "blank")))
    assert browser.value(CELLS) == -(-size // 4096)
    assert browser.complaints() == []


def test_hostile_text_runs_nothing(browser: Chromium, tmp_path: Path, factory: Audit) -> None:
    bad = HOSTILE_TEXT
    found = EnvironmentHints(0, bad, True, ((bad, bad),) * 3, (bad, bad), bad, ((bad, bad),))
    audit = replace(
        factory,
        name=bad,
        findings=tuple(replace(each, title=bad, kind=bad, checks=(bad,), details=((bad, bad),))
                       for each in factory.findings),
        layout=replace(factory.layout, source=bad),
        remarks=(bad,),
        regions=tuple(replace(each, contents=(bad,), remarks=(bad,)) for each in factory.regions),
        hints=Hints(
            (Version(0, bad),), (found,), (Load(bad, bad, bad, 0),),
            (Write(bad, 0, Written(Onto.PARTITION, bad, 0, None, bad, bad)),),
            (Console(bad, 1, bad),),
        ),
        own=tuple(replace(each, name=bad, text=bad, region=bad, confidence=bad)
                  for each in factory.own),
    )  # fmt: skip
    path = show(browser, tmp_path, audit_page(audit))
    assert browser.value("typeof window.hacked") == "undefined"
    assert browser.value("document.images.length") == 0
    assert browser.value("document.scripts.length") == 1
    assert browser.value(CELLS) == 2048
    assert browser.requests() == [path.as_uri()]
    assert browser.complaints() == []
    assert browser.value("document.body.scrollWidth <= innerWidth")
