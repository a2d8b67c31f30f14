"""Weather files: one artificial year written as tmy3, epw and tables gives equal arrays; an open typical year; faults.

The formats stamp the end of an hour; pvlib's index keeps that for tmy3 and moves to the beginning for epw. The open
file is the typical year for Greensboro that pvlib carries (TMY3, public domain).
"""

from __future__ import annotations

import csv
import datetime
from pathlib import Path

import numpy as np
import pytest

from workbook_lib.errors import CalculationFault, InputFault, MissingInput
from workbook_lib.records import Record
from workbook_lib.records.clock import fixed, zone
from workbook_lib.records.weather import read_weather

ZONE_H, LATITUDE, LONGITUDE = -7, 35.0, -105.0
YEARS = (2004, 2001, 1999, 2003, 2000, 2002, 2004, 1998, 2001, 2003, 1999, 2002)
"""Year of each month of the artificial typical year."""
START = [datetime.datetime(2001, 1, 1) + datetime.timedelta(hours=hour) for hour in range(8760)]


def sun(hour: int) -> float:
    """An artificial clear day, symmetric about local noon, in the hour that begins at `hour`."""
    return round(max(0.0, 900.0 * (1 - ((hour + 0.5 - 12.0) / 6.5) ** 2)), 0)


def values(when: datetime.datetime) -> tuple[float, float, float, float, float]:
    """Irradiance, temperature, wind of the hour that begins then."""
    ghi = sun(when.hour)
    return ghi, round(ghi * 0.8), round(ghi * 0.15), 10.0 + when.month, 2.0 + when.hour / 10


def tmy3(folder: Path) -> Path:
    rows = [
        '724000,"INVENTED STATION",NM,-7.0,35.000,-105.000,1600',
        "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),DNI (W/m^2),DHI (W/m^2),Dry-bulb (C),Wspd (m/s)",
    ]
    for when in START:
        year = YEARS[when.month - 1]
        ghi, dni, dhi, warm, wind = values(when)
        rows.append(f"{when.month:02d}/{when.day:02d}/{year},{when.hour + 1:02d}:00,{ghi:g},{dni:g},{dhi:g},{warm:g},{wind:g}")
    return written(folder / "year.csv", rows)


def epw(folder: Path) -> Path:
    rows = ["LOCATION,Invented,NM,USA,TMY3,724000,35.000,-105.000,-7.0,1600.0", *(["DESIGN CONDITIONS,0"] * 7)]
    for when in START:
        ghi, dni, dhi, warm, wind = values(when)
        cells = [YEARS[when.month - 1], when.month, when.day, when.hour + 1, 60, "A7", f"{warm:g}", 5, 40, 84000, 0, 0, 300]
        cells += [f"{ghi:g}", f"{dni:g}", f"{dhi:g}", 0, 0, 0, 0, 180, f"{wind:g}", *([0] * 13)]
        rows.append(",".join(map(str, cells)))
    return written(folder / "year.epw", rows)


def table(folder: Path, *, ends: bool, offset: str = "", heading: str = "time") -> Path:
    rows = [f"{heading},ghi,dni,dhi,air temperature,wind speed"]
    for when in START:
        stamp = when + datetime.timedelta(hours=1) if ends else when
        rows.append(",".join([f"{stamp:%Y-%m-%dT%H:%M}{offset}", *(f"{value:g}" for value in values(when))]))
    return written(folder / "table.csv", rows)


def written(path: Path, rows: list[str]) -> Path:
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def same(one, other) -> bool:
    names = ("ghi_w_m2", "dni_w_m2", "dhi_w_m2", "temperature_degc", "wind_m_s", "month", "day", "hour")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def test_one_year_in_every_form_gives_equal_arrays_with_each_hour_at_its_beginning(tmp_path):
    first = read_weather(tmy3(tmp_path), "year.csv", "tmy3")
    assert [first.ghi_w_m2[hour] for hour in range(24)] == [sun(hour) for hour in range(24)]
    assert first.hour[:3].tolist() == [0, 1, 2]
    assert (first.month[0], first.day[0], first.month[-1], first.day[-1], first.hour[-1]) == (1, 1, 12, 31, 23)
    assert same(first, read_weather(epw(tmp_path), "year.epw", "epw"))
    for ends in (True, False):
        path = table(tmp_path, ends=ends)
        assert same(first, read_weather(path, "t", "csv", stamp="end" if ends else "start", typical=True, clock=fixed(-25200)))
    path = table(tmp_path, ends=True, offset="-07:00", heading="interval end time")
    assert same(first, read_weather(path, "t", "csv", typical=True, clock=fixed(-25200)))


@pytest.mark.parametrize("form", ["tmy3", "epw"])
def test_the_sun_stands_where_the_irradiance_says(tmp_path, form):
    """Irradiance is symmetric about noon; so is the sun's height at mid-interval, on a meridian of its zone (pvlib)."""
    import pandas
    from pvlib import solarposition

    weather = read_weather((tmy3 if form == "tmy3" else epw)(tmp_path), "x", form)
    begin = weather.on_year(2001)[(weather.month == 4) & (weather.day == 15)]  # the equation of time is near zero then
    height = solarposition.get_solarposition(pandas.to_datetime(begin + 1800, unit="s", utc=True), LATITUDE, LONGITUDE)[
        "elevation"
    ].to_numpy()
    assert np.abs(height - height[::-1]).max() < 0.5, "the declination moves over a day"
    shifted = solarposition.get_solarposition(pandas.to_datetime(begin + 5400, unit="s", utc=True), LATITUDE, LONGITUDE)["elevation"]
    assert np.abs(shifted.to_numpy() - shifted.to_numpy()[::-1]).max() > 10, "an hour off would be seen"


def test_a_typical_year_has_no_dates_and_joins_no_meter(tmp_path):
    weather = read_weather(tmy3(tmp_path), "year.csv", "tmy3")
    record = Record(start=[1_000_000_000], length=[3600], amount=[1.0], quality=[0], unit="Wh", clock=fixed(0))
    assert weather.typical
    assert weather.years == tuple(sorted(set(YEARS)))
    assert not weather.concurrent_with(record)
    for act in (lambda: weather.start, lambda: weather.middle, lambda: weather.aligned(record)):
        with pytest.raises(CalculationFault):
            act()
    said = " ".join(weather.report())
    assert "months of different years" in said
    assert "never joined" in said
    assert (np.diff(weather.on_year(2001)) == 3600).all()
    assert (np.diff(weather.on_year(2004)) > 3600).sum() == 1, "29 February stays empty"


def test_measured_weather_is_joined_only_where_it_covers_the_record(tmp_path):
    weather = read_weather(table(tmp_path, ends=False, offset="-07:00"), "t", "csv", stamp="start", typical=False, clock=fixed(-25200))
    assert weather.start[0] == datetime.datetime(2001, 1, 1, 7, tzinfo=datetime.UTC).timestamp()
    noon = int(weather.start[0]) + 12 * 3600
    inside = Record(start=[noon, noon + 900], length=[900, 900], amount=[1.0, 1.0], quality=[0, 0], unit="Wh", clock=fixed(0))
    assert weather.concurrent_with(inside)
    assert weather.aligned(inside).tolist() == [sun(12), sun(12)]
    outside = Record(start=[noon - 86400 * 3], length=[900], amount=[1.0], quality=[0], unit="Wh", clock=fixed(0))
    assert not weather.concurrent_with(outside)
    with pytest.raises(CalculationFault, match="does not cover"):
        weather.aligned(outside)
    assert "Measured weather of 2001" in " ".join(weather.report())


def test_the_open_typical_year_agrees_with_its_own_rows():
    """TMY3 for Greensboro, carried by pvlib: sum, maximum and first daylight hour read by the csv module alone."""
    import pvlib

    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    with path.open(encoding="utf-8") as file:
        next(file)
        rows = list(csv.DictReader(file))
    weather = read_weather(path, path.name, "tmy3")
    ghi = [float(row["GHI (W/m^2)"]) for row in rows]
    assert weather.ghi_w_m2.tolist() == ghi
    assert [int(hour) + 1 for hour in weather.hour] == [int(row["Time (HH:MM)"][:2]) for row in rows]
    assert [int(month) for month in weather.month] == [int(row["Date (MM/DD/YYYY)"][:2]) for row in rows]
    assert (weather.latitude_deg, weather.standard_s) == (pytest.approx(36.1), -18000)
    assert len(weather.report()) == 2, "no sun at night"


def test_a_table_asks_for_what_it_does_not_say(tmp_path):
    with pytest.raises(MissingInput) as caught:
        read_weather(table(tmp_path, ends=False), "t", "csv")
    assert caught.value.fields == ("records.weather.stamp", "records.weather.typical", "records.weather.clock")


@pytest.mark.parametrize(
    "spoil,words",
    [
        (lambda rows: rows[:4000], "not a whole year"),
        (lambda rows: [*rows[:14], rows[14].replace(",900,", ",9999,"), *rows[15:]], None),
        (lambda rows: ["x,y", "1,2"], "not a weather file"),
        (lambda rows: [rows[0], rows[1].replace("GHI (W/m^2)", "Sun"), *rows[2:]], "columns that are not there"),
    ],
)
def test_faults_of_a_typical_year(tmp_path, spoil, words):
    path = tmy3(tmp_path)
    rows = spoil(path.read_text(encoding="utf-8").splitlines())
    if words is None:
        rows[14] = ",".join([*rows[14].split(",")[:2], "9999", *rows[14].split(",")[3:]])
        words = "missing or unreadable values of ghi"
    written(path, rows)
    with pytest.raises(InputFault, match=words):
        read_weather(path, "year.csv", "tmy3")


@pytest.mark.parametrize(
    "spoil,words",
    [
        (lambda text: text.replace("ghi", "sunshine"), "no column of ghi"),
        (lambda text: text.replace("2001-01-01T05:00", "yesterday"), "no time"),
        (lambda text: text.replace(",10.9", ",-400", 1).replace("11,2.3", "-200,2.3"), "impossible values of temperature"),
        (lambda text: text.replace("2001-01-01T05:00", "2001-01-01T05:07"), "not evenly apart"),
        (lambda text: text.splitlines()[0] + "\n", "no rows"),
        (lambda text: "", "empty"),
    ],
)
def test_faults_of_a_table(tmp_path, spoil, words):
    path = table(tmp_path, ends=False)
    path.write_text(spoil(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(InputFault, match=words):
        read_weather(path, "t", "csv", stamp="start", typical=False, clock=fixed(-25200))


def test_a_clock_with_daylight_saving_is_asked_for_as_standard_time(tmp_path):
    with pytest.raises(InputFault, match="daylight saving"):
        read_weather(table(tmp_path, ends=False), "t", "csv", stamp="start", typical=False, clock=zone("America/Denver"))


def test_a_folder_a_binary_file_and_another_encoding(tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "zip.csv").write_bytes(b"PK\x03\x04\x00\x00")
    (tmp_path / "latin.csv").write_bytes("time,ghi,dni,dhi,Lufttemperatur \xb0C,wind\n".encode("latin-1"))
    for name, words in (("folder", "cannot be opened"), ("zip.csv", "not a text file"), ("latin.csv", "another encoding")):
        with pytest.raises(InputFault, match=words):
            read_weather(tmp_path / name, name, "csv")


def test_sun_at_night_is_reported(tmp_path):
    rows = table(tmp_path, ends=False).read_text(encoding="utf-8").splitlines()
    moved = [rows[0], *(",".join([rows[place].split(",")[0], *rows[1 + (place + 11) % 8760].split(",")[1:]]) for place in range(1, 8761))]
    written(tmp_path / "table.csv", moved)
    weather = read_weather(tmp_path / "table.csv", "t", "csv", stamp="start", typical=False, clock=fixed(-25200))
    assert any("suspect" in line for line in weather.report())
