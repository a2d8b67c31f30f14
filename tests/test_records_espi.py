"""Green Button feeds: open samples exactly, feeds of known truth read back equal, and every fault told.

Codes and bit fields: NAESB ESPI usage schema. Check values of the samples: counts, sums, maxima and moments of the
OpenESPI files, computed apart from this library.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests import espi_feed as made
from tests.espi_feed import HOUR, Channel
from workbook_lib.errors import InputFault, MissingInput
from workbook_lib.records import examine, settle
from workbook_lib.records.clock import by_rules, decode_rule, fixed, zone
from workbook_lib.records.espi import read_espi
from workbook_lib.records.record import Declared

DATA = Path(__file__).resolve().parent / "data" / "records"


def read(tmp_path: Path, content: bytes, **said):
    """The record of a file with this content."""
    path = tmp_path / "feed.xml"
    path.write_bytes(content)
    return read_espi(path, "feed.xml", Declared(**said), zone("America/Denver"))


def refused(tmp_path: Path, content: bytes, **said) -> str:
    """Words of the faults of a file."""
    with pytest.raises(InputFault) as caught:
        read(tmp_path, content, **said)
    assert all(fault.file == "feed.xml" and fault.field.startswith("records.load") for fault in caught.value.faults)
    return str(caught.value)


@pytest.mark.parametrize(
    "name,count,total,highest,at,lowest,first,last",
    [
        ("espi_15min_15days.xml", 1340, 1397734, 1662, 1330956000, 272, 1330578000, 1331783100),
        ("espi_1hour_32days.xml", 768, 2354843, 4931, 1334527200, 808, 1333252800, 1336014000),
    ],
)
def test_the_open_samples_exactly(name, count, total, highest, at, lowest, first, last):
    record = read_espi(DATA / name, name, Declared(), None)
    assert (len(record), record.amount.sum(), record.amount.max(), record.amount.min()) == (count, total, highest, lowest)
    assert (record.start.min(), record.start.max(), record.start[record.amount.argmax()]) == (first, last, at)
    assert record.clock.text(1330956000) == "2012-03-05T09:00:00-05:00"
    assert record.unit == "Wh"


def test_the_hourly_sample_states_its_last_period():
    report = examine(read_espi(DATA / "espi_1hour_32days.xml", "x", Declared(), None))
    stated = {item.summary.name: (item.summary.amount, item.agrees) for item in report.reconciliations}
    assert stated == {"consumption of the last period": (2215348.0, True), "consumption of the current period": (139495.0, True)}


@pytest.mark.parametrize(
    "text,year,wall",
    [
        ("360E2000", 2012, "2012-03-11T02:00:00"),  # second Sunday of March, 02:00
        ("B40E2000", 2012, "2012-11-04T02:00:00"),  # first Sunday of November
        ("3E0E2000", 2025, "2025-03-30T02:00:00"),  # last Sunday of March
        ("32FE2000", 2025, "2025-03-16T02:00:00"),  # operator 1: Sunday on or after the 15th
        ("30F0170A", 2025, "2025-03-15T01:30:02"),  # operator 0: the 15th itself, 1,802 s past one
    ],
)
def test_daylight_saving_rules_by_their_bits(text, year, wall):
    """Bits: 0-11 second, 12-16 hour, 17-19 weekday, 20-24 day, 25-27 operator, 28-31 month."""
    import datetime

    at = decode_rule(text).wall(year)
    expected = datetime.datetime.fromisoformat(wall).replace(tzinfo=datetime.UTC).timestamp()
    assert at == expected


def test_the_rules_of_north_america_are_those_of_the_zone_database():
    rules = by_rules(-18000, 3600, decode_rule("360E2000"), decode_rule("B40E2000"))
    moments = np.arange(1_262_304_000, 1_893_456_000, 1800)
    assert (rules.offset(moments) == zone("America/New_York").offset(moments)).all()
    assert decode_rule("FFFFFFFF") is None
    assert (by_rules(-25200, 3600, None, None).offset(moments) == -25200).all()


@pytest.mark.parametrize("text", ["0", "D60E2000", "zz", "1360E2000", "361F8000", "36002000"])
def test_rules_that_cannot_be_are_refused(text):
    with pytest.raises(ValueError):
        decode_rule(text)


def test_a_feed_of_known_truth_reads_back_equal(tmp_path):
    quarter = [(1_741_500_000 + 900 * place, 7 * place % 1000) for place in range(400)]
    record = read(tmp_path, made.simple(Channel(quarter, duration=900, codes={"powerOfTenMultiplier": 1}, quality=17, blocks=5)))
    assert record.start.tolist() == [start for start, _ in quarter]
    assert record.amount.tolist() == [10.0 * value for _, value in quarter]
    assert set(record.length.tolist()) == {900}
    assert set(record.quality.tolist()) == {17}
    assert (record.unit, record.register, record.basis, record.clock.standard_s) == ("Wh", "delivered", "average", -25200)
    assert record.channel == "UsagePoint/01/MeterReading/01"


@pytest.mark.parametrize(
    "codes,unit,factor",
    [
        ({"uom": 72, "powerOfTenMultiplier": 3}, "Wh", 1000.0),
        ({"uom": 72, "powerOfTenMultiplier": -3}, "Wh", 0.001),
        ({"uom": 38}, "Wh", 0.25),
        ({"uom": 38, "dataQualifier": 2}, "Wh", 0.25),
        ({"uom": 61}, "VAh", 0.25),
        ({"uom": 71}, "VAh", 1.0),
    ],
)
def test_units_and_multipliers(tmp_path, codes, unit, factor):
    rows = [(start, value) for start, value in HOUR]
    record = read(tmp_path, made.simple(Channel(rows, duration=900, codes=codes)))
    assert record.unit == unit
    assert record.amount.tolist() == pytest.approx([factor * value for _, value in rows])


def test_samples_are_marked_as_such(tmp_path):
    record = read(tmp_path, made.simple(Channel(HOUR, codes={"uom": 38, "accumulationBehaviour": 12})))
    assert record.basis == "sampled"


def test_counts_of_a_register_give_their_differences_and_an_exchange_gives_none(tmp_path):
    counts = [(start, 1000 + 10 * place if place < 20 else 5 * place) for place, (start, _) in enumerate(HOUR)]
    record = read(tmp_path, made.simple(Channel(counts, duration=3600, codes={"accumulationBehaviour": 3})))
    assert record.amount.tolist() == [10.0] * 19 + [5.0] * 27
    assert record.start[0] == HOUR[0][0] + 3600
    assert [count for _, count in record.dropped] == [1]
    assert examine(record).gaps


def test_lengths_come_from_the_reading_the_type_or_the_next_reading(tmp_path):
    typed = made.simple(Channel(HOUR, duration=None, codes={"intervalLength": 3600}))
    assert set(read(tmp_path, typed).length.tolist()) == {3600}
    bare = made.simple(Channel(HOUR, duration=None))
    record = read(tmp_path, bare)
    assert set(record.length.tolist()) == {3600}
    assert any("up to the next" in one.what for one in record.decisions)
    shuffled = HOUR[::-1]
    assert "without a length" in refused(tmp_path, made.simple(Channel(shuffled, duration=None)))


def test_quality_of_each_reading_and_of_the_type(tmp_path):
    rows = "".join(made.reading(start, value, quality=8 if place == 3 else None) for place, (start, value) in enumerate(HOUR))
    typed = made.entry("ReadingType", "<uom>72</uom><flowDirection>1</flowDirection><defaultQuality>17</defaultQuality>")
    record = read(tmp_path, made.document(made.feed([typed, made.entry("IntervalBlock", rows)])))
    assert record.quality.tolist() == [8 if place == 3 else 17 for place in range(len(HOUR))]
    assert examine(record).estimated_count == 1


def test_a_feed_with_reading_type_and_blocks_alone(tmp_path):
    body = "".join(made.reading(start, value) for start, value in HOUR)
    block, typed = f"<IntervalBlock>{body}</IntervalBlock>", "<ReadingType><uom>72</uom><flowDirection>1</flowDirection></ReadingType>"
    bare = f'<?xml version="1.0"?><x xmlns="{made.ESPI}">{block}{typed}</x>'.encode()
    for content in (bare, made.document(made.feed([made.entry("IntervalBlock", body), made.entry("ReadingType", "<uom>72</uom>")]))):
        record = read(tmp_path, content)
        assert record.amount.tolist() == [value for _, value in HOUR]
        assert record.clock.name == "America/Denver"


def test_several_resources_in_one_entry_are_all_kept(tmp_path):
    body = "".join(made.reading(start, value) for start, value in HOUR)
    half = body.index("<IntervalReading>", len(body) // 2)
    inner = (
        f"<ReadingType><uom>72</uom><flowDirection>1</flowDirection></ReadingType>"
        f"<IntervalBlock>{body[:half]}</IntervalBlock><IntervalBlock>{body[half:]}</IntervalBlock>"
        f"<LocalTimeParameters><tzOffset>-18000</tzOffset></LocalTimeParameters>"
    )
    content = f'<feed xmlns="{made.ATOM}"><entry><content xmlns="{made.ESPI}">{inner}</content></entry></feed>'
    atom = content.replace(f'<content xmlns="{made.ESPI}">', "<content>").replace(
        inner, inner.replace("<ReadingType>", f'<ReadingType xmlns="{made.ESPI}">')
    )
    for name in ("IntervalBlock", "LocalTimeParameters"):
        atom = atom.replace(f"<{name}>", f'<{name} xmlns="{made.ESPI}">')
    record = read(tmp_path, atom.encode())
    assert record.amount.tolist() == [value for _, value in HOUR]
    assert record.clock.standard_s == -18000


def test_blocks_that_no_link_gives_to_one_of_two_types_are_not_guessed(tmp_path):
    body = "".join(made.reading(start, value) for start, value in HOUR)
    types = [made.entry("ReadingType", f"<uom>72</uom><flowDirection>{way}</flowDirection>") for way in (1, 19)]
    assert "reading type is not said" in refused(tmp_path, made.document(made.feed([made.entry("IntervalBlock", body), *types])))


def two_directions() -> bytes:
    back = [(start, value % 7) for start, value in HOUR]
    return made.simple(Channel(HOUR), Channel(back, meter="02", codes={"flowDirection": 19}))


def test_two_directions_are_asked_for_and_chosen_by_the_site_file(tmp_path):
    with pytest.raises(MissingInput) as caught:
        read(tmp_path, two_directions())
    assert caught.value.fields == ("records.load.register",)
    assert "MeterReading/01 (delivered" in caught.value.reason
    assert "MeterReading/02 (received" in caught.value.reason
    record = read(tmp_path, two_directions(), register="delivered")
    assert record.received.tolist() == [value % 7 for _, value in HOUR]
    assert read(tmp_path, two_directions(), register="received").amount.tolist() == [value % 7 for _, value in HOUR]
    assert "no such register" in refused(tmp_path, two_directions(), register="net")


def test_several_usage_points_and_feeds_are_chosen_by_channel(tmp_path):
    other = [(start, value + 1000) for start, value in HOUR]
    points = made.simple(Channel(HOUR), Channel(other, point="02"))
    with pytest.raises(MissingInput) as caught:
        read(tmp_path, points)
    assert caught.value.fields == ("records.load.channel",)
    assert read(tmp_path, points, channel="UsagePoint/02/MeterReading/01").amount[0] == 1500
    feeds = made.document(*(made.feed([made.point(), made.clock(), *Channel(rows).entries()]) for rows in (HOUR, other)))
    assert read(tmp_path, feeds, channel="feed 2: UsagePoint/01/MeterReading/01").amount[0] == 1500
    assert "no such channel" in refused(tmp_path, feeds, channel="UsagePoint/77")


def test_gas_beside_electricity_is_left_alone_and_gas_alone_refused(tmp_path):
    gas = Channel([(HOUR[0][0], 3)], point="09", service=1, codes={"uom": 169, "commodity": 7})
    record = read(tmp_path, made.simple(Channel(HOUR), gas))
    assert any("UsagePoint/09" in one.what and "gas" in one.why for one in record.decisions)
    said = refused(tmp_path, made.simple(gas))
    assert "no channel of electric load" in said
    assert "gas" in said


@pytest.mark.parametrize(
    "codes,words",
    [
        ({"uom": 42}, "cubic metres"),
        ({"uom": 73}, "var hours"),
        ({"uom": 5, "phase": 769}, "which leg"),
        ({"powerOfTenMultiplier": 13}, "multiplier"),
        ({"dataQualifier": 8}, "maximum_demand"),
        ({"flowDirection": 7}, "flow direction"),
    ],
)
def test_what_cannot_be_a_load_is_refused_with_its_reason(tmp_path, codes, words):
    assert words in refused(tmp_path, made.simple(Channel(HOUR, codes=codes)))


def test_two_legs_in_amperes_are_put_together(tmp_path):
    a, b = [(start, 20) for start, _ in HOUR], [(start, 30 if place == 5 else 10) for place, (start, _) in enumerate(HOUR)]
    record = read(tmp_path, made.simple(Channel(a, codes={"uom": 5, "phase": 528}), Channel(b, meter="02", codes={"uom": 5, "phase": 272})))
    assert record.unit == "Ah"
    assert record.legs["B"][5] == 30
    assert record.amount[5] == 30
    assert record.amount[4] == 20


def test_the_home_s_clock_is_used_where_the_feed_has_none(tmp_path):
    content = made.document(made.feed([made.point(clock=False), *Channel(HOUR).entries()]))
    path = tmp_path / "feed.xml"
    path.write_bytes(content)
    assert read_espi(path, "feed.xml", Declared(), fixed(-3600)).clock.standard_s == -3600
    record = read_espi(path, "feed.xml", Declared(), None)
    assert any("neither" in one.why for one in record.decisions)


WHOLE = made.simple(Channel(HOUR))
BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + place, b"&%c;" % (97 + place) * 10) for place in range(12))
    + b']><feed xmlns="http://www.w3.org/2005/Atom"><title>&m;</title></feed>'
)
OUTSIDE = (
    b'<?xml version="1.0"?><!DOCTYPE feed [<!ENTITY x SYSTEM "file:///etc/passwd">]><feed xmlns="http://www.w3.org/2005/Atom">&x;</feed>'
)


@pytest.mark.parametrize(
    "content,words",
    [
        (b"", "empty"),
        (b"<", "not XML"),
        (b"<<<>>>", "not XML"),
        (b"<!DOCTYPE html><html><body>Sign in</body></html>", "page of a web site"),
        (BOMB, "document type"),
        (OUTSIDE, "document type"),
        (b'<?xml version="1.0"?>' + b"<!-- long -->" * 9000 + OUTSIDE.partition(b"?>")[2], "document type"),
        (b'<?xml version="1.0"?><feed xmlns="http://example.org/other"><entry/></feed>', "another namespace"),
        (b'<?xml version="1.0"?><feed xmlns="http://www.w3.org/2005/Atom"><title>none</title></feed>', "without any resource"),
        (WHOLE.replace(b"naesb.org/espi", b"naesb.org/other"), "{http://naesb.org/other}UsagePoint"),
        (made.simple(Channel([])), "no readings"),
        (WHOLE + WHOLE, "more than one document"),
        (WHOLE.replace(b"<value>505</value>", b"<value>5x5</value>"), "not a whole number"),
        (WHOLE.replace(b"<value>505</value>", b""), "without its value"),
        (WHOLE.replace(b"<start>1735707600</start>", b"<start></start>"), "without its start"),
        (WHOLE.replace(b"<value>505</value>", b"<value>99999999999999999999</value>"), "not a whole number"),
        (WHOLE.replace(b"360E2000", b"060E2000"), "local time parameters"),
        (WHOLE.replace(b"<tzOffset>-25200", b"<tzOffset>-2520000"), "local time parameters"),
        (WHOLE.replace(b"<uom>72", b"<uom>kWh"), "no whole number"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_every_fault_of_a_feed_is_told(tmp_path, content, words):
    assert words in refused(tmp_path, content)


def test_a_feed_that_breaks_off_says_how_far_it_came_and_is_not_used(tmp_path):
    cut = WHOLE[: WHOLE.index(b"<value>530")]
    said = refused(tmp_path, cut)
    assert "breaks off" in said
    assert "30 readings were read" in said
    said = refused(tmp_path, made.simple(Channel(HOUR, blocks=6))[:-600])
    assert "readings were read up to there" in said
    assert "2025-01-02" in said


def test_fields_of_a_table_are_refused_for_a_feed(tmp_path):
    said = refused(tmp_path, WHOLE, stamp="end", unit="kWh", multiplier=40.0)
    assert said.count("only for a table file") == 3


def test_a_folder_and_a_link_to_nowhere(tmp_path):
    (tmp_path / "folder.xml").mkdir()
    (tmp_path / "link.xml").symlink_to(tmp_path / "nowhere")
    for name in ("folder.xml", "link.xml", "none.xml"):
        with pytest.raises(InputFault):
            read_espi(tmp_path / name, name, Declared(), None)


def test_a_comment_inside_a_number_and_a_value_too_many_are_no_other_number(tmp_path):
    record = read(tmp_path, WHOLE.replace(b"<value>505</value>", b"<value>5<!-- x -->05</value>"))
    assert record.amount[5] == 505
    moved = WHOLE.replace(b"<value>505</value>", b"").replace(b"<value>506</value>", b"<value>505</value><value>506</value>")
    assert "without its value" in refused(tmp_path, moved)


def test_a_large_block_is_read_in_parts_to_the_same_record(tmp_path, monkeypatch):
    rows = [(1_600_000_000 + 900 * place, place % 997) for place in range(7000)]
    whole = read(tmp_path, made.simple(Channel(rows, duration=900)))
    from workbook_lib.records import espi

    monkeypatch.setattr(espi, "BATCH", 90)
    parts = read(tmp_path, made.simple(Channel(rows, duration=900)))
    assert (whole.start == parts.start).all()
    assert (whole.amount == parts.amount).all()
    assert whole.amount.tolist() == [value for _, value in rows]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**6))
def test_entries_in_any_order_give_the_same_record(tmp_path, seed):
    entries = [made.point(), made.clock(), *Channel(HOUR, blocks=6).entries()]
    random.Random(seed).shuffle(entries)
    record = settle(read(tmp_path, made.document(made.feed(entries))))
    assert record.start.tolist() == [start for start, _ in HOUR]
    assert record.amount.tolist() == [value for _, value in HOUR]
    assert record.clock.standard_s == -25200


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 47), st.integers(1, 20), st.sampled_from(["cut", "double", "shuffle"]), st.integers(0, 999))
def test_a_feed_that_was_tampered_with_changes_its_report_and_never_silently_its_peak(tmp_path, place, count, how, seed):
    rows = list(HOUR)
    if how == "cut":
        del rows[place : place + count]
    elif how == "double":
        rows += rows[place : place + count]
    else:
        random.Random(seed).shuffle(rows)
    if not rows or rows == HOUR:
        return
    before, after = (examine(read(tmp_path, made.simple(Channel(one)))) for one in (HOUR, rows))
    assert after != before
    assert after.findings() != before.findings()
    if how != "cut":
        assert after.peak_amount == before.peak_amount
    elif after.peak_amount != before.peak_amount:
        assert after.last != before.last or after.gaps
