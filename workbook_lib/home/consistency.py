"""Contradictions inside a site file that a reader can judge without any code rule.

Each works on what could be read: `givens` holds the leaves that are sound, by key path, whatever
else is at fault. A main above its bus or a breaker too large is no contradiction but a rule's matter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from workbook_lib.home.defaults import LEG_VOLTAGE_LIMIT_V, rows, table, text, voltages
from workbook_lib.home.model import OPTIONS
from workbook_lib.home.moment import wall_s
from workbook_lib.home.raw import Raw, Table, show, suggest
from workbook_lib.home.references import Index
from workbook_lib.home.shapes import FaultBook
from workbook_lib.sheet import Input

Givens = Mapping[str, Input]


def check(index: Index, givens: Givens, book: FaultBook) -> None:
    """Note every contradiction in the book."""
    _poles(index, givens, book)
    _legs(index, givens, book)
    _spaces(index, givens, book)
    _chargers(index, givens, book)
    _inverters(index, book)
    _outputs(index, givens, book)
    _lugs(index, givens, book)
    _removed(index, book)
    _tiers(index, givens, book)
    _options(index, book)
    _islanding(index, book)
    _stores(index, givens, book)
    _outage_energy(index, givens, book)
    _settings(index, givens, book)
    _vehicles(index, givens, book)
    _daily(index, givens, book)
    _ranges(index, givens, book)


def _value(givens: Givens, row: Table, name: str) -> object:
    given = givens.get(f"{row.path}.{name}")
    return None if given is None else given.value


def _poles(index: Index, givens: Givens, book: FaultBook) -> None:
    known = voltages(index.tree)
    for row in (*rows(index.tree, "load"), *rows(index.tree, "evse")):
        breaker = index.things.get(text(row, "connected_to"))
        if breaker is None or breaker.kind != "breaker" or f"{row.path}.voltage" not in givens:
            continue
        poles, volts, place = _value(givens, breaker.table, "poles"), known[row.path], row["connected_to"]
        shown = f"{givens[f'{row.path}.voltage'].text} on {breaker.id} with {poles} pole{'s' if poles == 2 else ''}"
        if poles == 2 and volts <= LEG_VOLTAGE_LIMIT_V and not _value(givens, breaker.table, "multiwire"):
            limit = "one pole for 120 V, or two poles with multiwire = true"
            book.at(place, "a 120 V load on a two-pole breaker", shown, limit, "correct the voltage, the poles or the breaker named")
        elif poles == 1 and volts > LEG_VOLTAGE_LIMIT_V:
            book.at(
                place,
                "a 240 V load on a single-pole breaker",
                shown,
                "two poles for 240 V",
                "correct the voltage, the poles or the breaker named",
            )


def _legs(index: Index, givens: Givens, book: FaultBook) -> None:
    for panel in rows(index.tree, "panel"):
        for breaker in rows(panel, "breakers"):
            if _value(givens, breaker, "poles") == 2 and isinstance(breaker.get("leg"), Raw):
                limit = "leg only for a breaker with one pole"
                book.at(
                    breaker["leg"], "a two-pole breaker stands on both legs", show(breaker["leg"]), limit, "remove leg, or correct poles"
                )
    for row in (*rows(index.tree, "load"), *rows(index.tree, "evse")):
        volts = _value(givens, row, "voltage")
        if isinstance(row.get("leg"), Raw) and isinstance(volts, float) and volts > LEG_VOLTAGE_LIMIT_V:
            book.at(
                row["leg"],
                "a 240 V load stands on both legs",
                show(row["leg"]),
                "leg only for a 120 V load",
                "remove leg, or correct voltage",
            )


def _spaces(index: Index, givens: Givens, book: FaultBook) -> None:
    for panel in rows(index.tree, "panel"):
        spaces = _value(givens, panel, "spaces")
        if not isinstance(spaces, int):
            continue
        taken = 0.0
        for breaker in rows(panel, "breakers"):
            poles = _value(givens, breaker, "poles")
            if isinstance(poles, int) and text(breaker, "status") != "removed":
                taken += poles / 2 if _value(givens, breaker, "tandem") else poles
        if taken > spaces:
            todo = "correct spaces or the breakers; a tandem breaker is marked tandem = true"
            book.at(
                panel["spaces"], "its breakers take more spaces than there are", f"{taken:g} taken of {spaces}", f"at most {spaces}", todo
            )


def _chargers(index: Index, givens: Givens, book: FaultBook) -> None:
    words = {
        "setting": "set above its rating",
        "minimum_current": "least current above its rating",
        "fallback_current": "fallback above its rating",
    }
    for row in rows(index.tree, "evse"):
        rating = givens.get(f"{row.path}.rating")
        for name, what in words.items():
            given = givens.get(f"{row.path}.{name}")
            if rating is not None and given is not None and given.value > rating.value:
                book.at(row[name], what, given.text, f"at most its rating, {rating.text}", f"correct {name} or rating")


def _inverters(index: Index, book: FaultBook) -> None:
    for row in rows(index.tree, "storage"):
        source = index.things.get(text(row, "inverter"))
        if source is not None and source.kind == "source" and text(source.table, "kind") == "pv-inverter":
            limit = "a storage-inverter or multimode-inverter"
            book.at(
                row["inverter"],
                "storage behind a pv-inverter",
                f'"{source.id}"',
                limit,
                "name its own inverter, or correct that one's kind",
            )


ROUNDED_FRAC = 0.005
"""Part by which a data sheet's rounded current and power may part beside the last digits that are written."""


def _half_digit(given: Input) -> float:
    """Half of the last digit of a number as it is written, in the unit of its value."""
    found = re.match(r"\s*(\d+)(?:\.(\d+))?\s*(k?)", given.text)
    if found is None:
        return 0.0
    return 0.5 * 10.0 ** -len(found[2] or "") * (1000.0 if found[3] else 1.0)


def _outputs(index: Index, givens: Givens, book: FaultBook) -> None:
    """Output current, power and voltage of a source that contradict each other by more than rounding."""
    for row in rows(index.tree, "source"):
        current, power = givens.get(f"{row.path}.output_current"), givens.get(f"{row.path}.output_power")
        if current is None or power is None or not isinstance(current.value, float) or not isinstance(power.value, float):
            continue
        if row["output_current"].override or row["output_power"].override:
            continue  # a what-if changes one of them: the file's own pair was sound
        form = givens.get(f"{row.path}.island.form")
        volts = 120.0 if form is not None and form.value == "120" else 240.0
        slack = _half_digit(power) + volts * _half_digit(current) + ROUNDED_FRAC * power.value
        if abs(power.value - volts * current.value) > slack:
            shown = f"{current.text} and {power.text}"
            limit = f"about {volts * current.value / 1000:g} kW with {current.text} at {volts:g} V"
            todo = "correct the current or the power: both are those of one unit, at its rated output"
            book.at(row["output_power"], "output current, power and voltage disagree", shown, limit, todo)


def _lugs(index: Index, givens: Givens, book: FaultBook) -> None:
    for thing in index.things.values():
        if not thing.parent.endswith(":lugs") or thing.kind == "breaker":
            continue
        panel = index.things.get(thing.parent[:-5])
        if panel is not None and panel.kind == "panel" and _value(givens, panel.table, "feed_through") is False:
            limit = f"feed_through = true at {panel.id}"
            todo = "name its breaker, or correct feed_through of the panel"
            book.at(thing.table["connected_to"], "names lugs of a panel that has none", f'"{thing.parent}"', limit, todo)


def _removed(index: Index, book: FaultBook) -> None:
    for thing in index.things.values():
        if "connected_to" not in thing.table or text(thing.table, "status") == "removed":
            continue
        upstream = index.things.get(thing.parent.removesuffix(":lugs"))
        gone = upstream is not None and text(upstream.table, "status") == "removed"
        if upstream is not None and upstream.kind == "breaker" and not gone:
            panel = index.things.get(upstream.parent)
            gone = panel is not None and text(panel.table, "status") == "removed"
        if gone:
            limit = f'something that stays, or status = "removed" for {thing.id}'
            place = thing.table["connected_to"]
            book.at(
                place,
                f"{thing.id} stays, but what it is connected to is removed",
                f'"{thing.parent}"',
                limit,
                "name what feeds it after this work",
            )


def _tiers(index: Index, givens: Givens, book: FaultBook) -> None:
    backup = table(index.tree, "backup")
    seen: set[object] = set()
    for row in rows(backup, "tier") if backup is not None else ():
        tier, shed, restore = (_value(givens, row, name) for name in ("tier", "shed", "restore"))
        if tier is not None and tier in seen:
            book.at(row["tier"], "this tier stands twice", str(tier), "each tier once", "join the two rows")
        seen.add(tier)
        if isinstance(shed, float) and isinstance(restore, float) and restore < shed:
            book.at(
                row["restore"],
                "restored at a charge below that of shedding",
                f"{restore:g}",
                f"at least {shed:g}",
                "correct shed or restore",
            )
    for row in (*rows(index.tree, "load"), *rows(index.tree, "evse")):
        tier = _value(givens, row, "backup_tier")
        if seen and isinstance(tier, int) and tier > 1 and tier not in seen:
            known = ", ".join(str(one) for one in sorted(one for one in seen if isinstance(one, int)))
            todo = "correct the tier, or add its row under backup.tier"
            book.at(row["backup_tier"], "this tier has no levels of charge", str(tier), f"1, or one of {known}", todo)


def _options(index: Index, book: FaultBook) -> None:
    options = table(index.tree, "option")
    for name in options or ():
        if name not in OPTIONS:
            place = options[name]
            book.at(place, "unknown option", show(name), ", ".join(OPTIONS), suggest(name, OPTIONS, "write one of these"))


def _islanding(index: Index, book: FaultBook) -> None:
    backup = table(index.tree, "backup")
    if backup is None:
        return
    source = index.things.get(text(backup, "islanding"))
    if source is not None and source.kind == "source" and text(source.table, "kind") in ("pv-inverter", "storage-inverter"):
        limit = "a multimode-inverter, a transfer or the adapter"
        book.at(
            backup["islanding"],
            "this inverter cannot island",
            f'"{source.id}"',
            limit,
            "name the islanding device, or correct the inverter's kind",
        )


def _stores(index: Index, givens: Givens, book: FaultBook) -> None:
    for row in rows(index.tree, "storage"):
        down, both = _value(givens, row, "discharge_efficiency"), _value(givens, row, "roundtrip_efficiency")
        if isinstance(down, float) and isinstance(both, float) and down < both:
            limit, todo = f"at least the round trip, {both:g}", "correct one of them: the round trip is both ways together"
            book.at(row["discharge_efficiency"], "one way loses more than both ways together", f"{down:g}", limit, todo)
        twice = [name for name in ("fade_per_year", "fade_per_cycle") if "health_fraction" in row and name in row]
        if twice:
            limit = "health_fraction, or the fade with its years or cycles"
            book.at(row["health_fraction"], "capacity left and its fade are both given", ", ".join(twice), limit, "remove one of them")
        for name in ("discharge_limit", "charge_limit"):
            seen: set[object] = set()
            for point in rows(row, name):
                level = _value(givens, point, "charge_fraction")
                if level is not None and level in seen:
                    book.at(point["charge_fraction"], "two limits at one charge", f"{level:g}", "each charge once", "remove one of them")
                seen.add(level)


def _outage_energy(index: Index, givens: Givens, book: FaultBook) -> None:
    """More energy a day than a load's running power gives in the hours in which it runs."""
    for row in rows(index.tree, "load"):
        energy, power = _value(givens, row, "outage_energy_per_day"), _value(givens, row, "running_power")
        if not isinstance(energy, float) or not isinstance(power, float):
            continue
        start, end = _value(givens, row, "outage_from"), _value(givens, row, "outage_until")
        known = isinstance(start, float) and isinstance(end, float)
        hours = (((end - start) % 86400.0) or 86400.0) / 3600.0 if known else 24.0
        most = power / 1000.0 * hours
        if energy > most * (1.0 + ROUNDED_FRAC):
            shown = f"{givens[f'{row.path}.outage_energy_per_day'].text} with {givens[f'{row.path}.running_power'].text}"
            limit = f"at most {most:g} kWh in {hours:g} h"
            todo = "correct the energy, the running power or the hours"
            book.at(row["outage_energy_per_day"], "more energy a day than its running power gives", shown, limit, todo)


def _settings(index: Index, givens: Givens, book: FaultBook) -> None:
    """A control set above the service that it holds, and a charger that cannot go as low as it is set."""
    service = givens.get("service.rating")
    for row in rows(index.tree, "control") if service is not None else ():
        for limit in rows(row, "limit"):
            given = givens.get(f"{limit.path}.setting")
            if given is None or text(limit, "way") != "import" or limit["setting"].override or index.tree["service"]["rating"].override:
                continue  # a what-if changes one of them: a check says whether it fits
            panel = index.things.get(text(limit, "at"))
            top = text(limit, "at") == "service" or (panel is not None and panel.kind == "panel" and panel.parent == "service")
            if top and given.value > service.value:
                most, todo = f"at most the rating of the service, {service.text}", "correct the setting or the rating"
                book.at(limit["setting"], "a control set above the service that it holds", given.text, most, todo)
    for row in rows(index.tree, "evse"):
        least, own = givens.get(f"{row.path}.minimum_current"), givens.get(f"{row.path}.setting")
        if least is not None and own is not None and least.value > own.value:
            limit, todo = f"at most its setting, {own.text}", "correct minimum_current or setting"
            book.at(row["minimum_current"], "least current above its setting", least.text, limit, todo)


def _vehicles(index: Index, givens: Givens, book: FaultBook) -> None:
    """Two vehicles at one charger, arrival and departure at one moment, more need than the battery holds."""
    seen: set[str] = set()
    for row in rows(index.tree, "vehicle"):
        name = text(row, "evse")
        if name and name in seen:
            todo = "one row for each charger: the vehicle that needs most"
            book.at(row["evse"], "two vehicles at one charger", f'"{name}"', "each charger once", todo)
        seen.add(name)
        come, go = (givens.get(f"{row.path}.{moment}") for moment in ("arrive", "depart"))
        if come is not None and go is not None and come.value == go.value:
            limit, todo = "two moments of a day", "correct one of them; a departure before the arrival is that of the next day"
            book.at(row["depart"], "arrives and departs at the same moment", go.text, limit, todo)
        need, holds = givens.get(f"{row.path}.need_per_night"), givens.get(f"{row.path}.battery_energy")
        if need is not None and holds is not None and need.value > holds.value:
            limit, todo = f"at most its battery, {holds.text}", "correct need_per_night or battery_energy"
            book.at(row["need_per_night"], "needs more a night than its battery holds", need.text, limit, todo)


def _daily(index: Index, givens: Givens, book: FaultBook) -> None:
    """Hours of an ordinary day that are given by half, and more energy than the running power gives in them."""
    for row in rows(index.tree, "load"):
        start, end = _value(givens, row, "daily_from"), _value(givens, row, "daily_until")
        if (start is None) != (end is None):
            given, other = ("daily_from", "daily_until") if end is None else ("daily_until", "daily_from")
            book.at(row[given], "hours of an ordinary day that are given by half", show(row[given]), "both or none", f"add {other}")
        energy, power = _value(givens, row, "daily_energy"), _value(givens, row, "running_power")
        name = "running_power" if isinstance(power, float) else "rating"
        power = _value(givens, row, name)
        if not isinstance(energy, float) or not isinstance(power, float):
            continue
        known = isinstance(start, float) and isinstance(end, float)
        hours = (((end - start) % 86400.0) or 86400.0) / 3600.0 if known else 24.0
        count = _value(givens, row, "count")
        most = power / 1000.0 * hours * (count if isinstance(count, int) else 1)
        if energy > most * (1.0 + ROUNDED_FRAC):
            limit, todo = f"at most {most:g} kWh in {hours:g} h", "correct the energy, the power or the hours"
            shown = f"{givens[f'{row.path}.daily_energy'].text} with {givens[f'{row.path}.{name}'].text}"
            book.at(row["daily_energy"], "more energy a day than its running power gives", shown, limit, todo)


RECORD_FILES = ("load", "fast_load", "backup_load", "production")


def _ranges(index: Index, givens: Givens, book: FaultBook) -> None:
    """Periods and marks of record files: what ends before it begins, marks that overlap or lie outside the period."""
    for name in RECORD_FILES:
        file = table(index.tree, "records", name)
        if file is None:
            continue
        first, last = _range(file, givens, book, "the period")
        marks = [(row, *_range(row, givens, book, "the marked range")) for row in rows(file, "mark")]
        for row, begins, ends in marks:
            for place, out in (("begins", begins is not None and first is not None and begins < first), ("ends", _after(ends, last))):
                if out:
                    limit = (
                        f"within the period, {_value(givens, file, 'begins') or 'the start'} to {_value(givens, file, 'ends') or 'the end'}"
                    )
                    book.at(row[place], "a mark outside the period that is used", show(row[place]), limit, "shorten or remove the mark")
        whole = sorted(
            ((begins, ends, row) for row, begins, ends in marks if begins is not None and ends is not None), key=lambda one: one[:2]
        )
        for at, (begins, _, row) in enumerate(whole):
            before = max(whole[:at], key=lambda one: one[1], default=None)
            if before is not None and begins < before[1]:
                other = f"after the mark {_value(givens, before[2], 'begins')} to {_value(givens, before[2], 'ends')}"
                book.at(row["begins"], "two marks overlap", show(row["begins"]), other, "shorten one of them, or make one of both")


def _after(moment: int | None, last: int | None) -> bool:
    return moment is not None and last is not None and moment > last


def _range(row: Table, givens: Givens, book: FaultBook, what: str) -> tuple[int | None, int | None]:
    """Begin and end by the wall clock [s], None where not said, not sound, or the wrong way round, which is noted."""
    start, stop = _value(givens, row, "begins"), _value(givens, row, "ends")
    begins = wall_s(start) if isinstance(start, str) else None
    ends = wall_s(stop, end=True) if isinstance(stop, str) else None
    if begins is not None and ends is not None and ends <= begins:
        book.at(
            row["ends"], f"{what} ends before it begins, or as it begins", show(row["ends"]), f"after {start}", "correct begins or ends"
        )
        return None, None
    return begins, ends
