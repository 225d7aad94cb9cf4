"""The page of a backup in a real browser (Debian's chromium, headless)."""

from __future__ import annotations

import struct
import threading
import zlib
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hwmocks.boards.heron import PARTITIONS, heron_factory
from spiflash.dump.audit import examine
from spiflash.dump.coverage import coverage
from spiflash.dump.finding import Finding, Verdict
from spiflash.report.drawing import Holds
from spiflash.report.pages import backup_page
from tests.archive_samples import contents_of, record_of
from tests.references.chromium import Chromium, keep_picture
from tests.report_samples import CONTENTS, COVERAGE, FINDINGS, RECORD, hostile

pytestmark = pytest.mark.needs("chromium", "bash")

CELLS = "document.querySelectorAll('#map .cell').length"
VISIBLE = "Array.from(document.querySelectorAll('#findings tbody tr')).map(row => !row.hidden)"
READOUT = "document.getElementById('readout').textContent"


@pytest.fixture
def page(browser: Chromium, tmp_path: Path) -> Path:
    path = tmp_path / "report.html"
    path.write_text(backup_page(RECORD, CONTENTS, FINDINGS, COVERAGE))
    browser.open(path)
    return path


def test_opens_from_the_disk_and_asks_for_nothing(browser: Chromium, page: Path) -> None:
    assert browser.value("document.readyState") == "complete"
    assert browser.requests() == [page.as_uri()]
    assert browser.complaints() == []
    assert browser.value("document.compatMode") == "CSS1Compat"
    assert browser.value("document.body.scrollWidth <= innerWidth")


def test_a_picture_of_the_page_is_kept(browser: Chromium, tmp_path: Path) -> None:
    contents = heron_factory()
    audit = examine(contents, "flash.bin")
    path = tmp_path / "report.html"
    page = backup_page(record_of(contents), contents, audit.findings, audit.coverage, audit=audit)
    path.write_text(page, "utf-8")
    browser.open(path)
    assert browser.complaints() == []
    assert browser.requests() == [path.as_uri()]
    assert browser.value(CELLS) == 2048
    names = "Array.from(document.querySelectorAll('#layout .name')).map(e => e.textContent)"
    assert browser.value(names) == [each.name for each in PARTITIONS]
    assert browser.value("document.body.scrollWidth <= innerWidth")
    keep_picture(browser, "backup", tmp_path)


def test_complaints_are_seen(browser: Chromium, tmp_path: Path) -> None:
    """What the checks above rely on: a wrong page does complain."""
    path = tmp_path / "wrong.html"
    path.write_text("<!doctype html><script>nothing.at.all()</script><img src='gone.png'>")
    browser.open(path)
    assert any("nothing is not defined" in each for each in browser.complaints())
    assert len(browser.requests()) == 2


@pytest.mark.parametrize(("size", "cells"), [(1, 1), (4096 * 79 + 100, 80), (8 << 20, 2048)])
def test_one_cell_a_sector(browser: Chromium, tmp_path: Path, size: int, cells: int) -> None:
    contents = (contents_of(64) * 33)[:size]
    path = tmp_path / "report.html"
    path.write_text(backup_page(record_of(contents), contents, (), coverage(contents, ())))
    browser.open(path)
    assert browser.value(CELLS) == cells
    assert browser.complaints() == []


def test_words_filter_the_findings(browser: Chromium, page: Path) -> None:
    wanted = [f.verdict is not Verdict.BLANK for f in FINDINGS]
    assert browser.value(VISIBLE) == wanted
    browser.value("document.getElementById('words').focus()")
    browser.write("SYSTEM file")
    assert browser.value(VISIBLE) == ["file system" in f.title for f in FINDINGS]
    assert browser.value("document.getElementById('shown').textContent") == "1 of 5 shown"
    assert browser.complaints() == []


def test_an_address_finds_what_touches_its_sector(browser: Chromium, page: Path) -> None:
    browser.value("document.getElementById('words').focus()")
    browser.write("0021f0h")
    assert browser.value(VISIBLE) == [f.start < 0x3000 and f.end > 0x2000 for f in FINDINGS]


@pytest.mark.parametrize("verdict", ["vouched", "blank"])
def test_boxes_filter_by_verdict(browser: Chromium, page: Path, verdict: str) -> None:
    before = browser.value(VISIBLE)
    browser.click(f"input[value={verdict}]")
    changed = [f.verdict.value == verdict for f in FINDINGS]
    assert browser.value(VISIBLE) == [b != c for b, c in zip(before, changed, strict=True)]


def test_the_map_can_be_walked_with_the_keyboard(browser: Chromium, page: Path) -> None:
    browser.value("document.getElementById('map').focus()")
    assert browser.value(READOUT).startswith("000000h–000FFFh: checksum OK 4,096 bytes")
    browser.key("ArrowRight", 39)
    browser.key("ArrowRight", 39)
    assert browser.value(READOUT).startswith(
        "002000h–002FFFh: fails its checksum 4,096 bytes; unstable"
    )
    browser.key("ArrowDown", 40)
    assert browser.value(READOUT).startswith("042000h–")
    browser.key("ArrowDown", 40)  # there is no third line
    assert browser.value(READOUT).startswith("042000h–")
    browser.key("ArrowUp", 38)
    browser.key("Enter", 13)
    assert browser.value("document.getElementById('words').value") == "002000h"
    assert browser.value(VISIBLE) == [f.kind == "environment" for f in FINDINGS]
    browser.key("End", 35)
    assert browser.complaints() == []


def test_pointing_and_clicking_do_the_same(browser: Chromium, page: Path) -> None:
    browser.click("#map .cell[data-start='8192']")
    assert browser.value("document.getElementById('words').value") == "002000h"


def test_everything_is_shown_without_scripts(browser: Chromium, page: Path) -> None:
    browser.send("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.open(page)
        # Evaluation still works: it comes from outside the page.
        assert browser.value("document.getElementById('filter').hidden") is True
        assert browser.value(VISIBLE) == [True] * len(FINDINGS)
        assert browser.value(CELLS) == RECORD.agreement.sectors
    finally:
        browser.send("Emulation.setScriptExecutionDisabled", value=False)


def test_a_hostile_dump_runs_nothing(browser: Chromium, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.write_text(backup_page(*hostile()))
    browser.open(path)
    assert browser.value("typeof window.hacked") == "undefined"
    assert browser.value("document.images.length") == 0
    assert browser.value("document.scripts.length") == 1
    assert browser.value(CELLS) == RECORD.agreement.sectors
    assert browser.requests() == [path.as_uri()]
    assert browser.complaints() == []
    assert browser.value("document.body.scrollWidth <= innerWidth")


@pytest.mark.parametrize("policy", [True, False])
def test_the_policy_stops_what_escaping_missed(
    browser: Chromium, tmp_path: Path, policy: bool
) -> None:
    """Were a string of the dump to become markup, it could neither run nor call home. Without
    the policy it could, which shows that this check can fail."""
    asked = []

    class Listener(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Listener)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        html = backup_page(RECORD, CONTENTS, FINDINGS, COVERAGE)
        missed = (
            f"<img src='http://127.0.0.1:{server.server_port}/home'>"
            "<script>window.hacked = 1</script></main>"
        )
        html = html.replace("</main>", missed)
        if not policy:
            html = html.replace("Content-Security-Policy", "x-nothing")
        path = tmp_path / "report.html"
        path.write_text(html)
        browser.open(path)
        assert browser.value("window.hacked === 1") is not policy
        assert asked == ([] if policy else ["/home"])
    finally:
        server.shutdown()
        server.server_close()


def test_dark_light_and_print_differ(browser: Chromium, page: Path) -> None:
    def paper() -> str:
        return str(browser.value("getComputedStyle(document.body).backgroundColor"))

    def filter_shown() -> bool:
        return bool(browser.value("document.getElementById('filter').offsetHeight > 0"))

    try:
        features = [{"name": "prefers-color-scheme", "value": "light"}]
        browser.send("Emulation.setEmulatedMedia", features=features)
        light = paper()
        assert filter_shown()
        features = [{"name": "prefers-color-scheme", "value": "dark"}]
        browser.send("Emulation.setEmulatedMedia", features=features)
        assert paper() != light
        browser.send("Emulation.setEmulatedMedia", media="print", features=features)
        assert paper() == "rgb(255, 255, 255)"
        assert not filter_shown()
    finally:
        browser.send("Emulation.setEmulatedMedia", media="", features=[])


def pixels(png: bytes) -> NDArray[np.int16]:
    """Height × width × 3 of an 8-bit RGB or RGBA picture (PNG, W3C, section 9.2: filters)."""
    place, data, channels, width = 8, b"", 0, 0
    while place < len(png):
        length, kind = struct.unpack_from(">I4s", png, place)
        chunk = png[place + 8 : place + 8 + length]
        place += 12 + length
        if kind == b"IHDR":
            width, _, depth, colour = struct.unpack_from(">IIBB", chunk)
            assert depth == 8
            channels = {2: 3, 6: 4}[colour]
        elif kind == b"IDAT":
            data += chunk
    raw = zlib.decompress(data)
    stride = width * channels
    above = bytearray(stride)
    lines = []
    for start in range(0, len(raw), stride + 1):
        kind, line = raw[start], bytearray(raw[start + 1 : start + 1 + stride])
        for i in range(stride):
            a = line[i - channels] if i >= channels else 0
            b = above[i]
            c = above[i - channels] if i >= channels else 0
            nearest = min((abs(b - c), 0, a), (abs(a - c), 1, b), (abs(a + b - 2 * c), 2, c))[2]
            line[i] = (line[i] + (0, a, b, (a + b) // 2, nearest)[kind]) & 0xFF
        lines.append(line)
        above = line
    return np.array(lines, dtype=np.int16).reshape(len(lines), width, channels)[:, :, :3]


VISIONS = ("none", "deuteranopia", "protanopia", "tritanopia", "achromatopsia")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("vision", VISIONS)
def test_no_two_kinds_look_alike_to_anybody(
    browser: Chromium, page: Path, vision: str, scheme: str
) -> None:
    """Chromium's own simulation of colour blindness. Two cells count as different when the
    average difference of their pixels is 24 of 255 or more (our threshold, no source)."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.send("Emulation.setEmulatedMedia", features=features)
    browser.send("Emulation.setEmulatedVisionDeficiency", type=vision)
    try:
        looks = {
            kind.value: pixels(browser.picture(f".key .holds-{kind.value}", scale=2))
            for kind in Holds
        }
    finally:
        browser.send("Emulation.setEmulatedVisionDeficiency", type="none")
        browser.send("Emulation.setEmulatedMedia", media="", features=[])
    names = list(looks)
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            a, b = looks[first], looks[second]
            rows, columns = np.minimum(a.shape[:2], b.shape[:2])
            difference = np.abs(a[:rows, :columns] - b[:rows, :columns]).mean()
            assert difference >= 24, f"{first} and {second}: {difference:.1f}"


def test_a_flood_of_findings_can_still_be_filtered(browser: Chromium, tmp_path: Path) -> None:
    many = tuple(Finding(i * 9, 9, "x", f"item {i}", Verdict.CONSISTENT) for i in range(2500))
    path = tmp_path / "report.html"
    path.write_text(backup_page(RECORD, CONTENTS, many, COVERAGE))
    browser.open(path)
    browser.value("document.getElementById('words').focus()")
    browser.write("item 1999")
    assert browser.value("document.getElementById('shown').textContent") == "1 of 2000 shown"
    assert browser.complaints() == []
