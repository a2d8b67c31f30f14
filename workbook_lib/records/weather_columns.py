"""Which column of a plain weather table is what, by its heading; a unit that the heading names must be the right one."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence

from workbook_lib.errors import Fault
from workbook_lib.records.record import Decision
from workbook_lib.records.weather_values import LIMITS

COLUMNS = ("ghi", "dni", "dhi", "temperature", "wind")
NAMES: Mapping[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "datetime", "date time", "start", "end", "time start", "time end", "date"),
    "ghi": ("ghi", "global horizontal irradiance", "global horizontal", "global irradiance"),
    "dni": ("dni", "direct normal irradiance", "direct normal", "beam normal"),
    "dhi": ("dhi", "diffuse horizontal irradiance", "diffuse horizontal", "diffuse"),
    "temperature": ("air temperature", "temp air", "air temp", "dry bulb", "temperature", "temp"),
    "wind": ("wind speed", "windspeed", "wspd", "wind"),
}
"""Words by which a column is recognised, the surest first."""
UNITS: Mapping[str, tuple[str, ...]] = {
    "ghi": ("w/m2", "wm2", "wm-2", "w*m-2", "w m2"),
    "dni": ("w/m2", "wm2", "wm-2", "w*m-2", "w m2"),
    "dhi": ("w/m2", "wm2", "wm-2", "w*m-2", "w m2"),
    "temperature": ("degc", "c", "celsius", "deg c"),
    "wind": ("m/s", "ms-1", "m*s-1", "mps", "m s"),
}
_OTHER = {"dew", "cell", "module", "panel", "soil", "wet", "ground", "surface", "sky", "direction", "dir", "gust", "clear", "clearsky"}
_OTHER |= {"flag", "source", "quality", "uncertainty", "uncert", "std", "min", "max", "extraterrestrial", "zone"}
"""Words of a heading that make it something else than the value itself."""
_FOREIGN = {"f", "degf", "fahrenheit", "k", "kelvin", "mph", "km", "kmh", "kph", "kn", "kt", "kts", "knot", "knots", "ft"}
_FOREIGN |= {"kw", "kwh", "wh", "mj", "kj", "j", "langley", "btu"}
"""Words of a heading that name another unit."""


def choose(names: Sequence[str], given: Mapping[str, str], shown: str, field: str) -> tuple[dict[str, str], list[Decision], list[Fault]]:
    """Column of time and of each value, what was taken and why, faults.

    Parameters: headings; columns that the caller declares, by what they are; name and field for faults.
    """
    faults = [
        Fault(shown, f"{field}.file", "several columns of one name", repr(name), "each name once", "rename or remove one", 1)
        for name in sorted({name for name in names if name.strip() and names.count(name) > 1})
    ]
    faults += [
        Fault(shown, f"{field}.columns", "not a value of weather", name, ", ".join(NAMES), "write one of these")
        for name in given.keys() - NAMES
    ]
    found: dict[str, str] = {}
    decisions = []
    for name, words in NAMES.items():
        fit = [column for column in names if column == given[name]] if name in given else _fitting(names, words, given, found)
        if len(fit) > 1 and names.count(fit[0]) == len(fit):
            continue
        if len(fit) != 1:
            faults.append(_unfit(name, fit, [one for one in names if one not in found.values()], given, shown, field))
            continue
        if fit[0] in found.values():
            todo = "declare each column once"
            faults.append(Fault(shown, f"{field}.columns", "one column for two values", repr(fit[0]), "a column for each", todo))
        found[name] = fit[0]
        decisions.append(Decision(f"{name} from column {fit[0]!r}", "declared" if name in given else "its heading"))
        if name != "time":
            faults += _unit_faults(name, fit[0], shown, field, decisions)
    return found, decisions, faults


def stamped_at(heading: str) -> str | None:
    """Where the heading of the time column says that stamps stand: start, end; None where it does not say."""
    words = set(_tokens(heading))
    begins, ends = bool(words & {"start", "starting", "begin", "beginning"}), bool(words & {"end", "ending", "ended"})
    return None if begins == ends else "end" if ends else "start"


def _tokens(text: str) -> list[str]:
    return [token for token in re.split(r"[^a-z0-9]+", text.lower()) if token]


def _base(heading: str) -> list[str]:
    """Words of a heading without the unit at its end."""
    words = _tokens(re.sub(r"[\[(][^\])]*[\])]", " ", heading))
    for units in UNITS.values():
        for unit in (unit.split() for unit in units):
            if len(words) > len(unit) and words[-len(unit) :] == unit:
                return words[: -len(unit)]
    return words


def _fitting(names: Sequence[str], words: Sequence[str], given: Mapping[str, str], found: Mapping[str, str]) -> list[str]:
    free = [name for name in names if name not in given.values() and name not in found.values() and not _OTHER & set(_tokens(name))]
    exact = [[name for name in free if _base(name) == word.split()] for word in words]
    within = [[name for name in free if f" {word} " in f" {' '.join(_base(name))} "] for word in words]
    return next((hits for hits in (*exact, *within) if hits), [])


def _unfit(name: str, fit: list[str], names: Sequence[str], given: Mapping[str, str], shown: str, field: str) -> Fault:
    where = f"{field}.columns.{name}" if name in given else f"{field}.file"
    if fit:
        todo = "rename or remove what is not meant"
        return Fault(shown, where, f"several columns could be {name}", ", ".join(map(repr, fit))[:200], "one of them", todo, 1)
    wanted = (given[name],) if name in given else NAMES[name]
    lowered = {column.lower(): column for column in names}
    near = [lowered[hit] for word in wanted for hit in difflib.get_close_matches(word.lower(), lowered, 2, 0.5)]
    said = (
        f"nearest: {', '.join(map(repr, dict.fromkeys(near)))}"
        if near
        else f"columns {', '.join(map(repr, names)) or 'without names'}"[:200]
    )
    return Fault(shown, where, f"no column of {name}", said, f"one of {', '.join(wanted)}", "name the column so", 1)


def _unit_faults(name: str, heading: str, shown: str, field: str, decisions: list[Decision]) -> list[Fault]:
    bracket = re.search(r"[\[(]([^\])]*)[\])]", heading)
    unit = bracket.group(1).strip() if bracket else ""
    plain = unit.lower().replace(" ", "").replace("^", "").replace("**", "").replace("²", "2").replace("°", "deg").replace("·", "*")
    if plain.replace("_", "") in UNITS[name]:
        return []
    foreign = _FOREIGN & set(_tokens(heading))
    if not unit and not foreign:
        if len(_base(heading)) == len(_tokens(heading)):
            decisions.append(Decision(f"{name} in {LIMITS[name][2]}", "the unit of plain weather tables; the heading names none"))
        return []
    said = unit or ", ".join(sorted(foreign))
    todo = "convert the column and name its unit"
    return [Fault(shown, f"{field}.file", f"another unit of {name}", f"{said} in {heading!r}", LIMITS[name][2], todo, 1)]
