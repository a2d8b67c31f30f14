"""Figures of the backup study, as data: survival curve, map by month and hour, worst start, energy chain, motor starts.

Durations are those of the sweep of outages; one that reaches the end of what a start is followed counts as at least that.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence

from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import Figure, Table, holds
from workbook_lib.workbooks.backup_answers import MEDIAN, NINE_IN_TEN

HOURS = (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 36.0, 48.0, 72.0, 96.0, 120.0, 144.0, 168.0)
"""Rows of the survival curve [h]."""
CURVE_POINTS = 672
"""Pieces of the survival curve that are drawn: quarter hours of seven days [count]."""
GUARD = 1e-9
"""The last bit of arithmetic [h, A, kWh]."""
TRACE_H, LONGEST_TRACE_H, MORE = 48.0, 168.0, 1.5
"""The worst start is shown for so long, at most so long [h]; and so many times the later of target and failure."""
PIECES_H, MOST_PIECES = (0.25, 0.5, 1.0, 2.0, 4.0), 200
"""Widths of a drawn piece of the worst start [h], and how many pieces at most [count]."""
ROWS_H, MOST_ROWS = (1.0, 2.0, 3.0, 6.0), 48
"""Widths of a row of its table [h], and how many rows at most [count]."""
NONE = "none"
DUST = 1e-6
"""What arithmetic leaves where there is nothing [kW, kWh, %]."""
_WORDS = ("first", "second", "third", "fourth", "fifth", "sixth")


def _say(value: float, decimals: int = 1, apart: Sequence[float] = ()) -> str:
    """A number in a sentence, zeros at its end left out; it reads neither as nothing nor as one of `apart` unless it is that."""
    near = [0.0] if abs(value) > DUST else []
    near += [other for other in apart if abs(other - value) > GUARD]
    while decimals < 9 and any(round(value, decimals) == round(other, decimals) for other in near):
        decimals += 1
    shown = f"{value:,.{decimals}f}" if round(value, decimals) else "0"
    shown = shown.rstrip("0").rstrip(".") if "." in shown else shown
    return shown.replace("-", "\N{MINUS SIGN}")


def percent(share: float, wanted: Sequence[float] = ()) -> str:
    """A share in percent, with enough digits that it reads neither as all, as none nor as a share that it is not.

    Parameters: share [-], other shares [-]. Returns: text without the sign.
    """
    near = [other for other in (0.0, 1.0, *wanted) if not math.isclose(other, share, rel_tol=0.0, abs_tol=1e-12)]
    for decimals in range(1, 10):
        shown = f"{100 * share:.{decimals}f}"
        if all(abs(float(shown) - 100 * other) > 1e-9 for other in near):
            break
    return shown.rstrip("0").rstrip(".")


def _how_long(hours: float, horizon_h: float) -> str:
    """A duration in words: at least the horizon where it is reached."""
    return f"at least {horizon_h:g} h" if hours >= horizon_h - GUARD else f"{_say(hours, apart=[horizon_h])} h"


def _durations(durations_h, horizon_h: float):
    """Durations as an array. Errors: CalculationFault where there is none, or one is no number or outside the horizon."""
    import numpy as np

    durations = np.asarray(durations_h, dtype=float).ravel()
    if not len(durations) or not np.isfinite(durations).all() or durations.min() < 0 or durations.max() > horizon_h + GUARD:
        raise CalculationFault("durations that cannot be drawn", value=f"{len(durations)} of them", limit=f"0 to {horizon_h:g} h each")
    return durations


# survival


def survival(durations_h, target_h: float | None, share: float | None, horizon_h: float) -> Figure:
    """Share of the starts that are still served after so many hours; a row of the grid is a time [h] and a share [%].

    Parameters: durations_h [h], target_h [h] and the share of starts [-] that must reach it, None where there is none; horizon_h [h].
    Returns: figure [%]. Errors: CalculationFault for no durations, or a target outside the horizon.
    """
    import numpy as np

    from workbook_lib.simulate import answers

    durations = _durations(durations_h, horizon_h)
    if target_h is not None and not 0 <= target_h <= horizon_h:
        raise CalculationFault("a target outside what a start is followed", value=f"{target_h} h", limit=f"0 to {horizon_h:g} h")
    times = np.linspace(0.0, horizon_h, CURVE_POINTS + 1)
    times = np.unique(np.append(times, [] if target_h is None else [target_h]))
    lasting = len(durations) - np.searchsorted(np.sort(durations), times - GUARD, side="left")
    shares = lasting / len(durations)
    curve = [(float(at), 100 * float(one)) for at, one in zip(times, shares, strict=True)]
    last = len(curve) - 1
    kept = [row for place, row in enumerate(curve) if place in (0, last) or row[1] != curve[place + 1][1] or row[0] == target_h]
    wanted = () if share is None else (share,)
    limits = () if target_h is None else (("target", float(target_h)), *(("wanted", 100 * one) for one in wanted))
    rows = []
    for hours in sorted({*(one for one in HOURS if one <= horizon_h), *(() if target_h is None else (float(target_h),))}):
        reached = answers.share_reaching(durations, hours)
        shown = percent(reached, wanted)
        name = f"{hours:g}" if hours != target_h else f"{hours:g} (target{f', {percent(share)} % wanted' if wanted else ''})"
        rows.append((name, 100 * reached if len(shown.partition(".")[2]) < 2 else shown))
    table = Table(("Hours", "Still served (% of the starts)"), tuple(rows), "Share of the starts served at least so long", 1)
    description = _survival_words(durations, target_h, share, horizon_h)
    return Figure("survival", "survival", "How many starts are still served", description, table, limits, "%", tuple(kept))


def _survival_words(durations, target_h: float | None, share: float | None, horizon_h: float) -> str:
    from workbook_lib.simulate import answers

    words = [f"{len(durations):,} starts of an outage, and the share of them that is still served after so many hours."]
    if target_h is not None:
        reached = answers.share_reaching(durations, target_h)
        said = percent(reached, () if share is None else (share,))
        met = (
            "" if share is None else f"; {percent(share)} % are wanted, so the target is {'kept' if reached >= share - 1e-12 else 'missed'}"
        )
        words.append(f"{said} % reach the target of {target_h:g} h{met}.")
    if durations.min() >= horizon_h - GUARD:
        return " ".join([*words, f"Every start is served for {_how_long(horizon_h, horizon_h)}, where the study ends."])
    half, nine = (_how_long(answers.reached(durations, one), horizon_h) for one in (MEDIAN, NINE_IN_TEN))
    shortest = _how_long(float(durations.min()), horizon_h)
    words.append(f"Half of the starts reach {half}, nine in ten {nine}; the shortest lasts {shortest}.")
    last = answers.share_reaching(durations, horizon_h)
    still = f"{percent(last)} % are" if last else "None is"
    words.append(f"{still} still served at {horizon_h:g} h, where the study ends.")
    words.append("Between two points that are drawn the line holds the later share, so that it never lies above the starts.")
    return " ".join(words)


# month by hour


def hour_map(durations_h, month, hour, share: float, horizon_h: float) -> Figure:
    """Duration that a share of the starts of each month and hour of the day reach; a row of the grid is an hour, its columns months.

    Parameters: durations_h [h], month 1 to 12 and hour 0 to 24 [h] in which each start begins, share [-], horizon_h [h].
    Returns: figure [h]. Errors: CalculationFault for no durations, or arrays that differ in shape.
    """
    import numpy as np

    from workbook_lib.simulate import answers

    durations = _durations(durations_h, horizon_h)
    months = np.asarray(month).ravel().astype(int)
    hours = np.floor(np.asarray(hour, dtype=float).ravel() + GUARD).astype(int) % 24
    if not len(durations) == len(months) == len(hours) or months.min() < 1 or months.max() > 12:
        raise CalculationFault("months and hours that do not fit the starts", value=f"{len(months)}, {len(hours)}", limit=len(durations))
    cells: list[list[float | None]] = [[None] * 12 for _ in range(24)]
    order = np.argsort(months * 24 + hours, kind="stable")
    keys, first = np.unique((months * 24 + hours)[order], return_index=True)
    for key, held in zip(keys, np.split(durations[order], first[1:]), strict=True):
        cells[int(key) % 24][int(key) // 24 - 1] = answers.reached(held, share)
    said = percent(share)
    table = _map_table(cells, said, horizon_h)
    title = f"Hours that {said} % of the starts reach, by month and hour"
    limits = (("end of the study", float(horizon_h)),)
    return Figure("hourmap", "hourmap", title, _map_words(cells, said, horizon_h), table, limits, "h", tuple(map(tuple, cells)))


def _map_table(cells: list[list[float | None]], said: str, horizon_h: float) -> Table:
    """Months across, hours down; a cell at the horizon has a sign that the caption tells."""
    most = f"{horizon_h:g}+"

    def shown(value: float | None) -> object:
        return NONE if value is None else most if value >= horizon_h - GUARD else value

    rows = tuple((f"{hour:02d}:00", *map(shown, row)) for hour, row in enumerate(cells))
    caption = f"Hours that {said} % of the starts of a month reach, by the hour in which they begin"
    caption += f"; {most} stands for at least {horizon_h:g} h" if any(most in row for row in rows) else ""
    return Table(("Begins from", *(calendar.month_abbr[month] for month in range(1, 13))), rows, caption, 1)


def _map_words(cells: list[list[float | None]], said: str, horizon_h: float) -> str:
    """What the map shows, its shortest and its longest cell."""
    known = [(value, month, hour) for hour, row in enumerate(cells) for month, value in enumerate(row, 1) if value is not None]
    least, most = min(known), max(known, key=lambda one: (one[0], -one[1], -one[2]))
    words = f"Duration that {said} % of the starts reach: months from left to right, from top to bottom the hour of the day in which the "
    words += "outage begins; the darker, the shorter. "
    if least[0] == most[0]:
        words += f"Every cell holds {_how_long(least[0], horizon_h)}."
    else:
        ends = []
        for value, month, hour in (least, most):
            more = sum(one[0] == value for one in known) - 1
            place = f"{calendar.month_name[month]} from {hour:02d}:00{f' and in {more} more' if more else ''}"
            ends.append(f"{_how_long(value, horizon_h)}, in {place}")
        words += f"The shortest cell holds {ends[0]}; the longest {ends[1]}."
    empty = 12 * 24 - len(known)
    words += f" {empty} {'cells are' if empty > 1 else 'cell is'} white: no start." if empty else ""
    return words


# worst start


def worst_trace(
    label: str, step_h: float, load_kw, served_kw, sun_kw, held_kw, charge_frac, failed_h: float, target_h: float | None
) -> Figure:
    """One start with every flow, and when the loads that are kept longest first fail.

    A row of the grid is a piece of time: from and to [h since the outage began], load wanted, sun, sun held back [kW], charge at its
    end [%], then what is served of each tier, the one that is kept longest first [kW].

    Parameters: label of the start; step_h [h]; arrays of the steps [kW], served_kw shape (steps, tiers), charge_frac [-]; failed_h
    when the loads that are kept longest first fail, target_h [h]. Returns: figure [kW]. Errors: CalculationFault for no step.
    """
    import numpy as np

    served = np.asarray(served_kw, dtype=float)
    flows = [np.asarray(one, dtype=float) for one in (load_kw, sun_kw, held_kw, 100 * np.asarray(charge_frac, dtype=float))]
    if served.ndim != 2 or not served.size or any(one.shape != served.shape[:1] for one in flows):
        raise CalculationFault("flows of a start that differ in shape", value=f"{[one.shape for one in flows]}, {served.shape}")
    if not all(np.isfinite(one).all() for one in (*flows, served)):
        raise CalculationFault("a flow of a start that is no number", where=label)
    whole_h = len(served) * step_h
    lasts = failed_h >= whole_h - GUARD
    later = max(failed_h, target_h or 0.0)
    window_h = min(LONGEST_TRACE_H, max(TRACE_H, math.ceil(MORE * later - GUARD)), whole_h)
    count = max(1, round(window_h / step_h))
    data = np.column_stack([*flows, served])[:count]
    width = next((one for one in (step_h, *PIECES_H) if one >= step_h - GUARD and window_h / one <= MOST_PIECES), PIECES_H[-1])
    limits = () if lasts else (("last-kept loads first fail after", float(failed_h)),)
    limits += () if target_h is None else (("target", float(target_h)),)
    description = _trace_words(label, data, step_h, failed_h, target_h, lasts)
    if width > step_h + GUARD:
        description += f" Each piece of the lines is the average of {_say(width, 2)} h."
    table = _trace_table(data, step_h, window_h, limits, failed_h if lasts else None)
    return Figure("worst_start", "outagetrace", f"The worst start: {label}", description, table, limits, "kW", _pieces(data, step_h, width))


def _pieces(data, step_h: float, width: float) -> tuple[tuple[float, ...], ...]:
    """Steps put together into pieces of a width [h]: averages, the charge (fourth column) at the end of each."""
    import numpy as np

    starts = np.arange(len(data)) * step_h
    piece = np.floor(starts / width + 1e-6).astype(int)
    _, first, counts = np.unique(piece, return_index=True, return_counts=True)
    means = np.add.reduceat(data, first, axis=0) / counts[:, None]
    means[:, 3] = data[first + counts - 1, 3]
    return tuple(
        (float(at) * step_h, float(at + held) * step_h, *(float(value) for value in row))
        for at, held, row in zip(first, counts, means, strict=True)
    )


def _trace_table(data, step_h: float, window_h: float, limits, lasting_h: float | None) -> Table:
    """Averages of the rows of the table, charge at the end of each."""
    width = next((one for one in ROWS_H if window_h / one <= MOST_ROWS + GUARD and one >= step_h - GUARD), ROWS_H[-1])
    rows = []
    for start, _, load, sun, held, charge, *served in _pieces(data, step_h, width):
        rows.append((_say(start, 2), load, *served, sun, held, charge))
    caption = f"Averages of each {'hour' if width == 1 else f'{width:g} h'} since the outage began"
    caption += "".join(f"; {name} {_say(value, 2)} h" for name, value in limits)
    caption += "" if lasting_h is None else f"; the last-kept loads are served for at least {_say(lasting_h)} h"
    tiers = tuple(f"{name} (kW)" for name in tier_names(data.shape[1] - 4))
    columns = ("From (h)", "Wanted (kW)", *tiers, "Sun (kW)", "Sun held back (kW)", "Charge at the end (%)")
    return Table(columns, tuple(rows), caption, 1)


def _trace_words(label: str, data, step_h: float, failed_h: float, target_h: float | None, lasts: bool) -> str:
    load, sun, held = (float(data[:, place].sum()) * step_h for place in range(3))
    served, charge = float(data[:, 4:].sum()) * step_h, data[:, 3]
    shown = f"{_say(len(data) * step_h, 2)} h"
    words = f"An outage that begins {label}. Of {_say(load)} kWh wanted in {shown} {_say(served, apart=[load])} kWh are served. "
    if lasts:
        words += f"The last-kept loads are served for at least {_say(failed_h)} h"
    else:
        words += f"The last-kept loads first fail after {_say(failed_h, 2, [] if target_h is None else [target_h])} h"
    if target_h is not None and not (lasts and failed_h < target_h):
        short = target_h - failed_h
        words += f", {_say(short, 2)} h short of the target of {target_h:g} h" if short > GUARD else f", and the target is {target_h:g} h"
    words += f". The charge is lowest at {_say(float(charge.min()))} % of what is usable and ends at {_say(float(charge[-1]))} %. "
    if sun > DUST:
        words += f"The sun gives {_say(sun)} kWh; {f'{_say(held)} kWh of them are' if held > DUST else 'nothing of it is'} held back. "
    else:
        words += "There is no sun. "
    words += "The thin line is the load that is wanted, below it filled what is served"
    return words + ("; dashed the sun" + (", dotted what of it is held back." if held > DUST else ".") if sun > DUST else ".")


def tier_names(count: int) -> tuple[str, ...]:
    """What the tiers of a start are called, the one that is kept longest first. Parameters: how many [count]."""
    if count == 1:
        return ("Served",)
    order = [_WORDS[place] if place < len(_WORDS) else f"as number {place + 1}" for place in range(count - 1)]
    return ("Served, kept longest", *(f"Served, shed {word}" for word in reversed(order)))


# energy chain


def chain(parts: Sequence[tuple[str, float, float]]) -> Figure:
    """Energy from the nameplate to the loads, part by part.

    Parameters: for each part its words, change and what is left after it [kWh], the nameplate first. Returns: figure [kWh].
    Errors: CalculationFault for no part, or parts that do not add up.
    """
    left, rows = 0.0, []
    for words, change, after in parts:
        left += change
        if not math.isfinite(after) or abs(left - after) > 1e-6 * max(1.0, abs(parts[0][2])):
            raise CalculationFault("an energy chain that does not add up", value=after, limit=left, where=words)
        rows.append((words, float(change), float(after)))
    if not rows:
        raise CalculationFault("an energy chain without a part", where="chain")
    whole, end = rows[0][2], rows[-1][2]
    losses = [(words, -change) for words, change, _ in rows[1:] if change < 0]
    frac = f" ({percent(end / whole)} %)" if whole else ""
    description = f"Of {_say(whole, 2)} kWh on the nameplate {_say(end, 2)} kWh{frac} reach the loads. "
    if losses:
        named = max(losses, key=lambda one: one[1])[0]
        listed = "; ".join(f"{words} {_say(lost, 2)} kWh" for words, lost in losses)
        description += f"In between: {listed}. Largest loss: {named}."
    else:
        description += "Nothing is taken as lost."
    rows.append(("reaches the loads", "", end))
    table = Table(("Part", "Change (kWh)", "Left (kWh)"), tuple(rows), "Energy from the nameplate to the loads", 2)
    return Figure("energy_chain", "waterfall", "From the nameplate to the loads", description, table, unit="kWh")


# motor starts


def starts(rows: Sequence[tuple[str, float, float, float]], limit_name: str = "peak of the island") -> Figure:
    """Each motor's starting current and what runs beside it against the peak that the island gives for seconds.

    Parameters: for each motor its name, starting current, other current and peak [A]; what the limit is called. Returns: figure [A].
    Errors: CalculationFault for no motor, or a current that is no number.
    """
    if not rows or not all(math.isfinite(value) and value >= 0 for row in rows for value in row[1:]):
        raise CalculationFault("motor starts that cannot be drawn", value=repr(tuple(rows)), where="starts")
    listed, words = [], []
    for name, start, other, peak in rows:
        together = start + other
        verb = "within" if holds(together, "<=", peak) else "above"
        listed.append((name, float(start), float(other), float(together), float(peak), f"{verb} the limit"))
        sums = f"{_say(start, 2)} A + {_say(other, 2)} A = {_say(together, 2, [peak])} A"
        words.append(f"{name} {sums}, {verb} {_say(peak, 2)} A")
    peaks = {row[4] for row in listed}
    above = sum(row[5] == "above the limit" for row in listed)
    description = f"Starting current and what runs beside it, against the {limit_name}: {'; '.join(words)}."
    if len(listed) > 1:
        description += f" {above or 'None'} of {len(listed)} {'is' if above < 2 else 'are'} above the limit; each motor starts by itself."
    columns = ("Motor", "Starts at (A)", "Beside it (A)", "Together (A)", f"{limit_name[0].upper()}{limit_name[1:]} (A)", "Together is")
    table = Table(columns, tuple(listed), f"Motor starts against the {limit_name}", 1)
    limits = ((limit_name, peaks.pop()),) if len(peaks) == 1 else ()
    return Figure("motor_starts", "motorstarts", f"Motor starts against the {limit_name}", description, table, limits, "A")
