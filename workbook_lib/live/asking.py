"""Inverse questions: the largest, smallest or lowest value of a field with which every test holds that can hold.

A question is answered by trying values in the home as drawn and asking the workbook each time, so that whatever limits is found, be it
a bus, a conductor, a device or the night of a vehicle. What fails at every value tried is not laid to the field; what fails at the next
value beyond the answer is what limits it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from workbook_lib.errors import CalculationFault, InputFault
from workbook_lib.home.model_equipment import AWG_SIZES, KCMIL_SIZES
from workbook_lib.home.patch import add_row
from workbook_lib.live.fields import Group, groups, typed
from workbook_lib.quantities import QuantityError, read_quantity

CHARGERS_A = (12, 16, 20, 24, 30, 32, 40, 48, 60, 64, 80)
"""Usual ratings of chargers [A]. Common practice."""
SIZES = (*AWG_SIZES[2:], *KCMIL_SIZES[:9])
MOST_OUTPUT_A = 200.0
MOST_STORE_KWH = 200.0
MOST_SPARE_A, SPARE_V = 200.0, 240.0
LEAST_SETTING_A = 6.0
SPARE_ID = "spare-load"
FAIL, NEEDS, JUDGED, REFUSED = "fail", "needs input", "judgement", "refused"

Trial = Callable[..., Mapping[str, object]]
"""Checks that count, by key, with some fields put in place."""


_Tried = Mapping[int, Mapping[str, object] | None]
"""Checks by key for each value that was tried, None where it was refused."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: `kind`, the thing by its key path, words for a menu, the workbook that tests it."""

    kind: str
    path: str
    words: str
    workbook: str


@dataclass(frozen=True, slots=True)
class Found:
    """What a question found: value as typed (None: nothing holds), what to enter where, words, and the checks that limit it."""

    value: str | None
    entries: tuple[tuple[str, str], ...]
    words: str
    limits: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class _Search:
    """Values in the order from the easiest to the hardest, what each enters, and the words for one."""

    values: Sequence[float | str]
    entries: Callable[[float | str], tuple[tuple[str, str], ...]]
    words: Callable[[float | str], str]
    sense: str
    every: bool = False
    added: bool = False


def questions(found: Sequence[Group]) -> tuple[Question, ...]:
    """The inverse questions that a home gives rise to. Parameters: things of the home. Returns: questions, in the order of a menu."""
    asked: list[Question] = [Question("spare", "service", "spare amperes at 240 V on the service", "service_load")]
    every = [one for group in found for one in group.groups() if one.there]
    for one in every:
        name = one.path.rpartition(".")[2]
        if one.kind == "evse":
            asked.append(Question("charger", one.path, f"largest charger: {name}, by the load of the service", "service_load"))
            asked.append(Question("charger", one.path, f"largest charger: {name}, with its circuit and control", "ev_load_management"))
        elif one.kind == "source":
            asked.append(Question("inverter", one.path, f"largest inverter: {name}", "backfeed_and_tap"))
        elif one.kind == "conductor" and one.path.count(".") == 2 and not one.path.startswith("service."):
            thing = one.path.split(".")[1]
            book = "ev_load_management" if one.path.startswith("evse.") else "backfeed_and_tap"
            asked.append(Question("conductor", one.path, f"smallest conductor: to {thing}", book))
        elif one.kind == "storage":
            asked.append(Question("storage", one.path, f"storage for the backup target: {name}", "backup_duration"))
        elif one.kind == "limit" and any(field.name == "setting" and field.given for field in one.fields):
            of = one.path.split(".")[1]
            asked.append(Question("setting", one.path, f"lowest control setting: {of}, limit {int(name) + 1}", "ev_load_management"))
    return tuple(asked)


def answer_of(question: Question, text: str, trial: Trial) -> Iterator[tuple[str, int, int] | Found]:
    """Try values until the answer stands.

    Parameters: question, text of the site file, trial(entries, text=None) -> checks that count, by key.
    Returns: (value tried, which, of how many) while it tries, then Found. Errors: InputFault where the home itself is at fault.
    """
    search = _SEARCHES[question.kind](question, groups(text))
    tried: dict[int, Mapping[str, object] | None] = {}

    def at(place: int) -> Mapping[str, object] | None:
        if place not in tried:
            entries = search.entries(search.values[place])
            try:
                tried[place] = trial((), _with_spare(text, entries[0][1])) if search.added else trial(entries)
            except (InputFault, CalculationFault):
                tried[place] = None
        return tried[place]

    trial(())  # a home at fault is told as such
    last = len(search.values) - 1
    if search.every:
        for place in range(last + 1):
            yield search.words(search.values[place]), place + 1, last + 1
            at(place)
        base = _always(tried)
        holding = [place for place in range(last + 1) if base is not None and _open(at(place)) <= base]
        best = max(holding, default=None)
    else:
        steps = max(1, last.bit_length() + 2)
        yield search.words(search.values[0]), 1, steps
        base = _open(at(0))
        best, beyond = (0, last + 1) if at(0) is not None else (None, 0)
        while best is not None and beyond - best > 1:
            middle = (best + beyond) // 2 if len(tried) > 1 else last
            yield search.words(search.values[middle]), min(len(tried) + 1, steps), steps
            if at(middle) is not None and _open(at(middle)) <= base:
                best = middle
            else:
                beyond = middle
    yield _none(search, tried) if best is None else _found(question, search, best, base, tried)


def _open(checks: Mapping[str, object] | None) -> frozenset[str]:
    """Keys of checks that fail or lack an input; a mark of its own where the value is refused."""
    if checks is None:
        return frozenset({REFUSED})
    return frozenset(key for key, line in checks.items() if line.verdict in (FAIL, NEEDS))


def _always(tried: _Tried) -> frozenset[str] | None:
    """The checks that every value leaves open; None where every one is refused."""
    found = [_open(checks) for checks in tried.values() if checks is not None]
    return frozenset.intersection(*found) if found else None


def _turning(key: str, tried: _Tried) -> bool:
    """Whether what a check says turns on the value: it is open with some only, or its margin moves."""
    lines = [checks.get(key) for checks in tried.values() if checks is not None]
    return len({(line.verdict in (FAIL, NEEDS), line.room) if line is not None else None for line in lines}) > 1


def _named(lines: Sequence[object]) -> str:
    return "; ".join(f"{line.question.rstrip(' ?')} ({line.verdict})" for line in lines)


def _none(search: _Search, tried: _Tried) -> Found:
    """Words where no value holds."""
    accepted = {place: checks for place, checks in tried.items() if checks is not None}
    if not accepted:
        return Found(None, (), "No value that was tried is accepted in this home as drawn.", ())
    place = min(accepted, key=lambda one: len(_open(accepted[one])))
    failing = tuple(accepted[place][key] for key in sorted(_open(accepted[place])))
    words = f"No value that was tried passes. Nearest is {search.words(search.values[place])}, where these stay open: {_named(failing)}."
    return Found(None, (), words, ())


def _found(question: Question, search: _Search, best: int, base: frozenset[str], tried: _Tried) -> Found:
    last = len(search.values) - 1
    value, here = search.values[best], tried[best]
    failing = [here[key] for key in sorted(_open(here)) if here[key].verdict == FAIL and _turning(key, tried)]
    lacking = [here[key] for key in sorted(_open(here)) if here[key].verdict == NEEDS]
    if failing:
        where = "At every value that was tried" if best == last else f"At {search.words(value)}, beyond which other tests fail,"
        return Found(None, (), f"No value that was tried passes. {where} these fail: {_named(failing)}.", ())
    if lacking and best == last:
        return Found(None, (), f"Not known: nothing that can be tested limits it, and these need input: {_named(lacking)}.", ())
    if best == last and not any(_turning(key, tried) for key in here):
        return Found(None, (), f"No test of {question.workbook.replace('_', ' ')} turns on it in this home, so none limits it.", ())
    beyond = tried[best + 1] if best < last else {}
    limits = () if not beyond else tuple(beyond[key] for key in sorted(_open(beyond) - base) if key in beyond)
    so_far = "As far as can be tested. " if lacking else ""
    words = f"{so_far}{search.sense} {search.words(value)}, tried by {question.workbook.replace('_', ' ')} with the home as drawn."
    if best == last:
        words += " It is the last value tried: nothing limited it."
    elif beyond is None:
        words += f" {search.words(search.values[best + 1])} is refused as an entry, or cannot be calculated."
    stays = [here[key] for key in sorted(_open(here))]
    if stays:
        words += f" Whatever it is, these stay open: {_named(stays)}."
    judged = [line for key, line in here.items() if line.verdict == JUDGED and _turning(key, tried)]
    if judged:
        words += f" A person has to decide, with it: {_named(judged)}."
    return Found(search.words(value), () if search.added else search.entries(value), words, limits)


def _with_spare(text: str, amperes: str) -> str:
    """The text with a load of so many amperes between the legs, counted in full since what it will be is not known."""
    main = next((one for one in groups(text) if one.kind == "panel" and one.there), None)
    hung = "service" if main is None else main.path.partition(".")[2]
    taken = {field.text for group in groups(text) for field in group.every() if field.name == "id"}
    name = next(one for count in range(10000) if (one := f"{SPARE_ID}-{count}") not in taken)
    rating = f"{SPARE_V * float(amperes.split()[0]):g} VA"
    row = {"id": name, "kind": "calculated", "connected_to": hung, "rating": rating, "neutral": False, "status": "added"}
    return add_row(text, ("load",), row)


# what is tried for each kind


def _value(found: Sequence[Group], path: str, name: str, dimension: str) -> float | None:
    """A quantity of a thing in house units, None where the file does not give it."""
    field = next(
        (field for group in found for one in group.groups() if one.path == path for field in one.fields if field.name == name), None
    )
    if field is None or not field.given:
        return None
    try:
        return read_quantity(str(typed(field, field.text)), dimension)[0]
    except (QuantityError, ValueError):
        return None


def _steps(first: float, last: float, step: float) -> tuple[float, ...]:
    count = round((last - first) / step)
    return tuple(round(first + step * number, 3) for number in range(count + 1))


def _amperes(value: float | str) -> str:
    return f"{value:g} A"


def _charger(question: Question, found: Sequence[Group]) -> _Search:
    return _Search(CHARGERS_A, lambda one: ((f"{question.path}.rating", _amperes(one)),), _amperes, "Largest charger:", every=True)


def _inverter(question: Question, found: Sequence[Group]) -> _Search:
    path = question.path
    current, power = _value(found, path, "output_current", "current"), _value(found, path, "output_power", "real power")

    def entries(value: float | str) -> tuple[tuple[str, str], ...]:
        rows = [(f"{path}.output_current", _amperes(value))]
        if current and power:
            rows.append((f"{path}.output_power", f"{power * value / current / 1000.0:.6g} kW"))
        return tuple(rows)

    return _Search(_steps(1.0, MOST_OUTPUT_A, 0.5), entries, _amperes, "Largest rated output current, its power in proportion:")


def _conductor(question: Question, found: Sequence[Group]) -> _Search:
    values = tuple(reversed(SIZES))
    return _Search(values, lambda one: ((f"{question.path}.size", str(one)),), str, "Smallest conductor:", every=True)


def _storage(question: Question, found: Sequence[Group]) -> _Search:
    values = tuple(reversed(_steps(0.5, MOST_STORE_KWH, 0.1)))
    return _Search(
        values,
        lambda one: ((f"{question.path}.energy", f"{one:g} kWh"),),
        lambda one: f"{one:g} kWh",
        "Least nameplate energy of one unit:",
    )


def _setting(question: Question, found: Sequence[Group]) -> _Search:
    now = _value(found, question.path, "setting", "current") or MOST_OUTPUT_A
    values = tuple(reversed(_steps(LEAST_SETTING_A, max(now, LEAST_SETTING_A), 1.0)))
    return _Search(values, lambda one: ((f"{question.path}.setting", _amperes(one)),), _amperes, "Lowest setting:")


def _spare(question: Question, found: Sequence[Group]) -> _Search:
    return _Search(
        _steps(0.5, MOST_SPARE_A, 0.5),
        lambda one: (("", _amperes(one)),),
        _amperes,
        "Largest load, counted in full whatever it will be, that may still be added:",
        added=True,
    )


_SEARCHES = {
    "charger": _charger,
    "inverter": _inverter,
    "conductor": _conductor,
    "storage": _storage,
    "setting": _setting,
    "spare": _spare,
}
