"""Printed backup sizing: the chain of energy, starts of motors, which rule permits; each through the library's own rules."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace

from workbook_lib.editions import Edition
from workbook_lib.rules import energy, motor_start, standby
from workbook_lib.sheet import Input, Step

Answers = dict[str, float | str]
FRACTIONS = (
    *("usable_fraction", "health_fraction", "temperature_fraction"),
    *("roundtrip_efficiency", "discharge_efficiency", "cutoff_fraction"),
)


def _given(name: str, value: float | str, unit: str | None) -> Input:
    return Input(f"printed.{name}", name.replace("_", " "), value, unit, "stated")


def chain(inputs: Mapping, edition: Edition) -> Answers:
    """Energy that a store holds, what reaches the loads, and how long. Inputs: energy_kwh, count, fractions, load_kw."""
    names = (*FRACTIONS, "years", "fade_per_year", "cycles", "fade_per_cycle")
    fields = {name: _given(name, float(inputs[name]), "frac") if name in inputs else None for name in names}
    count = _given("count", int(inputs.get("count", 1)), "count")
    item = SimpleNamespace(id="printed", energy=_given("energy", float(inputs["energy_kwh"]), "kWh"), count=count, **fields)
    stored = energy.stored_energy(item)
    answers: Answers = {"stored_kwh": stored.value}
    if item.discharge_efficiency is not None or item.roundtrip_efficiency is not None:
        usable = energy.usable_energy(item, stored, energy.one_way(item))
        answers["usable_kwh"] = usable.value
        if "load_kw" in inputs:
            answers["hours"] = energy.hours_at(usable, _given("load", float(inputs["load_kw"]), "kW")).value
    return answers


def start(inputs: Mapping, edition: Edition) -> Answers:
    """Starting current of a motor, its sum beside what else runs. Inputs: hp, letter or locked_a or soft_a, voltage_v, other_a, peak_a."""
    names = ("soft_start_current", "locked_rotor_current", "locked_rotor_code", "motor_power", "starting_power")
    units = ("A", "A", None, "hp", "W")
    keys = ("soft_a", "locked_a", "letter", "hp", "start_w")
    rows = zip(names, keys, units, strict=True)
    motor = {name: _given(name, inputs[key], unit) if key in inputs else None for name, key, unit in rows}
    voltage = _given("voltage", float(inputs.get("voltage_v", 240)), "V")
    current = motor_start.starting_current(SimpleNamespace(id="printed", **motor), voltage, edition)
    answers: Answers = {"start_a": float(current.value)}
    if "peak_a" in inputs:
        other, peak = (_given(name, float(inputs[f"{name}_a"]), "A") for name in ("other", "peak"))
        check, both = motor_start.start_check("printed", current, other, peak, "")
        answers |= {"together_a": both.value, "verdict": str(check.verdict)}
    return answers


def permit(inputs: Mapping, edition: Edition) -> Answers:
    """Which test an edition relies on, and its verdict. Inputs: capacity_a, largest_a, load_a, setting_a, listed."""

    def amperes(name: str) -> Step:
        one = _given(name, float(inputs[f"{name}_a"]), "A")
        return Step(f"printed.{name}", "I", name, "given", {"given": one}, one.value, "A")

    capacity, largest, load = (amperes(name) for name in ("capacity", "largest", "load"))
    setting = _given("setting", float(inputs["setting_a"]), "A") if "setting_a" in inputs else None
    rest = amperes("rest") if "rest_a" in inputs else load
    checks = {
        "backup-largest-load": standby.largest_load(capacity, largest, edition),
        "backup-full-load": standby.full_load(capacity, load, edition),
        "backup-managed": standby.managed_load(capacity, setting, rest, "as printed", edition),
    }
    key, _, verdict = standby.chosen(edition, None, checks, bool(inputs.get("listed", False)))
    return {"rule": key, "verdict": str(verdict or checks[key].verdict)}
