"""Printed charging circuits: sharing under a control, the largest charger of a circuit, the pilot; each through the library's own rules."""

from __future__ import annotations

from collections.abc import Mapping

from workbook_lib.editions import Edition
from workbook_lib.rules import charging_run, sharing
from workbook_lib.sheet import Input

Answers = dict[str, float | str]


def _amperes(name: str, value: float) -> Input:
    return Input(f"printed.{name}", name, float(value), "A", "stated")


def shared(inputs: Mapping, edition: Edition) -> Answers:
    """What a circuit carries for hours and what each of 1, 2, 3 ... active chargers gets. Inputs: device_a, ratings_a."""
    limit = sharing.continuous_limit("printed", _amperes("device", inputs["device_a"]), edition)
    ratings = [_amperes(f"rating {place}", one) for place, one in enumerate(inputs["ratings_a"], start=1)]
    counts = range(1, len(ratings) + 1)
    shares = {f"share_{count}_a": sharing.equal_share("printed", limit, ratings[:count], edition).value for count in counts}
    return {"limit_a": limit.value, **shares}


def pilot(inputs: Mapping, edition: Edition) -> Answers:
    """Current of each duty cycle. Inputs: duty_percent, a list."""
    found = {}
    for duty in inputs["duty_percent"]:
        given = Input("printed.duty", "duty cycle", duty / 100.0, "frac", "stated")
        found[f"at_{duty:g}"] = sharing.pilot_current(given).value
    return found


def daily(inputs: Mapping, edition: Edition) -> Answers:
    """Energy of a day's distance, by which the distance comes back. Inputs: miles, kwh_per_100_miles."""
    energy = inputs["miles"] * inputs["kwh_per_100_miles"] / 100.0
    given = Input("printed.energy", "energy of a day", energy, "kWh", "stated")
    per_kwh = Input("printed.per_kwh", "miles on a kilowatt-hour", 100.0 / inputs["kwh_per_100_miles"], "frac", "stated")
    return {"energy_kwh": energy, "distance_mi": charging_run.distance("printed", given, per_kwh, "distance of a day").value}
