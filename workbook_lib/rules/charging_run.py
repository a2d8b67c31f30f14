"""Tests of a charging control beside its simulation: loss of its sensor, time above its setting, nights, starts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from workbook_lib.editions import Edition
from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.sheet import Check, Quantity, Step, Verdict, compare, holds

TRIP_WORDS = (
    "what a breaker does is no part of this test: published trip times are the longest that are allowed, and between 100 and 135 % of "
    "its rating no trip is counted on"
)
"""Context of an excursion. Source: IEEE Open Journal of Industry Applications 4 (2023), 75 to 86, breakers that failed at 135 %."""


def fallback_load(control_id: str, uncontrolled: Quantity, fallback: Sequence[Quantity], edition: Edition) -> Step:
    """Load of a service whose control has lost its sensor: all that it does not hold, and what each charger falls back to.

    Parameters: uncontrolled [A], fallback of each charger [A]. Returns: [A]. Errors: MissingInput where no charger is given.
    Source: 220.70, 120.7; energy management on a malfunction, 750.30, 130 Part I.
    """
    if not fallback:
        raise MissingInput(["evse.fallback_current"], "what a charger draws when its control is lost is not known")
    return Step(
        f"control.{control_id}.fallback",
        "I_fb",
        f"load with the sensor of {control_id} lost",
        "uncontrolled + sum(fallback)",
        {"uncontrolled": uncontrolled, "fallback": tuple(fallback)},
        uncontrolled.value + sum(one.value for one in fallback),
        "A",
        edition.cite("control_setting"),
        decimals=1,
    )


def fallback_check(control_id: str, load: Step, limit: Quantity, edition: Edition) -> Check:
    """Check `control-fallback:CONTROL`: the service carries what is left running when the sensor is lost.

    Parameters: load, limit of the service [A]. Returns: Check [A]. Source: 220.70, 120.7.
    """
    question = "does the service carry the load when the control has lost its sensor?"
    return compare(f"control-fallback:{control_id}", question, load, "<=", limit, edition.cite("control_setting"))


def reaction_time(control_id: str, parts: Mapping[str, Quantity]) -> Step:
    """Longest time from a step of the house to the current that the control wants, without its filter.

    Parameters: parts by name [s]: the sampling interval, the delays of sensor and control, response and ramp of the vehicle. Returns:
    [s]. Errors: CalculationFault for no part. Source: delays in a row add up.
    """
    if not parts:
        raise CalculationFault("a reaction without any part", where=f"control.{control_id}")
    value = sum(one.value for one in parts.values())
    return Step(
        f"control.{control_id}.reaction",
        "t_react",
        f"longest reaction of {control_id} and the vehicle to a step of the house",
        " + ".join(parts),
        dict(parts),
        value,
        "s",
        decimals=1,
    )


def holds_check(control_id: str, longest: Quantity, allowed: Quantity, *, least_s: float, unsure: str = "", words: str = "") -> Check:
    """Check `control-holds:CONTROL`: the longest time above the setting is within what is allowed.

    Parameters: longest excursion, allowed [s]; least_s the longest one by the shape of the load that is least hard [s]; unsure what of
    the load or the vehicle is not measured or stated, in words; words of the excursion [-]. Returns: Check [s]; a judgement where
    something is unsure and the least hard shape holds. Source: the maker's allowed time; common practice.
    """
    key, question = f"control-holds:{control_id}", "is the longest time above the setting within what is allowed?"
    note = "; ".join(part for part in (words, TRIP_WORDS) if part)
    check = compare(key, question, longest, "<=", allowed, note=note)
    if not unsure or not holds(least_s, "<=", allowed.value):
        return check
    note = f"{unsure}; {note}"
    closes = "a record of one minute or faster by leg, the makers' figures, or a test of the installed control"
    sides = (check.provided, check.relation, check.required)
    return Check(key, question, Verdict.JUDGEMENT, *sides, note=note, closes=closes, decides="the engineer")


def lost_check(control_id: str, longest: Quantity, allowed: Quantity, words: str) -> Check:
    """Check `control-lost:CONTROL`: with a signal lost the service is above its limit no longer than is allowed.

    Parameters: longest time above the limit of the service, allowed [s]; words of the faults that were tried [-]. Returns: Check [s].
    Source: common practice.
    """
    question = "is the service above its limit no longer than is allowed while a signal is lost?"
    return compare(f"control-lost:{control_id}", question, longest, "<=", allowed, note=words)


def need_check(evse_id: str, share: Quantity, asked: Quantity, note: str = "") -> Check:
    """Check `vehicle-need:EVSE`: the share of nights that meet the vehicle's need.

    Parameters: share, asked [-]. Returns: Check [-]. Source: definition.
    """
    question = f"does the vehicle at {evse_id} get its need in the asked share of nights?"
    return compare(f"vehicle-need:{evse_id}", question, share, ">=", asked, note=note)


def starts_check(evse_id: str, most: Quantity, allowed: Quantity) -> Check:
    """Check `evse-starts:EVSE`: starts in any hour. Parameters: most, allowed [count]. Returns: Check [count]. Source: definition."""
    question = f"does {evse_id} start no more often than is allowed?"
    return compare(f"evse-starts:{evse_id}", question, most, "<=", allowed)


def window_energy(evse_id: str, window: Quantity, current: Quantity, voltage: Quantity) -> Step:
    """Most energy that a night can give, at full current from arrival to departure.

    Parameters: window [h], current [A], voltage [V]. Returns: [kWh]. Source: power times time.
    """
    return Step(
        f"evse.{evse_id}.window",
        "E_max",
        f"most that {evse_id} gives in a night",
        "window * current * voltage / 1000",
        {"window": window, "current": current, "voltage": voltage},
        window.value * current.value * voltage.value / 1000.0,
        "kWh",
        decimals=1,
    )


def window_check(evse_id: str, need: Quantity, most: Step) -> Check:
    """Check `vehicle-window:EVSE`: a need that its night can give at all.

    Parameters: need, most [kWh]. Returns: Check [kWh]. Source: definition.
    """
    question = f"is the night at {evse_id} long enough for the vehicle's need at full current?"
    return compare(f"vehicle-window:{evse_id}", question, need, "<=", most)


def distance(evse_id: str, energy: Quantity, per_kwh: Quantity, words: str) -> Step:
    """Distance that an energy drives.

    Parameters: energy [kWh], per_kwh [mi/kWh], words of the distance [-]. Returns: [mi]. Source: definition.
    """
    return Step(
        f"evse.{evse_id}.distance",
        "d",
        words,
        "energy * per_kwh",
        {"energy": energy, "per_kwh": per_kwh},
        energy.value * per_kwh.value,
        "mi",
        decimals=0,
    )
