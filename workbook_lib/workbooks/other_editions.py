"""The same home under the other editions, and which rules moved the load."""

from __future__ import annotations

from collections.abc import Iterable

from workbook_lib.editions import YEARS, Edition, difference, differing_tables, load
from workbook_lib.errors import MissingInput, WorkbookError
from workbook_lib.sheet import Input, Section, Table, Verdict, holds
from workbook_lib.workbooks import service_load
from workbook_lib.workbooks.methods import CALCULATE, TITLES
from workbook_lib.workbooks.prepare import nominal_voltage

LEAST_MOVE_VA = 0.5
"""Movement [VA] below which a rule is not named."""


def other_editions(home, edition: Edition) -> tuple[Section, ...]:
    """Load by the chosen method under each edition, and the rules that move it between consecutive ones.

    Parameters: home, edition in use. Returns: sections with tables [VA, A]. The jurisdiction's local
    rules apply under every edition, so that only the code differs.
    """
    method = service_load.CHOICES.get(service_load.text(home.site.study.service_load_method), "")
    if method not in CALCULATE:
        return (Section("The same home under the other editions", (), "No method is chosen that can be computed."),)
    rows: list[tuple[object, ...]] = []
    for year in YEARS:
        rows.append(_row(home, load(year), method, year == edition.year))
    columns = ("Edition", "Load (VA)", "Load (A)", "Service capacity alone", "Status")
    first = Section(
        "The same home under the other editions",
        (),
        f"{TITLES[method]}, everything else as filed, without the credit of a control. A what-if is not the adopted edition.",
        Table(columns, tuple(rows), "Load by edition", 1),
    )
    moves = [row for before, after in zip(YEARS, YEARS[1:], strict=False) for row in _moves(home, load(before), load(after), method)]
    words = ("From", "To", "Rule that moves it", "Before", "Now", "Moves the load by (A)")
    prose = "Each rule is changed in turn, in the order of the list; the movements add up to the whole difference."
    return first, Section("Which rules move it", (), prose, Table(words, tuple(moves), "What moves the load from edition to edition", 1))


def _row(home, edition: Edition, method: str, in_use: bool) -> tuple[object, ...]:
    status = f"{edition.status}{', in use' if in_use else ''}"
    try:
        work = service_load.start(home, edition)
        total, low = _total(work, method), _low(work, method)
    except WorkbookError as lack:
        return (edition.year, "-", "-", "needs input", f"{status}; {lack}")
    amperes = total / nominal_voltage(work.edition).value
    limit = service_load.limit_of(work)
    if limit is None:
        return (edition.year, total, amperes, "needs input", status)
    verdict = Verdict.PASS if holds(amperes, "<=", limit.value) else Verdict.FAIL
    if verdict is Verdict.FAIL and low is not None and holds(low / nominal_voltage(work.edition).value, "<=", limit.value):
        verdict = Verdict.JUDGEMENT
    return (edition.year, total, amperes, f"{verdict} at {limit.value:g} A", status)


def _total(work, method: str) -> float:
    if work.general_lack is not None and method != "measured":
        raise work.general_lack
    return CALCULATE[method](work.scope, work.edition, work.general).total.value


def _low(work, method: str) -> float | None:
    """Load by the lowest reading of a record [VA], where the method leaves it open."""
    low = CALCULATE[method](work.scope, work.edition, work.general).low
    return None if low is None else low.value


def _moves(home, before: Edition, after: Edition, method: str) -> Iterable[tuple[object, ...]]:
    """Rows of what moves the load from one edition to the next, one rule at a time."""
    keys = [key for key, old, new in difference(before, after) if _value(old) != _value(new)]
    keys += [f"table:{name}" for name in differing_tables(before, after)]
    try:
        current, now = before, _total(service_load.start(home, before), method)
    except MissingInput as lack:
        yield before.year, after.year, str(lack), "-", "-", "-"
        return
    moved = False
    for key in keys:
        following = current.with_values_of(after, [key])
        try:
            total = _total(service_load.start(home, following), method)
        except MissingInput as lack:
            yield before.year, after.year, str(lack), _show(before, key), _show(after, key), "-"
            return
        if abs(total - now) > LEAST_MOVE_VA:
            moved = True
            yield (
                before.year,
                after.year,
                _words(before, after, key),
                _show(before, key),
                _show(after, key),
                (total - now) / nominal_voltage(before).value,
            )
        current, now = following, total
    if not moved:
        yield before.year, after.year, "no rule that this load uses gives another number", "-", "-", 0.0


def _value(item: Input | None) -> object:
    return None if item is None else item.value


def _words(before: Edition, after: Edition, key: str) -> str:
    if key.startswith("table:"):
        return f"{key[6:].replace('_', ' ')} ({before.source_of(key[6:]).locator} to {after.source_of(key[6:]).locator})"
    item = after.value(key) if after.has(key) else before.value(key)
    old = before.value(key).source.locator if before.has(key) else "none"
    new = after.value(key).source.locator if after.has(key) else "not seen"
    return f"{item.meaning} ({old} to {new})" if old != new else f"{item.meaning} ({new})"


def _show(edition: Edition, key: str) -> str:
    if key.startswith("table:"):
        return "table"
    if not edition.has(key):
        return "not seen"
    item = edition.value(key)
    if isinstance(item.value, str):
        return item.value
    return f"{item.value:g} {item.unit or ''}".strip()
