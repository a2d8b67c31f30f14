"""The notebook as an engineer uses it: opened in JupyterLab, run whole, read, changed, run again."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.chrome import Chrome
from tests.conftest import ROOT
from workbook_lib import notebook_tools

pytestmark = pytest.mark.browser

START_S, RUN_S = 60, 90
NOTEBOOKS = ("service_load.ipynb", "backfeed_and_tap.ipynb", "backup_duration.ipynb", "ev_load_management.ipynb")
SHOWN = "window.jupyterapp.shell.currentWidget.node.innerText"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a running JupyterLab on a copy of the notebook without its outputs."""
    top = tmp_path_factory.mktemp("lab")
    tree = top / "tree"
    shutil.copytree(ROOT / "example_inputs", tree / "example_inputs")
    (tree / "notebooks").mkdir()
    for name in NOTEBOOKS:
        bare = notebook_tools.read(ROOT / "notebooks" / name)
        for cell in bare.cells:
            if cell.cell_type == "code":
                cell.outputs, cell.execution_count = [], None
        (tree / "notebooks" / name).write_text(notebook_tools.text_of(bare), encoding="utf-8")
    own = {f"JUPYTER_{kind}_DIR": str(top / kind.lower()) for kind in ("CONFIG", "RUNTIME", "DATA")}
    own |= {"PYTHONPATH": str(ROOT), "IPYTHONDIR": str(top / "ipython"), "JUPYTERLAB_SETTINGS_DIR": str(top / "settings")}
    own |= {"JUPYTERLAB_WORKSPACES_DIR": str(top / "workspaces")}
    line = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--port=0", "--allow-root"]
    line += [
        f"--ServerApp.root_dir={tree}",
        "--LabApp.expose_app_in_browser=True",
        "--LabApp.news_url=",
        "--LabApp.check_for_updates_class=",
    ]
    line = [word for word in line if not word.startswith(("--LabApp.news", "--LabApp.check"))]
    with open(top / "said.txt", "w", encoding="utf-8") as said:
        process = subprocess.Popen(line, stdout=said, stderr=said, env={**os.environ, **own}, cwd=tree)
    try:
        yield _address(process, top)
    finally:
        process.terminate()
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _address(process: subprocess.Popen, top: Path) -> str:
    end = time.monotonic() + START_S
    while time.monotonic() < end and process.poll() is None:
        for file in (top / "runtime").glob("jpserver-*.json"):
            found = json.loads(file.read_text(encoding="utf-8") or "{}")
            if found.get("url"):
                return f"{found['url']}lab/tree/notebooks/service_load.ipynb?token={found['token']}"
        time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start: {(top / 'said.txt').read_text(encoding='utf-8')[-1500:]}")


def run_all(chrome: Chrome) -> None:
    """Run every cell through the program's own command, wait for the last, and scroll back to the top."""
    chrome.ask("void window.jupyterapp.commands.execute('notebook:run-all-cells')")
    done = "[...document.querySelectorAll('.jp-NotebookPanel .jp-InputPrompt')].every(prompt => !prompt.textContent.includes('*'))"
    last = "window.jupyterapp.shell.currentWidget.content.widgets.filter(cell => cell.model.type === 'code').at(-1).model.executionCount"
    chrome.until(lambda: chrome.ask(last) and chrome.ask(done), "every cell has run", RUN_S)
    chrome.ask(
        "(content => { content.activeCellIndex = 0; void content.scrollToItem(0, 'start') })(window.jupyterapp.shell.currentWidget.content)"
    )


def said(chrome: Chrome) -> str:
    """Words of the open notebook as they stand on the screen."""
    return " ".join(chrome.ask(SHOWN).replace("\xa0", " ").split())


def said_at_top(chrome: Chrome) -> str:
    """The same after a look at the top: cells that are far off the screen are not drawn, and where it stops the notebook scrolls."""
    chrome.ask("void window.jupyterapp.shell.currentWidget.content.scrollToItem(0, 'start')")
    return said(chrome)


def opened(lab: str, chrome: Chrome) -> None:
    """Open the notebook and wait for its kernel."""
    chrome.open(lab, 1280, 1400)
    ready = "window.jupyterapp?.shell?.currentWidget?.content?.widgets?.length > 10"
    chrome.until(lambda: chrome.ask(ready), "the notebook is open", START_S)
    state = "window.jupyterapp.shell.currentWidget.sessionContext?.session?.kernel?.status"
    chrome.until(lambda: chrome.ask(state) == "idle", "a kernel is ready", START_S)


def set_parameters(chrome: Chrome, text: str) -> None:
    """Write other parameters into the notebook's own cell, as a person would."""
    cells = "window.jupyterapp.shell.currentWidget.content.widgets.map(one => one.model.sharedModel)"
    cell = f"{cells}.find(one => one.source.startsWith('site_file'))"
    chrome.ask(f"{cell}.setSource({json.dumps(text)})")


def parameters(site: str, overrides: str) -> str:
    """Text of a parameters cell."""
    return f'site_file = "../example_inputs/sites/{site}"\nedition = None\noverrides = {overrides}\ninteractive = True\ncase = "base"'


def test_the_sheet_is_live_in_jupyterlab(lab, chrome: Chrome, tmp_path):
    """Run all: the verdict; an override changed and run again: another one."""
    opened(lab, chrome)
    assert "106.07 A" not in said(chrome)
    run_all(chrome)
    chrome.until(lambda: "FAIL Does the service carry the calculated load? No." in said(chrome), "the verdict is on the screen")
    assert "short by 6.07 A" in said(chrome)
    side_by_side = (
        "[...document.querySelectorAll('.wb-pairs > div')].filter(pair => pair.children[0].offsetTop >= pair.children[1].offsetTop).length"
    )
    assert chrome.ask(side_by_side) == 0, "a value stands beside its label, not under it"
    assert chrome.picture(tmp_path / "lab.png").stat().st_size > 20_000
    set_parameters(chrome, parameters("bungalow-100a.toml", '{"evse.evse-1.rating": "32 A"}'))
    run_all(chrome)
    chrome.until(lambda: "values overridden: evse.evse-1.rating = 32 A" in said(chrome), "the override is said")
    chrome.until(lambda: "99.67 A" in said(chrome), "the load of the smaller charger")
    assert "short by 6.07 A" not in said(chrome)
    assert "LIVE SESSION" in said(chrome)


def test_a_fault_in_the_site_file_is_a_list_and_no_traceback(lab, chrome: Chrome):
    opened(lab, chrome)
    set_parameters(chrome, parameters("none.toml", "{}"))
    chrome.ask("void window.jupyterapp.commands.execute('notebook:run-all-cells')")
    chrome.until(lambda: "INPUT FAULT" in said_at_top(chrome), "the fault is on the screen", RUN_S)
    chrome.until(lambda: "none.toml: cannot be read" in said_at_top(chrome), "the file is named")
    assert "Traceback" not in said(chrome)


def test_the_backfeed_sheet_is_live_in_jupyterlab_with_its_diagrams(lab, chrome: Chrome, tmp_path):
    opened(lab.replace(*NOTEBOOKS[:2]).replace("/lab/tree/", "/lab/workspaces/tied/tree/"), chrome)
    set_parameters(chrome, parameters("cascade-200a.toml", "{}"))
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
    set_parameters(chrome, parameters("cascade-200a.toml", '{"panel.main.breakers.barn-breaker.position": "bottom"}'))
    run_all(chrome)
    answer = "JUDGEMENT Were the ratings that this verdict rests on read from the equipment? A person has to decide."
    chrome.until(lambda: answer in said(chrome), "at the other end the bus passes; its position is only stated")


def test_the_backup_sheet_is_live_in_jupyterlab_and_a_longer_wish_changes_its_verdict(lab, chrome: Chrome):
    opened(lab.replace(NOTEBOOKS[0], NOTEBOOKS[2]).replace("/lab/tree/", "/lab/workspaces/backed/tree/"), chrome)
    set_parameters(chrome, parameters("whole-home-backup-200a.toml", "{}"))
    run_all(chrome)
    chrome.until(lambda: "94.2 % of 8,760 starts reach it" in said(chrome) or "PASS" in said(chrome), "a day is reached")
    set_parameters(chrome, parameters("whole-home-backup-200a.toml", '{"backup.target": "72 h"}'))
    run_all(chrome)
    chrome.until(lambda: "values overridden: backup.target = 72 h" in said(chrome), "the wish is said")
    chrome.until(lambda: "FAIL" in said(chrome), "three days are not reached")
    assert "Traceback" not in said(chrome)


def test_the_charging_sheet_is_live_in_jupyterlab_and_a_slow_vehicle_changes_its_verdict(lab, chrome: Chrome, tmp_path):
    opened(lab.replace(NOTEBOOKS[0], NOTEBOOKS[3]).replace("/lab/tree/", "/lab/workspaces/charged/tree/"), chrome)
    set_parameters(chrome, parameters("bungalow-control-100a.toml", "{}"))
    run_all(chrome)
    chrome.until(lambda: "PASS" in said(chrome), "the listed control holds")
    assert chrome.picture(tmp_path / "lab.png").stat().st_size > 20_000
    set_parameters(chrome, parameters("bungalow-control-100a.toml", '{"vehicle.0.response": "30 s"}'))
    run_all(chrome)
    chrome.until(lambda: "values overridden: vehicle.0.response = 30 s" in said(chrome), "the slow vehicle is said")
    chrome.until(lambda: "FAIL" in said(chrome), "it is too long above the setting")
    assert "Traceback" not in said(chrome)
