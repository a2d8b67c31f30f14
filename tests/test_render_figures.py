"""Figures: the same bytes, words for who cannot see them, nothing in colour alone."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest

from tests import fake_sheet
from workbook_lib.errors import MachineryFault
from workbook_lib.render import figures

SHEET = fake_sheet.sheet()
SPACE = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module", params=SHEET.figures, ids=lambda figure: figure.key)
def drawn(request):
    return request.param, figures.svg(request.param)


def test_the_same_figure_gives_the_same_bytes(drawn):
    assert figures.svg(drawn[0]) == drawn[1]


def test_a_figure_is_well_formed_described_and_asks_for_nothing(drawn):
    figure, text = drawn
    root = ElementTree.fromstring(text)
    names = root.get("aria-labelledby").split()
    described = {element.get("id"): element.text for element in root if element.tag in (f"{SPACE}title", f"{SPACE}desc")}
    assert [described[name] for name in names] == [figure.title, figure.description]
    assert root.get("role") == "img"
    assert not re.search(r"<script|<style|<metadata|<image|<a ", text)
    assert set(re.findall(r'(?:href|src)="([^"#])', text)) == set()
    assert "viewBox" in root.attrib
    assert "width" not in root.attrib


def test_every_number_of_the_table_is_printed_on_the_drawing(drawn):
    figure, text = drawn
    said = " ".join(element.text or "" for element in ElementTree.fromstring(text).iter(f"{SPACE}text"))
    for row in figure.table.rows:
        assert str(row[0]) in said
    expected = {"composition": ("31,020", "17,208", "22,968"), "capacity": ("95.7", "100.04", "131.7", "service rating 100 A")}
    for words in expected[figure.kind]:
        assert words in said


def test_series_differ_by_pattern_and_shades_are_grey(drawn):
    colours = {match.lower() for match in re.findall(r"#[0-9a-fA-F]{6}", drawn[1])}
    for colour in colours:
        channels = [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
        assert max(channels) - min(channels) <= 16, f"{colour} is not a grey"
    assert len({face + hatch for face, hatch in figures.HATCHES}) == len(figures.HATCHES)


def test_two_drawings_on_one_page_share_no_names():
    first, second = (set(re.findall(r' id="([^"]+)"', figures.svg(figure))) for figure in SHEET.figures)
    assert not first & second


def test_an_unknown_kind_or_an_empty_table_is_a_clear_fault():
    with pytest.raises(MachineryFault, match="no drawing for kind 'pie'"):
        figures.svg(replace(SHEET.figures[0], kind="pie"))
    with pytest.raises(MachineryFault, match="no column of numbers"):
        figures.svg(replace(SHEET.figures[0], table=fake_sheet.Table(("a", "b"), (("x", "y"),))))
