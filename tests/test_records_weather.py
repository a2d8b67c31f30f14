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
YEARS = (2004, 2004, 1999, 2003, 2000, 2002, 2004, 1998, 2001, 2003, 1999, 2002)
"""Year of each month of the artificial typical year; its February is of a leap year, without the 29th."""
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


EPW_HEADER = (
    "LOCATION,Invented,NM,USA,TMY3,724000,35.000,-105.000,-7.0,1600.0",
    "DESIGN CONDITIONS,0",
    "TYPICAL/EXTREME PERIODS,0",
    "GROUND TEMPERATURES,0",
    "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
    "COMMENTS 1,an invented station",
    "COMMENTS 2,",
    "DATA PERIODS,1,1,Data,Sunday,1/1,12/31",
)


def epw(folder: Path, *, year: int | None = None) -> Path:
    rows = list(EPW_HEADER)
    for when in START:
        ghi, dni, dhi, warm, wind = values(when)
        cells = [year or YEARS[when.month - 1], when.month, when.day, when.hour + 1, 60, "A7", f"{warm:g}", 5, 40, 84000, 0, 0, 300]
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
    day = (weather.month == 4) & (weather.day == 15)  # the equation of time is near zero then
    begin, middle = weather.on_year(2001)[day], weather.middle_on_year(2001)[day]
    height = solarposition.get_solarposition(pandas.to_datetime(middle, unit="s", utc=True), LATITUDE, LONGITUDE)["elevation"].to_numpy()
    assert np.abs(height - height[::-1]).max() < 0.5, "the declination moves over a day"
    shifted = solarposition.get_solarposition(pandas.to_datetime(begin + 5400, unit="s", utc=True), LATITUDE, LONGITUDE)["elevation"]
    assert np.abs(shifted.to_numpy() - shifted.to_numpy()[::-1]).max() > 10, "an hour off would be seen"


def test_what_the_installed_pvlib_does_with_the_hour(tmp_path):
    """Its tmy3 index is the end of the hour, its epw index the beginning; the last hour of a leap February ends 1 March."""
    from pvlib import iotools

    ended, _ = iotools.read_tmy3(str(tmy3(tmp_path)))
    begun, _ = iotools.read_epw(str(epw(tmp_path)))
    assert str(ended.index[0]) == "2004-01-01 01:00:00-07:00"
    assert str(begun.index[0]) == "2004-01-01 00:00:00-07:00"
    assert ended["ghi"].tolist() == begun["ghi"].tolist()
    assert (str(ended.index[24 * 59 - 1]), str(begun.index[24 * 59 - 1])) == ("2004-03-01 00:00:00-07:00", "2004-02-28 23:00:00-07:00")


def test_the_hour_of_noon_holds_the_peak_of_a_real_sun(tmp_path):
    """Clear-sky irradiance by pvlib at the middle of each hour, written with end stamps, peaks in the hour of solar noon."""
    import pandas
    from pvlib import solarposition

    path = real_sun(tmp_path)
    weather = read_weather(path, "real.csv", "tmy3")
    assert not any("suspect" in line for line in weather.report())
    middle = pandas.to_datetime(weather.middle_on_year(2001), unit="s", utc=True)
    height = solarposition.get_solarposition(middle, LATITUDE, LONGITUDE)["elevation"].to_numpy().reshape(365, 24)
    ghi = weather.ghi_w_m2.reshape(365, 24)
    assert np.corrcoef(ghi.ravel(), np.sin(np.radians(height.ravel())).clip(0))[0, 1] > 0.9999
    assert (ghi[np.arange(365), np.argmax(height, axis=1)] == ghi.max(axis=1)).all()


@pytest.mark.parametrize("hours", [-2, -1, 1, 2])
def test_a_clock_that_is_off_by_an_hour_is_suspect(tmp_path, hours):
    weather = read_weather(real_sun(tmp_path, shift=hours), "real.csv", "tmy3")
    assert any("below the horizon" in line for line in weather.report())


def real_sun(folder: Path, *, shift: int = 0) -> Path:
    """The typical year with irradiance by the sun's true height at each hour's middle, moved by some hours."""
    import pandas
    from pvlib import solarposition

    middle = pandas.DatetimeIndex(START).tz_localize(ZONE_H * 3600) + pandas.Timedelta(minutes=30)
    height = solarposition.get_solarposition(middle, LATITUDE, LONGITUDE)["elevation"].to_numpy()
    ghi = np.roll(np.rint(1000 * np.sin(np.radians(height)).clip(0)), shift)
    rows = tmy3(folder).read_text(encoding="utf-8").splitlines()
    cells = [row.split(",") for row in rows[2:]]
    return written(
        folder / "real.csv", [*rows[:2], *(",".join([*row[:2], f"{sun:g}", *row[3:]]) for row, sun in zip(cells, ghi, strict=True))]
    )


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
    assert weather.source == ('724000,"INVENTED STATION",NM,-7.0,35.000,-105.000,1600',)
    with pytest.raises(ValueError, match="read-only"):
        weather.ghi_w_m2[0] = 1.0


def test_whatever_its_dates_a_typical_year_is_not_concurrent(tmp_path):
    """The same hours of 2001: measured when it is said so, and by no date else."""
    path = epw(tmp_path, year=2001)
    record = Record(
        start=[int(START[4000].replace(tzinfo=datetime.UTC).timestamp()) + 25200],
        length=[3600],
        amount=[1.0],
        quality=[0],
        unit="Wh",
        clock=fixed(0),
    )
    typical, measured = read_weather(path, "y", "epw"), read_weather(path, "y", "epw", typical=False)
    assert same(typical, measured)
    assert (typical.concurrent_with(record), measured.concurrent_with(record)) == (False, True)
    assert "must say typical = false" in " ".join(typical.report())
    assert measured.aligned(record).tolist() == [sun(START[4000].hour)]
    assert (measured.middle - measured.start == 1800).all()
    with pytest.raises(InputFault, match="no measured year"):
        read_weather(epw(tmp_path), "y", "epw", typical=False)
    with pytest.raises(InputFault, match="stamps the end"):
        read_weather(path, "y", "epw", stamp="start")


def test_measured_weather_is_joined_only_where_it_covers_the_record(tmp_path):
    weather = read_weather(table(tmp_path, ends=False, offset="-07:00"), "t", "csv", stamp="start", typical=False, clock=fixed(-25200))
    assert weather.start[0] == datetime.datetime(2001, 1, 1, 7, tzinfo=datetime.UTC).timestamp()
    noon = int(weather.start[0]) + 12 * 3600
    inside = Record(start=[noon, noon + 900], length=[900, 900], amount=[1.0, 1.0], quality=[0, 0], unit="Wh", clock=fixed(0))
    assert weather.concurrent_with(inside)
    assert weather.aligned(inside).tolist() == [sun(12), sun(12)]
    across = Record(start=[noon - 1800, noon - 7200], length=[3600, 10800], amount=[1.0, 1.0], quality=[0, 0], unit="Wh", clock=fixed(0))
    assert weather.aligned(across) == pytest.approx([(sun(11) + sun(12)) / 2, (sun(10) + sun(11) + sun(12)) / 3], rel=1e-9)
    edge = Record(start=[weather.start[-1]], length=[3601], amount=[1.0], quality=[0], unit="Wh", clock=fixed(0))
    assert not weather.concurrent_with(edge)
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
    assert [int(day) for day in weather.day] == [int(row["Date (MM/DD/YYYY)"][3:5]) for row in rows]
    assert [int(month) for month in weather.month] == [int(row["Date (MM/DD/YYYY)"][:2]) for row in rows]
    assert (weather.latitude_deg, weather.standard_s) == (pytest.approx(36.1), -18000)
    assert len(weather.report()) == 2, "no sun at night"


def test_a_table_asks_for_what_it_does_not_say(tmp_path):
    with pytest.raises(MissingInput) as caught:
        read_weather(table(tmp_path, ends=False, heading="calendar time"), "t", "csv")
    assert caught.value.fields == ("records.weather.stamp", "records.weather.typical", "records.weather.clock")


@pytest.mark.parametrize(
    "spoil,words",
    [
        (lambda rows: rows[:4000], "not a whole year"),
        (lambda rows: [*rows[:14], rows[14].replace(",900,", ",9999,"), *rows[15:]], None),
        (lambda rows: ["x,y", "1,2"], "not a weather file"),
        (lambda rows: [*rows[:100], rows[100].rsplit(",", 1)[0], *rows[101:]], "year.csv:101: .*rows cut short.*1 rows, the first with 6"),
        (lambda rows: [*rows[:50], rows[51], rows[50], *rows[52:]], "year.csv:51: .*not a year in order.*2 rows out of place"),
        (lambda rows: [*rows[:50], rows[49], *rows[51:]], "year.csv:51: .*1 rows out of place"),
        (lambda rows: [rows[0].replace("-7.0", "-27.0"), *rows[1:]], "TZ of the station is impossible.*-27"),
        (lambda rows: [rows[0].replace("INVENTED STATION", "INVENTED, STATION"), *rows[1:]], "of the station is impossible"),
        (lambda rows: [rows[0].replace("-7.0", "nan"), *rows[1:]], "TZ of the station is impossible.*no number"),
        (lambda rows: [*rows[:14], rows[14].replace(":00,", ":00,-", 1), *rows[15:]], "year.csv:15: .*impossible values of ghi"),
        (lambda rows: [*rows[:14], rows[14].replace(":00,", ":00,1", 1), *rows[15:]], "impossible values of ghi.*0 to 1500"),
        (lambda rows: [*rows[:2], *(",".join([*row.split(",")[:2], "0", *row.split(",")[3:]]) for row in rows[2:])], "without sun"),
        (lambda rows: [row.replace(":00,", ":x,", 1) for row in rows], "damaged"),
        (lambda rows: list(EPW_HEADER), "it looks like epw"),
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
    (tmp_path / "lost.csv").symlink_to(tmp_path / "nowhere.csv")
    (tmp_path / "zip.csv").write_bytes(b"PK\x03\x04\x00\x00")
    (tmp_path / "wide.csv").write_bytes("time,ghi\n".encode("utf-16"))
    (tmp_path / "latin.csv").write_bytes("time,ghi,dni,dhi,Lufttemperatur \xb0C,wind\n".encode("latin-1"))
    for name, words in (
        ("folder", "is a folder"),
        ("lost.csv", "leads nowhere"),
        ("none.csv", "cannot be opened"),
        ("zip.csv", "not a text file"),
        ("latin.csv", "another encoding"),
        ("wide.csv", "UTF-16"),
    ):
        with pytest.raises(InputFault, match=words):
            read_weather(tmp_path / name, name, "csv")


def test_sun_at_night_is_reported(tmp_path):
    rows = table(tmp_path, ends=False).read_text(encoding="utf-8").splitlines()
    moved = [rows[0], *(",".join([rows[place].split(",")[0], *rows[1 + (place + 11) % 8760].split(",")[1:]]) for place in range(1, 8761))]
    written(tmp_path / "table.csv", moved)
    weather = read_weather(tmp_path / "table.csv", "t", "csv", stamp="start", typical=False, clock=fixed(-25200))
    assert any("suspect" in line for line in weather.report())


@pytest.mark.parametrize(
    "line,cell,text,words",
    [
        (20, 13, "9999", "missing or unreadable values of ghi.*1 of 8760"),
        (20, 6, "99.9", "missing or unreadable values of temperature"),
        (20, 21, "999", "missing or unreadable values of wind"),
        (20, 14, "-3", "impossible values of dni"),
        (20, 6, "61", "impossible values of temperature"),
        (20, 3, "25", "damaged"),
        (20, 3, "x", "damaged"),
        (1, 0, "PLACE", "not a weather file"),
        (1, 8, "99", "TZ of the station"),
        (1, 6, "95", "latitude of the station"),
        (20, 34, "0,0", "rows cut short or too long"),
    ],
)
def test_faults_of_an_epw_file(tmp_path, line, cell, text, words):
    path = epw(tmp_path)
    rows = path.read_text(encoding="utf-8").splitlines()
    cells = rows[line - 1].split(",")
    cells[cell] = text
    rows[line - 1] = ",".join(cells)
    with pytest.raises(InputFault, match=words) as caught:
        read_weather(written(path, rows), "year.epw", "epw")
    assert all(fault.line in (None, line) for fault in caught.value.faults)


def test_all_faults_of_a_file_come_at_once(tmp_path):
    rows = epw(tmp_path).read_text(encoding="utf-8").splitlines()
    rows[0] = rows[0].replace("35.000", "99")
    cells = [row.split(",") for row in rows[8:]]
    cells[5][13], cells[6][6], cells[7][21] = "9999", "-100", "999"
    with pytest.raises(InputFault) as caught:
        read_weather(written(tmp_path / "bad.epw", [*rows[:8], *map(",".join, cells)]), "bad.epw", "epw")
    assert [fault.line for fault in caught.value.faults] == [1, 14, 15, 16]


def test_a_leap_year_of_8784_hours(tmp_path):
    rows = ["time [UTC-7],ghi,dni,dhi,air temperature,wind speed"]
    whole = [datetime.datetime(2004, 1, 1) + datetime.timedelta(hours=hour) for hour in range(8784)]
    rows += [",".join([f"{when:%Y-%m-%dT%H:%M}", *(f"{value:g}" for value in values(when))]) for when in whole]
    weather = read_weather(written(tmp_path / "leap.csv", rows), "t", "csv", stamp="start", typical=True, clock=fixed(-25200))
    assert (len(weather), int(((weather.month == 2) & (weather.day == 29)).sum())) == (8784, 24)
    assert (np.diff(weather.on_year(2028)) == 3600).all()
    with pytest.raises(CalculationFault, match="29 February"):
        weather.on_year(2027)
    with pytest.raises(InputFault, match="not a whole year"):
        read_weather(written(tmp_path / "cut.csv", rows[:-24] + rows[-20:]), "t", "csv", stamp="start", typical=True, clock=fixed(-25200))


@pytest.mark.parametrize("ends", [True, False])
def test_a_table_of_months_of_different_years_leaves_the_leap_day_out(tmp_path, ends):
    rows = ["time,ghi,dni,dhi,air temperature,wind speed"]
    for when in START:
        stamp = when.replace(year=YEARS[when.month - 1]) + datetime.timedelta(hours=int(ends))
        if ends and (when.month, when.day, when.hour) == (2, 28, 23):
            stamp = datetime.datetime(2004, 3, 1)
        rows.append(",".join([f"{stamp:%Y-%m-%dT%H:%M}", *(f"{value:g}" for value in values(when))]))
    path = written(tmp_path / "months.csv", rows)
    weather = read_weather(path, "t", "csv", stamp="end" if ends else "start", typical=True, clock=zone("America/Denver"))
    assert same(weather, read_weather(tmy3(tmp_path), "y", "tmy3"))
    assert (weather.years, weather.standard_s) == (tuple(sorted(set(YEARS))), -25200)


@pytest.mark.parametrize(
    "old,new,words",
    [
        ("air temperature", "air temperature [degF]", "another unit of temperature.*degF"),
        ("air temperature", "temp_f", "another unit of temperature"),
        ("wind speed", "wind speed (mph)", "another unit of wind"),
        ("ghi", "ghi (kW/m2)", "another unit of ghi"),
        ("ghi", "ghi (per day)", "another unit of ghi"),
        ("air temperature", "dew point temperature", "no column of temperature"),
        ("wind speed", "wind direction", "no column of wind"),
        ("dhi", "dni", "several columns of one name"),
        ("dhi", "diffus", "no column of dhi.*nearest: 'diffus'"),
        ("dni,dhi", "dni", "rows longer than the heading"),
    ],
)
def test_a_heading_that_names_something_else_is_no_value(tmp_path, old, new, words):
    path = table(tmp_path, ends=False)
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputFault, match=words):
        read_weather(path, "t", "csv", stamp="start", typical=True, clock=fixed(-25200))


def test_headings_with_units_and_declared_columns(tmp_path):
    path = table(tmp_path, ends=False)
    first = read_weather(path, "t", "csv", stamp="start", typical=True, clock=fixed(-25200))
    text = path.read_text(encoding="utf-8")
    for heading in (
        "time, GHI [W/m^2],DNI (W/m\u00b2),dhi_w_m2,Temp Air (\u00b0C),wind_speed_m_s",
        "Timestamp,ghi,dni,dhi,dry bulb,Wspd (m/s)",
    ):
        path.write_text("\ufeff" + text.replace(text.split("\n", 1)[0], heading, 1), encoding="utf-8")
        assert same(first, read_weather(path, "t", "csv", stamp="start", typical=True, clock=fixed(-25200)))
    path.write_text(text.replace("ghi", "sun", 1), encoding="utf-8")
    assert same(first, read_weather(path, "t", "csv", columns={"ghi": "sun"}, stamp="start", typical=True, clock=fixed(-25200)))
    for declared, words in (({"ghi": "sum"}, "columns.ghi: no column.*nearest: 'sun'"), ({"glow": "sun"}, "not a value of weather")):
        with pytest.raises(InputFault, match=words):
            read_weather(path, "t", "csv", columns=declared, stamp="start", typical=True, clock=fixed(-25200))


def test_small_negative_measurements_are_counted_and_said(tmp_path):
    path = table(tmp_path, ends=False)
    path.write_text(path.read_text(encoding="utf-8").replace("T00:00,0,", "T00:00,-2.5,"), encoding="utf-8")
    weather = read_weather(path, "t", "csv", stamp="start", typical=False, clock=fixed(-25200))
    assert (weather.clipped_count, weather.ghi_w_m2[0]) == (365, 0.0)
    assert "365 values of irradiance just below zero" in " ".join(weather.report())
    with pytest.raises(InputFault, match="impossible values of ghi"):
        read_weather(path, "t", "csv", stamp="start", typical=True, clock=fixed(-25200))


def test_stamps_with_offsets_name_the_clock_or_ask(tmp_path):
    path = table(tmp_path, ends=False, offset="-07:00")
    assert read_weather(path, "t", "csv", stamp="start", typical=False).standard_s == -25200
    path = table(tmp_path, ends=False, offset="Z")
    with pytest.raises(MissingInput) as caught:
        read_weather(path, "t", "csv", stamp="start", typical=False)
    assert caught.value.fields == ("records.weather.clock",)
    weather = read_weather(path, "t", "csv", stamp="start", typical=False, clock=zone("America/Denver"))
    assert (weather.hour[0], weather.start[0]) == (17.0, datetime.datetime(2001, 1, 1, tzinfo=datetime.UTC).timestamp())


def test_any_cut_of_a_file_is_a_fault_and_no_traceback(tmp_path):
    """Bytes of each form cut or spoiled at many places: an InputFault, or arrays that equal the whole file's."""
    generator = np.random.default_rng(5)
    for form, path in (("tmy3", tmy3(tmp_path)), ("epw", epw(tmp_path)), ("csv", table(tmp_path, ends=False))):
        said = {"stamp": "start", "typical": True, "clock": fixed(-25200)} if form == "csv" else {}
        whole, data = read_weather(path, "t", form, **said), path.read_bytes()
        for at in (*generator.integers(1, 600, 6).tolist(), *generator.integers(600, len(data) - 60, 4).tolist()):
            for spoiled in (data[:at], data[:at] + b"\xf0" + data[at:], data[:at] + b'"' + data[at + 1 :]):
                path.write_bytes(spoiled)
                try:
                    found = read_weather(path, "t", form, **said)
                except InputFault:
                    continue
                assert same(found, whole)
