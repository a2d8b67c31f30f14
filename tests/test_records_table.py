"""Tables of readings: every accepted way of writing one is read back to the truth, or the open field is asked."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from workbook_lib.errors import InputFault, MissingInput
from workbook_lib.records.clock import zone
from workbook_lib.records.record import Declared, Record
from workbook_lib.records.table import read_table

DATA = Path(__file__).resolve().parent / "data" / "records"
DENVER = zone("America/Denver")
HOME = ZoneInfo("America/Denver")


def at(text: str) -> int:
    """Seconds [UTC] of an ISO text; without an offset it is a time in Denver."""
    moment = datetime.datetime.fromisoformat(text)
    return int((moment if moment.tzinfo else moment.replace(tzinfo=HOME)).timestamp())


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Record]:
    """Write a text and read it as a table: read(text, clock=..., field=...)."""

    def reader(text: str | bytes, declared: Declared | None = None, clock=DENVER) -> Record:
        path = tmp_path / "record.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_table(path, "record.csv", declared or Declared(), clock)

    return reader


def hours(first: str, count: int, shape: str = "%Y-%m-%d %H:%M", step_s: int = 3600) -> list[str]:
    """Stamps of the clock on the wall in Denver, `step_s` [s] of real time apart."""
    return [datetime.datetime.fromtimestamp(at(first) + k * step_s, HOME).strftime(shape) for k in range(count)]


def table(stamps: Sequence[str], values: Sequence[object], header: str = "Interval start,Usage (kWh)", sep: str = ",") -> str:
    """A table of two columns."""
    rows = [f"{stamp}{sep}{value}" for stamp, value in zip(stamps, values, strict=True)]
    return "\n".join([header, *rows]) + "\n"


def asked(act: Callable[[], object]) -> set[str]:
    """Fields that a reading asks for."""
    with pytest.raises(MissingInput) as caught:
        act()
    return {field.removeprefix("records.load.") for field in caught.value.fields}


def why(record: Record) -> str:
    """All decisions as one text."""
    return " | ".join(f"{one.what}: {one.why}" for one in record.decisions)


# ---- the open homes, recomputed with plain pandas


@pytest.mark.parametrize("home", ["home_1", "home_17"])
def test_open_home_on_a_declared_calendar(home):
    import pandas

    path = DATA / f"{home}_hourly_load_and_pv.csv"
    declared = Declared(
        first_start="2016-07-31T23:00", clock="Etc/GMT+7", value_column="load_kwh", unit="kWh", interval_s=3600.0, register="gross"
    )
    record = read_table(path, path.name, declared, DENVER)
    frame = pandas.read_csv(path)
    assert len(record) == len(frame) == 8760
    np.testing.assert_allclose(record.amount, frame["load_kwh"] * 1000, rtol=1e-12)
    assert record.amount.sum() / 1000 == pytest.approx(frame["load_kwh"].sum(), rel=1e-12)
    assert int(record.amount.argmax()) == int(frame["load_kwh"].idxmax())
    assert record.amount.max() / 1000 == pytest.approx(frame["load_kwh"].max(), rel=1e-15)
    calendar = pandas.date_range("2016-07-31 23:00", periods=len(frame), freq="h", tz="Etc/GMT+7")
    assert record.start.tolist() == (calendar.as_unit("s").asi8).tolist()
    ends = calendar + pandas.Timedelta(hours=1)
    ending = np.where(ends.hour == 0, 24, ends.hour)
    assert (ending == frame["hour_ending"]).all()
    assert (calendar.month == frame["month"]).all()
    assert int(record.length.sum()) == 365 * 86400
    assert record.register == "gross"


def test_a_file_without_dates_asks_for_interval_and_clock(read):
    text = "kWh\n1.5\n\n0.25\nn/a\n2\n"
    assert asked(lambda: read(text, Declared(first_start="2025-01-01T00:00"), None)) == {"interval", "clock"}
    record = read(text, Declared(first_start="2025-03-09T00:00", interval_s=3600))
    assert record.amount.tolist() == [1500.0, 250.0, 2000.0]
    assert (record.start - at("2025-03-09T00:00")).tolist() == [0, 3600, 3 * 3600]
    with pytest.raises(InputFault, match="comes twice"):
        read(text, Declared(first_start="2025-11-02T01:00", interval_s=3600))
    with pytest.raises(InputFault, match="comes never"):
        read(text, Declared(first_start="2025-03-09T02:30", interval_s=3600))


# ---- shapes


@pytest.mark.parametrize("sep", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encode", ["utf-8", "utf-8-sig", "utf-16"])
def test_delimiters_and_encodings(read, sep, encode):
    text = table(hours("2025-01-05T00:00", 30), [f"{k % 7}.25" for k in range(30)], f"Interval start{sep}Usage (kWh)", sep)
    record = read(text.replace("\n", "\r\n").encode(encode))
    assert record.amount.tolist() == [(k % 7 + 0.25) * 1000 for k in range(30)]
    assert record.start[0] == at("2025-01-05T00:00")


def test_a_declared_encoding(read):
    text = table(hours("2025-01-05T00:00", 3), ["1", "2", "3"], "Interval start,Usage é (kWh)").encode("cp1252")
    assert read(text, Declared(encoding="cp1252")).amount.tolist() == [1000, 2000, 3000]
    with pytest.raises(InputFault) as caught:
        read(b"Interval start,Usage (kWh)\n2025-01-01 00:00,1\n2025-01-01 01:00,1\n\xe9\n")
    assert caught.value.faults[0].line == 4
    assert "0xe9" in str(caught.value)


def test_preamble_units_row_repeats_totals_and_notes(read):
    text = (
        "Tansy Light,interval usage\nService address,4 Sedge Row\nPeriod,2025-01-01,2025-01-02\n\n"
        "Start,Usage,Quality\n,kWh,\n"
        "2025-01-01 00:00,1.5,Actual\n2025-01-01 01:00,n/a,Missed\n\n"
        "Start,Usage,Quality\n,kWh,\n"
        "2025-01-01 02:00,0.5,Est\n2025-01-01 03:00,0,Edited\nSubtotal,2.0,\nTotal,2.0,\n,2.0,\n"
        '"Note: estimated, marked E, by the utility, 2025",,\nEnd of report\n'
    )
    record = read(text)
    assert record.amount.tolist() == [1500, 500, 0]
    assert record.quality.tolist() == [0, 9, 7]
    dropped = dict(record.dropped)
    assert dropped["header said again"] == 2
    assert dropped["total, subtotal or average"] == 2
    assert dropped["row of a value without a time"] == 1
    assert dropped["note without a reading"] == 2
    assert dropped["reading without a value, a gap"] == 1
    (summary,) = record.summaries
    assert (summary.amount, summary.unit, summary.start, summary.end, summary.name) == (2000.0, "Wh", None, None, "Total")
    assert "does not say how they were estimated" in why(record)


@pytest.mark.parametrize(
    "written,wh",
    [
        (["0.5", "1,234.5", "2"], [500, 1234500, 2000]),
        (["0,5", "1.234,5", "2"], [500, 1234500, 2000]),
        (["0,5", "1 234,5", "2"], [500, 1234500, 2000]),
        (["0.5", "(1.25)", "1.25-"], [500, -1250, -1250]),
        (["1,234,567", "2", "3"], [1234567000, 2000, 3000]),
        (["-0.5", "+1", "2e-1"], [-500, 1000, 200]),
    ],
)
def test_numbers(read, written, wh):
    text = table(hours("2025-01-05T00:00", 3), [f'"{number}"' for number in written])
    assert read(text).amount.tolist() == pytest.approx(wh, rel=1e-12)


@pytest.mark.parametrize("number", ["1,234", "1.234"])
def test_a_fraction_or_thousands_is_asked(read, number):
    text = table(hours("2025-01-05T00:00", 3), [number, number, "2"], "Interval start;Usage (kWh)", ";")
    assert asked(lambda: read(text)) == {"decimal"}
    comma = read(text, Declared(decimal="comma")).amount[0]
    point = read(text, Declared(decimal="point")).amount[0]
    assert {comma, point} == {1234.0, 1234000.0}
    assert comma == (1234.0 if "," in number else 1234000.0)


# ---- times


DAY = "2025-01-13T00:00"
"""A day whose number is above 12."""


@pytest.mark.parametrize(
    "shape",
    [
        "%Y-%m-%dT%H:%M",
        "%Y-%m-%d %H:%M:%S",
        "%Y/%m/%d %H:%M",
        "%m/%d/%Y %H:%M",
        "%d/%m/%Y %H:%M",
        "%d.%m.%Y %H:%M:%S",
        "%m/%d/%y %I:%M %p",
        "%m/%d/%Y %I:%M:%S%p",
        "%Y%m%d %H:%M",
        "%Y%m%d%H%M",
        "%d-%b-%Y %H:%M",
        "%B %d, %Y %I %p",
        "%Y-%m-%dT%H:%M:%S.000",
        "%Y-%m-%d %H:%M MST",
        "%Y-%m-%dT%H:%M-07:00",
        "%m/%d/%Y %I:%M\u202f%p",
    ],
)
def test_one_column_of_times(read, shape):
    record = read(table(hours(DAY, 30, shape), range(30), "Interval start;Usage (kWh)", ";"))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in range(30)]
    assert set(record.length.tolist()) == {3600}


def test_offsets_and_epochs(read):
    moments = [at("2025-03-08T22:00") + 900 * k for k in range(40)]
    utc = [datetime.datetime.fromtimestamp(moment, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for moment in moments]
    local = [datetime.datetime.fromtimestamp(moment, HOME).isoformat() for moment in moments]
    for stamps in (utc, local, moments):
        assert read(table(stamps, range(40), "start,kWh")).start.tolist() == moments
    assert asked(lambda: read(table(local, range(40), "start,kWh"), None, None)) == {"clock"}
    record = read(table(utc, range(40), "end,kWh"), None, None)
    assert record.start.tolist() == [moment - 900 for moment in moments]
    assert record.clock.name == "UTC"


def test_day_and_month(read):
    steady = [f"{day:02d}/01/2025 {hour:02d}:00" for day in range(1, 13) for hour in range(24)]
    record = read(table(steady, range(288)), Declared(value_column="Usage (kWh)"))
    assert record.start.tolist() == [at("2025-01-01T00:00") + 3600 * k for k in range(288)]
    assert "equal steps" in why(record)
    both = [f"03/04/2025 {hour:02d}:00" for hour in range(20)]
    assert asked(lambda: read(table(both, range(20)))) == {"date_order"}
    assert read(table(both, range(20)), Declared(date_order="dmy")).start[0] == at("2025-04-03T00:00")
    assert read(table(both, range(20)), Declared(date_order="mdy")).start[0] == at("2025-03-04T00:00")
    monthly = [f"01/{month:02d}/2025" for month in range(1, 13)]
    assert "date_order" in asked(lambda: read(table(monthly, range(12))))
    with pytest.raises(InputFault, match="two orders"):
        read(table(["13/01/2025 00:00", "01/14/2025 00:00"] * 5, range(10)))


def test_date_and_time_columns(read):
    stamps = hours(DAY, 30, "%m/%d/%Y,%I:%M %p")
    record = read(table(stamps, range(30), "Date,Start time,Usage (kWh)"))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in range(30)]


@pytest.mark.parametrize("less", [0, 1, 60])
def test_start_and_end_columns(read, less):
    starts = [at(DAY) + 900 * k for k in range(192)]
    rows = [
        f"Usage,{datetime.datetime.fromtimestamp(start, HOME):%m/%d/%Y,%H:%M:%S},"
        f"{datetime.datetime.fromtimestamp(start + 900 - less, HOME):%H:%M:%S},{k % 5}.5,kWh,$0.12"
        for k, start in enumerate(starts)
    ]
    record = read("\n".join(["TYPE,DATE,START TIME,END TIME,USAGE,UNITS,COST", *rows]))
    assert record.start.tolist() == starts
    assert set(record.length.tolist()) == {900}
    assert record.amount.tolist() == [(k % 5 + 0.5) * 1000 for k in range(192)]


def test_hour_ending_and_24(read):
    rows = [f"2025-01-{day:02d},{hour},{hour}.5" for day in (13, 14) for hour in range(1, 25)]
    record = read("\n".join(["Date,Hour Ending,kWh", *rows]))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in range(48)]
    late = [f"2025-01-{day:02d} {hour:02d}:00" for day in (13, 14) for hour in range(1, 25)]
    record = read(table(late, range(48), "Time,kWh"), Declared(value_column="kWh"))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in range(48)]
    assert "24:00 stands among them" in why(record)


def test_midnight_written_last(read):
    late = [f"2025-01-{day:02d} {hour % 24:02d}:00" for day in (13, 14) for hour in range(1, 25)]
    record = read(table(late, [k % 5 for k in range(48)], "Time,kWh"))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in range(48)]


@pytest.mark.parametrize("columns,hour_of", [("HE", 1), ("", 0)])
def test_a_row_a_day(read, columns, hour_of):
    if columns:
        names = [f"HE{k:02d}" for k in range(1, 25)]
    else:
        names = [f"{k:02d}:00" for k in range(24)]
    rows = [",".join([f"2025-01-{day}", *[f"{day}.{k:02d}" for k in range(24)], "99"]) for day in (13, 14)]
    record = read("\n".join([",".join(["Date", *names, "Total"]), *rows]), Declared(unit="kWh", stamp=None if columns else "start"))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in range(48)]
    assert record.amount[:2].tolist() == [13000, 13010]


def test_the_end_that_stamps_mark_is_asked(read):
    text = table(hours(DAY, 30), range(30), "Time,kWh")
    assert asked(lambda: read(text)) == {"stamp"}
    assert read(text, Declared(stamp="end")).start[0] == at(DAY) - 3600
    assert read(text, Declared(stamp="start")).start[0] == at(DAY)


def test_days_are_as_long_as_the_clock_makes_them(read):
    stamps = [f"2025-03-{day:02d}" for day in range(1, 31)]
    record = read(table(stamps, [k % 9 for k in range(30)], "Date,kWh"))
    assert sorted(set(record.length.tolist())) == [23 * 3600, 24 * 3600]
    assert (record.start[1:] == record.end[:-1]).all()


def test_open_questions_are_asked_together(read):
    text = table([f"03/04/2025 {hour:02d}:00" for hour in range(20)], ["1,234"] * 20, "Time;Usage", ";")
    assert asked(lambda: read(text, None, None)) == {"date_order", "decimal", "unit", "stamp", "clock"}


def test_interval_is_asked_where_steps_differ_or_there_are_too_few(read):
    stamps = [*hours("2025-01-13T00:00", 10), *hours("2025-01-13T10:00", 10, step_s=900)]
    assert asked(lambda: read(table(stamps, range(20)))) == {"interval"}
    assert asked(lambda: read(table(stamps[:1], [1]))) == {"interval"}
    hole = hours(DAY, 2, step_s=2700)  # quarters of an hour, two rows between them missing
    assert asked(lambda: read(table(hole, [1, 2]))) == {"interval"}
    assert read(table(hole, [1, 2]), Declared(interval_s=900)).length.tolist() == [900, 900]


# ---- clock changes


@pytest.mark.parametrize("step_s", [900, 1800, 3600])
@pytest.mark.parametrize("day", ["2025-03-09T00:00", "2025-11-02T00:00"])
@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("style", ["start", "wall end", "hour's end"])
def test_clock_changes(read, step_s, day, newest_first, style):
    count = 26 * 3600 // step_s
    truth = [at(day) + step_s * k for k in range(count)]

    def stamp(start: int) -> str:
        if style == "wall end":
            return datetime.datetime.fromtimestamp(start + step_s, HOME).strftime("%Y-%m-%d %H:%M")
        wall = datetime.datetime.fromtimestamp(start, HOME).replace(tzinfo=None)
        return (wall + datetime.timedelta(seconds=step_s if style != "start" else 0)).strftime("%Y-%m-%d %H:%M")

    values = [k % 11 + 1 for k in range(count)]
    if newest_first:
        truth, values = truth[::-1], values[::-1]
    header = "Interval start,kWh" if style == "start" else "Interval end,kWh"
    record = read(table([stamp(start) for start in truth], values, header))
    assert record.start.tolist() == truth
    assert (record.amount == np.array(values) * 1000).all()


@pytest.mark.parametrize("step_s", [900, 3600])
@pytest.mark.parametrize("day", ["2025-03-09T00:00", "2025-11-02T00:00"])
@pytest.mark.parametrize("by_wall", [False, True])
def test_clock_changes_with_start_and_end(read, step_s, day, by_wall):
    truth = [at(day) + step_s * k for k in range(26 * 3600 // step_s)]
    rows = []
    for start in truth:
        begin = datetime.datetime.fromtimestamp(start, HOME).replace(tzinfo=None)
        end = begin + datetime.timedelta(seconds=step_s)
        if by_wall:
            end = datetime.datetime.fromtimestamp(start + step_s, HOME)
        rows.append(f"{begin:%Y-%m-%d %H:%M},{end:%Y-%m-%d %H:%M},{start % 7}")
    record = read("\n".join(["From,To,kWh", *rows]))
    assert record.start.tolist() == truth
    assert set(record.length.tolist()) == {step_s}


def test_billing_days_with_start_and_end(read):
    days = [("2025-01-10", "2025-02-11"), ("2025-02-11", "2025-03-12"), ("2025-03-12", "2025-04-10")]
    record = read("\n".join(["Start date,End date,kWh", *[f"{start},{end},{900 + k}" for k, (start, end) in enumerate(days)]]))
    assert [(int(a), int(b)) for a, b in zip(record.start, record.end, strict=True)] == [
        (at(f"{start}T00:00"), at(f"{end}T00:00")) for start, end in days
    ]


def test_one_pass_of_the_repeated_hour_is_the_first(read):
    stamps = [f"2025-11-02 {hour:02d}:{minute:02d}" for hour in range(24) for minute in (0, 30)]
    record = read(table(stamps, [k % 7 for k in range(48)]))
    assert record.start[2:4].tolist() == [at("2025-11-02T01:00-06:00"), at("2025-11-02T01:30-06:00")]
    assert record.start[4] == at("2025-11-02T02:00-07:00")
    assert "stays a gap" in why(record)


def test_standard_time_on_a_saving_clock_is_refused(read):
    stamps = [f"2025-03-09 {hour:02d}:00" for hour in range(24)]
    for header in ("Interval start,kWh", "Interval end,kWh"):
        with pytest.raises(InputFault, match="standard time") as caught:
            read(table(stamps, [k + 1 for k in range(24)][::-1], header))
        assert caught.value.faults[0].field == "records.load.clock"
        assert caught.value.faults[0].line == (4 if "start" in header else 5)
    record = read(table(stamps, [k + 1 for k in range(24)][::-1]), Declared(clock="Etc/GMT+7"))
    assert len(record) == 24


@pytest.mark.parametrize("filler", ["0", ""])
def test_a_filler_in_the_missing_hour_is_left_out(read, filler):
    stamps = [f"2025-03-09 {hour:02d}:00" for hour in range(24)]
    record = read(table(stamps, [filler if hour == 2 else hour % 5 + 1 for hour in range(24)]))
    assert len(record) == 23
    assert any("clock leaves out" in reason and count == 1 for reason, count in record.dropped)
    dark = [0 if hour < 8 else 24 - hour for hour in range(24)]
    with pytest.raises(InputFault, match="standard time"):
        read(table(stamps, dark))


# ---- values


@pytest.mark.parametrize(
    "unit,amount,kind",
    [
        ("kWh", 1000, "Wh"),
        ("Wh", 1, "Wh"),
        ("kW", 250, "Wh"),
        ("W", 0.25, "Wh"),
        ("kVA", 250, "VAh"),
        ("VA", 0.25, "VAh"),
        ("A", 0.25, "Ah"),
    ],
)
@pytest.mark.parametrize("place", ["header", "declared", "row", "column"])
def test_units(read, unit, amount, kind, place):
    stamps = hours(DAY, 8, step_s=900)
    header = f"Start,Load ({unit})" if place == "header" else "Start,Load"
    if place == "row":
        header += f"\n,{unit}"
    values: list[object] = [2] * 8
    if place == "column":
        header, values = "Start,Load,Units", [f"2,{unit}"] * 8
    record = read(table(stamps, values, header), Declared(unit=unit if place == "declared" else None))
    assert record.unit == kind
    assert record.amount.tolist() == [2 * amount] * 8


def test_legs(read):
    rows = [f"{stamp},{k},{8 - k}" for k, stamp in enumerate(hours(DAY, 8, step_s=60))]
    text = "\n".join(["time,a,b", *rows])
    declared = Declared(time_column="time", leg_columns=("a", "b"), unit="A", interval_s=60, stamp="start", clock="utc")
    record = read(text, declared)
    assert record.unit == "Ah"
    assert (record.legs["A"] * 60).tolist() == pytest.approx(range(8))
    assert (record.rate).tolist() == pytest.approx([max(k, 8 - k) for k in range(8)])
    record = read(text, replace(declared, unit="kW"))
    assert record.rate.tolist() == pytest.approx([8000] * 8)


def test_registers(read):
    rows = [f"{stamp},{k}.5,0.25" for k, stamp in enumerate(hours(DAY, 8))]
    text = "\n".join(["Start,Import (kWh),Export (kWh)", *rows])
    assert asked(lambda: read(text)) == {"register"}
    record = read(text, Declared(register="delivered"))
    assert record.amount.tolist() == [(k + 0.5) * 1000 for k in range(8)]
    assert record.received.tolist() == [250] * 8
    record = read(text, Declared(register="net"))
    assert record.amount.tolist() == [(k + 0.25) * 1000 for k in range(8)]
    assert record.received is None
    assert record.register == "net"
    assert read(text, Declared(register="received")).amount.tolist() == [250] * 8
    plain = read(table(hours(DAY, 8), range(8)))
    assert plain.register == "delivered"
    assert "no header names a direction" in why(plain)


def test_several_value_columns_are_asked(read):
    rows = [f"{stamp},1,2,0.30,55" for stamp in hours(DAY, 8)]
    text = "\n".join(["Start,House usage (kWh),Garage usage (kWh),Cost ($),Temperature (F)", *rows])
    assert asked(lambda: read(text)) == {"value_column"}
    assert read(text, Declared(value_column="Garage usage (kWh)")).amount.tolist() == [2000] * 8


def test_channels(read):
    rows = [f"{stamp},{side},{value},kWh" for stamp in hours(DAY, 8) for side, value in (("Delivered", 3), ("Received", 1))]
    text = "\n".join(["Start,Direction,Value,Unit", *rows])
    assert asked(lambda: read(text)) == {"channel"}
    record = read(text, Declared(channel="Received"))
    assert record.amount.tolist() == [1000] * 8
    assert record.register == "received"
    assert record.channel == "Received"


def test_the_multiplier(read):
    record = read(table(hours(DAY, 4), [1, 2, 3, 4]), Declared(multiplier=40))
    assert record.amount.tolist() == [40000, 80000, 120000, 160000]
    assert "times 40" in why(record)


def test_rows_stay_in_the_order_of_the_file(read):
    stamps = hours(DAY, 12)
    mixed = [stamps[k] for k in (3, 1, 2, 0, 5, 4, 4, 6, 7, 8, 9, 10)]
    record = read(table(mixed, range(12)))
    assert record.start.tolist() == [at(DAY) + 3600 * k for k in (3, 1, 2, 0, 5, 4, 4, 6, 7, 8, 9, 10)]


# ---- any way of writing


def number(wh: int, decimal: str, thousands: str) -> str:
    """A number of kWh with three places."""
    whole, part = f"{wh / 1000:,.3f}".split(".")
    return whole.replace(",", thousands) + decimal + part


@st.composite
def written(draw):
    """A table, what is declared, and its truth: starts [s, UTC] and amounts [Wh]."""
    sep = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal, thousands = draw(st.sampled_from([(".", ""), (".", ","), (",", ""), (",", "."), (",", " ")]))
    shape = draw(st.sampled_from(["%Y-%m-%d %H:%M", "%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M", "%m/%d/%y %I:%M %p", "%d.%m.%y %H:%M"]))
    step = draw(st.sampled_from([900, 1800, 3600]))
    ends = draw(st.booleans())
    header = draw(st.sampled_from(["Time", "Interval end" if ends else "Interval start"]))
    first = datetime.datetime(2025, 1, 1, tzinfo=HOME) + datetime.timedelta(hours=draw(st.integers(0, 8000)))
    first = int(first.timestamp()) // 3600 * 3600
    count = draw(st.integers(3, 80))
    amounts = draw(st.lists(st.integers(0, 3_000_000), min_size=count, max_size=count))
    dice = draw(st.integers(0, 2))
    starts = [first + k * step for k in range(count)]
    if dice == 1:
        cut = draw(st.integers(0, count - 3))
        del starts[cut : cut + 2], amounts[cut : cut + 2]
    stamps = [datetime.datetime.fromtimestamp(start + (step if ends else 0), HOME).strftime(shape) for start in starts]
    quote = '"' if sep in (decimal, thousands) or draw(st.booleans()) else ""
    rows = [f"{stamp}{sep}{quote}{number(wh, decimal, thousands)}{quote}" for stamp, wh in zip(stamps, amounts, strict=True)]
    return "\n".join([f"{header}{sep}Usage (kWh)", *rows]), starts, amounts, step


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(case=written())
def test_a_table_is_read_as_it_was_meant_or_asked_about(read, case):
    text, starts, amounts, step = case
    refused = ("comes twice", "only rise")
    try:
        record = read(text)
    except MissingInput:
        return
    except InputFault as fault:
        if any(word in str(fault) for word in refused):
            return
        raise
    assert record.amount.tolist() == pytest.approx(amounts, abs=1e-6), text
    fold = at("2025-11-02T01:00-06:00")
    far = [abs(start - fold) > 7200 for start in starts]
    assert [a for a, keep in zip(record.start.tolist(), far, strict=True) if keep] == [
        a for a, keep in zip(starts, far, strict=True) if keep
    ], text
    assert set(record.length.tolist()) == {step}, text
