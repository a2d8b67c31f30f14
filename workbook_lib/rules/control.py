"""A control setting in place of the loads it holds (220.70, 2026: 120.7)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Edition
from workbook_lib.sheet import Check, Input, Quantity, Source, Step, Verdict, compare

CONTROL_LISTINGS = ("UL 916", "UL 3141", "UL 60730")
"""Standards to which a control of loads is listed. Source: their scopes (energy management, power control, automatic controls)."""


@dataclass(frozen=True, slots=True)
class Credit:
    """Whether a control may be counted in a load calculation, and the reasons when not."""

    granted: bool
    reasons: tuple[str, ...]


def control_credit(listed_to: Sequence[str], access: str, edition: Edition, *, accepted: bool = False) -> Credit:
    """Whether edition, listing and access let a setting stand for a load.

    Parameters: listed_to (standards), access restricted or user, accepted where the authority has
    decided in writing. Returns: Credit [-]. Source: 220.70 and 750.30 (2023), 120.7 and 130 Part II
    (2026, listed as a power control system); none in 2017 and 2020.
    """
    form = edition.value("control_setting").value
    reasons: list[str] = []
    if not listed_to:
        reasons.append("the control is not listed for the function")
    elif not any(same_standard(name, known) for name in listed_to for known in CONTROL_LISTINGS):
        known = ", ".join(CONTROL_LISTINGS)
        reasons.append(f"listed to {', '.join(listed_to)}, which is no listing of a control of loads ({known})")
    if access != "restricted":
        reasons.append("its setting can be changed by the user")
    if form == "none" and not accepted:
        reasons.append(f"the {edition.year} code has no rule that puts a service setting in place of the load")
    listing = edition.value("control_listing").value
    if form == "power-control" and listed_to and not any(same_standard(name, listing) for name in listed_to):
        reasons.append(f"this edition wants it listed as a power control system ({listing})")
    return Credit(not reasons, tuple(reasons))


def same_standard(name: str, wanted: str) -> bool:
    """Whether a listing is to a standard, however it is spaced. Parameters: texts [-]. Returns: decision. Source: definition."""
    return name.replace(" ", "").upper().startswith(wanted.replace(" ", "").upper())


def minimum_load(key: str, uncontrolled: Quantity, minimum: Sequence[Quantity], source: Source) -> Step:
    """What stays on whatever the control does: uncontrolled load and minimum operating currents.

    Parameters: uncontrolled [VA], minimum [VA] of each controlled load. Returns: [VA]. Source: 120.7(C)(1).
    """
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {"uncontrolled": uncontrolled}
    formula = "uncontrolled"
    if minimum:
        uses["minimum"] = tuple(minimum)
        formula = "uncontrolled + sum(minimum)"
    value = uncontrolled.value + sum(item.value for item in minimum)
    return Step(key, "S_min", "uncontrolled load with the minimum of controlled loads", formula, uses, value, "VA", source)


def controlled_load(key: str, no_control: Quantity, setting_va: Quantity, source: Source) -> Step:
    """Load with the control: its setting, or the calculated load where that is smaller.

    Parameters: no_control [VA], setting_va [VA]. Returns: [VA]. Source: 220.70 (2026: 120.7).
    """
    return Step(
        key,
        "S_ctl",
        "load with the control setting in place of what it holds",
        "min(no_control, setting)",
        {"no_control": no_control, "setting": setting_va},
        min(no_control.value, setting_va.value),
        "VA",
        source,
    )


def control_setting_check(
    control_id: str, credit: Credit, minimum_a: Quantity, setting: Input, edition: Edition, *, needed: bool, words: str
) -> Check:
    """Whether a control setting may and can hold: credited, and not below what it cannot shed.

    Parameters: minimum_a, setting [A]; needed False where the load passes without the control; words that say
    what the control is and holds [-].
    Returns: Check [A]. Source: 220.70, 120.7.
    """
    key, question = f"control-setting:{control_id}", "does the control setting hold what it cannot shed, and may it be counted?"
    if credit.granted:
        check = compare(key, question, minimum_a, "<=", setting, edition.cite("control_setting"), note=words)
        if check.verdict is Verdict.FAIL and not needed:
            check = replace(check, counts=False, note=f"{words}; it is not needed: the load passes without it, and no credit is taken")
        return check
    return Check(
        key,
        question,
        Verdict.FAIL if needed else Verdict.JUDGEMENT,
        minimum_a,
        "<=",
        setting,
        edition.cite("control_setting"),
        note="no credit: " + "; ".join(credit.reasons) + f" ({words})",
        counts=needed,
        closes="a listed control with restricted access, or a written decision of the authority",
        decides="the authority having jurisdiction",
    )
