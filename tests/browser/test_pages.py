"""The pages of a study as a browser shows and prints them."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.browser.chrome import Chrome
from tests.browser.conftest import BACKED, CHARGED, HOMES, TIED, WHOLE
from workbook_lib.errors import MachineryFault
from workbook_lib.render import pdf
from workbook_lib.workbooks import REGISTRY

pytestmark = pytest.mark.browser

PAGES = ("service_load.html", "index.html", "published.html")
POINTS = {"letter": (612, 792), "a4": (595, 842)}
HIDDEN = "const hidden = item => item.closest('thead') && getComputedStyle(item.closest('thead')).position === 'absolute';"
"""Heads of tables that a narrow window keeps for a screen reader alone."""
TOO_WIDE = f"""(() => {{ {HIDDEN} return [...document.querySelectorAll("body *")]
  .filter(item => item.getClientRects().length && item.closest("svg") === null && !hidden(item))
  .filter(item => item.getBoundingClientRect().right > document.documentElement.clientWidth + 0.5)
  .map(item => item.tagName + "." + item.className + ": " + item.textContent.slice(0, 40)) }})()
"""
CUT = f"""(() => {{ {HIDDEN} return [...document.querySelectorAll("td, th, dd, .wb-rhs, .wb-source, .wb-band")]
  .filter(item => item.scrollWidth > item.clientWidth + 1 && getComputedStyle(item).display !== "inline" && !hidden(item))
  .map(item => item.className + ": " + item.textContent.slice(0, 40)) }})()
"""
SMALLEST_PX = """
Math.min(...[...document.querySelectorAll("td, p, li, dd, .wb-rhs")]
  .filter(item => item.textContent.trim() && item.getClientRects().length)
  .map(item => parseFloat(getComputedStyle(item).fontSize)))
"""
LOST_LINKS = """
[...document.querySelectorAll("a[href^='#']")].map(link => link.getAttribute("href"))
  .filter(target => document.getElementById(decodeURIComponent(target.slice(1))) === null)
"""


def text_of(paper: Path) -> str:
    """Words of a printed page, as they stand on the paper."""
    reader = shutil.which("pdftotext")
    if not reader:
        pytest.fail("no pdftotext: install poppler-utils, or leave these tests out with -m 'not browser'")
    return subprocess.run([reader, "-layout", str(paper), "-"], capture_output=True, text=True, check=True).stdout


class Words(HTMLParser):
    """Words of every table cell of a page."""

    def __init__(self, text: str):
        super().__init__()
        self.cells: list[str] = []
        self._open = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag in ("td", "th"):
            self.cells.append("")
            self._open = True

    def handle_endtag(self, tag):
        self._open = self._open and tag not in ("td", "th")

    def handle_data(self, data):
        if self._open:
            self.cells[-1] += data


TIE, BACKUP, CHARGING = "backfeed_and_tap.html", "backup_duration.html", "ev_load_management.html"
SHEETS = [*((name, TIE) for name in TIED), *((name, BACKUP) for name in BACKED), *((name, CHARGING) for name in CHARGED)]
LOOKED_AT = [*((name, page) for name in HOMES for page in PAGES), *SHEETS]


@pytest.mark.parametrize("width_px", [1280, 375])
@pytest.mark.parametrize("name,page", LOOKED_AT)
def test_a_page_fits_its_window_asks_for_nothing_and_complains_of_nothing(name, page, width_px, chrome: Chrome, studies):
    chrome.open((studies[name] / page).as_uri(), width_px)
    assert chrome.ask("innerWidth") == width_px
    assert chrome.ask("document.documentElement.scrollWidth") <= width_px, chrome.ask(TOO_WIDE)
    assert chrome.ask(TOO_WIDE) == []
    assert chrome.ask(CUT) == []
    assert chrome.ask(SMALLEST_PX) >= 10
    assert chrome.complaints == []
    assert chrome.requests == [(studies[name] / page).as_uri()]


def test_the_measures_find_what_is_too_wide_cut_or_asked_for(chrome: Chrome, tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text(
        '<!DOCTYPE html><p style="width: 900px">wide</p>'
        '<table><td style="width: 2em; max-width: 2em; overflow: hidden; white-space: nowrap">cut in the middle</td></table>'
        '<a href="#none">x</a><img src="http://127.0.0.1:9/x.png"><script>console.error("a fault")</script>',
        encoding="utf-8",
    )
    chrome.open(bad.as_uri(), 375)
    assert len(chrome.ask(TOO_WIDE)) == 1
    assert len(chrome.ask(CUT)) == 1
    assert chrome.ask(LOST_LINKS) == ["#none"]
    assert any("a fault" in said for said in chrome.complaints)
    assert "http://127.0.0.1:9/x.png" in chrome.requests


@pytest.mark.parametrize("name", HOMES)
def test_every_link_leads_somewhere_and_a_reader_gets_from_the_verdict_to_a_nameplate(name, chrome: Chrome, studies):
    chrome.open((studies[name] / "service_load.html").as_uri())
    assert chrome.ask("document.querySelectorAll(\"a[href^='#']\").length") > 100
    assert chrome.ask(LOST_LINKS) == []
    seen, ahead = set(), chrome.ask("[...document.querySelectorAll(\".wb-verdict a[href^='#']\")].map(link => link.hash)")
    assert ahead
    while ahead:
        target = ahead.pop()
        if target not in seen:
            seen.add(target)
            ahead += chrome.ask(f"[...document.getElementById({target[1:]!r}).querySelectorAll(\"a[href^='#']\")].map(link => link.hash)")
    assert {"#input-service-rating"} & seen or name == "unfinished-survey-200a"
    assert any(target.startswith("#input-") for target in seen)


@pytest.mark.parametrize("name,page", SHEETS)
def test_every_link_of_a_sheet_with_drawings_leads_somewhere(name, page, chrome: Chrome, studies):
    chrome.open((studies[name] / page).as_uri())
    assert chrome.ask("document.querySelectorAll(\"a[href^='#']\").length") > 150
    assert chrome.ask(LOST_LINKS) == []


def test_a_link_jumps_and_marks_its_target(chrome: Chrome, studies):
    chrome.open((studies["bungalow-100a"] / "service_load.html").as_uri(), 375)
    chrome.ask("document.querySelector('.wb-controlling a').click()")
    chrome.until(lambda: chrome.ask("scrollY") > 1000, "the page has jumped")
    assert chrome.ask("getComputedStyle(document.querySelector(':target')).outlineStyle") == "solid"


@pytest.fixture(scope="module")
def printed(studies, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, str, str], Path]:
    """Prints a sheet of a home on a paper, once for all tests that look at it."""
    top, made = tmp_path_factory.mktemp("papers"), {}

    def on(name: str, sheet: str, paper: str) -> Path:
        asked = (name, sheet, paper)
        if asked not in made:
            target = top / f"{len(made)}.pdf"
            pdf.to_pdf(studies[name] / sheet, target, paper)
            made[asked] = target
        return made[asked]

    return on


PRINTED = [*((name, "service_load.html") for name in HOMES), ("cascade-200a", TIE), ("whole-home-backup-200a", BACKUP)]
PRINTED += [("bungalow-control-100a", CHARGING)]


@pytest.mark.parametrize("paper", POINTS)
@pytest.mark.parametrize("name,sheet", PRINTED)
def test_a_printed_sheet_has_its_paper_its_foot_and_every_cell_of_every_table(name, sheet, paper, studies, printed):
    page, made = studies[name] / sheet, printed(name, sheet, paper)
    sizes = set(re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", made.read_bytes()))
    assert {tuple(round(float(side)) for side in size) for size in sizes} == {POINTS[paper]}
    pages = text_of(made).rstrip("\f").split("\f")
    assert all(f"page {number} of {len(pages)}" in text for number, text in enumerate(pages, 1))
    said = re.sub(r"\W+", "", "".join(pages)).lower()
    cells = Words(page.read_text(encoding="utf-8")).cells
    assert len(cells) > 300
    for cell in cells:
        for word in re.findall(r"\w+", cell.lower()):
            assert word in said or all(part in said for part in re.findall(r"[a-z]+|\d+", word)), cell


DRAWN = """[...document.querySelectorAll("svg")].filter(svg => svg.querySelectorAll("text").length > 3).map(svg => {
  const frame = svg.getBoundingClientRect()
  const boxes = [...svg.querySelectorAll("text")].map(one => [one.textContent, one.getBoundingClientRect()])
  const leaves = box => box.left < frame.left - 1 || box.right > frame.right + 1 || box.bottom > frame.bottom + 1
  const meet = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
    && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3
  const inks = [...svg.querySelectorAll("[fill], [stroke]")].flatMap(one => [one.getAttribute("fill"), one.getAttribute("stroke")])
  return {
    title: svg.querySelector("title").textContent,
    out: boxes.filter(([, box]) => leaves(box)).map(([words]) => words),
    over: boxes.filter(([, a], i) => boxes.some(([, b], k) => k > i && a.width > 12 && b.width > 12 && meet(a, b))).map(([words]) => words),
    least: frame.width / svg.viewBox.baseVal.width * 10,
    colours: inks.filter(ink => ink && !["none", "#16181b", "#ffffff"].includes(ink)),
  }
})"""
"""Of each drawing: its title, words that leave it or lie over others, the size of its letters [px], colours but black and white."""


@pytest.mark.parametrize("name", TIED)
@pytest.mark.parametrize("width_px", [1280, 375])
def test_the_words_of_a_drawing_stay_inside_it_apart_and_legible(name, width_px, chrome: Chrome, studies):
    """No word of a one-line diagram or bus strip leaves the drawing or lies over another; none is below 9 px on the screen."""
    chrome.open((studies[name] / TIE).as_uri(), width_px)
    found = chrome.ask(DRAWN)
    assert [one["title"] for one in found][0] == "One-line diagram"
    assert len(found) >= 2
    for one in found:
        assert (one["out"], one["over"], one["colours"]) == ([], [], []), one["title"]
        assert one["least"] >= 9


@pytest.mark.parametrize("name", BACKED)
@pytest.mark.parametrize("width_px", [1280, 375])
def test_the_words_of_a_backup_figure_stay_inside_it_and_apart(name, width_px, chrome: Chrome, studies):
    chrome.open((studies[name] / BACKUP).as_uri(), width_px)
    found = chrome.ask(DRAWN)
    assert [one["title"] for one in found][:3] == [
        "How many starts are still served",
        "Hours that 90 % of the starts reach, by month and hour",
        next(one["title"] for one in found if one["title"].startswith("The worst start")),
    ]
    assert len(found) == 5
    for one in found:
        assert (one["out"], one["over"]) == ([], []), one["title"]
        assert one["least"] >= 9


@pytest.mark.parametrize("name", CHARGED)
@pytest.mark.parametrize("width_px", [1280, 375])
def test_the_words_of_a_charging_figure_stay_inside_it_and_apart(name, width_px, chrome: Chrome, studies):
    chrome.open((studies[name] / CHARGING).as_uri(), width_px)
    found = chrome.ask(DRAWN)
    titles = ["The worst night around its excursion", "Current of the service by duration", "Nights at evse-1"]
    assert [one["title"] for one in found] == [*titles, "Time above the setting and trip bounds of the main"]
    for one in found:
        assert (one["out"], one["over"]) == ([], []), one["title"]
        assert one["least"] >= 9


@pytest.mark.parametrize("name,sheet", [*((name, "service_load.html") for name in HOMES), *SHEETS[len(TIED) :]])
def test_no_word_is_printed_outside_the_margins(name, sheet, printed):
    listed = subprocess.run(["pdftotext", "-bbox", str(printed(name, sheet, "a4")), "-"], capture_output=True, text=True, check=True).stdout
    words = [tuple(map(float, found)) for found in re.findall(r'<word xMin="([\d.-]+)" yMin="[\d.-]+" xMax="([\d.-]+)"', listed)]
    assert len(words) > 1000
    assert min(left for left, _ in words) >= 30
    assert max(right for _, right in words) <= POINTS["a4"][0] - 30


@pytest.mark.parametrize("name", WHOLE)
def test_a_study_with_pdf_has_one_for_each_sheet_and_the_index(name, studies):
    folder = studies[name]
    assert {path.name for path in folder.glob("*.pdf")} == {"index.pdf", *(f"{name}.pdf" for name in REGISTRY)}
    for path in folder.glob("*.pdf"):
        content = path.read_bytes()
        assert content.startswith(b"%PDF-")
        assert b"612 792" in content
    assert "service_load.pdf" in (folder / "index.html").read_text(encoding="utf-8")


def test_no_colour_carries_a_meaning_alone(chrome: Chrome, studies):
    chrome.open((studies["bungalow-100a"] / "service_load.html").as_uri())
    coloured = chrome.ask(
        """[...document.querySelectorAll("body *")]
        .filter(item => item.closest("svg") === null && item.textContent.trim())
        .filter(item => { const [r, g, b] = getComputedStyle(item).color.match(/\\d+/g).map(Number);
                          return Math.max(r, g, b) - Math.min(r, g, b) > 40 })
        .map(item => item.textContent.trim())"""
    )
    assert coloured
    words = ("fail", "not confirmed", "unconfirmed", "from memory", "assumed", "no section", "no.")
    assert all(any(word in text.lower() for word in words) for text in coloured), coloured


def test_a_browser_that_fails_is_a_machinery_fault(tmp_path, monkeypatch):
    page = tmp_path / "a.html"
    page.write_text("<html><head></head><body>x</body></html>", encoding="utf-8")
    broken = tmp_path / "broken-browser"
    broken.write_text("#!/bin/sh\necho on purpose >&2\nexit 7\n", encoding="utf-8")
    broken.chmod(0o755)
    monkeypatch.setenv("WORKBOOK_BROWSER", str(broken))
    with pytest.raises(MachineryFault, match=r"status 7.*on purpose"):
        pdf.to_pdf(page, tmp_path / "a.pdf")
    assert not (tmp_path / "a.pdf").exists()
