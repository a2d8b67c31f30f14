"""Usual slips in files written by hand: words that people use for ours, and what breaks TOML."""

from __future__ import annotations

import re

NOT_KNOWN = frozenset({"", "?", "-", "tbd", "unk", "unknown", "not-known", "n/a", "na", "null", "nil"})
"""What people write where they do not know (small letters, - for spaces)."""

TRADE_WORDS: dict[str, tuple[str, ...]] = {
    "copper": ("Cu",),
    "aluminum": ("Al",),
    "aluminium": ("Al",),
    "new": ("added",),
    "proposed": ("added",),
    "future": ("added",),
    "demolished": ("removed",),
    "l1": ("A",),
    "l2": ("B",),
    "left": ("top",),
    "right": ("bottom",),
    "ac": ("air-conditioner",),
    "a/c": ("air-conditioner",),
    "mini-split": ("heat-pump",),
    "air-handler": ("hvac-fan",),
    "blower": ("hvac-fan",),
    "furnace": ("electric-heat", "hvac-fan"),
    "hot-tub": ("spa",),
    "stove": ("range",),
    "wall-oven": ("oven",),
    "solar": ("pv-inverter", "source"),
    "pv": ("pv-inverter", "source"),
    "inverter": ("source", "pv-inverter"),
    "hybrid-inverter": ("multimode-inverter",),
    "battery": ("storage", "storage-inverter"),
    "batteries": ("storage",),
    "ess": ("storage", "storage-inverter"),
    "charger": ("evse",),
    "ev": ("evse",),
    "conduit": ("raceway",),
    "house": ("dwelling",),
    "building": ("dwelling",),
    "project": ("site",),
    "utility": ("service",),
    "grid": ("service",),
    "meter": ("service",),
    "line-side": ("supply-side",),
    "subpanel": ("panelboard",),
    "sub-panel": ("panelboard",),
    "load-center": ("panelboard",),
    "loadcenter": ("panelboard",),
    "breaker": ("breakers", "connected_to"),
    "circuits": ("breakers",),
    "fed-from": ("connected_to",),
    "fed-by": ("connected_to",),
    "feeds-from": ("connected_to",),
    "circuit": ("connected_to",),
    "type": ("kind",),
    "name": ("id",),
    "amps": ("current", "rating"),
    "ampacity": ("rating",),
    "watts": ("rating",),
    "va": ("rating",),
    "power": ("rating",),
    "nameplate": ("rating",),
    "busbar": ("bus",),
    "bus-rating": ("bus",),
    "main-breaker": ("main",),
    "aic": ("interrupting_rating",),
    "sccr": ("short_circuit_rating",),
    "area": ("floor_area",),
    "square-footage": ("floor_area",),
    "size-awg": ("size",),
    "gauge": ("size",),
    "egc": ("grounding",),
    "ground": ("grounding",),
    "code": ("edition",),
    "nec": ("edition",),
    "ahj": ("jurisdiction",),
    "origin": ("from",),
    "source": ("from",),
    "comment": ("note",),
    "notes": ("note",),
}
"""Words of the trade (small letters, - for _ and spaces) that stand for a name or value of ours."""

_COLON = re.compile(r"[A-Za-z0-9_-]+:(\s|\Z)")
_BARE = re.compile(r"""=\s*(?P<value>[^\s"'\[{#,}\]][^"'\[{#,}\]]*)""")
_PLAIN = re.compile(
    r"true|false|[+-]?(?:inf|nan)|[+-]?[0-9][0-9_]*(?:\.[0-9_]+)?(?:[eE][+-]?[0-9]+)?|[0-9]{4}-[0-9]{2}-[0-9]{2}.*|[0-9]{2}:.*|0[xob].*"
)
_SLASHED = re.compile(r"[0-9]{1,4}/[0-9]{1,2}/[0-9]{1,4}")
_TWICE = {
    "Cannot overwrite a value": "a field is given twice",
    "Duplicate inline table key": "a field is given twice in one row",
    "Cannot mutate immutable namespace": "a table is given twice, as name = ... and as a block",
    "Cannot declare": "a table is given twice",
}


def toml_cause(words: str, line_text: str) -> str:
    """What is wrong with a line that is not TOML, in plain words where the parser's own are of its inside."""
    if words.startswith("Cannot overwrite a value") and line_text.startswith("["):
        words = "Cannot declare"
    return next((plain for start, plain in _TWICE.items() if words.startswith(start)), words[:1].lower() + words[1:])


def toml_todo(cause: str, line_text: str, line: int) -> str:
    """What to do about a line that is not TOML."""
    if cause == _TWICE["Cannot mutate immutable namespace"]:
        return f"write all its rows in one form; the other begins in line {line}"
    if cause in _TWICE.values():
        return f"keep one of them; the second is in line {line}"
    if cause.startswith("invalid date"):
        return f"mend line {line}: there is no such day"
    if _COLON.match(line_text):
        return f"mend line {line}: write name = value, with an equals sign"
    for found in _BARE.finditer(line_text):
        value = found["value"].strip()
        if value in ("True", "False", "TRUE", "FALSE"):
            return f"mend line {line}: write {value.lower()}"
        if _SLASHED.fullmatch(value):
            return f"mend line {line}: write a date as 2026-03-02, year first"
        if not _PLAIN.fullmatch(value):
            shown = value if len(value) <= 40 else value[:37] + "..."
            return f'mend line {line}: put text in quotes, as "{shown}"'
    return f"mend line {line}"
