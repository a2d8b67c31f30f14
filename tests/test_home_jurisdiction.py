"""Jurisdiction and utility files: adoptions by date, rules with their source, limits, amendments, edition in force."""

from __future__ import annotations

import datetime

import pytest

from tests.test_home_support import DATA, EXAMPLE, SMALL, edited, faults_of, only_fault, written
from workbook_lib import editions
from workbook_lib.home import read_home, validate
from workbook_lib.home.jurisdiction import LIMITS, REQUIRED, RULES
from workbook_lib.home.leaf import Flag

LOCAL = 'format = 1\nid = "town"\n'


def with_town(tmp_path, text: str, site: str = 'jurisdiction = "town"\npermit_date = 2024-06-01\n'):
    """A small home in a town with this jurisdiction file."""
    written(tmp_path, LOCAL + text, "town.toml")
    return written(tmp_path, SMALL.replace('edition = "2023"\n', site))


ADOPTIONS = """adoption = [
  { effective = 2018-01-01, edition = "2017" },
  { effective = 2022-07-01, edition = "2020" },
  { effective = 2025-07-01, edition = "2023" },
]
"""


@pytest.mark.parametrize(
    "day,edition",
    [
        ("2018-01-01", "2017"),
        ("2022-06-30", "2017"),
        ("2022-07-01", "2020"),
        ("2025-06-30", "2020"),
        ("2025-07-01", "2023"),
        ("2040-01-01", "2023"),
    ],
)
def test_the_adoption_in_force_on_the_permit_date_holds(tmp_path, day, edition):
    home = read_home(with_town(tmp_path, ADOPTIONS, f'jurisdiction = "town"\npermit_date = {day}\n'))
    assert (home.edition_year, home.edition_basis) == (edition, "adopted")
    assert home.adoption.edition == edition


@pytest.mark.parametrize(
    "site,year,basis",
    [
        ('edition = "2020"\njurisdiction = "town"\npermit_date = 2024-06-01\n', "2020", "adopted"),
        ('edition = "2026"\njurisdiction = "town"\npermit_date = 2024-06-01\n', "2026", "what-if"),
        ('edition = "2026"\njurisdiction = "town"\npermit_date = 2001-01-01\n', "2026", "stated"),
        ('edition = "2026"\njurisdiction = "town"\n', "2026", "stated"),
        ('edition = "2026"\n', "2026", "stated"),
    ],
)
def test_the_basis_of_the_edition(tmp_path, site, year, basis):
    home = read_home(with_town(tmp_path, ADOPTIONS, site))
    assert (home.edition_year, home.edition_basis) == (year, basis)


@pytest.mark.parametrize(
    "site,words",
    [
        ("", "neither edition nor jurisdiction"),
        ('jurisdiction = "town"\n', "without permit_date"),
        ('jurisdiction = "town"\npermit_date = 2001-01-01\n', "no adoption in force on 2001-01-01"),
    ],
)
def test_a_home_without_an_edition_is_refused(tmp_path, site, words):
    fault = only_fault(with_town(tmp_path, ADOPTIONS, site))
    assert fault.field == "site.edition"
    assert words in fault.what


def test_an_unknown_edition_is_refused_once(tmp_path):
    fault = only_fault(with_town(tmp_path, ADOPTIONS, 'edition = "2019"\njurisdiction = "town"\npermit_date = 2024-06-01\n'))
    assert (fault.field, fault.what) == ("site.edition", "unknown value")
    assert only_fault(EXAMPLE, {"site.edition": 2020}).todo == 'put it in quotes: "2020"'


def test_rules_limits_and_evidence_are_inputs_with_their_source():
    home = read_home(EXAMPLE)
    rule = home.jurisdiction.rule("service_load_fraction")
    assert (rule.key, rule.value, rule.unit, rule.origin) == ("jurisdiction.rule.service_load_fraction", 0.8, "frac", "jurisdiction")
    assert (rule.source.locator, rule.source.note) == ("local checklist", "jurisdiction tansy-hollow")
    assert isinstance(home.jurisdiction.rules["measured_new_load_continuous"], Flag)
    assert home.jurisdiction.rule("interval_factor").value == 1.3
    assert home.jurisdiction.rule("interval_factor.interval").value == 3600.0
    assert home.jurisdiction.rule("socket_overload") is None
    assert home.rule("socket_overload").value == "calculated"
    assert home.rule("socket_overload").key == "utility.rule.socket_overload"
    assert home.utility.limits["export_power"].value == 10000.0
    assert home.utility.evidence["adapter"].value == ("utility-approval", "condition")
    assert home.utility.approved_adapters[0].model == "AD-C"
    assert home.utility.approved_adapters[0].approved == datetime.date(2026, 1, 10)
    with pytest.raises(KeyError, match="service_load_fraction"):
        home.jurisdiction.rule("no_such_rule")


def test_every_rule_of_the_contract_is_taken():
    assert list(RULES) == [
        *("service_load_fraction", "measured_new_load_continuous", "measured_generation", "existing_hvac_without_added"),
        *("evse_demand", "evse_load", "backup_capacity", "socket_overload", "storage_limit_reading", "interval_factor"),
    ]
    assert set(LIMITS).isdisjoint(RULES)
    assert set(REQUIRED).isdisjoint(RULES)


@pytest.mark.parametrize(
    "text,field,what,todo",
    [
        ('[rule]\nevse_demnd = { value = "in-tier", source = "x" }', "rule.evse_demnd", "unknown field", '"evse_demand"'),
        ('[rule]\nevse_demand = { value = "outside", source = "x" }', "rule.evse_demand.value", "unknown value", '"outside-tier"'),
        ('[rule]\nevse_demand = "in-tier"', "rule.evse_demand", "a value where a table is wanted", "table"),
        ('[rule]\nevse_demand = { value = "in-tier" }', "rule.evse_demand.source", "missing: source", "add source"),
        (
            '[rule]\nservice_load_fraction = { value = 80, source = "x" }',
            "rule.service_load_fraction.value",
            "outside its limits",
            "correct",
        ),
        ('[rule]\ninterval_factor = { value = 1.3, source = "x" }', "rule.interval_factor.interval", "missing", "add interval"),
        ('[limit]\nexport_power = { value = 10, source = "x" }', "limit.export_power.value", "number without a unit", '"10 W"'),
        (
            '[evidence]\nadapter = { value = ["utility-aproval"], source = "x" }',
            "evidence.adapter.value",
            "unknown value",
            '"utility-approval"',
        ),
        ('adoption = [ { effective = "2024-01-01", edition = "2023" } ]', "adoption.0.effective", "not a date", "without quotes"),
        ("adoption = [ { effective = 2024-01-01, edition = 2023 } ]", "adoption.0.edition", "not a text", '"2023"'),
        ("adoption = 3", "adoption", "a value where rows are wanted", "row"),
        ("[rule]\nx = 1\n[rule.y]\n[ruel]\n", None, None, None),
    ],
)
def test_what_a_local_file_is_refused_for(tmp_path, text, field, what, todo):
    path = with_town(tmp_path, text, 'edition = "2023"\njurisdiction = "town"\n')
    faults = faults_of(path)
    assert all(fault.file.endswith("town.toml") and fault.line for fault in faults)
    if field is None:
        assert [fault.field for fault in faults] == ["rule.x", "rule.y", "ruel"]
        return
    assert [fault.field for fault in faults] == [field]
    assert what in faults[0].what
    assert todo in faults[0].todo
    assert validate([path.with_name("town.toml")]) == list(faults)


def test_two_adoptions_on_one_day_and_a_wrong_id_are_faults(tmp_path):
    row = '{ effective = 2024-01-01, edition = "2023" }'
    fault = only_fault(with_town(tmp_path, f"adoption = [ {row}, {row} ]"))
    assert (fault.field, fault.what) == ("adoption.1.effective", "two adoptions take effect on one day")
    path = with_town(tmp_path, ADOPTIONS)
    path.with_name("town.toml").write_text((LOCAL + ADOPTIONS).replace('"town"', '"village"'))
    assert only_fault(path).what == "the id is not the name of the file"


def test_a_local_file_that_is_not_there_is_a_fault_with_the_nearest_one(tmp_path):
    fault = only_fault(edited(tmp_path, ('jurisdiction = "tansy-hollow"', 'jurisdiction = "tansy-holow"')))
    assert (fault.field, fault.todo) == ("site.jurisdiction", 'did you mean "tansy-hollow"?')


def test_a_local_file_is_looked_for_beside_the_site_file_first(tmp_path):
    path = edited(tmp_path)
    beside = path.with_name("tansy-light.toml")
    beside.write_text('format = 1\nid = "tansy-light"\nname = "Beside"\n')
    home = read_home(path)
    assert home.utility.name == "Beside"
    assert "tansy-light.toml" in dict(home.inputs)


def test_amendments_become_changes_of_the_edition():
    home = read_home(EXAMPLE)
    assert [(change.kind, change.name, change.to) for change in home.amendments] == [
        ("value", "existing_first_va", 8000.0),
        ("switch", "evse_floor_reaches_optional", "yes"),
    ]
    assert home.amendments[0].citation == "Ordinance 2025-14, section 3"
    changed = editions.load("2023").changed(home.amendments)
    assert changed.value("evse_floor_reaches_optional").origin == "jurisdiction"


def test_amendments_do_not_reach_another_edition():
    assert read_home(EXAMPLE, {"site.edition": "2020"}).amendments == ()


def amended(tmp_path, rows: str, edition: str = "2023"):
    """The example home with other amendments."""
    path = edited(tmp_path)
    text = f'format = 1\nid = "tansy-hollow-2025"\nedition = "{edition}"\nchange = [\n{rows}\n]\n'
    (path.parent / "jurisdictions" / "tansy-hollow-2025.toml").write_text(text)
    return path


def test_a_cell_of_a_table_can_be_amended(tmp_path):
    edition = editions.load("2023")
    table, column = "dryer_demand", next(name for name in edition.rows("dryer_demand")[0] if "frac" in name)
    row = edition.row_names(table)[4]
    path = amended(tmp_path, f'{{ table = "{table}", row = "{row}", column = "{column}", to = 0.5, source = "s" }},')
    home = read_home(path)
    assert edition.changed(home.amendments).lookup(table, float(row), column).value == 0.5


@pytest.mark.parametrize(
    "row,field,what",
    [
        ('{ value = "no_such_value", to = 1, source = "s" },', "change.0", "cannot be changed so"),
        ('{ switch = "evse_demand", to = "sideways", source = "s" },', "change.0", "cannot be changed so"),
        ('{ value = "existing_first_va", to = -1, source = "s" },', "change.0", "cannot be changed so"),
        ('{ table = "no_such_table", row = "5", column = "frac", to = 1, source = "s" },', "change.0", "cannot be changed so"),
        ('{ value = "existing_first_va", switch = "evse_demand", to = 1, source = "s" },', "change.0", "not exactly one thing"),
        ('{ to = 1, source = "s" },', "change.0", "not exactly one thing"),
        ('{ table = "dryer_demand", to = 1, source = "s" },', "change.0", "not exactly one thing"),
        ('{ value = "existing_first_va", to = true, source = "s" },', "change.0.to", "neither a number nor a text"),
        ('{ value = "existing_first_va", to = 8000 },', "change.0.source", "missing"),
    ],
)
def test_an_amendment_that_cannot_be_made_is_a_fault_of_its_row(tmp_path, row, field, what):
    path = amended(tmp_path, row)
    fault = only_fault(path)
    assert fault.field == field
    assert what in fault.what
    assert fault.file.endswith("tansy-hollow-2025.toml")
    assert fault.line == 5
    local = path.parent / "jurisdictions"
    assert validate([local / "tansy-hollow-2025.toml"]) == validate([local / "tansy-hollow.toml"]) == [fault]


def test_amendments_of_another_edition_than_the_one_adopted_are_a_fault(tmp_path):
    assert only_fault(amended(tmp_path, "", "2020")).field == "edition"


def test_the_files_of_the_invented_town_are_sound():
    assert validate(sorted((DATA / "jurisdictions").glob("*.toml"))) == []


def test_empty_lists_in_local_files_are_no_rows(tmp_path):
    home = read_home(with_town(tmp_path, "adoption = []\napproved_adapter = []\n", 'edition = "2023"\njurisdiction = "town"\n'))
    assert home.jurisdiction.adoptions == home.jurisdiction.approved_adapters == ()
