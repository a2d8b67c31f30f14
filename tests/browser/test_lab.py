"""The notebook as an engineer uses it: opened in JupyterLab, run whole, read, changed, run again."""

from __future__ import annotations

import time

import pytest

from tests.browser.chrome import Chrome
from tests.browser.lab import RUN_S, Lab, opened, parameters, run_all, said, set_parameters, started_lab  # noqa: F401

pytestmark = pytest.mark.browser


def static(site: str, overrides: str = "{}") -> str:
    """Parameters of a sheet that is read and not worked at."""
    return parameters(site, overrides=overrides, interactive=False)


def said_at_top(chrome: Chrome) -> str:
    """The same after a look at the top: cells that are far off the screen are not drawn, and where it stops the notebook scrolls."""
    chrome.ask("void window.jupyterapp.shell.currentWidget.content.scrollToItem(0, 'start')")
    return said(chrome)


def test_the_sheet_is_live_in_jupyterlab(lab: Lab, chrome: Chrome, tmp_path):
    """Run all: the verdict; an override changed and run again: another one."""
    opened(lab.notebook("service_load", "loaded"), chrome, 1400)
    assert "106.07 A" not in said(chrome)
    run_all(chrome)
    chrome.until(lambda: "FAIL Does the service carry the calculated load? No." in said(chrome), "the verdict is on the screen")
    assert "short by 6.07 A" in said(chrome)
    side_by_side = (
        "[...document.querySelectorAll('.wb-pairs > div')].filter(pair => pair.children[0].offsetTop >= pair.children[1].offsetTop).length"
    )
    assert chrome.ask(side_by_side) == 0, "a value stands beside its label, not under it"
    assert chrome.picture(tmp_path / "lab.png").stat().st_size > 20_000
    set_parameters(chrome, static("bungalow-100a.toml", '{"evse.evse-1.rating": "32 A"}'))
    run_all(chrome)
    chrome.until(lambda: "values overridden: evse.evse-1.rating = 32 A" in said(chrome), "the override is said")
    chrome.until(lambda: "99.67 A" in said(chrome), "the load of the smaller charger")
    assert "short by 6.07 A" not in said(chrome)
    assert "LIVE SESSION" not in said(chrome)


def test_a_fault_in_the_site_file_is_a_list_and_no_traceback(lab: Lab, chrome: Chrome):
    opened(lab.notebook("service_load", "loaded"), chrome, 1400)
    set_parameters(chrome, static("none.toml"))
    chrome.ask("void window.jupyterapp.commands.execute('notebook:run-all-cells')")
    chrome.until(lambda: "INPUT FAULT" in said_at_top(chrome), "the fault is on the screen", RUN_S)
    chrome.until(lambda: "none.toml: cannot be read" in said_at_top(chrome), "the file is named")
    assert "Traceback" not in said(chrome)


def test_the_backfeed_sheet_is_live_in_jupyterlab_with_its_diagrams(lab: Lab, chrome: Chrome, tmp_path):
    opened(lab.notebook("backfeed_and_tap", "tied"), chrome, 1400)
    set_parameters(chrome, static("cascade-200a.toml"))
    run_all(chrome)
    chrome.until(lambda: "every source breaker at the bottom end" in said(chrome), "what would let the bus pass is on the screen")
    boxes = (
        "[...window.jupyterapp.shell.currentWidget.node.querySelectorAll('.jp-RenderedSVG img')].map(one => one.getBoundingClientRect())"
    )
    drawn = f"{boxes}.filter(box => box.height > 50).map(box => box.width)"
    assert chrome.picture(tmp_path / "lab.png").stat().st_size > 20_000
    shown = "(content => void content.scrollToItem(content.widgets.findIndex(cell => cell.model.sharedModel.source.includes('figures()'))))"

    def drawings() -> bool:
        chrome.ask(f"{shown}(window.jupyterapp.shell.currentWidget.content)")
        time.sleep(1)
        return len(chrome.ask(drawn)) >= 4

    chrome.until(drawings, "the one-line diagram and three strips are on the screen")
    assert all(300 < width_px < 700 for width_px in chrome.ask(drawn))
    set_parameters(chrome, static("cascade-200a.toml", '{"panel.main.breakers.barn-breaker.position": "bottom"}'))
    run_all(chrome)
    answer = "JUDGEMENT Were the ratings that this verdict rests on read from the equipment? A person has to decide."
    chrome.until(lambda: answer in said(chrome), "at the other end the bus passes; its position is only stated")


def test_the_backup_sheet_is_live_in_jupyterlab_and_a_longer_wish_changes_its_verdict(lab: Lab, chrome: Chrome):
    opened(lab.notebook("backup_duration", "backed"), chrome, 1400)
    set_parameters(chrome, static("whole-home-backup-200a.toml"))
    run_all(chrome)
    chrome.until(lambda: "94.2 % of 8,760 starts reach it" in said(chrome) or "PASS" in said(chrome), "a day is reached")
    set_parameters(chrome, static("whole-home-backup-200a.toml", '{"backup.target": "72 h"}'))
    run_all(chrome)
    chrome.until(lambda: "values overridden: backup.target = 72 h" in said(chrome), "the wish is said")
    chrome.until(lambda: "FAIL" in said(chrome), "three days are not reached")
    assert "Traceback" not in said(chrome)


def test_the_charging_sheet_is_live_in_jupyterlab_and_a_slow_vehicle_changes_its_verdict(lab: Lab, chrome: Chrome, tmp_path):
    opened(lab.notebook("ev_load_management", "charged"), chrome, 1400)
    set_parameters(chrome, static("bungalow-control-100a.toml"))
    run_all(chrome)
    chrome.until(lambda: "PASS" in said(chrome), "the listed control holds")
    assert chrome.picture(tmp_path / "lab.png").stat().st_size > 20_000
    set_parameters(chrome, static("bungalow-control-100a.toml", '{"vehicle.0.response": "30 s"}'))
    run_all(chrome)
    chrome.until(lambda: "values overridden: vehicle.0.response = 30 s" in said(chrome), "the slow vehicle is said")
    chrome.until(lambda: "FAIL" in said(chrome), "it is too long above the setting")
    assert "Traceback" not in said(chrome)
