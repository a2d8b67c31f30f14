"""Place of storage: limits by edition of the residential code, distances, vehicles, detection, disconnects.

Unit of 20 kWh, 36 in between units, 3 ft to doors and windows: national permitting guideline and FAQ on the 2021 code, as collected
in the storage grid of the published checks. RS10 and RS12: cases of the rule matrix, derived. 3 and 6 units of 13.5 kWh: trade cases.
"""

from __future__ import annotations

import csv
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.test_proof import prove
from tests.test_ties_connections import ARRAY, written
from workbook_lib import editions
from workbook_lib.editions import residential as data
from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.home import read_home
from workbook_lib.home.leaf import Flag
from workbook_lib.rules import siting
from workbook_lib.sheet import CONFIRMED, Check, Input
from workbook_lib.workbooks.backup_place import place
from workbook_lib.workbooks.work import SheetWork

IRC = {year: data.residential(year) for year in ("2018", "2021", "2024")}


def kwh(value: float) -> Input:
    return Input("energy", "energy", value, "kWh")


def feet(value: float | None) -> Input | None:
    return None if value is None else Input("distance", "distance", value, "ft")


def word(value: str) -> Input:
    return Input("place", "place", value)


def yes(value: bool | None) -> Flag | None:
    return None if value is None else Flag("flag", "flag", value)


# the data, typed by hand from the rule matrix (section 7 and the second table of section 12)

RESIDENTIAL = """
key,2018,2021,2024,unit,status
section,R327,R328,R330,,C/C/1
habitable,refused,refused,refused,,C/C/1
listing,UL 9540,UL 9540,UL 9540,,M/C/1
scope_kwh,none,1,1,kWh,C/C/1
unit_kwh,none,20,20,kWh,C/C/1
indoor_kwh,none,40,40,kWh,C/M/1
garage_kwh,none,80,80,kWh,C/M/1
wall_kwh,none,80,80,kWh,C/M/1
ground_kwh,none,80,80,kWh,C/M/1
dwelling_kwh,none,80,80,kWh,C/1/1
reading,none,argued,argued,,C/M/1
spacing_ft,none,3,3,ft,M/C/1
openings_ft,none,3,3,ft,M/C/1
vehicles,required,required,required,,C/C/1
end_wall_in,48,48,48,in,1/1/1
detection,none,required,required,,M/C/1
"""
FIRE = """
code,year,section,unit_kwh,indoor_kwh,garage_kwh,wall_kwh,ground_kwh,reading,unit_status,status
NFPA 855,2020,ch. 15,20,40,80,80,80,argued,C,1
NFPA 855,2023,15.5.2,20,40,80,80,80,per-place,C,1
IFC,2021,1207.11,20,40,80,80,80,argued,M,M
IFC,2024,1207.11,20,40,80,80,80,argued,M,M
"""
LETTER = {"confirmed": "C", "from memory": "M", "unconfirmed": "1"}


def typed(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(text.strip().splitlines()))


def shown(given: Input) -> str:
    return f"{given.value:g}" if isinstance(given.value, float) else given.value


def test_every_row_of_the_residential_code_is_as_typed():
    rows = typed(RESIDENTIAL)
    for index, (year, code) in enumerate(IRC.items()):
        assert code.keys == tuple(row["key"] for row in rows)
        for row in rows:
            given = code.value(row["key"])
            assert shown(given) == row[year], (year, row["key"])
            assert given.unit == (row["unit"] if row[year] != "none" and row["unit"] else None)
            assert LETTER[code.cite(row["key"]).status] == row["status"].split("/")[index], (year, row["key"])


def test_every_row_of_the_fire_codes_is_as_typed():
    found = [code for code in data.storage_codes() if code.code != "IRC"]
    rows = typed(FIRE)
    assert [(code.code, code.year) for code in found] == [(row["code"], row["year"]) for row in rows]
    for code, row in zip(found, rows, strict=True):
        keys = ("section", "unit_kwh", "indoor_kwh", "garage_kwh", "wall_kwh", "ground_kwh", "reading")
        assert code.keys == keys
        for key in keys:
            assert shown(code.value(key)) == row[key]
            assert LETTER[code.cite(key).status] == row["unit_status" if key == "unit_kwh" else "status"]


def test_what_is_not_confirmed_says_why_and_what_is_names_where_it_was_read():
    for code in data.storage_codes():
        for key in code.keys:
            source = code.cite(key)
            assert source.edition is None
            assert code.name in source.locator or source.locator.startswith("a national")
            if source.status == CONFIRMED:
                assert ";" in code.read_in(key), (code.name, key)
            else:
                assert source.note, (code.name, key)


def test_the_loader_names_what_is_known():
    with pytest.raises(CalculationFault, match="2018, 2021, 2024"):
        data.residential("2027")
    with pytest.raises(CalculationFault, match="unit_kwh"):
        IRC["2021"].value("unit_kw")
    assert IRC["2018"].limit("unit_kwh") is None
    assert str(IRC["2021"].cite("wall_kwh")) == "IRC 2021 R328.5 [from memory]"


# provisions


@pytest.mark.parametrize(
    "year,energy,expected",
    [
        ("2021", 20.0, "pass"),
        ("2021", 20.1, "fail"),
        ("2024", 20.0, "pass"),
        ("2024", 20.1, "fail"),
        ("2018", 20.1, "not applicable"),
    ],
)
def test_energy_of_one_unit(year, energy, expected):
    check = siting.unit_energy("one", kwh(energy), IRC[year])
    assert str(check.verdict) == expected
    if expected == "not applicable":
        assert "no energy limit" in check.note


@pytest.mark.parametrize("year,energy,out", [("2021", 1.0, True), ("2021", 1.01, False), ("2018", 0.5, False)])
def test_the_section_begins_above_one_kilowatt_hour(year, energy, out):
    assert (siting.too_small("key", "asked", kwh(energy), IRC[year]) is not None) is out


@pytest.mark.parametrize(
    "listed,expected",
    [
        (["UL 1741", "UL 9540"], "pass"),
        (["UL9540"], "pass"),
        (["UL 9540, 2nd edition"], "pass"),
        (["UL 9540A"], "judgement"),
        (["UL 95401"], "judgement"),
        ([], "judgement"),
    ],
)
def test_a_listing_and_no_mere_test(listed, expected):
    check = siting.listing("one", listed, IRC["2021"])
    assert str(check.verdict) == expected
    assert ("no listing" in check.note) == (expected == "judgement")
    if expected == "judgement":
        assert "mark" in check.closes


SPACING = [  # place, several, between, openings, fire test, verdict under 2021 and 2024
    ("attached-garage", True, 35 / 12, None, "", "fail"),
    ("attached-garage", True, 36 / 12, None, "", "pass"),
    ("attached-garage", True, 35 / 12, None, "test.pdf", "pass"),
    ("attached-garage", False, None, None, "", "not applicable"),
    ("exterior-wall", False, None, 35 / 12, "", "fail"),
    ("exterior-wall", False, None, 3.0, "", "pass"),
    ("outdoors", False, None, 35 / 12, "test.pdf", "judgement"),
    ("outdoors", True, 3.0, 3.0, "", "pass"),
    ("outdoors", True, 35 / 12, 3.0, "", "fail"),
    ("outdoors", True, 3.0, 35 / 12, "", "fail"),
    ("outdoors", True, 35 / 12, None, "", "fail"),
    ("outdoors", True, 3.0, None, "", "needs input"),
    ("outdoors", True, None, 3.0, "", "needs input"),
    ("", False, None, None, "", "needs input"),
]


@pytest.mark.parametrize("year", ["2021", "2024"])
@pytest.mark.parametrize("spot,several,between,openings,tested,expected", SPACING)
def test_distances(spot, several, between, openings, tested, expected, year):
    item = SimpleNamespace(distance_between=feet(between), distance_to_openings=feet(openings))
    if expected == "needs input":
        with pytest.raises(MissingInput):
            siting.spacing("one", spot, several, item, tested, IRC[year])
        return
    check = siting.spacing("one", spot, several, item, tested, IRC[year])
    assert str(check.verdict) == expected
    if tested:
        assert "test.pdf" in check.note
    assert str(siting.spacing("one", spot, several, item, tested, IRC["2018"]).verdict) == "not applicable"


VEHICLES = [  # place, path, barrier, verdict in every edition
    ("attached-garage", True, False, "fail"),
    ("attached-garage", True, True, "pass"),
    ("attached-garage", True, None, "needs input"),
    ("attached-garage", False, None, "pass"),
    ("attached-garage", None, None, "needs input"),
    ("attached-garage", None, True, "pass"),
    ("detached", None, None, "judgement"),
    ("outdoors", None, None, "judgement"),
    ("exterior-wall", None, None, "judgement"),
    ("exterior-wall", True, False, "fail"),
    ("utility-closet", None, None, "not applicable"),
    ("", None, None, "needs input"),
]


@pytest.mark.parametrize("year", list(IRC))
@pytest.mark.parametrize("spot,path,barrier,expected", VEHICLES)
def test_vehicles(spot, path, barrier, expected, year):
    if expected == "needs input":
        with pytest.raises(MissingInput) as caught:
            siting.vehicles("one", spot, yes(path), yes(barrier), IRC[year])
        wanted = "vehicle_barrier" if path else "vehicle_path"
        assert any(field.endswith(wanted) for field in caught.value.fields)
        assert path or not spot or "48 in" in caught.value.reason
        return
    check = siting.vehicles("one", spot, yes(path), yes(barrier), IRC[year])
    assert str(check.verdict) == expected
    assert ("48 in" in check.note) == (expected == "fail")


DETECTION = [
    ("attached-garage", True, "pass"),
    ("attached-garage", False, "fail"),
    ("attached-garage", None, "judgement"),
    ("utility-closet", False, "fail"),
    ("detached", True, "pass"),
    ("detached", False, "judgement"),
    ("exterior-wall", False, "not applicable"),
    ("outdoors", None, "not applicable"),
]


@pytest.mark.parametrize("spot,given,expected", DETECTION)
def test_detection(spot, given, expected):
    for year in ("2021", "2024"):
        check = siting.detection("one", spot, yes(given), IRC[year])
        assert str(check.verdict) == expected
        assert ("storage.one.detection" in check.closes) == (expected == "judgement")
    assert str(siting.detection("one", spot, yes(given), IRC["2018"]).verdict) == "not applicable"
    with pytest.raises(MissingInput):
        siting.detection("one", "", yes(False), IRC["2021"])


RS10 = [  # 30 ft away in sight: lockable, not lockable; the place rule of 2017 is from memory
    ("2017", True, "judgement"),
    ("2017", False, "judgement"),
    ("2020", True, "pass"),
    ("2020", False, "fail"),
    ("2023", True, "pass"),
    ("2023", False, "fail"),
    ("2026", True, "pass"),
    ("2026", False, "fail"),
]


@pytest.mark.parametrize("year,locks,expected", RS10)
def test_rs10_a_disconnect_30_ft_away(year, locks, expected):
    switch = siting.Switch("off", True, feet(30.0), yes(locks))
    check = siting.disconnect("battery", None, [switch], editions.load(year))
    assert str(check.verdict) == expected
    if not locks and expected == "fail":
        assert (check.provided.value, check.required.value) == (30.0, 10.0)


@pytest.mark.parametrize(
    "sight,distance,locks,expected,fields",
    [
        (True, 10.0, None, "pass", ()),
        (True, 10.1, False, "fail", ()),
        (True, 10.1, None, "needs input", ("lockable",)),
        (True, None, False, "needs input", ("distance",)),
        (True, None, True, "pass", ()),
        (None, None, True, "pass", ()),
        (None, 3.0, False, "needs input", ("in_sight_of",)),
        (None, None, None, "needs input", ("in_sight_of", "distance", "lockable")),
        (False, 3.0, False, "fail", ()),
        (False, 3.0, None, "needs input", ("lockable",)),
    ],
)
def test_in_sight_and_near_or_lockable(sight, distance, locks, expected, fields):
    check = siting.disconnect("battery", None, [siting.Switch("off", sight, feet(distance), yes(locks))], editions.load("2023"))
    assert str(check.verdict) == expected
    assert check.fields == tuple(f"disconnect.off.{field}" for field in fields)


def test_the_best_of_several_disconnects_and_one_of_its_own():
    edition = editions.load("2023")
    far, near = siting.Switch("far", True, feet(30.0), yes(False)), siting.Switch("near", True, feet(4.0), yes(False))
    assert str(siting.disconnect("battery", None, [far, near], edition).verdict) == "pass"
    assert str(siting.disconnect("battery", yes(True), [], editions.load("2017")).verdict) == "pass"
    none = siting.disconnect("battery", None, [], edition)
    assert none.fields == ("storage.battery.integral_disconnect", "disconnect")
    assert siting.disconnect("battery", yes(False), [], edition).fields == ("disconnect",)


@pytest.mark.parametrize("year,words", [("2020", "disconnect or its control"), ("2023", "shows off and on"), ("2026", "shows off and on")])
def test_emergency_shutdown_outside(year, words):
    edition = editions.load(year)

    def at(*places: str | None) -> Check:
        drawn = [siting.Switch(f"off-{index}", None, None, None, word(spot) if spot else None) for index, spot in enumerate(places)]
        return siting.shutdown(drawn, "", edition)

    assert [str(at(*spots).verdict) for spots in (("outside",), ("inside",), (None,), (), ("inside", "outside"))] == [
        *("pass", "fail", "needs input", "needs input", "pass"),
    ]
    assert words in at("outside").note
    assert at(None).fields == ("disconnect.off-0.place",)
    assert at().fields == ("disconnect",)


def test_no_emergency_shutdown_in_2017():
    assert str(siting.shutdown([], "", editions.load("2017")).verdict) == "not applicable"


# a whole home

SITE = (Path(__file__).resolve().parent.parent / "example_inputs" / "sites" / f"{ARRAY}.toml").read_text(encoding="utf-8")
PLAIN = SITE[SITE.index('location = "exterior-wall"') : SITE.index("[backup]\n")]
"""Place of the example's storage, and its shutdown: put elsewhere here."""
SAFE = 'distance_between = "3 ft"\ndistance_to_openings = "3 ft"\nvehicle_path = false\ndetection = true\nintegral_disconnect = true\n'
OFF = '[[disconnect]]\nid = "stop"\nrole = "storage-shutdown"\nconnected_to = "battery-feeder"\nplace = "outside"\n\n'
TOWN = "tansy-hollow.toml"


def more(name: str, energy: str, spot: str, count: int = 1, rest: str = SAFE) -> str:
    where = f'location = "{spot}"\n' if spot else ""
    return (
        f'[[storage]]\nid = "{name}"\ninverter = "battery-inverter"\ncount = {count}\nenergy = "{energy}"\n'
        f'roundtrip_efficiency = 0.89\n{where}{rest}status = "added"\n\n'
    )


def sited(
    tmp_path: Path, spot: str = "exterior-wall", code: str | None = "2021", *, energy: str = "13.5 kWh", count: int = 1,
    rest: str = SAFE, others: str = OFF, year: str = "2023", rule: str = "", town: str = "2021",
) -> SheetWork:  # fmt: skip
    """The example home with its storage put elsewhere; `town` is the residential code of its jurisdiction, empty for none."""
    where = f'location = "{spot}"\n' if spot else ""
    texts = [
        (PLAIN, f'{where}{rest}status = "added"\n\n{others}\n'),
        ('count = 1\nenergy = { value = "13.5 kWh", from = "data-sheet" }', f'count = {count}\nenergy = "{energy}"'),
    ]
    if code is not None:
        texts.append(('jurisdiction = "tansy-hollow"\n', f'jurisdiction = "tansy-hollow"\nresidential_code = "{code}"\n'))
    local = (
        [("[rule]\n", f'[rule]\nstorage_limit_reading = {{ value = "{rule}", source = "letter of the fire marshal" }}\n')] if rule else []
    )
    site = written(tmp_path, ARRAY, *texts, local=tuple(local))
    file = site.parent / "jurisdictions" / TOWN
    words = file.read_text(encoding="utf-8")
    file.write_text(words.replace('residential_code = "2021"', f'residential_code = "{town}"' if town else 'source = "ordinance"'), "utf-8")
    work = SheetWork(read_home(site), editions.load(year))
    place(work)
    return work


def verdicts(work: SheetWork) -> dict[str, str]:
    return {check.key: str(check.verdict) for check in work.checks}


def check_of(work: SheetWork, key: str) -> Check:
    return next(check for check in work.checks if check.key == key)


def test_a_home_that_says_everything_passes(tmp_path):
    work = sited(tmp_path)
    assert verdicts(work) == {
        "storage-disconnect": "pass",
        "emergency-shutdown": "pass",
        "storage-unit:battery": "pass",
        "storage-listing:battery": "pass",
        "storage-spacing:battery": "pass",
        "storage-vehicles:battery": "pass",
        "storage-detection:battery": "not applicable",
        "storage-location:exterior-wall": "pass",
    }
    assert work.not_checked
    assert [section.heading for section in work.sections] == ["Place of storage", "Limits of storage by edition"]
    row = work.sections[0].table.rows[0]
    assert row[:4] == ("battery", "exterior-wall", "1", 13.5)
    assert "80 kWh" in row[4]
    assert "in all of the dwelling" in row[5]
    assert any(note.startswith("from memory: IRC 2021 R328.5") and "storage-location:exterior-wall" in note for note in work.notes)
    assert len(work.sections[1].table.rows) == 7


def test_units_as_written_in_inches(tmp_path):
    for between, expected in (("35 in", "fail"), ("36 in", "pass")):
        work = sited(tmp_path, "attached-garage", count=2, rest=SAFE.replace('between = "3 ft"', f'between = "{between}"'))
        assert verdicts(work)["storage-spacing:battery"] == expected
    for openings, expected in (("35 in", "fail"), ("3 ft", "pass")):
        work = sited(tmp_path, rest=SAFE.replace('openings = "3 ft"', f'openings = "{openings}"'))
        assert verdicts(work)["storage-spacing:battery"] == expected


@pytest.mark.parametrize("energy,expected", [("20.0 kWh", "pass"), ("20.1 kWh", "fail")])
def test_a_unit_of_twenty(tmp_path, energy, expected):
    assert verdicts(sited(tmp_path, energy=energy))["storage-unit:battery"] == expected


@pytest.mark.parametrize(
    "spot,count,expected",
    [("utility-closet", 3, "fail"), ("attached-garage", 3, "pass"), ("attached-garage", 6, "fail"), ("outdoors", 6, "fail")],
)
def test_several_units_at_one_place(tmp_path, spot, count, expected):
    """3 x 13.5 = 40.5 kWh is above the 40 of a closet and within the 80 of a garage, 6 x 13.5 = 81 above both (trade cases)."""
    check = check_of(sited(tmp_path, spot, count=count), f"storage-location:{spot}")
    assert str(check.verdict) == expected
    assert check.provided.value == pytest.approx(13.5 * count)


RS12 = (
    more("closet", "20 kWh", "utility-closet", 2) + more("garage", "20 kWh", "attached-garage", 4) + more("ground", "20 kWh", "outdoors", 4)
)
PLACES = ("utility-closet", "attached-garage", "exterior-wall", "outdoors")


@pytest.mark.parametrize("rule,expected", [("", "judgement"), ("per-place", "pass"), ("per-dwelling", "fail")])
@pytest.mark.parametrize("code", ["2021", "2024"])
def test_rs12_each_place_full(tmp_path, rule, expected, code):
    """40 + 80 + 80 + 80 = 280 kWh: within the limit of each place, above 80 kWh of the dwelling."""
    work = sited(tmp_path, code=code, energy="20 kWh", count=4, others=RS12 + OFF, rule=rule)
    for spot in PLACES:
        check = check_of(work, f"storage-location:{spot}")
        assert str(check.verdict) == expected, spot
        assert "280.0 of 80 kWh" in check.note
        assert ("fire marshal" in check.note) == bool(rule)
    if expected == "judgement":
        assert "storage_limit_reading" in check.closes
    if expected == "fail":
        assert (check.provided.value, check.required.value) == (280.0, 80.0)


def test_a_place_above_its_limit_fails_in_either_reading(tmp_path):
    for rule in ("", "per-place", "per-dwelling"):
        work = sited(tmp_path, "utility-closet", energy="20 kWh", count=3, rule=rule)
        assert verdicts(work)["storage-location:utility-closet"] == "fail"


def test_two_rows_at_one_place_are_added(tmp_path):
    work = sited(tmp_path, "utility-closet", energy="20 kWh", others=more("second", "20.1 kWh", "utility-closet") + OFF)
    check = check_of(work, "storage-location:utility-closet")
    assert (str(check.verdict), check.provided.value) == ("fail", pytest.approx(40.1))
    assert verdicts(work)["storage-spacing:battery"] == "pass"
    bare = sited(tmp_path, "utility-closet", energy="20 kWh", rest="", others=more("second", "20 kWh", "utility-closet"))
    assert check_of(bare, "storage-spacing:battery").fields == ("storage.battery.distance_between",)
    assert verdicts(bare)["storage-spacing:second"] == "pass"


@pytest.mark.parametrize("rule,expected", [("", "judgement"), ("per-place", "judgement"), ("per-dwelling", "fail")])
def test_garages_stand_on_one_line(tmp_path, rule, expected):
    """40 + 60 kWh in an attached and a detached garage: each within 80, not together on one line."""
    others = more("shed", "20 kWh", "detached", 3) + OFF
    work = sited(tmp_path, "attached-garage", energy="20 kWh", count=2, others=others, rule=rule)
    for spot in ("attached-garage", "detached"):
        check = check_of(work, f"storage-location:{spot}")
        assert str(check.verdict) == expected
        assert "on one line 100.0 of 80 kWh" in check.note


@pytest.mark.parametrize("code", ["2018", "2021", "2024"])
def test_never_in_habitable_rooms(tmp_path, code):
    assert verdicts(sited(tmp_path, "living-space", code))["storage-location:living-space"] == "fail"


@pytest.mark.parametrize("code", ["2018", "2021", "2024"])
def test_every_edition_names_itself(tmp_path, code):
    work = sited(tmp_path, "attached-garage", code, town="2015")
    found = verdicts(work)
    assert found["storage-location:attached-garage"] == "pass"
    limited = code != "2018"
    assert found["storage-unit:battery"] == ("pass" if limited else "not applicable")
    assert found["storage-detection:battery"] == ("pass" if limited else "not applicable")
    assert found["storage-vehicles:battery"] == "pass"
    assert f"IRC {code}" in str(check_of(work, "storage-location:attached-garage").source)


def test_the_town_holds_where_the_site_is_silent(tmp_path):
    work = sited(tmp_path, "living-space", None, town="IRC 2024 with changes")
    assert "IRC 2024" in str(check_of(work, "storage-location:living-space").source)
    assert any(note.startswith("unconfirmed: IRC 2024 R330") for note in work.notes)


@pytest.mark.parametrize("code", ["2015", "2012"])
def test_before_there_was_a_section(tmp_path, code):
    work = sited(tmp_path, "living-space", code, energy="30 kWh")
    found = {key: verdict for key, verdict in verdicts(work).items() if ":" in key}
    assert set(found.values()) == {"not applicable"}
    assert "fire code" in check_of(work, "storage-location:living-space").note


@pytest.mark.parametrize("code,words", [("2027", "2027"), (None, "as the county says"), (None, "2021 and 2024")])
def test_an_edition_that_is_not_in_the_data(tmp_path, code, words):
    work = sited(tmp_path, "utility-closet", code, town=words)
    for name in ("storage-location:utility-closet", "storage-unit:battery"):
        check = check_of(work, name)
        assert str(check.verdict) == "judgement"
        assert words in check.note
        assert "2018" in check.note
    lacking = sited(tmp_path, "attached-garage", code, town=words, rest="")
    assert verdicts(lacking)["storage-vehicles:battery"] == "needs input"


@pytest.mark.parametrize(
    "spot,energy,expected",
    [
        ("exterior-wall", "13.5 kWh", {"storage-unit:battery": "pass", "storage-location:exterior-wall": "pass"}),
        ("utility-closet", "45 kWh", {"storage-unit:battery": "judgement", "storage-location:utility-closet": "judgement"}),
        ("living-space", "13.5 kWh", {"storage-unit:battery": "pass", "storage-location:living-space": "fail"}),
    ],
)
def test_an_edition_that_is_not_given(tmp_path, spot, energy, expected):
    """Where 2018, 2021 and 2024 agree the check holds under each; else which is in force decides."""
    work = sited(tmp_path, spot, None, energy=energy, town="")
    for key, verdict in expected.items():
        check = check_of(work, key)
        assert str(check.verdict) == verdict
        if verdict == "judgement":
            assert "2018 " in check.note
            assert "2021 fail" in check.note
            assert "site.residential_code" in check.closes
        else:
            assert "under every edition known here" in check.note


def test_missing_fields_are_asked_for(tmp_path):
    work = sited(tmp_path, "", rest="", others="")
    asked = {check.key: check.fields for check in work.checks if str(check.verdict) == "needs input"}
    assert asked == {
        "storage-location:not-given": ("storage.battery.location",),
        "storage-spacing:battery": ("storage.battery.location",),
        "storage-vehicles:battery": ("storage.battery.location", "storage.battery.vehicle_path"),
        "storage-disconnect": ("storage.battery.integral_disconnect", "disconnect"),
        "emergency-shutdown": ("disconnect",),
    }
    assert verdicts(work)["storage-detection:battery"] == "judgement"


def test_energy_that_is_missing(tmp_path):
    others = more("second", "20 kWh", "outdoors").replace('energy = "20 kWh"\n', "") + OFF
    work = sited(tmp_path, "utility-closet", others=others)
    for key in ("storage-unit:second", "storage-location:outdoors", "storage-location:utility-closet"):
        assert check_of(work, key).fields == ("storage.second.energy",)
    local = sited(tmp_path, "utility-closet", others=others, rule="per-place")
    assert verdicts(local)["storage-location:utility-closet"] == "pass"
    early = sited(tmp_path, "utility-closet", "2018", others=others)
    assert verdicts(early)["storage-unit:second"] == "not applicable"


def test_storage_too_small_for_the_section(tmp_path):
    work = sited(tmp_path, "living-space", energy="0.9 kWh", rest="")
    assert {verdict for key, verdict in verdicts(work).items() if ":" in key} == {"not applicable"}
    assert verdicts(sited(tmp_path, "living-space", energy="0.9 kWh", count=2))["storage-location:living-space"] == "fail"


def test_what_is_removed_does_not_count(tmp_path):
    gone = more("old", "20 kWh", "exterior-wall", 4).replace('status = "added"', 'status = "removed"')
    work = sited(tmp_path, others=gone + OFF)
    assert check_of(work, "storage-location:exterior-wall").provided.value == 13.5
    assert not any("old" in key for key in verdicts(work))


TEST = (
    '[[evidence]]\nfor = "battery"\nshows = "spacing-test"\nby = "laboratory"\ndocument = "evidence/fire-test.txt"\ndate = 2026-03-02\n\n'
)


def test_a_fire_test_on_file_allows_less_between_units(tmp_path):
    rest = SAFE.replace('between = "3 ft"', 'between = "6 in"')
    sited(tmp_path)
    (tmp_path / "site" / "evidence" / "fire-test.txt").write_text("report", encoding="utf-8")
    work = sited(tmp_path, "attached-garage", count=2, rest=rest, others=OFF + TEST)
    assert verdicts(work)["storage-spacing:battery"] == "pass"
    assert "fire-test.txt, 2026-03-02" in check_of(work, "storage-spacing:battery").note
    undated = sited(tmp_path, "attached-garage", count=2, rest=rest, others=OFF + TEST.replace("date = 2026-03-02\n", ""))
    assert verdicts(undated)["storage-spacing:battery"] == "fail"


def switched(lock: str, distance: str = "30 ft", sight: str = "battery-inverter") -> str:
    return (
        f'[[disconnect]]\nid = "off"\nrole = "storage"\nconnected_to = "battery-feeder"\nin_sight_of = "{sight}"\ndistance = "{distance}"\n'
        f"lockable = {lock}\n\n"
    )


@pytest.mark.parametrize("year,locks,expected", RS10)
def test_rs10_in_a_home(tmp_path, year, locks, expected):
    rest = SAFE.replace("integral_disconnect = true\n", "")
    work = sited(tmp_path, rest=rest, others=OFF + switched(str(locks).lower()), year=year)
    assert verdicts(work)["storage-disconnect"] == expected
    assert verdicts(work)["emergency-shutdown"] == ("not applicable" if year == "2017" else "pass")


def test_each_storage_wants_a_disconnect(tmp_path):
    bare = SAFE.replace("integral_disconnect = true\n", "")
    near = switched("false", "5 ft", "battery")
    work = sited(tmp_path, rest=bare, others=OFF + near + more("second", "10 kWh", "outdoors"))
    assert verdicts(work)["storage-disconnect"] == "pass"
    without = sited(tmp_path, rest=bare, others=OFF + near + more("second", "10 kWh", "outdoors", rest=bare))
    check = check_of(without, "storage-disconnect")
    assert (str(check.verdict), check.fields) == ("needs input", ("storage.second.integral_disconnect", "disconnect"))
    assert any("every storage" in line for line in without.not_checked)
    both = sited(tmp_path, rest=bare, others=OFF + switched("false", "5 ft") + more("second", "10 kWh", "outdoors", rest=bare))
    assert verdicts(both)["storage-disconnect"] == "pass"


def test_a_disconnect_outside_may_be_the_shutdown(tmp_path):
    drawn = switched("true").replace('role = "storage"', 'role = "storage"\nplace = "outside"')
    check = check_of(sited(tmp_path, others=drawn), "emergency-shutdown")
    assert str(check.verdict) == "needs input"
    assert "off outside" in check.note


def test_a_home_without_storage():
    work = SheetWork(SimpleNamespace(site=SimpleNamespace(storage=(), disconnect=())), editions.load("2023"))
    place(work)
    assert verdicts(work) == {"storage-disconnect": "not applicable", "emergency-shutdown": "not applicable"}
    assert work.sections == []


def test_every_edition_behind_a_verdict_has_its_caution(tmp_path):
    notes = sited(tmp_path, code=None, town="").notes
    for start in ("from memory: IRC 2021 R328.5", "unconfirmed: IRC 2024 R330"):
        assert any(note.startswith(start) and "storage-location:exterior-wall" in note for note in notes)


def test_sums_follow_their_formula(tmp_path):
    work = sited(tmp_path, energy="20 kWh", count=4, others=RS12 + OFF)
    steps = work.sections[0].steps
    assert len({step.key for step in steps}) == len(steps)
    assert prove(steps) == 5


def test_readings_of_the_fire_standard():
    """NFPA 855: each location by its text of 2023, a word missing in 2020; a local rule turns either."""
    first, later = (code for code in data.storage_codes() if code.code == "NFPA 855")
    assert (siting.one_dwelling(first, None), siting.one_dwelling(later, None)) == (None, False)
    assert siting.one_dwelling(later, word("per-dwelling")) is True
