"""The one-line diagram and the bus strips beside the site file: nothing missing, nothing invented."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from workbook_lib import editions
from workbook_lib.errors import InputFault
from workbook_lib.home import distribution, read_home
from workbook_lib.home.tree import SERVICE
from workbook_lib.workbooks import backfeed_and_tap

SITES = sorted((Path(__file__).parent.parent / "example_inputs" / "sites").glob("*.toml"))
NUMBER = re.compile(r"\d[\d,]*(?:\.\d+)?(?:-\d+/\d+|/\d+)?")
PLACES = (SERVICE, "supply-side", "meter", "transformer", "adapter")


def drawn(path: Path):
    try:
        home = read_home(path)
    except InputFault as fault:
        pytest.fail(str(fault))
    return home, backfeed_and_tap.study(home, editions.load(home.edition_year)).figures


def texts(found: object) -> Iterator[str]:
    """Every text and number of a TOML file, and the names of its things."""
    if isinstance(found, dict):
        for value in found.values():
            yield from texts(value)
    elif isinstance(found, list):
        yield str(len(found))
        for value in found:
            yield from texts(value)
    else:
        yield str(found)


def numbers(words: str) -> set[str]:
    return {token.replace(",", "").removesuffix(".0") for token in NUMBER.findall(words)}


@pytest.mark.parametrize("path", SITES, ids=lambda path: path.stem)
def test_every_thing_of_the_distribution_is_drawn_under_what_feeds_it(path):
    home, figures = drawn(path)
    marks = {mark.id: mark for mark in figures[0].marks}
    loads = " ".join(" ".join(mark.words) for mark in figures[0].marks if mark.symbol == "loads")
    gathered = len(re.findall(r"\d+(?=,| A)", loads))
    plain = 0
    for name, node in home.tree.nodes.items():
        if not distribution.standing(node) or node.kind in ("lugs", "load") or name in PLACES or name in marks:
            continue
        assert node.kind == "breaker", f"{name} is not drawn"
        plain += 1
    assert gathered == plain, "load breakers gathered in one symbol"
    for mark in figures[0].marks:
        assert mark.parent == "" or mark.parent in marks


@pytest.mark.parametrize("path", SITES, ids=lambda path: path.stem)
def test_no_number_is_drawn_that_the_file_or_the_study_does_not_hold(path):
    home, figures = drawn(path)
    sheet = backfeed_and_tap.study(home, editions.load(home.edition_year))
    held = set().union(*(numbers(one) for one in texts(tomllib.loads(path.read_text(encoding="utf-8")))))
    held |= set().union(*(numbers(name) for name in home.tree.nodes))
    held |= {f"{result.value}" for key, result in sheet.results.items() if key.startswith("raceway:")}
    for mark in figures[0].marks:
        if mark.symbol == "loads":
            words = " ".join(mark.words).partition(":")[2]
        elif mark.symbol == "array":
            words = ""  # the sum of its planes
        else:
            words = " ".join(mark.words)
        lacking = {one for one in numbers(words) if one not in held and one.rstrip("0").rstrip(".") not in held}
        assert not lacking, (mark, lacking)


@pytest.mark.parametrize("path", SITES, ids=lambda path: path.stem)
def test_each_panel_has_its_strip_with_every_breaker_in_its_position(path):
    home, figures = drawn(path)
    strips = {figure.key: figure for figure in figures[1:]}
    panels = [panel for panel in home.site.panel if panel.status != "removed"]
    assert sorted(strips) == sorted(f"bus-{panel.id}" for panel in panels)
    for panel in panels:
        placed = {mark.id: mark.place for mark in strips[f"bus-{panel.id}"].marks if mark.symbol in ("load", "source")}
        for breaker in distribution.breakers_standing(panel):
            assert placed[breaker.id] == (str(breaker.position.value) if breaker.position is not None else "not given")
