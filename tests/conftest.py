"""What every test may ask for: the project's folder, and a browser that must be there when asked for."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

from workbook_lib.errors import MachineryFault
from workbook_lib.render.pdf import find_browser

ROOT = Path(__file__).resolve().parent.parent
BROWSER_TESTS = ROOT / "tests" / "browser"

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")  # how long an example takes is the machine's affair, never a test's

NO_SKIPS = "WORKBOOK_NO_SKIPS"
"""Where this variable is set, a skipped test fails the run; `.ci/run` sets it."""


def skipped_count(reporter: object) -> int:
    """How many tests a finished run skipped."""
    return len(getattr(reporter, "stats", {}).get("skipped", []))


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Fail a run that must not skip and did."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get(NO_SKIPS) and skipped_count(reporter) and exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say why such a run failed."""
    if os.environ.get(NO_SKIPS) and skipped_count(terminalreporter):
        terminalreporter.write_line(f"{NO_SKIPS} is set and {skipped_count(terminalreporter)} were skipped: the run failed", red=True)


def pytest_configure(config: pytest.Config) -> None:
    """Deal files out in their order: by their numbers of tests the few long ones would come last."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Refuse a browser test outside the folder in which `.ci/run` looks for them: it would never be run there."""
    report = yield
    if BROWSER_TESTS not in collector.path.parents:
        lost = [one.nodeid for one in report.result or () if isinstance(one, pytest.Item) and one.get_closest_marker("browser")]
        if lost:
            report.outcome, report.longrepr = "failed", f"browser tests belong in tests/browser: {', '.join(lost)}"
    return report


@pytest.fixture(scope="session")
def root() -> Path:
    """Folder of the project."""
    return ROOT


@pytest.fixture(scope="session")
def browser() -> str:
    """Path of an installed Chromium-family browser. A browser test without one fails; it is never skipped."""
    try:
        return find_browser()
    except MachineryFault as fault:
        pytest.fail(f"{fault}; or leave these tests out with -m 'not browser'")
