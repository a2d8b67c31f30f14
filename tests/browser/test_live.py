"""A home worked at in a notebook, as an engineer does: fields typed into, verdicts that turn, variants, saving, and nothing lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.browser.chrome import Chrome
from tests.browser.lab import (  # noqa: F401
    CELLS,
    FIELD,
    PANEL,
    Hands,
    Lab,
    hands_at_it,
    kernel_ready,
    opened,
    page_of_a_notebook,
    pictures_folder,
    said,
    started_lab,
    uncomplaining,
)
from workbook_lib.live import keeping

pytestmark = pytest.mark.browser

RATING = "Charger evse-1: charger rating"
SHORT = "106.07 A is more than limit of the service 100 A, short by 6.07 A"
CARRIES = "Does the service carry the calculated load?"


GONE = ".jp-NotebookPanel .wb-gone"
ABLE = "[...document.querySelectorAll('.wb-live :is(input, select, textarea, button)')].filter(one => !one.disabled).length"
CURRENT = "The verdict is of what is entered"


def ended(hands: Hands) -> None:
    """Look that the form and the parts below say that their kernel is gone, and that the form takes nothing more."""
    hands.until(lambda: "The kernel of this notebook was restarted or has ended" in hands.seen(".wb-live .wb-gone"), "the form says it", 20)
    assert hands.chrome.ask("document.querySelector('.wb-live .wb-gone').getAttribute('role')") == "alert"
    assert CURRENT not in said(hands.chrome)
    assert hands.status() == ""
    assert hands.chrome.ask(ABLE) == 0
    before = hands.value(RATING)
    hands.point(RATING)
    hands.keys("7")
    assert hands.value(RATING) == before
    hands.until(lambda: "this is OLDER" in hands.seen(".jp-OutputArea-output .widget-html > .wb-gone"), "and so do the parts", 20)


def rated(text: str) -> str:
    """The one line of the site file that holds the charger's rating."""
    found = [line for line in text.split("\n") if '"evse-1"' in line]
    assert len(found) == 1
    return found[0]


def test_a_home_is_opened_a_rating_typed_and_the_verdict_turns_with_what_moved(lab: Lab, hands: Hands, pictures: Path):
    hands.at_home(lab.home("bungalow-100a", "turned"))
    assert hands.seen(".wb-live .wb-title-live").lower() == "turned: service load"
    assert hands.labels()[0] == RATING, "what decides and is added stands first"
    assert "FAIL" in hands.verdict()
    assert "106.07 A" in hands.verdict()
    hands.picture(pictures, "01-a-home-opened", 900)
    hands.enter(RATING, "32 A")
    hands.until(lambda: "99.67 A" in hands.board(), "the load of the smaller charger")
    hands.until_current()
    assert "FAIL" not in hands.verdict()
    assert "does the service carry the calculated load: fail before, pass now" in hands.board()
    assert "Changes are not saved." in hands.status()
    hands.picture(pictures, "02-the-verdict-turned", 900)
    hands.press("Undo")
    hands.until(lambda: "106.07 A" in hands.verdict(), "the charger of the file")
    assert hands.value(RATING) == "48 A"
    hands.press("Redo")
    hands.until(lambda: hands.value(RATING) == "32 A", "redone")


def test_the_parts_of_the_sheet_below_follow_what_is_entered(lab: Lab, hands: Hands):
    hands.at_home(lab.home("bungalow-100a", "below"))
    hands.enter(RATING, "40 A")
    hands.until(lambda: "102.87 A" in hands.board(), "another load")
    hands.until_current()
    assert "106.07" not in hands.until_below("study.steps()", "102.87")


def test_a_wrong_entry_is_told_beside_its_field_and_the_verdict_says_that_it_is_of_the_value_before(lab: Lab, hands: Hands, pictures: Path):
    site = lab.home("bungalow-100a", "wrong")
    hands.at_home(site)
    field = FIELD.format(json.dumps(RATING))
    assert hands.chrome.ask(f"{field}.getAttribute('aria-invalid')") == "false"
    hands.enter(RATING, "25 kV")
    hands.until(lambda: "1 entry is not taken (evse.evse-1.rating)" in hands.status(), "the status says that an entry is not taken")
    beside = f"{field}.closest('.wb-row').querySelector('.wb-hint').innerText"
    hands.until(lambda: "25 kV" in hands.chrome.ask(beside), "what was typed is told beside it")
    assert hands.chrome.ask(beside).startswith("Not taken:")
    assert hands.chrome.ask(f"document.getElementById({field}.getAttribute('aria-describedby')).innerText").startswith("Not taken:")
    hands.until(lambda: hands.chrome.ask(f"{field}.getAttribute('aria-invalid')") == "true", "the field is marked as wrong")
    assert "of the value before" in hands.status()
    assert "106.07 A" in hands.verdict()
    assert hands.value(RATING) == "25 kV", "what was typed stays"
    hands.picture(pictures, "03-a-wrong-entry", 900)
    hands.retype("32 A")
    hands.until(lambda: "99.67 A" in hands.board() and "not taken" not in hands.status(), "a right entry is taken")
    assert hands.chrome.ask(f"{field}.getAttribute('aria-invalid')") == "false"


def test_two_variants_are_held_and_compared_side_by_side(lab: Lab, hands: Hands, pictures: Path):
    site = lab.home("bungalow-100a", "variants")
    hands.at_home(site)
    hands.press("Variants")
    for rating, name in (("32 A", "smaller charger"), ("24 A", "smallest charger")):
        hands.enter(RATING, rating)
        hands.until(lambda rating=rating: {"32 A": "99.67 A", "24 A": "98.87 A"}[rating] in hands.board(), "the load of it")
        hands.until_current()
        hands.enter("Name", name)
        hands.press("Hold what is entered")
        hands.until_told(f"Held as {name}")
    head = "[...document.querySelectorAll('.wb-sides thead th')].map(one => one.textContent)"
    assert hands.chrome.ask(head) == ["Field", "the file as it is", "smaller charger", "smallest charger", "what is entered now"]
    rows = "[...document.querySelectorAll('.wb-sides tbody tr')].map(row => [...row.children].map(one => one.innerText))"
    table = {row[0]: row[1:] for row in hands.chrome.ask(rows)}
    assert [cell.split(" (")[0] for cell in table["evse.evse-1.rating"]] == ["48 A", "32 A", "24 A", "24 A"]
    assert "106.07 A" in table["service load"][0]
    assert all(one.lower().startswith(word) for one, word in zip(table["service load"], ("fail", "judgement", "judgement"), strict=False))
    hands.chrome.ask("document.querySelector('.wb-sides').scrollIntoView()")
    hands.picture(pictures, "04-variants-side-by-side", 900)
    assert [one.name for one in keeping.variants(site)] == ["smaller charger", "smallest charger"]
    hands.choose("Variant", "smaller charger")
    hands.press("Take it up")
    hands.until_told("Taken up: smaller charger")
    hands.until(lambda: hands.value(RATING) == "32 A", "the variant is in the form")


def test_the_largest_charger_is_asked_and_taken_into_the_form(lab: Lab, hands: Hands, pictures: Path):
    hands.at_home(lab.home("bungalow-100a", "asked"))
    hands.press("Ask: the largest")
    hands.choose("What is the", "largest charger: evse-1, by the load of the service")
    hands.press("Ask")
    hands.until(lambda: hands.has_button("Take it into the form"), "an answer")
    told = hands.seen(".wb-live .wb-right div.wb[role=status]")
    hands.picture(pictures, "05-an-inverse-answer", 900)
    hands.press("Take it into the form")
    hands.until(lambda: hands.value(RATING) in told and hands.value(RATING) != "48 A", "the answer is in the form")
    hands.until_current()
    assert "FAIL" not in hands.verdict()


def test_saving_shows_the_difference_keeps_every_other_byte_and_overwrites_nothing(lab: Lab, hands: Hands, pictures: Path):
    site = lab.home("bungalow-100a", "saved")
    before = site.read_bytes()
    hands.at_home(site)
    hands.enter(RATING, "32 A")
    hands.until(lambda: "99.67 A" in hands.board(), "the load of the smaller charger")
    hands.press("Save and render")
    hands.press("Render the sheets")
    hands.until_told("Save first")
    hands.press("Show what would be saved")
    hands.until(lambda: hands.seen(".wb-difference"), "the difference")
    lines = [line for line in hands.chrome.ask("document.querySelector('.wb-difference').textContent").split("\n")[2:] if line]
    taken, given = ([line for line in lines if line.startswith(sign)] for sign in "-+")
    assert (len(taken), len(given)) == (1, 1)
    assert '"48 A"' in taken[0]
    assert '"32 A"' in given[0]
    hands.picture(pictures, "06-the-difference", 900)
    assert site.read_bytes() == before, "nothing is written before it is said"
    hands.press("Save it so")
    hands.until_told("Saved: saved.toml")
    after = site.read_bytes()
    old, new = before.decode().split("\n"), after.decode().split("\n")
    differing = [(one, other) for one, other in zip(old, new, strict=True) if one != other]
    assert differing == [(rated(before.decode()), rated(before.decode()).replace('{ value = "48 A", from = "data-sheet" }', '"32 A"'))]
    hands.until(lambda: "not saved" not in hands.status(), "nothing is left to save")

    hands.press("Render the sheets")
    hands.until_told("Rendered: open saved/index.html", 90)
    rendered = (site.with_suffix("") / "service_load.html").read_text(encoding="utf-8")
    assert "99.67" in rendered
    assert "LIVE SESSION" not in rendered

    hands.enter(RATING, "24 A")
    hands.until(lambda: "98.87 A" in hands.board(), "the load of a smaller charger still")
    elsewhere = after + b"\n# somebody else\n"
    hands.press("Show what would be saved")
    hands.until(lambda: hands.seen(".wb-difference"), "the difference again")
    site.write_bytes(elsewhere)
    hands.press("Save it so")
    hands.until_told("changed on disk since it was opened")
    assert site.read_bytes() == elsewhere
    hands.picture(pictures, "07-changed-on-disk", 900)
    hands.press("Read the file anew")
    hands.until_told("Read anew")
    hands.until(lambda: hands.value(RATING) == "24 A", "what was entered is not lost")
    hands.press("Show what would be saved")
    hands.press("Save it so")
    hands.until_told("Saved: saved.toml")
    assert site.read_bytes() == elsewhere.replace(b'rating = "32 A"', b'rating = "24 A"'), "both changes stand in the file"


def test_a_kernel_restarted_in_the_middle_loses_neither_variants_nor_entries(lab: Lab, hands: Hands, pictures: Path):
    site = lab.home("bungalow-100a", "restarted")
    hands.at_home(site)
    hands.enter(RATING, "32 A")
    hands.until_current()
    hands.press("Variants")
    hands.enter("Name", "before the restart")
    hands.press("Hold what is entered")
    hands.until_told("Held as before the restart")
    hands.enter(RATING, "24 A")
    hands.until(lambda: (kept := keeping.working(site)) is not None and '"24 A"' in kept.text, "the working copy is written")
    hands.chrome.ask(f"{PANEL}.sessionContext.session.kernel.restart()")
    kernel_ready(hands.chrome)
    ended(hands)
    hands.picture(pictures, "08-kernel-ended", 900)
    hands.at_home(site)
    assert hands.value(RATING) == "48 A", "the form begins from the file"
    assert hands.seen(GONE) == ""
    assert hands.chrome.ask(ABLE) > 10
    assert "Changes of an earlier session are kept and not saved" in hands.seen(".wb-live")
    hands.picture(pictures, "08-kernel-restarted", 900)
    hands.press("Take up what was entered")
    hands.until(lambda: hands.value(RATING) == "24 A", "the entry is back")
    hands.until(lambda: "98.87 A" in hands.board(), "and its answer")
    hands.press("Variants")
    hands.press("Set all side by side")
    hands.until(lambda: "before the restart" in hands.seen(".wb-sides"), "the variant is there")


def test_the_form_of_a_kernel_that_was_shut_down_stays_ended_beside_another_kernel(lab: Lab, hands: Hands):
    """Neither it nor one restarted from elsewhere is marked at its widgets by the lab."""
    site = lab.home("bungalow-100a", "shut-down")
    hands.at_home(site)
    hands.chrome.ask(f"{PANEL}.sessionContext.shutdown()")
    ended(hands)
    hands.chrome.ask(f"{PANEL}.sessionContext.changeKernel({{name: 'python3'}}).then(() => null)")
    kernel_ready(hands.chrome)
    ended(hands)
    hands.at_home(site)
    assert hands.seen(GONE) == ""


def test_a_form_whose_connection_comes_back_is_given_back_as_it_was(lab: Lab, hands: Hands):
    hands.at_home(lab.home("bungalow-100a", "given-back"))
    off = "[...document.querySelectorAll('.wb-live :is(input, select, textarea, button)')].map(one => one.disabled)"
    before, bar = hands.chrome.ask(off), f"{PANEL}.node.querySelector('.jp-Notebook-ExecutionIndicator')"
    assert any(before), "some are disabled by the form itself"
    hands.chrome.ask(f"{bar}.dataset.status = 'disconnected'")
    ended(hands)
    hands.chrome.ask(f"{bar}.dataset.status = 'idle'")
    hands.until(lambda: hands.seen(GONE) == "", "nothing says any more that the kernel is gone", 20)
    assert hands.chrome.ask(off) == before
    hands.enter(RATING, "32 A")
    hands.until(lambda: "99.67 A" in hands.board(), "the load of the smaller charger")
    hands.until_current()


def test_a_connection_made_anew_takes_nothing_from_the_form(lab: Lab, hands: Hands):
    hands.at_home(lab.home("bungalow-100a", "reconnected"))
    hands.chrome.ask(f"{PANEL}.sessionContext.session.kernel.reconnect().then(() => null)")
    hands.enter(RATING, "32 A")
    hands.until(lambda: "99.67 A" in hands.board(), "the load of the smaller charger")
    hands.until_current()
    assert hands.seen(GONE) == ""


def test_a_browser_closed_in_the_middle_loses_nothing_that_was_held_or_entered(lab: Lab, browser: str):
    """A browser that is ended, and another one on the same server."""
    site, address = lab.home("bungalow-100a", "closed"), lab.notebook("service_load", "closed", copy="closed")
    with Chrome(browser) as first:
        opened(address, first)
        one = Hands(first)
        one.at_home(site)
        one.enter(RATING, "32 A")
        one.until(lambda: "99.67 A" in one.board(), "the load of the smaller charger")
        one.press("Variants")
        one.enter("Name", "before the end")
        one.press("Hold what is entered")
        one.until_told("Held as before the end")
        one.enter(RATING, "24 A")
        one.until(lambda: "98.87 A" in one.board(), "the load of the smallest charger")
        one.until(lambda: (kept := keeping.working(site)) is not None and '"24 A"' in kept.text, "the working copy is written")
        uncomplaining(first)
    with Chrome(browser) as second:
        opened(address, second)
        other = Hands(second)
        other.at_home(site)
        other.press("Take up what was entered")
        other.until(lambda: other.value(RATING) == "24 A", "the entry is back")
        other.press("Variants")
        other.choose("Variant", "before the end")
        other.press("Take it up")
        other.until(lambda: other.value(RATING) == "32 A", "and so is the variant")
        uncomplaining(second)


def test_a_notebook_in_two_windows_has_one_form_and_one_that_is_opened_anew_closes_the_other(lab: Lab, browser: str):
    """Where it is saved the second window shows the same form; where its cells are run there, that of the first says that it is closed."""
    site, address = lab.home("bungalow-100a", "twice"), lab.notebook("service_load", "window-1", copy="twice")
    with Chrome(browser) as first, Chrome(browser) as second:
        opened(address, first)
        one, other = Hands(first), Hands(second)
        one.at_home(site)
        one.enter(RATING, "40 A")
        one.until(lambda: "102.87 A" in one.board(), "the load of the smaller charger")
        first.ask("window.jupyterapp.commands.execute('docmanager:save').then(() => null)")
        opened(address.replace("window-1", "window-2"), second)
        other.until_form(site)
        assert other.value(RATING) == "40 A", "the second window shows what was entered in the first"
        for here, there, text, load in ((other, one, "24 A", "98.87 A"), (one, other, "32 A", "99.67 A"), (other, one, "48 A", "106.07 A")):
            here.enter(RATING, text)
            there.until(lambda there=there, text=text: there.value(RATING) == text, f"{text} is shown in the other window")
            for hands in (here, there):
                hands.until(lambda hands=hands, load=load: load in hands.verdict() or load in hands.board(), f"{load} in both windows")
                assert hands.value(RATING) == text
        one.enter(RATING, "24 A")
        one.until(lambda: (kept := keeping.working(site)) is not None and '"24 A"' in kept.text, "it is kept")
        other.at_home(site)
        one.until(lambda: "This form is closed" in one.seen(".wb-live"), "the form of the first window says that it is closed")
        assert not one.has(RATING), "nothing can be typed into it"
        other.press("Take up what was entered")
        other.until(lambda: other.value(RATING) == "24 A", "what was entered in the first window is there")
        for chrome in (first, second):
            uncomplaining(chrome)


OUTLINES = """[...document.querySelectorAll('.wb-live button, .wb-live input, .wb-live select, .wb-live a, .wb-live [tabindex]')]
  .filter(one => one.checkVisibility() && !one.disabled && one.tabIndex >= 0).map(one => {
    one.focus()
    const style = getComputedStyle(one)
    const words = one.textContent || one.labels?.[0]?.textContent
    return [document.activeElement === one, style.outlineStyle, parseFloat(style.outlineWidth), words]
  })"""


def test_the_focus_is_seen_at_everything_that_can_have_it(lab: Lab, hands: Hands):
    hands.at_home(lab.home("bungalow-100a", "outlined"))
    for fold in (
        "Charger evse-1 ",
        "More fields of charger evse-1",
        "Add a thing",
        "Ask: the largest",
        "Variants",
        "Save and render",
        "Meter record",
    ):
        hands.press(fold)
    hands.until(lambda: hands.has("File"), "all folds are open")
    hands.press("Show what would be saved")
    found = hands.chrome.ask(OUTLINES)
    assert len(found) > 100
    assert [one for one in found if not (one[0] and one[1] == "solid" and one[2] >= 2)] == []


def test_letters_typed_on_a_button_of_the_form_do_nothing_to_the_notebook(lab: Lab, hands: Hands):
    """JupyterLab takes `x` and `dd` on a cell for cutting and deleting it."""
    hands.at_home(lab.home("bungalow-100a", "letters"))
    count, first = f"{CELLS}.length", f"{CELLS}.map(cell => cell.model.id)"
    before = hands.chrome.ask(first)
    for stop in ("Undo", "Dwelling", RATING):
        words = f"(one.labels?.[0]?.textContent ?? one.textContent).startsWith({json.dumps(stop)})"
        hands.chrome.ask(f"[...document.querySelectorAll('.wb-live button, .wb-live input')].find(one => {words}).focus()")
        for letter in "ddxxabmyzz":
            hands.key(letter)
        hands.key("ArrowUp")
    assert hands.chrome.ask(first) == before
    assert hands.chrome.ask(count) == len(before)
    assert "ddxxabmyzz" in hands.value(RATING)


def test_the_whole_of_it_is_done_by_the_keyboard_alone(lab: Lab, hands: Hands, pictures: Path):
    """From the first field to saved and rendered: Tab, Shift and Tab, Enter, space, arrows, typing."""
    site = lab.home("bungalow-100a", "keyboard")
    hands.at_home(site)
    hands.chrome.ask("document.querySelector('.wb-live select').focus()")
    assert hands.focused() == "Units shown beside"
    hands.pick("metres and degrees Celsius")
    hands.tab_to(RATING)
    hands.retype("32 A")
    hands.until(lambda: "99.67 A" in hands.board(), "the verdict turns")
    hands.tab_to("from", 1)
    hands.pick("photo")
    hands.tab_to("note", 1)
    hands.keys("photo 9")
    hands.tab_to("Dwelling: floor area")
    assert "148.645 m^2" in hands.seen(".wb-live .wb-row:has(:focus) .wb-hint")
    hands.tab_to("Dwelling (+ show)")
    hands.key("Enter")
    hands.until(lambda: hands.focused().startswith("Dwelling (\N{MINUS SIGN} hide)"), "the thing is opened and keeps the focus")
    hands.tab_to("Floor area", 3)
    hands.tab_to("Dwelling (", 3, back=True)
    hands.key(" ")
    hands.until(lambda: hands.focused().startswith("Dwelling (+ show)"), "and closed")
    hands.tab_to("Save and render")
    hands.key("Enter")
    hands.until(lambda: hands.has_button("Show what would be saved"), "what is behind it")
    hands.tab_to("Show what would be saved", 3)
    hands.key("Enter")
    hands.until(lambda: hands.has_button("Save it so"), "the difference")
    hands.tab_to("Save it so", 2)
    hands.key("Enter")
    hands.until_told("Saved: keyboard.toml")
    assert 'rating = { value = "32 A", from = "photo", note = "photo 9" }' in rated(site.read_text(encoding="utf-8"))
    hands.tab_to("Render the sheets", 4)
    hands.key(" ")
    hands.until_told("Rendering the sheets from the saved file")
    hands.picture(pictures, "09-by-the-keyboard", 900)
    hands.tab_to("Undo", 20, back=True)
