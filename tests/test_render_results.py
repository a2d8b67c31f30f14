"""results.json: names, order, and bytes."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from tests import fake_sheet
from workbook_lib.errors import CalculationFault, Fault, InputFault
from workbook_lib.render import results

INPUTS = (("site.toml", "0" * 64), ("jurisdictions/amble-ford.toml", "1" * 64))
TOP = ["format", "site_id", "case", "edition", "edition_basis", "jurisdiction", "utility", "library_version"]
TOP += ["inputs", "inputs_sha256", "workbooks"]
CHECK = {"key", "verdict", "required", "provided", "relation", "margin", "unit", "source", "note", "counts", "fields"}


def filed(sheet=None):
    return results.document([sheet or fake_sheet.sheet()], INPUTS, "2" * 64)


def test_names_are_those_of_the_contract():
    whole = filed()
    assert list(whole) == TOP
    assert whole["inputs"] == [{"path": path, "sha256": digest} for path, digest in INPUTS]
    entry = whole["workbooks"]["service_load"]
    assert sorted(entry) == sorted(results.KEYS)
    assert entry["verdict"] == "judgement"
    assert entry["results"]["service_load_va"] == {"value": 22968.0, "unit": "VA"}
    assert entry["results"]["existing_dwelling_branch"] == {"value": "B", "unit": None}
    for check in entry["checks"]:
        assert set(check) == CHECK
    first = entry["checks"][0]
    assert (first["provided"], first["relation"], first["required"], first["unit"]) == (95.7, "<=", 100.0, "A")
    assert first["margin"] == pytest.approx(4.3)
    for name in ("assumptions", "cautions", "not_checked"):
        assert entry[name]
        assert all(isinstance(text, str) for text in entry[name])


def test_bytes_are_the_same_every_time_and_read_back():
    first, second = results.to_bytes(filed()), results.to_bytes(filed())
    assert first == second
    assert first.endswith(b"}\n")
    assert results.to_bytes(json.loads(first)) == first


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_value_that_is_not_finite_is_an_error_never_filed(value):
    sheet = fake_sheet.sheet()
    spoilt = replace(sheet, results={"service_load_va": fake_sheet.Result(value, "VA")})
    with pytest.raises(CalculationFault, match="service_load_va"):
        filed(spoilt)
    with pytest.raises(ValueError, match="compliant"):
        results.to_bytes({"a": value})


def test_documents_of_one_home_merge_and_of_two_do_not():
    one, other = filed(), filed(replace(fake_sheet.sheet(), workbook="backfeed_and_tap"))
    assert sorted(results.merged([one, other])["workbooks"]) == ["backfeed_and_tap", "service_load"]
    with pytest.raises(ValueError, match="not of one home"):
        results.merged([one, {**other, "site_id": "other"}])
    with pytest.raises(ValueError, match="one home"):
        results.document([fake_sheet.sheet(), fake_sheet.sheet(edition="2020")], INPUTS, "2" * 64)


def test_a_home_at_fault_files_faults_and_no_verdict():
    whole = results.faulted(InputFault([Fault("a.toml", "service.rating", "no unit", "200", '"200 A"', "write the unit", 12)]))
    assert whole["state"] == "input fault"
    assert "workbooks" not in whole
    assert whole["faults"][0]["line"] == 12
    assert results.faulted(CalculationFault("no row", where="t"))["state"] == "calculation fault"
