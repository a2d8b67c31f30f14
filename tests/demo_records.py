"""Maker of the invented meter records in example_inputs: the files there are proven to be these bytes.

Every value is invented. The highest interval of each record is put where the stories say, and no other
interval comes near it, so that a hand can find it and compute from it.
"""

from __future__ import annotations

import datetime
import functools
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "example_inputs" / "sites" / "records"
HOME = ZoneInfo("America/Denver")
ATOM, ESPI = "http://www.w3.org/2005/Atom", "http://naesb.org/espi"


def local(text: str) -> datetime.datetime:
    """A moment by the clock of the invented town."""
    return datetime.datetime.fromisoformat(text).replace(tzinfo=HOME).astimezone(datetime.UTC)


def moments(first: str, last: str, step_s: int) -> Iterator[datetime.datetime]:
    """Starts of all intervals from first up to, not with, last."""
    now, end = local(first), local(last)
    while now < end:
        yield now
        now += datetime.timedelta(seconds=step_s)


def household_w(dice: random.Random, when: datetime.datetime, cooling: bool) -> float:
    """An invented average power of a house at an hour of a day."""
    here = when.astimezone(HOME)
    hour, month = here.hour + here.minute / 60, here.month
    base = 260 + 90 * dice.random()
    morning = 900 * max(0.0, 1 - abs(hour - 7.2) / 1.6) * dice.random()
    evening = 2300 * max(0.0, 1 - abs(hour - 18.6) / 3.2) * (0.4 + 0.6 * dice.random())
    summer = 1900 * max(0.0, 1 - abs(hour - 16.0) / 6.0) * dice.random() if cooling and month in (6, 7, 8, 9) else 0.0
    winter = 500 * dice.random() if month in (11, 12, 1, 2) else 0.0
    return base + morning + evening + summer + winter


def year_of_quarter_hours() -> str:
    """A table of 15 minutes over 2025, stamped at the start by the clock on the wall: 7.4 kW on 14 December at 18:15."""
    dice = random.Random(19)
    rows, total = [], 0
    peak = local("2025-12-14T18:15")
    for when in moments("2025-01-01T00:00", "2026-01-01T00:00", 900):
        wh = 1850 if when == peak else round(min(household_w(dice, when, True), 5600) / 4)
        total += wh
        rows.append(f"{when.astimezone(HOME):%m/%d/%Y %H:%M},{wh / 1000:.3f},Actual")
    head = ["Tansy Light,interval usage", "Service address,4 Sedge Row", "Meter,invented", "", "Interval start,Usage (kWh),Read type"]
    return "\n".join([*head, *rows, f"Total,{total / 1000:.3f},"]) + "\n"


def import_and_export() -> str:
    """A table of hours over 35 days, what the home took and what it gave back apart; semicolons and decimal commas."""
    dice = random.Random(23)
    rows = []
    for when in moments("2026-06-01T00:00", "2026-07-06T00:00", 3600):
        hour = when.astimezone(HOME).hour
        sun = 3800 * max(0.0, 1 - abs(hour + 0.5 - 13.0) / 6.5) * (0.6 + 0.4 * dice.random())
        net = household_w(dice, when, True) - sun
        taken, given = (net, 0.0) if net > 0 else (0.0, -net)
        stamp = when.astimezone(HOME).isoformat(timespec="minutes")
        rows.append(f"{stamp};{taken / 1000:.3f};{given / 1000:.3f}".replace(".", ","))
    return "\n".join(["Interval start;Delivered (kWh);Received (kWh)", *rows]) + "\n"


def feed_of_hours() -> str:
    """A Green Button feed of hours over 62 days of winter: 6.0 kWh on 22 December at 18:00, the hour after it 3.6 kWh."""
    dice = random.Random(29)
    placed = {local("2025-12-22T18:00"): 6000, local("2025-12-22T19:00"): 3600}
    readings = [
        (int(when.timestamp()), placed.get(when, round(min(household_w(dice, when, False), 3400))))
        for when in moments("2025-12-01T00:00", "2026-02-01T00:00", 3600)
    ]
    total = sum(value for _, value in readings)
    start, count = readings[0][0], len(readings)
    parts = [
        _entry(
            "UsagePoint/1",
            ["UsagePoint/1/MeterReading", "LocalTimeParameters/1"],
            "<ServiceCategory><kind>0</kind></ServiceCategory>",
            "UsagePoint",
        ),
        _entry(
            "LocalTimeParameters/1",
            [],
            "<dstEndRule>B40E2000</dstEndRule><dstOffset>3600</dstOffset><dstStartRule>360E2000</dstStartRule><tzOffset>-25200</tzOffset>",
            "LocalTimeParameters",
        ),
        _entry("UsagePoint/1/MeterReading/1", ["UsagePoint/1/MeterReading/1/IntervalBlock", "ReadingType/1"], "", "MeterReading"),
        _entry(
            "ReadingType/1",
            [],
            "<accumulationBehaviour>4</accumulationBehaviour><commodity>1</commodity><dataQualifier>12</dataQualifier>"
            "<flowDirection>1</flowDirection><intervalLength>3600</intervalLength><kind>12</kind><phase>769</phase>"
            "<powerOfTenMultiplier>0</powerOfTenMultiplier><uom>72</uom>",
            "ReadingType",
        ),
    ]
    for day in range(0, count, 24):
        block = readings[day : day + 24]
        inner = f"<interval><duration>{3600 * len(block)}</duration><start>{block[0][0]}</start></interval>" + "".join(
            f"<IntervalReading><timePeriod><duration>3600</duration><start>{at}</start></timePeriod><value>{value}</value></IntervalReading>"
            for at, value in block
        )
        parts.append(_entry(f"UsagePoint/1/MeterReading/1/IntervalBlock/{day // 24 + 1}", [], inner, "IntervalBlock"))
    summary = (
        f"<billingPeriod><duration>{3600 * count}</duration><start>{start}</start></billingPeriod><overallConsumptionLastPeriod>"
        f"<powerOfTenMultiplier>0</powerOfTenMultiplier><uom>72</uom><value>{total}</value></overallConsumptionLastPeriod>"
    )
    parts.append(_entry("UsagePoint/1/UsageSummary/1", [], summary, "UsageSummary"))
    head = f'<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="{ATOM}"><id>urn:uuid:7e5a0c1e-0000-4000-8000-000000000001</id>'
    return head + "<title>invented feed</title><updated>2026-02-01T07:00:00Z</updated>\n" + "\n".join(parts) + "\n</feed>\n"


def _entry(self: str, related: list[str], inner: str, kind: str) -> str:
    up = self.rpartition("/")[0]
    links = f'<link rel="self" href="{self}"/><link rel="up" href="{up}"/>' + "".join(
        f'<link rel="related" href="{one}"/>' for one in related
    )
    return f'<entry>{links}<content><{kind} xmlns="{ESPI}">{inner}</{kind}></content></entry>'


def year_of_hours() -> str:
    """A table of hours over 2025 for a home with gas heat and cooking: cooling in summer, laundry in the evening."""
    dice = random.Random(37)
    rows = []
    for when in moments("2025-01-01T00:00", "2026-01-01T00:00", 3600):
        watts = household_w(dice, when, True) + (260 if when.astimezone(HOME).hour in (19, 20) else 0) * (dice.random() < 0.5)
        rows.append(f"{when.astimezone(HOME).isoformat(timespec='minutes')},{watts / 1000:.3f}")
    return "\n".join(["Interval start,Usage (kWh)", *rows]) + "\n"


BUNGALOW_FIRST, BUNGALOW_LAST = "2025-04-01T00:00", "2026-04-01T00:00"
MINUTES_FIRST, MINUTES_LAST = "2026-01-12T00:00", "2026-01-22T00:00"


@functools.lru_cache(maxsize=1)
def bungalow_minutes() -> tuple[tuple[datetime.datetime, float, float], ...]:
    """A year of an invented bungalow by minute: start, current of leg A and of leg B [A].

    Range, dryer, hot tub and air conditioner stand on both legs, refrigerator and furnace fan on one each. On 17 January from 18:24
    to 18:34 the range, the dryer and the hot tub run at once: 61.5 A on leg B at 18:27.
    """
    dice, rows = random.Random(41), []
    day = datetime.date.fromisoformat(BUNGALOW_FIRST[:10])
    while day < datetime.date.fromisoformat(BUNGALOW_LAST[:10]):
        starts = list(moments(f"{day}T00:00", f"{day + datetime.timedelta(days=1)}T00:00", 60))
        legs = [[2.2 + 0.5 * dice.random() for _ in starts] for _ in "AB"]
        for first, minutes, both, one, leg in _runs_of_a_day(dice, day):
            for at in range(first, min(first + minutes, len(starts))):
                for side in (0, 1):
                    legs[side][at] += both + (one if side == leg else 0.0)
        rows += [(when, round(a, 1), round(b, 1)) for when, a, b in zip(starts, *legs, strict=True)]
        day += datetime.timedelta(days=1)
    return tuple(rows)


def _runs_of_a_day(dice: random.Random, day: datetime.date) -> Iterator[tuple[int, int, float, float, int]]:
    """What runs on a day: first minute, minutes, current on both legs, current on one leg more [A], which leg."""
    placed = day == datetime.date(2026, 1, 17)
    for first in range(dice.randrange(40), 1440, 48):
        yield first, 16, 0.0, 1.4, 1
    if day.month in (11, 12, 1, 2, 3):
        for first in range(dice.randrange(30), 1440, 36):
            yield first, 12, 0.0, 6.8, 0
    if day.month in (6, 7, 8, 9):
        for first in range(690 + dice.randrange(20), 1290, 26):
            yield first, 10 + dice.randrange(9), 17.4, 0.0, 0
    for first in (int(dice.gauss(425, 12)), int(dice.gauss(1090, 18))):
        yield first, 70, 0.0, 5.5, 0
        yield first + 10, 60, 0.0, 4.0, 1
    if day.weekday() in (1, 5):
        begin = 1085 if placed else 1130 + dice.randrange(50)
        for first in range(begin, begin + 42, 7):
            yield first, 5, 21.6, 0.0, 0
    begin = 1098 if placed else 1060 + dice.randrange(40)
    for first in range(begin, begin + 30, 3):
        yield first, 2, 12.4 if first < begin + 9 else 7.8, 0.0, 0
    for first in range(60 + dice.randrange(30), 1440, 260):
        if not (placed and first > 900):
            yield first, 11, 22.9, 0.0, 0
    if placed:
        yield 1104, 11, 22.9, 0.0, 0
    yield 1080, 270, 0.0, 2.6, 1


def minutes_of_two_legs() -> str:
    """A table of ten days by minute with the current of each leg, by the clock on the wall."""
    low, high = local(MINUTES_FIRST), local(MINUTES_LAST)
    rows = [f"{when.astimezone(HOME):%Y-%m-%d %H:%M},{a},{b}" for when, a, b in bungalow_minutes() if low <= when < high]
    return "\n".join(["time,A,B", *rows]) + "\n"


def hours_of_the_bungalow() -> str:
    """The same house over a year of hours, as a meter tells it."""
    sums: dict[datetime.datetime, float] = {}
    for when, a, b in bungalow_minutes():
        hour = when.replace(minute=0)
        sums[hour] = sums.get(hour, 0.0) + (a + b) * 120.0 / 60.0 / 1000.0
    rows = [f"{when.astimezone(HOME).isoformat(timespec='minutes')},{energy:.3f}" for when, energy in sums.items()]
    return "\n".join(["Interval start,Usage (kWh)", *rows]) + "\n"


FILES: dict[str, Callable[[], str]] = {
    "sedge-row-4-2025.csv": year_of_quarter_hours,
    "cattail-court-9-winter.xml": feed_of_hours,
    "bittern-road-15-june.csv": import_and_export,
    "bergamot-way-6-2025.csv": year_of_hours,
    "sedge-street-4-minutes.csv": minutes_of_two_legs,
    "sedge-street-4-hours.csv": hours_of_the_bungalow,
}
"""Every invented record by its file name."""


def write() -> None:
    """Write every file anew."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, make in FILES.items():
        (FOLDER / name).write_text(make(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write()
