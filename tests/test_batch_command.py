"""The commands of a portfolio as a person gives them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.batch_tools import EXAMPLES, QUICK, copies, homes
from workbook_lib import notebook
from workbook_lib.__main__ import main
from workbook_lib.batch import drive, rows
from workbook_lib.workbooks import REGISTRY


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with a portfolio of three homes, and one worker."""
    copies(tmp_path, 3)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def said(capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    """What the command wrote: output, error stream."""
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return out, err


def test_plan_then_batch_then_plan(here, capsys):
    assert main(["plan", "portfolio.csv", "--results-only"]) == 0
    out, _ = said(capsys)
    assert "3 studies: 3 run" in out
    assert "run: new: no results yet (home-0/base, home-1/base, home-2/base)" in out
    assert not (here / "studies").exists()
    status = main(["batch", "portfolio.csv", "--results-only", "--workers", "1"])
    out, err = said(capsys)
    assert "3 made; " in out
    assert out.strip().endswith("studies/portfolio/portfolio.json")
    assert "3/3" in err
    held = json.loads((here / "studies" / "portfolio" / "portfolio.json").read_bytes())
    assert status == max(drive.closing.STATUS[row["state"]] for row in held["studies"])
    assert main(["plan", "portfolio.csv", "--results-only"]) == 0
    assert "3 studies: 3 keep" in said(capsys)[0]
    assert main(["batch", "portfolio.csv", "--results-only"]) == status
    assert "nothing to do" in said(capsys)[0]


def test_another_edition_in_one_command_with_the_moves(here, capsys):
    main(["batch", "portfolio.csv", "--results-only", "--workers", "1"])
    before = (here / "studies" / "portfolio" / "portfolio.json").read_bytes()
    sources = {path: path.read_bytes() for path in here.rglob("*") if path.is_file() and "studies" not in path.parts}
    said(capsys)
    main(["batch", "portfolio.csv", "--results-only", "--workers", "1", "--edition", "2026"])
    out, _ = said(capsys)
    folder = here / "studies" / "portfolio-2026"
    held = json.loads((folder / "portfolio.json").read_bytes())
    assert {row["edition"] for row in held["studies"]} == {"2026"}
    assert held["compared_with"] == "portfolio"
    assert all(row["before"] for row in held["studies"])
    moves = json.loads((folder / "changes.json").read_bytes())
    assert "2026" in json.dumps(moves)
    assert "2026" in out
    assert (folder / "changes.html").is_file()
    assert (here / "studies" / "portfolio" / "portfolio.json").read_bytes() == before
    assert {path: path.read_bytes() for path in sources} == sources
    assert main(["changes", "studies/portfolio", "studies/portfolio-2026"]) in (0, 1)
    assert main(["changes", "studies/portfolio", "studies/portfolio"]) == 0


def test_one_field_set_for_the_homes_that_match(here, capsys):
    main(["batch", "portfolio.csv", "--results-only", "--workers", "1"])
    said(capsys)
    given = ["--where", "dwelling.floor_area=1010 ft^2", "--set", "dwelling.floor_area=9000 ft^2"]
    main(["batch", "portfolio.csv", "--results-only", "--workers", "1", *given])
    out, _ = said(capsys)
    assert "1 of 3 studies takes the substitution" in out
    (folder,) = (here / "studies").glob("portfolio-what-if-*")
    held = json.loads((folder / "portfolio.json").read_bytes())
    assert [row["site_id"] for row in held["studies"] if row["substituted"]] == ["home-1"]
    assert held["what_if"] == {"where": {"dwelling.floor_area": "1010 ft^2"}, "set": {"dwelling.floor_area": "9000 ft^2"}}
    for number in range(3):
        name = f"home-{number}/base/results.json"
        ours, theirs = ((one / name).read_bytes() for one in (here / "studies" / "portfolio", folder))
        assert (ours != theirs) == (number == 1)
    main(["batch", "portfolio.csv", "--results-only", "--workers", "1", *given[:3], "dwelling.floor_area=8000 ft^2"])
    assert len(list((here / "studies").glob("portfolio-what-if-*"))) == 2, "each what-if has a folder of its own"


def test_what_is_there_is_not_made_again_with_less_and_plan_says_what_batch_refuses(here, capsys):
    main(["batch", "portfolio.csv", "--results-only", "--workers", "1"])
    before = {path: path.read_bytes() for path in (here / "studies").rglob("*.json")}
    said(capsys)
    refused = []
    for command in ("batch", "plan"):
        assert main([command, "portfolio.csv", "--results-only", "--only", "service_load"]) == 2
        refused.append(said(capsys)[1])
    assert refused[0] == refused[1]
    what = "3 studies have backfeed_and_tap, backup_duration, ev_load_management, and would be made again without"
    assert f"studies/portfolio: {what}; found home-0/base, home-1/base, home-2/base; " in refused[0]
    assert "name another folder with --out" in refused[0]
    assert {path: path.read_bytes() for path in before} == before


def test_states_of_some_workbooks_say_so(here, capsys):
    given = ["batch", "portfolio.csv", "--results-only", "--workers", "1"]
    main([*given, "--only", "service_load", "--out", "some"])
    out, _ = said(capsys)
    words = "made with service_load alone: what the other workbooks test is not in these states"
    assert words in out
    held = json.loads((here / "some" / "portfolio.json").read_bytes())
    assert held["only"] == ["service_load"]
    others = ["backfeed_and_tap", "backup_duration", "ev_load_management"]
    assert [row["workbooks_left_out"] for row in held["studies"]] == [others] * 3
    assert json.loads((here / "some" / "home-0" / "base" / "record.json").read_bytes())["row"]["workbooks_left_out"] == others
    main([*given, "--only", "service_load", "--out", "some"])
    assert words in said(capsys)[0]
    main([*given, "--out", "all"])
    assert "alone" not in said(capsys)[0]
    held = json.loads((here / "all" / "portfolio.json").read_bytes())
    assert held["only"] is None
    assert [row["workbooks_left_out"] for row in held["studies"]] == [[]] * 3


def test_a_case_of_its_own_edition_is_left_out_under_another(here, capsys):
    (here / "two.toml").write_text(
        'format = 1\nsites = ["sites/*.toml"]\n[[case]]\nid = "as-filed"\n[[case]]\nid = "next"\nedition = "2026"\n', encoding="utf-8"
    )
    assert main(["plan", "two.toml", "--edition", "2020"]) == 0
    out, _ = said(capsys)
    assert f"{2 * len(QUICK)} studies: {len(QUICK)} run, {len(QUICK)} left out" in out


@pytest.mark.parametrize(
    "given, words",
    [
        (["batch", "portfolio.csv", "--workers", "0"], "--workers is at least 1"),
        (["batch", "portfolio.csv", "--workers", "1", "--scheduler", "tcp://x:1"], "not allowed with"),
        (["batch", "portfolio.csv", "--shared-folder"], "belongs to --scheduler"),
        (["batch", "portfolio.csv", "--only", "service_lod"], "no workbook service_lod"),
        (["batch", "portfolio.csv", "--where", "a.b=1"], "--where says which homes"),
        (["plan", "--accept", "portfolio.csv", "--kind", "new"], "new cannot be accepted"),
        (["plan", "portfolio.csv", "--kind", "input"], "--kind says which"),
    ],
)
def test_options_that_do_not_go_together(here, capsys, given, words):
    with pytest.raises(SystemExit) as stopped:
        main(given)
    assert stopped.value.code == 2
    assert words in capsys.readouterr().err
    assert not (here / "studies").exists()


@pytest.mark.parametrize(
    "given, words",
    [
        (["batch", "none.csv"], "none.csv: cannot be read"),
        (["plan", "none.csv"], "none.csv: cannot be read"),
        (["batch", "portfolio.csv", "--edition", "1999"], "unknown edition; found 1999"),
        (["batch", "portfolio.csv", "--set", "nonsense"], "is no field with its value"),
        (["batch", "portfolio.csv", "--set", "dwelling.flor_area=1 ft^2"], "dwelling.floor_area"),
        (["batch", "portfolio.csv", "--where", "dwelling.floor_area=1 ft^2", "--set", "dwelling.floor_area=2 ft^2"], "takes no home"),
        (["batch", "portfolio.csv", "--compare", "nowhere", "--results-only"], "nowhere/portfolio.json: cannot be read"),
        (["changes", "nowhere", "portfolio.csv"], "nowhere"),
    ],
)
def test_what_cannot_be_used_is_one_line_a_fault_and_nothing_is_written(here, capsys, given, words):
    assert main(given) == 2
    _, err = said(capsys)
    assert words in err
    assert not (here / "studies").exists()


def test_a_row_at_fault_is_said_by_plan_and_batch(here, capsys):
    with (here / "portfolio.csv").open("a", encoding="utf-8") as file:
        file.write("home-1,sites/none.toml,\n")
    assert main(["plan", "portfolio.csv", "--results-only"]) == 2
    out, _ = said(capsys)
    assert "  at fault: portfolio.csv:5: base: no such file" in out
    assert main(["batch", "portfolio.csv", "--results-only", "--workers", "1"]) == 2
    assert "2 input fault" in said(capsys)[0]


def test_a_row_that_was_at_fault_is_at_fault_until_it_changes(here, capsys):
    text = (here / "portfolio.csv").read_text(encoding="utf-8")
    (here / "portfolio.csv").write_text(text.replace(",1010", ",4O"), encoding="utf-8")
    assert main(["plan", "portfolio.csv", "--results-only"]) == 0, "no home is read that has not run"
    assert main(["batch", "portfolio.csv", "--results-only", "--workers", "1"]) == 2
    out, err = said(capsys)
    assert "2 made, 1 tried without a verdict; " in out
    assert "writing the roll-up and the summary" in err
    assert main(["plan", "portfolio.csv", "--results-only"]) == 2
    out, _ = said(capsys)
    assert "3 studies: 2 keep, 1 still at fault" in out
    assert "still at fault: portfolio.csv:3: dwelling.floor_area: " in out
    assert main(["batch", "portfolio.csv", "--results-only", "--workers", "1"]) == 2
    out, err = said(capsys)
    assert "0 made; " in out
    assert "nothing to do" in out
    assert "writing" not in err
    (here / "portfolio.csv").write_text(text, encoding="utf-8")
    assert main(["plan", "portfolio.csv", "--results-only"]) == 0


def test_a_column_of_a_thing_that_a_home_does_not_have_says_what_to_do(here, capsys):
    table = "site_id,base,source.pv.output_current [A]\na,sites/cascade-200a.toml,24\n"
    (here / "mixed.csv").write_text(f"{table}b,sites/small-heat-pump-125a.toml,24\nc,sites/centre-fed-100a.toml,24\n", encoding="utf-8")
    assert main(["validate", "mixed.csv"]) == 2
    told = said(capsys)[1].splitlines()
    empty = "leave it out; in a table leave the cell empty for this home"
    assert told == [
        'mixed.csv:3: source.pv.output_current: this home has no source with id "pv"; found no source at all; '
        f"accepted: an id that it has, or an empty cell; do: {empty}",
        'mixed.csv:4: source.pv.output_current: this home has no source with id "pv"; found source east, west; '
        f"accepted: an id that it has, or an empty cell; do: {empty}",
    ]


@pytest.mark.parametrize(
    "column, todo",
    [
        ("evse.charger.ratng [A]", 'did you mean "evse.charger.rating"?'),
        ("panel.main.breakrs.b1.rating [A]", 'did you mean "panel.main.breakers.b1.rating"?'),
        ("nothing.at.all", "name a field of the site file by its path"),
    ],
)
def test_a_column_of_no_field_is_a_fault_of_the_header_though_its_cells_are_empty(here, capsys, column, todo):
    (here / "typed.csv").write_text(f"site_id,base,{column}\na,sites/cascade-200a.toml,\n", encoding="utf-8")
    for command in (["validate", "typed.csv"], ["plan", "typed.csv"], ["batch", "typed.csv"]):
        assert main(command) == 2
        path = column.partition(" ")[0]
        err = said(capsys)[1]
        assert f'typed.csv:1: {path}: no field of a site file; found "{path}"; ' in err
        assert err.rstrip().endswith(f"do: {todo}")


def test_a_substitution_over_one_study_is_said_in_the_singular(here, capsys):
    (here / "one.csv").write_text("site_id,base\na,sites/cascade-200a.toml\n", encoding="utf-8")
    assert main(["plan", "one.csv", "--set", "dwelling.floor_area=900 ft^2"]) == 0
    out, _ = said(capsys)
    assert "1 of 1 study takes the substitution" in out
    assert "1 study: 1 run" in out


@pytest.mark.parametrize(
    "command, words",
    [
        ("plan", "2 a row is at fault"),
        ("batch", "the highest of all studies: 0 every check passes"),
        ("changes", "0 no verdict moved; 1 a verdict moved"),
        ("study", "0 every check passes"),
        ("validate", "0 no fault"),
    ],
)
def test_each_command_says_its_own_statuses_and_its_name(capsys, command, words):
    with pytest.raises(SystemExit):
        main([command, "--help"])
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith(f"usage: dwelling-service {command} ")
    assert words in out
    assert out.count("Exit status") == 1


def test_the_example_run_is_what_the_program_says_now():
    """Rows of the example run (a substitution over the cases of the town), made again for the homes without simulation."""
    held = json.loads((EXAMPLES.parent / "portfolio" / "run" / "portfolio.json").read_bytes())
    kept = {(row["site_id"], row["case"]): row for row in held["studies"]}
    own = ("line", "folder", "reasons", "before")
    for name in QUICK:
        home = notebook.read(EXAMPLES / f"{name}.toml", case="as-filed")
        made = rows.of_document(notebook.document(home, tuple(notebook.sheet_of(home, book) for book in REGISTRY)))
        ours = {key: value for key, value in json.loads(json.dumps(made)).items() if key not in own}
        assert ours == {key: value for key, value in kept[home.site.site.id, "as-filed"].items() if key not in own}


def test_the_example_portfolios_can_be_planned(capsys, tmp_path):
    for name, count in (("chargers.csv", 5), ("cases.toml", 66)):
        assert main(["plan", str(EXAMPLES.parent / "portfolio" / name), "--out", str(tmp_path / "none")]) == 0
        assert f"{count} studies: {count} run" in said(capsys)[0]


def test_a_folder_of_homes_is_a_portfolio_too(tmp_path, capsys):
    file = homes(tmp_path)
    assert main(["plan", str(file), "--out", str(tmp_path / "out")]) == 0
    assert f"{len(QUICK)} studies" in said(capsys)[0]
