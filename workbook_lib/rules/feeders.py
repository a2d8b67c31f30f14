"""Feeders and feeder taps that carry source current."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, holds

DISPUTE = (
    "some inspectors hold that the feeder beyond the source becomes a tap of the source's conductors; the text asks for its ampacity or a "
    "device at the load side, as tested here"
)


def base_check(name: str, ampacity: Quantity, current: Step, edition: Edition, note: str = "") -> Check:
    """Whether a feeder carries the source current at 125 %. Parameters: [A]. Returns: Check [A]. Source: 705.12, feeders."""
    asked = f"does feeder {name} carry its source current?"
    return compare(f"feeder-capacity:{name}", asked, ampacity, ">=", current, edition.cite("feeder_source"), note=note)


def beyond_sum(name: str, device: Quantity, current: Step) -> Step:
    """What can reach the feeder beyond the point: its device and the source. Parameters: [A]. Returns: [A]. Source: 705.12, feeders."""
    return Step(
        f"feeder.{name}.beyond",
        "I_req",
        f"device and source current on feeder {name} beyond the connection",
        "device + source",
        {"device": device, "source": current},
        device.value + current.value,
        "A",
        decimals=2,
    )


def along_check(
    name: str, ampacity: Quantity, device: Quantity, current: Step, load_side: Input | None, base: Check, edition: Edition
) -> Check:
    """Whether a feeder with a source along its way is large enough beyond it, or has a device there.

    Parameters: ampacity, device, source current at 125 %, device at the load side of the point or None [A]; the base check.
    Returns: Check [A]. Source: 705.12(B)(2)(1)(a)(b) (2017), (B)(1)(a)(b) (2020), (A)(2) (2023).
    """
    if base.verdict is Verdict.FAIL:
        return base
    asked, cite = f"does feeder {name} carry its device and its source beyond the connection?", edition.cite("feeder_source")
    whole = compare(base.key, asked, ampacity, ">=", beyond_sum(name, device, current), cite, note=DISPUTE)
    if whole.verdict is Verdict.PASS or load_side is None:
        return whole
    asked = f"is the device at the load side within feeder {name}?"
    return compare(base.key, asked, load_side, "<=", ampacity, cite, note=f"device there; {DISPUTE}")


def tap_total(name: str, device: Quantity, sources: Sequence[Quantity], added: bool, edition: Edition) -> Quantity:
    """What the fraction of a tap is taken of: the feeder's device, with the sources where the edition adds them.

    Parameters: device, sources (125 % currents or device ratings) [A]. Returns: [A]. Source: 240.21(B), 705.12 feeder taps.
    """
    if not added or not sources:
        return device
    return Step(
        f"tap.{name}.total",
        "I_tot",
        "device of the feeder and the sources on it",
        "device + sum(sources)",
        {"device": device, "sources": tuple(sources)},
        device.value + sum(one.value for one in sources),
        "A",
        edition.cite("feeder_tap"),
        decimals=2,
    )


def tap_required(name: str, total: Quantity, end_device: Quantity | None, frac: Input, edition: Edition) -> Step:
    """Ampacity that a tap must have: the fraction, and never less than the device it ends in.

    Parameters: total, end_device or None [A], frac [-]. Returns: [A]. Source: 240.21(B)(1) and (2).
    """
    uses: dict[str, Quantity] = {"frac": frac, "total": total}
    formula, value = "frac * total", frac.value * total.value
    if end_device is not None:
        uses["end_device"] = end_device
        formula, value = f"max({formula}, end_device)", max(value, end_device.value)
    return Step(
        f"tap.{name}.required", "I_tap", f"ampacity that tap {name} must have", formula, uses, value, "A", edition.cite("tap"), decimals=2
    )


def tap_length_check(name: str, length: Quantity, edition: Edition) -> Check:
    """Whether a tap is within 25 ft. Parameters: length [ft]. Returns: Check [ft]. Source: 240.21(B)."""
    limit, short = edition.value("tap_long_length_ft"), edition.value("tap_short_length_ft")
    form = "the short tap" if holds(length.value, "<=", short.value) else "the long tap, which ends in one device"
    return compare(f"tap-length:{name}", f"is tap {name} short enough?", length, "<=", limit, edition.cite("tap"), note=f"tested as {form}")
