"""A published house as a site file, read and studied like any other.

What a publication does not print and a calculation needs (who, where, which panel) is filled in here,
so that the published loads go the whole way through reader and workbook.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path

from workbook_lib.editions import Edition

CONDUCTOR = {
    "size": "4/0",
    "material": "Cu",
    "insulation": "THWN-2",
    "sets": 1,
    "neutral": "4/0",
    "terminals": "75 degC",
    "raceway": "riser",
}
"""Service conductors where the publication prints none: large enough not to matter."""


def tables(inputs: Mapping, edition_year: str) -> dict[str, object]:
    """The site file of a published house as TOML tables. Parameters: inputs of a `house` case. Returns: tables."""
    loads = [{"connected_to": "main", **row} for row in inputs.get("load", [])]
    breakers, chargers = [], []
    for row in inputs.get("evse", []):
        circuit = row.get("circuit", "60 A")
        breakers.append({"id": f"{row['id']}-breaker", "rating": circuit, "poles": 2, "status": row.get("status", "existing")})
        chargers.append(
            {"connected_to": f"{row['id']}-breaker", "voltage": "240 V", **{key: value for key, value in row.items() if key != "circuit"}}
        )
    rating = inputs.get("service", "200 A")
    dwelling = {"status": inputs.get("status", "existing")}
    for name in ("floor_area", "attached_garage_area", "detached_garage_area", "small_appliance_circuits", "laundry_circuits"):
        if name in inputs:
            dwelling[name] = inputs[name]
    site: dict[str, object] = {
        "format": 1,
        "site": {"id": "published", "edition": edition_year, "originator": "printed", "checker": "library"},
        "study": {"service_load_method": inputs["method"]},
        "dwelling": dwelling,
        "service": {"rating": rating, "conductor": {**CONDUCTOR, **inputs.get("conductor", {})}},
        "raceway": [{"id": "riser", "kind": "RMC", "ambient": inputs.get("ambient", "30 degC"), "other_current_carrying": 0}],
        "panel": [{"id": "main", "kind": "panelboard", "connected_to": "service", "bus": rating, "main": rating, "breakers": breakers}],
        "load": loads,
        "evse": chargers,
        "source": [{"connected_to": "main", **row} for row in inputs.get("source", [])],
        "control": list(inputs.get("control", [])),
    }
    if inputs.get("rule"):
        site["site"]["jurisdiction"] = "printed-rules"
    return {key: value for key, value in site.items() if value != []}


def answers(inputs: Mapping, edition: Edition) -> dict[str, float | str]:
    """Results and check verdicts (`check:KEY`) of a published house under an edition."""
    import tomlkit

    from workbook_lib.home import read_home
    from workbook_lib.workbooks.service_load import study

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "published.toml"
        path.write_text(tomlkit.dumps(tables(inputs, edition.year)), encoding="utf-8")
        if inputs.get("rule"):
            rules = {name: {"value": value, "source": "as printed"} for name, value in inputs["rule"].items()}
            local = {"format": 1, "id": "printed-rules", "rule": rules}
            (Path(folder) / "printed-rules.toml").write_text(tomlkit.dumps(local), encoding="utf-8")
        sheet = study(read_home(path), edition)
    found: dict[str, float | str] = {key: result.value for key, result in sheet.results.items()}
    found.update({f"check:{check.key}": str(check.verdict) for check in sheet.checks})
    return found
