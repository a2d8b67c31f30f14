"""A published connection as a site file, and the numbers of circuits, raceways and faults that sources print.

What a publication does not print and a calculation needs is filled in here, so that the printed case goes the whole way
through reader and workbook.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path

from workbook_lib.editions import Edition
from workbook_lib.rules import circuits, conductor, crossing, impedance
from workbook_lib.sheet import Input, Step

WIRE = {
    "size": "4/0",
    "material": "Cu",
    "insulation": "THWN-2",
    "neutral": "4/0",
    "length": "30 ft",
    "terminals": "75 degC",
    "raceway": "riser",
}
"""Service conductors where the publication prints none."""


def _merged(base: object, own: object) -> object:
    if isinstance(base, dict) and isinstance(own, Mapping):
        return {**base, **{key: _merged(base.get(key), value) for key, value in own.items()}}
    return own


def tables(inputs: Mapping, year: str) -> dict[str, object]:
    """The site file of a printed connection. Parameters: inputs of a `tie` case (tables of a site file). Returns: tables."""
    base = {
        "format": 1,
        "site": {"id": "published", "edition": year, "originator": "printed", "checker": "library"},
        "service": {"system": "120/240 V 1-phase 3-wire", "rating": "200 A", "conductor": WIRE},
        "raceway": [{"id": "riser", "kind": "RMC", "ambient": "30 degC", "above_roof": "none", "other_current_carrying": 0}],
    }
    return _merged(base, inputs)


def answers(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Results and check verdicts (`check:KEY`) of a printed connection under an edition, with `required:KEY` and `provided:KEY`."""
    import tomlkit

    from workbook_lib.home import read_home
    from workbook_lib.workbooks.backfeed_and_tap import study

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "published.toml"
        path.write_text(tomlkit.dumps(tables(inputs, edition.year)), encoding="utf-8")
        sheet = study(read_home(path), edition)
    found: dict[str, float | str] = {key: result.value for key, result in sheet.results.items()}
    for check in sheet.checks:
        found[f"check:{check.key}"] = str(check.verdict)
        for name in ("required", "provided"):
            side = getattr(check, name)
            if side is not None:
                found[f"{name}:{check.key}"] = side.value
    return found


def _given(name: str, value: float | str, unit: str | None = None) -> Input:
    return Input(f"printed.{name}", name.replace("_", " "), value, unit, "stated")


def circuit(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Device of a circuit by its continuous current [A]; units of one kind on a circuit, rounded down where a device is printed."""
    frac = edition.value("source_frac")
    if "device_a" in inputs:
        return {"units_count": float(int(float(inputs["device_a"]) / (frac.value * float(inputs["unit_a"])) + 1e-9))}
    current = _given("current", float(inputs["amperes"]) * float(inputs.get("units", 1)), "A")
    cite = edition.cite("source_overcurrent")
    needed = circuits.required_before("printed", current, frac, cite, before=True)
    device = circuits.overcurrent_required("printed", needed, edition, cite)
    return {"required_a": needed.value, "device_a": device.value}


def grounding(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Equipment grounding conductor of a device [A], enlarged with the circuit's conductors (sizes as text)."""
    base = (
        _given("base", inputs["base"])
        if "base" in inputs
        else circuits.grounding_size(
            "printed", _given("device", float(inputs["device_a"]), "A"), _given("material", inputs.get("material", "Cu")), edition
        )
    )
    if "from" not in inputs:
        return {"size": base.value}
    areas = [conductor.conductor_area(f"printed.{name}", _given(name, inputs[name]), edition) for name in ("to", "from")]
    area = circuits.grounding_area("printed", base, *areas, edition)
    return {"cmil": area.value, "size": circuits.smallest_of_area(area.value, edition)}


def raceway(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Smallest raceway of a kind for like conductors, or how many fit a size."""
    area = circuits.wire_area(inputs["size"], inputs["insulation"], edition)
    count = int(inputs.get("count", 3))
    limit = circuits.fill_limit(count, bool(inputs.get("nipple")), edition)
    smallest = circuits.smallest_raceway(area.value * count, inputs["kind"], limit, edition)
    found: dict[str, float | str] = {"area_in2": area.value * count, "size": smallest or "none"}
    if "raceway" in inputs:
        room = circuits.raceway_room("printed", inputs["raceway"], inputs["kind"], edition.value("raceway_fill_more_frac"), edition)
        found["fit_count"] = float(int(room.value / area.value + 1e-9))
    return found


def room(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Area that three or more conductors may take in a raceway [in^2]."""
    found = circuits.raceway_room("printed", inputs["size"], inputs["kind"], edition.value("raceway_fill_more_frac"), edition)
    return {"room_in2": found.value}


def fault(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Fault currents behind a transformer [VA, -] and a run with printed ohms or a size of the table."""
    rating = _given("rating", 1000.0 * float(inputs["kva"]), "VA")
    share = {name: _given(name, float(inputs[name]), "frac") for name in ("z", "r", "x") if name in inputs}
    origin = impedance.transformer_origin(rating, share.get("z"), share.get("r"), share.get("x"))
    run = _run(inputs, edition) if "length_ft" in inputs else None
    along = impedance.way("printed", None, run) if run is not None else None
    ll, ln = (impedance.fault("printed", origin, along, neutral=neutral) for neutral in (False, True))
    found: dict[str, float | str] = {"ll_a": ll.value, "ln_a": ln.value, "ratio": ln.value / ll.value, "full_load_a": rating.value / 240.0}
    if run is not None:
        far = crossing.crossing_ft(origin, run, _given("length", float(inputs["length_ft"]), "ft"))
        found |= {"crossing_ft": far.value} if far is not None else {}
        highest = impedance.upper("printed", origin, along, neutral=False)
        found |= {"upper_a": highest.value} if highest is not None else {}
    return found


def _run(inputs: Mapping, edition: Edition) -> impedance.Run:
    length = float(inputs["length_ft"])
    if "size" in inputs:
        size, one = _given("size", inputs["size"]), _given("sets", 1.0, "count")
        return impedance.run(
            "printed", size, None, _given("material", inputs["material"]), inputs.get("kind"), _given("length", length, "ft"), one, edition
        )

    def loop(key: str, ohms: float) -> Step:
        value = _given(key, ohms, "ohm")
        return Step(f"printed.{key}", key, key, "ohms", {"ohms": value}, ohms, "ohm")

    r, x = (length / 1000.0 * float(inputs[f"loop_{name}_ohm_per_kft"]) for name in ("r", "x"))
    return impedance.Run("printed", loop("r_ll", r), loop("x_ll", x), loop("r_ln", r), loop("x_ln", x))


def point(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Multiplier of the point-to-point method with a printed constant C, single phase line to line."""
    del edition
    start, volts = float(inputs["start_a"]), float(inputs["volts"])
    constant = float(inputs["c"]) * float(inputs.get("sets", 1))
    factor = float(inputs.get("phases", 1)) == 3
    f = (3**0.5 if factor else 2.0) * float(inputs["length_ft"]) * start / (constant * volts)
    return {"f": f, "m": 1.0 / (1.0 + f), "end_a": start / (1.0 + f)}


def voltage(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Voltage drop of a two-wire run by resistance: printed ohms per 1,000 ft or a size of Table 8 [V]."""
    if "ohm_per_kft" in inputs:
        ohms = float(inputs["ohm_per_kft"])
    else:
        ohms = edition.lookup("conductor_properties", inputs["size"], f"{inputs.get('material', 'Cu').lower()}_ohm_per_kft").value
    drop = 2.0 * float(inputs["length_ft"]) / 1000.0 * ohms * float(inputs["amperes"])
    found: dict[str, float | str] = {"drop_v": drop}
    if "volts" in inputs:
        found["drop_frac"] = drop / float(inputs["volts"])
    if "limit_frac" in inputs:
        found["longest_ft"] = float(inputs["limit_frac"]) * float(inputs["volts"]) / (2.0 * ohms / 1000.0 * float(inputs["amperes"]))
    return found


def factored(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Rounding of a PV current [A] under the edition."""
    from workbook_lib.rules.source import pv_rounded

    return {"amperes": pv_rounded("printed", _given("current", float(inputs["amperes"]), "A"), edition).value}


def electrode(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Electrode conductor or bonding jumper by the area of the conductors [cmil]."""
    column = f"{inputs.get('material', 'Cu').lower()}_to_{inputs.get('to', 'cu')}"
    return {"size": edition.bracket(inputs["table"], float(inputs["cmil"]), column).value}
