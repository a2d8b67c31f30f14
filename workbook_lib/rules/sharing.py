"""Chargers that share one circuit under a control, the pilot that tells a vehicle its limit, the largest charger of a circuit.

Sharing. A control holds the sum of the chargers within what the circuit carries for hours: its device over the factor of 625.41.
Within that, `equal` gives each the same, and what a smaller one cannot take goes to the others; `priority` fills them in the order
given; `first-come` fills them in the order of arrival. Who would get less than the least current of a pilot pauses.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from workbook_lib.editions import Edition
from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import UNCONFIRMED, Check, Input, Quantity, Source, Step, compare

WAYS = ("equal", "priority", "first-come")
PILOT = Source("IEC 61851-1 and SAE J1772, duty cycle", status=UNCONFIRMED, note="read in one source, the manual of a test adapter, p. 11")
LEAST_A, MOST_A, GAP_A, BEND = 6.0, 80.0, (51.0, 52.5), 0.85
"""Least and most current of a pilot [A], the gap between its two lines [A], duty cycle at which the lower one ends [-].

Source: IEC 61851-1, SAE J1772."""


def continuous_limit(name: str, device: Quantity, edition: Edition) -> Step:
    """What a charging circuit carries for hours: its device over the factor of the edition.

    Parameters: device [A]. Returns: [A]; for one charger alone it is the largest that the circuit takes. Source: 625.41, 625.42.
    """
    frac = edition.value("evse_device_frac")
    return Step(
        f"circuit.{name}.continuous_limit",
        "I_cont",
        f"current that {name} carries for hours",
        "device / frac",
        {"device": device, "frac": frac},
        device.value / frac.value,
        "A",
        edition.cite("evse_device"),
        decimals=2,
    )


def split(limit_a: float, wishes_a: Sequence[float], way: str, floor_a: float = LEAST_A) -> list[float]:
    """What each active charger gets of a limit.

    Parameters: limit_a [A]; wishes_a of each, in the order of rank or arrival [A]; way of `WAYS`; floor_a below which one pauses [A].
    Returns: currents [A], 0 for one that pauses; where equal shares fall below the floor the last in order pauses first. Errors:
    CalculationFault. Source: rules of this module; 625.42.
    """
    if way not in WAYS:
        raise CalculationFault("unknown way of sharing", value=way, limit=", ".join(WAYS), where="sharing.split")
    numbers = [limit_a, floor_a, *wishes_a]
    if not all(isfinite(one) and one >= 0 for one in numbers):
        raise CalculationFault("a current to share is no number or below zero", value=f"{numbers}", where="sharing.split")
    active = [index for index, wish in enumerate(wishes_a) if wish >= floor_a]
    while True:
        given = _level(limit_a, wishes_a, active) if way == "equal" else _in_order(limit_a, wishes_a, active, floor_a)
        short = [index for index in active if given[index] < floor_a * (1 - 1e-12)]
        if not short:
            return given
        active.remove(short[-1])


def _level(limit_a: float, wishes_a: Sequence[float], active: Sequence[int]) -> list[float]:
    """The same for each, smaller wishes first; what they leave is shared by the rest."""
    given, left = [0.0] * len(wishes_a), limit_a
    order = sorted(active, key=lambda index: wishes_a[index])
    for place, index in enumerate(order):
        given[index] = min(wishes_a[index], left / (len(order) - place))
        left -= given[index]
    return given


def _in_order(limit_a: float, wishes_a: Sequence[float], active: Sequence[int], floor_a: float) -> list[float]:
    """Each in turn what it wishes, as far as that goes; too little for a pilot is left to the next."""
    given, left = [0.0] * len(wishes_a), limit_a
    for index in active:
        taken = min(wishes_a[index], left)
        if taken >= floor_a * (1 - 1e-12):
            given[index] = taken
            left -= taken
    return given


def equal_share(name: str, limit: Step, ratings: Sequence[Quantity], edition: Edition) -> Step:
    """Current of the largest of several active chargers that share a circuit equally.

    Parameters: limit of the circuit [A]; ratings of the active ones [A], all of at least the floor. Returns: [A]. Errors:
    CalculationFault where none is active or their equal share is below the floor. Source: 625.42, rules of this module.
    """
    shares = split(limit.value, [one.value for one in ratings], "equal")
    if not shares or min(shares) <= 0:
        where = f"circuit.{name}"
        raise CalculationFault(
            "no equal share of a circuit reaches the least current", value=f"{shares}", limit=f"{LEAST_A:g} A", where=where
        )
    level = max(shares)
    smaller = tuple(one for one, share in zip(ratings, shares, strict=True) if share < level - 1e-9)
    count = Input(f"circuit.{name}.sharing", "active chargers of more than their share", len(ratings) - len(smaller), "count", "choice")
    rated = max(ratings, key=lambda one: one.value)
    uses = {"rated": rated, "limit": limit, "count": count}
    formula = "min(rated, limit / count)"
    if smaller:
        uses["smaller"], formula = smaller, "min(rated, (limit - sum(smaller)) / count)"
    return Step(
        f"circuit.{name}.share.{len(ratings)}",
        "I_share",
        f"current of each of {len(ratings)} active on {name}",
        formula,
        uses,
        level,
        "A",
        edition.cite("evse_managed"),
        decimals=1,
    )


def shared_check(name: str, needed: Quantity, limit: Step, edition: Edition, *, managed: bool) -> Check:
    """Check `shared-circuit:BREAKER`: all chargers of a circuit within what it carries for hours.

    Parameters: needed, the sum of the shares under a control or of the ratings without one [A]; limit [A]. Returns: Check [A].
    Source: 625.41, 625.42.
    """
    words = "held by a control: the sum of the shares" if managed else "no control holds them: the sum of the ratings"
    asked = f"is all charging on {name} within what the circuit carries for hours?"
    return compare(
        f"shared-circuit:{name}", asked, needed, "<=", limit, edition.cite("evse_managed" if managed else "evse_device"), note=words
    )


def pilot_current(duty: Quantity) -> Step:
    """Current that a pilot of a duty cycle offers.

    Parameters: duty [-], 0 to 1. Returns: [A]. Errors: CalculationFault where it offers none (below 3 % and above 97 %), is digital (3
    to 7 %) or an error (7 to 8 %). Source: IEC 61851-1, SAE J1772.
    """
    share = duty.value
    for below, what in ((0.03, "no charging"), (0.07, "digital, the current is not in its duty cycle"), (0.08, "an error")):
        if not share >= below:
            raise CalculationFault(f"a pilot that offers no current: {what}", value=f"{share:.1%}", limit="8 to 97 %", where="pilot")
    if share > 0.97:
        raise CalculationFault("a pilot that offers no current: no charging", value=f"{share:.1%}", limit="8 to 97 %", where="pilot")
    uses: dict[str, Quantity] = {"duty": duty}
    if share < 0.10:
        formula, value, uses = "least", LEAST_A, {"least": _bound("least", LEAST_A)}
    elif share <= BEND:
        formula, value = "60 * duty", 60.0 * share
    elif share <= 0.96:
        formula, value = "250 * (duty - 0.64)", 250.0 * (share - 0.64)
    else:
        formula, value, uses = "most", MOST_A, {"most": _bound("most", MOST_A)}
    return Step("pilot.current", "I_pilot", "current that the pilot offers", formula, uses, value, "A", PILOT, decimals=1)


def _bound(name: str, amperes: float) -> Input:
    return Input(f"pilot.{name}", f"{name} current of a pilot", amperes, "A", "code", source=PILOT)


def pilot_duty(current: Quantity) -> Step:
    """Duty cycle of a pilot that offers a current.

    Parameters: current [A]. Returns: [-]. Errors: CalculationFault outside 6 to 80 A and in the gap. Source: IEC 61851-1, SAE J1772.
    """
    amperes = current.value
    low = amperes <= GAP_A[0]
    if not (LEAST_A <= amperes <= MOST_A and (low or amperes > GAP_A[1])):
        limit = f"{LEAST_A:g} to {GAP_A[0]:g} A, above {GAP_A[1]:g} to {MOST_A:g} A"
        raise CalculationFault("no pilot offers this current", value=f"{amperes:g} A", limit=limit, where="pilot")
    formula, value = ("current / 60", amperes / 60.0) if low else ("current / 250 + 0.64", amperes / 250.0 + 0.64)
    return Step("pilot.duty", "D", "duty cycle of the pilot", formula, {"current": current}, value, "frac", PILOT, decimals=3)
