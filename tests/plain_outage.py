"""The sweep of outages as a plain loop, written from the rules in words, to hold the engine to: slow and simple."""

from __future__ import annotations


def outage(start, charge, loads, sun, hours, store, shed, restore, steps):
    """Duration [h], unserved by tier, curtailed and served [kWh] of one start."""
    n, tiers = len(loads), len(loads[0])
    capacity = store.capacity_kwh
    stop = store.cutoff_frac * capacity
    alive, running = charge > stop + 1e-12, [True] * tiers
    duration = None if alive else 0.0
    unserved, curtailed, total = [0.0] * tiers, 0.0, 0.0
    for step in range(steps):
        want, light = loads[(start + step) % n], sun[(start + step) % n]
        level = charge / capacity if capacity else 0.0
        charge_limit, discharge_limit = (limits[min(int(level * 100 + 1e-9), 100)] for limits in (store.charge_kw, store.discharge_kw))
        given, part, lost_sun = [0.0] * tiers, 0.0, 0.0
        if not alive:
            taken = min(light, charge_limit, (capacity - charge) / store.charge_efficiency / hours) if store.wakes else 0.0
            charge += taken * store.charge_efficiency * hours
            lost_sun = (light - taken) * hours
            if taken > 0 and charge >= store.restart_frac * capacity and charge > stop + 1e-12:
                alive = True
                running = [charge >= level * capacity for level in restore]
        else:
            running = [tier == 0 or (level >= shed[tier] if running[tier] else level >= restore[tier]) for tier in range(tiers)]
            given = [kw if on else 0.0 for kw, on in zip(want, running, strict=True)]
            leaked = charge * (1 - (1 - store.leak_per_h) ** hours)
            space = capacity - charge + leaked + store.standby_kw * hours
            takes = min(charge_limit, space / store.charge_efficiency / hours)
            gone = 0.0
            if store.trips and light - sum(given) > takes + 1e-12:
                gone, light = light, 0.0
            most = min(light + discharge_limit, store.most_kw)
            for tier in range(tiers - 1, 0, -1):
                if sum(given) > most + 1e-12:
                    given[tier] = 0.0
            given[0] = min(given[0], most) if sum(given[1:]) == 0 else given[0]
            need = sum(given)
            into = min(light - need, takes) if light > need else 0.0
            out = max(0.0, need - light)
            drain = (out / store.discharge_efficiency + store.standby_kw - into * store.charge_efficiency) * hours
            have = max(0.0, charge - leaked - stop)
            part = 1.0
            if drain > have + 1e-12:
                part = have / drain
                charge, alive, running = stop, False, [False] * tiers
            else:
                charge -= leaked + drain
            given = [kw * part for kw in given]
            idle = max(0.0, light - need) - into
            lost_sun = (idle * part + light * (1 - part) + gone) * hours
        charge = capacity if charge >= capacity - 1e-9 else charge
        if duration is None and (part < 1 or given[0] < want[0] - 1e-9):
            duration = (step + (part if given[0] >= want[0] * part - 1e-9 else 0.0)) * hours
        curtailed += lost_sun
        total += sum(given) * hours
        unserved = [lack + (kw - got) * hours for lack, kw, got in zip(unserved, want, given, strict=True)]
    return steps * hours if duration is None else duration, unserved, curtailed, total
