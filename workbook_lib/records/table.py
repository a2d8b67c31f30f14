"""Tables of interval readings: what the file says is recognised, what it leaves open is asked, nothing is guessed."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np

from workbook_lib.records import table_columns as columns
from workbook_lib.records import table_times as times
from workbook_lib.records import table_values as values
from workbook_lib.records.clock import Clock
from workbook_lib.records.record import NOT_STATED, Declared, Progress, Record, Summary
from workbook_lib.records.table_columns import Roles
from workbook_lib.records.table_rows import one_channel, readable, sort_rows, untimed_rows
from workbook_lib.records.table_shape import Table, load_text, read_shape
from workbook_lib.records.table_talk import Talk
from workbook_lib.records.table_times import Times
from workbook_lib.records.table_values import Numbers
from workbook_lib.records.table_wide import as_rows

RISING_ROWS = 48
"""From so many rows on [count], values that never fall and rise nearly always are a meter's register."""
RISING_FRAC = 0.9
"""Part of the steps that rise in such a column [frac]."""


def read_table(path: Path, shown: str, declared: Declared, site_clock: Clock | None, progress: Progress | None = None) -> Record:
    """The record in a table file.

    Parameters: path; its name as faults show it; what the site file says of it; the home's clock; progress [-].
    Returns: Record in the order of the file, with what was decided and what was left out. Errors: InputFault
    with every fault found; MissingInput with every field that the site file must say.
    """
    tell = progress or (lambda part: None)
    talk = Talk(shown, declared)
    text = load_text(path, talk)
    tell(0.1)
    table = as_rows(read_shape(text, talk), talk)
    del text
    if not len(table):
        talk.stop("file", "no readings", "a header and no rows below it", "one row or more", "get the file again", table.header_line)
    tell(0.3)
    roles = columns.choose(table, talk)
    if talk.faults and ((declared.first_start is None and roles.date is None) or not roles.amounts()):
        talk.tell()
    record = _read(table, roles, site_clock, talk, tell)
    tell(1.0)
    return record


def _read(table: Table, roles: Roles, site_clock: Clock | None, talk: Talk, tell: Progress) -> Record:
    dated = talk.declared.first_start is None
    if dated and roles.date is None:
        _ask_the_rest(table, roles, site_clock, talk)
    scans, hours = times.scan_times(table, roles) if dated else ({}, None)
    timed = readable(roles, scans, hours, len(table)) if dated else untimed_rows(table, roles)
    if dated and not timed.any():
        sample = ", ".join(repr(table.columns[k][0]) for k in roles.times())
        talk.stop("time_column", "no row has a time that can be read", sample, "ISO, or month, day and year by figures", "name the column")
    tell(0.5)
    rows = sort_rows(table, roles, timed, talk)
    keep, channel = one_channel(table, roles, rows.keep, talk)
    if not keep.any():
        talk.stop("file", "no readings", f"{len(table)} rows, none with a time and a value", "one row or more", "get the file again")
    unit = _unit(table, roles, keep, talk)
    numbers = _numbers(table, roles, keep, talk)
    _unused(table, roles, talk)
    walls = times.read_walls(table, roles, scans, hours, keep, talk) if dated else None
    clock = times.choose_clock(walls, site_clock, talk) if dated else None
    lines = table.lines[keep]
    blank = np.any([one.blank for one in numbers.values()], axis=0) if numbers else np.zeros(int(keep.sum()), bool)
    zero = np.all([one.values == 0 for one in numbers.values()], axis=0) if numbers else np.zeros(int(keep.sum()), bool)
    found: Times | None = None
    if dated:
        way = times.which_end(table, roles, walls, hours[keep] if hours is not None else None, talk)
        step = times.step_of(walls, clock, talk) if walls is not None and way != "both" else None
        if not talk.faults and walls is not None and way is not None and clock is not None and (way == "both" or step is not None):
            found = times.settle_times(walls, way, step, clock, lines, blank, zero, talk)
    else:
        found = times.without_dates(int(keep.sum()), site_clock, talk)
    tell(0.8)
    _multiplier(talk)
    talk.tell()
    return _record(table, roles, keep, rows.whole, channel, unit, numbers, found, talk)


def _ask_the_rest(table: Table, roles: Roles, site_clock: Clock | None, talk: Talk) -> None:
    """Questions that stand beside the open time column. Errors: MissingInput with all of them."""
    keep = np.ones(len(table), bool)
    _unit(table, roles, keep, talk)
    times.choose_clock(None, site_clock, talk)
    values.decimal_sign([table.columns[k] for k in roles.amounts()], talk)
    talk.tell()


def _unit(table: Table, roles: Roles, keep: np.ndarray, talk: Talk) -> dict[int, str]:
    """Unit of each column of values. Notes faults where units mix or contradict, and asks where there is none."""
    declared = None
    if talk.declared.unit is not None:
        declared = values.unit_key(talk.declared.unit)
        if declared is None:
            talk.fault("unit", "a unit that is not known", repr(talk.declared.unit), ", ".join(values.WRITTEN.values()), "correct it")
            return {}
    stated: set[str] = set()
    if roles.unit is not None:
        rows = np.flatnonzero(keep).tolist()
        counts = Counter(values.WRITTEN[key] for k in rows if (key := values.unit_key(table.columns[roles.unit][k])))
        stated = {values.unit_key(word) for word in counts}
        if len(counts) > 1:
            shown = ", ".join(f"{word} in {count} rows" for word, count in counts.items())
            talk.fault("unit", "mixed units", shown, "one unit in all rows", "keep the rows of one unit, or give two files")
            return {}
    found = {}
    for index in roles.amounts():
        here = values.header_units(table.headers[index]) | values.header_units(f"({table.units[index]})") | stated
        if not here and columns.other_unit(table.headers[index], table.units[index]):
            value = " ".join(filter(None, (table.label(index), table.units[index])))
            limit = ", ".join(values.WRITTEN.values())
            talk.fault("unit", "the column is no energy, power or current", value, limit, "name another column", table.header_line)
        elif len(here) > 1:
            shown = ", ".join(sorted(values.WRITTEN[key] for key in here))
            talk.fault(
                "unit", f"mixed units of {table.label(index)!r}", shown, "one unit", "correct the headers or the units", table.header_line
            )
        elif declared is not None and here and declared not in here:
            value = f"{values.WRITTEN[next(iter(here))]} of {table.label(index)!r}, {values.WRITTEN[declared]} declared"
            talk.fault("unit", "the file has another unit", value, "the same unit", "correct unit, or the file", table.header_line)
        elif here or declared:
            found[index] = next(iter(here)) if here else declared
            why = "header, units row or units column" if here else talk.given("unit")
            talk.decide(f"{table.label(index)!r} in {values.WRITTEN[found[index]]}", why)
        else:
            words = ", ".join(values.WRITTEN.values())
            talk.ask("unit", f"neither header, units row nor units column says the unit of {table.label(index)!r}: {words}")
    if len({values.UNITS[key][::2] for key in found.values()}) > 1:
        shown = ", ".join(f"{values.WRITTEN[key]} of {table.label(index)!r}" for index, key in found.items())
        talk.fault("unit", "mixed units", shown, "energy in all columns, or power in all", "name other columns")
    return found


def _numbers(table: Table, roles: Roles, keep: np.ndarray, talk: Talk) -> dict[int, Numbers]:
    """Numbers of the kept rows of each column of values."""
    kept = np.flatnonzero(keep).tolist()
    whole = len(kept) == len(table)
    cells = {k: table.columns[k] if whole else [table.columns[k][row] for row in kept] for k in roles.amounts()}
    decimal = values.decimal_sign(list(cells.values()), talk)
    found, lines = {}, table.lines[keep]
    for index, column in cells.items():
        found[index] = values.read_numbers(column, decimal)
        if "decimal" in talk.asks:
            continue
        bad = [(lines[k], f"{column[k][:40]!r} in {table.label(index)!r}") for k in found[index].bad]
        limit = f"a finite number with a decimal {decimal}, or blank"
        talk.many("value_column", "a number that cannot be read", bad, limit, "correct the rows, or say decimal")
        if index == roles.value and talk.declared.value_column is None and _rises(found[index].values):
            value = f"{table.label(index)!r} never falls in {len(column)} rows"
            todo = "give the use of each interval, or name the column in value_column if this is it"
            talk.fault(
                "value_column", "values that only rise: a meter's register, not the use of an interval", value, "use by interval", todo
            )
    return found


def _rises(numbers: np.ndarray) -> bool:
    steps = np.diff(numbers[~np.isnan(numbers)])
    return len(steps) >= RISING_ROWS and bool((steps >= 0).all()) and int((steps > 0).sum()) >= RISING_FRAC * len(steps)


def _multiplier(talk: Talk) -> None:
    given = talk.declared.multiplier
    if given is not None and not (np.isfinite(given) and given > 0):
        talk.fault("multiplier", "no multiplier", str(given), "a number above zero", "correct it")
    elif given is not None:
        talk.decide(f"values times {given:g}", talk.given("multiplier"))


def _record(
    table: Table,
    roles: Roles,
    keep: np.ndarray,
    whole: tuple[int, str] | None,
    channel: str,
    unit: dict[int, str],
    numbers: dict[int, Numbers],
    found: Times,
    talk: Talk,
) -> Record:
    """Put the parts together. Errors: InputFault where no reading is left."""
    multiplier = 1.0 if talk.declared.multiplier is None else talk.declared.multiplier
    blank = np.any([one.blank for one in numbers.values()], axis=0)
    both = np.all([one.blank for one in numbers.values()], axis=0)
    talk.drop("reading without a value, a gap", int((both & found.keep).sum()))
    talk.drop("reading with one of its values missing, a gap", int((blank & ~both & found.keep).sum()))
    stay = found.keep & ~blank
    if not stay.any():
        talk.stop(
            "file", "no readings", f"{len(stay)} rows, none with a value", "one value or more", "name another column, or get the file again"
        )
    length = found.length[stay]
    if (length <= 0).any():
        line = int(table.lines[keep][stay][int(np.argmin(length))])
        talk.stop("time_column", "an interval without length", f"{int(length.min())} s", "1 s or more", "correct start and end", line)
    quality = _quality(table, roles, keep, talk)
    amounts = {}
    for index, one in numbers.items():
        _, factor, amount = values.UNITS[unit[index]]
        hours = 1.0 if amount else length / 3600.0
        amounts[index] = one.values[stay] * (factor * multiplier) * hours
        if not np.isfinite(amounts[index]).all():
            talk.stop(
                "value_column", "values too large to be readings", table.label(index), "finite numbers", "look at unit and multiplier"
            )
    name, _, energy = values.UNITS[next(iter(unit.values()))]
    amount, received, legs = _together(roles, amounts, name)
    talk.tell()
    return Record(
        found.start[stay],
        length,
        amount,
        quality[stay],
        name,
        found.clock,
        register=roles.register,
        legs=legs,
        received=received,
        channel=channel,
        decisions=tuple(talk.decisions),
        dropped=tuple(talk.dropped.items()),
        summaries=_summaries(table, roles, whole, unit, multiplier, talk) if energy else (),
    )


def _together(roles: Roles, amounts: dict[int, np.ndarray], unit: str) -> tuple[np.ndarray, np.ndarray | None, dict[str, np.ndarray]]:
    """Amounts of the record, what was received beside them, and the legs."""
    if roles.legs:
        legs = dict(zip(("A", "B"), (amounts[index] for index in roles.legs), strict=True))
        return (np.maximum(legs["A"], legs["B"]) if unit == "Ah" else legs["A"] + legs["B"]), None, legs
    amount, received = amounts[roles.value], amounts.get(roles.received)
    if roles.minus and received is not None:
        return amount - received, None, {}
    return amount, received, {}


def _unused(table: Table, roles: Roles, talk: Talk) -> None:
    """Name the columns that nothing is read from: what they hold may bear on the record."""
    used = {*roles.times(), *roles.amounts(), *roles.channel, roles.quality, roles.unit}
    left = [table.label(k) for k in range(len(table.headers)) if k not in used]
    if left:
        talk.decide(
            f"columns not used: {', '.join(map(str, left[:12]))}{', ...' if len(left) > 12 else ''}",
            "no value is read from them; look whether they bear on the record",
        )


def _quality(table: Table, roles: Roles, keep: np.ndarray, talk: Talk) -> np.ndarray:
    """Quality codes of the kept rows; not stated where the file has no such column."""
    if roles.quality is None:
        return np.full(int(keep.sum()), NOT_STATED, dtype=np.int16)
    talk.decide(f"quality from {table.label(roles.quality)!r}", "its header and its words")
    return values.read_quality([table.columns[roles.quality][row] for row in np.flatnonzero(keep).tolist()], talk)


def _summaries(
    table: Table, roles: Roles, whole: tuple[int, str] | None, unit: dict[int, str], multiplier: float, talk: Talk
) -> tuple[Summary, ...]:
    """The total that the file states for the readings; none where it has none, or none in plain numbers."""
    if whole is None or (roles.legs and values.UNITS[unit[roles.legs[0]]][0] == "Ah"):
        return ()
    row, label = whole
    decimal = "comma" if any(one.what == "decimal comma" for one in talk.decisions) else "point"
    total = 0.0
    for index in roles.legs or ((roles.value, roles.received) if roles.minus else (roles.value,)):
        number = values.read_numbers([table.columns[index][row]], decimal)
        if number.blank[0] or number.bad.size:
            return ()
        sign = -1.0 if index == roles.received else 1.0
        total += sign * float(number.values[0]) * values.UNITS[unit[index]][1] * multiplier
    return (Summary(total, values.UNITS[next(iter(unit.values()))][0], None, None, label),)
