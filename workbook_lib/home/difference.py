"""What two TOML files say, leaf by leaf, and where they do not say the same."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from workbook_lib.home.portfolio_cases import reading, same
from workbook_lib.home.raw import WRAPPER_KEYS, Override

PROSE, STATED = "note", "stated"

Way = tuple[str, ...]
"""The steps of a key path; a row of a list by its id, else by its number."""


@dataclass(frozen=True, slots=True)
class Held:
    """What a file holds at a place: value, how it is known, whether it was put in place of the file's."""

    value: object
    origin: str = STATED
    override: bool = False


@dataclass(frozen=True, slots=True)
class Difference:
    """A place at which two files do not hold the same; None where one of them holds nothing."""

    way: Way
    before: Held | None
    now: Held | None


def leaves(tables: Mapping[str, object], *, wrappers: bool = True) -> dict[Way, Held]:
    """Every value of a TOML file by its place, notes left out.

    Parameters: tables as tomllib reads them, overrides in them or not; whether `{ value = ..., from = ..., note = ... }` is one value
    (site files) or a table (the others). Returns: values by place.
    """
    return {way: held for way, held in _leaves(tables, (), wrappers) if way[-1] != PROSE}


def notes(tables: Mapping[str, object]) -> dict[Way, object]:
    """Every note of a TOML file by the place of what it is a note of. Parameters: tables as tomllib reads them. Returns: texts by place."""
    return {way[:-1]: held.value for way, held in _leaves(tables, (), wrappers=False) if way[-1] == PROSE}


def _leaves(content: object, way: Way, wrappers: bool) -> Iterator[tuple[Way, Held]]:
    if isinstance(content, Override):
        yield way, Held(content.value, override=True)
    elif isinstance(content, Mapping):
        for key, value in content.items():
            if wrappers and isinstance(value, Mapping) and any(name in value for name in WRAPPER_KEYS):
                yield (*way, key), _wrapped(value)
            else:
                yield from _leaves(value, (*way, key), wrappers)
    elif isinstance(content, list) and any(isinstance(item, Mapping) for item in content):
        for step, item in _named(content):
            yield from _leaves(item, (*way, step), wrappers)
    else:
        yield way, Held(content)


def _wrapped(content: Mapping[str, object]) -> Held:
    if "value" in content and set(content) <= set(WRAPPER_KEYS):
        return Held(content["value"], str(content.get("from", STATED)))
    return Held({key: value for key, value in content.items() if key != PROSE})


def _named(rows: list[object]) -> list[tuple[str, object]]:
    """Rows with the step that leads to each: its id, the first time that it is used, else its number."""
    ids: set[str] = set()
    found: list[tuple[str, object]] = []
    for row in rows:
        name = row.get("id") if isinstance(row, Mapping) else None
        name = name.value if isinstance(name, Override) else name
        name = name.get("value") if isinstance(name, Mapping) else name
        sound = isinstance(name, str) and name and name not in ids
        found.append((name if sound else "", row))
        ids |= {name} if sound else set()
    return [(name or (str(index) if str(index) not in ids else f"#{index}"), row) for index, (name, row) in enumerate(found)]


def differences(before: Mapping[Way, Held], now: Mapping[Way, Held], *, read: bool = True) -> tuple[Difference, ...]:
    """The places at which two files do not hold the same, by value and by how it is known.

    Parameters: values by place; whether values of fields of a site file are the same where the field reads the same in them ("24 A" and
    "24000 mA"). Returns: differences, those of the first file first.
    """
    ways = dict.fromkeys((*before, *now))
    return tuple(Difference(way, before.get(way), now.get(way)) for way in ways if not _same(way, before.get(way), now.get(way), read))


def _same(way: Way, one: Held | None, other: Held | None, read: bool) -> bool:
    if one is None or other is None:
        return one is other
    if one.origin != other.origin:
        return False
    if _equal(one.value, other.value):
        return True
    if not read or any("." in step for step in way):
        return False
    pair = [_reading(".".join(way), held) for held in (one, other)]
    return None not in pair and same(*pair)


def _equal(one: object, other: object) -> bool:
    """Whether two values of TOML files are the same; 1, 1.0 and true are not."""
    if type(one) is not type(other):
        return False
    if isinstance(one, Mapping):
        return one.keys() == other.keys() and all(_equal(one[key], other[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(_equal, one, other))
    return one == other or (isinstance(one, float) and math.isnan(one) and math.isnan(other))


def _reading(path: str, held: Held) -> tuple[object, str | None] | None:
    values = (held.value, *_as_written(held))
    return next((found for value in values if (found := reading(path, value, override=held.override)) is not None), None)


def _as_written(held: Held) -> Iterator[object]:
    """The list or the yes or no that the text of an override was made from."""
    if not held.override or not isinstance(held.value, str):
        return
    text = {"True": "true", "False": "false"}.get(held.value, held.value)
    try:
        yield tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
        return
