"""The order in which checks of a results.json decide."""

from __future__ import annotations

from collections.abc import Mapping

from workbook_lib.sheet import CONDITIONS, Verdict, holds
from workbook_lib.workbooks.portfolio_rows import VERDICTS

ORDER = (*VERDICTS, str(Verdict.NOT_APPLICABLE))
"""Verdicts, worst first."""


def room(check: Mapping[str, object]) -> float | None:
    """Margin of a check in proportion to its limit [-]; None where it compares no amounts."""
    if check["margin"] is None or check["unit"] in CONDITIONS:
        return None
    return check["margin"] / max(abs(check["required"]), 1e-9)


def rank(check: Mapping[str, object]) -> tuple[int, float]:
    """Rank by which a check decides, the least first: that of `sheet.controlling`."""
    place, left = ORDER.index(check["verdict"]), room(check)
    if left is None:
        return place, float("inf") if check["verdict"] in ORDER[-2:] else 0.0
    if check["verdict"] == ORDER[0] and holds(check["provided"], check["relation"], check["required"]):
        return place, 0.0
    return place, left
