"""What the browser tests share: a browser, and studies of example homes with their PDFs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.chrome import Chrome
from tests.conftest import ROOT
from workbook_lib import run

HOMES = ("bungalow-100a", "all-electric-200a", "unfinished-survey-200a", "control-limited-100a")
TIED = ("array-and-storage-200a", "supply-tap-100a", "cascade-200a")
"""Homes whose sheet of backfeed and tap is looked at."""
BACKED = ("backup-panel-200a", "whole-home-backup-200a")
"""Homes whose sheet of backup duration is looked at."""
CHARGED = ("bungalow-control-100a", "bungalow-slow-car-100a", "sun-store-car-200a")
"""Homes whose sheet of EV load management is looked at."""


@pytest.fixture(scope="module")
def chrome(browser: str) -> Iterator[Chrome]:
    """A running browser with one tab."""
    with Chrome(browser) as opened:
        yield opened


@pytest.fixture(scope="session")
def studies(browser: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Folder of a whole study of each example home in `HOMES`, pages printed."""
    top = tmp_path_factory.mktemp("printed")
    sites = ROOT / "example_inputs" / "sites"
    made = {name: run.study(sites / f"{name}.toml", out=top / name, pdf=True).folder for name in HOMES}
    made |= {name: run.study(sites / f"{name}.toml", out=top / name, only=["backfeed_and_tap"]).folder for name in TIED}
    made |= {name: run.study(sites / f"{name}.toml", out=top / name, only=["ev_load_management"]).folder for name in CHARGED}
    return made | {name: run.study(sites / f"{name}.toml", out=top / name, only=["backup_duration"]).folder for name in BACKED}
