"""A portfolio in TOML: site files by pattern, and the cases to study each under."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.editions import YEARS
from workbook_lib.errors import Fault, InputFault
from workbook_lib.formula import GUARD
from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.model import Site
from workbook_lib.home.overrides import leaf_at, value_at
from workbook_lib.home.portfolio_entry import Entry
from workbook_lib.home.raw import Raw, parse_toml, read_bytes, show, suggest
from workbook_lib.sheet import BASE_CASE

KEYS = ("format", "sites", "case")
CASE_KEYS = ("id", "edition", "where", "set")


@dataclass(frozen=True, slots=True)
class Case:
    """A case: the edition in place of the file's, the homes it is for, what it puts in place.

    `where` holds, by key path, the values of which a home must have one, as the field reads them: pairs of value and unit.
    """

    id: str
    edition: str | None
    where: tuple[tuple[str, tuple[object, ...]], ...]
    put: tuple[tuple[str, object], ...]

    def takes(self, tables: Mapping[str, object], given: Mapping[str, object] | None = None) -> bool:
        """Whether a home has one of the wanted values at each place.

        Parameters: the tables of its file, values by key path that were put in their place before.
        """
        given = given or {}
        found = ((reading(path, given[path] if path in given else value_at(tables, path)), wanted) for path, wanted in self.where)
        return all(any(same(value, one) for one in wanted) for value, wanted in found)


def entries_of(file: Path, data: bytes) -> list[Entry]:
    """The studies that a TOML portfolio asks for: each home under each case that takes it.

    Parameters: portfolio file and its bytes. Returns: entries, home by home in the order of their names, one left out where no case
    takes the home. Errors: InputFault with everything that is wrong with the portfolio itself.
    """
    tables, fault, _ = parse_toml(file.as_posix(), data)
    if fault is not None:
        raise InputFault([fault])
    faults = [_unknown(file, name, KEYS) for name in tables if name not in KEYS]
    if tables.get("format") != 1:
        faults.append(Fault(file.as_posix(), "format", "unknown format", show(tables.get("format", "")), "1", "write format = 1"))
    sites = _sites(file, tables.get("sites"), faults)
    cases = _cases(file, tables.get("case"), faults)
    if faults:
        raise InputFault(faults)
    return [entry for site in sites for entry in _of_home(site, cases)]


def _unknown(file: Path, name: str, known: tuple[str, ...], prefix: str = "") -> Fault:
    return Fault(file.as_posix(), prefix + name, "unknown key", show(name), ", ".join(known), suggest(name, known, "remove it"))


def _sites(file: Path, patterns: object, faults: list[Fault]) -> list[Path]:
    """Site files of all patterns, each once, by name."""
    limit = 'a list of patterns, named from here: ["sites/*.toml"]'
    if not isinstance(patterns, list) or not patterns or not all(isinstance(one, str) and one for one in patterns):
        faults.append(Fault(file.as_posix(), "sites", "not a list of patterns", show(patterns or ""), limit, "name the site files"))
        return []
    found: dict[Path, None] = {}
    for number, pattern in enumerate(patterns):
        try:
            here = sorted(path for path in file.parent.glob(pattern) if path.is_file() and path != file)
        except (ValueError, NotImplementedError, OSError):
            here = []
        if not here:
            faults.append(Fault(file.as_posix(), f"sites.{number}", "no file is so named", show(pattern), limit, "correct the pattern"))
        found |= dict.fromkeys(here)
    return list(found)


def _cases(file: Path, rows: object, faults: list[Fault]) -> list[Case]:
    """The cases, or one that changes nothing where none is given."""
    if rows is None:
        return [Case(BASE_CASE, None, (), ())]
    if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows):
        faults.append(Fault(file.as_posix(), "case", "not rows of cases", show(rows), '[[case]] with id = "..."', "correct it"))
        return []
    cases = [_case(file, f"case.{number}", row, faults) for number, row in enumerate(rows)]
    for name, count in Counter(case.id for case in cases).items():
        if name and count > 1:
            faults.append(Fault(file.as_posix(), f"case.{name}", "two cases of one id", f"{count} times", "once", "choose another id"))
    return cases


def _case(file: Path, place: str, row: Mapping[str, object], faults: list[Fault]) -> Case:
    faults += [_unknown(file, name, CASE_KEYS, f"{place}.") for name in row if name not in CASE_KEYS]
    name, edition = row.get("id"), row.get("edition")
    if not isinstance(name, str) or not name:
        faults.append(Fault(file.as_posix(), f"{place}.id", "has no id", show(name or ""), "an id in quotes", "name the case"))
    if edition is not None and edition not in YEARS:
        limit = ", ".join(f'"{year}"' for year in YEARS)
        faults.append(Fault(file.as_posix(), f"{place}.edition", "unknown edition", show(edition), limit, "name one of these, in quotes"))
    where = [(path, _wanted(file, f"{place}.where", path, value, faults)) for path, value in _table(file, place, "where", row, faults)]
    put = [(path, value) for path, value in _table(file, place, "set", row, faults) if _known(file, f"{place}.set", path, faults)]
    if any(path == "site.id" for path, _ in put):
        what, todo = "names the home", "leave it out: a case is told apart by its own id"
        faults.append(Fault(file.as_posix(), f"{place}.set.site.id", what, "", "a field that homes may share", todo))
    return Case(str(name or ""), edition if isinstance(edition, str) else None, tuple(where), tuple(put))


def _table(file: Path, place: str, name: str, row: Mapping[str, object], faults: list[Fault]) -> list[tuple[str, object]]:
    given = row.get(name, {})
    if isinstance(given, dict):
        return list(given.items())
    faults.append(Fault(file.as_posix(), f"{place}.{name}", "not a table", show(given), '{ "key.path" = "value" }', "correct it"))
    return []


def _known(file: Path, place: str, path: str, faults: list[Fault]) -> bool:
    if leaf_at(Site, path) is not None:
        return True
    todo = 'quote the path: "source.pv.output_current" = "16 A"'
    faults.append(Fault(file.as_posix(), f"{place}.{path}", "no field of a site file", show(path), "a key path with ids, in quotes", todo))
    return False


def _wanted(file: Path, place: str, path: str, value: object, faults: list[Fault]) -> tuple[object, ...]:
    """The values with their units that a home may have at a place, as its field reads them; a list is any of its members."""
    if not _known(file, place, path, faults):
        return ()
    found = []
    for one in value if isinstance(value, list) else [value]:
        try:
            found.append(leaf_at(Site, path).parse(Raw(path, (), one, override=True)))
        except LeafFault as fault:
            faults += [Fault(file.as_posix(), f"{place}.{path}", *trouble.parts()) for trouble in fault.troubles]
    return tuple(found)


def reading(path: str, value: object, *, override: bool = True) -> tuple[object, str | None] | None:
    """The value with its unit that the field of a key path reads; None where there is nothing to read, no such field, or it is refused.

    Parameters: key path with ids; value as written; whether it was put in place of the file's, where a number or a date may be text.
    """
    leaf = leaf_at(Site, path)
    if value is None or leaf is None:
        return None
    try:
        return leaf.parse(Raw(path, (), value.get("value") if isinstance(value, dict) else value, override=override))
    except LeafFault:
        return None


def same(one: object, other: object) -> bool:
    """Whether two values or lists of values are the same, the last bit of numbers guarded."""
    if isinstance(one, (list, tuple)) and isinstance(other, (list, tuple)):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, (int, float)) and isinstance(other, (int, float)) and bool not in (type(one), type(other)):
        return math.isclose(one, other, rel_tol=GUARD, abs_tol=GUARD)
    return type(one) is type(other) and one == other


def _of_home(site: Path, cases: list[Case]) -> list[Entry]:
    """The studies of one home; one with its faults where its file cannot be read."""
    data, fault = read_bytes(site.as_posix(), site)
    tables = None
    if fault is None:
        tables, fault, _ = parse_toml(site.as_posix(), data)
    if fault is not None:
        return [Entry("", case.id, site, case.edition, case.put, faults=(fault,)) for case in cases]
    name = value_at(tables, "site.id")
    taken = [case for case in cases if case.takes(tables)]
    if not taken:
        return [Entry(str(name or ""), BASE_CASE, site, left_out="no case of the portfolio takes this home")]
    missing = Fault(site.as_posix(), "site.id", "a home without an id", "", "an id in quotes", 'add id = "..." under [site]')
    faults = () if isinstance(name, str) and name else (missing,)
    return [Entry(name if isinstance(name, str) else "", case.id, site, case.edition, case.put, faults=faults) for case in taken]
