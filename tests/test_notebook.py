"""What a notebook shows and how it is opened."""

from __future__ import annotations

import json

import pytest

from tests.conftest import ROOT
from workbook_lib import editions, home, notebook, notebook_tools
from workbook_lib.errors import CalculationFault, InputFault
from workbook_lib.render import parts, results
from workbook_lib.workbooks import REGISTRY, service_load

SITE = ROOT / "example_inputs" / "sites" / "bungalow-100a.toml"
PARTS = ("title_block", "verdict", "inputs", "assumptions", "steps", "checks", "other_editions", "published", "cautions")
PARTS += ("open_items", "not_checked", "results")


@pytest.fixture(scope="module")
def study():
    return notebook.open(SITE)


@pytest.mark.parametrize("part", PARTS)
def test_every_part_has_words_and_html_without_a_script(study, part):
    bundle = getattr(study, part)()._repr_mimebundle_()
    assert bundle["text/plain"].strip()
    assert bundle["text/html"].startswith("<section")
    assert "<script" not in bundle["text/html"]
    assert repr(getattr(study, part)()) == bundle["text/plain"]


def test_the_results_carry_results_json_of_the_workbook(study):
    bundle = study.results()._repr_mimebundle_()
    known = home.read_home(SITE)
    sheet = service_load.study(known, editions.load(known.edition_year))
    assert results.to_bytes(bundle[notebook.RESULTS_MIME]) == results.to_bytes(
        results.document((sheet,), known.inputs, known.inputs_sha256)
    )


def test_other_editions_stand_side_by_side_and_name_what_moves_the_load(study):
    said = repr(study.other_editions())
    for words in ("2017", "2020", "2023", "2026", "in use", "Which rules move it", "unit load of a dwelling", "−2.67"):
        assert words in said


def test_figures_are_drawn_each_with_its_table(study, monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", lambda item, raw=False: shown.append(item))
    study.figures()._ipython_display_()
    assert [("image/svg+xml" in item) if isinstance(item, dict) else "table" for item in shown] == [True, "table", True, "table"]
    assert "25,456" in repr(shown[1])


def test_published_families_lead_to_the_page_of_the_study(study):
    page = study.published()._repr_mimebundle_()["text/html"]
    assert all(f'href="published.html#cases-{family}"' in page for family in study.sheet.cases)
    with pytest.raises(KeyError, match="no family"):
        parts._family("none-such")


def test_what_cannot_be_compared_is_said_and_does_not_stop_the_sheet(study, monkeypatch):
    def broken(*_):
        raise CalculationFault("no row", where="220.55")

    monkeypatch.setattr(service_load, "other_editions", broken)
    assert "Not computed: 220.55: no row" in repr(study.other_editions())
    monkeypatch.setattr(parts, "turning_values", broken)
    assert "Not computed: 220.55: no row" in repr(study.assumptions())


def test_a_workbook_without_other_editions_shows_none(study, monkeypatch):
    monkeypatch.delattr(service_load, "other_editions")
    assert repr(study.other_editions()) == ""


# opening


def test_overrides_take_the_place_of_the_file_and_are_said():
    given = {"evse.evse-1.rating": "32 A"}
    changed = notebook.open(SITE, overrides=given)
    assert changed.sheet.results["service_load_a"].value == pytest.approx(99.6667, abs=1e-4)
    assert "evse.evse-1.rating = 32 A" in repr(changed)
    again = notebook.open(SITE, overrides=json.dumps(given))
    assert again.sheet.results["service_load_a"].value == changed.sheet.results["service_load_a"].value
    assert "LIVE SESSION" not in repr(notebook.open(SITE).title_block())


def test_another_edition_is_a_what_if_on_the_sheet():
    live = notebook.open(SITE, edition="2020")
    assert live.sheet.header.edition == "2020"
    assert "WHAT-IF: NOT THE ADOPTED EDITION" in repr(live.title_block())


@pytest.mark.parametrize(
    "given,words",
    [
        ({"evse.evse-1.ratng": "32 A"}, "rating"),
        ("{not json", "not JSON"),
        ("[1]", "not a set of fields"),
        ({"evse.evse-1.rating": "32 furlongs"}, "32 furlongs"),
    ],
)
def test_an_override_that_cannot_be_used_is_a_fault_shown_as_a_list(given, words):
    with pytest.raises(InputFault, match=words) as caught:
        notebook.open(SITE, overrides=given)
    shown = caught.value._render_traceback_()
    assert shown[0] == "INPUT FAULT"
    assert len(shown) == 1 + len(caught.value.faults)
    assert not any("Traceback" in line for line in shown)


def test_every_workbook_has_its_notebook_and_an_unknown_one_is_named():
    for name in REGISTRY:
        path = notebook.notebook_path(name)
        assert path.name == f"{name}.ipynb"
        assert set(notebook_tools.declared(notebook_tools.read(path))) == {"site_file", "edition", "overrides", "interactive", "case"}
    with pytest.raises(KeyError, match="there are service_load"):
        notebook.notebook_path("none")


def test_the_notebook_opens_the_demo_home():
    given = notebook_tools.declared(notebook_tools.read(ROOT / "notebooks" / "service_load.ipynb"))
    assert (ROOT / "notebooks" / given["site_file"]).resolve() == SITE
    assert (given["edition"], given["overrides"], given["interactive"], given["case"]) == (None, {}, False, "base")
