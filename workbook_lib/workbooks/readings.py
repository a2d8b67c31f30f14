"""Inverse answers of the service load, and what it becomes when a disputed reading goes the other way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from workbook_lib.editions import Change
from workbook_lib.errors import MissingInput
from workbook_lib.rules import charging
from workbook_lib.rules.loads import LoadItem, of_group
from workbook_lib.sheet import Input, Result, Section, Step, Table, holds
from workbook_lib.workbooks import panels
from workbook_lib.workbooks.methods import CALCULATE, METHODS, TITLES
from workbook_lib.workbooks.prepare import counts_circuit, nominal_voltage

LARGEST_PILOT_A = 80.0
"""Largest charging current of the pilot standard [A]. Source: SAE J1772 / IEC 61851-1."""

SWITCHES = {
    "evse_demand": ("in-tier", "outside-tier"),
    "evse_floor": ("none", "floor"),
    "evse_floor_reaches_optional": ("yes", "no"),
    "existing_hvac_without_added": ("carried", "omitted", "at-100"),
}
"""Named switches whose reading is disputed or unconfirmed, with the ways they can stand."""

SWITCH_WORDS = {
    "evse_demand": "charging inside the demand tier, or at 100 % outside it",
    "evse_floor": "least load of one charger applied, or nameplate alone",
    "evse_floor_reaches_optional": "least load of one charger carried into the optional methods",
    "existing_hvac_without_added": "existing heating and cooling, none added: in the tier, left out, or at 100 %",
}


def charger_sizes(ratings: Input, circuit_frac: Input) -> list[tuple[float, float]]:
    """Standard charger sizes as pairs of charging current and circuit rating [A]: 80 % of each standard rating.

    Parameters: ratings [A], circuit_frac [-]. Returns: ascending pairs [A]. Source: 240.6(A), 625.41
    (125 % device) and the largest pilot current.
    """
    return [
        (rating * circuit_frac.value, rating)
        for rating in ratings.value
        if rating >= 15.0 and rating * circuit_frac.value <= LARGEST_PILOT_A + 1e-9
    ]


def inverse(work) -> None:
    """Results `largest_evse_a` and what is left under each method, with the table behind them."""
    if work.limit is None:
        work.not_checked.append("largest_evse_a: service.rating is missing")
        return
    spare: list[Step] = []
    for name in METHODS:
        if name in work.answers:
            current = work.results[f"{name}_a"].step
            left = Step(
                f"{name}.left",
                "I_left",
                f"amperes left on the service, {TITLES[name].lower()}",
                "limit - load",
                {"limit": work.limit, "load": current},
                work.limit.value - current.value,
                "A",
                decimals=2,
            )
            work.result(f"amperes_left_a:{name}", left)
            spare.append(left)
    base = [item for item in work.scope.items if not (item.group == "evse" and item.status == "added")]
    limit_a = work.limit.value
    fraction = work.home.rule("service_load_fraction")
    if fraction is not None and not work.home.site.service.hundred_percent_rated:
        limit_a = min(limit_a, fraction.value * work.limit.value)
    sizes = charger_sizes(work.edition.series("standard_ratings", "rating_a"), work.edition.value("circuit_frac"))
    try:
        carried = [size for size, circuit in sizes if _sub_panels_carry(work, base, size, circuit)]
    except MissingInput as lack:
        work.not_checked.append(f"largest_evse_a: a panel ahead of the charger is not known: {lack}")
        work.sections.append(Section("What is left: amperes", tuple(spare)))
        return
    names = [name for name in METHODS if name in work.answers]
    cells: dict[str, list[str]] = {}
    for name in names:
        loads = [(size, _load_with(work, name, base, size, circuit)) for size, circuit in sizes]
        passing = [size for size, amperes in loads if holds(amperes, "<=", limit_a) and size in carried]
        open_ = [size for size, _ in loads if size not in passing and size in carried and _open(work, name, base, size, limit_a)]
        cells[name] = [
            f"{amperes:,.1f} {'open: fits by the lowest reading' if size in open_ else _word(size, passing, carried)}"
            for size, amperes in loads
        ]
        if name == work.method and not work.home.site.service.hundred_percent_rated:
            _with_125(work, [pair for pair in loads if pair[0] in passing], limit_a)
        keys = [f"largest_evse_a:{name}"] + (["largest_evse_a"] if name == work.method else [])
        for key in keys:
            if passing:
                work.results[key] = Result(max(passing), "A")
            else:
                work.not_checked.append(f"{key}: no standard charger size fits within {limit_a:g} A by the {TITLES[name].lower()}")
    if work.chosen is None:
        work.not_checked.append("largest_evse_a: the chosen method could not be computed")
    columns = ("Charger (A)", "Circuit (A)", *(f"{TITLES[name]}: service load (A)" for name in names))
    rows = tuple((size, circuit, *(cells[name][index] for name in names)) for index, (size, circuit) in enumerate(sizes))
    table = Table(columns, rows, f"Chargers tried, against {limit_a:g} A", 0)
    work.sections.append(Section("What is left: amperes, and the largest charger that fits", tuple(spare), _inverse_prose(work), table))


def _with_125(work, loads: Sequence[tuple[float, float]], limit_a: float) -> None:
    """Result `largest_evse_with_125_a`: of the chargers [A] that fit, the largest whose own load fits at 125 % as well."""
    more = work.edition.value("continuous_frac").value - 1
    own = [size for size, amperes in loads if holds(amperes + more * size, "<=", limit_a)]
    if own:
        work.results["largest_evse_with_125_a"] = Result(max(own), "A")
    else:
        work.not_checked.append("largest_evse_with_125_a: no standard charger size fits with its load at 125 %")


def _word(size: float, passing: Sequence[float], carried: Sequence[float]) -> str:
    if size in passing:
        return "fits"
    return "too much" if size in carried else "too much for its panel"


def _inverse_prose(work) -> str:
    replaced = [item.label for item in work.scope.items if item.group == "evse" and item.status == "added"]
    what = f"in place of {', '.join(replaced)}" if replaced else "beside what is there"
    return (
        f"One charger of each standard size is put {what} and each method is run again, without the credit of a control. "
        "Panels ahead of it that have a load of their own are tested with it. "
        "The service is tested before the 125 % of continuous load: look at the check continuous-load with the charger that is chosen. "
        "Its circuit and the service conductors are not part of this table."
    )


def _sub_panels_carry(work, base: Sequence[LoadItem], size: float, circuit: float) -> bool:
    """Whether the sub-panels ahead of the first added charger carry one of this size [A] in its place."""
    added = [item for item in work.scope.items if item.group == "evse" and item.status == "added"]
    if not added:
        return True
    trial = replace(_trial(work, size, circuit), id=added[0].id, circuit=added[0].circuit)
    return panels.sub_panels_carry(work, [*base, trial], added[0].circuit)


def _load_with(work, name: str, base: Sequence[LoadItem], size: float, circuit: float) -> float:
    """Service load [A] by a method with one charger of this size [A] on a circuit of this rating [A]."""
    result = CALCULATE[name](work.scope.with_items([*base, _trial(work, size, circuit)]), work.edition, work.general)
    return result.total.value / nominal_voltage(work.edition).value


def _open(work, name: str, base: Sequence[LoadItem], size: float, limit_a: float) -> bool:
    """Whether a charger of this size [A] fits by the reading that it cannot be below alone."""
    circuit = size / work.edition.value("circuit_frac").value
    low = CALCULATE[name](work.scope.with_items([*base, _trial(work, size, circuit)]), work.edition, work.general).low
    return low is not None and holds(low.value / nominal_voltage(work.edition).value, "<=", limit_a)


def _trial(work, size: float, circuit: float) -> LoadItem:
    """One charger of this size [A] on a circuit of this rating [A]."""
    edition = work.edition
    charger = charging.Charger(
        "one-more",
        Input("trial.charger", "charger tried", size, "A"),
        nominal_voltage(edition),
        breaker=Input("trial.circuit", "its circuit", circuit, "A"),
    )
    rated = charging.charging_rated_va(charger, edition, by_circuit=counts_circuit(edition))
    code = charging.charging_code_va(rated, charger.id, edition)
    return LoadItem("one-more", "evse", "one more charger", code, rated, status="added", continuous=True)


def named_switches(work) -> None:
    """Section with each disputed reading: which way it stands, and the load the other way gives."""
    if not work.answers:
        return
    rows: list[tuple[object, ...]] = []
    for switch, ways in SWITCHES.items():
        if not work.edition.has(switch) or not _touches(work, switch):
            continue
        stands = work.edition.value(switch)
        for way in ways:
            if way == stands.value or (switch == "evse_floor" and stands.value == "unknown-only" and way == "none"):
                continue
            for name, amperes in _other_way(work, switch, way).items():
                now = work.results[f"{name}_a"].value
                if abs(amperes - now) > 1e-6:
                    rows.append((SWITCH_WORDS[switch], str(stands.value), way, TITLES[name], now, amperes, str(stands.source or "")))
                    work.results[f"reading_a:{switch}:{way}:{name}"] = Result(amperes, "A")
                    if name == work.method:
                        _say_if_it_turns(work, switch, way, now, amperes)
    if rows:
        columns = ("Reading", "Stands", "Other way", "Method", "Load now (A)", "Load the other way (A)", "Section and status")
        prose = "Sources differ on these readings, or they were not confirmed. The jurisdiction file can turn each of them."
        work.sections.append(Section("Readings that sources dispute", (), prose, Table(columns, tuple(rows), "Disputed readings", 1)))


def _say_if_it_turns(work, switch: str, way: str, now: float, amperes: float) -> None:
    """A caution where the other reading alone would carry the load across the limit of the service [A]."""
    if work.limit is None or work.load is not work.chosen.total:
        return
    if holds(now, "<=", work.limit.value) != holds(amperes, "<=", work.limit.value):
        work.notes.append(
            f"the verdict turns with a disputed reading: {SWITCH_WORDS[switch]}, taken as {work.edition.value(switch).value}; "
            f"as {way} the load is {amperes:.1f} A against {work.limit.value:g} A"
        )


def _touches(work, switch: str) -> bool:
    if switch.startswith("evse"):
        return bool(of_group(work.scope.items, "evse"))
    return work.edition.value("existing_form").value == "split" and bool(of_group(work.scope.items, "hvac"))


def _other_way(work, switch: str, way: str) -> dict[str, float]:
    """Load [A] by each method with one switch turned."""
    from workbook_lib.workbooks.service_load import start

    turned = Change("switch", key=switch, to=way, citation="the other reading, for comparison")
    other = start(work.home, work.edition.changed([turned]), local=False)
    found: dict[str, float] = {}
    for name in work.answers:
        try:
            result = CALCULATE[name](other.scope, other.edition, other.general)
        except MissingInput:
            continue
        found[name] = result.total.value / nominal_voltage(other.edition).value
    return found


__all__ = ["SWITCHES", "charger_sizes", "inverse", "named_switches"]
