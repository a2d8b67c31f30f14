"""A plain table of weather: columns by their names, stamps at the start or the end, a clock without guessing."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.records.clock import Clock
from workbook_lib.records.weather import COLUMNS, Weather, assembled, check_values

NAMES = {
    "time": ("time", "timestamp", "datetime", "date"),
    "ghi": ("ghi", "global horizontal", "global irradiance"),
    "dni": ("dni", "direct normal", "beam normal"),
    "dhi": ("dhi", "diffuse horizontal", "diffuse"),
    "temperature": ("temp_air", "air temperature", "temperature", "temp"),
    "wind": ("wind_speed", "wind speed", "wind"),
}
"""Words by which a column is recognised, the surest first."""


def read_table(
    path: Path, shown: str, field: str, columns: dict[str, str], stamp: str | None, clock: Clock | None, typical: bool | None
) -> Weather:
    """Weather from a table [W/m^2, degC, m/s]. Errors: InputFault with every fault; MissingInput for what is not said."""
    import pandas

    try:
        data = pandas.read_csv(path, dtype=str, encoding="utf-8-sig", skip_blank_lines=True)
    except (UnicodeDecodeError, ValueError) as error:
        what = "text of another encoding" if isinstance(error, UnicodeDecodeError) else "not a table"
        said = str(error).splitlines()[0][:120]
        raise InputFault(
            [Fault(shown, f"{field}.file", what, said, "a table in UTF-8 with a heading", "save it as CSV in UTF-8")]
        ) from None
    chosen, faults = _columns(list(data.columns), columns, shown, field)
    if not len(data):
        faults.append(Fault(shown, f"{field}.file", "no rows under the heading", "0", "hours of weather", "take the whole file"))
    if faults:
        raise InputFault(faults)
    asked = []
    if stamp is None:
        words = chosen["time"].lower()
        stamp = "end" if "end" in words else "start" if "start" in words or "begin" in words else None
        asked += [f"{field}.stamp"] if stamp is None else []
    asked += [f"{field}.typical"] if typical is None else []
    utc, naive = _times(data[chosen["time"]], shown, field)
    if naive and clock is None:
        asked.append(f"{field}.clock")
    if asked:
        raise MissingInput(
            asked, "the weather table does not say where its stamps stand, of which clock they are, or whether it is typical"
        )
    values = {name: pandas.to_numeric(data[chosen[name]], errors="coerce").to_numpy(dtype=float) for name in COLUMNS}
    check_values(values, shown, f"{field}.file")
    return _assembled(values, utc, naive, stamp, clock, typical, shown, field)


def _columns(there: list[str], given: dict[str, str], shown: str, field: str) -> tuple[dict[str, str], list[Fault]]:
    found: dict[str, str] = {}
    faults = []
    for name, words in NAMES.items():
        if name in given:
            fit = [column for column in there if column == given[name]]
        else:
            fit = next(
                (hits for word in words if (hits := [one for one in there if word in one.lower() and one not in found.values()])), []
            )
        if len(fit) == 1:
            found[name] = fit[0]
            continue
        what = f"no column of {name}" if not fit else f"several columns could be {name}"
        faults.append(
            Fault(shown, f"{field}.file", what, ", ".join(map(str, fit or there))[:200], f"one of {', '.join(words)}", "name it so")
        )
    return found, faults


def _times(column, shown: str, field: str) -> tuple[np.ndarray, bool]:
    """Seconds of the stamps, of UTC where they carry an offset, else of the wall. Errors: InputFault for what is no time."""
    import pandas

    texts = column.fillna("").str.strip()
    offset = texts.str.contains(r"(?:Z|[+-]\d\d:?\d\d)$", regex=True)
    parsed = pandas.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
    bad = parsed.isna().to_numpy()
    if bad.any() or (offset.any() and not offset.all()):
        first = int(np.flatnonzero(bad)[0]) if bad.any() else int(np.flatnonzero(~offset.to_numpy())[0])
        what = f"{int(bad.sum())} stamps that are no time" if bad.any() else "stamps with and without an offset"
        said = f"row {first + 2}: {texts.iloc[first]!r}"
        raise InputFault([Fault(shown, f"{field}.file", what, said, "2026-01-31T05:00, all with an offset or none", "write them so")])
    return parsed.dt.tz_localize(None).to_numpy().astype("datetime64[s]").astype(np.int64), not bool(offset.all())


def _assembled(values, stamps, naive: bool, stamp: str, clock: Clock | None, typical: bool, shown: str, field: str) -> Weather:
    steps = np.diff(stamps)
    step = int(np.median(steps)) if len(steps) else 0
    odd = (steps != step) & ~((np.abs(steps) > 20 * 86400) if typical else np.zeros(len(steps), bool))
    if step <= 0 or odd.any():
        place = int(np.flatnonzero(odd)[0]) + 3 if odd.any() else 2
        what, todo = "stamps are not evenly apart", "fill or cut the table; a clock with daylight saving is written in standard time"
        raise InputFault([Fault(shown, f"{field}.file", what, f"from row {place}", f"{step} s from row to row", todo)])
    standard = clock.standard_s if clock is not None else 0
    if naive and clock is not None and not typical and clock.changes_between(int(stamps[0]) - standard, int(stamps[-1]) - standard):
        what = "stamps of a clock with daylight saving, evenly apart"
        todo = 'declare the clock of standard time, as "Etc/GMT+7", or write offsets'
        raise InputFault([Fault(shown, f"{field}.clock", what, clock.name, "a clock without changes in the table", todo)])
    wall = (stamps if naive else stamps + standard) - (step if stamp == "end" else 0)
    years = sorted({int(year) for year in wall.astype("datetime64[s]").astype("datetime64[Y]").astype(int) + 1970})
    return assembled(values, wall=wall, length_s=step, standard_s=standard, typical=typical, years=years, file=Path(shown).name)
