"""The store of an island as the sweep takes it: energy from the nameplate to the loads, power both ways, levels, losses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from workbook_lib.errors import MissingInput
from workbook_lib.rules import energy, store
from workbook_lib.sheet import Assumption, Quantity, Section, Step
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.prepare import text

LOST_NOTHING = {
    "usable_fraction": "the whole nameplate is usable",
    "health_fraction": "nothing has faded with age",
    "temperature_fraction": "nothing is lost to temperature",
    "standby_loss": "it draws nothing for itself",
}
"""Fields of a store that may be left out, and what is then taken: on the hopeful side."""
HOPEFUL = tuple(LOST_NOTHING)


@dataclass(frozen=True)
class Chain:
    """All stores of the island as one.

    `capacity` what they hold as they are now [kWh]; `usable` what of it reaches the loads [kWh]; `nameplate` [kWh]; `discharge`,
    `charge` AC power limits [W]; `efficiency` of discharging, `charging` [-]; `standby_w` [W]; `leak_per_h`; `cutoff`, `restart`
    of what they hold [-]; `discharge_points`, `charge_points` pairs of charge [-] and power [W] of all stores; `trips`, `wakes`,
    `most_w` [W] as the engine takes them; `parts` of the chain for the figure (words, change, left) [kWh]; `hopeful` fields taken as
    losing nothing.
    """

    capacity: Quantity
    usable: Quantity
    nameplate: float
    discharge: Quantity
    charge: Quantity
    efficiency: Quantity
    charging: float
    standby_w: float
    leak_per_h: float
    cutoff: float
    restart: float
    discharge_points: tuple[tuple[float, float], ...]
    charge_points: tuple[tuple[float, float], ...]
    trips: bool
    wakes: bool
    most_w: float
    parts: tuple[tuple[str, float, float], ...]
    hopeful: tuple[str, ...]

    def engine(self, scale: float = 1.0):
        """The store of the engine, its capacity times `scale`, powers and losses as they are."""
        import numpy as np

        from workbook_lib.simulate.outage import LEVELS, Store

        levels = np.linspace(0.0, 1.0, LEVELS)

        def limit(most_w: float, points: tuple[tuple[float, float], ...]):
            if not points:
                return np.full(LEVELS, most_w / 1000.0)
            at, power = zip(*points, strict=True)
            return np.minimum(most_w, np.interp(levels, at, power)) / 1000.0

        return Store(
            self.capacity.value * scale,
            self.charging,
            self.efficiency.value,
            limit(self.charge.value, self.charge_points),
            limit(self.discharge.value, self.discharge_points),
            self.standby_w / 1000.0,
            self.leak_per_h,
            self.cutoff,
            max(self.restart, self.cutoff),
            self.trips,
            self.wakes,
            self.most_w / 1000.0,
        )


def chain(work: Work) -> Chain:
    """The stores behind the inverters of the island. Returns: Chain, and puts its section on the sheet. Errors: MissingInput."""
    stores = work.stores()
    if not stores:
        raise MissingInput(["storage"], "no storage stands behind an inverter of the island")
    lacking = [f"storage.{one.id}.energy" for one in stores if one.energy is None]
    lacking += [
        f"storage.{one.id}.roundtrip_efficiency" for one in stores if one.roundtrip_efficiency is None and one.discharge_efficiency is None
    ]
    if lacking:
        raise MissingInput(lacking)
    held = [energy.stored_energy(one) for one in stores]
    ways = [energy.one_way(one) for one in stores]
    reach = [energy.usable_energy(one, kept, way) for one, kept, way in zip(stores, held, ways, strict=True)]
    capacity = store.added("storage.capacity", "energy that all stores hold, as they are now", held)
    usable = store.added("storage.usable", "usable energy of all stores at the loads", reach)
    discharge, charge, steps = _powers(work, stores)
    found = Chain(
        capacity=capacity,
        usable=usable,
        nameplate=sum(one.energy.value * one.count.value for one in stores),
        discharge=discharge,
        charge=charge,
        efficiency=store.shared_fraction("storage.efficiency", "discharge efficiency of all stores", list(zip(held, ways, strict=True))),
        charging=_mean(held, [energy.charging_efficiency(one) for one in stores]),
        standby_w=sum(one.standby_loss.value * one.count.value for one in stores if one.standby_loss is not None),
        leak_per_h=_mean(held, [store.leak_per_hour(one) for one in stores]),
        cutoff=_mean(held, [one.cutoff_fraction.value if one.cutoff_fraction is not None else 0.0 for one in stores]),
        restart=_mean(held, [one.restart_fraction.value if one.restart_fraction is not None else 0.0 for one in stores]),
        discharge_points=_points(stores, "discharge_limit"),
        charge_points=_points(stores, "charge_limit"),
        trips=_trips(work),
        wakes=_wakes(work),
        most_w=_most(work),
        parts=_parts(stores, held, reach),
        hopeful=tuple(f"storage.{one.id}.{name}" for one in stores for name in HOPEFUL if _given(one, name) is None),
    )
    _tell(work, stores, found)
    work.result("usable_energy_kwh", usable)
    prose = "From the nameplate to the loads: units, usable part, age, temperature, level at which it stops, and the way out."
    work.sections.append(Section("Energy of the store", (*held, *(way for way in ways if isinstance(way, Step)), *reach), prose))
    work.sections.append(Section("Power of the store", tuple(steps), "What the inverters and the stores behind them give and take."))
    return found


def _given(item, name: str):
    return energy.health(item) if name == "health_fraction" else getattr(item, name)


def _mean(held: Sequence[Step], values: Sequence[float]) -> float:
    """Weighed by what each store holds."""
    return sum(kept.value * value for kept, value in zip(held, values, strict=True)) / sum(kept.value for kept in held)


def _powers(work: Work, stores) -> tuple[Quantity, Quantity, list[Step]]:
    """AC power out and in [W], each inverter with the stores behind it; and the steps behind them."""
    volts = work.volts
    out, into, steps = [], [], []
    for source in work.backing():
        behind = [one for one in stores if one.inverter == source.id]
        if not behind:
            continue
        most = store.inverter_power(source, volts)
        takes = store.charging_power(source, volts, most)
        steps += [one for one in (most, takes) if isinstance(one, Step)]
        for name, limit, found in (("discharge_power", most, out), ("charge_power", takes, into)):
            own = [store.store_power(one, name, name.replace("_", " ")) for one in behind]
            parts = [limit]
            if all(one is not None for one in own):
                steps += [one for one in own if one is not None]
                parts.append(store.added(f"source.{source.id}.{name}", f"{name.replace('_', ' ')} behind {source.id}", own))
            found.append(store.lesser(f"source.{source.id}.{name}_limit", f"{name.replace('_', ' ')} through {source.id}", parts))
    discharge = store.added("storage.discharge", "power of all stores to the loads", out)
    charge = store.added("storage.charge", "power of all stores from the sun", into)
    steps += [one for one in (*out, *into, discharge, charge) if isinstance(one, Step)]
    return discharge, charge, list({id(one): one for one in steps}.values())


def _points(stores, name: str) -> tuple[tuple[float, float], ...]:
    """Power by charge of all stores together [-], [W]; nothing where no store has such a table.

    Errors: MissingInput where one store has one and another has not.
    """
    having = [one for one in stores if getattr(one, name)]
    if not having:
        return ()
    without = [f"storage.{one.id}.{name}" for one in stores if one not in having]
    lacking = [
        f"storage.{one.id}.{name}.{index}.{field}"
        for one in having
        for index, row in enumerate(getattr(one, name))
        for field in ("charge_fraction", "power")
        if getattr(row, field) is None
    ]
    if without or lacking:
        raise MissingInput([*without, *lacking], "each store of the island needs its limits by charge, or none of them")
    import numpy as np

    tables = [(sorted((row.charge_fraction.value, row.power.value * one.count.value) for row in getattr(one, name))) for one in having]
    levels = sorted({level for table in tables for level, _ in table})
    sums = sum(np.interp(levels, [level for level, _ in table], [power for _, power in table]) for table in tables)
    return tuple(zip(levels, (float(one) for one in sums), strict=True))


def _trips(work: Work) -> bool:
    return any(one.island is not None and text(one.island.surplus) == "trip" for one in work.forming())


def _wakes(work: Work) -> bool:
    """Whether the sun reaches a dead store: arrays behind its own inverter do, others only where a grid is formed for them."""
    own = any(one.array for one in work.forming())
    return own or not work.arrays() or any(one.island is not None and text(one.island.dead_start) == "sun" for one in work.forming())


def _most(work: Work) -> float:
    """What sun and stores together bring to the loads [W], where arrays stand behind an inverter of the island: its power is for both."""
    own = [one for one in work.forming() if one.array]
    if not own:
        return inf
    beside = [store.inverter_power(one, work.volts).value for one in work.arrays()]
    return sum(store.inverter_power(one, work.volts).value for one in work.forming()) + sum(beside)


def _parts(stores, held: Sequence[Step], reach: Sequence[Step]) -> tuple[tuple[str, float, float], ...]:
    """The chain of all stores for the figure: words, change, what is left [kWh]."""
    names = {
        "usable_fraction": "outside the usable part",
        "health_fraction": "faded with age",
        "temperature_fraction": "lost to temperature",
    }
    left = sum(one.energy.value * one.count.value for one in stores)
    parts = [("nameplate of all units", left, left)]
    for name, words in names.items():
        change = 0.0
        for one in stores:
            given = dict(energy.factors(one))
            before = one.energy.value
            for factor, quantity in given.items():
                if factor == name:
                    change -= before * (1.0 - quantity.value)
                    break
                before *= quantity.value
        if change:
            left += change
            parts.append((words, change, left))
    cutoff = -sum(kept.value * one.cutoff_fraction.value for one, kept in zip(stores, held, strict=True) if one.cutoff_fraction is not None)
    if cutoff:
        left += cutoff
        parts.append(("below the level at which it stops", cutoff, left))
    total = sum(one.value for one in reach)
    parts.append(("lost on the way out", total - left, total))
    return tuple(parts)


def _tell(work: Work, stores, found: Chain) -> None:
    """Assumptions and notes of the chain."""
    for one in stores:
        for name, words in LOST_NOTHING.items():
            if _given(one, name) is None:
                work.assumptions.append(Assumption(f"storage.{one.id}.{name}", f"{one.id}: not given, so {words}"))
        if one.discharge_efficiency is None:
            words = f"{one.id}: the round trip is split evenly between charging and discharging"
            work.assumptions.append(Assumption(f"storage.{one.id}.discharge_efficiency", words))
        if one.cutoff_fraction is None:
            words = f"{one.id}: not given, so it runs down to nothing"
            work.assumptions.append(Assumption(f"storage.{one.id}.cutoff_fraction", words))
        if one.standby_loss is not None:
            watts = one.standby_loss.value * one.count.value
            work.notes.append(f"{one.id} draws {watts:g} W for itself while an island stands, all its units: a load of its own over days")
        if one.self_discharge_per_month is None:
            words = f"{one.id}: not given, so it loses nothing by standing"
            work.assumptions.append(Assumption(f"storage.{one.id}.self_discharge_per_month", words))
    if work.arrays() or any(one.array for one in work.forming()):
        work.notes.append(
            "A store that has stopped may stay dead with the sun on the roof: what wakes it, from which charge, and whether by hand, is in "
            "its instructions. Here it then draws nothing for itself, on the hopeful side."
        )
    if len(stores) > 1:
        words = "several stores are taken as one: each at the same part of its charge, fractions weighed by what they hold"
        work.assumptions.append(Assumption("storage", words))
    if work.arrays() and not any(one.island is not None and one.island.surplus is not None for one in work.forming()):
        words = "not given, so arrays ease off where nothing takes their sun, and do not trip"
        work.assumptions.append(Assumption(f"source.{work.forming()[0].id}.island.surplus", words))
    if work.arrays() and not found.wakes:
        words = "not given, or by the grid alone: a store that has stopped forms no grid for the arrays, and their sun is lost until then"
        work.assumptions.append(Assumption(f"source.{work.forming()[0].id}.island.dead_start", words))
