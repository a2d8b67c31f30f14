"""What the browser tests share: a browser, and studies of example homes with their PDFs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.chrome import Chrome
from tests.conftest import ROOT
from workbook_lib import run

WHOLE = ("bungalow-100a", "unfinished-survey-200a")
"""Homes that are studied in every workbook, pages printed."""
HOMES = (*WHOLE, "all-electric-200a", "control-limited-100a")
"""Homes whose sheet of the service load is looked at."""
TIED = ("array-and-storage-200a", "supply-tap-100a", "cascade-200a")
"""Homes whose sheet of backfeed and tap is looked at."""
BACKED = ("backup-panel-200a", "whole-home-backup-200a")
"""Homes whose sheet of backup duration is looked at."""
CHARGED = ("bungalow-control-100a", "bungalow-slow-car-100a", "sun-store-car-200a")
"""Homes whose sheet of EV load management is looked at."""
LONG_FIRST = ("test_pages", "test_live", "test_live_visit", "test_live_more")
"""Files of tests that take longest, dealt out first so that two browsers end at about the same time."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the long files first."""
    items.sort(key=lambda one: LONG_FIRST.index(one.path.stem) if one.path.stem in LONG_FIRST else len(LONG_FIRST))


@pytest.fixture(scope="module")
def chrome(browser: str) -> Iterator[Chrome]:
    """A running browser with one tab."""
    with Chrome(browser) as opened:
        yield opened


@pytest.fixture(scope="session")
def studies(browser: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folder of a study of each home: of all workbooks for `WHOLE`, of the one that is looked at for the others."""
    top = tmp_path_factory.mktemp("printed")
    sites = ROOT / "example_inputs" / "sites"
    made = {name: run.study(sites / f"{name}.toml", out=top / name, pdf=True).folder for name in WHOLE}
    looked_at = {"service_load": HOMES[len(WHOLE) :], "backfeed_and_tap": TIED, "backup_duration": BACKED, "ev_load_management": CHARGED}
    for workbook, names in looked_at.items():
        made |= {name: run.study(sites / f"{name}.toml", out=top / name, only=[workbook]).folder for name in names}
    return made
