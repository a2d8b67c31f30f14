"""Figures: the same bytes, words for who cannot see them, nothing in colour alone."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from tests import drawing_checks, fake_sheet
from workbook_lib.errors import MachineryFault
from workbook_lib.render import figures

SHEET = fake_sheet.sheet()
MAX_BYTES = 60_000


@pytest.fixture(scope="module", params=SHEET.figures, ids=lambda figure: figure.key)
def drawn(request):
    return request.param, figures.svg(request.param)


def test_a_figure_is_well_formed_described_and_asks_for_nothing(drawn):
    drawing_checks.check_well_formed(*drawn, MAX_BYTES)


def test_every_number_of_the_table_is_printed_on_the_drawing(drawn):
    figure, text = drawn
    said = drawing_checks.words_of(text)
    for row in figure.table.rows:
        assert str(row[0]) in said
    expected = {"composition": ("31,020", "17,208", "22,968"), "capacity": ("95.7", "100.04", "131.7", "service rating 100 A")}
    for words in expected[figure.kind]:
        assert words in said


def test_the_same_figure_gives_the_same_bytes_in_greys(drawn):
    drawing_checks.check_same_bytes_in_greys(*drawn)


def test_series_differ_by_pattern():
    assert len({face + hatch for face, hatch in figures.HATCHES}) == len(figures.HATCHES)


def test_two_drawings_on_one_page_share_no_names():
    first, second = (set(re.findall(r' id="([^"]+)"', figures.svg(figure))) for figure in SHEET.figures)
    assert not first & second


def test_an_unknown_kind_or_an_empty_table_is_a_clear_fault():
    with pytest.raises(MachineryFault, match="no drawing for kind 'pie'"):
        figures.svg(replace(SHEET.figures[0], kind="pie"))
    with pytest.raises(MachineryFault, match="no column of numbers"):
        figures.svg(replace(SHEET.figures[0], table=fake_sheet.Table(("a", "b"), (("x", "y"),))))
