"""Chargers, vehicles and controls of a home as the engine takes them: groups that follow one control, nights, what was taken for what."""

from __future__ import annotations

from dataclasses import dataclass, field

from workbook_lib.errors import MissingInput
from workbook_lib.rules.sharing import LEAST_A
from workbook_lib.sheet import Assumption, Input
from workbook_lib.workbooks import charging_stores
from workbook_lib.workbooks.charging_circuits import counted_current
from workbook_lib.workbooks.charging_work import CIRCUIT_WAYS, Work, circuit_limit, held_by
from workbook_lib.workbooks.prepare import charger_limit, root_panels, standing_controls, text

LITTLE_A = 1e-3
RESPONSE_S = 5.0
"""Response of a vehicle where it is not stated [s]. Source: IEC 61851-1, from memory; tens of seconds were observed on some."""
STOPS_S = 7.0
"""After this a charger stops a vehicle that draws too much, where it is not stated [s]; 6 s is the least.

Source: IEC 61851-1 as coded in an open implementation (checks of the loop's times)."""
MILES_PER_KWH = 100.0 / 30.0
"""Where it is not stated. Source: 30 kWh a 100 miles, of the range on the label of the Environmental Protection Agency."""
MILES = Input(
    "vehicle.miles_per_kwh", "miles on a kilowatt-hour, not stated: 30 kWh a 100 miles", MILES_PER_KWH, "frac", "choice", decimals=2
)
NEED_SHARE = 0.95
"""Share of the nights that must meet the need where it is not stated. A choice."""
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
TIMES = {
    "filter_time": "filter_s",
    "sensor_delay": "sensor_delay_s",
    "minimum_on": "minimum_on_s",
    "minimum_off": "minimum_off_s",
    "raise_delay": "raise_delay_s",
    "restart_spread": "restart_spread_s",
    "dead_band": "dead_band_a",
    "step": "step_a",
}
"""Fields of a control that are taken as none where they are not stated, and what the engine calls them."""


@dataclass(frozen=True)
class Night:
    """When a vehicle is there and what it needs: seconds after midnight, energy [kWh], days of the week; all None where it is not said.

    `share` of the nights that must meet the need [-] as given; `miles` on a kilowatt-hour. `daily_kwh` of a store that is charged anew
    each day from `begin_s` on.
    """

    arrive: Input | None = None
    depart: Input | None = None
    need: Input | None = None
    days: tuple[int, ...] = tuple(range(7))
    share: Input | None = None
    miles: Input = MILES
    daily_kwh: float | None = None
    begin_s: float = 0.0

    @property
    def known(self) -> bool:
        """Whether nights can be followed."""
        return None not in (self.arrive, self.depart, self.need)


@dataclass(frozen=True)
class Group:
    """Chargers, and stores that charge from the service, that follow one control, in the order of their rank.

    `control` and `vehicles` for the engine; `row` of the site file, None where nothing holds them; `setting` and `allowed` as given;
    `sees` whether it looks at the service; `nights` of each.
    """

    chargers: tuple
    control: object
    vehicles: tuple
    nights: tuple[Night, ...]
    row: object = None
    setting: Input | None = None
    sees: bool = False

    @property
    def ids(self) -> tuple[str, ...]:
        """Ids of what charges in it."""
        return tuple(one.id for one in self.chargers)


@dataclass
class Fleet:
    """Groups in the order in which they are followed, the one that looks at the service last; what of them is open, in words."""

    groups: list[Group] = field(default_factory=list)
    open: list[str] = field(default_factory=list)

    @property
    def service(self) -> Group | None:
        """The group whose control holds the service; None where none does."""
        return next((one for one in self.groups if one.sees), None)

    @property
    def order(self) -> tuple[str, ...]:
        """Ids of all chargers in the order of the runs."""
        return tuple(name for group in self.groups for name in group.ids)


def fleet(work: Work) -> Fleet:
    """Every charger in its group. Errors: MissingInput with every field that lacks."""
    found = Fleet()
    lacks: list[MissingInput] = _unfollowed(work)
    left = list(work.chargers)
    holding = work.service_controls()
    if len(holding) > 1:
        names = ", ".join(row.id for row, _ in holding)
        raise MissingInput([], f"{names} hold the service at once: how they stand to each other is not covered, and they are not followed")
    service = None
    for row, bound in holding[:1]:
        ones = [one for one in left if one.id in held_by(row)]
        left = [one for one in left if one not in ones]
        try:
            service = _service_group(work, found, row, bound, [*ones, *charging_stores.held(work, row)])
        except MissingInput as lack:
            lacks.append(lack)
    try:
        found.groups += [_store_group(work, one) for one in charging_stores.free(work, holding[0][0] if holding else None)]
    except MissingInput as lack:
        lacks.append(lack)
    for breaker in dict.fromkeys(work.circuit(one) for one in left):
        ones = [one for one in left if work.circuit(one) == breaker]
        try:
            found.groups += _circuit_groups(work, found, breaker, ones)
        except MissingInput as lack:
            lacks.append(lack)
    if lacks:
        fields = list(dict.fromkeys(name for lack in lacks for name in lack.fields))
        raise MissingInput(fields, "; ".join(dict.fromkeys(str(lack) for lack in lacks)))
    found.groups += [service] if service is not None else []
    return found


def _unfollowed(work: Work) -> list[MissingInput]:
    """Limits on what charges that the runs do not follow: at a place between, of a bus, or without a setting."""
    at_service = {id(bound) for _, bound in work.service_controls()}
    roots = {panel.id for panel in root_panels(work.home)}
    lacks = []
    for row in standing_controls(work.home):
        mine = [one for one in work.chargers if one.id in held_by(row)]
        places = {place for one in mine for place in (one.id, work.circuit(one))}
        for number, bound in enumerate(row.limit):
            if not mine or text(bound.way) not in CIRCUIT_WAYS or id(bound) in at_service:
                continue
            if bound.setting is None:
                lacks.append(MissingInput([f"control.{row.id}.limit.{number}.setting"], "a limit without its setting"))
            elif bound.at not in places and not (text(bound.way) == "import" and bound.at in ("service", *roots)):
                words = f"the limit of {row.id} at {bound.at} stands between charger and service, which is not followed"
                lacks.append(MissingInput([], words))
    return lacks


def _service_group(work: Work, found: Fleet, row, bound, ones) -> Group:
    """Chargers under a control that looks at the service; a limit of the same control at their common breaker holds too."""
    if bound.setting is None:
        raise MissingInput([f"control.{row.id}.limit.setting"])
    lacking = [f"control.{row.id}.{name}" for name in ("sample", "response") if getattr(row, name) is None]
    if lacking:
        raise MissingInput(lacking, "how often it looks and how soon it acts")
    order = _ranked(row, ones)
    stores = {one.id for one in ones} - {one.id for one in work.chargers}
    total = _together(work, [one for one in order if one.id not in stores], bool(stores))
    control = _control(work, found, row, setting_a=bound.setting.value, total=total)
    vehicles = tuple(charging_stores.store(one) if one.id in stores else _vehicle(work, found, one, row) for one in order)
    nights = tuple(_store_night(work, one) if one.id in stores else _night(work, one) for one in order)
    return Group(tuple(order), control, vehicles, nights, row, bound.setting, True)


def _together(work: Work, ones, beside: bool) -> Input | None:
    """The lowest limit of all these chargers on one circuit [A]; None where there is none. Errors: MissingInput where it cannot be told."""
    for breaker in dict.fromkeys(work.circuit(one) for one in ones):
        mine = [one for one in ones if work.circuit(one) == breaker]
        held = _lowest(work, breaker, {one.id for one in mine}) if len(mine) > 1 else None
        if held is None:
            continue
        if len(mine) == len(ones) and not beside:
            return held
        words = f"a limit at {breaker} holds some of what charges under one control of the service, which is not followed"
        raise MissingInput([], words)
    return None


def _lowest(work: Work, place: str, names: set[str]) -> Input | None:
    """The lowest setting of any control at a place that holds all of these [A], listed or not; None where there is none."""
    found = [
        bound.setting
        for row in standing_controls(work.home)
        if names <= held_by(row)
        for bound in row.limit
        if bound.at == place and text(bound.way) in CIRCUIT_WAYS and bound.setting is not None
    ]
    return min(found, key=lambda one: one.value, default=None)


def _store_group(work: Work, one) -> Group:
    """A store that charges from the service and that no control of it holds."""
    from workbook_lib.simulate.charging import Control

    return Group((one,), Control("none"), (charging_stores.store(one),), (_store_night(work, one),))


def _store_night(work: Work, one) -> Night:
    begin_s, daily_kwh = charging_stores.day(work, one)
    return Night(daily_kwh=daily_kwh, begin_s=begin_s)


def _ranked(row, ones) -> list:
    """What charges in the order in which the control names it; a store where its inverter or itself is named."""
    names = [text(name) for name in row.controls]
    return sorted(ones, key=lambda one: names.index(one.id) if one.id in names else len(names))


def _circuit_groups(work: Work, found: Fleet, breaker: str, ones) -> list[Group]:
    """Chargers that no control of the service holds: sharing a circuit, held at a limit of their own, or free."""
    from workbook_lib.simulate.charging import Control

    every = work.on_breaker(breaker)
    held = circuit_limit(work.home, breaker, {one.id for one in ones}) if len(ones) > 1 else None
    if len(ones) < len(every) and circuit_limit(work.home, breaker, {one.id for one in every}) is not None:
        raise MissingInput([], f"the limit at {breaker} holds chargers of several controls, which is not followed")
    if held is not None and held[1].setting is not None:
        row, bound = held
        order = _ranked(row, ones)
        control = _control(work, found, row, setting_a=float("inf"), total=bound.setting)
        vehicles = tuple(_vehicle(work, found, one, row) for one in order)
        return [Group(tuple(order), control, vehicles, tuple(_night(work, one) for one in order), row, bound.setting)]
    groups = []
    for one in ones:
        own = charger_limit(work.home, one)
        setting = own[1].setting if own is not None else None
        vehicle = _vehicle(work, found, one, None)
        row = own[0] if setting is not None else None
        groups.append(Group((one,), Control("none"), (vehicle,), (_night(work, one),), row, setting))
    return groups


def _control(work: Work, found: Fleet, row, *, setting_a: float, total: Input | None):
    """A control of the site file as the engine takes it. Errors: MissingInput."""
    from workbook_lib.simulate.charging import Control

    silent = [name for name in TIMES if getattr(row, name) is None]
    apart = [name.replace("_", " ") for name in silent if name in ("filter_time", "sensor_delay")]
    values = {inside: getattr(row, name).value for name, inside in TIMES.items() if name not in silent}
    if silent:
        words = f"{row.id}: {', '.join(name.replace('_', ' ') for name in silent)} not stated, taken as none"
        words += f"; its response is taken to hold {' and '.join(apart)}" if apart else ""
        work.assumptions.append(Assumption("control.*", words))
    guessed = [
        name for name in ("sample", "response", "allowed_time_above", *TIMES) if getattr(getattr(row, name), "origin", "") == "assumed"
    ]
    found.open += [f"{', '.join(guessed)} of {row.id} is assumed"] if guessed else []
    sample = row.sample.value if row.sample is not None else 0.0
    delay = values.get("sensor_delay_s", 0.0)
    band = values.get("dead_band_a", 0.0)
    both = text(row.dead_band_on) == "both"
    if band and row.dead_band_on is None:
        words = (
            f"{row.id}: its dead band holds back rises only; one that holds back reductions too would leave {band:g} A above the setting"
        )
        work.assumptions.append(Assumption("control.dead_band_on", words))
    if row.sharing is None:
        work.assumptions.append(Assumption("control.sharing", f"{row.id}: chargers share equally"))
    if row.action is None:
        work.assumptions.append(Assumption("control.action", f"{row.id}: modulates, and sheds no charger whole"))
    return Control(
        "sensing",
        setting_a,
        sample_s=sample,
        phase_s=(delay - 1.0) % sample if sample > 0 else 0.0,  # a step of the house at a whole minute is just missed
        command_delay_s=row.response.value if row.response is not None else 0.0,
        lost_after_s=row.lost_after.value if row.lost_after is not None else 0.0,
        way=text(row.sharing) or "equal",
        total_a=total.value if total is not None else float("inf"),
        fall_band_a=band if both else 0.0,
        **values,
    )


def _vehicle(work: Work, found: Fleet, one, row):
    """A charger with its vehicle as the engine takes it. Errors: MissingInput."""
    from workbook_lib.simulate.charging import Vehicle

    charger_a = counted_current(work, one).value
    alone = len(work.on_breaker(work.circuit(one))) == 1
    for place in (one.id, *((work.circuit(one),) if alone else ())):
        cap = _lowest(work, place, {one.id})
        charger_a = min(charger_a, cap.value) if cap is not None else charger_a
    lacking = [f"evse.{one.id}.minimum_current"] if row is not None and one.minimum_current is None else []
    lacking += [f"evse.{one.id}.voltage"] if one.voltage is None else []
    if lacking:
        raise MissingInput(lacking, "what a charger gives at least, below which it pauses, and its voltage")
    known = work.vehicle(one.id)
    path, car = known if known is not None else (f"vehicle of {one.id}", None)
    onboard = car.onboard_current.value if car is not None and car.onboard_current is not None else charger_a
    if car is None or car.onboard_current is None:
        work.assumptions.append(
            Assumption(f"{path}.onboard_current", f"{one.id}: the vehicle takes all that the charger gives, {charger_a:g} A")
        )
    response = car.response.value if car is not None and car.response is not None else RESPONSE_S
    if car is None or car.response is None:
        words = f"{one.id}: the response of the vehicle is not stated, taken as {RESPONSE_S:g} s (IEC 61851-1, from memory)"
        work.assumptions.append(Assumption(f"{path}.response", words))
        found.open += [f"the response of the vehicle at {one.id} is not stated"] if row is not None else []
    elif car.response.origin == "assumed":
        found.open.append(f"the response of the vehicle at {one.id} is assumed")
    for name, words in (("ramp_time", "falls and rises at once after its response"), ("taper_energy", "does not taper near full")):
        if car is None or getattr(car, name) is None:
            work.assumptions.append(Assumption(f"{path}.{name}", f"{one.id}: not stated, so the vehicle {words}"))
    limit = max(min(onboard, charger_a), LITTLE_A)
    ramp = car.ramp_time.value if car is not None and car.ramp_time is not None else 0.0
    shed = row is not None and text(row.action) == "shed"
    least = one.minimum_current.value if one.minimum_current is not None else LEAST_A
    return Vehicle(
        limit,
        response,
        ramp_a_per_s=limit / ramp if ramp > 0 else float("inf"),
        taper_kwh=car.taper_energy.value if car is not None and car.taper_energy is not None else 0.0,
        floor_a=max(charger_a, LEAST_A) if shed else max(least, LEAST_A),
        fallback_a=one.fallback_current.value if one.fallback_current is not None else 0.0,
        volts=one.voltage.value,
        asks_a=charger_a if shed or charger_a < max(least, LEAST_A) else None,
    )


def _night(work: Work, one) -> Night:
    """Nights of the vehicle at a charger; nothing known where the site file has none."""
    known = work.vehicle(one.id)
    if known is None:
        return Night()
    path, car = known
    days = tuple(DAYS.index(text(day)) for day in car.plugged_in_on) or tuple(range(7))
    if not car.plugged_in_on:
        work.assumptions.append(Assumption(f"{path}.plugged_in_on", f"{one.id}: plugged in every night"))
    miles = car.miles_per_kwh if car.miles_per_kwh is not None else MILES
    return Night(car.arrive, car.depart, car.need_per_night, days, car.need_share, miles)
