"""What if: fields set for all homes of a portfolio that match a condition, beside what each row asks for."""

from __future__ import annotations

import copy
import functools
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from workbook_lib.errors import Fault, InputFault
from workbook_lib.home import EDITION_FIELD
from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.model import Site
from workbook_lib.home.overrides import apply, leaf_at, value_at
from workbook_lib.home.portfolio import Portfolio, given
from workbook_lib.home.portfolio_cases import Case
from workbook_lib.home.portfolio_entry import Entry
from workbook_lib.home.raw import Raw, nearest, parse_toml, read_bytes, show
from workbook_lib.home.shapes import FaultBook

WHERE, SET = "--where", "--set"
"""How faults name the two sides of a substitution."""
ANY = "|"
"""Stands between values of which a home may have any."""
ID_FIELD = "site.id"
HOMES_SEARCHED, FILES_KEPT = 200, 256
"""Homes whose fields are searched for the nearest name of a field that none has, and site files that are kept in mind."""
SUGGESTED = re.compile(r'did you mean "([^"]+)"')
Read = Callable[[Path], "dict[str, object] | None"]


class Substitution(NamedTuple):
    """A portfolio with fields set, and how many of its studies matched the condition."""

    portfolio: Portfolio
    matched_count: int


def parse_assignments(texts: Sequence[str], option: str) -> dict[str, str]:
    """Fields with their values from the command line.

    Parameters: texts such as `source.pv.model=PV-A`, the option that they were given by. Returns: value by key path. Errors: InputFault
    with every text that is none.
    """
    faults: list[Fault] = []
    found: dict[str, str] = {}
    limit, todo = "PATH=VALUE, as source.pv.model=PV-A", "write the key path, =, and the value"
    for text in texts:
        path, equals, value = (part.strip() for part in text.partition("="))
        if not equals or not path:
            faults.append(Fault(option, path, "is no field with its value", show(text), limit, todo))
        elif not value:
            faults.append(Fault(option, path, "has no value", show(text), limit, "write a value after ="))
        elif path in found:
            faults.append(Fault(option, path, "is given twice", show(text), "each field once", f"leave one; any of several: A{ANY}B"))
        else:
            found[path] = value
    if faults:
        raise InputFault(faults)
    return found


def substitute(portfolio: Portfolio, where: Mapping[str, str], put: Mapping[str, str]) -> Substitution:
    """A portfolio with fields set in every study whose home matches a condition; the others stay as they are.

    A home matches where each field of the condition reads as one of its values; what a row puts in place of its file counts as the
    home's. What is set takes the place of a row's own. A study that is at fault matches nothing, nor does a home that has no such thing
    (source, breaker) to set a field of.

    Parameters: portfolio; the condition by key path, several values apart by `|` (empty: every home); the fields to set. Returns:
    Substitution. Errors: InputFault with every path that no home has and every value that its field refuses.
    """
    read = functools.lru_cache(maxsize=FILES_KEPT)(_tables)
    faults = [] if put else [Fault(SET, "", "nothing is set", "", "PATH=VALUE", "name a field and its value")]
    wanted = [(path, _readings(portfolio, read, WHERE, path, text.split(ANY), faults)) for path, text in where.items()]
    for path, text in put.items():
        if path == ID_FIELD:
            faults.append(Fault(SET, path, "names the home", text, "a field that the homes of a portfolio may share", "set another field"))
        _readings(portfolio, read, SET, path, [text], faults)
    if faults:
        raise InputFault(faults)
    condition, needed = Case("", None, tuple(wanted), ()), [thing for path in put for thing in _things(path)]
    entries, count = [], 0
    for entry in portfolio.entries:
        tables = None if entry.faults or entry.left_out else read(entry.site_file)
        matches = tables is not None and condition.takes(tables, given(entry)) and _has(tables, needed)
        count += matches
        entries.append(_put(entry, put) if matches else entry)
    return Substitution(replace(portfolio, entries=tuple(entries)), count)


def _has(tables: Mapping[str, object], things: Sequence[str]) -> bool:
    """Whether a home has some things by id."""
    return all(value_at(tables, f"{thing}.id") is not None for thing in things)


def _tables(file: Path) -> dict[str, object] | None:
    """The tables of a site file, None where it cannot be read."""
    data, fault = read_bytes(file.as_posix(), file)
    return None if fault is not None else parse_toml(file.as_posix(), data)[0]


def _put(entry: Entry, put: Mapping[str, str]) -> Entry:
    """An entry with fields set in place of its own."""
    own = tuple((path, value) for path, value in entry.overrides if path not in put)
    fields = tuple((path, value) for path, value in put.items() if path != EDITION_FIELD)
    return replace(entry, edition=put.get(EDITION_FIELD, entry.edition), overrides=(*own, *fields))


def _readings(
    portfolio: Portfolio, read: Read, option: str, path: str, texts: Sequence[str], faults: list[Fault]
) -> tuple[tuple[object, str | None], ...]:
    """What the field of a path reads in some texts; faults of the path and of the texts are noted."""
    lost = _place_fault(portfolio, read, option, path)
    if lost is not None:
        faults.append(lost)
        return ()
    found = []
    for text in texts:
        try:
            found.append(leaf_at(Site, path).parse(Raw(path, (), text.strip(), override=True)))
        except LeafFault as fault:
            faults += [Fault(option, path, *trouble.parts()) for trouble in fault.troubles]
    return tuple(found)


def _place_fault(portfolio: Portfolio, read: Read, option: str, path: str) -> Fault | None:
    """The fault of a path that no home has a place for."""
    is_field, things = leaf_at(Site, path) is not None, _things(path)
    close: dict[str, None] = {}
    for number, file in enumerate(dict.fromkeys(entry.site_file for entry in portfolio.entries)):
        if not is_field and number >= HOMES_SEARCHED:
            break
        tables = read(file)
        there = tables is not None and _has(tables, things)
        if tables is not None and ((is_field and there) or number < HOMES_SEARCHED):
            book = FaultBook("")
            apply(copy.deepcopy(tables), {path: ""}, Site, book)
            if not book.faults:
                return None
            close |= dict.fromkeys(SUGGESTED.findall(book.faults[0].todo))
    best = nearest(path, close)
    todo = f'did you mean "{best}"?' if best else "name a field of the site files, by ids"
    return Fault(option, path, "no home of the portfolio has such a field", show(path), "a key path by ids, as source.pv.model", todo)


def _things(path: str) -> list[str]:
    """The paths on the way that lead to a thing with an id."""
    steps = path.split(".")
    ways = (".".join(steps[:count]) for count in range(2, len(steps)))
    return [way for way in ways if leaf_at(Site, f"{way}.id") is not None]
