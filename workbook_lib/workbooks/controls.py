"""Controls in the service load: which are credited, what stays on, and the load with the setting."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.rules import charging, control, service
from workbook_lib.rules.loads import LoadItem
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, holds, needs_input, worst
from workbook_lib.workbooks.prepare import charger_limit, listing, may_hold, nominal_voltage, root_panels, standing_controls, text, without

SERVICE_ENDS = ("service",)
"""Places whose import limit holds the whole service."""


@dataclass(frozen=True, slots=True)
class Held:
    """A service load with a control: the load [VA], what always stays on [VA], checks and steps."""

    load: Step
    always_on: Step
    checks: tuple[Check, ...]
    steps: tuple[Step, ...]
    notes: tuple[str, ...]
    credited: bool


def service_limits(home) -> list[tuple[object, object]]:
    """Pairs of control and its lowest import limit on the service."""
    single = root_panels(home)
    places = set(SERVICE_ENDS)
    if len(single) == 1 and _all_below(home, single[0].id):
        places.add(single[0].id)
    found = []
    for device in standing_controls(home):
        limits = [limit for limit in device.limit if text(limit.way) == "import" and limit.at in places]
        if limits:  # of several the lowest holds; one that is not stated is asked for
            found.append((device, min(limits, key=lambda limit: limit.setting.value if limit.setting is not None else -1.0)))
    return found


def _all_below(home, panel: str) -> bool:
    """Whether every load and charger that stands hangs below a panel: then what holds the panel holds the service."""
    below = set(home.tree.below(panel))
    return all(one.id in below for table in ("load", "evse") for one in getattr(home.site, table) if one.status != "removed")


def hold_service(
    home,
    items: Sequence[LoadItem],
    total: Callable[[Sequence[LoadItem]], Step],
    whole: Step,
    limit: Quantity | None,
    edition: Edition,
) -> Held:
    """Service load with every control that limits import at the service.

    Parameters: items [VA], total(items) -> load [VA] by the chosen method, whole load [VA], limit of the
    service [A]. Returns: Held [VA]. Source: 220.70 (2023), 120.7 (2026).
    """
    always_on, load, credited = whole, whole, False
    checks: list[Check] = []
    steps: list[Step] = []
    notes: list[str] = []
    voltage = nominal_voltage(edition)
    needed = limit is not None and not holds(whole.value / voltage.value, "<=", limit.value)
    for device, bound in service_limits(home):
        try:
            lacking = [f"control.{device.id}.limit.setting"] if bound.setting is None else []
            lacking += [f"control.{device.id}.access"] if device.access is None else []
            if lacking:
                raise MissingInput(lacking)
            minimum = _minimum_loads(home, device, items, edition)
        except MissingInput as lack:
            question = "does the control setting hold what it cannot shed, and may it be counted?"
            checks.append(
                Check(f"control-setting:{device.id}", question, Verdict.NEEDS_INPUT, note=str(lack), fields=lack.fields, counts=needed)
            )
            continue
        uncontrolled = total(without(items, [text(name) for name in device.controls]))
        stays = control.minimum_load(f"control.{device.id}.minimum", uncontrolled, list(minimum.values()), edition.cite("control_setting"))
        stays_a = service.load_current(f"control.{device.id}.minimum_a", stays, voltage)
        stays_a = replace(stays_a, meaning=f"load that {device.id} does not hold, and the least currents of what it holds")
        decided = any(
            one.for_ == f"control-setting:{device.id}"
            and text(one.shows) == "authority-decision"
            and one.document is not None
            and one.date is not None
            for one in home.site.evidence
        )
        credit = control.control_credit(listing(device), text(device.access), edition, accepted=decided)
        words = _described(device, bound)
        check = control.control_setting_check(device.id, credit, stays_a, bound.setting, edition, needed=needed, words=words)
        checks.append(check)
        steps += [*minimum.values(), uncontrolled, stays, stays_a]
        always_on = stays if stays.value < always_on.value else always_on
        if credit.granted and check.verdict is Verdict.PASS:
            held_va = charging.current_va(f"control.{device.id}.setting_va", f"setting of {device.id}", bound.setting, voltage)
            candidate = control.controlled_load(f"control.{device.id}.load", whole, held_va, edition.cite("control_setting"))
            steps += [held_va, candidate]
            if candidate.value < load.value:
                load, credited = candidate, True
        else:
            notes.append(f"{device.id}: no credit taken in the load ({'; '.join(credit.reasons) or 'it cannot hold its setting'})")
    return Held(load, always_on, tuple(checks), tuple(steps), tuple(notes), credited)


def _described(device, bound) -> str:
    """What a control is and holds, in words for its check."""
    held = ", ".join(text(name) for name in device.controls)
    listed = ", ".join(listing(device)) or "nothing"
    access, model = text(device.access) or "not stated", text(device.model) or "not stated"
    return f"limits import at {bound.at}; holds {held}; listed to {listed}; access {access}; model {model}"


def _minimum_loads(home, device, items: Sequence[LoadItem], edition: Edition) -> dict[str, Step]:
    """Minimum operating load [VA] of each controlled charger, and of other loads that state one; the rest are shed to nothing."""
    controlled = {text(name) for name in device.controls}
    chargers = {evse.id: evse for evse in home.site.evse}
    loads = {load.id: load for load in home.site.load if load.minimum_current is not None}
    present = [item.id for item in items if item.id in controlled]
    lacking = [f"evse.{name}.minimum_current" for name in present if name in chargers and chargers[name].minimum_current is None]
    lacking += [f"load.{name}.voltage" for name in present if name in loads and loads[name].voltage is None]
    if lacking:
        raise MissingInput(lacking)
    return {
        name: charging.current_va(
            f"control.{device.id}.{name}.minimum",
            f"minimum operating load of {name}",
            {**chargers, **loads}[name].minimum_current,
            {**chargers, **loads}[name].voltage,
            edition.cite("control_setting"),
        )
        for name in present
        if name in chargers or name in loads
    }


def charger_checks(home, edition: Edition) -> list[Check]:
    """Check `control-setting:CONTROL` for controls that limit chargers at the charger or its breaker.

    A control that also limits the service has its check there. Returns: Checks [A]. Source: 625.42 (managed).
    """
    at_service = {device.id for device, _ in service_limits(home)}
    found: dict[tuple[str, str], tuple[object, object, list]] = {}
    for evse in (one for one in home.site.evse if one.status != "removed"):
        held = charger_limit(home, evse)
        if held is not None and held[0].id not in at_service:
            found.setdefault((held[0].id, held[1].at), (*held, []))[2].append(evse)
    checks: dict[str, Check] = {}
    for device, limit, chargers in found.values():
        check = _charger_check(device, limit, chargers, edition)
        worse = checks.get(check.key)
        if worse is None or worst((check.verdict, worse.verdict)) is not worse.verdict:
            checks[check.key] = check
    return list(checks.values())


def _charger_check(device, limit, chargers: list, edition: Edition) -> Check:
    """Whether a control's setting may stand for the chargers that it holds at one place, and holds their least currents together."""
    key, question = f"control-setting:{device.id}", "may the control's setting stand for the chargers it holds?"
    cite = edition.cite("evse_managed")
    lacking = [f"control.{device.id}.limit.setting"] if limit.setting is None else []
    lacking += [f"evse.{one.id}.minimum_current" for one in chargers if one.minimum_current is None]
    if lacking:
        return needs_input(key, question, lacking, cite)
    least: Quantity = chargers[0].minimum_current
    if len(chargers) > 1:
        parts = tuple(one.minimum_current for one in chargers)
        meaning = f"least currents of the chargers at {limit.at}"
        total = sum(one.value for one in parts)
        least = Step(f"control.{device.id}.{limit.at}.least", "I_min", meaning, "sum(least)", {"least": parts}, total, "A", decimals=1)
    if not may_hold(device):
        note = "no credit: the control is not listed, or its setting can be changed by the user; the nameplate counts"
        return Check(key, question, Verdict.JUDGEMENT, source=cite, note=note, counts=False)
    if edition.value("control_setting").value == "power-control" and not power_control(device, edition):
        listed, wanted = ", ".join(listing(device)), edition.value("control_listing").value
        note = f"listed to {listed}; whether this edition wants {wanted} of a control at the charger too was not read"
        closes, decides = f"a control listed to {wanted}, or a written decision of the authority", "the authority having jurisdiction"
        return Check(key, question, Verdict.JUDGEMENT, least, "<=", limit.setting, cite, note, closes=closes, decides=decides)
    return compare(key, question, least, "<=", limit.setting, cite)


def power_control(device, edition: Edition) -> bool:
    """Whether a control is listed as the edition names it."""
    wanted = edition.value("control_listing").value
    return any(control.same_standard(name, wanted) for name in listing(device))


def brought_by_credit(home, held: Held, method: str, limit: Quantity | None, edition: Edition) -> tuple[list[Check], list[str]]:
    """What a credited setting brings with it: the check of the lowest one as a continuous load, and notes.

    Parameters: home; the controls of the service with at least one credited; method of the load; limit of the service [A]. Returns:
    checks [A] and notes. Source: 220.70, 230.42.
    """
    notes = []
    reach = edition.value("control_reaches_optional")
    if method != "standard" and reach.value != "yes":
        notes.append(f"whether a control setting reaches the optional methods is argued ({reach.source}): {reach.source.note}")
    passed = {check.key for check in held.checks if check.verdict is Verdict.PASS}
    settings = [bound.setting for device, bound in service_limits(home) if f"control-setting:{device.id}" in passed]
    if not settings or limit is None:
        return [], notes
    if home.site.service.hundred_percent_rated:
        return [], [*notes, "the service equipment is listed for 100 %: the setting is not raised to 125 %"]
    return [continuous_allowance(min(settings, key=lambda one: one.value), limit, edition)], notes


def continuous_allowance(setting: Input, limit: Quantity, edition: Edition) -> Check:
    """Whether a credited setting, itself a continuous load, stays within the service.

    Parameters: setting, limit [A]. Returns: Check [A]. Source: 220.70, 230.42: the setting is continuous.
    """
    frac = edition.value("control_continuous_frac")
    step = Step(
        "control.setting_continuous",
        "I_ctl",
        "control setting as a continuous load",
        "frac * setting",
        {"frac": frac, "setting": setting},
        frac.value * setting.value,
        "A",
        edition.cite("control_setting"),
        decimals=1,
    )
    question = "does the service carry the control setting as a continuous load?"
    return compare("control-continuous", question, step, "<=", limit, edition.cite("control_setting"))
