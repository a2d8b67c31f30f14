"""The study of one home: the same results on both ways, a whole folder or none."""

from __future__ import annotations

import hashlib
import importlib
import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest

from tests.conftest import ROOT
from workbook_lib import editions, home, notebook, notebook_tools, run
from workbook_lib.errors import CalculationFault, InputFault, MachineryFault
from workbook_lib.render import results
from workbook_lib.sheet import worst
from workbook_lib.workbooks import REGISTRY, service_load

SITES = ROOT / "example_inputs" / "sites"
HOMES = sorted(SITES.glob("*.toml"))
WHOLE = ("all-electric-200a", "unfinished-survey-200a")
"""Homes that go through a real kernel here: one that passes, one with open items."""


class Links(HTMLParser):
    """Addresses that a page asks for or leads to, and its anchors."""

    def __init__(self, text: str):
        super().__init__()
        self.targets: list[str] = []
        self.anchors: set[str] = set()
        self.tags: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.tags.add(tag)
        self.anchors |= {found["id"]} if "id" in found else set()
        self.targets += [found[name] for name in ("href", "src", "xlink:href") if found.get(name)]


@pytest.fixture(scope="module")
def studied(tmp_path_factory) -> dict[str, Path]:
    """Folder of a whole study of each home in `WHOLE`."""
    top = tmp_path_factory.mktemp("studies")
    return {name: run.study(SITES / f"{name}.toml", out=top / name).folder for name in WHOLE}


# one answer on every way


@pytest.mark.parametrize("site", HOMES, ids=lambda path: path.stem)
def test_results_only_files_what_the_library_gives(site, tmp_path):
    made = run.study(site, out=tmp_path / "out", results_only=True)
    known = home.read_home(site)
    sheets = [importlib.import_module(module).study(known, editions.load(known.edition_year)) for module in REGISTRY.values()]
    expected = results.document(sheets, known.inputs, known.inputs_sha256)
    assert json.loads((tmp_path / "out" / "results.json").read_bytes()) == json.loads(results.to_bytes(expected))
    assert made.state == str(worst(sheet.verdict for sheet in sheets))
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["results.json"]


@pytest.mark.parametrize("name", WHOLE)
def test_notebooks_and_results_only_file_the_same_bytes(name, studied, tmp_path):
    run.study(SITES / f"{name}.toml", out=tmp_path / "quick", results_only=True)
    assert (studied[name] / "results.json").read_bytes() == (tmp_path / "quick" / "results.json").read_bytes()


def test_a_notebook_that_files_something_else_is_a_machinery_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(run, "filed_in", lambda executed: {"workbooks": {"service_load": {"verdict": "pass"}}})
    with pytest.raises(MachineryFault, match="different results"):
        run.study(HOMES[0], out=tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


# what a study leaves


def test_the_folder_holds_everything_and_nothing_else(studied):
    for folder in studied.values():
        names = {path.name for path in folder.iterdir()}
        assert names == {"results.json", "index.html", "published.html", "inputs"} | {
            f"{workbook}.{kind}" for workbook in REGISTRY for kind in ("ipynb", "html")
        }
        assert [path.name for path in folder.parent.iterdir() if path.name.startswith(".")] == []


def test_inputs_are_copied_with_their_paths_and_proven_by_their_hashes(studied):
    for name, folder in studied.items():
        filed = json.loads((folder / "results.json").read_text(encoding="utf-8"))["inputs"]
        copied = sorted(path.relative_to(folder / "inputs").as_posix() for path in (folder / "inputs").rglob("*") if path.is_file())
        assert copied == sorted(entry["path"] for entry in filed)
        assert f"{name}.toml" in copied
        assert any(path.startswith("jurisdictions/") for path in copied)
        for entry in filed:
            assert hashlib.sha256((folder / "inputs" / entry["path"]).read_bytes()).hexdigest() == entry["sha256"]


def test_records_are_copied_too_and_a_study_of_the_copy_gives_the_same(tmp_path):
    site = ROOT / "tests" / "data" / "home" / "tansy-12.toml"
    known = home.read_home(site)
    copied = run.copy_inputs(site, known.inputs, tmp_path / "inputs")
    names = {path.relative_to(tmp_path / "inputs").as_posix() for path in (tmp_path / "inputs").rglob("*") if path.is_file()}
    assert {"tansy-12.toml", "meter.xml", "weather.csv"} <= names
    assert home.read_home(copied).inputs_sha256 == known.inputs_sha256


def test_an_input_that_changed_or_lies_outside_is_refused(tmp_path):
    site = tmp_path / "in" / "a.toml"
    site.parent.mkdir()
    site.write_text("x = 1\n", encoding="utf-8")
    with pytest.raises(MachineryFault, match="changed while"):
        run.copy_inputs(site, [("a.toml", "0" * 64)], tmp_path / "out")
    with pytest.raises(MachineryFault, match="outside the folder"):
        run.copy_inputs(site, [("../b.csv", "0" * 64)], tmp_path / "out")


def test_the_pages_hold_together_and_ask_for_nothing_outside(studied):
    for folder in studied.values():
        pages = {path.name: Links(path.read_text(encoding="utf-8")) for path in folder.glob("*.html")}
        for page in pages.values():
            assert not page.tags & {"script", "iframe", "object", "embed", "link", "base", "form"}
            for target in page.targets:
                file, _, anchor = target.partition("#")
                assert not re.match(r"[a-z]+:|//|/", file), target
                assert not file or (folder / unquote(file)).is_file(), target
                if anchor and (not file or file in pages):
                    assert unquote(anchor) in (pages[file] if file else page).anchors, target


def test_nothing_tells_of_the_machine_or_the_hour(studied):
    for folder in studied.values():
        for path in folder.rglob("*"):
            if path.is_file():
                text = path.read_text(encoding="utf-8")
                assert not re.search(r"\d{1,2}:\d\d:\d\d|/(?:tmp|home|root|usr|var|Users)/", text), path.name
                assert path.suffix not in (".html", ".ipynb") or not re.search(r"https?://(?!www\.w3\.org)", text), path.name


def test_the_sheet_shows_every_part_in_order(studied):
    text = (studied["all-electric-200a"] / "service_load.html").read_text(encoding="utf-8")
    order = (
        "title",
        "verdict",
        "inputs",
        "assumptions",
        "steps",
        "checks",
        "figure-table",
        "editions",
        "published",
        "cautions",
        "open-items",
    )
    places = [text.index(f'class="wb wb-{name}"') for name in (*order, "not-checked", "results")]
    assert places == sorted(places)
    assert text.count("<svg ") == text.count("<figure ") == 2
    assert "Which rules move it" in text


def test_the_index_lists_verdict_open_items_and_files(studied):
    text = (studied["unfinished-survey-200a"] / "index.html").read_text(encoding="utf-8")
    for words in (
        "needs input",
        "service.conductor.size",
        "Open items",
        "service_load.ipynb",
        "inputs/unfinished-survey-200a.toml",
        "published.html",
    ):
        assert words in text
    none = (studied["all-electric-200a"] / "index.html").read_text(encoding="utf-8")
    assert "pass" in none


def test_the_published_page_shows_print_beside_ours(studied):
    text = (studied["all-electric-200a"] / "published.html").read_text(encoding="utf-8")
    assert "DIFFERS" not in text
    for family in service_load.study(home.read_home(HOMES[0]), editions.load("2023")).cases:
        assert f'id="cases-{family}"' in text
    assert text.count(">agrees<") > 100


def test_the_notebook_left_behind_is_normalised_and_its_copy_runs_where_it_stands(studied, tmp_path):
    folder = tmp_path / "moved"
    shutil.copytree(studied["all-electric-200a"], folder)
    left = folder / "service_load.ipynb"
    assert notebook_tools.faults(left) == []
    before = left.read_text(encoding="utf-8")
    notebook_tools.execute_in_place(left)
    assert left.read_text(encoding="utf-8") == before


# never a half study


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


@pytest.fixture
def old(tmp_path) -> Path:
    """A study that stands already."""
    target = tmp_path / "study"
    target.mkdir()
    (target / "results.json").write_text("{}\n", encoding="utf-8")
    (target / "index.html").write_text("old\n", encoding="utf-8")
    return target


@pytest.mark.parametrize("crash", ["_write_page", "_write_published", "_run_notebook", "copy_inputs", "swap"])
@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_a_crash_in_the_middle_leaves_the_old_study_and_nothing_half(crash, error, old, monkeypatch):
    def broken(*_):
        raise error("in the middle")

    for name in ("_write_page", "_run_notebook"):
        monkeypatch.setattr(run, name, lambda *_: None)
    monkeypatch.setattr(run, "filed_in", lambda executed: {})
    monkeypatch.setattr(run, crash, broken)
    if crash == "swap":
        known = home.read_home(HOMES[0])
        monkeypatch.setattr(
            run, "filed_in", lambda executed: notebook.document(known, [notebook.sheet_of(known, name) for name in REGISTRY])
        )
    with pytest.raises(error, match="in the middle"):
        run.study(HOMES[0], out=old)
    assert (old / "index.html").read_text(encoding="utf-8") == "old\n"
    assert leftovers(old.parent) == []


def test_a_crash_before_any_study_leaves_no_folder(tmp_path, monkeypatch):
    monkeypatch.setattr(run, "_run_notebook", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        run.study(HOMES[0], out=tmp_path / "deep" / "study")
    assert not (tmp_path / "deep" / "study").exists()
    assert leftovers(tmp_path / "deep") == []


def test_if_the_new_folder_cannot_be_named_the_old_one_comes_back(old, monkeypatch):
    plain = Path.rename

    def rename(self, target):
        if self.name.endswith(".part"):
            raise OSError("the disk is full")
        return plain(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(OSError, match="full"), run.beside(old) as made:
        (made / "results.json").write_text("new\n", encoding="utf-8")
    monkeypatch.undo()
    assert (old / "index.html").read_text(encoding="utf-8") == "old\n"
    assert leftovers(old.parent) == []


def test_an_old_study_is_replaced_whole_and_removed(old):
    with run.beside(old) as made:
        (made / "results.json").write_text("new\n", encoding="utf-8")
        assert (old / "index.html").is_file()
    assert [path.name for path in old.iterdir()] == ["results.json"]
    assert leftovers(old.parent) == []


def test_results_only_keeps_a_whole_study_aside_and_the_same_one_in_place(old):
    run.study(HOMES[0], out=old, results_only=True)
    assert [path.name for path in old.iterdir()] == ["results.json"]
    assert (old.parent / "study.previous" / "index.html").is_file()
    (old / "index.html").write_text("of the same results\n", encoding="utf-8")
    run.study(HOMES[0], out=old, results_only=True)
    assert (old / "index.html").is_file()


def test_what_no_study_wrote_is_never_replaced(tmp_path):
    (tmp_path / "thesis.doc").write_text("years of work", encoding="utf-8")
    with pytest.raises(MachineryFault, match=r"holds thesis\.doc"):
        run.study(HOMES[0], out=tmp_path, results_only=True)
    with pytest.raises(MachineryFault, match="is a file"):
        run.study(HOMES[0], out=tmp_path / "thesis.doc", results_only=True)


def test_a_notebook_that_fails_is_kept_beside_the_target(tmp_path, monkeypatch):
    source = tmp_path / "broken.ipynb"
    made = json.loads(notebook.notebook_path("service_load").read_text(encoding="utf-8"))
    made["cells"][3]["source"] = ["raise ValueError('on purpose')"]
    source.write_text(json.dumps(made), encoding="utf-8")
    monkeypatch.setattr(notebook, "notebook_path", lambda workbook: source)
    with pytest.raises(
        MachineryFault, match=r"ValueError: on purpose; the notebook as far as it came is .*study\.service_load\.failed\.ipynb"
    ):
        run.study(HOMES[0], out=tmp_path / "study")
    assert not (tmp_path / "study").exists()
    assert "on purpose" in (tmp_path / "study.service_load.failed.ipynb").read_text(encoding="utf-8")
    assert leftovers(tmp_path) == []


# faults


def test_a_fault_of_a_file_is_filed_without_a_verdict(tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("[site]\nid = 7\n", encoding="utf-8")
    with pytest.raises(InputFault):
        run.study(bad, out=tmp_path / "out", results_only=True)
    filed = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert filed["state"] == "input fault"
    assert "workbooks" not in filed
    assert filed["faults"]


def test_a_calculation_fault_is_filed_and_raised(tmp_path, monkeypatch):
    def broken(*_):
        raise CalculationFault("no row", where="220.55", value=99)

    monkeypatch.setattr(notebook, "sheet_of", broken)
    with pytest.raises(CalculationFault):
        run.study(HOMES[0], out=tmp_path / "out")
    assert json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))["state"] == "calculation fault"


def test_without_a_browser_pdf_is_a_machinery_fault_before_anything_is_written(tmp_path, monkeypatch):
    monkeypatch.setenv("WORKBOOK_BROWSER", "no-such-browser")
    with pytest.raises(MachineryFault, match=r"no browser to print with.*no-such-browser.*install Chromium"):
        run.study(HOMES[0], out=tmp_path / "out", pdf=True)
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_workbook_is_named_with_those_that_there_are(tmp_path):
    with pytest.raises(ValueError, match="no workbook service_lod; there are service_load"):
        run.study(HOMES[0], ["service_lod"], out=tmp_path / "out")


@pytest.mark.parametrize(
    "state,status",
    [("pass", 0), ("not applicable", 0), ("judgement", 1), ("needs input", 1), ("fail", 1), ("input fault", 2), ("calculation fault", 3)],
)
def test_exit_status_of_each_state(state, status):
    assert run.Study(state, None).status == status


def test_a_case_with_its_own_values_is_the_same_by_notebook_and_by_library(tmp_path):
    given = {"site.id": "oak-1", "evse.evse-1.rating": "32 A"}
    full = run.study(SITES / "bungalow-100a.toml", ["service_load"], "2026", tmp_path / "full", overrides=given, case="next")
    quick = run.study(
        SITES / "bungalow-100a.toml", ["service_load"], "2026", tmp_path / "quick", results_only=True, overrides=given, case="next"
    )
    assert (full.folder / run.RESULTS).read_bytes() == (quick.folder / run.RESULTS).read_bytes()
    filed = json.loads((full.folder / run.RESULTS).read_text())
    assert (filed["site_id"], filed["case"], filed["edition"], filed["edition_basis"]) == ("oak-1", "next", "2026", "what-if")
    page = (full.folder / "service_load.html").read_text(encoding="utf-8")
    assert "next" in page
    assert "override; the file says" in page
