"""A meter record in hand, a folder of homes, a new home by questions, long simulations, and a form that everyone can use."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from importlib.resources import files
from pathlib import Path

import axe_core_python
import pytest

from tests.browser.lab import (  # noqa: F401
    ALT,
    CONTROL,
    FIELD,
    PANEL,
    SEEN,
    SHIFT,
    Hands,
    Lab,
    command_run_all,
    hands_at_it,
    kernel_ready,
    open_beside,
    opened,
    page_of_a_notebook,
    pictures_folder,
    set_parameters,
    started_lab,
    window,
    words,
)
from workbook_lib import editions, home
from workbook_lib.live import keeping, visit
from workbook_lib.live.draft import Draft
from workbook_lib.render import content
from workbook_lib.workbooks import ev_load_management

pytestmark = pytest.mark.browser

AXE = files(axe_core_python).joinpath("axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE_S = 240
"""How long axe may look at ten thousand parts: half a minute on a machine of its own."""
GRAVE = ("serious", "critical")
RUN_AXE = f"""axe.run(
  {{include: [...document.querySelectorAll('.wb-live, .jp-OutputArea-output .wb')].filter({SEEN})}},
  {{runOnly: {{type: 'tag', values: {json.dumps(TAGS)}}}, resultTypes: ['violations'],
    elementRef: false, selectors: false, iframes: false}})
  .then(found => ({{ran: [...new Set(['passes', 'violations', 'incomplete'].flatMap(kind => found[kind].map(one => one.id)))],
    faults: found.violations.map(one => [one.id, one.impact, one.nodes.slice(0, 3).map(node => node.html.slice(0, 160))])}}))"""
"""Which rules found something to look at, and what they found wrong."""
TOO_WIDE = """[...document.querySelectorAll('.wb-live, .wb-live *')].filter(one => one.checkVisibility() && one.closest('svg') === null)
  .filter(one => one.scrollWidth > one.clientWidth + 1 && ['auto', 'scroll'].includes(getComputedStyle(one).overflowX)
    || one.classList.contains('wb-live') && one.scrollWidth > one.clientWidth + 1)
  .map(one => [one.className, one.scrollWidth, one.clientWidth])"""
OUTSIDE = """(form => { const right = form.getBoundingClientRect().right
  return [...form.querySelectorAll('button, input, select, p, label, td, th')].filter(one => one.checkVisibility())
    .filter(one => one.getBoundingClientRect().right > right + 1).map(one => one.outerHTML.slice(0, 120)) })(
  [...document.querySelectorAll('.wb-live')].find(one => one.checkVisibility()))"""
CLOSED = """[...document.querySelectorAll('.wb-live .wb-fold, .wb-live .wb-fold-small')]
  .filter(one => one.checkVisibility() && !one.classList.contains('wb-opened'))"""


def accessible(hands: Hands, least: int = 15) -> None:
    """Look at everything of ours on the screen with axe: nothing serious, and not because nothing was looked at."""
    hands.chrome.ask(f"typeof axe === 'undefined' ? void ({json.dumps(AXE)}, (0, eval)({json.dumps(AXE)})) : null")
    found = hands.chrome.ask(RUN_AXE, AXE_S)
    assert [one for one in found["faults"] if one[1] in GRAVE] == []
    assert len(found["ran"]) > least, found["ran"]
    assert "color-contrast" in found["ran"]


def open_every_fold(hands: Hands) -> int:
    """Open every fold of the form at once, then those within. Returns: how many there were."""
    count = 0
    while hands.chrome.ask(f"{CLOSED}.length"):
        count += hands.chrome.ask(f"(window.folds = {CLOSED}).map(one => one.click()).length")
        hands.until(
            lambda: hands.chrome.ask("folds.every(one => one.classList.contains('wb-opened') || !one.isConnected)"), "folds opened", 90
        )
    return count


def test_a_record_is_chosen_looked_at_marked_and_used(lab: Lab, hands: Hands, pictures: Path):
    site = lab.home("bungalow-100a", "recorded")
    hands.at_home(site)
    hands.press("Meter record")
    hands.choose("File", "records/sedge-row-4-2025.csv")
    hands.press("Look at it")
    hands.until_told("This is what the file holds.")
    heads = "[...document.querySelectorAll('.wb-right h3')].map(one => one.textContent)"
    assert "Gaps in the record" in hands.chrome.ask(heads)
    drawn = "[...document.querySelectorAll('.wb-right figure > [role=img]')].map(one => one.getAttribute('aria-label'))"
    assert len(hands.chrome.ask(drawn)) == 3
    assert all(len(one) > 80 for one in hands.chrome.ask(drawn))
    assert "[records]" not in site.read_text(encoding="utf-8")
    assert "Changes are not saved" not in hands.status(), "nothing is entered before it is used"
    hands.picture(pictures, "10-a-record-looked-at", 1800)
    window(hands.chrome, 1280, 900)
    hands.choose("Register", "delivered")
    hands.choose("Mark as", "vacant")
    for label, text in (("From", "2025-07-01"), ("Until", "2025-07-15"), ("Because", "away")):
        hands.enter(label, text)
    hands.press("Mark this range")
    marked = "Marked vacant from 2025-07-01 until 2025-07-15: away"
    hands.until(lambda: marked in hands.seen(".wb-live .wb-right"), "the range is marked")
    hands.until_told("This is what the file holds.")
    hands.press("Use it so")
    hands.until_told("Used as the load of the home")
    hands.until(lambda: "Changes are not saved" in hands.status(), "it is entered")
    hands.press("Save and render")
    hands.press("Show what would be saved")
    hands.until(lambda: "records/sedge-row-4-2025.csv" in hands.seen(".wb-difference"), "the record is what would be saved")
    assert 'is = "vacant"' in hands.seen(".wb-difference")


def test_what_is_shown_is_marked_as_older_while_a_simulation_runs_and_a_newer_change_wins(lab: Lab, hands: Hands, pictures: Path):
    """The page writes down every state that it was in: none shows an older verdict as one of what is entered."""
    site = lab.home("bungalow-control-100a", "simulated")
    open_beside(hands.chrome, "ev_load_management")
    hands.at_home(site)
    before, setting = hands.verdict(), "Limit 1: control setting"
    assert hands.has(setting)
    hands.chrome.ask(
        """(board => { window.states = []
          const words = part => board.querySelector(part)?.textContent ?? ''
          const note = () => states.push([words('.wb-status'), Boolean(board.querySelector('.wb-older')), words('.wb-controlling')])
          note()
          new MutationObserver(note).observe(board, {childList: true, subtree: true, characterData: true}) })(
          [...document.querySelectorAll('.wb-board')].find(one => one.checkVisibility()))"""
    )
    hands.enter(setting, "70 A")
    hands.until(lambda: hands.chrome.ask("states.some(([, older]) => older)"), "what is shown is marked as older")
    hands.retype("60 A")
    hands.until(lambda: hands.value(setting) == "60 A", "the newer change is typed")
    hands.until_current()
    states = hands.chrome.ask("states")
    assert states[0][2]
    entered = next(place for place, (words, _, _) in enumerate(states) if words.startswith("Calculating"))
    told = [decider for words, older, decider in states[entered:] if "The verdict is of what is entered" in words and not older]
    assert told
    assert states[0][2] not in told, "the verdict of before is never shown as one of what is entered"
    hands.picture(pictures, "11-after-a-simulation", 900)
    changed = home.read_home(site, {"control.limiter.limit.0.setting": "60 A"})
    sheet = ev_load_management.verdict_study(changed, editions.load(changed.edition_year))
    assert content.bare_sentence(sheet, sheet.controlling)[:60] in " ".join(hands.chrome.ask(PLAIN).split())
    assert hands.verdict() != before


PLAIN = """(board => { const copy = board.cloneNode(true);
  copy.querySelectorAll('.wb-no').forEach(one => one.remove()); return copy.textContent })(
  [...document.querySelectorAll('.wb-board')].find(one => one.checkVisibility()))"""
"""Words of the answers without the numbers of their references."""


@pytest.fixture(scope="module")
def town(lab: Lab) -> Path:
    """A folder with two homes, one of them with faults, and the local files."""
    folder = lab.tree / "town"
    shutil.copytree(lab.sites / "jurisdictions", folder / "jurisdictions")
    shutil.copy(lab.sites / "bungalow-100a.toml", folder)
    text = (lab.sites / "bungalow-100a.toml").read_text(encoding="utf-8")
    text = text.replace('id = "bungalow-100a"', 'id = "faulty"')
    (folder / "faulty.toml").write_text(text.replace('"100 A", from = "nameplate"', '"100 kV", from = "nameplate"'), encoding="utf-8")
    return folder


def started(hands: Hands) -> None:
    """Run the start notebook on the folder."""
    set_parameters(hands.chrome, 'folder = "../town"\ninteractive = True', "folder")
    command_run_all(hands.chrome)
    hands.until(lambda: hands.has("Home"), "the start stands", 90)


def test_homes_are_listed_with_their_verdicts_and_one_is_worked_at(town: Path, hands: Hands, pictures: Path):
    open_beside(hands.chrome, "start")
    started(hands)
    rows = "[...document.querySelectorAll('.wb-live table tbody tr')].filter(one => one.checkVisibility()).map(one => one.innerText)"
    hands.until(lambda: len(hands.chrome.ask(rows)) == 2 and "Being studied" not in hands.seen(".wb-live"), "every home has its verdict")
    told = {row.split()[0]: row.lower() for row in hands.chrome.ask(rows)}
    assert "106.07 a" in told["bungalow-100a"]
    assert "input fault" in told["faulty"]
    hands.picture(pictures, "12-start", 900)
    hands.choose("Home", "bungalow-100a")
    hands.press("Work on it here")
    hands.until_told("bungalow-100a.toml is open below.")
    hands.until(lambda: "106.07 A" in hands.board(), "its verdict")


def test_a_new_home_is_begun_left_half_done_and_taken_up_in_a_new_kernel(town: Path, hands: Hands, pictures: Path):
    open_beside(hands.chrome, "start")
    started(hands)
    hands.enter("Id of the home", "elder-7")
    hands.press("Begin the visit")
    hands.until_told("The visit of elder-7")
    hands.until(lambda: hands.has("What is the address? (if known)"), "the first questions")
    hands.enter("What is the address? (if known)", "7 Elder Row")
    hands.choose("Under which code edition is the home studied?", "2023")
    hands.press("Next step")
    area = "What is the floor area by outside dimensions?"
    hands.until(lambda: hands.has(area), "the questions of the next step")
    hint = (
        f"[...document.querySelectorAll('.wb-live label')].find(one => one.textContent === {json.dumps(area)}).closest('.wb-row').innerText"
    )
    assert "Why:" in hands.chrome.ask(hint)
    assert "Where:" in hands.chrome.ask(hint)
    hands.enter(area, "1250 ft^2")
    hands.picture(pictures, "13-a-visit", 1200)
    window(hands.chrome, 1280, 900)
    site = town / "elder-7.toml"
    hands.until(lambda: (kept := keeping.working(site)) is not None and "1250 ft^2" in kept.text, "what is answered is kept")
    assert not site.exists(), "there is no site file before it is saved"
    hands.chrome.ask(f"{PANEL}.sessionContext.session.kernel.restart()")
    kernel_ready(hands.chrome)
    started(hands)
    hands.choose("Half done", "elder-7")
    hands.press("Take the visit up")
    hands.until_told("The visit of elder-7")
    hands.until(lambda: hands.has("What is the address? (if known)"), "the first step that lacks something")
    hands.press("Next step")
    hands.until(lambda: hands.value(area) == "1250 ft^2", "the answer is there")
    hands.press("Show what would be saved")
    hands.until(lambda: "7 Elder Row" in hands.seen(".wb-difference"), "and would be saved")
    hands.press("Save it so")
    hands.until_told("Saved: elder-7.toml")
    assert 'address = "7 Elder Row"' in site.read_text(encoding="utf-8")
    accessible(hands)


def at(hands: Hands, start: str) -> None:
    """Wait until something has the focus. Parameters: beginning of its words."""
    hands.until(lambda: hands.focused().startswith(start), f"the focus is at {start}", 20)


def onward(hands: Hands, *pairs: tuple[str, str]) -> None:
    """Type or choose at each place in turn, Enter after each. Parameters: what to type, and the words of where Enter leads."""
    for text, then in pairs:
        if text and hands.chrome.ask("document.activeElement.tagName") == "SELECT":
            hands.pick(text)
        else:
            hands.keys(text)
        hands.key("Enter")
        at(hands, then)


def test_a_home_is_entered_by_keys_alone_without_a_tab(town: Path, hands: Hands):
    """Enter goes to what is needed next, adds, and opens what it added; a verdict that comes moves nothing."""
    open_beside(hands.chrome, "start")
    started(hands)
    hands.enter("Id of the home", "elder-9")
    hands.press("Begin the visit")
    hands.until_told("The visit of elder-9")
    hands.until(lambda: hands.has("What is the address? (if known)"), "the first questions")
    hands.chrome.ask(f"{FIELD.format(json.dumps('note'))}.focus()")
    hands.key("p", ALT)
    hands.until(lambda: hands.value("note") == "photo 1", "the next photo")
    assert hands.focused() == "note"

    def kept() -> str:
        return keeping.working(town / "elder-9.toml").text

    onward(hands, ("", "Under which code edition"), ("2023", "Which method of the service load"))
    for start in ("What is the floor area", "What is the service rated?", "Adapter:", "Which size have the conductors"):
        hands.key("n", ALT)
        at(hands, start)
    onward(hands, ("4/0", "Are the conductors"), ("Al", "Which insulation type"), ("XHHW-2", "Which size is the neutral"))
    onward(hands, ("2/0", "In which raceway"), ("", "Name (id)"), ("", "Kind of raceway"), ("RMC", "How hot does the air"))
    hands.until(lambda: 'raceway = "riser"' in kept(), "the new raceway is that of the run")
    hands.key("n", ALT)
    at(hands, "Name (id)")
    onward(hands, ("", "Kind of panel"), ("panelboard", "Connected to"), ("service", "What is the bus rated?"))
    hands.keys("200")
    hands.until(lambda: "(200)" in hands.chrome.ask("document.activeElement.closest('.wb-row').innerText"), "the bus is not taken")
    onward(hands, ("", "What is the bus rated?"))
    onward(hands, ("200 A", "What is the main breaker's rating?"), ("200 A", "Next step"), ("", "Name (id)"))
    for name in ("range-breaker", "dryer-breaker"):
        onward(hands, (name, "Breaker rating"), ("40 A", "Poles"), ("2", ""))
        hands.until_told(f"Added panel.main.breakers.{name}")
        at(hands, "Name (id)")
    hands.key("n", ALT)
    hands.until(lambda: hands.has_button("Add a feeder"), "the step of sub-panels")
    hands.key("n", ALT)
    hands.until(lambda: hands.has("Kind of load"), "the step of the loads")
    at(hands, "Name (id)")
    for kind in ("range", "dryer"):
        onward(hands, ("", "Kind of load"), (kind, "Connected to"), (f"{kind}-breaker", "What is its nameplate rating?"))
        hands.keys("5 kW")
        hands.until(lambda kind=kind: f'id = "{kind}"' in (text := kept()) and '"5 kW"' in text.split(f'id = "{kind}"')[1], "it is kept")
        hands.until_current()
        assert hands.focused().startswith("What is its nameplate rating?"), "a verdict that comes moves nothing"
        onward(hands, ("", "Name (id)"))
    assert 'note = "photo 1"' in kept()
    assert kept().count("poles of") == 2, "the voltage is taken from the breaker"
    assert len(hands.chrome.ask("[...document.querySelectorAll('.wb-kind-load > .wb-opened')].filter(one => one.checkVisibility())")) == 1


def test_the_breaker_of_a_charger_is_added_in_its_step_by_keys_and_what_is_refused_is_gone_back_to(town: Path, hands: Hands):
    begun = Draft(visit.beginning("elder-10"))
    begun.add(("panel",), {"id": "main", "kind": "panelboard", "connected_to": "service"})
    site = town / "elder-10.toml"
    keeping.folder_of(site).mkdir()
    (keeping.folder_of(site) / keeping.WORKING).write_text(begun.text, encoding="utf-8")
    open_beside(hands.chrome, "start")
    started(hands)
    hands.choose("Half done", "elder-10")
    hands.press("Take the visit up")
    hands.until_told("The visit of elder-10")
    steps = "[...document.querySelectorAll('.wb-visit option')].map(one => one.textContent).find(one => one.startsWith('10.'))"
    hands.until(lambda: hands.chrome.ask(steps), "the steps")
    charger = "10. The charger and its circuit: nothing entered yet"
    assert words(hands.chrome.ask(steps)) == charger
    hands.choose("Step", charger)
    hands.until(lambda: hands.has_button("Add a charger"), "the step of the charger")
    hands.tab_to("Add a breaker for this circuit to main")
    hands.key(" ")
    hands.until(lambda: hands.has("Breaker rating"), "the entries of a breaker")
    hands.tab_to("Name (id)", 1)
    onward(hands, ("", "Breaker rating"), ("60 kA", "Poles"), ("2", ""))
    hands.until_told("Not done:")
    at(hands, "Breaker rating")
    hands.retype("60 A")
    onward(hands, ("", "Poles"), ("", ""))
    hands.until_told("Added panel.main.breakers.charger-breaker")
    at(hands, "Add a charger")
    onward(hands, ("", "What is the charger rated?"))
    hands.until(lambda: 'connected_to = "charger-breaker"' in keeping.working(site).text, "it is the breaker of the charger")
    hands.until(lambda: "poles of charger-breaker" in keeping.working(site).text, "and its voltage is told by it")


FOCUS = """(one => { const own = one.getBoundingClientRect(), known = [...document.querySelectorAll('.wb-visit .wb-known')]
    .find(line => line.checkVisibility()).getBoundingClientRect()
  const at = document.elementFromPoint(own.left + own.width / 2, own.top + own.height / 2)
  const clear = own.top >= known.bottom - 1 || own.bottom <= known.top + 1
  return [Boolean(at && one.contains(at)), clear, known.top >= 0] })(document.activeElement)"""
"""Whether what has the focus can be seen, is not below the line of how it is known, and that line is on the screen."""


def begun_with(town: Path, hands: Hands, name: str, *rows: dict[str, str], step: str, text: str = "") -> None:
    """Take up a visit that has a main panel with breakers, at a step. Parameters: id, breakers, beginning of the step, another text."""
    begun = Draft(text or visit.beginning(name))
    if not text:
        begun.add(("panel",), {"id": "main", "kind": "panelboard", "connected_to": "service"})
    for row in rows:
        begun.add(("panel", 0, "breakers"), row)
    keeping.keep_working(town / f"{name}.toml", begun.text, None)
    open_beside(hands.chrome, "start")
    started(hands)
    hands.choose("Half done", name)
    hands.press("Take the visit up")
    hands.until_told(f"The visit of {name}")
    steps = (
        f"[...document.querySelectorAll('.wb-visit option')].map(one => one.textContent).find(one => one.startsWith({json.dumps(step)}))"
    )
    hands.until(lambda: hands.chrome.ask(steps), "the steps")
    hands.choose("Step", words(hands.chrome.ask(steps)))


def typed(hands: Hands, text: str) -> None:
    """Type without a look at the screen: a line's end is the Enter key."""
    for letter in text:
        hands.key("Enter" if letter == "\n" else letter)


def breakers_typed(hands: Hands, text: str) -> None:
    """As `typed`, from the id of a new breaker on, in place of the one that is offered."""
    hands.until(lambda: hands.has("Breaker rating"), "the entries of a breaker")
    hands.chrome.ask(f"{FIELD.format(json.dumps('Name (id)'))}.focus()")
    hands.key("a", CONTROL)
    typed(hands, text)


def test_what_is_typed_ahead_of_an_answer_is_neither_lost_nor_misplaced(town: Path, hands: Hands):
    """Three breakers and what follows them, key by key, without waiting for anything in between."""
    begun_with(town, hands, "elder-11", step="7.")
    breakers_typed(hands, "kitchen-1\n20 A\n1\nkitchen-2\n25 A\n1\nrange-breaker\n50 A\n2\nhalf")
    hands.until_told("Added panel.main.breakers.range-breaker")
    hands.until(lambda: hands.value("Name (id)") == "half", "the rest is in the first entry of the next")
    assert hands.focused() == "Name (id)"
    assert hands.value("Breaker rating") == hands.value("Poles") == ""
    hands.until(lambda: len(breakers(town, "elder-11")) == 3, "the last is kept", 20)
    rows = [(one["id"], one["rating"], one["poles"]) for one in breakers(town, "elder-11")]
    assert rows == [("kitchen-1", "20 A", 1), ("kitchen-2", "25 A", 1), ("range-breaker", "50 A", 2)]
    assert hands.seen(".wb-visit .wb-typed") == ""


def test_lists_and_answers_are_typed_ahead_too(town: Path, hands: Hands):
    """Two loads with what they are asked: lists are chosen of by letters, also where these wait for an answer."""
    rows = [{"id": f"{name}-breaker", "rating": "50 A", "poles": "2"} for name in ("range", "dryer")]
    begun_with(town, hands, "elder-17", *rows, step="9.")
    hands.until(lambda: hands.has("Kind of load"), "the entries of a load")
    hands.chrome.ask(f"{FIELD.format(json.dumps('Name (id)'))}.focus()")
    typed(hands, "\nrange\nrange-breaker\n12 kW\n\ndryer\ndryer-breaker\n5 kW\n")

    def loads() -> list[tuple]:
        found = tomllib.loads(keeping.working(town / "elder-17.toml").text).get("load", ())
        return [(one["id"], one["kind"], one["connected_to"], one.get("rating")) for one in found]

    hands.until(lambda: len(loads()) == 2 and loads()[1][3], "both are kept")
    assert loads() == [("range", "range", "range-breaker", "12 kW"), ("dryer", "dryer", "dryer-breaker", "5 kW")]
    at(hands, "Name (id)")
    assert hands.seen(".wb-visit .wb-typed") == ""


def test_what_is_typed_ahead_of_a_refusal_goes_nowhere_and_is_told(town: Path, hands: Hands):
    begun_with(town, hands, "elder-12", step="7.")
    breakers_typed(hands, "kitchen-1\n20 kA\n1\nkitchen-2\n25 A\n")
    hands.until_told("Not done:")
    at(hands, "Breaker rating")
    hands.until(lambda: "kitchen-2 Enter 25 A Enter" in hands.seen(".wb-visit .wb-typed"), "what was not entered is told", 20)
    assert hands.value("Breaker rating") == "20 kA"
    assert (hands.value("Name (id)"), hands.value("Poles")) == ("kitchen-1", "1")
    assert "panel.breakers]]" not in keeping.working(town / "elder-12.toml").text
    hands.chrome.ask("new Promise(done => setTimeout(done, 600))")
    hands.retype("20 A")
    onward(hands, ("", "Poles"), ("", ""))
    hands.until_told("Added panel.main.breakers.kitchen-1")


def test_a_visit_begins_at_its_first_question_and_no_step_is_skipped_unseen(town: Path, hands: Hands):
    open_beside(hands.chrome, "start")
    started(hands)
    hands.enter("Id of the home", "no id")
    hands.key("Tab")
    typed(hands, "\n2023")
    at(hands, "Id of the home")
    hands.until(lambda: "not entered: 2023" in hands.seen(".wb-typed"), "what went nowhere is told", 20)
    assert hands.value("Id of the home") == "no id"
    hands.chrome.ask("new Promise(done => setTimeout(done, 600))")
    hands.enter("Id of the home", "elder-13")
    hands.key("Tab")
    assert hands.focused() == "Begin the visit"
    hands.key("Enter")
    hands.key("n", ALT)
    at(hands, "Under which code edition")
    hands.until_told("The visit of elder-13")
    assert hands.seen(".wb-visit .wb-head") == "The job"
    assert hands.chrome.ask(FOCUS) == [True, True, True]
    shown = "[...document.querySelectorAll('.wb-visit .wb-head')].find(one => one.checkVisibility()).getBoundingClientRect().top"
    assert 0 <= hands.chrome.ask(shown) < hands.chrome.ask("innerHeight")
    hands.key("n", ALT)
    at(hands, "What is the floor area")
    hands.until(lambda: hands.seen(".wb-visit .wb-head") == "The house", "the next step")


def test_the_source_is_gone_to_and_come_back_from_by_keys_and_stays_in_sight(town: Path, hands: Hands):
    rows = [{"id": f"{number}-breaker", "rating": "20 A", "poles": "2"} for number in range(1, 9)]
    begun_with(town, hands, "elder-14", *rows, step="7.")
    for number in (1, 8):
        hands.press(f"Breaker {number}-breaker")
        hands.until(lambda number=number: hands.has_button(f"Breaker {number}-breaker  (\N{MINUS SIGN} hide)"), "it is open", 20)
    rating = of_breaker("8", "rating")
    hands.chrome.ask(f"{rating}.focus()")
    hands.key("Tab")
    hands.key("Tab", SHIFT)
    assert hands.chrome.ask(f"document.activeElement === {rating}")
    assert hands.chrome.ask(FOCUS) == [True, True, True], "the source is in sight, and lies over nothing that has the focus"
    hands.key("k", ALT)
    at(hands, "What I enter now is known from")
    hands.pick("photo")
    hands.key("Tab")
    hands.keys("photo 7")
    hands.key("Enter")
    hands.until(lambda: hands.chrome.ask(f"document.activeElement === {rating}"), "the entry where one was", 20)
    assert hands.chrome.ask(FOCUS) == [True, True, True]
    hands.retype("25 A")
    hands.until(lambda: 'note = "photo 7"' in keeping.working(town / "elder-14.toml").text, "its source is kept")
    for _ in range(30):
        hands.key("Tab", SHIFT)
        if hands.chrome.ask("Boolean(document.activeElement.closest('.wb-visit .wb-inside'))"):
            assert hands.chrome.ask(FOCUS) == [True, True, True], hands.focused()


def test_a_question_that_comes_with_an_answer_is_the_next_unless_a_key_was_pressed(town: Path, hands: Hands):
    begun_with(town, hands, "elder-15", step="3.")
    current, place = "Which fault current does the utility state? (if known)", "At which place does that fault current hold?"
    hands.until(lambda: hands.has(current), "the questions at the meter")
    hands.chrome.ask(f"{FIELD.format(json.dumps(current))}.focus()")
    hands.keys("10 kA")
    hands.key("Enter")
    at(hands, place)
    hands.chrome.ask(f"{FIELD.format(json.dumps(current))}.focus()")
    hands.key("a", CONTROL)
    hands.key("Backspace")
    hands.until(lambda: not any(label.startswith(place) for label in hands.labels()), "it is asked no more")
    hands.keys("12 kA")
    hands.key("Enter")
    hands.key("Tab")
    then = hands.focused()
    hands.until(lambda: any(label.startswith(place) for label in hands.labels()), "it is asked")
    hands.chrome.ask("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert hands.focused() == then


def test_a_home_is_saved_and_rendered_by_keys_from_the_last_step(town: Path, hands: Hands):
    text = (town / "bungalow-100a.toml").read_text(encoding="utf-8").replace('id = "bungalow-100a"', 'id = "elder-16"')
    begun_with(town, hands, "elder-16", step="15.", text=text)
    hands.until(lambda: "look at the verdict, then save (Alt+S)" in hands.seen(".wb-visit"), "the last step")
    hands.key("n", ALT)
    at(hands, "Show what would be saved")
    hands.key("Enter")
    at(hands, "Save it so")
    hands.key("Enter")
    hands.until_told("Saved: elder-16.toml")
    at(hands, "Render the sheets")
    assert (town / "elder-16.toml").read_text(encoding="utf-8") == text
    hands.chrome.ask(f"{FIELD.format(json.dumps('Step'))}.focus()")
    hands.key("s", ALT)
    at(hands, "Show what would be saved")
    hands.key("Enter")
    at(hands, "Render the sheets")
    hands.key("Enter")
    hands.until_told("Rendered: open elder-16/index.html", 120)
    at(hands, "Open the sheets of elder-16")
    accessible(hands)
    hands.key("Enter")
    hands.until(lambda: hands.chrome.ask(f"{PANEL}.context?.path") == "town/elder-16/index.html", "the sheets are open")
    hands.chrome.ask(f"{PANEL}.close()")


def test_the_form_has_no_serious_fault_of_access_and_never_scrolls_sideways(lab: Lab, hands: Hands, pictures: Path):
    """Every fold open, on a laptop with the lab's sidebar, and at a zoom of 200 %."""
    open_beside(hands.chrome, "service_load")
    hands.at_home(lab.home("metered-year-100a", "everyone"))
    assert open_every_fold(hands) > 25
    for name, size in (("laptop", (1280, 800, 1)), ("zoomed", (640, 400, 2))):
        window(hands.chrome, *size)
        hands.to_form()
        hands.picture(pictures, f"14-{name}", size[1])
        assert hands.chrome.ask(TOO_WIDE) == []
        assert hands.chrome.ask(OUTSIDE) == []
        accessible(hands)


def test_every_fold_of_a_large_home_is_opened_at_once_and_nothing_is_lost_on_the_way(lab: Lab, hands: Hands):
    """Thousands of messages go to the browser, while verdicts come in: each field of the home stands there in the end."""
    open_beside(hands.chrome, "service_load")
    site = lab.home("two-panels-320a", "large")
    hands.at_home(site)
    draft = Draft(site.read_text(encoding="utf-8"))
    hands.press("Dwelling")
    area = content.sentence(draft.field("dwelling.floor_area").leaf.label)
    hands.until(lambda: hands.has(area), "the floor area")
    hands.enter(area, "3000 ft^2")
    assert open_every_fold(hands) > 90
    paths = [field.path for group in draft.groups() for field in group.every()]
    named = json.dumps({path: "wb-at-" + re.sub(r"[^a-z0-9]+", "-", path.lower()) for path in paths})
    there = f"Object.entries({named}).filter(([_, name]) => ![...document.getElementsByClassName(name)].some({SEEN})).map(one => one[0])"
    hands.until(lambda: hands.chrome.ask(there) == [], "each field of the home can be seen")
    hands.until_current()


def test_a_drawing_of_the_form_has_its_words(lab: Lab, hands: Hands, pictures: Path):
    open_beside(hands.chrome, "ev_load_management")
    hands.at_home(lab.home("bungalow-control-100a", "drawn"))
    hands.press("Figures")
    drawn = """[...document.querySelectorAll('.wb-live figure, .jp-OutputArea-output figure.wb-figure')]
      .filter(one => one.checkVisibility()).map(one => [one.querySelector('[role=img]')?.getAttribute('aria-label') ?? '',
        one.querySelector('figcaption').textContent])"""
    hands.until(lambda: len(hands.chrome.ask(drawn)) >= 4, "the drawings of the form")
    assert all(len(alternative) > 80 and len(told) > 80 for alternative, told in hands.chrome.ask(drawn))
    hands.picture(pictures, "15-drawings", 1600)
    accessible(hands)


def test_the_focus_stays_with_its_field_while_questions_come_and_go(town: Path, hands: Hands):
    """Two breakers ask the same; an answer of the first brings a question more, and what is typed on goes to the same field."""
    rows = "".join(f'[[panel.breakers]]\nid = "{name}-breaker"\nrating = "20 A"\npoles = 2\n' for name in ("range", "dryer"))
    panel = f'[[panel]]\nid = "main"\nkind = "panelboard"\nconnected_to = "service"\n{rows}'
    keeping.keep_working(town / "elder-9.toml", f'{visit.beginning("elder-9")}{panel}[[load]]\nid = "lamp"\nkind = "fastened"\n', None)
    open_beside(hands.chrome, "start")
    started(hands)
    hands.choose("Half done", "elder-9")
    hands.press("Take the visit up")
    hands.until_told("The visit of elder-9")
    names = hands.chrome.ask(f"[...{FIELD.format(json.dumps('Step'))}.options].map(one => one.textContent)")
    hands.choose("Step", next(one for one in map(words, names) if "Breakers of the main panel" in one))
    for thing in ("Breaker range-breaker", "Breaker dryer-breaker"):
        hands.press(thing)
        hands.until(lambda thing=thing: hands.has_button(f"{thing}  (\N{MINUS SIGN} hide)"), f"{thing} is open", 20)
    rating, poles, leg = (of_breaker("range", name) for name in ("rating", "poles", "leg"))
    assert hands.chrome.ask(f"{rating} !== {of_breaker('dryer', 'rating')} && {poles} !== {of_breaker('dryer', 'poles')}")
    hands.chrome.ask(f"{rating}.focus()")
    hands.key("Home")
    hands.key("1")
    hands.until(lambda: breakers(town)[0]["rating"] == "120 A", "what is typed before the rest is kept")
    assert hands.chrome.ask(f"[document.activeElement === {rating}, {rating}.selectionStart, {rating}.selectionEnd]") == [True, 1, 1]
    hands.keys("0")
    hands.until(lambda: breakers(town)[0]["rating"] == "1020 A", "what is typed on stands behind it")
    hands.chrome.ask(f"{poles}.focus()")
    hands.retype("1")
    hands.until(lambda: hands.chrome.ask(f"Boolean({leg})"), "its leg is asked")
    assert not hands.chrome.ask(f"Boolean({of_breaker('dryer', 'leg')})")
    assert hands.chrome.ask(f"[document.activeElement === {poles}, {poles}.selectionStart, {poles}.selectionEnd]") == [True, 1, 1]
    hands.key("Backspace")
    hands.key("2")
    hands.until(lambda: not hands.chrome.ask(f"Boolean({leg})"), "the leg is asked no more")
    assert hands.chrome.ask(f"[document.activeElement === {poles}, {poles}.value]") == [True, "2"]
    hands.until(lambda: [one["poles"] for one in breakers(town)] == [2, 2], "both have two poles again")
    assert breakers(town)[1]["rating"] == "20 A"


def of_breaker(of: str, name: str) -> str:
    """The entry of a breaker's field that can be seen: another notebook may show a breaker of the same id and be out of sight."""
    rows = f"document.querySelectorAll('.wb-at-panel-main-breakers-{of}-breaker-{name} :is(input, select)')"
    return f"[...{rows}].find({SEEN})"


def breakers(town: Path, name: str = "elder-9") -> list[dict]:
    """The breakers of a visit as they are kept."""
    return tomllib.loads(keeping.working(town / f"{name}.toml").text)["panel"][0].get("breakers", [])
