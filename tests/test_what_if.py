"""What if: fields set for every home of a portfolio that matches a condition, and no other."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from workbook_lib.errors import InputFault
from workbook_lib.home.portfolio import Portfolio, home_of, read_portfolio
from workbook_lib.home.portfolio_what_if import parse_assignments, substitute

SITES = Path(__file__).resolve().parent.parent / "example_inputs" / "sites"
CHARGER = "evse.evse-1.rating"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sites" / "jurisdictions").mkdir(parents=True)
    for name in ("bungalow-100a", "all-electric-200a", "array-and-storage-200a", "meter-main-200a", "cottage-what-if-2026"):
        shutil.copy(SITES / f"{name}.toml", tmp_path / "sites")
    for path in (SITES / "jurisdictions").glob("*.toml"):
        shutil.copy(path, tmp_path / "sites" / "jurisdictions")
    return tmp_path


def table(folder: Path, text: str) -> Portfolio:
    (folder / "homes.csv").write_text(text, encoding="utf-8")
    return read_portfolio(folder / "homes.csv")


def cases(folder: Path, text: str = "") -> Portfolio:
    (folder / "homes.toml").write_text('format = 1\nsites = ["sites/*.toml"]\n' + text, encoding="utf-8")
    return read_portfolio(folder / "homes.toml")


def faults_of(call) -> dict[tuple[str, str], tuple[str, str]]:
    with pytest.raises(InputFault) as raised:
        call()
    return {(fault.file, fault.field): (fault.what, fault.todo) for fault in raised.value.faults}


# the command line


def test_assignments_are_split_at_the_first_equals_sign():
    texts = ["source.pv.model=PV-A|PV-B", " evse.evse-1.rating = 24 A ", "site.revision=a=b"]
    wanted = {"source.pv.model": "PV-A|PV-B", "evse.evse-1.rating": "24 A", "site.revision": "a=b"}
    assert parse_assignments(texts, "--where") == wanted
    assert parse_assignments([], "--set") == {}


def test_all_assignments_at_fault_are_told_at_once():
    texts = ["source.pv.model", "=24 A", "evse.evse-1.rating=", "service.rating=100 A", "service.rating=125 A", ""]
    with pytest.raises(InputFault) as raised:
        parse_assignments(texts, "--set")
    assert [(fault.file, fault.field, fault.what, fault.value) for fault in raised.value.faults] == [
        ("--set", "source.pv.model", "is no field with its value", '"source.pv.model"'),
        ("--set", "", "is no field with its value", '"=24 A"'),
        ("--set", "evse.evse-1.rating", "has no value", '"evse.evse-1.rating="'),
        ("--set", "service.rating", "is given twice", '"service.rating=125 A"'),
        ("--set", "", "is no field with its value", '""'),
    ]
    assert all(fault.todo and fault.limit for fault in raised.value.faults)


# the homes that match


def test_fields_are_set_for_the_homes_that_match_and_for_no_other(folder):
    portfolio = cases(folder)
    changed, count = substitute(portfolio, {"source.pv.model": "PV-C"}, {"source.pv.model": "PV-X", "source.pv.output_current": "16 A"})
    by_home = {entry.site_id: entry for entry in changed.entries}
    assert count == 1
    assert dict(by_home["array-and-storage-200a"].overrides) == {"source.pv.model": "PV-X", "source.pv.output_current": "16 A"}
    assert [one is two for one, two in zip(portfolio.entries, changed.entries, strict=True)].count(False) == 1
    assert changed.file == portfolio.file
    home = home_of(changed, by_home["array-and-storage-200a"])
    source = next(one for one in home.site.source if one.id == "pv")
    assert (source.model, source.output_current.value) == ("PV-X", 16.0)


def test_several_values_of_one_field_and_several_fields(folder):
    portfolio = cases(folder)
    either, count = substitute(portfolio, {"source.pv.model": "PV-A | PV-C"}, {"source.pv.model": "PV-X"})
    assert count == 2
    assert {entry.site_id for entry in either.entries if entry.overrides} == {"array-and-storage-200a", "meter-main-200a"}
    where = {"source.pv.model": "PV-A|PV-C", "site.id": "meter-main-200a"}
    assert substitute(portfolio, where, {"source.pv.model": "PV-X"})[1] == 1
    assert substitute(portfolio, {}, {"site.revision": "Z"})[1] == len(portfolio.entries) == 5


@pytest.mark.parametrize("wanted, count", [("48 A", 1), ("48000 mA", 1), ("0.048 kA", 1), ("47 A", 0), ("47 A | 48000 mA", 1)])
def test_values_are_compared_as_their_field_reads_them(folder, wanted, count):
    portfolio = table(folder, f"site_id,base,{CHARGER}\na,sites/bungalow-100a.toml,\nb,sites/bungalow-100a.toml,24 A\n")
    assert substitute(portfolio, {CHARGER: wanted}, {"site.revision": "Z"})[1] == count


def test_the_last_bit_of_a_conversion_does_not_matter(folder):
    path = "evse.evse-1.conductor.length"
    portfolio = table(folder, f"site_id,base,{path}\na,sites/bungalow-100a.toml,18 ft\nb,sites/bungalow-100a.toml,\n")
    assert substitute(portfolio, {path: f"{18 * 0.3048!r} m"}, {"site.revision": "Z"})[1] == 1


@pytest.mark.parametrize("wanted, count", [("true", 1), ("false", 0)])
def test_yes_or_no_and_whole_numbers_are_read_from_text(folder, wanted, count):
    portfolio = table(folder, "site_id,base\na,sites/bungalow-100a.toml\n")
    assert substitute(portfolio, {"panel.main.neutral_bonded": wanted, "panel.main.spaces": "24"}, {"site.revision": "Z"})[1] == count


def test_what_a_row_puts_in_place_is_looked_at_and_gives_way_to_what_is_set(folder):
    text = f"site_id,base,{CHARGER},dwelling.status\n"
    text += "file,sites/bungalow-100a.toml,,\nrow,sites/bungalow-100a.toml,24 A,new\nsame,sites/bungalow-100a.toml,48 A,\n"
    portfolio = table(folder, text)
    changed, count = substitute(portfolio, {CHARGER: "24 A"}, {CHARGER: "32 A", "service.rating": "125 A"})
    first, second, third = changed.entries
    assert count == 1
    assert (first, third) == (portfolio.entries[0], portfolio.entries[2])
    assert second.overrides == (("site.id", "row"), ("dwelling.status", "new"), (CHARGER, "32 A"), ("service.rating", "125 A"))
    assert (second.line, second.case, second.site_file) == (3, "base", portfolio.entries[1].site_file)
    home = home_of(changed, second)
    assert (home.site.evse[0].rating.value, home.site.service.rating.value, home.site.dwelling.status) == (32.0, 125.0, "new")


def test_the_edition_of_a_row_counts_and_can_be_set(folder):
    portfolio = table(folder, "site_id,base,edition\na,sites/bungalow-100a.toml,2020\nb,sites/bungalow-100a.toml,\n")
    changed, count = substitute(portfolio, {"site.edition": "2020"}, {"site.edition": "2026"})
    assert (count, [entry.edition for entry in changed.entries]) == (1, ["2026", None])
    assert home_of(changed, changed.entries[0]).edition_year == "2026"


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.sampled_from(["", "16 A", "24 A", "24000 mA", "32 A", "0.032 kA"]), min_size=1, max_size=6),
    st.sampled_from([16, 24, 32, 48]),
)
def test_as_many_match_as_a_plain_count_says(folder, cells, wanted):
    amperes = {"": 48, "16 A": 16, "24 A": 24, "24000 mA": 24, "32 A": 32, "0.032 kA": 32}
    rows = "".join(f"home-{number},sites/bungalow-100a.toml,{cell}\n" for number, cell in enumerate(cells))
    portfolio = table(folder, f"site_id,base,{CHARGER}\n" + rows)
    changed, count = substitute(portfolio, {CHARGER: f"{wanted} A"}, {CHARGER: "12 A"})
    assert count == sum(amperes[cell] == wanted for cell in cells)
    now = [dict(entry.overrides).get(CHARGER, "") for entry in changed.entries]
    assert now == ["12 A" if amperes[cell] == wanted else cell for cell in cells]


# studies at fault


def test_a_study_at_fault_matches_nothing_and_stays(folder):
    (folder / "sites" / "broken.toml").write_text("[site\n", encoding="utf-8")
    rows = "lost,sites/nowhere.toml\nbroken,sites/broken.toml\ngood,sites/bungalow-100a.toml\n"
    portfolio = table(folder, "site_id,base\n" + rows)
    changed, count = substitute(portfolio, {}, {CHARGER: "32 A"})
    assert count == 1
    assert changed.entries[:2] == portfolio.entries[:2]


def test_a_home_that_lacks_the_thing_to_set_is_not_taken(folder):
    portfolio = cases(folder)
    changed, count = substitute(portfolio, {}, {"source.pv.output_current": "16 A"})
    having = [entry.site_id for entry in portfolio.entries if 'id = "pv"' in entry.site_file.read_text(encoding="utf-8")]
    assert count == len(having) == 2
    assert [now.site_id for before, now in zip(portfolio.entries, changed.entries, strict=True) if now is not before] == having


# what is refused


def test_paths_that_no_home_has_and_values_that_are_refused_are_told_at_once(folder):
    portfolio = cases(folder)
    where = {"source.pvv.model": "PV-C", "source.pv.model": "PV-C", CHARGER: "24 apples|24 A"}
    put = {"service.ratng": "100 A", "evse.evse-9.rating": "24 A", "service.rating": "12 kW", "dwelling.status": "old", "site.id": "x"}
    found = faults_of(lambda: substitute(portfolio, where, put))
    nowhere = "no home of the portfolio has such a field"
    assert {place: what for place, (what, _) in found.items() if what == nowhere} == {
        ("--where", "source.pvv.model"): nowhere,
        ("--set", "service.ratng"): nowhere,
        ("--set", "evse.evse-9.rating"): nowhere,
    }
    assert found["--where", "source.pvv.model"][1] == 'did you mean "source.pv.model"?'
    assert found["--set", "service.ratng"][1] == 'did you mean "service.rating"?'
    assert found["--set", "evse.evse-9.rating"][1] == 'did you mean "evse.evse-1.rating"?'
    assert {("--where", CHARGER), ("--set", "service.rating"), ("--set", "dwelling.status"), ("--set", "site.id")} < set(found)
    assert len(found) == 7


def test_a_path_that_one_home_alone_has_is_known(folder):
    rows = "".join(f"home-{number},sites/bungalow-100a.toml\n" for number in range(3))
    portfolio = table(folder, f"site_id,base\n{rows}last,sites/array-and-storage-200a.toml\n")
    assert substitute(portfolio, {"source.pv.model": "PV-C"}, {"source.pv.model": "PV-X"})[1] == 1
    assert substitute(portfolio, {"source.pv.model": "PV-Z"}, {"source.pv.model": "PV-X"}) == (portfolio, 0)


@pytest.mark.parametrize("path", ["", ".", "..", "source", "source.pv", "source.pv.model.x", "a" * 500, "site..id", "=1+1", "panel.main"])
def test_what_is_no_path_of_a_field_is_a_fault(folder, path):
    portfolio = cases(folder)
    assert ("--set", path) in faults_of(lambda: substitute(portfolio, {}, {path: "1"}))
    assert ("--where", path) in faults_of(lambda: substitute(portfolio, {path: "1"}, {"site.revision": "Z"}))


def test_nothing_to_set_is_a_fault(folder):
    assert faults_of(lambda: substitute(cases(folder), {}, {})) == {("--set", ""): ("nothing is set", "name a field and its value")}


@pytest.mark.parametrize("path, text", [(CHARGER, "|"), (CHARGER, "48 A|"), (CHARGER, "|48 A"), ("source.pv.model", "PV-C|")])
def test_an_empty_value_among_several_is_refused(folder, path, text):
    portfolio = cases(folder)
    assert ("--where", path) in faults_of(lambda: substitute(portfolio, {path: text}, {"site.revision": "Z"}))
