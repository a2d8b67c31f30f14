"""For each assumed input: the value at which the verdict turns."""

from __future__ import annotations

from collections.abc import Callable

from workbook_lib.editions import Edition
from workbook_lib.errors import WorkbookError
from workbook_lib.home import read_home
from workbook_lib.sheet import Input, Section, Sheet, Table, Verdict

SPAN = 20.0
"""How far from the assumed value the turn is sought: down to 1/SPAN of it, up to SPAN times."""
STEPS = 22


def turning_values(home, edition: Edition, study: Callable[[object, Edition], Sheet], sheet: Sheet) -> Section:
    """Each assumed number that the verdict rests on, with the value at which the verdict changes.

    Parameters: home, edition, study(home, edition) -> Sheet, the sheet as it stands. Returns: a section
    with a table. The value is sought by bisection between limits around the assumed one, other inputs
    held; where the verdict does not change there, the table says so.
    """
    numbers = [item for item in sheet.inputs() if item.origin == "assumed" and isinstance(item.value, (int, float))]
    assumed = [item for item in numbers if isinstance(item.value, float) and item.value > 0]
    rows = tuple(_row(home, edition, study, sheet, item) for item in assumed)
    beside = [f"{item.key} = {item.value:g}" for item in numbers if item not in assumed]
    other = "other " if beside else ""
    prose = (
        "The verdict is run again with each assumed value changed alone."
        if rows
        else f"No {other}assumed number stands behind the verdict."
    )
    if beside:
        prose = f"Assumed counts, not varied: {', '.join(dict.fromkeys(beside))}. {prose}"
    table = Table(("Field", "Meaning", "Taken", "Verdict turns at"), rows, "Assumed values and where the verdict turns") if rows else None
    return Section("Assumed values", (), prose, table)


def _row(home, edition: Edition, study, sheet: Sheet, item: Input) -> tuple[object, ...]:
    taken = _text(item.value, item.unit)
    turns = []
    for far in (item.value / SPAN, item.value * SPAN):
        found = _turn(home, edition, study, sheet.verdict, item, far)
        if found is not None:
            turns.append(_text(found, item.unit))
    where = " and ".join(turns) or f"not between {_text(item.value / SPAN, item.unit)} and {_text(item.value * SPAN, item.unit)}"
    return (item.key, item.meaning, taken, where)


def _turn(home, edition: Edition, study, verdict: Verdict, item: Input, far: float) -> float | None:
    """Value between the assumed one and `far` at which the verdict first differs; None if it does not by `far`."""
    near, out = item.value, far
    if _verdict(home, edition, study, item, out) in (verdict, None):
        return None
    for _ in range(STEPS):
        middle = (near + out) / 2
        if _verdict(home, edition, study, item, middle) == verdict:
            near = middle
        else:
            out = middle
    return out


def _verdict(home, edition: Edition, study, item: Input, value: float) -> Verdict | None:
    """Verdict with one field changed; None where the changed file is refused."""
    try:
        changed = {**dict(home.overrides), item.key: _text(value, item.unit, exact=True)}
        return study(read_home(home.file, changed, text=home.text), edition).verdict
    except WorkbookError:
        return None


def _text(value: float, unit: str | None, *, exact: bool = False) -> str:
    if exact:
        number = f"{value:.9f}".rstrip("0").rstrip(".")
    else:
        number = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    return number if unit in (None, "frac", "count") else f"{number} {unit}"
