"""The same home under other editions: results side by side, and in words what moved."""

from __future__ import annotations

from collections.abc import Mapping

from workbook_lib import editions
from workbook_lib.errors import WorkbookError
from workbook_lib.render import content, numbers
from workbook_lib.render.content import Bullets, Grid, Heading, Part, Prose
from workbook_lib.sheet import CONFIRMED, Input, Result, Sheet

HEADLINES = 2
"""How many numeric results are set side by side: the first of the sheet."""


def other_editions(this: Sheet, others: Mapping[str, Sheet | WorkbookError]) -> Part:
    """Results of one home under each edition and what moved them.

    Parameters: the sheet under the home's own edition; for each edition a sheet, or why there is none.
    """
    keys = _headlines(this, others)
    columns = ("Edition", *(_in_words(this, others, key) for key in keys), "Verdict", "Controlling check")
    rows = tuple(_row(this, year, other, keys) for year, other in sorted(others.items()))
    grid = Grid(columns, rows, numeric=frozenset(range(1, 1 + len(keys))), kind="editions")
    blocks: list = [Heading("The same home under the other editions"), grid]
    for year, other in sorted(others.items()):
        if year != this.header.edition and isinstance(other, Sheet):
            blocks += [Heading(f"{year} instead of {this.header.edition}"), *_moved(this, other, keys)]
    return Part("editions", "The same home under the other editions", tuple(blocks))


def _headlines(this: Sheet, others: Mapping[str, Sheet | WorkbookError]) -> list[str]:
    for sheet in (this, *(other for other in others.values() if isinstance(other, Sheet))):
        keys = [key for key, result in sheet.results.items() if isinstance(result.value, (int, float))]
        if keys:
            return keys[:HEADLINES]
    return []


def _in_words(this: Sheet, others: Mapping[str, Sheet | WorkbookError], key: str) -> str:
    """The key of a result as a heading: without the unit at its end, which stands beside each value."""
    found = [sheet.results[key] for sheet in (this, *others.values()) if isinstance(sheet, Sheet) and key in sheet.results]
    unit = (found[0].unit or "").lower()
    stem = key.removesuffix(f"_{unit}") if unit else key
    return f"{stem.replace('_', ' ').capitalize()}, {found[0].unit}" if unit else stem.replace("_", " ").capitalize()


def _row(this: Sheet, year: str, other: Sheet | WorkbookError, keys: list[str]) -> tuple:
    own = " (this sheet)" if year == this.header.edition else ""
    if not isinstance(other, Sheet):
        return ((year + own,), *(("not computed",) for _ in keys), ("calculation fault",), (str(other),))
    decider = other.controlling
    bare = content.bare_sentence(other, decider) if decider else "no check applies"
    return ((year + own,), *((_result(other.results.get(key)),) for key in keys), (str(other.verdict),), (bare,))


def _result(result: Result | None) -> str:
    if result is None:
        return "not computed"
    text = numbers.bare(result.step) if result.step is not None else numbers.value_text(result.value)
    return numbers.with_unit(text, result.unit)


def _moved(this: Sheet, other: Sheet, keys: list[str]) -> list:
    """What moved the result: the values of the code that this home uses, then the rules they belong to."""
    ours, theirs = _code_values(this), _code_values(other)
    lines = [_change(ours.get(key), theirs.get(key)) for key in sorted(ours.keys() | theirs.keys(), key=str)]
    values = tuple((line,) for line in dict.fromkeys(lines) if line)
    used = {key for key, _, _ in ours.keys() | theirs.keys()}
    used |= {f"table:{key.partition(':')[0]}" for key in used}
    rules = editions.moved(this.header.edition, other.header.edition, used)
    said = tuple(((row.text + ("" if row.status == CONFIRMED else f" [{row.status}]"),)) for row in rules)
    same = all(_value(this, key) == _value(other, key) for key in keys)
    opening = "The results set side by side above are the same." if same else "The results above differ."
    blocks: list = [Prose((opening,))]
    if said:
        first, last = sorted((this.header.edition, other.header.edition))
        blocks += [
            Prose((f"Rules that touch this home, as they moved from {first} to {last}:",)),
            Bullets(tuple((text,) for (text,) in said)),
        ]
    blocks += [Prose(("Values of the code that this home uses:",)), Bullets(values, "None of them differs.")]
    return blocks


def _value(sheet: Sheet, key: str) -> object:
    result = sheet.results.get(key)
    return None if result is None else result.value


def _code_values(sheet: Sheet) -> dict[tuple[str, str, str], Input]:
    return {(item.key, item.meaning, item.unit or ""): item for item in sheet.inputs() if item.is_code}


def _list_change(ours: tuple[float, ...], theirs: tuple[float, ...]) -> str:
    gone, new = [[item for item in one if item not in other] for one, other in ((ours, theirs), (theirs, ours))]
    said = [f"without {numbers.value_text(tuple(gone))}"] if gone else []
    return ", ".join([*said, *([f"with {numbers.value_text(tuple(new))}"] if new else [])]) or "in another order"


def _change(ours: Input | None, theirs: Input | None) -> str:
    if ours is None and theirs is None:
        return ""
    if ours is None or theirs is None:
        item = theirs if ours is None else ours
        verb = "comes into use" if ours is None else "is no longer used"
        return f"{item.meaning}: {numbers.quantity_text(item)} {verb} ({item.source})"
    if ours.value == theirs.value:
        return ""
    if isinstance(ours.value, tuple) and isinstance(theirs.value, tuple):
        return f"{ours.meaning}: {_list_change(ours.value, theirs.value)} ({ours.source}; {theirs.source})"
    before, after = numbers.quantity_text(ours), numbers.quantity_text(theirs)
    return f"{ours.meaning}: {before} ({ours.source}) becomes {after} ({theirs.source})"
