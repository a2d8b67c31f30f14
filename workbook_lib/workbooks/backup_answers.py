"""The sweep of a home's outages and what is asked of it: how long, how likely, by how much storage."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Assumption
from workbook_lib.workbooks.backup_profile import Profile
from workbook_lib.workbooks.backup_store import Chain
from workbook_lib.workbooks.backup_sun import Sun
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.prepare import text

MEDIAN, NINE_IN_TEN = 0.5, 0.9
MOST_TIMES, MOST_KWH = 40.0, 400.0
"""Storage is sought up to so many times what there is, and at least so much [kWh]."""
_KNOWN: dict[bytes, Answers] = {}
KEPT = 12


@dataclass(frozen=True, eq=False)
class Setting:
    """What a sweep runs on: arrays of the year, the store, levels of charge at which tiers go and come back [-]."""

    profile: Profile
    sun: Sun
    chain: Chain
    start_frac: float | None
    operation: str
    reserve_frac: float
    window: tuple[float, float] | None
    from_grid: bool
    shed: tuple[float, ...]
    restore: tuple[float, ...]

    def start_kwh(self, store):
        """Charge as an outage begins, at every step [kWh]."""
        import numpy as np

        from workbook_lib.simulate import steps
        from workbook_lib.simulate.year import baseline

        n = len(self.profile.steps)
        if self.start_frac is not None:
            return np.full(n, self.start_frac * store.capacity_kwh)
        if self.operation == "hold-full":
            return np.full(n, store.capacity_kwh)
        allowed = None if self.window is None else steps.window(self.profile.steps, *self.window) > 0.5
        home, sun = self.profile.home_kw, self.sun.home_kw
        return baseline(home, sun, self.profile.steps.step_h, store, self.operation, self.reserve_frac, allowed, self.from_grid)

    def durations(self, store, horizon_h: float, *, tiers: int | None = None, sunless: bool = False, starts=None):
        """Duration of each start [h], or of those named; of the first tiers alone or without sun where that is asked."""
        import numpy as np

        from workbook_lib.simulate.outage import sweep

        loads = self.profile.loads_kw[:, :tiers]
        sun = np.zeros_like(self.sun.island_kw) if sunless else self.sun.island_kw
        shed, restore = (np.array(one[: loads.shape[1]]) for one in (self.shed, self.restore))
        start, step_h = self.start_kwh(store), self.profile.steps.step_h
        found = sweep(start, loads, sun, step_h, store, shed, restore, horizon_h=horizon_h, whole=False, starts=starts)
        return found.duration_h


@dataclass(frozen=True, eq=False)
class Answers:
    """What the sweep says.

    `durations_h` of every start; `sunless_h` the same without sun; `unserved_kwh` shape (n, tiers),
    `held_kwh` shape (n,) within the time asked for; `gains` rows of a number of tiers and the durations with these alone;
    `start_kwh`; `error_kwh` the largest that a balance leaves open; `needed` nameplate [kWh] and whether more always holds.
    """

    durations_h: object
    sunless_h: object
    unserved_kwh: object
    held_kwh: object
    gains: tuple[tuple[int, object], ...]
    start_kwh: object
    error_kwh: float
    needed: tuple[float, bool] | None


def setting(work: Work, profile: Profile, sun: Sun, chain: Chain) -> Setting:
    """What the sweep runs on, with how the store is operated. Errors: MissingInput."""
    backup = work.site.backup
    shed, restore = _levels(work, profile)
    base = {"profile": profile, "sun": sun, "chain": chain, "shed": shed, "restore": restore, "from_grid": False}
    if backup.start_charge_fraction is not None:
        return Setting(start_frac=backup.start_charge_fraction.value, operation="", reserve_frac=0.0, window=None, **base)
    stores = work.stores()
    lacking = [f"storage.{one.id}.operation" for one in stores if one.operation is None]
    if lacking:
        raise MissingInput(
            [*lacking, "backup.start_charge_fraction"], "how full a store is as an outage begins turns on how it is operated"
        )
    ways = {text(one.operation) for one in stores}
    if len(ways) > 1:
        raise MissingInput([f"storage.{one.id}.operation" for one in stores], "stores of one island that are operated in different ways")
    way = ways.pop()
    if way == "hold-full":
        return Setting(start_frac=None, operation=way, reserve_frac=0.0, window=None, **base)
    lacking = [f"storage.{one.id}.reserve_fraction" for one in stores if one.reserve_fraction is None]
    if way == "time-of-use":
        names = ("discharge_from", "discharge_until")
        lacking += [f"storage.{one.id}.{name}" for one in stores for name in names if getattr(one, name) is None]
    if profile.home_kw is None:
        lacking.append("records.load")
    if lacking:
        raise MissingInput(lacking, f"a store operated by {way} is as full as the home with the grid on leaves it")
    reserve = weighed(work, "reserve_fraction")
    window = None
    if way == "time-of-use":
        apart = [f"storage.{one.id}.{name}" for one in stores for name in names if len({getattr(row, name).value for row in stores}) > 1]
        if apart:
            raise MissingInput(apart, "stores of one island that discharge in different windows")
        window = (stores[0].discharge_from.value, stores[0].discharge_until.value)
        base["from_grid"] = all(text(source.charges_from) == "utility" for source in work.forming())
    return Setting(start_frac=None, operation=way, reserve_frac=reserve, window=window, **base)


def weighed(work: Work, name: str) -> float:
    """A fraction of all stores of the island, weighed by what each holds [-]."""
    from workbook_lib.rules import energy

    held = [(energy.stored_energy(one).value, getattr(one, name).value) for one in work.stores()]
    return sum(kwh * part for kwh, part in held) / sum(kwh for kwh, _ in held)


def _levels(work: Work, profile: Profile) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Levels of charge at which each tier is shed and restored, by the order of the profile [-]."""
    rows = {row.tier.value: row for row in work.site.backup.tier if row.tier is not None}
    shed, restore = [0.0], [0.0]
    if profile.tiers[0] in rows:
        work.notes.append(f"tier {profile.tiers[0]} is the last that runs: it is kept to the end, whatever level its row gives")
    for tier in profile.tiers[1:]:
        row = rows.get(tier)
        if row is not None and (row.shed is None) != (row.restore is None):
            lacking = "shed" if row.shed is None else "restore"
            raise MissingInput(
                [f"backup.tier.{lacking}"], f"tier {tier} goes and comes back at two levels of charge, and one of them lacks"
            )
        if row is None or row.shed is None:
            words = f"tier {tier} has no levels of charge: it is never shed, and runs as long as the last"
            work.assumptions.append(Assumption("backup.tier", words))
        shed.append(row.shed.value if row is not None and row.shed is not None else 0.0)
        restore.append(row.restore.value if row is not None and row.restore is not None else 0.0)
    return tuple(shed), tuple(restore)


def answers(one: Setting, target_h: float | None, share: float | None, *, whole: bool) -> Answers:
    """The sweep of a setting, remembered by its numbers.

    Parameters: setting, target_h [h], share [-] that must reach it, whole False for durations alone. Returns: Answers.
    """
    key = _key(one, target_h, share, whole)
    if key not in _KNOWN:
        if len(_KNOWN) >= KEPT:
            _KNOWN.pop(next(iter(_KNOWN)))
        _KNOWN[key] = _answers(one, target_h, share, whole)
    return _KNOWN[key]


def forget() -> None:
    """Drop every sweep that is remembered."""
    _KNOWN.clear()


def _key(one: Setting, target_h: float | None, share: float | None, whole: bool) -> bytes:
    import numpy as np

    digest = hashlib.blake2b()
    for array in (one.profile.loads_kw, one.sun.island_kw, one.sun.home_kw, one.profile.home_kw):
        digest.update(b"-" if array is None else np.ascontiguousarray(array).tobytes())
    store = one.chain.engine()
    plain = (one.start_frac, one.operation, one.reserve_frac, one.window, one.from_grid, one.shed, one.restore, target_h, share, whole)
    times = (one.profile.steps.step_s, one.profile.tiers, one.chain.nameplate)
    for array in (store.packed(), store.charge_kw, store.discharge_kw, repr((plain, times)).encode()):
        digest.update(array if isinstance(array, bytes) else array.tobytes())
    return digest.digest()


def _answers(one: Setting, target_h: float | None, share: float | None, whole: bool) -> Answers:
    import numpy as np

    from workbook_lib.simulate.outage import HORIZON_H, sweep

    store, step_h = one.chain.engine(), one.profile.steps.step_h
    durations = one.durations(store, HORIZON_H)
    if not whole:
        return Answers(durations, durations, np.zeros((0, 1)), np.zeros(0), (), np.zeros(0), 0.0, None)
    start, within = one.start_kwh(store), target_h if target_h is not None else HORIZON_H
    steps = _whole_steps(within, step_h)
    full = sweep(start, one.profile.loads_kw, one.sun.island_kw, step_h, store, np.array(one.shed), np.array(one.restore), horizon_h=steps)
    gains = tuple((count, one.durations(store, HORIZON_H, tiers=count)) for count in range(1, len(one.profile.tiers)))
    sunless = one.durations(store, HORIZON_H, sunless=True) if one.sun.island_kw.any() else durations
    return Answers(
        durations,
        sunless,
        full.unserved_kwh,
        full.curtailed_kwh,
        gains,
        start,
        float(np.abs(full.error_kwh).max()),
        storage_needed(one, target_h, share) if target_h is not None and share is not None else None,
    )


def _whole_steps(hours: float, step_h: float) -> float:
    """Hours up to the end of the step that holds them [h]."""
    return math.ceil(hours / step_h - 1e-9) * step_h


def storage_needed(one: Setting, target_h: float, share: float) -> tuple[float, bool] | None:
    """Nameplate that keeps the target for the share of the starts [kWh], powers as they are, and whether more always does."""
    from workbook_lib.simulate import answers as found

    nameplate, horizon = one.chain.nameplate, _whole_steps(target_h, one.profile.steps.step_h)

    def passing(kwh: float, starts):
        return one.durations(one.chain.engine(kwh / nameplate), horizon, starts=starts) >= target_h - found.GUARD_H

    steady = len(one.profile.tiers) == 1 and not one.chain.trips
    return found.needed(passing, len(one.profile.steps), share, max(MOST_KWH, MOST_TIMES * nameplate), steady=steady)
