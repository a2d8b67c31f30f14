"""Figures of the backup workbook from its sweep: curve, map, worst start, energy chain, motor starts."""

from __future__ import annotations

import calendar

from workbook_lib.sheet import Figure
from workbook_lib.workbooks import backup_figures
from workbook_lib.workbooks.backup_answers import NINE_IN_TEN, Answers, Setting
from workbook_lib.workbooks.backup_target import Asked, horizon_h
from workbook_lib.workbooks.backup_work import Work


def figures(work: Work, one: Setting, found: Answers, wanted: Asked) -> tuple[Figure, ...]:
    """Every figure that the home has; what shows its daily pattern is left out where the record is withheld."""
    steps, horizon = one.profile.steps, horizon_h()
    drawn = [backup_figures.survival(found.durations_h, wanted.target_h, wanted.share_frac, horizon)]
    if not (work.site.records is not None and work.site.records.withhold):
        share = wanted.share_frac or NINE_IN_TEN
        drawn.append(backup_figures.hour_map(found.durations_h, steps.month, steps.hour, share, horizon))
        drawn.append(_worst(one, found, wanted))
    drawn.append(backup_figures.chain(one.chain.parts))
    if work.starts:
        drawn.append(backup_figures.starts([(name, *(part.value for part in parts)) for name, *parts in work.starts]))
    return tuple(drawn)


def _worst(one: Setting, found: Answers, wanted: Asked) -> Figure:
    """The start that ends first, with every flow."""
    import numpy as np

    from workbook_lib.simulate.outage import trace

    steps, store = one.profile.steps, one.chain.engine()
    start = int(np.argmin(found.durations_h))
    count = round(horizon_h() / steps.step_h)
    walk = trace(
        start, float(found.start_kwh[start]), one.profile.loads_kw, one.sun.island_kw, steps.step_h, store, one.shed, one.restore, count
    )
    hour = float(steps.hour[start])
    label = f"{int(steps.day[start])} {calendar.month_name[int(steps.month[start])]}, {int(hour):02d}:{round(hour % 1 * 60):02d}"
    capacity = store.capacity_kwh or 1.0
    return backup_figures.worst_trace(
        label, steps.step_h, walk.load_kw, walk.served_kw, walk.sun_kw, walk.curtailed_kw, walk.charge_kwh / capacity,
        float(found.durations_h[start]), wanted.target_h,
    )  # fmt: skip
