"""Measured load: 220.87 on records made by hand, on a utility's letter and on the open feed; every condition and bound.

T11 and SYNTH-3 are derived cases (arithmetic from the rule; no published dwelling example was found).
"""

from __future__ import annotations

import datetime
import shutil
from pathlib import Path

import pytest

from tests import espi_feed
from workbook_lib import editions
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks import service_load

DATA = Path(__file__).resolve().parent / "data" / "records"

SITE = """format = 1
load = [
  {{ id = "range", kind = "range", connected_to = "b1", rating = "12 kW", voltage = "240 V" }},
  {{ id = "heat", kind = "electric-heat", connected_to = "b1", rating = "4.8 kW", voltage = "240 V" }},
  {{ id = "cool", kind = "air-conditioner", connected_to = "b1", current = "12 A", voltage = "240 V" }},
]
evse = [{{ id = "ev", connected_to = "b2", rating = "{evse} A", voltage = "240 V", status = "added" }}]
[site]
id = "by-hand"
edition = "{edition}"
time_zone = "America/Denver"
{local}
[study]
service_load_method = "{method}"
[dwelling]
floor_area = "1500 ft^2"
status = "existing"
small_appliance_circuits = 2
laundry_circuits = 1
{dwelling}
[service]
system = "120/240 V 1-phase 3-wire"
rating = "100 A"
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
bus = "100 A"
main = "100 A"
breakers = [{{ id = "b1", rating = "50 A", poles = 2 }}, {{ id = "b2", rating = "60 A", poles = 2, status = "added" }}]
[records]
{records}
"""
LETTER = 'maximum_demand = "{demand}"\ndemand_interval = "{interval}"\ndemand_days = {days}\npower_factor = 1.0\ngeneration = "none"'
MADE = 'load = {{ file = "made.csv", register = "delivered", power_factor = 1.0{more} }}\ngeneration = "none"\noccupied = true'


def sheet(folder: Path, records: str, *, evse: float = 48, edition: str = "2020", method: str = "measured", dwelling="", local=""):
    """The service load sheet of a small home with these records."""
    path = folder / "by-hand.toml"
    text = SITE.format(records=records, evse=evse, edition=edition, method=method, dwelling=dwelling, local=local)
    path.write_text(text, encoding="utf-8")
    home = read_home(path)
    return service_load.study(home, editions.load(home.edition_year))


def made(folder: Path, step_min: int, days: int, kwh: dict[int, float], base: float = 0.1, name: str = "made.csv", extra=None) -> None:
    """A table of intervals in UTC from 1 January 2025: `kwh` by number of the interval, `base` elsewhere; None leaves a row out."""
    start = datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC)
    lines = ["start,kWh" if extra is None else "start,delivered kWh,received kWh"]
    for place in range(days * 1440 // step_min):
        value = kwh.get(place, base)
        if value is not None:
            stamp = (start + datetime.timedelta(minutes=step_min * place)).isoformat().replace("+00:00", "Z")
            lines.append(f"{stamp},{value:g}" + ("" if extra is None else f",{extra.get(place, 0):g}"))
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def value(made_sheet, key: str) -> float:
    return made_sheet.results[key].value


def verdict(made_sheet, key: str) -> str:
    return str(made_sheet.check(key).verdict)


@pytest.mark.parametrize("evse,amperes,says", [(48, 110.5, "fail"), (30, 92.5, "pass"), (24, 86.5, "pass")])
def test_t11_a_letter_of_a_quarter_hour(tmp_path, evse, amperes, says):
    """T11 [derived]: 12.0 kW in 15 minutes, 100 A service; 62.5 A at 125 %, and the charger."""
    done = sheet(tmp_path, LETTER.format(demand="12 kW", interval="15 min", days=365), evse=evse)
    assert value(done, "demand_a:quarter-hour") == pytest.approx(50.0)
    assert value(done, "measured_a") == value(done, "service_load_a") == pytest.approx(amperes)
    assert value(done, "service_load_before_va") == pytest.approx(15000)
    assert verdict(done, "service-capacity") == verdict(done, "service-capacity:measured") == says
    assert verdict(done, "measured-allowed") == verdict(done, "record-days") == "pass"


def test_t11_an_hour_says_less(tmp_path):
    """T11 [derived]: 7.2 kWh, then 4.5 kWh: raw 30 A (37.5 at 125 %), one quarter 120 A, sliding bound 195 A."""
    made(tmp_path, 60, 366, {1000: 7.2, 1001: 4.5})
    done = sheet(tmp_path, MADE.format(more=""), evse=48)
    assert value(done, "demand_a:hour-raw") == pytest.approx(30.0)
    assert value(done, "demand_a:hour-in-quarter") == pytest.approx(120.0)
    assert value(done, "demand_a:two-hour") == pytest.approx(195.0)
    assert value(done, "measured_a:hour-raw") == pytest.approx(85.5)
    assert value(done, "measured_a:hour-in-quarter") == pytest.approx(198.0)
    assert value(done, "record_interval_s") == 3600
    assert verdict(done, "service-capacity") == "judgement"
    check = done.check("service-capacity")
    assert "85.5 A" in check.note
    assert "198.0 A" in check.note


@pytest.mark.parametrize(
    "peak,evse,says",
    [
        (2.4, 48, "pass"),  # 40 A in one quarter: 50 + 48 = 98
        (2.6, 48, "judgement"),  # 43.3 A: 102.2 by the bound, 61.5 raw
        (11.0, 48, "fail"),  # 45.8 A raw: 57.3 + 48 = 105.3
    ],
)
def test_an_hourly_record_passes_by_its_bound_fails_by_its_raw_hour_and_is_open_between(tmp_path, peak, evse, says):
    made(tmp_path, 60, 366, {1000: peak})
    assert verdict(sheet(tmp_path, MADE.format(more=""), evse=evse), "service-capacity") == says


def test_a_record_of_half_hours(tmp_path):
    """[derived] 3.0 kWh, then 2.0 kWh in half hours: 25 A raw, 50 A in one quarter, 83.3 A the two."""
    made(tmp_path, 30, 366, {1000: 3.0, 1001: 2.0})
    done = sheet(tmp_path, MADE.format(more=""), evse=30)
    assert value(done, "demand_a:half-hour-raw") == pytest.approx(25.0)
    assert value(done, "demand_a:half-hour-in-quarter") == pytest.approx(50.0)
    assert value(done, "demand_a:two-half-hour") == pytest.approx(5.0 * 4000 / 240)
    assert value(done, "measured_a") == pytest.approx(62.5 + 30)
    assert verdict(done, "service-capacity") == "pass"


def test_a_record_of_quarter_hours_decides_and_its_sliding_bound_is_shown(tmp_path):
    """[derived] 2.5 kWh, then 2.0 kWh: 41.7 A decides, 75 A is what a sliding window cannot exceed."""
    made(tmp_path, 15, 366, {1000: 2.5, 1001: 2.0})
    done = sheet(tmp_path, MADE.format(more=""), evse=40)
    assert value(done, "demand_a:quarter-hour") == pytest.approx(10000 / 240)
    assert value(done, "demand_a:two-quarter") == pytest.approx(75.0)
    assert value(done, "measured_a") == pytest.approx(1.25 * 10000 / 240 + 40)
    assert verdict(done, "service-capacity") == "pass"
    assert done.results["record_peak_start"].value.startswith("2025-01-11T03:00:00-07:00")


def test_minutes_are_averaged_over_any_fifteen_in_a_row(tmp_path):
    """[derived] five-minute readings 0.6, 0.9, 0.6 kWh astride the quarter's border: 2.1 kWh in 15 minutes."""
    made(tmp_path, 5, 366, {1001: 0.6, 1002: 0.9, 1003: 0.6}, base=0.02)
    done = sheet(tmp_path, MADE.format(more=""), evse=40)
    assert value(done, "demand_a:quarter-hour") == pytest.approx(2100 * 4 / 240)
    assert value(done, "record_peak_kw") == pytest.approx(0.9 * 12)
    assert "demand_a:two-quarter" not in done.results


def test_the_open_feed_of_quarter_hours(tmp_path):
    """SYNTH-3 [derived] on the OpenESPI feed 15minLP_15Days: 1,662 Wh = 6.648 kW = 27.70 A; 34.625 + 48 = 82.625 A."""
    shutil.copyfile(DATA / "espi_15min_15days.xml", tmp_path / "feed.xml")
    records = 'load = { file = "feed.xml", power_factor = 1.0 }\ngeneration = "none"\noccupied = true\nseasonal_missing = []'
    done = sheet(tmp_path, records)
    assert value(done, "record_peak_kw") == pytest.approx(6.648)
    assert value(done, "record_peak_a") == pytest.approx(27.70)
    assert value(done, "measured_a") == pytest.approx(82.625)
    assert value(done, "record_energy_kwh") == pytest.approx(1397.734)
    assert (value(done, "record_reading_count"), value(done, "record_days_count")) == (1340, 14)
    assert value(done, "record_coverage_frac") == 1.0
    assert done.results["record_peak_start"].value == "2012-03-05T09:00:00-05:00"
    assert verdict(done, "record-days") == "fail", "fourteen days are no thirty"
    assert verdict(done, "service-capacity") == "pass"
    assert done.verdict is Verdict.FAIL


def test_new_continuous_load_at_125_where_the_jurisdiction_asks_for_it(tmp_path):
    """SYNTH-3 [derived]: 34.625 + 1.25 x 48 = 94.625 A."""
    shutil.copyfile(DATA / "espi_15min_15days.xml", tmp_path / "feed.xml")
    town = 'format = 1\nid = "town"\nadoption = [{ effective = 2020-01-01, edition = "2020" }]\n[rule]\n'
    (tmp_path / "town.toml").write_text(
        town + 'measured_new_load_continuous = { value = true, source = "town checklist" }\n', encoding="utf-8"
    )
    records = 'load = { file = "feed.xml", power_factor = 1.0 }\ngeneration = "none"'
    done = sheet(tmp_path, records, local='jurisdiction = "town"\npermit_date = 2026-01-01')
    assert value(done, "measured_a") == pytest.approx(94.625)
    assert verdict(done, "continuous-load") == "not applicable"


@pytest.mark.parametrize("generation", ["unrecorded", "recorded"])
def test_generation_bars_the_method(tmp_path, generation):
    """T11: a PV flag refuses; no load is given for it."""
    done = sheet(tmp_path, LETTER.format(demand="6 kW", interval="15 min", days=365).replace('"none"', f'"{generation}"'), evse=24)
    assert verdict(done, "measured-allowed") == "fail"
    assert done.verdict is Verdict.FAIL
    assert "measured_va" not in done.results
    assert "measured_a" not in done.results
    assert any(line.startswith("measured_va:") and "barred" in line for line in done.not_checked)


@pytest.mark.parametrize(
    "register,extra,column",
    [("net", None, ""), ("delivered", {500: 1.5}, ', value_column = "delivered kWh", received_column = "received kWh"')],
)
def test_a_net_register_or_received_energy_bars_it_whatever_is_stated(tmp_path, register, extra, column):
    made(tmp_path, 60, 366, {1000: 3.0}, extra=extra)
    records = MADE.format(more=column).replace('"delivered",', f'"{register}",', 1)
    done = sheet(tmp_path, records)
    assert verdict(done, "measured-allowed") == "fail"
    assert "measured_va" not in done.results
    assert value(done, "demand_a:hour-raw") == pytest.approx(12.5), "what the record says is still shown"


def test_a_jurisdiction_may_allow_it_with_its_citation(tmp_path):
    made(tmp_path, 15, 366, {1000: 1.0})
    town = 'format = 1\nid = "town"\nadoption = [{ effective = 2020-01-01, edition = "2020" }]\n[rule]\n'
    (tmp_path / "town.toml").write_text(
        town + 'measured_generation = { value = "allowed", source = "town bulletin 4" }\n', encoding="utf-8"
    )
    records = MADE.format(more="").replace('"none"', '"unrecorded"')
    done = sheet(tmp_path, records, local='jurisdiction = "town"\npermit_date = 2026-01-01', evse=24)
    assert verdict(done, "measured-allowed") == "pass"
    assert "town bulletin 4" in done.check("measured-allowed").note
    assert value(done, "measured_a") == pytest.approx(1.25 * 4000 / 240 + 24)


@pytest.mark.parametrize("days,says", [(29, "fail"), (30, "pass"), (364, "pass"), (365, "pass")])
def test_days_of_the_record(tmp_path, days, says):
    done = sheet(tmp_path, LETTER.format(demand="6 kW", interval="15 min", days=days), evse=24)
    assert verdict(done, "record-days") == says


def test_a_short_record_must_be_occupied_and_seasonal_load_is_added_before_the_125(tmp_path):
    """[derived] 6 kW = 6,000 VA; heating 4,800 and cooling 2,880 did not run: the larger; 1.25 x 10,800 + 24 A x 240."""
    records = LETTER.format(demand="6 kW", interval="15 min", days=40)
    bare = sheet(tmp_path, records, evse=24)
    assert (verdict(bare, "record-occupied"), verdict(bare, "record-seasonal")) == ("needs input", "needs input")
    full = sheet(tmp_path, records + '\noccupied = true\nseasonal_missing = ["heat", "cool"]\nheavier_leg_fraction = 0.6', evse=24)
    assert value(full, "demand_a:quarter-hour") == pytest.approx(2 * 0.6 * 25)
    assert value(full, "measured_va") == pytest.approx(1.25 * (1.2 * 6000 + 4800) + 24 * 240)
    assert {verdict(full, key) for key in ("record-occupied", "record-seasonal", "record-legs", "record-interval")} == {"pass"}
    empty = sheet(tmp_path, records + "\noccupied = false\nseasonal_missing = []", evse=24)
    assert verdict(empty, "record-occupied") == "fail"
    assert verdict(empty, "record-legs") == "judgement"


def test_a_gap_leaves_a_year_open_and_breaks_a_short_record(tmp_path):
    made(tmp_path, 15, 366, {1000: 1.0, 2000: None, 2001: None})
    year = sheet(tmp_path, MADE.format(more=', interval = "15 min"'), evse=24)
    assert verdict(year, "record-coverage") == "judgement"
    assert "0.50 h" in year.check("record-coverage").note
    made(tmp_path, 15, 40, {1000: 1.0, 2000: None})
    short = sheet(tmp_path, MADE.format(more="") + "\nseasonal_missing = []", evse=24)
    assert verdict(short, "record-coverage") == "fail", "20.8 and 19.2 days"


def test_a_record_in_watts_needs_its_power_factor_and_it_raises_the_amperes(tmp_path):
    made(tmp_path, 15, 366, {1000: 2.0})
    bare = sheet(tmp_path, 'load = { file = "made.csv" }\ngeneration = "none"', evse=24)
    assert verdict(bare, "service-capacity") == "needs input"
    assert "records.load.power_factor" in bare.check("service-capacity").fields
    assert "record_peak_a" not in bare.results
    assert value(bare, "record_peak_kw") == pytest.approx(8.0)
    known = sheet(tmp_path, 'load = { file = "made.csv", power_factor = 0.9 }\ngeneration = "none"', evse=24)
    assert value(known, "measured_va") == pytest.approx(1.25 * 8000 / 0.9 + 24 * 240)


def test_a_letter_without_a_power_factor_is_a_judgement_at_one(tmp_path):
    done = sheet(tmp_path, LETTER.format(demand="6 kW", interval="15 min", days=365).replace("power_factor = 1.0\n", ""), evse=24)
    assert value(done, "measured_a") == pytest.approx(31.25 + 24)
    assert verdict(done, "record-power-factor") == "judgement"
    assert any(item.origin == "assumed" for item in done.inputs())


def test_legs_apart_the_heavier_leg_counts(tmp_path):
    """[derived] 15-minute averages of two legs in amperes: 44 A on B decides, not the mean of 30."""
    start = datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC)
    lines = ["start,a,b"]
    for place in range(40 * 96):
        a, b = (16, 44) if place == 700 else (38, 12) if place == 900 else (4, 3)
        lines.append(f"{(start + datetime.timedelta(minutes=15 * place)):%Y-%m-%dT%H:%M:%SZ},{a},{b}")
    (tmp_path / "made.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    records = (
        'load = { file = "made.csv", leg_columns = ["a", "b"], unit = "A" }\ngeneration = "none"\noccupied = true\nseasonal_missing = []'
    )
    done = sheet(tmp_path, records, evse=24)
    assert value(done, "demand_a:quarter-hour") == pytest.approx(44.0)
    assert value(done, "measured_a") == pytest.approx(1.25 * 44 + 24)
    assert verdict(done, "record-legs") == "pass"


def test_own_use_is_rebuilt_from_net_and_production_only_with_the_authority_s_agreement(tmp_path):
    """[derived] net -1.0 and 3.0 kWh, production 2.5 and 0: own use 1.5 and 3.0 kWh an hour."""
    made(tmp_path, 60, 366, {1000: -1.0, 1005: 3.0})
    made(tmp_path, 60, 366, {1000: 2.5}, base=0.0, name="array.csv")
    records = (
        MADE.format(more="").replace('"delivered"', '"net"').replace('"none"', '"recorded"')
        + '\nproduction = { file = "array.csv", register = "gross" }\nrebuild_gross = true'
    )
    open_ = sheet(tmp_path, records, evse=24)
    assert verdict(open_, "measured-allowed") == "judgement"
    assert value(open_, "demand_a:hour-raw") == pytest.approx(12.5)
    decision = 'for = "measured-allowed", shows = "authority-decision", by = "plan desk", document = "a.pdf", date = 2026-01-05'
    agreed = f"evidence = [{{{{ {decision} }}}}]"
    text = SITE.replace("format = 1\n", f"format = 1\n{agreed}\n", 1)
    (tmp_path / "agreed.toml").write_text(
        text.format(records=records, evse=24, edition="2020", method="measured", dwelling="", local=""), encoding="utf-8"
    )
    home = read_home(tmp_path / "agreed.toml")
    assert verdict(service_load.study(home, editions.load("2020")), "measured-allowed") == "pass"


def test_own_use_is_not_rebuilt_from_other_intervals(tmp_path):
    made(tmp_path, 60, 366, {1000: -1.0})
    made(tmp_path, 60, 300, {1000: 2.5}, base=0.0, name="array.csv")
    records = (
        MADE.format(more="").replace('"delivered"', '"net"').replace('"none"', '"recorded"')
        + '\nproduction = { file = "array.csv", register = "gross" }\nrebuild_gross = true'
    )
    with pytest.raises(InputFault, match="not the same"):
        sheet(tmp_path, records, evse=24)


def test_added_floor_area_is_not_in_the_record(tmp_path):
    """[derived] 200 ft^2 more at 3 VA: 600 VA beside the charger."""
    letter = LETTER.format(demand="6 kW", interval="15 min", days=365)
    done = sheet(tmp_path, letter, evse=24, dwelling='added_floor_area = "200 ft^2"')
    assert value(done, "measured_va") == pytest.approx(7500 + 5760 + 600)


def test_a_broken_record_stops_the_measured_method_and_is_only_said_beside_another(tmp_path):
    whole = (DATA / "espi_15min_15days.xml").read_bytes()
    (tmp_path / "feed.xml").write_bytes(whole[: len(whole) // 2])
    records = 'load = { file = "feed.xml", power_factor = 1.0 }\ngeneration = "none"'
    with pytest.raises(InputFault):
        sheet(tmp_path, records)
    beside = sheet(tmp_path, records, method="existing-dwelling")
    assert verdict(beside, "record-readable") == "needs input"
    assert not beside.check("record-readable").counts
    assert "existing_dwelling_va" in beside.results
    assert any("feed.xml" in line for line in beside.not_checked)


@pytest.mark.parametrize("edition", ["2017", "2020", "2023", "2026"])
def test_every_edition_takes_125_percent_and_its_own_least_load_of_a_charger(tmp_path, edition):
    """2023 counts a charger at 7,200 VA at least (220.57), carried into the optional methods as its switch stands."""
    done = sheet(tmp_path, LETTER.format(demand="12 kW", interval="15 min", days=365), evse=24, edition=edition)
    least = 7200 if edition == "2023" else 5760
    assert value(done, "measured_va") == pytest.approx(15000 + least)
    locator = "120.87" if edition == "2026" else "220.87"
    assert locator in done.check("record-days").source.locator


def test_one_long_reading_among_quarter_hours_bounds_the_demand_too(tmp_path):
    """[derived] quarters of 0.5 kWh and one hour of 8 kWh: 33.3 A at least, 133.3 A at most."""
    rows, at = ["start,end,kWh"], datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC)
    for place in range(366 * 96):
        minutes = 60 if place == 700 else 0 if 700 < place < 704 else 15
        if minutes:
            begin = at + datetime.timedelta(minutes=15 * place)
            end = begin + datetime.timedelta(minutes=minutes)
            rows.append(f"{begin:%Y-%m-%dT%H:%M:%SZ},{end:%Y-%m-%dT%H:%M:%SZ},{8 if minutes == 60 else 0.5:g}")
    (tmp_path / "made.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    done = sheet(tmp_path, MADE.format(more=""), evse=30)
    assert value(done, "demand_a:quarter-hour") == pytest.approx(2000 / 240)
    assert value(done, "demand_a:long-raw") == pytest.approx(8000 / 240)
    assert value(done, "demand_a:long-in-quarter") == pytest.approx(32000 / 240)
    assert verdict(done, "service-capacity") == "judgement"


@pytest.mark.parametrize("step,words", [(120, "7200 s"), (10, "quarter hour")])
def test_intervals_that_say_nothing_of_a_quarter_hour_need_input(tmp_path, step, words):
    made(tmp_path, step, 400, {5: 3.0})
    done = sheet(tmp_path, MADE.format(more=""), evse=24)
    assert verdict(done, "service-capacity") == "needs input"
    assert words in done.check("service-capacity").note
    assert "measured_va" not in done.results
    assert value(done, "record_peak_kw") == pytest.approx(3.0 * 60 / step)


def test_what_is_asked_of_a_record_names_its_file_and_no_folder(tmp_path):
    rows = [f"2025-01-{day:02d}T{hour:02d}:00:00Z,0.5" for day in range(1, 12) for hour in range(24)]
    (tmp_path / "made.csv").write_text("\n".join(["time,usage", *rows]) + "\n", encoding="utf-8")
    done = sheet(tmp_path, MADE.format(more=""), evse=24)
    check = done.check("service-capacity")
    assert verdict(done, "service-capacity") == "needs input"
    assert {"records.load.unit", "records.load.stamp"} <= set(check.fields)
    said = " ".join([check.note, *done.not_checked, *(one.note for one in done.checks)])
    assert "made.csv" in said
    assert tmp_path.name not in said
    (tmp_path / "made.csv").write_bytes(b"PK\x03\x04\x00")
    beside = sheet(tmp_path, MADE.format(more=""), evse=24, method="existing-dwelling")
    said = " ".join([*beside.not_checked, *(f"{one.note} {one.closes}" for one in beside.checks)])
    assert "made.csv" in said
    assert tmp_path.name not in said


@pytest.mark.parametrize("codes,later", [({"flowDirection": 19}, 10**7), ({"flowDirection": 19, "uom": 71}, 0)])
def test_received_energy_that_fits_no_interval_of_the_load_bars_the_method_too(tmp_path, codes, later):
    back = [(start + later, 40) for start, _ in espi_feed.HOUR]
    feed = espi_feed.simple(espi_feed.Channel(espi_feed.HOUR), espi_feed.Channel(back, meter="02", codes=codes))
    (tmp_path / "feed.xml").write_bytes(feed)
    records = 'load = { file = "feed.xml", register = "delivered", power_factor = 1.0 }\ngeneration = "none"'
    done = sheet(tmp_path, records)
    assert verdict(done, "measured-allowed") == "fail"
    assert "received" in done.check("measured-allowed").note
    assert "measured_va" not in done.results
