"""The homes of a folder: which files are homes, their verdicts against those of the studies, what is unsaved or half done."""

from __future__ import annotations

import json
import shutil

import pytest

from tests.conftest import ROOT
from workbook_lib import home, notebook, run
from workbook_lib.errors import CalculationFault, InputFault
from workbook_lib.live import beginning, homes, visit
from workbook_lib.render import content, text
from workbook_lib.workbooks import REGISTRY, backfeed_and_tap

SITES = ROOT / "example_inputs" / "sites"


@pytest.fixture
def folder(tmp_path):
    """A folder with three homes, two files of other kinds, one that is no TOML, and an unfinished visit."""
    shutil.copytree(SITES / "jurisdictions", tmp_path / "jurisdictions")
    for name in ("bungalow-100a", "cascade-200a"):
        shutil.copyfile(SITES / f"{name}.toml", tmp_path / f"{name}.toml")
    shutil.copyfile(SITES / "jurisdictions" / "tansy-hollow.toml", tmp_path / "tansy-hollow.toml")
    shutil.copyfile(ROOT / "example_inputs" / "portfolio" / "cases.toml", tmp_path / "cases.toml")
    (tmp_path / "costs.toml").write_text("[cost]\npanel = 3000\n", encoding="utf-8")
    (tmp_path / "broken.toml").write_text("[site\n", encoding="utf-8")
    wrong = (
        (SITES / "bungalow-100a.toml").read_text(encoding="utf-8").replace('"bungalow-100a"', '"wrong"').replace('"11 kW"', '"11 kilos"')
    )
    (tmp_path / "wrong.toml").write_text(wrong.replace("poles = 2", "poles = 3"), encoding="utf-8")
    (tmp_path / "folder.toml").mkdir()
    return tmp_path


def rows_of(place):
    """Rows of a folder by the stem of their file."""
    return {row.file.stem: row for row in homes.homes(place)}


def test_only_homes_are_listed_and_what_cannot_be_read_is_among_them(folder):
    assert list(rows_of(folder)) == ["broken", "bungalow-100a", "cascade-200a", "wrong"]
    assert [path.stem for path in homes.site_files(folder)] == ["broken", "bungalow-100a", "cascade-200a", "wrong"]
    assert len(homes.site_files(SITES)) == len(list(SITES.glob("*.toml")))


def test_verdicts_are_those_of_the_studies(folder):
    rows = rows_of(folder)
    for name in ("bungalow-100a", "cascade-200a"):
        known = home.read_home(folder / f"{name}.toml")
        sheets = [notebook.sheet_of(known, workbook) for workbook in REGISTRY]
        made = [(one.workbook, one.state) for one in rows[name].workbooks]
        assert made == [(sheet.workbook, str(sheet.verdict)) for sheet in sheets]
        said = [content.bare_sentence(sheet, sheet.controlling) if sheet.controlling else homes.NO_CHECK for sheet in sheets]
        assert [one.sentence for one in rows[name].workbooks] == said
        filed = run.study(folder / f"{name}.toml", out=folder / "out" / name, results_only=True)
        assert rows[name].state == filed.state
    assert (rows["cascade-200a"].id, rows["cascade-200a"].address) == ("cascade-200a", "44 Mullein Way")


def test_faults_of_a_file_stand_in_its_row(folder):
    rows = rows_of(folder)
    assert (rows["wrong"].state, rows["wrong"].id, rows["wrong"].workbooks) == (homes.INPUT_FAULT, "wrong", ())
    with pytest.raises(InputFault) as caught:
        home.read_home(folder / "wrong.toml")
    assert rows["wrong"].faults == tuple(map(str, caught.value.faults))
    shown = homes.cells(rows["wrong"])
    assert "11 kilos" in shown[homes.COLUMNS.index("What decides")]
    assert f"and {len(caught.value.faults) - homes.SHOWN_FAULTS} more" in shown[homes.COLUMNS.index("What decides")]
    assert rows["broken"].state == homes.INPUT_FAULT
    assert "is not TOML" in rows["broken"].faults[0]


def test_one_home_is_studied_at_a_time(folder, monkeypatch):
    studied = []
    real = homes.home_row
    monkeypatch.setattr(homes, "home_row", lambda path: studied.append(path.stem) or real(path))
    found = homes.homes(folder)
    assert next(found).file.stem == "broken"
    assert studied == ["broken"]
    assert next(found).file.stem == "bungalow-100a"
    assert studied == ["broken", "bungalow-100a"]


def test_a_workbook_that_cannot_be_computed_leaves_the_others(folder, monkeypatch):
    def stopped(*_):
        raise CalculationFault("no row", where="240.6")

    monkeypatch.setattr(backfeed_and_tap, "study", stopped)
    row = homes.home_row(folder / "bungalow-100a.toml")
    states = {one.workbook: one for one in row.workbooks}
    assert (row.state, states["backfeed_and_tap"].state) == (homes.NOT_COMPUTED, homes.NOT_COMPUTED)
    assert states["backfeed_and_tap"].sentence == "240.6: no row"
    assert states["service_load"].state == "fail"


def test_a_record_at_fault_is_an_input_fault_of_the_workbook_that_rests_on_it(folder):
    text_ = (SITES / "metered-year-100a.toml").read_text(encoding="utf-8")
    name = json.dumps("readings.csv")
    lines = [f"load = {{ file = {name} }}" if line.startswith("load = { file") else line for line in text_.split("\n")]
    (folder / "metered.toml").write_text("\n".join(lines), encoding="utf-8")
    (folder / "readings.csv").write_text("time,kWh\nyesterday,much\n", encoding="utf-8")
    row = homes.home_row(folder / "metered.toml")
    assert row.workbooks[0].state in (homes.INPUT_FAULT, "needs input")
    assert len(row.workbooks) == len(REGISTRY)


def test_changes_that_are_not_saved_and_visits_that_are_half_done_are_said(folder):
    live = folder / "bungalow-100a.live"
    live.mkdir()
    same = (folder / "bungalow-100a.toml").read_bytes()
    (live / "working.toml").write_bytes(same)
    assert not rows_of(folder)["bungalow-100a"].unsaved
    (live / "working.toml").write_bytes(same.replace(b'"100 A"', b'"125 A"', 1))
    row = rows_of(folder)["bungalow-100a"]
    assert row.unsaved
    assert homes.cells(row)[-1] == "changes not saved"
    assert row.state == "fail", "the state is that of the file as it is saved"
    begun = folder / "new-home.live"
    begun.mkdir()
    (begun / "working.toml").write_text(beginning.beginning("new-home"), encoding="utf-8")
    (folder / "empty.live").mkdir()
    row = list(homes.homes(folder))[-1]
    assert (row.file, row.id, row.state) == (folder / "new-home.toml", "new-home", homes.UNFINISHED)
    known = visit.progress({"format": 1, "site": {"id": "new-home"}})
    assert row.open_count == known.needed - known.needed_answered
    assert homes.cells(row)[-1] == f"take the visit up: {row.open_count} needed answers are open"
    (begun / "working.toml").write_text("[site", encoding="utf-8")
    row = list(homes.homes(folder))[-1]
    assert (row.state, bool(row.faults)) == (homes.UNFINISHED, True)
    assert homes.cells(row)[-1] == "the working copy cannot be read: mend it"


def test_the_list_says_every_state_in_words(folder):
    shown = notebook.open_folder(folder)
    plain, markup = (shown._repr_mimebundle_()[kind] for kind in ("text/plain", "text/html"))
    assert "4 homes: 2 input fault, 2 fail." in " ".join(plain.split())
    assert [homes.counted(count) for count in (0, 1, 2)] == ["0 homes", "1 home", "2 homes"]
    for words in ("Service load: fail", "Backup duration: not applicable", "bungalow-100a.toml", "4 Sedge Street", "not studied"):
        assert words in plain
    assert markup.count("<tr") == 1 + 4
    assert "<script" not in markup
    rows = tuple(homes.homes(folder))
    assert all(len(homes.cells(row)) == len(homes.COLUMNS) and all(homes.cells(row)[:-1]) for row in rows)
    bungalow = next(row for row in rows if row.file.stem == "bungalow-100a")
    assert homes.cells(bungalow)[homes.COLUMNS.index("What decides")].endswith("As well: EV load management.")


def test_an_empty_folder_and_what_is_none(tmp_path):
    assert "no home" in text.plain(homes.part((), "here"))
    assert list(homes.homes(tmp_path)) == []
    with pytest.raises(InputFault, match="is no folder") as caught:
        notebook.open_folder(tmp_path / "none")
    assert caught.value._render_traceback_()[0] == "INPUT FAULT"
