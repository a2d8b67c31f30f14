"""Studies of homes with meter records: the examples, the open feeds in a home of the invented town, what is kept out, what is said."""

from __future__ import annotations

import datetime
import json
import re
import shutil
from pathlib import Path

import pytest

from tests import demo_records
from workbook_lib import __main__ as command
from workbook_lib import editions, home, run
from workbook_lib.errors import InputFault
from workbook_lib.workbooks import service_load

ROOT = Path(__file__).resolve().parent.parent
SITES = ROOT / "example_inputs" / "sites"
DATA = ROOT / "tests" / "data" / "records"
OPEN = {
    "espi_15min_15days.xml": "power_factor = 1.0",
    "espi_1hour_32days.xml": "power_factor = 1.0",
    "home_1_hourly_load_and_pv.csv": 'power_factor = 1.0, value_column = "load_kwh", unit = "kWh", interval = "60 min", '
    'first_start = "2016-07-31T23:00", clock = "Etc/GMT+7"',
    "home_17_hourly_load_and_pv.csv": 'power_factor = 1.0, value_column = "load_kwh", unit = "kWh", interval = "60 min", '
    'first_start = "2016-07-31T23:00", clock = "Etc/GMT+7"',
}
"""Open records with what a site file says of each."""


def home_with(folder: Path, record: str, said: str, *, method: str = "measured", more: str = "") -> Path:
    """A home of the invented town with another record. Returns: its site file."""
    text = (SITES / "metered-year-100a.toml").read_text(encoding="utf-8")
    head = text[: text.index("[records]")].replace('service_load_method = "measured"', f'service_load_method = "{method}"')
    rows = f'[records]\nload = {{ file = "{record}", {said} }}\ngeneration = "none"\noccupied = true\nseasonal_missing = []\n{more}'
    (folder / "home.toml").write_text(head + rows, encoding="utf-8")
    shutil.copytree(SITES / "jurisdictions", folder / "jurisdictions", dirs_exist_ok=True)
    if (DATA / record).is_file():
        shutil.copyfile(DATA / record, folder / record)
    return folder / "home.toml"


@pytest.mark.parametrize("name", sorted(demo_records.FILES))
def test_the_invented_records_are_what_their_maker_makes(name):
    assert (demo_records.FOLDER / name).read_text(encoding="utf-8") == demo_records.FILES[name]()


@pytest.mark.parametrize("record", sorted(OPEN))
def test_each_open_record_renders_a_report_in_a_home_of_the_town(tmp_path, record):
    site = home_with(tmp_path, record, OPEN[record])
    run.study(site, out=tmp_path / "study")
    page = (tmp_path / "study" / "service_load.html").read_text(encoding="utf-8")
    words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    for said in ("The meter record", "ten highest", "Readings of the record side by side", "Calculated against measured", "duration"):
        assert said.lower() in words.lower(), said
    assert page.count("<svg") == 5
    results = json.loads((tmp_path / "study" / "results.json").read_text(encoding="utf-8"))
    found = results["workbooks"]["service_load"]["results"]
    assert found["record_coverage_frac"]["value"] == 1.0
    assert {entry["path"] for entry in results["inputs"]} >= {record}
    assert (tmp_path / "study" / "inputs" / record).read_bytes() == (DATA / record).read_bytes()


def test_a_record_that_is_withheld_leaves_its_hash_alone(tmp_path):
    site = home_with(tmp_path, "espi_15min_15days.xml", OPEN["espi_15min_15days.xml"], more="withhold = true\n")
    run.study(site, out=tmp_path / "study")
    assert not (tmp_path / "study" / "inputs" / "espi_15min_15days.xml").exists()
    results = json.loads((tmp_path / "study" / "results.json").read_text(encoding="utf-8"))
    assert any(entry["path"] == "espi_15min_15days.xml" and len(entry["sha256"]) == 64 for entry in results["inputs"])
    index = (tmp_path / "study" / "index.html").read_text(encoding="utf-8")
    assert "kept out of this folder" in index
    page = (tmp_path / "study" / "service_load.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 3, "no map and no peak day"
    words = re.sub(r"<[^>]+>", " ", page)
    told = {"2012-02-29", "2012-03-01", "2012-03-14", "2012-03-15", "2012-03-11"}
    assert set(re.findall(r"2012-\d\d-\d\d", words)) <= told, "where it begins and ends, and where the clock changes"
    assert "March 2012" in words
    assert "Friday" not in words
    found = results["workbooks"]["service_load"]["results"]
    assert found["record_peak_start"]["value"] == "2012-03"
    assert found["record_peak_kw"]["value"] == pytest.approx(6.648)
    assert "2012-03-05" not in (tmp_path / "study" / "results.json").read_text(encoding="utf-8")


def broken(folder: Path) -> Path:
    whole = (DATA / "espi_15min_15days.xml").read_bytes()
    (folder / "cut.xml").write_bytes(whole[: len(whole) // 2])
    return home_with(folder, "cut.xml", "power_factor = 1.0")


def test_a_broken_record_ends_with_status_2_and_each_fault_on_a_line(tmp_path, capsys):
    site = broken(tmp_path)
    assert command.main(["study", str(site), "--out", str(tmp_path / "study"), "--results-only"]) == 2
    said = capsys.readouterr().err
    assert "cut.xml" in said
    assert "Traceback" not in said
    filed = json.loads((tmp_path / "study" / "results.json").read_text(encoding="utf-8"))
    assert filed["state"] == "input fault"
    assert filed["faults"]
    assert "workbooks" not in filed


def test_validate_reads_the_records_too(tmp_path, capsys):
    assert command.main(["validate", str(broken(tmp_path))]) == 2
    assert "cut.xml" in capsys.readouterr().err
    assert command.main(["validate", *map(str, sorted(SITES.glob("metered-*.toml")))]) == 0


def test_progress_tells_of_a_record(tmp_path):
    site = home_with(tmp_path, "espi_15min_15days.xml", OPEN["espi_15min_15days.xml"], more="# another file, another memory\n")
    text = (tmp_path / "espi_15min_15days.xml").read_text(encoding="utf-8")
    (tmp_path / "espi_15min_15days.xml").write_text(text + "<!-- end -->\n", encoding="utf-8")
    told: list[str] = []
    run.study(site, out=tmp_path / "study", results_only=True, progress=told.append)
    parts = [line for line in told if line.startswith("reading espi_15min_15days.xml: ")]
    assert 1 < len(parts) <= 10


@pytest.mark.parametrize("kind,words", [("folder", "a folder"), ("link", "leads nowhere")])
def test_a_folder_or_a_dangling_link_in_place_of_the_record(tmp_path, capsys, kind, words):
    site = home_with(tmp_path, "meter.xml", "power_factor = 1.0")
    if kind == "folder":
        (tmp_path / "meter.xml").mkdir()
    else:
        (tmp_path / "meter.xml").symlink_to(tmp_path / "nowhere.xml")
    assert command.main(["validate", str(site)]) == 2
    assert words in capsys.readouterr().err


def test_a_record_that_is_not_there_needs_input(tmp_path):
    site = home_with(tmp_path, "meter.xml", "power_factor = 1.0")
    done = run.study(site, out=tmp_path / "study", results_only=True)
    assert done.state == "needs input"
    assert "records.load.file" in done.sheets[0].check("service-capacity").fields


def test_readings_in_the_future_are_refused(tmp_path, capsys):
    site = home_with(tmp_path, "later.csv", 'power_factor = 1.0, unit = "kWh"')
    rows = [f"2098-01-{day:02d}T{hour:02d}:00:00Z,0.5" for day in range(1, 4) for hour in range(24)]
    (tmp_path / "later.csv").write_text("\n".join(["start,usage kWh", *rows]) + "\n", encoding="utf-8")
    assert command.main(["validate", str(site)]) == 2
    assert "readings in the future; found 72 of 72" in capsys.readouterr().err


# what a careful reviewer asked of a record


def year_of(folder: Path, kwh, *, unit: str = "kWh", start: str = "2025-01-01T00:00:00", count: int = 35040, step_min: int = 15) -> Path:
    """A home of the town with a made record: `kwh(place)` for each interval."""
    begin = datetime.datetime.fromisoformat(start)
    rows = [f"{(begin + datetime.timedelta(minutes=step_min * place)).isoformat()}Z,{kwh(place):.4f}\n" for place in range(count)]
    (folder / "made.csv").write_text(f"start,use ({unit})\n" + "".join(rows), encoding="utf-8")
    said = f'power_factor = 1.0, time_column = "start", stamp = "start", clock = "utc", interval = "{step_min} min"'
    return home_with(folder, "made.csv", said)


def checked(site: Path) -> dict:
    one = home.read_home(site)
    sheet = service_load.study(one, editions.load(one.edition_year))
    return {check.key: check for check in sheet.checks}


def ordinary(place: int) -> float:
    return 0.1 + 0.9 * ((place * 7) % 11) / 10


def test_a_meter_that_stood_still_is_a_judgement_and_no_proof_of_low_load(tmp_path):
    check = checked(year_of(tmp_path, lambda place: ordinary(place) if place < 2000 else 0.0))["record-quality"]
    assert str(check.verdict) == "judgement"
    assert "no proof of a low load" in check.note
    assert str(checked(year_of(tmp_path, ordinary))["record-quality"].verdict) == "pass"


@pytest.mark.parametrize("factor,expected", [(1.0, "pass"), (0.001, "judgement"), (40.0, "judgement")])
def test_a_record_that_does_not_fit_the_home_is_a_judgement(tmp_path, factor, expected):
    check = checked(year_of(tmp_path, lambda place: factor * ordinary(place), count=4000))["record-plausible"]
    assert str(check.verdict) == expected
    assert expected == "pass" or check.fields == ("records.load.unit",)


def test_a_unit_a_thousand_times_too_large_is_a_fault_of_the_file(tmp_path):
    site = year_of(tmp_path, lambda place: 1000.0 * ordinary(place), count=4000)
    with pytest.raises(InputFault, match="no dwelling's service carries") as caught:
        run.study(site, out=tmp_path / "out", results_only=True)
    assert caught.value.faults[0].field == "records.load.unit"


def test_readings_after_the_date_of_the_calculation_are_told(tmp_path):
    check = checked(year_of(tmp_path, ordinary, start="2026-01-20T00:00:00", count=6000))["record-quality"]
    assert "after the date of this calculation" in check.note


def test_an_hour_missing_at_the_change_of_the_clock_alone_is_a_judgement(tmp_path):
    site = year_of(tmp_path, ordinary, start="2025-10-10T06:00:00", count=4000)
    lines = (tmp_path / "made.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("2025-11-02T07:")]  # 01:00 of Denver, written once
    (tmp_path / "made.csv").write_text("".join(kept), encoding="utf-8")
    site.write_text(site.read_text(encoding="utf-8").replace('clock = "utc"', 'clock = "America/Denver"'), encoding="utf-8")
    check = checked(site)["record-coverage"]
    assert str(check.verdict) == "judgement"
    assert "where the clock changes" in check.note
