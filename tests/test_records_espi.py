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
from workbook_lib.records.record import NOT_STATED, Declared

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
    backward = settle(read(tmp_path, made.simple(Channel(HOUR[::-1], duration=None))))
    assert backward.amount.tolist() == [value for _, value in HOUR]
    assert set(backward.length.tolist()) == {3600}
    holed = read(tmp_path, made.simple(Channel([*HOUR[:10], *HOUR[20:]], duration=None)))
    assert set(holed.length.tolist()) == {3600}
    assert [gap.end - gap.start for gap in examine(holed).gaps] == [36000]
    assert "without a length" in refused(tmp_path, made.simple(Channel(HOUR[:1], duration=None)))


def test_quality_of_each_reading_and_of_the_type(tmp_path):
    rows = "".join(made.reading(start, value, quality=8 if place == 3 else None) for place, (start, value) in enumerate(HOUR))
    typed = made.entry("ReadingType", "<uom>72</uom><flowDirection>1</flowDirection><defaultQuality>17</defaultQuality>")
    record = read(tmp_path, made.document(made.feed([typed, made.entry("IntervalBlock", rows)])))
    assert record.quality.tolist() == [8 if place == 3 else 17 for place in range(len(HOUR))]
    assert examine(record).estimated_count == 1


@pytest.mark.parametrize("batch", [2000, 7])
def test_of_several_qualities_the_estimated_one_is_kept_and_a_missing_one_is_the_type_s(tmp_path, monkeypatch, batch):
    from workbook_lib.records import espi

    monkeypatch.setattr(espi, "BATCH", batch)
    marks = {3: (17, 8), 4: (9, 17), 5: (14, 19), 6: (17,)}
    rows = ""
    for place, (start, value) in enumerate(HOUR):
        some = "".join(f"<ReadingQuality><quality>{code}</quality></ReadingQuality>" for code in marks.get(place, ()))
        rows += made.reading(start, value, extra=some)
    typed = made.entry("ReadingType", "<uom>72</uom>")
    record = read(tmp_path, made.document(made.feed([typed, made.entry("IntervalBlock", rows)])))
    assert record.quality.tolist() == [{3: 8, 4: 9, 5: 19, 6: 17}.get(place, NOT_STATED) for place in range(len(HOUR))]
    each = "".join(made.reading(start, value, quality=place % 20) for place, (start, value) in enumerate(HOUR))
    record = read(tmp_path, made.document(made.feed([typed, made.entry("IntervalBlock", each)])))
    assert record.quality.tolist() == [place % 20 for place in range(len(HOUR))]


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


def both(back, *, register=None, load=HOUR, **given) -> bytes:
    """Bytes of a feed with a delivered and a received channel."""
    return made.simple(Channel(load), Channel(back, meter="02", codes={"flowDirection": 19}, **given))


def test_received_energy_is_put_on_its_own_interval_and_never_lost_silently(tmp_path):
    quarters = [(HOUR[0][0] + 900 * place, place) for place in range(8)]
    record = read(tmp_path, both(quarters, duration=900), register="delivered")
    assert record.received.tolist() == [0 + 1 + 2 + 3, 4 + 5 + 6 + 7, *[0] * 46]
    astride = [(HOUR[0][0] + 1800 + 3600 * place, 10) for place in range(3)]
    record = read(tmp_path, both(astride), register="delivered")
    assert record.received.sum() == 0
    assert any("30 Wh received outside" in one.what for one in record.decisions)
    assert [count for _, count in record.dropped] == [3]
    shuffled = HOUR[:]
    random.Random(4).shuffle(shuffled)
    record = settle(read(tmp_path, both([(start, value + 1) for start, value in shuffled]), register="delivered"))
    assert record.received.tolist() == [value + 1 for _, value in HOUR]


def test_readings_said_twice_in_both_directions_are_not_received_twice(tmp_path):
    back = [(start, value - 400) for start, value in HOUR]
    record = read(tmp_path, both([*back, *back[5:9]], load=[*HOUR, *HOUR[5:9]]), register="delivered")
    assert settle(record).received.tolist() == [value for _, value in back]
    assert examine(record).contradicting == ()
    assert record.dropped[0][1] == 4


def test_two_channels_of_what_was_given_back_are_not_added_up(tmp_path):
    back = [(start, 5) for start, _ in HOUR]
    other = [(start, 6) for start, _ in HOUR]
    day = [(HOUR[0][0], 120), (HOUR[24][0], 120)]
    ways = {"flowDirection": 19}
    content = made.simple(Channel(HOUR), Channel(back, meter="2", codes=ways), Channel(day, meter="3", codes=ways, duration=86400))
    assert read(tmp_path, content, register="delivered").received.tolist() == [5] * 48
    content = made.simple(Channel(HOUR), Channel(back, meter="2", codes=ways), Channel(other, meter="3", codes=ways))
    assert "differ" in refused(tmp_path, content, register="delivered")


def test_received_energy_beside_a_load_in_another_unit_is_told(tmp_path):
    content = made.simple(Channel(HOUR, codes={"uom": 71}), Channel([(HOUR[0][0], 7)], meter="02", codes={"flowDirection": 19}))
    record = read(tmp_path, content, register="delivered")
    assert record.received is None
    assert any("received 7 Wh in all" in one.what for one in record.decisions)


@pytest.mark.parametrize("duration,at_end", [(3600, 3600), (0, 0), (None, 0)])
def test_a_count_stands_at_the_end_of_its_period_or_at_its_start_without_one(tmp_path, duration, at_end):
    counts = [(start, 100 * place) for place, (start, _) in enumerate(HOUR)]
    codes = {"accumulationBehaviour": 1, "intervalLength": 3600, "powerOfTenMultiplier": -1}
    record = read(tmp_path, made.simple(Channel(counts, duration=duration, codes=codes)))
    assert record.start.tolist() == [start + at_end for start, _ in HOUR[:-1]]
    assert record.amount.tolist() == [10.0] * 47
    assert set(record.length.tolist()) == {3600}


def test_counts_said_twice_and_counts_that_contradict_are_told(tmp_path):
    counts = [(start, 100 * place) for place, (start, _) in enumerate(HOUR)]
    codes = {"accumulationBehaviour": 3}
    record = read(tmp_path, made.simple(Channel([*counts, *counts[4:7]], codes=codes)))
    assert record.amount.tolist() == [100.0] * 47
    assert record.dropped[0][1] == 3
    record = read(tmp_path, made.simple(Channel([*counts, (counts[5][0], 507)], codes=codes)))
    assert record.amount.tolist() == [100.0] * 45
    assert [gap.end - gap.start for gap in examine(record).gaps] == [7200]
    assert "contradict" in record.dropped[0][0]
    assert "2025-01-01T06:00:00" in record.dropped[0][0]
    assert "no energy between the counts" in refused(tmp_path, made.simple(Channel(counts[:1], codes=codes)))


def test_an_overflow_is_told_with_its_moment(tmp_path):
    counts = [(start, 1000 + place if place < 20 else place) for place, (start, _) in enumerate(HOUR)]
    record = read(tmp_path, made.simple(Channel(counts, codes={"accumulationBehaviour": 1})))
    assert "2025-01-01T21:00:00+00:00" in record.dropped[0][0]
    assert record.amount.sum() == 19 + 27


@pytest.mark.parametrize(
    "codes,words",
    [
        ({"uom": 72, "accumulationBehaviour": 12}, "accumulation 12"),
        ({"uom": 72, "accumulationBehaviour": 2}, "accumulation 2"),
        ({"uom": 38, "accumulationBehaviour": 3}, "accumulation 3"),
        ({"uom": 5, "phase": 528}, "leg A alone"),
        ({"commodity": 7}, "it is of gas"),
        ({"dataQualifier": 9}, "minimum"),
        ({"uom": None}, "not said"),
    ],
)
def test_what_could_mean_two_things_is_no_load(tmp_path, codes, words):
    assert words in refused(tmp_path, made.simple(Channel(HOUR, codes=codes)))


def test_both_legs_beside_an_energy_channel_are_one_choice(tmp_path):
    legs = [Channel(HOUR, meter=name, codes={"uom": 106, "phase": phase}, blocks=4) for name, phase in (("a", 512), ("b", 256))]
    content = made.simple(Channel(HOUR), *legs)
    with pytest.raises(MissingInput) as caught:
        read(tmp_path, content)
    assert "MeterReading/a (delivered, Ah" in caught.value.reason
    record = read(tmp_path, content, channel="MeterReading/b")
    assert set(record.legs) == {"A", "B"}
    assert read(tmp_path, content, channel="UsagePoint/01/MeterReading/01").legs == {}


def test_links_that_are_relative_and_absolute_in_one_feed_meet(tmp_path):
    base = "https://data.example/espi/1_1/resource/"
    other = [(start, 1) for start, _ in HOUR]
    content = made.simple(Channel(HOUR), Channel(other, point="02"))
    for rel in ("related", "up"):
        mixed = content.replace(f'rel="{rel}" href="'.encode(), f'rel="{rel}" href="{base}'.encode())
        record = read(tmp_path, mixed, channel="UsagePoint/02/MeterReading/01")
        assert set(record.amount.tolist()) == {1.0}
        assert record.clock.standard_s == -25200


def test_readings_are_not_given_to_the_reading_type_of_another_meter_reading(tmp_path):
    content = made.simple(Channel(HOUR), Channel([(HOUR[0][0], 9)], meter="02"))
    start = content.index(b'<entry><link rel="self" href="ReadingType/0102"/>')
    torn = content[:start] + content[content.index(b"<entry>", start + 5) :]
    assert "reading type is not said" in refused(tmp_path, torn)


def test_a_meter_reading_with_two_units_is_refused(tmp_path):
    second = made.entry("ReadingType", "<uom>38</uom><flowDirection>1</flowDirection>", [("self", "ReadingType/other")])
    content = made.simple(Channel(HOUR), extra=[second])
    mixed = content.replace(
        b'<link rel="related" href="ReadingType/0101"/>',
        b'<link rel="related" href="ReadingType/0101"/><link rel="related" href="ReadingType/other"/>',
    )
    said = refused(tmp_path, mixed)
    assert "2 reading types" in said
    assert "unit of measure 38" in said


def test_entries_said_twice_are_one_and_those_that_contradict_are_refused(tmp_path):
    entries = [made.point(), made.clock(), *Channel(HOUR).entries()]
    content = made.document(made.feed([*entries, *entries[:4]]))
    assert read(tmp_path, content).amount.tolist() == [value for _, value in HOUR]
    other = entries[3].replace("<uom>72</uom>", "<uom>38</uom>")
    assert "that differ" in refused(tmp_path, made.document(made.feed([*entries, other])))


def test_two_usage_points_and_two_directions_are_asked_for_by_channel(tmp_path):
    back = {"flowDirection": 19}
    some = [Channel(HOUR, point=name, meter=meter, codes=codes) for name in ("1", "2") for meter, codes in (("a", {}), ("b", back))]
    with pytest.raises(MissingInput) as caught:
        read(tmp_path, made.simple(*some))
    assert caught.value.fields == ("records.load.channel",)
    with pytest.raises(MissingInput):
        read(tmp_path, made.simple(*some), register="delivered")
    record = read(tmp_path, made.simple(*some), register="delivered", channel="UsagePoint/2/MeterReading/a")
    assert record.received.tolist() == [value for _, value in HOUR]


def test_the_site_file_may_call_the_one_channel_gross(tmp_path):
    record = read(tmp_path, WHOLE, register="gross")
    assert record.register == "gross"
    assert any("the site file says so" in one.why for one in record.decisions)


def test_a_channel_that_is_taken_without_being_declared_is_told(tmp_path):
    record = read(tmp_path, made.simple(Channel(HOUR, codes={"flowDirection": None})))
    told = {one.what: one.why for one in record.decisions}
    assert told["channel UsagePoint/01/MeterReading/01"] == "the only channel of electric load"
    assert "no direction" in told["register delivered"]
    declared = {one.what: one.why for one in read(tmp_path, two_directions(), register="delivered").decisions}
    assert declared["channel UsagePoint/01/MeterReading/01"] == "declared in the site file"


def test_a_clock_of_the_feed_that_differs_from_the_home_s_is_told(tmp_path):
    assert not any("another time" in one.what for one in read(tmp_path, WHOLE).decisions)
    path = tmp_path / "feed.xml"
    record = read_espi(path, "feed.xml", Declared(), zone("America/New_York"))
    assert record.clock.standard_s == -25200
    assert any("at 48 readings the home's (America/New_York) shows another time" in one.what for one in record.decisions)


def test_stated_totals_have_only_the_periods_that_the_feed_states(tmp_path):
    def stated(*, period: str = "", until: str = "", uom: int = 72, power: int = 3) -> tuple:
        amount = f"<powerOfTenMultiplier>{power}</powerOfTenMultiplier><uom>{uom}</uom><value>31</value>"
        inner = f"{period}<overallConsumptionLastPeriod>{amount}</overallConsumptionLastPeriod>"
        inner += f"<currentBillingPeriodOverAllConsumption>{amount}</currentBillingPeriodOverAllConsumption>{until}"
        one = made.entry("UsageSummary", inner, [("self", "UsagePoint/01/UsageSummary/1")])
        return read(tmp_path, made.simple(Channel(HOUR), extra=[one, one])).summaries

    period, until = "<billingPeriod><duration>86400</duration><start>1735603200</start></billingPeriod>", 1_735_862_400
    both = stated(period=period, until=f"<statusTimeStamp>{until}</statusTimeStamp>")
    assert [(one.amount, one.unit, one.start, one.end) for one in both] == [
        (31000.0, "Wh", 1_735_603_200, 1_735_689_600),
        (31000.0, "Wh", 1_735_689_600, until),
    ]
    assert [(one.start, one.end) for one in stated(period=period)] == [(1_735_603_200, 1_735_689_600)]
    assert [(one.start, one.end) for one in stated()] == [(None, None)]
    assert stated(uom=169) == stated(power=400) == ()


def test_progress_is_told_seldom_and_to_the_end_and_an_interruption_passes(tmp_path):
    path, told = tmp_path / "feed.xml", []
    path.write_bytes(made.simple(Channel([(1_600_000_000 + 900 * place, 1) for place in range(20000)], duration=900, blocks=400)))
    read_espi(path, "feed.xml", Declared(), None, told.append)
    assert told == sorted(told)
    assert 20 <= len(told) <= 201
    assert told[-1] == 1.0

    def stop(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_espi(path, "feed.xml", Declared(), None, stop)


@pytest.mark.parametrize("when", ["open", "read"])
def test_a_file_that_cannot_be_read_is_told(tmp_path, monkeypatch, when):
    path = tmp_path / "feed.xml"
    path.write_bytes(WHOLE)

    class Broken:
        def read(self, _size):
            raise OSError(5, "Input/output error")

        def close(self):
            pass

    def opened(_self, _mode):
        if when == "open":
            raise PermissionError(13, "Permission denied")
        return Broken()

    monkeypatch.setattr(Path, "open", opened)
    with pytest.raises(InputFault) as caught:
        read_espi(path, "feed.xml", Declared(), None)
    assert {"open": "Permission denied", "read": "Input/output error"}[when] in str(caught.value)


def test_much_text_of_another_namespace_is_refused_before_it_fills_the_memory(tmp_path, monkeypatch):
    from workbook_lib.records import espi

    monkeypatch.setattr(espi, "QUIET", 1 << 20)
    rows = b"<row><value>1</value></row>" * 100_000
    said = refused(tmp_path, b'<table xmlns="urn:invented">' + rows + b"</table>")
    assert "without any element of a Green Button feed" in said
    assert "{urn:invented}table" in said


def test_many_faulty_readings_are_named_up_to_ten_and_counted(tmp_path):
    rows = [(start, f"{value}.5") for start, value in HOUR]
    path = tmp_path / "feed.xml"
    path.write_bytes(made.simple(Channel(rows)).replace(b"<IntervalReading>", b"\n<IntervalReading>"))
    with pytest.raises(InputFault) as caught:
        read_espi(path, "feed.xml", Declared(), None)
    named, last = caught.value.faults[:-1], caught.value.faults[-1]
    assert len(named) == 10
    assert [fault.line for fault in named] == list(range(named[0].line, named[0].line + 10))
    assert "38 more" in last.what


TORN = [
    (b"<value>505</value>", b"<value>5_05</value>", "not a whole number"),
    (b"<value>505</value>", b"<value>505.0</value>", "not a whole number"),
    (b"<value>505</value>", "<value>\u0665</value>".encode(), "not a whole number"),
    (b"<value>505</value>", b"<value>900000000000000</value>", "too large"),
    (b"<start>1735707600</start>", b"<start>1735707600000</start>", "impossible moment"),
    (b"<start>1735707600</start>", b"<start>17357</start>", "impossible moment"),
    (b"<duration>3600</duration>", b"<duration>-3600</duration>", "the duration of a reading"),
    (b"<duration>3600</duration>", b"<duration>0</duration>", "no reading of UsagePoint/01/MeterReading/01 has a length"),
    (b"<duration>3600</duration>", b"<duration>99999999</duration>", "longer than a year"),
    (b"<timePeriod>", b"<ReadingQuality><quality>good</quality></ReadingQuality><timePeriod>", "quality of a reading is no code"),
    (b"<timePeriod>", b"<ReadingQuality><quality>99999</quality></ReadingQuality><timePeriod>", "quality of a reading is no code"),
    (b"<IntervalBlock xmlns", b"<other xmlns", "outside an interval block"),
    (b"<uom>72</uom>", "<uom>\u00b2</uom>".encode(), "uom of a reading type"),
    (b"<uom>72</uom>", b"<uom>72</uom><defaultQuality>fine</defaultQuality>", "defaultQuality of a reading type"),
    (b"<kind>0</kind>", b"<kind>electric</kind>", "kind of a usage point"),
    (b"<tzOffset>-25200</tzOffset>", b"", "no tzOffset"),
    (b"<dstStartRule>360E2000</dstStartRule>", b"", "rule for the start or the end"),
]


@pytest.mark.parametrize("old,new,words", TORN, ids=[f"{place}-{words}" for place, (_, _, words) in enumerate(TORN)])
def test_what_a_value_cannot_be_is_told_and_not_guessed(tmp_path, old, new, words):
    torn = WHOLE.replace(old, new)
    if new.startswith(b"<other"):
        torn = torn.replace(b"</IntervalBlock>", b"</other>")
    assert torn != WHOLE
    assert words in refused(tmp_path, torn)


def test_a_document_type_is_found_behind_what_hides_it(tmp_path):
    for hidden in (b"<!-- <feed -->" + OUTSIDE, b'<?xml version="1.0"?><?x <feed?>' + OUTSIDE.partition(b"?>")[2], b"\xef\xbb\xbf" + BOMB):
        assert "document type" in refused(tmp_path, hidden)
    wide = OUTSIDE.decode().replace('version="1.0"', 'version="1.0" encoding="UTF-16"').encode("utf-16")
    assert "document type" in refused(tmp_path, wide)
    commented = b"<!-- <!DOCTYPE html> -->" + WHOLE.partition(b"?>")[2]
    assert len(read(tmp_path, commented)) == 48


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**9))
def test_any_bytes_give_a_record_or_a_fault(tmp_path, seed):
    dice = random.Random(seed)
    content = bytearray(two_directions() if seed % 2 else WHOLE)
    for _ in range(dice.randint(1, 6)):
        place = dice.randrange(len(content))
        how = dice.randrange(3)
        if how == 0:
            content[place] = dice.randrange(256)
        elif how == 1:
            del content[place : place + dice.randint(1, 40)]
        else:
            part = bytes(content[place : place + dice.randint(1, 200)])
            where = dice.randrange(len(content))
            content[where:where] = part
    try:
        record = read(tmp_path, bytes(content), register="delivered")
    except (InputFault, MissingInput):
        return
    assert np.isfinite(record.amount).all()
    assert record.clock.text(int(record.start.max()))


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**6))
def test_entries_of_two_meter_readings_in_any_order_give_the_same_record(tmp_path, seed):
    back = [(start, value % 7) for start, value in HOUR]
    channels = Channel(HOUR, blocks=5), Channel(back, meter="02", codes={"flowDirection": 19}, blocks=3)
    entries = [made.point(), made.clock(), *(part for one in channels for part in one.entries())]
    random.Random(seed).shuffle(entries)
    record = settle(read(tmp_path, made.document(made.feed(entries)), register="delivered"))
    assert record.start.tolist() == [start for start, _ in HOUR]
    assert record.amount.tolist() == [value for _, value in HOUR]
    assert record.received.tolist() == [value for _, value in back]
    assert record.dropped == ()


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
