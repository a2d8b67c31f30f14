"""Printed charging circuits: sharing under a control, the largest charger of a circuit, the pilot; each through the library's own rules."""

from __future__ import annotations

from collections.abc import Mapping

from workbook_lib.editions import Edition
from workbook_lib.rules import sharing
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
