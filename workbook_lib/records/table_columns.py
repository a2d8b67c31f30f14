"""Which column of a table is what: times, values, quality, unit, channel; recognised by words and contents, or declared."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from dataclasses import dataclass, field

from workbook_lib.records import table_stamps as stamps
from workbook_lib.records import table_values as values
from workbook_lib.records.table_shape import BLANK_WORDS, NUMBER, Table
from workbook_lib.records.table_talk import Talk

REGISTERS = ("delivered", "received", "net", "total", "gross")
SAMPLE = 240
"""Cells of a column that its kind is told from."""

_STARTS = {"start", "starts", "starting", "begin", "begins", "beginning", "from", "hb"}
_ENDS = {"end", "ends", "ending", "ended", "to", "through", "until", "he"}
_TIME_WORDS = {"time", "date", "datetime", "timestamp", "interval", "hour", "day", "read", "reading", "usage"}
_NEVER = {"cost", "costs", "price", "rate", "charge", "charges", "amount", "bill", "temp", "temperature", "tier", "usd", "currency"}
_NEVER |= {"weather", "humidity", "voltage", "volts", "frequency", "tariff", "account", "meter", "month", "row", "index"}
_NEVER |= {"cumulative", "register", "pf", "kvar", "kvarh", "gas", "water", "id", "number", "multiplier", "year", "weekday"}
_RECEIVED = {"received", "export", "exported", "exports", "surplus", "outflow", "injected", "injection", "excess"}
_DELIVERED = {"delivered", "import", "imported", "imports", "inflow", "withdrawn"}
_USE = {"usage", "consumption", "consumed", "energy", "demand", "load", "use", "used", "power", "kwh", "kw", "wh", "value"}
_QUALITY = {"quality", "status", "flag", "flags", "estimated", "estimation", "validity"}
_CHANNEL = {"channel", "direction", "meter", "register", "flow", "type", "service", "commodity", "account", "esiid", "premise"}
_UNIT = {"unit", "units", "uom"}


@dataclass
class Roles:
    """Index of each column that is used. `date` stands for the only time column too; `clock` a time of day, `hour` a number of the hour."""

    date: int | None = None
    clock: int | None = None
    end_date: int | None = None
    end_clock: int | None = None
    hour: int | None = None
    value: int | None = None
    received: int | None = None
    legs: tuple[int, ...] = ()
    quality: int | None = None
    unit: int | None = None
    channel: tuple[int, ...] = ()
    register: str = "delivered"
    minus: bool = False
    kinds: tuple[str, ...] = field(default=())

    def times(self) -> list[int]:
        """Columns of times and hours."""
        return [k for k in (self.date, self.clock, self.end_date, self.end_clock, self.hour) if k is not None]

    def amounts(self) -> list[int]:
        """Columns of numbers that are read."""
        return [k for k in (*self.legs, *(() if self.legs else (self.value,)), self.received) if k is not None]


def words(header: str) -> list[str]:
    """Words of a header in small letters, also of joinedWords and joined_words."""
    return [word.lower() for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+", header)]


def sense(header: str) -> str | None:
    """Which end of the interval a header says its times are; None where it says nothing or both."""
    said = set(words(header))
    joined = "".join(words(header))
    start = bool(said & _STARTS) or "starttime" in joined or "startdate" in joined
    end = bool(said & _ENDS) or "endtime" in joined or "enddate" in joined
    return "start" if start and not end else "end" if end and not start else None


def kinds(table: Table) -> tuple[str, ...]:
    """Kind of each column by its contents: stamp, date, time, number, text or blank."""
    return tuple(_kind(column) for column in table.columns)


def _kind(column: list[str]) -> str:
    step = max(1, len(column) // SAMPLE)
    cells = [cell for cell in column[::step] if cell.lower() not in BLANK_WORDS]
    if not cells:
        cells = [cell for cell in column if cell.lower() not in BLANK_WORDS][:SAMPLE]
    if not cells:
        return "blank"
    names = {stamps.STAMP: "stamp", stamps.INSTANT: "stamp", stamps.DATE: "date", stamps.TIME: "time"}
    seen = [names.get(stamps.kind_of(cell), "number" if NUMBER.fullmatch(cell) else "text") for cell in cells]
    while len(seen) > 1 and seen[-1] == "text" and set(seen) != {"text"}:
        seen.pop()
    kind, count = Counter(seen).most_common(1)[0]
    return kind if count * 10 >= 7 * len(seen) else "text"


def find(table: Table, name: str, field_: str, talk: Talk) -> int | None:
    """Index of a column that the site file names; a fault where it is not there or not alone."""
    exact = [k for k, header in enumerate(table.headers) if header == name or table.label(k) == name]
    alike = exact or [k for k, header in enumerate(table.headers) if header.lower() == name.strip().lower()]
    place = re.fullmatch(r"column (\d+)", name.strip().lower())
    if not alike and place and 1 <= int(place.group(1)) <= len(table.headers):
        alike = [int(place.group(1)) - 1]
    if len(alike) == 1:
        return alike[0]
    near = difflib.get_close_matches(name, [header for header in table.headers if header], 1, 0.5)
    todo = f"did you mean {near[0]!r}?" if near else "name one of the headers"
    if alike:
        talk.fault(field_, "two columns have this name", repr(name), table.labels(), 'say "column N"', table.header_line)
    else:
        talk.fault(field_, "there is no such column", repr(name), table.labels(), todo, table.header_line)
    return None


def choose(table: Table, talk: Talk) -> Roles:
    """The role of each column. Returns: Roles. Notes faults, questions and decisions."""
    roles = Roles(kinds=kinds(table))
    if talk.declared.first_start is None:
        _times(table, roles, talk)
    _marks(table, roles)
    _values(table, roles, talk)
    return roles


def _times(table: Table, roles: Roles, talk: Talk) -> None:
    declared = talk.declared.time_column
    by_kind = {kind: [k for k, one in enumerate(roles.kinds) if one == kind] for kind in ("stamp", "date", "time", "number")}
    if declared is not None:
        roles.date = find(table, declared, "time_column", talk)
        if roles.date is None:
            return
        talk.decide(f"time column {table.label(roles.date)!r}", talk.given("time_column"))
        if roles.kinds[roles.date] == "time" and len(by_kind["date"]) == 1:
            roles.clock, roles.date = roles.date, by_kind["date"][0]
        elif roles.kinds[roles.date] == "date":
            _time_of_day(table, roles, by_kind, talk)
        return
    whole = by_kind["stamp"] or by_kind["date"]
    by_sense = {way: [k for k in whole if sense(table.headers[k]) == way] for way in ("start", "end")}
    if len(whole) == 1:
        roles.date = whole[0]
    elif len(by_sense["start"]) == 1 and len(by_sense["end"]) == 1:
        roles.date, roles.end_date = by_sense["start"][0], by_sense["end"][0]
    elif not whole:
        talk.fault("file", "no column of times was found", "", table.labels(), "name it in time_column, or give first_start and interval")
        return
    else:
        talk.ask("time_column", f"columns of times: {', '.join(repr(table.label(k)) for k in whole)}")
        return
    if not by_kind["stamp"]:
        _time_of_day(table, roles, by_kind, talk)
    used = ", ".join(repr(table.label(k)) for k in roles.times())
    talk.decide(f"times from {used}", "the only columns that hold dates and times")


def _time_of_day(table: Table, roles: Roles, by_kind: dict, talk: Talk) -> None:
    """The column or columns of the time of day beside a column of dates."""
    clocks = by_kind["time"]
    hours = [k for k in by_kind["number"] if _is_hour(table, k)]
    if not clocks and not hours:
        hours = [k for k in by_kind["number"] if _is_hhmm(table, k)]
    if len(clocks) == 1:
        roles.clock = clocks[0]
    elif len(clocks) >= 2:
        start = [k for k in clocks if sense(table.headers[k]) == "start"]
        end = [k for k in clocks if sense(table.headers[k]) == "end"]
        if len(start) == 1 and len(end) == 1:
            roles.clock, roles.end_clock = start[0], end[0]
        else:
            talk.ask("time_column", f"columns of times: {', '.join(repr(table.label(k)) for k in clocks)}")
    elif len(hours) == 1:
        roles.hour = hours[0]
    elif hours:
        talk.ask("time_column", f"columns of hours: {', '.join(repr(table.label(k)) for k in hours)}")


def _is_hour(table: Table, index: int) -> bool:
    said = words(table.headers[index])
    named = bool({"hour", "hr", "he", "hb", "hours", "hourending"} & set(said)) or "hourending" in "".join(said)
    return named and all(re.fullmatch(r"\d{1,2}(\.0*)?", cell) and float(cell) <= 25 for cell in table.columns[index][:SAMPLE] if cell)


def _is_hhmm(table: Table, index: int) -> bool:
    cells = [cell for cell in table.columns[index][:SAMPLE] if cell]
    return "time" in words(table.headers[index]) and all(re.fullmatch(r"([01]\d|2[0-4])[0-5]\d", cell) for cell in cells)


def _marks(table: Table, roles: Roles) -> None:
    """Quality, unit and channel columns."""
    taken = set(roles.times())
    for k, header in enumerate(table.headers):
        said = set(words(header))
        if k in taken or roles.kinds[k] in ("stamp", "date", "blank"):
            continue
        distinct = {cell for cell in table.columns[k] if cell}
        if roles.unit is None and distinct and (said & _UNIT or header == "") and all(values.unit_key(cell) for cell in distinct):
            roles.unit = k
        elif len(distinct) <= 30 and (said & _QUALITY or {"read", "type"} <= said or {"reading", "type"} <= said):
            roles.quality = k if roles.quality is None and roles.kinds[k] == "text" else roles.quality
        elif said & _CHANNEL and 1 <= len(distinct) <= 30 and len(distinct) < len(table):
            if all(values.quality_code(cell) is not None for cell in distinct) and roles.quality is None and roles.kinds[k] == "text":
                roles.quality = k
            elif not (values.header_units(header) and roles.kinds[k] == "number"):
                roles.channel += (k,)


def direction(header: str) -> str | None:
    """Register that a header names; None where it names none."""
    said = words(header)
    text = " ".join(said)
    if "net" in said:
        return "net"
    back = bool(set(said) & _RECEIVED) or "to grid" in text or "from customer" in text or "from home" in text or "by utility" in text
    taken = bool(set(said) & _DELIVERED) or "from grid" in text or "to customer" in text or "to home" in text or "by customer" in text
    if back and {"received", "delivered"} <= set(said):
        return None
    if taken and not (back and not set(said) & _DELIVERED):
        return "delivered"
    return "received" if back else None


def candidates(table: Table, roles: Roles) -> dict[int, str | None]:
    """Columns that can be the values, each with the register that its header names."""
    taken = {*roles.times(), roles.quality, roles.unit, *roles.channel}
    found, others, blank = {}, [], []
    for k, header in enumerate(table.headers):
        if k in taken or roles.kinds[k] not in ("number", "blank"):
            continue
        said = set(words(header))
        units = values.header_units(header) | values.header_units(table.units[k])
        known = bool(units) or bool(said & _USE) or direction(header) is not None
        strange = said & _NEVER and not (
            units and not said & {"cost", "price", "charge", "rate", "cumulative", "register", "kvar", "kvarh"}
        )
        if strange or "$" in header or "read" in said and "reading" not in said and not units or other_unit(header, table.units[k]):
            continue
        if roles.kinds[k] == "blank":
            blank += [k] if known else []
        elif known:
            found[k] = direction(header)
        else:
            others.append(k)
    if not found and not others:
        return {k: direction(table.headers[k]) for k in blank}
    if not found and len(others) == 1:
        return {others[0]: None}
    return found


def other_unit(header: str, unit: str) -> bool:
    """Whether brackets or the units row name a unit that is none of energy, power or current."""
    inside = [*re.findall(r"[(\[]([^)\]]*)[)\]]", header), *([unit] if unit else [])]
    strange = {
        "v",
        "volts",
        "hz",
        "f",
        "c",
        "°f",
        "°c",
        "degf",
        "degc",
        "$",
        "usd",
        "therms",
        "therm",
        "ccf",
        "gal",
        "kvar",
        "kvarh",
        "var",
        "%",
    }
    return any(part.strip().strip("()[]").lower() in strange for part in inside)


def _values(table: Table, roles: Roles, talk: Talk) -> None:
    declared = talk.declared
    register = talk.chosen("register", REGISTERS)
    if declared.leg_columns:
        if len(declared.leg_columns) != 2:
            talk.fault(
                "leg_columns", "legs of a 120/240 V service", str(len(declared.leg_columns)), "two columns", "name the column of each leg"
            )
            return
        legs = [find(table, name, "leg_columns", talk) for name in declared.leg_columns]
        if None not in legs:
            roles.legs = tuple(legs)
            if legs[0] == legs[1]:
                talk.fault("leg_columns", "one column for both legs", repr(declared.leg_columns[0]), "two columns", "name each leg's own")
        talk.decide(f"legs {' and '.join(map(repr, declared.leg_columns))}", talk.given("leg_columns"))
        roles.register = register or "delivered"
        return
    found = candidates(table, roles)
    if declared.value_column is not None:
        roles.value = find(table, declared.value_column, "value_column", talk)
        if roles.value is None:
            return
        said = direction(table.headers[roles.value])
        talk.decide(f"values from {table.label(roles.value)!r}", talk.given("value_column"))
        roles.register = register or said or "delivered"
        if said and register in ("delivered", "received") and said != register:
            todo = "name the column of that register, or correct register"
            talk.fault("register", "the header names another register", f"{table.label(roles.value)!r}", register, todo, table.header_line)
        elif register is None:
            _say_register(roles, said, talk)
    else:
        _recognise(table, roles, found, register, talk)
    _received(table, roles, found, register, talk)


def _say_register(roles: Roles, said: str | None, talk: Talk) -> None:
    why = "the header says so" if said else "no header names a direction; site file silent"
    talk.decide(f"register {roles.register}", why)


def _recognise(table: Table, roles: Roles, found: dict[int, str | None], register: str | None, talk: Talk) -> None:
    """The value column where it is not declared."""

    def names(indexes) -> str:
        return ", ".join(repr(table.label(k)) for k in indexes)

    if not found:
        talk.ask("value_column", f"no column is plainly the usage; the columns are {table.labels()}")
        return
    sides = {side: [k for k, said in found.items() if said == side] for side in ("delivered", "received", "net", None)}
    plain = sides["delivered"] or sides[None]
    choice = register
    if register is None:
        kept = [side for side, indexes in (("delivered", plain), ("received", sides["received"]), ("net", sides["net"])) if indexes]
        if len(kept) > 1:
            talk.ask("register", f"columns {names(found)}: {' | '.join((*kept, *(['net'] if 'net' not in kept else [])))}")
            choice = kept[0]
        else:
            choice = kept[0]
    if choice == "net" and not sides["net"] and sides["delivered"] and sides["received"]:
        pool, roles.minus = sides["delivered"], True
    else:
        pool = {"net": sides["net"] or sides[None], "received": sides["received"] or sides[None]}.get(choice, plain)
    if choice == "gross" and not sides[None]:
        pool = []
    if len(pool) != 1:
        reason = f"columns that can be meant: {names(pool)}" if pool else f"no column is named as {choice}"
        talk.ask("value_column", f"{reason}; the columns are {table.labels()}")
        return
    roles.value, roles.register = pool[0], choice
    talk.decide(f"values from {table.label(pool[0])!r}", "the only column whose header can mean them")
    if register is None and "register" not in talk.asks:
        _say_register(roles, found[pool[0]], talk)
    elif register is not None:
        talk.decide(f"register {register}", talk.given("register"))


def _one_side(table: Table, roles: Roles) -> bool:
    """Whether net is asked for and the value column holds what was delivered only."""
    return roles.register == "net" and roles.value is not None and direction(table.headers[roles.value]) == "delivered"


def _received(table: Table, roles: Roles, found: dict[int, str | None], register: str | None, talk: Talk) -> None:
    """The column of the reverse direction: declared, or the only one named so."""
    name = talk.declared.received_column
    if name is not None:
        roles.received = find(table, name, "received_column", talk)
        if roles.received is not None and roles.received == roles.value:
            talk.fault(
                "received_column", "the same column as the values", repr(name), "another column", "name the column of what was received"
            )
        talk.decide(f"received from {name!r}", talk.given("received_column"))
        roles.minus = roles.register == "net" and roles.value is not None and direction(table.headers[roles.value]) != "net"
    elif roles.register == "delivered" or roles.minus or _one_side(table, roles):
        roles.minus = roles.minus or _one_side(table, roles)
        back = [k for k, said in found.items() if said == "received" and k != roles.value]
        if len(back) == 1:
            roles.received = back[0]
            talk.decide(f"received from {table.label(back[0])!r}", "the only column whose header can mean it")
        elif back:
            talk.ask("received_column", f"columns of what was received: {', '.join(repr(table.label(k)) for k in back)}")
        elif roles.minus:
            talk.ask(
                "received_column", f"net needs what was received beside {table.label(roles.value)!r}; the columns are {table.labels()}"
            )
    if roles.minus:
        talk.decide("net is delivered less received, row by row", "the file has both apart" if register is None else talk.given("register"))
