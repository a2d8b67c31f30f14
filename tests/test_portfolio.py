"""A portfolio file: which studies it asks for, what is put in place, and every row's faults beside the rows that are sound."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib import __main__
from workbook_lib.errors import InputFault
from workbook_lib.home.portfolio import Portfolio, home_of, read_portfolio

SITES = Path(__file__).resolve().parent.parent / "example_inputs" / "sites"
HEAD = "site_id,base,service.rating [A],evse.evse-1.rating\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sites" / "jurisdictions").mkdir(parents=True)
    for name in ("bungalow-100a", "all-electric-200a", "cottage-what-if-2026"):
        shutil.copy(SITES / f"{name}.toml", tmp_path / "sites")
    for path in (SITES / "jurisdictions").glob("*.toml"):
        shutil.copy(path, tmp_path / "sites" / "jurisdictions")
    return tmp_path


def table(folder: Path, text: str, name: str = "homes.csv") -> Portfolio:
    (folder / name).write_text(text, encoding="utf-8")
    return read_portfolio(folder / name)


def cases(folder: Path, text: str) -> Portfolio:
    (folder / "homes.toml").write_text('format = 1\nsites = ["sites/*.toml"]\n' + text, encoding="utf-8")
    return read_portfolio(folder / "homes.toml")


def faults_of(read) -> list[tuple[str, str, int | None]]:
    with pytest.raises(InputFault) as raised:
        read()
    return [(fault.field, fault.what, fault.line) for fault in raised.value.faults]


# a table


def test_a_row_is_its_base_with_what_its_cells_say(folder):
    portfolio = table(
        folder,
        "site_id,base,service.rating [A],dwelling.floor_area [ft^2],site.edition,dwelling.laundry_circuits,dwelling.status\n"
        "oak-1,sites/bungalow-100a.toml,125,1650,2026,2,\n"
        "oak-2,sites/bungalow-100a.toml,,100 m^2,,,new\n",
    )
    first, second = (home_of(portfolio, entry) for entry in portfolio.entries)
    assert [entry.name for entry in portfolio.entries] == ["oak-1/base", "oak-2/base"]
    assert (first.site.site.id, first.site.service.rating.value, first.site.dwelling.floor_area.value) == ("oak-1", 125.0, 1650.0)
    assert (first.edition_year, first.site.dwelling.laundry_circuits.value) == ("2026", 2)
    assert (second.site.service.rating.value, second.site.dwelling.status) == (100.0, "new")
    assert second.site.dwelling.floor_area.value == pytest.approx(100 * 10.763910416709722)
    assert "override; the file says" in first.givens["service.rating"].note


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_the_usual_exports_of_a_spreadsheet_read_the_same(folder, delimiter):
    rows = [["site_id", "base", "case", "service.rating [A]", ""], ["a", "sites/bungalow-100a.toml", "asked", "125", ""], [""] * 5]
    text = "\ufeff" + "\r\n".join(delimiter.join(row) for row in rows) + "\r\n"
    portfolio = table(folder, text)
    assert [(one.name, one.line) for one in portfolio.entries] == [("a/asked", 2)]
    assert home_of(portfolio, portfolio.entries[0]).site.service.rating.value == 125.0


def test_a_quoted_line_break_keeps_the_line_numbers(folder):
    text = 'site_id,base,dwelling.status\na,sites/bungalow-100a.toml,"exist\ning"\nb,sites/bungalow-100a.toml,new\n'
    assert [one.line for one in table(folder, text).entries] == [2, 4]


def test_one_row_at_fault_leaves_the_others(folder):
    portfolio = table(
        folder,
        HEAD
        + "good,sites/bungalow-100a.toml,125,\n"
        + "lost,sites/nowhere.toml,100,\n"
        + ",sites/bungalow-100a.toml,100,\n"
        + "twice,sites/bungalow-100a.toml,100,\n"
        + "twice,sites/bungalow-100a.toml,125,\n"
        + "odd,sites/bungalow-100a.toml,many,\n"
        + "unit,sites/bungalow-100a.toml,12 kW,\n"
        + "wide,sites/bungalow-100a.toml,125,,more\n",
    )
    assert len(portfolio.entries) == 8
    found = {}
    for entry in portfolio.entries:
        try:
            home_of(portfolio, entry)
        except InputFault as error:
            found[entry.line] = [(fault.field, fault.what, fault.line, Path(fault.file).name) for fault in error.faults]
    assert sorted(found) == [3, 4, 5, 6, 7, 8, 9]
    assert found[3] == [("base", "no such file", 3, "homes.csv")]
    assert found[4] == [("site_id", "empty", 4, "homes.csv")]
    assert found[5] == [("site_id", "two studies of one name", 5, "homes.csv")]
    assert found[6] == [("site_id", "two studies of one name", 6, "homes.csv")]
    assert [(field, line, file) for field, _, line, file in found[7]] == [("service.rating", 7, "homes.csv")]
    assert [(field, line, file) for field, _, line, file in found[8]] == [("service.rating", 8, "homes.csv")]
    assert found[9] == [("", "more cells than headers", 9, "homes.csv")]


def test_a_path_by_an_id_that_the_base_has_not_is_a_fault_of_its_row(folder):
    portfolio = table(folder, "site_id,base,evse.nowhere.rating [A]\na,sites/bungalow-100a.toml,40\nb,sites/bungalow-100a.toml,\n")
    found = faults_of(lambda: home_of(portfolio, portfolio.entries[0]))
    assert found == [("evse.nowhere.rating", 'this home has no evse with id "nowhere"', 2)]
    assert home_of(portfolio, portfolio.entries[1]).site.site.id == "b"


@pytest.mark.parametrize(
    "header, field, what",
    [
        ("site_id,service.rating [A]", "base", "no such column"),
        ("base,service.rating [A]", "site_id", "no such column"),
        ("site_id,base,rating", "rating", "unknown column"),
        ("site_id,base,bse", "bse", "unknown column"),
        ("site_id,base,service.rating [A] [kW]", "column 3", "not a header"),
        ("site_id,base,,service.rating [A]", "column 3", "not a header"),
        ("site_id [A],base", "site_id", "has no unit"),
        ("site_id,base,service.rating [A],service.rating", "service.rating", "a column that stands twice"),
    ],
)
def test_faults_of_the_headers_stop_the_table(folder, header, field, what):
    assert (field, what, 1) in faults_of(lambda: table(folder, f"{header}\na,b,1,1\n"))


@pytest.mark.parametrize(
    "data, what",
    [
        (b"", "is empty"),
        (b"site_id,base\n", "has no row below its headers"),
        (b"site_id,base\n\xff\xfe", "is not text in UTF-8"),
        (b'site_id,base\n"a,b\n', "is not CSV: unexpected end of data"),
    ],
)
def test_what_is_no_table_is_said(folder, data, what):
    (folder / "homes.csv").write_bytes(data)
    assert [row[1] for row in faults_of(lambda: read_portfolio(folder / "homes.csv"))] == [what]


def test_a_file_that_is_not_there(folder):
    assert faults_of(lambda: read_portfolio(folder / "none.csv")) == [("", "cannot be read", None)]


HOSTILE = [
    "..",
    "../up",
    "a/b",
    "a\\b",
    "/abs",
    "C:",
    "con",
    "nul",
    "com1",
    "lpt9",
    "x" * 300,
    "о" + "ak",
    "ｏak",
    "Oak",
    "a.b",
    "a b",
    "-a",
    ".",
]


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("column", ["site_id", "case"])
def test_a_name_that_could_leave_the_folder_is_a_fault_of_its_row(folder, name, column):
    row = {"site_id": "sound", "case": "sound"} | {column: name}
    text = f'site_id,base,case\n"{row["site_id"]}",sites/bungalow-100a.toml,"{row["case"]}"\nother,sites/bungalow-100a.toml,\n'
    first, second = table(folder, text).entries
    assert [fault.field for fault in first.faults] == [column]
    assert not second.faults


def test_remarks_are_left_out_and_counted_as_lines(folder):
    text = "# a remark, with; commas\nsite_id;base\n# another\na;sites/bungalow-100a.toml\n"
    assert [(one.name, one.line) for one in table(folder, text).entries] == [("a/base", 4)]
    assert faults_of(lambda: table(folder, "# a remark\nsite_id,bse\na,b\n")) == [
        ("bse", "unknown column", 2),
        ("base", "no such column", 2),
    ]


# cases


def test_without_cases_each_home_is_studied_as_filed(folder):
    portfolio = cases(folder, "")
    assert [one.name for one in portfolio.entries] == ["all-electric-200a/base", "bungalow-100a/base", "cottage-what-if-2026/base"]
    assert all(home_of(portfolio, one).overrides == () for one in portfolio.entries)


def test_cases_take_homes_by_value_and_put_values_in_place(folder):
    portfolio = cases(
        folder,
        '[[case]]\nid = "as-filed"\nwhere = { "service.rating" = ["0.1 kA", "125 A"] }\n'
        '[[case]]\nid = "next"\nedition = "2026"\nset = { "service.rating" = "150 A" }\nwhere = { "service.rating" = "100 A" }\n',
    )
    names = [(one.name, one.left_out) for one in portfolio.entries]
    assert ("bungalow-100a/as-filed", "") in names
    assert ("bungalow-100a/next", "") in names
    assert ("all-electric-200a/base", "no case of the portfolio takes this home") in names
    home = home_of(portfolio, next(one for one in portfolio.entries if one.name == "bungalow-100a/next"))
    assert (home.edition_year, home.edition_basis, home.site.service.rating.value, home.case) == ("2026", "what-if", 150.0, "next")


def test_a_home_that_is_no_toml_and_one_without_an_id_stay_in_the_list(folder):
    (folder / "sites" / "broken.toml").write_text("[site\n")
    (folder / "sites" / "nameless.toml").write_text("format = 1\n[site]\n")
    portfolio = cases(folder, '[[case]]\nid = "as-filed"\n')
    found = {one.site_file.name: [fault.field for fault in one.faults] for one in portfolio.entries}
    assert found["broken.toml"] == [""]
    assert found["nameless.toml"] == ["site.id"]
    assert found["bungalow-100a.toml"] == []


@pytest.mark.parametrize(
    "text, field, what",
    [
        ('[[case]]\nname = "x"\n', "case.0.name", "unknown key"),
        ('[[case]]\nedition = "2026"\n', "case.0.id", "has no id"),
        ('[[case]]\nid = "x"\nedition = "2029"\n', "case.0.edition", "unknown edition"),
        ('[[case]]\nid = "x"\nedition = 2026\n', "case.0.edition", "unknown edition"),
        ('[[case]]\nid = "x"\nset = "y"\n', "case.0.set", "not a table"),
        ('[[case]]\nid = "x"\nset = { "service.ratng" = "1 A" }\n', "case.0.set.service.ratng", "no field of a site file"),
        ('[[case]]\nid = "x"\nset = { service = { rating = "1 A" } }\n', "case.0.set.service", "no field of a site file"),
        ('[[case]]\nid = "x"\nwhere = { "service.rating" = "40" }\n', "case.0.where.service.rating", "number without a unit"),
        ('[[case]]\nid = "x"\n[[case]]\nid = "x"\n', "case.x", "two cases of one id"),
        ("case = 3\n", "case", "not rows of cases"),
        ("homes = 3\n", "homes", "unknown key"),
    ],
)
def test_faults_of_a_toml_portfolio(folder, text, field, what):
    assert (field, what, None) in faults_of(lambda: cases(folder, text))


@pytest.mark.parametrize(
    "text, field", [("format = 2\nsites = ['sites/*']", "format"), ("format = 1", "sites"), ("format = 1\nsites = ['no/*']", "sites.0")]
)
def test_the_head_of_a_toml_portfolio(folder, text, field):
    (folder / "p.toml").write_text(text)
    assert [row[0] for row in faults_of(lambda: read_portfolio(folder / "p.toml"))] == [field]


def test_an_edition_for_all_takes_the_place_of_every_other_and_a_case_of_another_is_left_out(folder):
    cases = '[[case]]\nid = "x"\nedition = "2026"\n[[case]]\nid = "y"\n[[case]]\nid = "z"\nedition = "2020"\n'
    (folder / "p.toml").write_text(f'format = 1\nsites = ["sites/*.toml"]\n{cases}')
    portfolio = read_portfolio(folder / "p.toml", "2020")
    assert {home_of(portfolio, one).edition_year for one in portfolio.entries if not one.left_out} == {"2020"}
    assert {one.case for one in portfolio.entries if one.left_out} == {"x"}
    assert {one.left_out for one in portfolio.entries if one.left_out} == {"the case x has an edition of its own, 2026"}
    assert faults_of(lambda: read_portfolio(folder / "p.toml", "2021")) == [("edition", "unknown edition", None)]


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300), st.sampled_from(["fuzz.csv", "fuzz.toml"]))
def test_any_bytes_give_entries_or_faults(tmp_path_factory, data, name):
    folder = tmp_path_factory.mktemp("fuzz")
    (folder / name).write_bytes(b"site_id,base,service.rating [A]\n" * name.endswith("csv") + data)
    try:
        portfolio = read_portfolio(folder / name)
    except InputFault:
        return
    for entry in portfolio.entries:
        assert entry.faults or entry.site_id


# validate


def test_validate_lists_the_faults_of_all_rows_at_once(folder, capsys):
    base = "sites/bungalow-100a.toml"
    text = f"{HEAD}good,{base},125,\nlost,sites/no.toml,1,\nodd,{base},many,\nodder,{base},,9\n"
    (folder / "homes.csv").write_text(text)
    assert __main__.main(["validate", str(folder / "homes.csv")]) == 2
    said = capsys.readouterr()
    lines = said.err.splitlines()
    assert [line.split(": ")[0].rsplit("/", 1)[1] for line in lines] == ["homes.csv:3", "homes.csv:4", "homes.csv:5"]
    assert all("; accepted: " in line and "; do: " in line for line in lines)
    assert "4 studies of 4 homes" in said.out


def test_a_broken_record_is_a_fault_of_the_row_that_rests_on_it(folder, capsys):
    site = (folder / "sites" / "bungalow-100a.toml").read_text(encoding="utf-8")
    record = '[records]\nload = { file = "broken.csv", register = "delivered", power_factor = 1.0 }\n'
    (folder / "sites" / "metered.toml").write_text(f"{site}\n{record}", encoding="utf-8")
    (folder / "sites" / "broken.csv").write_text("nothing of a record\n")
    head, rows = (
        "site_id,base,study.service_load_method\n",
        "first,sites/metered.toml,optional-dwelling\nsecond,sites/metered.toml,measured\n",
    )
    (folder / "homes.csv").write_text(head + rows.splitlines()[0] + "\n")
    assert __main__.main(["validate", str(folder / "homes.csv")]) == 0
    assert "remark: stops no method that is chosen: " in capsys.readouterr().out
    (folder / "homes.csv").write_text(head + rows)
    assert __main__.main(["validate", str(folder / "homes.csv")]) == 2
    assert "broken.csv" in capsys.readouterr().err


def test_validate_takes_a_case_that_puts_a_list(folder, capsys):
    cases(folder, '[[case]]\nid = "x"\nwhere = { "service.rating" = "100 A" }\nset = { "records.seasonal_missing" = [] }\n')
    assert __main__.main(["validate", str(folder / "homes.toml")]) == 0
    assert "homes.toml: no fault" in capsys.readouterr().out


def test_validate_says_which_home_no_case_takes(folder, capsys):
    cases(folder, '[[case]]\nid = "small"\nwhere = { "service.rating" = "100 A" }\n')
    assert __main__.main(["validate", str(folder / "homes.toml")]) == 0
    said = capsys.readouterr().out
    assert "sites/all-electric-200a.toml: no case of the portfolio takes this home" in said
    assert "homes.toml: no fault" in said


@pytest.mark.parametrize("name, studies, homes", [("chargers.csv", 5, 5), ("cases.toml", 66, 27)])
def test_the_example_portfolios_are_sound(name, studies, homes, capsys):
    file = SITES.parent / "portfolio" / name
    assert "# Invented: " in file.read_text(encoding="utf-8").splitlines()[0]
    assert __main__.main(["validate", str(file)]) == 0
    assert f"remark: {studies} studies of {homes} homes" in capsys.readouterr().out
