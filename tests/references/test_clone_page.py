"""The page of a batch in a real browser (Debian's chromium, headless)."""

from __future__ import annotations

from pathlib import Path

import pytest

from spiflash.report.ledger import batch_page
from tests.clone_rig.rows import NASTY, entries, record
from tests.references.chromium import Chromium

pytestmark = pytest.mark.needs("chromium", "bash")

LONG = "16 sectors of 4 KiB do not hold what was written, also after 3 more attempts: 0x200000 …"


@pytest.fixture
def page(tmp_path: Path) -> Path:
    rows = [record(f"{i}", seconds={"all": 30.0 + i}) for i in range(9)]
    rows += [record("x", "FAIL", kind="write", reason=LONG, touched=True)]
    rows += [record("y", "FAIL", kind=NASTY, reason=NASTY, label=NASTY)]
    path = tmp_path / "batch.html"
    path.write_text(batch_page(entries(*rows), NASTY))
    return path


@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_fits_asks_for_nothing_and_runs_nothing(
    browser: Chromium, page: Path, width: int
) -> None:
    browser.resize(width, 900)
    browser.open(page)
    assert browser.requests() == [page.as_uri()]
    assert browser.complaints() == []
    assert browser.value("document.documentElement.scrollWidth") == width
    assert browser.value("document.scripts.length") == 0
    assert browser.value("document.querySelectorAll('.boards tbody tr').length") == 11
