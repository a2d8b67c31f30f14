"""Small invented homes for tests of the charging workbook: one or two chargers, a control of the service, records written beside them."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from workbook_lib import editions
from workbook_lib.home import read_home
from workbook_lib.sheet import Sheet
from workbook_lib.workbooks import charging_circuits, charging_code, charging_fleet, charging_results, common, ev_load_management
from workbook_lib.workbooks.charging_work import Work

MONDAY = "2026-01-12"
"""First day of the records: a Monday."""
CHARGER = {
    "rating": '"48 A"', "voltage": '"240 V"', "minimum_current": '"6 A"', "fallback_current": '"0 A"', "stops_after": '"0 s"',
    "connection": '"hard-wired"', "connected_to": '"evse-breaker"', "status": '"added"',
}  # fmt: skip
VEHICLE = {
    "need_per_night": '"300 kWh"', "arrive": '"18:00"', "depart": '"07:00"', "onboard_current": '"48 A"', "response": '"0 s"',
    "ramp_time": '"0 s"', "taper_energy": '"0 kWh"',
}  # fmt: skip
"""A vehicle that never has enough, and answers at once."""
CONTROL = {
    "listed_to": '["UL 916"]', "access": '"restricted"', "action": '"modulate"', "sample": '"1 s"', "sensor_delay": '"0 s"',
    "filter_time": '"0 s"', "response": '"0 s"', "raise_delay": '"0 s"', "minimum_off": '"0 s"', "minimum_on": '"0 s"',
    "dead_band": '"0 A"', "dead_band_on": '"raise"', "step": '"0 A"', "restart_spread": '"0 s"', "sharing": '"equal"',
    "allowed_time_above": '"30 s"',
}  # fmt: skip
"""A control without any delay of its own."""
HOME = """format = 1
load = [LOADS]
evse = [EVSES]
vehicle = [VEHICLES]
[site]
id = "small"
edition = "2023"
residential_code = "2021"
latitude = "35 deg"
longitude = "-106 deg"
time_zone = "America/Denver"
[study]
service_load_method = "optional-dwelling"
[dwelling]
floor_area = "1000 ft^2"
status = "existing"
small_appliance_circuits = 2
laundry_circuits = 1
DWELLING
[service]
system = "120/240 V 1-phase 3-wire"
rating = "100 A"
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
bus = "125 A"
main = "100 A"
breakers = [
  { id = "evse-breaker", rating = "60 A", poles = 2 }, { id = "second-breaker", rating = "60 A", poles = 2 },
  { id = "house", rating = "50 A", poles = 2 }, { id = "outlet", rating = "20 A", poles = 1, leg = "A" },
]
CONTROLS
"""


def row(base: Mapping[str, str], changes: Mapping[str, str | None] | None = None) -> dict[str, str]:
    """Fields of a row, some changed, those of None left out."""
    return {name: value for name, value in {**base, **(changes or {})}.items() if value is not None}


def inline(fields: Mapping[str, str]) -> str:
    return "{ " + ", ".join(f"{name} = {value}" for name, value in fields.items()) + " }"


def setting(amperes: float) -> str:
    """A limit of the service."""
    return f'{{ at = "service", way = "import", setting = "{amperes:g} A" }}'


def home(
    folder: Path, *, chargers: Mapping[str, Mapping] | None = None, vehicles: Mapping[str, Mapping] | None = None,
    control: Mapping[str, str | None] | None = None, limits: str = setting(80),
    records: str = "", loads: str = "", dwelling: str = "", more: str = "",
):  # fmt: skip
    """A home as read. Parameters: chargers and vehicles by the id of the charger, each with what differs from CHARGER and VEHICLE;
    what differs from CONTROL; its limits, none for no control; lines of [records]; rows of loads; lines of [dwelling]; more tables.
    """
    chargers = {"evse-1": {}} if chargers is None else chargers
    vehicles = dict.fromkeys(chargers, {}) if vehicles is None else vehicles
    evses = ", ".join(inline({"id": f'"{name}"', **row(CHARGER, one)}) for name, one in chargers.items())
    cars = ", ".join(inline({"evse": f'"{name}"', **row(VEHICLE, one)}) for name, one in vehicles.items())
    held = ", ".join(f'"{name}"' for name in chargers)
    fields = {"id": '"limiter"', "controls": f"[{held}]", "limit": f"[{limits}]", **row(CONTROL, control)}
    controls = "[[control]]\n" + "\n".join(f"{name} = {value}" for name, value in fields.items()) if limits else ""
    text = HOME.replace("LOADS", loads).replace("EVSES", evses).replace("VEHICLES", cars).replace("DWELLING", dwelling)
    text = text.replace("CONTROLS", f"{controls}\n{more}" + ("\n[records]\n" + records if records else ""))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "small.toml"
    path.write_text(text, encoding="utf-8")
    return read_home(path)


def study(one, *, whole: bool = False) -> Sheet:
    """The sheet of a home; `whole` with inverses, tables and figures."""
    make = ev_load_management.study if whole else ev_load_management.verdict_study
    return make(one, editions.load(one.edition_year))


def answers(one) -> tuple[Work, charging_results.Answers]:
    """The runs behind the sheet of a home."""
    work = Work(one, common.local_edition(one, editions.load(one.edition_year)))
    charging_circuits.all_circuits(work)
    charging_code.code_load(work)
    made = charging_fleet.fleet(work)
    return work, charging_results.answers(work, *ev_load_management._houses(work), made)


# records


def constant(days: int, amperes: float) -> np.ndarray:
    """A house by minute."""
    return np.full(days * 1440, float(amperes))


def minute(day: int, clock: str) -> int:
    """A minute of the record, from the midnight at which it begins."""
    hours, minutes = clock.split(":")
    return day * 1440 + int(hours) * 60 + int(minutes)


def stamps(count: int, step_s: int, first: str = MONDAY) -> list[str]:
    """Beginnings of intervals by standard time."""
    begin = datetime.datetime.fromisoformat(first)
    return [f"{(begin + datetime.timedelta(seconds=step_s * place)).isoformat(timespec='seconds')}-07:00" for place in range(count)]


def write(path: Path, times: list[str], columns: Mapping[str, np.ndarray]) -> None:
    """A table of readings."""
    rows = [",".join(("time", *columns))]
    rows += [",".join((when, *(f"{value:.6f}" for value in values))) for when, *values in zip(times, *columns.values(), strict=True)]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def fast(folder: Path, house: np.ndarray, *, first: str = MONDAY, without: tuple[int, int] = (0, 0), name: str = "fast_load") -> str:
    """A record of minutes by leg, leg B at half of leg A [A]; minutes left out. Returns: its line of [records]."""
    times = stamps(len(house), 60, first)
    keep = [place for place in range(len(house)) if not without[0] <= place < without[1]]
    write(folder / "minutes.csv", [times[place] for place in keep], {"A": house[keep], "B": house[keep] / 2})
    said = 'register = "delivered", time_column = "time", leg_columns = ["A", "B"], unit = "A", interval = "1 min", stamp = "start"'
    return f'{name} = {{ file = "minutes.csv", {said} }}\n'


def slow(
    folder: Path, amperes: np.ndarray, step_s: int, *, first: str = MONDAY, factor: str = ", power_factor = 1.0", name: str = "load"
) -> str:
    """A record of one total, the current at 240 V in each interval [A]. Returns: its line of [records]."""
    kwh = amperes * 0.24 * step_s / 3600
    write(folder / "total.csv", stamps(len(kwh), step_s, first), {"kwh": kwh})
    said = 'register = "delivered", time_column = "time", value_column = "kwh", unit = "kWh", stamp = "start"'
    return f'{name} = {{ file = "total.csv", {said}, interval = "{step_s // 60} min"{factor} }}\n'


# what tests of the runs compute with

NIGHT_MIN = 779
"""Minutes of a night from 18:00 to 07:00 in which a vehicle can draw: the first is that of the command."""
T0 = (20 * 60 + 7 - 12 * 60 + 120) * 60
"""Second of a night, which begins at noon after two hours of warming up, at which the house steps."""
TWO = {"evse-1": {"rating": '"32 A"'}, "evse-2": {"rating": '"32 A"', "connected_to": '"second-breaker"'}}
CARS = {"evse-1": {}, "evse-2": {"arrive": '"17:00"'}}
"""Two chargers on circuits of their own, and their vehicles: the second comes an hour before the first."""


def number(sheet, key: str) -> float:
    return sheet.results[key].value


def verdict(sheet, key: str) -> str:
    return str(sheet.check(key).verdict)


def kwh(amperes: float, minutes_: float) -> float:
    return amperes * 240.0 * minutes_ / 60.0 / 1000.0


def stepped(after: float = 60.0, days: int = 3, day: int = 1, long: int = 20) -> np.ndarray:
    """A house of 20 A that steps at 20:07 of a day for some minutes."""
    house = constant(days, 20.0)
    at = minute(day, "20:07")
    house[at : at + long] = after
    return house


def table(sheet, heading: str):
    return next(part.table for part in sheet.sections if part.heading == heading)
