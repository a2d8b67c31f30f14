"""A meter record in hand, long simulations, and a form that everyone can use."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.browser.access import OUTSIDE, TOO_WIDE, accessible
from tests.browser.lab import (  # noqa: F401
    SEEN,
    Hands,
    Lab,
    hands_at_it,
    open_beside,
    opened,
    page_of_a_notebook,
    pictures_folder,
    started_lab,
    window,
)
from workbook_lib import editions, home
from workbook_lib.live.draft import Draft
from workbook_lib.render import content
from workbook_lib.workbooks import ev_load_management

pytestmark = pytest.mark.browser

CLOSED = """[...document.querySelectorAll('.wb-live .wb-fold, .wb-live .wb-fold-small')]
  .filter(one => one.checkVisibility() && !one.classList.contains('wb-opened'))"""


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
        accessible(hands, contrast=name == "laptop")


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
