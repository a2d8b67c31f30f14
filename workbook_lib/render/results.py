"""results.json: the answers of one home under stable names, the same bytes for the same inputs."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping

from workbook_lib.errors import CalculationFault, InputFault
from workbook_lib.sheet import Check, Header, Quantity, Result, Sheet

FORMAT = 1
KEYS = ("assumptions", "cautions", "checks", "controlling", "not_checked", "results", "verdict")
"""Keys of one workbook's entry."""


def document(sheets: Iterable[Sheet], inputs: Iterable[tuple[str, str]], inputs_sha256: str) -> dict[str, object]:
    """The whole of results.json for one home.

    Parameters: sheets of the home, inputs as pairs of relative path and SHA-256. Returns: a dictionary
    of texts, numbers, lists and dictionaries. Errors: CalculationFault for a value that is not finite;
    ValueError if there is no sheet or the sheets are of different homes or editions.
    """
    made = tuple(sheets)
    if not made:
        raise ValueError("a results document needs at least one sheet")
    head = made[0].header
    if any(_identity(sheet.header) != _identity(head) for sheet in made):
        raise ValueError("the sheets of one results document are of one home, case and edition")
    return {
        "format": FORMAT,
        "site_id": head.site_id,
        "case": head.case,
        "edition": head.edition,
        "edition_basis": head.edition_basis,
        "jurisdiction": head.jurisdiction,
        "utility": head.utility,
        "library_version": head.library_version,
        "inputs": [{"path": path, "sha256": digest} for path, digest in inputs],
        "inputs_sha256": inputs_sha256,
        "workbooks": {sheet.workbook: workbook_entry(sheet) for sheet in made},
    }


def _identity(head: Header) -> tuple[str, ...]:
    return head.site_id, head.case, head.edition, head.edition_basis, head.inputs_sha256, head.library_version


def workbook_entry(sheet: Sheet) -> dict[str, object]:
    """The entry of one workbook."""
    return {
        "verdict": str(sheet.verdict),
        "controlling": sheet.controlling.key if sheet.controlling else None,
        "results": {key: _result(key, result) for key, result in sheet.results.items()},
        "checks": [_check(check) for check in sheet.checks],
        "assumptions": [f"{item.field}: {item.text}" if item.field else item.text for item in sheet.assumptions],
        "cautions": list(sheet.cautions),
        "not_checked": list(sheet.not_checked),
    }


def _result(key: str, result: Result) -> dict[str, object]:
    return {"value": _finite(result.value, key), "unit": result.unit}


def _check(check: Check) -> dict[str, object]:
    return {
        "key": check.key,
        "verdict": str(check.verdict),
        "required": _side(check.required, check.key),
        "provided": _side(check.provided, check.key),
        "relation": check.relation or None,
        "margin": _finite(check.margin, check.key),
        "unit": check.unit,
        "source": str(check.source) if check.source else None,
        "note": check.note,
        "counts": check.counts,
        "fields": list(check.fields),
    }


def _side(side: Quantity | None, key: str) -> object:
    return None if side is None else _finite(side.value, key)


def _finite(value: object, key: str) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        raise CalculationFault("a value that is not a finite number cannot be filed", value=value, where=key)
    return [_finite(item, key) for item in value] if isinstance(value, (tuple, list)) else value


def merged(documents: Iterable[Mapping[str, object]]) -> dict[str, object]:
    """One document from several of the same home with one workbook each. Errors: ValueError if they differ."""
    parts = list(documents)
    if not parts:
        raise ValueError("nothing to merge")
    whole = {key: value for key, value in parts[0].items() if key != "workbooks"}
    workbooks: dict[str, object] = {}
    for part in parts:
        if {key: value for key, value in part.items() if key != "workbooks"} != whole:
            raise ValueError("the documents are not of one home under one edition")
        workbooks |= part["workbooks"]
    return {**whole, "workbooks": workbooks}


def faulted(error: InputFault | CalculationFault) -> dict[str, object]:
    """What is filed of a home that could not be calculated: its faults and no verdict."""
    if isinstance(error, CalculationFault):
        fault = {"where": error.where, "what": error.what, "value": str(error.value), "limit": error.limit, "todo": error.todo}
        return {"format": FORMAT, "state": "calculation fault", "faults": [fault]}
    faults = [
        {"file": fault.file, "field": fault.field, "line": fault.line, "what": fault.what, "value": fault.value}
        | {"limit": fault.limit, "todo": fault.todo}
        for fault in error.faults
    ]
    return {"format": FORMAT, "state": "input fault", "faults": faults}


def to_bytes(content: Mapping[str, object]) -> bytes:
    """The file's bytes: UTF-8, sorted keys, a newline at the end; never a NaN."""
    return (json.dumps(content, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()
