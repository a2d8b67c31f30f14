"""A real JupyterLab on a copy of the notebooks and example homes, and the hands that use a live form in it: mouse, keys, eyes."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.browser.chrome import Chrome
from tests.conftest import ROOT
from workbook_lib import notebook_tools

START_S, RUN_S = 60, 90
MOST_CLICKS = 4
NOTEBOOKS = ("service_load", "backfeed_and_tap", "backup_duration", "ev_load_management", "start")
PICTURES = "WORKBOOK_PICTURES"
"""Where this variable names a folder, the pictures of the live form are kept in it."""

PANEL = "window.jupyterapp.shell.currentWidget"
CELLS = f"{PANEL}.content.widgets"
SOURCE = "one => one.model.sharedModel.source"
LOST = f"({PANEL}?.content?.widgets ?? []).filter(one => one.node.innerText.includes('model not found')).map({SOURCE})"
ALT, CONTROL, SHIFT = 1, 2, 8
SAID_BY_THE_LAB = ("Connection lost", "did not appear within", "to activate.")
"""What the lab says of itself: a kernel restarted; a cell, drawn when the lab is idle, not there 10 s after it went to it; a slow start."""
CODES = {"Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "End": 35, "Home": 36, "ArrowUp": 38, "ArrowDown": 40, "Backspace": 8, "Delete": 46}


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab: its address with a slash, its token, and the folder that it shows."""

    url: str
    token: str
    tree: Path

    @property
    def sites(self) -> Path:
        """Folder of the site files."""
        return self.tree / "example_inputs" / "sites"

    def notebook(self, name: str, workspace: str, copy: str = "") -> str:
        """Address of a notebook. Parameters: its name, name of a workspace of its own, name of a copy of it to open in its place."""
        if copy:
            folder = self.tree / "notebooks"
            (folder / f"{copy}.ipynb").write_bytes((folder / f"{name}.ipynb").read_bytes())
            name = copy
        return f"{self.url}lab/workspaces/{workspace}/tree/notebooks/{name}.ipynb?token={self.token}"

    def home(self, of: str, name: str) -> Path:
        """A copy of an example home under a name of its own. Parameters: example, name. Returns: its site file."""
        copy = self.sites / f"{name}.toml"
        copy.write_bytes((self.sites / f"{of}.toml").read_bytes())
        return copy


@contextmanager
def running(top: Path) -> Iterator[Lab]:
    """A JupyterLab of its own below a folder, ended at the end. Parameters: empty folder."""
    tree = top / "tree"
    left_out = shutil.ignore_patterns("*.live")
    shutil.copytree(ROOT / "example_inputs", tree / "example_inputs", ignore=left_out)
    (tree / "notebooks").mkdir()
    for name in NOTEBOOKS:
        bare = notebook_tools.read(ROOT / "notebooks" / f"{name}.ipynb")
        for cell in bare.cells:
            if cell.cell_type == "code":
                cell.outputs, cell.execution_count = [], None
        (tree / "notebooks" / f"{name}.ipynb").write_text(notebook_tools.text_of(bare), encoding="utf-8")
    own = {f"JUPYTER_{kind}_DIR": str(top / kind.lower()) for kind in ("CONFIG", "RUNTIME", "DATA")}
    own |= {"PYTHONPATH": str(ROOT), "IPYTHONDIR": str(top / "ipython"), "JUPYTERLAB_SETTINGS_DIR": str(top / "settings")}
    own |= {"JUPYTERLAB_WORKSPACES_DIR": str(top / "workspaces")}
    own |= {"PYTHONDONTWRITEBYTECODE": ""}  # as on a machine of a user: what is imported is compiled once
    quiet = top / "settings" / "@jupyterlab" / "apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text('{"fetchNews": "false", "checkForUpdates": false}', encoding="utf-8")
    line = [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--port=0", "--allow-root"]
    line += [f"--ServerApp.root_dir={tree}", "--LabApp.expose_app_in_browser=True"]
    with open(top / "said.txt", "w", encoding="utf-8") as said:
        process = subprocess.Popen(line, stdout=said, stderr=said, env={**os.environ, **own}, cwd=tree)
    try:
        url, token = _address(process, top)
        yield Lab(url, token, tree)
    finally:
        process.terminate()
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _address(process: subprocess.Popen, top: Path) -> tuple[str, str]:
    end = time.monotonic() + START_S
    while time.monotonic() < end and process.poll() is None:
        for file in (top / "runtime").glob("jpserver-*.json"):
            found = json.loads(file.read_text(encoding="utf-8") or "{}")
            if found.get("url"):
                return found["url"], found["token"]
        time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start: {(top / 'said.txt').read_text(encoding='utf-8')[-1500:]}")


@pytest.fixture(name="lab", scope="module")
def started_lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A running JupyterLab."""
    with running(tmp_path_factory.mktemp("lab")) as started:
        yield started


@pytest.fixture(name="pictures", scope="session")
def pictures_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder that the pictures go to: the one that `WORKBOOK_PICTURES` names, or one that goes away with the test."""
    named = os.environ.get(PICTURES)
    folder = Path(named) if named else tmp_path_factory.mktemp("pictures")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(name="page", scope="module")
def page_of_a_notebook(lab: Lab, browser: str, request: pytest.FixtureRequest) -> Iterator[Chrome]:
    """A browser with the notebook of the service load open, in a workspace of the file of tests."""
    with Chrome(browser) as chrome:
        opened(lab.notebook("service_load", request.module.__name__.rpartition(".")[2]), chrome)
        yield chrome


@pytest.fixture(name="hands")
def hands_at_it(page: Chrome) -> Iterator[Hands]:
    """A person in that browser. What a test does must leave no complaint of the page."""
    window(page, 1280, 900)
    page.complaints.clear()
    yield Hands(page)
    uncomplaining(page)


def uncomplaining(chrome: Chrome) -> None:
    """Look that a page has thrown no script error and given no complaint, once what it was at is done. Parameters: browser."""
    chrome.ask("new Promise(done => requestAnimationFrame(() => setTimeout(done)))")
    found = [one for one in chrome.complaints if not any(words in one for words in SAID_BY_THE_LAB)]
    assert not found, (found, "cells that lost their widget:", chrome.ask(LOST))


def window(chrome: Chrome, width_px: int, height_px: int, scale: int = 1) -> None:
    """Make the window a size, at a zoom. Parameters: browser, width and height [px of the page], zoom."""
    chrome.call("Emulation.setDeviceMetricsOverride", width=width_px, height=height_px, deviceScaleFactor=scale, mobile=False)


# the notebook


def opened(address: str, chrome: Chrome, height_px: int = 900) -> None:
    """Open a notebook and wait for its kernel. Parameters: its address, browser, height of the window [px]."""
    chrome.open(address, 1280, height_px)
    chrome.until(
        lambda: chrome.ask("window.jupyterapp?.shell?.currentWidget?.content?.widgets?.length > 3"), "the notebook is open", START_S
    )
    kernel_ready(chrome)


def open_beside(chrome: Chrome, name: str) -> None:
    """Open another notebook in the same window and wait for its kernel. Parameters: browser, name of the notebook."""
    chrome.ask(f"window.jupyterapp.commands.execute('docmanager:open', {{path: 'notebooks/{name}.ipynb'}}).then(() => null)")
    chrome.until(
        lambda: chrome.ask(f"{PANEL}.context?.path?.endsWith('{name}.ipynb') && {CELLS}.length > 3"), "the notebook is open", START_S
    )
    kernel_ready(chrome)


def kernel_ready(chrome: Chrome) -> None:
    """Wait until the kernel of the open notebook has nothing to do."""
    state = f"{PANEL}.sessionContext?.session?.kernel?.status"
    chrome.until(lambda: chrome.ask(state) == "idle", "a kernel is ready", START_S)


def to_cell(chrome: Chrome, index: str) -> None:
    """Scroll to a cell, without waiting. Parameters: browser, expression of its place."""
    chrome.ask(f"((content, at) => {{ content.activeCellIndex = at; void content.scrollToItem(at, 'start') }})({PANEL}.content, {index})")


def set_parameters(chrome: Chrome, text: str, beginning: str = "site_file") -> None:
    """Write other parameters into the notebook's own cell, as a person would."""
    cells = f"{CELLS}.map(one => one.model.sharedModel)"
    chrome.ask(f"{cells}.find(one => one.source.startsWith('{beginning}')).setSource({json.dumps(text)})")


def parameters(site: str, *, overrides: str = "{}", interactive: bool) -> str:
    """Text of a parameters cell."""
    given = f"edition = None\noverrides = {overrides}\ninteractive = {interactive}"
    return f'site_file = "../example_inputs/sites/{site}"\n{given}\ncase = "base"'


def command_run_all(chrome: Chrome) -> None:
    """Run every cell through the program's own command, without waiting."""
    chrome.ask("void window.jupyterapp.commands.execute('notebook:run-all-cells')")


def run_all(chrome: Chrome) -> None:
    """Run every cell, wait for the last, and scroll back to the top."""
    command_run_all(chrome)
    done = "[...document.querySelectorAll('.jp-NotebookPanel .jp-InputPrompt')].every(prompt => !prompt.textContent.includes('*'))"
    last = f"{CELLS}.filter(cell => cell.model.type === 'code').at(-1).model.executionCount"
    chrome.until(lambda: chrome.ask(last) and chrome.ask(done), "every cell has run", RUN_S)
    to_cell(chrome, "0")


def said(chrome: Chrome) -> str:
    """Words of the open notebook as they stand on the screen."""
    return words(chrome.ask(f"{PANEL}.node.innerText"))


def words(text: str) -> str:
    """A text with every white space as one."""
    return " ".join(text.replace("\xa0", " ").split())


# the form

SEEN = "one => one.checkVisibility()"
BUTTON = """(words => {{ const there = [...document.querySelectorAll('.wb-live button')].filter(one => one.checkVisibility())
  return there.find(one => one.textContent === words) ?? there.find(one => one.textContent.startsWith(words)) }})({})"""
FIELD = """(label => document.getElementById([...document.querySelectorAll('.wb-live label')]
  .find(one => one.htmlFor && one.checkVisibility() && one.textContent === label)?.htmlFor))({})"""
MIDDLE = """(one => { one.scrollIntoView({block: 'center'})
  const box = one.getBoundingClientRect(), x = box.left + box.width / 2, y = box.top + box.height / 2
  const hit = document.elementFromPoint(x, y)
  return hit && (one.contains(hit) || hit.contains(one)) ? [x, y] : null })"""


class Hands:
    """A person at the form: mouse, keys, and eyes. `chrome`: the browser that shows it."""

    def __init__(self, chrome: Chrome):
        self.chrome = chrome

    def at_home(self, site: Path, beginning: str = "site_file") -> None:
        """Have the open notebook run on a home, live, and wait until its first field may be typed into. Parameters: site file."""
        set_parameters(self.chrome, parameters(site.name, interactive=True), beginning)
        command_run_all(self.chrome)
        self.until_form(site)

    def until_form(self, site: Path) -> None:
        """Wait until the form of a home stands with its first verdict."""
        title = f"[...document.querySelectorAll('.wb-title-live')].some(one => one.textContent.startsWith({json.dumps(site.stem + ':')}))"
        rows = "[...document.querySelectorAll('.wb-live .wb-row input')].some(one => one.checkVisibility())"
        self.chrome.until(lambda: self.chrome.ask(f"{title} && {rows}"), f"the form of {site.stem} stands", RUN_S)
        self.to_form()
        self.until_current()

    def to_form(self) -> None:
        """Scroll the form into the window: what is far off it is not drawn."""
        shown = f"{CELLS}.findIndex(cell => cell.node.querySelector('.wb-live'))"
        to_cell(self.chrome, shown)
        self.chrome.until(lambda: self.status(), "the form is in the window", 20)

    def until_below(self, part: str, words_of_it: str) -> str:
        """Scroll to a part of the sheet until it shows something: the lab draws a cell once it is idle. Parameters: call of the
        study that gives the part, words to wait for. Returns: all words of the part. Errors: TimeoutError with what it shows."""
        cell, shown = f"{CELLS}.findIndex(cell => cell.model.sharedModel.source.includes('{part}'))", ""

        def there() -> bool:
            nonlocal shown
            to_cell(self.chrome, cell)
            shown = words(self.chrome.ask(f"{CELLS}[{cell}].node.innerText") or "")
            return words_of_it in shown

        try:
            self.until(there, f"{part} shows {words_of_it}")
        except TimeoutError as error:
            raise TimeoutError(f"{error}; it shows: {shown[:600]}") from None
        return shown

    def until_current(self) -> None:
        """Wait until what is shown is of what is entered, and all of it is there."""
        self.until(lambda: (told := self.status()) and "is of what is entered." in told and "at work" not in told, "the verdict is current")

    def until(self, true, what: str, seconds: float = 60) -> None:
        """Wait until something holds; a failure tells what has the focus, what was told and what the board says."""
        try:
            self.chrome.until(true, what, seconds)
        except TimeoutError as error:
            found = f"the focus is at {self.focused()[:80]!r}; told: {self.told()}, {self.seen('.wb-live .wb-typed')!r}"
            raise TimeoutError(f"{error}; {found}; the board says: {self.board()[:600]}") from None

    # eyes

    def seen(self, selector: str) -> str:
        """Words of the first thing of a selector that is visible, empty where there is none."""
        found = f"[...document.querySelectorAll({json.dumps(selector)})].find(one => one.checkVisibility())?.innerText"
        return words(self.chrome.ask(found) or "")

    def board(self) -> str:
        """Words of the answers."""
        return self.seen(".wb-live .wb-board")

    def status(self) -> str:
        """Words of the line that says of what the answers are."""
        return self.seen(".wb-live .wb-status")

    def verdict(self) -> str:
        """Words of the verdict of the open workbook."""
        return self.seen(".wb-live .wb-board .wb-verdict, .wb-live .wb-board .wb-band")

    def told(self) -> list[str]:
        """What came of what was done."""
        found = self.chrome.ask(
            "[...document.querySelectorAll('.wb-live .wb-say')].filter(one => one.checkVisibility()).map(one => one.innerText)"
        )
        return [words(one) for one in found or []]

    def until_told(self, part: str, seconds: float = 60) -> str:
        """Wait until a line tells something. Returns: that line."""
        self.until(lambda: any(part in one for one in self.told()), f"it is told: {part}", seconds)
        return next(one for one in self.told() if part in one)

    def labels(self) -> list[str]:
        """Labels of the fields that are visible, without those of how a value is known."""
        found = (
            "[...document.querySelectorAll('.wb-live .wb-row label[for]')].filter(one => one.checkVisibility()).map(one => one.textContent)"
        )
        return [one for one in self.chrome.ask(found) if one not in ("from", "note")]

    def value(self, label: str) -> str:
        """What stands in a field. Parameters: its label."""
        return self.chrome.ask(f"{FIELD.format(json.dumps(label))}?.value")

    def has(self, label: str) -> bool:
        """Whether a field of a label is visible."""
        return self.chrome.ask(f"Boolean({FIELD.format(json.dumps(label))})")

    def has_button(self, start: str) -> bool:
        """Whether a button is visible and not disabled. Parameters: beginning of its words."""
        return self.chrome.ask(f"{BUTTON.format(json.dumps(start))}?.disabled === false")

    def picture(self, folder: Path, name: str, height_px: int = 1400) -> Path:
        """Keep what stands in the window, made as high as asked. Parameters: folder, name of the picture, height [px]."""
        width = self.chrome.ask("innerWidth")
        self.chrome.call("Emulation.setDeviceMetricsOverride", width=width, height=height_px, deviceScaleFactor=1, mobile=False)
        self.chrome.ask("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        file = self.chrome.picture(folder / f"{name}.png")
        assert file.stat().st_size > 20_000
        return file

    # mouse

    def _click(self, found: str, what: str, count: int = 1) -> None:
        place: list[float] | None = None

        def ready() -> bool:
            nonlocal place
            before, place = place, self.chrome.ask(f"(one => one ? {MIDDLE}(one) : null)({found})")
            return place is not None and place == before  # it stands still and nothing lies over it

        self.until(ready, f"{what} can be clicked", 20)
        at = {"x": place[0], "y": place[1], "button": "left", "clickCount": count}
        self.chrome.call("Input.dispatchMouseEvent", type="mousePressed", **at)
        self.chrome.call("Input.dispatchMouseEvent", type="mouseReleased", **at)

    def press(self, start: str) -> None:
        """Click a button; once more where the page moved under the mouse, as a person does. Parameters: beginning of its words."""
        found = BUTTON.format(json.dumps(start))
        self.until(lambda: self.chrome.ask(f"Boolean({found})"), f"the button {start}", 20)
        hit = (
            "event => { const one = event.target.closest?.('button'); if (one?.textContent.startsWith(window.wbWanted)) window.wbHit += 1 }"
        )
        heard = f"if (window.wbHit === undefined) document.addEventListener('click', {hit}, true)"
        self.chrome.ask(f"(() => {{ {heard}; window.wbHit = 0; window.wbWanted = {json.dumps(start)} }})()")
        for _ in range(MOST_CLICKS):
            self._click(found, f"the button {start}")
            if self.chrome.ask("window.wbHit"):
                return
        raise AssertionError(f"{MOST_CLICKS} clicks did not meet the button {start}")

    def point(self, label: str) -> None:
        """Click into a field. Parameters: its label."""
        self._click(FIELD.format(json.dumps(label)), f"the field {label}")

    # keys

    def key(self, name: str, modifiers: int = 0) -> None:
        """Press and let go one key. Parameters: its name, shift or control."""
        number = CODES.get(name) or (ord(name.upper()) if name.isalnum() else 0)  # the numbers of other letters are those of other keys
        code = name if name in CODES and name != " " else "Space" if name == " " else f"Key{name.upper()}" if name.isalpha() else ""
        given = {"key": name, "code": code, "windowsVirtualKeyCode": number, "modifiers": modifiers}
        text = "\r" if name == "Enter" else name if len(name) == 1 and not modifiers & (ALT | CONTROL) else ""
        down = {"type": "keyDown", "text": text} if text else {"type": "rawKeyDown"}
        if name == "a" and modifiers & CONTROL:
            down["commands"] = ["selectAll"]
        self.chrome.call("Input.dispatchKeyEvent", **down, **given)
        self.chrome.call("Input.dispatchKeyEvent", type="keyUp", **given)

    def keys(self, text: str) -> None:
        """Type a text, key by key."""
        for letter in text:
            self.key(letter)

    def enter(self, label: str, text: str) -> None:
        """Click into a field, and type in place of what stands there. Parameters: label, text."""
        self.point(label)
        self.retype(text)

    def retype(self, text: str) -> None:
        """Type in place of what stands in the field that has the focus."""
        self.key("a", CONTROL)
        self.keys(text)

    def choose(self, label: str, option: str) -> None:
        """Choose of a list by the arrow keys. Parameters: its label, words of the choice."""
        self.until(lambda: self.has(label), f"the list {label}", 20)
        self.chrome.ask(f"{FIELD.format(json.dumps(label))}.focus()")
        self.pick(option)

    def pick(self, option: str) -> None:
        """Choose by the arrow keys in the list that has the focus, made anew as it may be. Parameters: words of the choice."""

        def in_a_list() -> bool:
            return self.chrome.ask("document.activeElement.tagName") == "SELECT"

        names = [words(one) for one in self.chrome.ask("[...document.activeElement.options].map(one => one.textContent)")]
        assert option in names, (option, names)
        now = self.chrome.ask("document.activeElement.selectedIndex")
        steps = names.index(option) - now
        for _ in range(abs(steps)):
            self.until(in_a_list, "the list has the focus", 20)
            self.key("ArrowDown" if steps > 0 else "ArrowUp")
        self.until(in_a_list, "the list has the focus", 20)
        assert words(self.chrome.ask("document.activeElement.selectedOptions[0].textContent")) == option

    def focused(self) -> str:
        """Words of what has the focus: a button's own, a field's label."""
        return words(self.chrome.ask("(one => one.labels?.[0]?.textContent || one.textContent || one.tagName)(document.activeElement)"))

    def tab_to(self, start: str, most: int = 400, *, back: bool = False) -> int:
        """Press Tab until something has the focus. Parameters: beginning of its words, most presses, backwards. Returns: presses."""
        for count in range(most + 1):
            if self.focused().startswith(start) and self.chrome.ask("Boolean(document.activeElement.closest('.wb-live'))"):
                return count
            if count < most:
                self.key("Tab", SHIFT if back else 0)
        raise AssertionError(f"{start!r} has no stop of the Tab key within {most} presses; the focus is at {self.focused()!r}")
