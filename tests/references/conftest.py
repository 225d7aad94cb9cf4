"""What the checks against outside references share: made once a run, since it takes long."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.references.audit_images import Item, all_items
from tests.references.chromium import Chromium


@pytest.fixture(scope="session")
def _chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chromium]:
    with Chromium(tmp_path_factory.mktemp("profile")) as chromium:
        yield chromium


@pytest.fixture
def browser(_chromium: Chromium) -> Chromium:
    """Debian's chromium, headless, with a window of the usual size."""
    _chromium.resize(1120, 900)
    return _chromium


@pytest.fixture(scope="session")
def items(tmp_path_factory: pytest.TempPathFactory) -> list[Item]:
    """Every format, made by the program that defines it."""
    return all_items(tmp_path_factory.mktemp("items"))
