"""Times of a table: order of day and month, length of the interval, which end the stamps mark, and the clock."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from workbook_lib.records import table_columns as columns
from workbook_lib.records import table_stamps as stamps
from workbook_lib.records.clock import Clock, fixed
from workbook_lib.records.reading import clock_named
from workbook_lib.records.table_clock import Stamped, first_utc, to_utc, wall_text
from workbook_lib.records.table_columns import Roles
from workbook_lib.records.table_shape import Table
from workbook_lib.records.table_stamps import NO_OFFSET, Scan
from workbook_lib.records.table_talk import Talk

DAY_S = 86400
ORDERS = {"mdy": "month, day, year", "dmy": "day, month, year", "ymd": "year, month, day"}


@dataclass
class Walls:
    """Stamps of the readings as written.

    `label` on the wall [s]; `utc` and `offset_s` [s] where offsets say it; `end` on the wall [s] and `end_utc` [s] where
    the file has both; `late` whether 24:00 stands among them; `dates` whether they are dates without a time of day.
    """

    label: np.ndarray
    utc: np.ndarray | None
    offset_s: np.ndarray | None
    end: np.ndarray | None
    end_utc: np.ndarray | None
    late: bool
    dates: bool


@dataclass
class Times:
    """Starts [s, UTC], lengths [s], which rows stay, and the clock."""

    start: np.ndarray
    length: np.ndarray
    keep: np.ndarray
    clock: Clock


def scan_times(table: Table, roles: Roles) -> tuple[dict[int, Scan], np.ndarray | None]:
    """The columns of times in their parts, and the numbers of the hours where a column has them."""
    scans = {k: stamps.scan(table.columns[k]) for k in roles.times() if k != roles.hour}
    if roles.hour is None:
        return scans, None
    if any(len(cell.split(".")[0]) == 4 for cell in table.columns[roles.hour][:50]):
        hours = [f"{cell[:2]}:{cell[2:]}" if len(cell) == 4 and cell.isdigit() else "?" for cell in table.columns[roles.hour]]
        scans[roles.hour], roles.clock, roles.hour = stamps.scan(hours), roles.hour, None
        return scans, None
    numbers = np.full(len(table), np.nan)
    for k, cell in enumerate(table.columns[roles.hour]):
        whole = cell.split(".")[0]
        if whole.isdigit() and whole.isascii() and len(whole) <= 2 and int(whole) <= 24 and not cell.partition(".")[2].strip("0"):
            numbers[k] = int(whole)
    return scans, numbers


def read_walls(table: Table, roles: Roles, scans: dict[int, Scan], hours: np.ndarray | None, keep: np.ndarray, talk: Talk) -> Walls | None:
    """Stamps of the kept rows on the wall. None where the order of day and month is not known."""
    rows = np.flatnonzero(keep)
    date = _part(scans[roles.date], rows)
    ends = _part(scans[roles.end_date], rows) if roles.end_date is not None else None
    order = _order([scan for scan in (date, ends) if scan is not None], roles, scans, rows, hours, talk)
    if order is None:
        return None
    days, fine = date.days(order)
    fine = fine | (date.kind == stamps.INSTANT)
    found = [(table.lines[row], table.columns[roles.date][row]) for row in rows[~fine]]
    talk.many("time_column", f"a date that is none in the order {ORDERS[order]}", found, ORDERS[order], "correct the rows, or date_order")
    clock = _part(scans[roles.clock], rows) if roles.clock is not None else None
    tod = _time_of_day(date, clock, hours[rows] if hours is not None else None)
    label = days * DAY_S + tod
    after = _midnight_last(days, tod) if hours is None else np.zeros(len(tod), bool)
    if after.any():
        label = label + np.where(after, DAY_S, 0)
        talk.decide(f"{int(after.sum())} stamps of 00:00 are the end of their day", "they stand after the other times of the same date")
    late = bool((tod == DAY_S).any() or after.any()) and hours is None
    utc = offset = None
    offset, utc = _offsets(date, label, table.lines[rows], talk)
    if utc is not None:
        label = utc + np.where(date.kind == stamps.INSTANT, 0, offset)
    end = end_utc = None
    if ends is not None:
        end_clock = _part(scans[roles.end_clock], rows) if roles.end_clock is not None else clock if roles.clock is None else None
        end = ends.days(order)[0] * DAY_S + _time_of_day(ends, end_clock, None)
        _, end_utc = _offsets(ends, end, table.lines[rows], talk)
        end = end_utc + label - utc if end_utc is not None and utc is not None else end
    elif roles.end_clock is not None:
        end = days * DAY_S + _part(scans[roles.end_clock], rows).tod_s
        end = np.where(end < label, end + DAY_S, end)
    words = frozenset().union(*(scan.words for scan in scans.values())) - {"Z", "UTC", "GMT"}
    if words:
        talk.decide(f"time zone words {', '.join(sorted(words))} read as US zones", "the words in the stamps")
    dates = clock is None and hours is None and bool((date.kind == stamps.DATE).all())
    if not dates and clock is None and hours is None and (date.kind == stamps.DATE).any():
        talk.decide("dates without a time of day are midnight", "the other stamps of the column have a time of day")
    return Walls(label, utc, offset, end, end_utc, late, dates)


def _midnight_last(days: np.ndarray, tod: np.ndarray) -> np.ndarray:
    """Which stamps of 00:00 close their day: where they stand after its other times on every day but a few."""
    none = np.zeros(len(tod), bool)
    if len(tod) < 3 or not (tod == 0).any():
        return none
    closing = none.copy()
    closing[1:] = (tod[1:] == 0) & (days[1:] == days[:-1]) & (tod[:-1] >= DAY_S // 2)
    opening = none.copy()
    opening[:-1] = (tod[:-1] == 0) & (days[1:] == days[:-1]) & (tod[1:] > 0) & (tod[1:] < DAY_S // 2)
    ascending = int((np.diff(days) > 0).sum()) >= int((np.diff(days) < 0).sum())
    enough = closing.sum() * 2 >= len(np.unique(days))
    return closing if ascending and enough and not (opening & ~closing).any() else none


def _part(scan: Scan, rows: np.ndarray) -> Scan:
    names = ("kind", "parts", "form", "tod_s", "offset_s", "instant")
    return Scan(*(getattr(scan, name)[rows] for name in names), scan.words)


def _time_of_day(date: Scan, clock: Scan | None, hours: np.ndarray | None) -> np.ndarray:
    if hours is not None:
        return (hours * 3600).astype(np.int64)
    return clock.tod_s if clock is not None else np.maximum(date.tod_s, 0)


def _offsets(date: Scan, label: np.ndarray, lines: np.ndarray, talk: Talk) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Offsets [s] and UTC [s] of stamps that carry them; None where none does. A fault where only some do."""
    instant, given = date.kind == stamps.INSTANT, date.offset_s != NO_OFFSET
    known = instant | given
    if not known.any():
        return None, None
    if not known.all() or (instant.any() and given.any()):
        other = np.flatnonzero(~known) if not known.all() else np.flatnonzero(given)
        limit = "an offset, or seconds since 1970, in every stamp or in none"
        talk.fault("time_column", "stamps of two kinds", f"{other.size} of {len(known)}", limit, "make them alike", int(lines[other[0]]))
    offset = np.where(given, date.offset_s, 0)
    return offset, np.where(instant, date.instant, label - offset)


def _order(dates: list[Scan], roles: Roles, scans: dict, rows: np.ndarray, hours: np.ndarray | None, talk: Talk) -> str | None:
    """Order of day, month and year; None where it must be asked or rows allow none."""
    declared = talk.chosen("date_order", tuple(ORDERS))
    forms = np.concatenate([scan.form for scan in dates])
    if not (forms >= stamps.OPEN).any():
        return "mdy"
    if declared is not None:
        talk.decide(f"dates are {ORDERS[declared]}", talk.given("date_order"))
        return declared
    tried = ["mdy", "dmy", *(["ymd"] if (forms == stamps.OPEN_SHORT).any() else [])]
    fits = {order: sum(int(scan.days(order)[1].sum()) for scan in dates) for order in tried}
    best = [order for order in tried if fits[order] == max(fits.values())]
    if len(best) == 1 and fits[best[0]] == len(forms):
        talk.decide(f"dates are {ORDERS[best[0]]}", "a part above 12, or a day that there is not, rules the other orders out")
        return best[0]
    if len(best) == 1 or fits[best[0]] < len(forms):
        if len(best) == 1 and fits[best[0]] >= 0.9 * len(forms):
            return best[0]
        shown = ", ".join(f"{fits[order]} as {ORDERS[order]}" for order in tried)
        talk.fault("date_order", "dates in two orders", f"of {len(forms)} dates {shown}", "one order", "correct the dates")
        return None
    clock = _part(scans[roles.clock], rows) if roles.clock is not None else None
    tod = _time_of_day(dates[0], clock, hours[rows] if hours is not None else None)
    walls = {order: dates[0].days(order)[0] * DAY_S + tod for order in best}
    if all((walls[order] == walls[best[0]]).all() for order in best):
        return best[0]
    steady = [order for order in best if _steady(walls[order])]
    if len(steady) == 1:
        talk.decide(f"dates are {ORDERS[steady[0]]}", "only in this order do the stamps follow each other in equal steps")
        return steady[0]
    shown = " or ".join(f'"{order}" ({wall_text(walls[order][0])} first)' for order in best)
    talk.ask("date_order", f"no part of the dates rules an order out: {shown}")
    return None


def _steady(wall: np.ndarray) -> bool:
    """Whether stamps follow each other in equal steps (an hour more or less at a clock change), or month by month."""
    if len(wall) < 4:
        return True
    steps = np.diff(wall)
    usual = Counter(steps.tolist()).most_common(1)[0][0]
    if usual != 0 and bool(((steps == usual) | (np.abs(steps - usual) == 3600)).all()):
        return True
    days = (wall // DAY_S).astype("datetime64[D]")
    months = days.astype("datetime64[M]")
    of_month = (days - months.astype("datetime64[D]")).astype(np.int64)
    later = np.diff(months.astype(np.int64))
    return bool((of_month == of_month[0]).all() and ((later > 0).all() or (later < 0).all()))


def which_end(table: Table, roles: Roles, walls: Walls | None, hours: np.ndarray | None, talk: Talk) -> str | None:
    """Which end of the interval the stamps mark: start, end, or both where the file has two; None where it must be asked."""
    declared = talk.chosen("stamp", ("start", "end"))
    if roles.end_date is not None or roles.end_clock is not None:
        talk.decide("each row has its start and its end", "the file has a column for each")
        return "both"
    if declared is not None:
        talk.decide(f"stamps at the {declared}", talk.given("stamp"))
        return declared
    place = roles.hour if roles.hour is not None else roles.clock
    headers = [table.headers[k] for k in (place, roles.date) if k is not None]
    said = {way for way in map(columns.sense, headers) if way}
    if len(said) == 1:
        way = next(iter(said))
        if walls is None or not (walls.late and way == "start"):
            talk.decide(f"stamps at the {way}", f"the header {' / '.join(map(repr, headers))} says so")
            return way
    if hours is not None and not said:
        seen = hours[~np.isnan(hours)]
        if (seen == 24).any() != (seen == 0).any():
            way = "end" if (seen == 24).any() else "start"
            talk.decide(
                f"hours are numbered by their {way}",
                "24 stands among them and 0 does not" if way == "end" else "0 stands among them, not 24",
            )
            return way
    if not said and walls is not None and walls.late:
        talk.decide("stamps at the end", "24:00 stands among them")
        return "end"
    if not said and walls is not None and walls.dates and _whole_days(walls.label):
        talk.decide("a date is the day that it names", "dates without a time of day, a day apart")
        return "start"
    talk.ask("stamp", f'whether {" / ".join(map(repr, headers))} is the start or the end of the interval: "start" or "end"')
    return None


def _whole_days(label: np.ndarray) -> bool:
    steps = np.diff(np.unique(label))
    return bool(steps.size) and int(steps.min()) == DAY_S


def step_of(walls: Walls, clock: Clock | None, talk: Talk) -> int | None:
    """Length of the interval [s] from stamps on one end; None where it must be asked."""
    declared = declared_step(talk)
    steps = np.diff(np.unique(walls.label if walls.utc is None else walls.utc))
    if walls.utc is not None and clock is not None and steps.size and steps.min() >= DAY_S - 3600 and np.unique(steps).size > 1:
        steps = np.diff(np.unique(clock.local(walls.utc)))  # days by the wall are 23, 24 or 25 hours long
    if not steps.size:
        if declared is None:
            talk.ask("interval", "one stamp alone does not say how long the interval is")
        return declared
    usual, count = Counter(steps.tolist()).most_common(1)[0]
    least = int(steps.min())
    if declared is not None:
        wrong = least < declared and not (least % 3600 == 0 and least >= DAY_S - 3600 and declared == DAY_S)
        if wrong or (usual != declared and (steps.size > 2 or usual % declared)):
            shown = f"stamps {least} s apart" if wrong else f"stamps mostly {usual} s apart ({count} of {steps.size})"
            talk.fault("interval", "the file has another interval", shown, f"{declared} s declared", "correct interval, or the file")
            return None
        talk.decide(f"interval {declared} s", talk.given("interval"))
        return declared
    if steps.size == 1:
        talk.ask("interval", f"two stamps, {usual} s apart, do not say whether rows between them are missing")
        return None
    if least == usual and count * 2 > steps.size:
        talk.decide(f"interval {usual} s", f"the step of {count} of {steps.size} stamps, and none is shorter")
        return int(usual)
    shown = ", ".join(f"{step} s ({number})" for step, number in Counter(steps.tolist()).most_common(4))
    talk.ask("interval", f"steps between stamps: {shown}")
    return None


def declared_step(talk: Talk) -> int | None:
    """The declared interval [s]; a fault where it is no whole number of seconds."""
    given = talk.declared.interval_s
    if given is None:
        return None
    if not np.isfinite(given) or given < 1 or given != int(given):
        talk.fault("interval", "no length of an interval", f"{given} s", "whole seconds, 1 or more", "correct it")
        return None
    return int(given)


def choose_clock(walls: Walls | None, site_clock: Clock | None, talk: Talk) -> Clock | None:
    """The clock of the stamps: declared, the home's, or a fixed offset that all stamps carry; None where it must be asked."""
    name = talk.declared.clock
    offsets = walls is not None and walls.utc is not None
    if name is not None:
        try:
            clock = clock_named("utc" if name.strip().lower() == "utc" else name.strip())
        except (KeyError, ValueError, OSError):
            talk.fault(
                "clock", "a time zone that is not known", name, 'a zone such as "America/Denver", "Etc/GMT+7" or "utc"', "correct it"
            )
            return None
        talk.decide(f"clock {clock.name}", talk.given("clock"))
    elif site_clock is not None:
        clock = site_clock
        talk.decide(f"clock {clock.name}", "the home's time zone")
    elif offsets and len(set(walls.offset_s.tolist())) == 1:
        clock = fixed(int(walls.offset_s[0]))
    else:
        talk.ask("clock", 'the time zone of the stamps, such as "America/Denver", "Etc/GMT+7" for standard time all year, or "utc"')
        return None
    if offsets:
        talk.decide("moments by the offsets of the stamps", "each stamp says its own, or is seconds since 1970 in UTC")
    return clock


def settle_times(
    walls: Walls, way: str, step_s: int | None, clock: Clock, lines: np.ndarray, blank: np.ndarray, zero: np.ndarray, talk: Talk
) -> Times:
    """Stamps put into UTC. Parameters: step [s], None with both ends. Returns: Times. Errors: InputFault, by the clock."""
    if way == "both":
        return _both(walls, clock, lines, blank, zero, talk)
    length = np.full(len(walls.label), step_s, dtype=np.int64)
    if walls.utc is None:
        rows = Stamped(walls.label, length, way == "end", lines, blank, zero)
        return Times(*to_utc(rows, clock, talk), clock)
    start = walls.utc
    if step_s % DAY_S == 0 and bool((np.diff(np.sort(walls.utc)) != step_s).any()):
        local = clock.local(walls.utc)
        start = first_utc(local - step_s, clock) if way == "end" else start
        length = (walls.utc if way == "end" else first_utc(local + step_s, clock)) - start
    elif way == "end":
        start = walls.utc - length
    return Times(start, length, np.ones(len(start), bool), clock)


def _both(walls: Walls, clock: Clock, lines: np.ndarray, blank: np.ndarray, zero: np.ndarray, talk: Talk) -> Times:
    wall_length = walls.end - walls.label
    if walls.utc is not None and walls.end_utc is not None:
        wall_length = walls.end_utc - walls.utc
    usual = Counter(wall_length.tolist()).most_common(1)[0][0]
    added = _last_minute(walls.label, usual)
    if added:
        wall_length = wall_length + added
        usual += added
        talk.decide(f"interval {usual} s", f"ends are written {added} s before the next start: the last minute or second of the interval")
    about = first_utc(walls.label, clock)
    change = (clock.offset(about - 3 * 3600) != clock.offset(about + 3 * 3600)) & (walls.utc is None) & (wall_length > -3600)
    wrong = (wall_length <= 0) & ~(change & (0 < usual <= 3600))
    found = [(lines[k], f"{wall_text(walls.label[k])} to {wall_text(walls.end[k])}") for k in np.flatnonzero(wrong)]
    talk.many("time_column", "an end that is not after its start", found, "end after start", "correct the rows, or name the right columns")
    declared = declared_step(talk)
    if declared is not None and usual != declared:
        talk.fault(
            "interval", "the file has another interval", f"{usual} s from start to end", f"{declared} s declared", "correct interval"
        )
    talk.tell()
    if walls.utc is not None:
        return Times(walls.utc, wall_length, np.ones(len(lines), bool), clock)
    nominal = np.where(np.abs(wall_length - usual) == 3600, usual, wall_length)
    start, _, keep = to_utc(Stamped(walls.label, np.minimum(nominal, 3600), False, lines, blank, zero), clock, talk)
    length = nominal.copy()
    long = nominal > 3600
    length[long] = first_utc(walls.label + nominal, clock)[long] - start[long]
    odd = np.flatnonzero((wall_length != nominal) & (clock.offset(start) == clock.offset(start + nominal)))
    length[odd] = wall_length[odd]
    return Times(start, length, keep, clock)


def _last_minute(label: np.ndarray, usual: int) -> int:
    """Seconds by which ends fall short of the next start, where they are written as the last minute or second of the interval; else 0."""
    steps = np.diff(np.unique(label))
    if not steps.size:
        return 0
    step = Counter(steps.tolist()).most_common(1)[0][0]
    return step - usual if step - usual in (1, 60) else 0


def without_dates(count: int, site_clock: Clock | None, talk: Talk) -> Times | None:
    """Times of a file without dates: rows in order from the declared first start on. None where something must be asked."""
    import datetime

    step, clock = declared_step(talk), choose_clock(None, site_clock, talk)
    if talk.declared.interval_s is None:
        talk.ask("interval", "a file without dates does not say how long its intervals are")
    try:
        first = datetime.datetime.fromisoformat(talk.declared.first_start.strip())
    except ValueError:
        limit = "a local time such as 2016-07-31T23:00"
        talk.fault("first_start", "a time that cannot be read", talk.declared.first_start, limit, "correct it")
        return None
    if not stamps.FIRST_YEAR <= first.year <= stamps.LAST_YEAR:
        talk.fault("first_start", "a year in which no meter read", str(first.year), "1990 to 2099", "correct it")
    if step is None or clock is None or talk.faults:
        return None
    if first.tzinfo is not None:
        begin = int(first.timestamp())
    else:
        moments = clock.utc(int(first.replace(tzinfo=datetime.UTC).timestamp()))
        if len(moments) != 1:
            todo = "give it with its offset from UTC, such as 2025-11-02T01:00-07:00"
            value = f"{talk.declared.first_start} comes {'twice' if moments else 'never'} on this clock"
            talk.fault("first_start", "no single moment", value, "a time that the clock shows once", todo)
            return None
        begin = moments[0]
    why = f"{talk.given('first_start')}; gaps, order and coverage cannot show in a file without dates"
    talk.decide(f"{count} rows in order from {clock.text(begin)} on, each {step} s", why)
    start = begin + step * np.arange(count, dtype=np.int64)
    return Times(start, np.full(count, step, dtype=np.int64), np.ones(count, bool), clock)
