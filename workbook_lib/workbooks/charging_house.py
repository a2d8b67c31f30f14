"""What the house takes beside its chargers, minute by minute on the heavier leg: from a meter record, or from declared loads.

A record of one minute or faster is taken as it is. A slower one is drawn finer by two plain shapes that keep the energy of every
interval: flat, and in blocks of the highest power that the loads can take together. Without a record only the loads that declare
a day's energy run, at their power, in their hours.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace

from workbook_lib.errors import CalculationFault, Fault, InputFault, MissingInput
from workbook_lib.sheet import Assumption
from workbook_lib.workbooks import backup_record, metered
from workbook_lib.workbooks.charging_work import Work
from workbook_lib.workbooks.prepare import text

MINUTE_S, DAY_S = 60, 86400
YEAR_DAYS = 365
STEPS_S = (60, 120, 180, 240, 300, 360, 600, 720, 900, 1200, 1800, 3600)
"""Steps in which a record is laid out [s]."""
SEEDS = (0, 1, 2)
"""Seeds of the shapes in blocks: a band, not one line."""
ONE_LEG_V = 150.0
APART = 1.5
"""Two records of one house whose averages over the same days are this many times apart do not agree [-]."""
NATIVE_COUNT = 5_000_000
"""Most readings of a record faster than a minute that are followed: the last of them."""
ORDINARY_YEAR = "2023-01-01"
"""First day where no record gives dates."""


@dataclass(frozen=True, eq=False)
class House:
    """House current of the heavier leg by minute, without the chargers.

    `shapes_a` one array of shape (n,) for each shape [A], the first the record itself or its flat shape; `names` of them; `first` its
    first day; `fine` whether it is a record of one minute or faster; `open` what of it is not known, in words; `words` where it is from;
    `known` False where there is none and the chargers alone are followed; `begin_s` [s UTC] and `standard_s` [s east] of a record;
    `native_a` a record faster than a minute as it is, in steps of `native_s` [s]; `field` of the site file that it comes from; `zone` of
    the clock on the wall, empty where times are standard time.
    """

    shapes_a: tuple
    names: tuple[str, ...]
    first: object
    fine: bool
    open: tuple[str, ...]
    words: str
    known: bool = True
    begin_s: int | None = None
    standard_s: int = 0
    native_a: object = None
    native_s: int = MINUTE_S
    field: str = "records.load.file"
    zone: str = ""

    def dates(self):
        """Its days, shape (days,)."""
        import numpy as np

        return np.datetime64(self.first, "D") + np.arange(self.days)

    def summer_minutes(self, number):
        """Minutes by which the clock on the wall is ahead of standard time on days of these numbers; none where no zone is known."""
        import datetime
        import zoneinfo

        import numpy as np

        if not self.zone or self.zone == "utc":
            return np.zeros(len(number), dtype=np.int64)
        zone, first = zoneinfo.ZoneInfo(self.zone), datetime.datetime.fromisoformat(f"{self.first}T12:00:00")
        ahead = [(first + datetime.timedelta(days=int(day))).replace(tzinfo=zone).dst() for day in number]
        return np.array([int(one.total_seconds()) // MINUTE_S if one is not None else 0 for one in ahead])

    def at_seconds(self, shape: int, low: int, high: int):
        """Current at every second between two minutes, shape ((high - low) 60,) [A]."""
        import numpy as np

        if self.native_a is None:
            return np.repeat(self.shapes_a[shape][low:high], MINUTE_S)
        each = MINUTE_S // self.native_s
        return np.repeat(self.native_a[low * each : high * each], self.native_s)

    def highest(self, shape: int):
        """Highest current of each minute, shape (n,) [A]."""
        if self.native_a is None:
            return self.shapes_a[shape]
        return self.native_a.reshape(-1, MINUTE_S // self.native_s).max(axis=1)

    def times(self, factor: float) -> House:
        """The same house with every current multiplied."""
        native = None if self.native_a is None else self.native_a * factor
        return replace(self, shapes_a=tuple(shape * factor for shape in self.shapes_a), native_a=native)

    def hours(self):
        """Its hours as steps of a year, to lay weather on."""
        from workbook_lib.simulate import steps

        if self.begin_s is None:
            return steps.undated(3600)
        return steps.dated(self.begin_s, self.standard_s, 3600, self.days * DAY_S // 3600)

    @property
    def days(self) -> int:
        """Whole days."""
        return len(self.shapes_a[0]) * MINUTE_S // DAY_S

    def weekdays(self):
        """Day of the week of each day, Monday 0, shape (days,)."""
        import numpy as np

        first = int(np.datetime64(self.first, "D").astype(np.int64))
        return (first + 3 + np.arange(self.days)) % 7


@dataclass
class Found:
    """What is put together of one house: parts of it for flat and blocks, and what is open."""

    parts: list = field(default_factory=list)
    open: list[str] = field(default_factory=list)


TOO_SHORT = ("whole day", "never measured", "more than an hour")
"""Words of a record that is sound and holds too little."""


def house(work: Work, name: str | None, most_a: float | None = None) -> House:
    """The house by a record of the site file, or by declared loads where there is none.

    Parameters: name of the record under `records`, None for none; most_a the highest current inside an interval where another record
    says it [A]. Returns: House. Errors: MissingInput, InputFault of the record.
    """
    return _declared_house(work) if name is None else _recorded(work, name, most_a)


def record_names(work: Work) -> tuple[str | None, str | None]:
    """Which record the seconds and which the year is taken from: the fast one for seconds, the longer one for the year."""
    records = work.site.records
    if records is None:
        return None, None
    fast = "fast_load" if records.fast_load is not None else None
    slow = "load" if records.load is not None else None
    return fast or slow, slow or fast


# from a record


def _recorded(work: Work, name: str, most_a: float | None) -> House:
    import numpy as np

    given = getattr(work.site.records, name)
    record = metered.read(work.home, name)
    if record.register in ("received", "total"):
        raise MissingInput([f"records.{name}.register"], f"a {record.register} register does not say what the service carried")
    if record.unit == "Wh" and given.power_factor is None:
        raise MissingInput([f"records.{name}.power_factor"], "the record is in watts; amperes need its power factor")
    try:
        step, clock, legs, repaired, count, native = _laid_out(record)
    except CalculationFault as fault:
        if any(words in fault.what for words in TOO_SHORT):
            raise MissingInput([f"records.{name}.file"], f"{fault.what} ({fault.value}): a longer record is needed") from None
        file = (work.home.folder / given.file).as_posix()
        todo = fault.todo or "get a whole record"
        raise InputFault([Fault(file, f"records.{name}.file", fault.what, str(fault.value), fault.limit or "a day", todo)]) from None
    backup_record.checks(work, record, name, repaired, count)
    amperes, unsure = _amperes(work, record, name, legs)
    fastest = _amperes(work, record, name, native[1])[0] if native is not None else None
    if amperes.min() < 0.0:
        work.notes.append("steps in which the home gave back are taken as none: what it feeds back leaves no room that is counted on")
        amperes = np.maximum(amperes, 0.0)
        fastest = None if fastest is None else np.maximum(fastest, 0.0)
    extra, found = _added(work, len(amperes) * step // DAY_S)
    fine = step <= MINUTE_S
    open_ = [*unsure, *found.open, *_conditions(work)]
    shapes, names = _shapes(amperes, step, fine, open_, most_a if most_a is not None or fine else _most_a(work))
    if found.parts:
        shapes = tuple(shapes[min(place, len(shapes) - 1)] + more for place, more in enumerate(extra))
        names = tuple(f"{names[min(place, len(names) - 1)]}, with {', '.join(found.parts)}" for place in range(len(extra)))
        open_.append(f"{', '.join(found.parts)} is added by its declared energy, not measured")
        fastest = None
    _tell(work, name, record)
    words = f"the meter record {given.file}"
    made = House(shapes, names, clock[0], fine, tuple(dict.fromkeys(open_)), words, begin_s=clock[1], standard_s=clock[2])
    if fastest is not None:
        made = replace(made, native_a=fastest, native_s=native[0])
    return replace(made, field=f"records.{name}.file", zone=work.site.site.time_zone or "")


@functools.lru_cache(maxsize=4)
def _laid_out(record):
    """Step [s]; first day, its beginning and the clock [s UTC, s east]; rate of each leg, or of the whole under "", over whole days.

    Beside them the steps that were repaired and their number; of a record faster than a minute its own steps [s] and rates.
    """
    import numpy as np

    from workbook_lib.records import settle
    from workbook_lib.records.series import regular

    settled = settle(record)
    usual = float(np.median(settled.length))
    if usual > STEPS_S[-1]:
        raise CalculationFault("readings of more than an hour, which hold no whole day by the hour", value=f"{usual / 3600:g} h")
    step = next((size for size in STEPS_S if size >= usual), STEPS_S[-1])
    parts = {leg: replace(settled, amount=values, legs={}) for leg, values in settled.legs.items()} or {"": settled}
    legs, fast, repaired, clock = {}, {}, 0, None
    own = int(usual) if usual < MINUTE_S and usual == int(usual) and MINUTE_S % int(usual) == 0 else None
    for leg, part in parts.items():
        series = regular(part, step, repair=True).whole_days()
        days = min(len(series) * step // DAY_S, YEAR_DAYS)
        if own is not None:
            days = max(1, min(days, NATIVE_COUNT * own // DAY_S))
        series = series.part(len(series) - days * DAY_S // step, len(series))
        legs[leg], repaired = series.rate, max(repaired, series.repaired_count)
        first = np.datetime64(series.start + series.standard_s, "s").astype("datetime64[D]")
        clock = (str(first), int(series.start), int(series.standard_s))
        if own is not None:
            fast[leg] = _as_read(part, series, own)
    return step, clock, legs, repaired, len(next(iter(legs.values()))), (own, fast) if own is not None else None


def _as_read(record, series, own: int):
    """A record faster than a minute in its own steps; where a reading lacks or is marked, what the minute was filled with, or more."""
    import numpy as np

    from workbook_lib.records.marks import touched

    rates = np.repeat(series.rate, MINUTE_S // own)
    places, rest = np.divmod(record.start - series.start, own)
    fit = (rest == 0) & (record.length == own) & (places >= 0) & (places < len(rates))
    filled = rates.copy()
    rates[places[fit]] = record.rate[fit]
    marked = places[fit & touched(record.marks, record.start, record.end)]
    rates[marked] = np.maximum(rates[marked], filled[marked])
    return rates


def _amperes(work: Work, record, name: str, legs):
    """Current of the heavier leg at each step [A], and what of it is not known."""
    import numpy as np

    given = getattr(work.site.records, name)
    factor = given.power_factor.value if given.power_factor is not None else 1.0
    if record.unit == "Ah" and "" not in legs:
        return np.max(list(legs.values()), axis=0), _dead_legs(legs)
    if record.unit == "Ah":
        words = "one current is recorded: taken as that of the heavier leg"
        _take(work, f"records.{name}.leg_columns", words)
        return legs[""], ["whether the recorded current is that of the heavier leg is not known"]
    per_va = 1.0 / factor if record.unit == "Wh" else 1.0
    if "" not in legs:
        return np.max([values * per_va / 120.0 for values in legs.values()], axis=0), _dead_legs(legs)
    fraction = work.site.records.heavier_leg_fraction
    if fraction is not None:
        return legs[""] * per_va * fraction.value / 120.0, []
    words = "both legs are taken alike: the record does not part them, and records.heavier_leg_fraction is not given"
    _take(work, "records.heavier_leg_fraction", words)
    return legs[""] * per_va / 240.0, ["what the heavier leg carries is not known"]


def _dead_legs(legs) -> list[str]:
    """Legs that record nothing from end to end, in words."""
    return [f"leg {leg} records nothing from end to end" for leg, values in legs.items() if not values.any()]


def _conditions(work: Work) -> list[str]:
    """What of the record's circumstances leaves the load open, in words; what is not stated of them is an assumption."""
    records, found = work.site.records, []
    if text(records.generation) == "unrecorded":
        found.append("generation, storage or peak shaving while the record ran hides load (records.generation)")
    if records.occupied is not None and not records.occupied.value:
        found.append("the house was not lived in while the record ran (records.occupied)")
    missing = [text(one) for one in records.seasonal_missing or ()]
    if missing:
        found.append(f"{', '.join(missing)} did not run in the record (records.seasonal_missing)")
    silent = [name for name in ("generation", "occupied", "seasonal_missing") if getattr(records, name) is None]
    if silent:
        words = "not stated: taken as a house that was lived in, with all that runs, and nothing that hides load"
        _take(work, ", ".join(f"records.{name}" for name in silent), words)
    return found


def agreement(close: House, long: House) -> str:
    """How far two records of one house are apart over the days that both hold, in words; empty where they agree or do not meet."""
    if close.begin_s is None or long.begin_s is None:
        return ""
    shift = (close.begin_s - long.begin_s) // MINUTE_S
    low, high = max(shift, 0), min(shift + len(close.shapes_a[0]), len(long.shapes_a[0]))
    if high - low < DAY_S // MINUTE_S:
        return ""
    one, other = float(close.shapes_a[0][low - shift : high - shift].mean()), float(long.shapes_a[0][low:high].mean())
    if other <= 0.0 or not 1.0 / APART <= one / other <= APART:
        return f"the fast record and the longer one are {one:.2f} and {other:.2f} A on average over the same days"
    return ""


def _take(work: Work, path: str, words: str) -> None:
    if all((one.field, one.text) != (path, words) for one in work.assumptions):
        work.assumptions.append(Assumption(path, words))


def _shapes(amperes, step: int, fine: bool, open_: list[str], most: float | None) -> tuple[tuple, tuple[str, ...]]:
    """The record at steps of a minute: itself, or flat and in blocks."""
    from workbook_lib.simulate.fine_load import LABEL, blocks, flat

    energy = amperes * (step / 3600.0)
    plain = flat(energy, step, MINUTE_S)
    if fine:
        return (plain,), ("measured",)
    open_.append(f"the load within intervals of {step / 60:g} min is {LABEL}")
    base = float(amperes.min())
    if most is None or not base < most:
        return (plain,), ("flat",)
    drawn = [blocks(energy, step, MINUTE_S, base, most, seed) for seed in SEEDS]
    return (plain, *drawn), ("flat", *(f"in blocks of {most:.1f} A, seed {seed}" for seed in SEEDS))


def _most_a(work: Work) -> float:
    """Highest current that the house is drawn with inside an interval [A]: its calculated load without chargers and storage.

    Without a calculation what the service carries. Errors: MissingInput where neither is known.
    """
    from workbook_lib.workbooks import service_load

    known = work.calculation
    if known.chosen is not None:
        items = [item for item in known.scope.items if item.group not in ("evse", "storage") and item.status == "existing"]
        return service_load.chosen_total(known, items, "house").value / 240.0
    if work.limit is None:
        raise MissingInput(["service.rating"], "how much the house can take within an interval of its record")
    return work.limit.value


def _tell(work: Work, name: str, record) -> None:
    """What of the record was taken how, in words."""
    standing = [one.id for one in work.chargers if one.status == "existing"]
    if standing:
        words = f"{', '.join(standing)} charged while the record ran, or may have: it counts once in the record and once here"
        work.notes.append(f"{words}, on the safe side")
    gone = [one.id for table in ("load", "evse") for one in getattr(work.site, table) if one.status == "removed"]
    if gone:
        work.notes.append(f"{', '.join(gone)} is removed and may be in the record: nothing is taken out for it, on the safe side")
    if record.register == "net":
        work.notes.append("the record is what the home took less what it gave back: its own sun is in it as it was that year")
    if not work.site.site.time_zone:
        _take(work, "site.time_zone", "not given: clock times of vehicles are by standard time the whole year")


# declared loads


def _declared_house(work: Work) -> House:
    import numpy as np

    extra, found = _day_parts(work, [one for one in work.standing("load") if one.daily_energy is not None], YEAR_DAYS)
    always = work.site.dwelling.always_on_power
    if not found.parts and always is None:
        fields = ["records.load.file", "dwelling.always_on_power", *(f"load.{one.id}.daily_energy" for one in work.standing("load"))]
        raise MissingInput(fields, "what the house takes beside its chargers is neither metered nor declared: nothing is invented")
    base = always.value / 240.0 if always is not None else 0.0
    silent = [one.id for one in work.standing("load") if one.daily_energy is None]
    open_ = ["no meter record: only declared loads run, at declared hours", *found.open]
    if silent:
        work.notes.append(f"no energy of a day is declared for {', '.join(silent)}: not in the house load of the runs")
    if always is None:
        open_.append("what always runs is not declared")
    shapes = tuple(np.asarray(shape) + base for shape in extra)
    names = ("declared, spread over their hours", *(f"declared, at full power, seed {seed}" for seed in SEEDS))
    return House(shapes, names, ORDINARY_YEAR, False, tuple(open_), "declared loads")


def unknown_house() -> House:
    """A year in place of a house that nobody looks at: chargers that no control holds to the service do not turn on it."""
    import numpy as np

    shapes = (np.zeros(YEAR_DAYS * DAY_S // MINUTE_S),)
    open_ = ("what the house takes is not known",)
    return House(shapes, ("not known",), ORDINARY_YEAR, False, open_, "no record and no declared loads", known=False)


def _added(work: Work, days: int):
    """Loads that this work adds, on top of a record that could not see them."""
    added = [one for one in work.standing("load") if one.status == "added"]
    silent = [one.id for one in added if one.daily_energy is None]
    shapes, found = _day_parts(work, [one for one in added if one.daily_energy is not None], days)
    if silent:
        fields = ", ".join(f"load.{name}.daily_energy" for name in silent)
        found.open.append(f"{', '.join(silent)} is added and not in the record ({fields})")
    return shapes, found


def _day_parts(work: Work, loads, days: int) -> tuple[list, Found]:
    """Shapes of declared loads by minute over days, on the heavier leg [A]: spread over their hours, and at full power by seeds."""
    import numpy as np

    found = Found()
    legs = [np.zeros((2, days * DAY_S // MINUTE_S)) for _ in range(1 + len(SEEDS))]
    for place, one in enumerate(loads):
        power = _power_kw(one)
        amperes, sides = _sides(work, one, power)
        begin, length = _window(one)
        energy = one.daily_energy.value * one.count.value / power * amperes  # ampere-hours a day
        if energy > amperes * length / 3600.0 * (1 + 1e-9):
            words = f"{one.daily_energy.value:g} kWh a day are more than {power:g} kW give in {length / 3600:g} h"
            raise MissingInput([f"load.{one.id}.daily_energy"], words)
        found.parts.append(one.id)
        for shape, values in enumerate(_one_load(energy, amperes, begin, length, days, place)):
            for side in sides:
                legs[shape][side] += values
    return [np.max(pair, axis=0) for pair in legs], found


def _one_load(energy: float, amperes: float, begin: float, length: float, days: int, place: int) -> list:
    """One load by minute over days: flat over its hours, and in a block of its own current by seeds."""
    import numpy as np

    from workbook_lib.simulate.fine_load import blocks, flat

    length = int(length)
    each = np.full(days, energy)
    shapes = [flat(each, length, MINUTE_S)]
    shapes += [blocks(each, length, MINUTE_S, 0.0, amperes, 1000 * seed + place) for seed in SEEDS]
    made = []
    for shape in shapes:
        whole = np.zeros((days, DAY_S // MINUTE_S))
        whole[:, : length // MINUTE_S] = shape.reshape(days, -1)
        made.append(np.roll(whole.ravel(), int(begin) // MINUTE_S))
    return made


def _power_kw(one) -> float:
    """Power at which a declared load runs, all like units [kW]. Errors: MissingInput."""
    count = one.count.value
    if one.running_power is not None:
        return one.running_power.value / 1000.0 * count
    if one.rating is not None:
        return one.rating.value / 1000.0 * count
    if one.currents and one.voltage is not None:
        return sum(each.value for each in one.currents) * one.voltage.value / 1000.0 * count
    raise MissingInput([f"load.{one.id}.running_power"], "the power at which a declared load runs")


def _sides(work: Work, one, power_kw: float) -> tuple[float, tuple[int, ...]]:
    """Current of a declared load [A] and the legs that carry it; on an unknown leg both, on the safe side."""
    from workbook_lib.workbooks.prepare import leg_of

    if one.voltage is None or one.voltage.value > ONE_LEG_V:
        return power_kw * 1000.0 / 240.0, (0, 1)
    leg = leg_of(work.home, one)
    return power_kw * 1000.0 / 120.0, {"A": (0,), "B": (1,)}.get(leg, (0, 1))


def _window(one) -> tuple[float, float]:
    """Beginning and length of the hours of a declared load [s]; the whole day where it does not say."""
    if one.daily_from is None or one.daily_until is None:
        return 0.0, float(DAY_S)
    return one.daily_from.value, (one.daily_until.value - one.daily_from.value) % DAY_S or float(DAY_S)
