"""Bad tables: each gets a clear list of what is wrong, where, and what to do; never a traceback, never a number."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.records.clock import zone
from workbook_lib.records.record import Declared
from workbook_lib.records.table import read_table

DENVER = zone("America/Denver")
GOOD = "Interval start,Usage (kWh)\n" + "".join(f"2025-01-13 {hour:02d}:00,{hour % 5}.5\n" for hour in range(24))


@pytest.fixture
def faults(tmp_path: Path) -> Callable[..., tuple[Fault, ...]]:
    """Faults of a text read as a table."""

    def reader(text: str | bytes, declared: Declared | None = None) -> tuple[Fault, ...]:
        path = tmp_path / "record.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        with pytest.raises(InputFault) as caught:
            read_table(path, "record.csv", declared or Declared(), DENVER)
        for fault in caught.value.faults:
            assert fault.file == "record.csv"
            assert fault.field.startswith("records.load.")
            assert fault.what
            assert fault.todo
        return caught.value.faults

    return reader


@pytest.mark.parametrize(
    "content,words",
    [
        (b"", "empty"),
        (b"\n\n  \n", "empty"),
        (b"PK\x03\x04" + b"\x00" * 50, "zip archive"),
        (b"\xd0\xcf\x11\xe0" + b"\x01" * 50, "spreadsheet"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"\x1f\x8b\x08abc", "gzip"),
        (b"time,kWh\n2025-01-01 00:00,1\x00\n", "zero byte"),
        (b"\xff\xfet\x00i\x00m\x00e", "not utf-16"),
        (b"just some words\nand more words\n", "no header"),
        (b"Interval start,Usage (kWh)\n", "no header"),
        (b"2025-01-01 00:00,1.5\n2025-01-01 01:00,1.5\n", "no header"),
        (b"Interval start,Usage (kWh)\n2025-01-01 00:00,n/a\n2025-01-01 01:00,\n2025-01-01 02:00,\n", "no readings"),
    ],
)
def test_what_is_no_table(faults, content, words):
    assert words in str(InputFault(faults(content)))


def test_folders_links_and_names(tmp_path):
    link = tmp_path / "link.csv"
    os.symlink(tmp_path / "gone.csv", link)
    for path, words in ((tmp_path, "folder"), (link, "leads nowhere"), (tmp_path / "none.csv", "cannot be read"), (Path("a\0b"), "name")):
        with pytest.raises(InputFault, match=words):
            read_table(path, "record.csv", Declared(), DENVER)


@pytest.mark.parametrize(
    "declared,field,words",
    [
        (Declared(value_column="Usge (kWh)"), "value_column", "did you mean 'Usage (kWh)'"),
        (Declared(time_column="when"), "time_column", "'Interval start', 'Usage (kWh)'"),
        (Declared(received_column="back"), "received_column", "no such column"),
        (Declared(leg_columns=("a", "Usage (kWh)")), "leg_columns", "no such column"),
        (Declared(leg_columns=("Usage (kWh)",)), "leg_columns", "two columns"),
        (Declared(unit="kW"), "unit", "kW declared"),
        (Declared(unit="therms"), "unit", "not known"),
        (Declared(interval_s=900), "interval", "3600 s apart"),
        (Declared(interval_s=7200), "interval", "3600 s apart"),
        (Declared(interval_s=0.5), "interval", "no length"),
        (Declared(stamp="middle"), "stamp", "start, end"),
        (Declared(clock="America/Nowhere"), "clock", "not known"),
        (Declared(clock="America"), "clock", "not known"),
        (Declared(clock="../../etc/passwd"), "clock", "not known"),
        (Declared(multiplier=0.0), "multiplier", "above zero"),
        (Declared(date_order="dym"), "date_order", "mdy, dmy"),
        (Declared(decimal="dot"), "decimal", "point, comma"),
        (Declared(encoding="rot13"), "encoding", "not known"),
        (Declared(encoding="none-such"), "encoding", "not known"),
        (Declared(register="import"), "register", "delivered"),
        (Declared(channel="Garage"), "channel", "no column"),
        (Declared(first_start="yesterday", interval_s=3600), "first_start", "cannot be read"),
    ],
)
def test_declared_fields_that_do_not_fit(faults, declared, field, words):
    found = faults(GOOD, declared)
    assert f"records.load.{field}" in {fault.field for fault in found}
    assert words in str(InputFault(found))


def test_bad_cells_are_all_listed_with_their_lines(faults):
    rows = GOOD.splitlines()
    rows[3] = "2025-02-30 02:00,1"
    rows[5] = "2025-01-13 04:00,12x"
    rows[7] = "2025-01-13 06:00,inf"
    rows[9] = "soon,2"
    rows[11] = "2025-01-13 10:00,1,5"
    found = faults("\n".join(rows))
    assert {(fault.line, fault.field.rpartition(".")[2]) for fault in found} >= {(4, "time_column"), (10, "time_column"), (12, "file")}
    rows[3], rows[9], rows[11] = GOOD.splitlines()[3], GOOD.splitlines()[9], GOOD.splitlines()[11]
    found = faults("\n".join(rows))
    assert {(fault.line, fault.field.rpartition(".")[2]) for fault in found} == {(6, "value_column"), (8, "value_column")}


def test_ten_of_a_kind_then_a_count(faults):
    rows = [GOOD, *(f"2025-01-14 {hour:02d}:00,bad{hour}\n" for hour in range(15))]
    found = faults("".join(rows))
    assert len(found) == 11
    assert found[10].value == "5 more such rows"
    assert [fault.line for fault in found[:10]] == list(range(26, 36))


def test_mixed_units(faults):
    rows = "".join(f"2025-01-13 {hour:02d}:00,1,{'kWh' if hour else 'Wh'}\n" for hour in range(24))
    assert "kWh in 23 rows" in str(InputFault(faults("start,usage,units\n" + rows)))
    assert "mixed units" in str(InputFault(faults("start,usage (kWh),units\n" + rows.replace("kWh", "kW").replace(",Wh", ",kW"))))


def test_gas_is_not_electricity(faults):
    text = GOOD.replace("kWh", "therms")
    declared = Declared(value_column="Usage (therms)", unit="kWh")
    assert "no energy, power or current" in str(InputFault(faults(text, declared)))


def test_numbers_in_two_ways(faults):
    text = 'start,kWh\n2025-01-13 00:00,"1,25"\n2025-01-13 01:00,1.5\n2025-01-13 02:00,2\n'
    assert "two ways" in str(InputFault(faults(text)))


def test_an_end_before_its_start(faults):
    text = "start,end,kWh\n2025-01-13 00:00,2025-01-13 01:00,1\n2025-01-13 01:00,2025-01-13 00:00,1\n2025-01-13 02:00,2025-01-13 03:00,1\n"
    (fault,) = faults(text)
    assert fault.line == 3
    assert "not after its start" in fault.what


def test_a_register_that_counts_up_is_not_use(faults):
    rows = "".join(f"2025-01-{13 + k // 24} {k % 24:02d}:00,{1000 + 3 * k}\n" for k in range(96))
    assert "only rise" in str(InputFault(faults("Interval start,Energy (kWh)\n" + rows)))


def test_stamps_of_two_kinds(faults):
    assert "two kinds" in str(InputFault(faults(GOOD.replace("13 05:00", "13 05:00Z"))))


def test_more_than_two_passes_of_the_repeated_hour(faults):
    rows = "".join(f"2025-11-02 {hour}:00,{k + 1}\n" for k, hour in enumerate(["00", "01", "01", "01", "02", "03"]))
    assert "comes twice" in str(InputFault(faults("Interval start,kWh\n" + rows)))


def test_a_wide_table_that_fills_no_day(faults):
    header = ",".join(["Date", *[f"{k:02d}:00" for k in range(1, 23)]])
    rows = "\n".join(",".join([f"2025-01-{day}", *["1"] * 22]) for day in (13, 14))
    assert "one reading a row" in str(InputFault(faults(f"{header}\n{rows}\n")))


PIECES = st.sampled_from(
    [
        *GOOD.splitlines(keepends=True),
        ",",
        ";",
        '"',
        "\t",
        "|",
        "\n",
        "1,234",
        "Total,5\n",
        "2025-02-30 00:00,1\n",
        "é",
        "kW",
        "(1)",
        "24:00",
    ]
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.one_of(st.binary(max_size=300), st.lists(PIECES, max_size=40).map(lambda parts: "".join(parts).encode())))
def test_no_bytes_give_a_traceback(tmp_path, content):
    path = tmp_path / "any.csv"
    path.write_bytes(content)
    try:
        record = read_table(path, "any.csv", Declared(), DENVER)
    except (InputFault, MissingInput):
        return
    assert len(record) > 0
    assert np.isfinite(record.amount).all()
    assert (record.length > 0).all()
    assert len(record) <= content.count(b"\n") + content.count(b"\r") + 1


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.lists(PIECES, max_size=40).map("".join),
    first_start=st.sampled_from([None, "2025-01-01T00:00"]),
    value=st.sampled_from([None, "Usage (kWh)", "column 2"]),
    stamp=st.sampled_from([None, "start", "end"]),
    decimal=st.sampled_from([None, "comma", "point"]),
    legs=st.sampled_from([(), ("Interval start", "Usage (kWh)")]),
)
def test_no_declaration_gives_a_traceback(tmp_path, content, first_start, value, stamp, decimal, legs):
    path = tmp_path / "any.csv"
    path.write_text(GOOD + content)
    declared = Declared(
        first_start=first_start, interval_s=3600.0, value_column=value, stamp=stamp, decimal=decimal, leg_columns=legs, unit="kWh"
    )
    try:
        record = read_table(path, "any.csv", declared, DENVER)
    except (InputFault, MissingInput):
        return
    assert np.isfinite(record.amount).all()
    assert (record.length > 0).all()
    assert 0 < len(record) <= (GOOD + content).count("\n") + 1
    if stamp is not None and first_start is None:
        moved = 3600 if stamp == "end" else 0
        assert int(record.start[0]) == 1736751600 - moved
