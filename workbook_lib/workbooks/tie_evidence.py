"""Evidence that the jurisdiction or the utility asks for, as checks of the backfeed and tap sheet."""

from __future__ import annotations

from collections.abc import Iterator

from workbook_lib.home import distribution
from workbook_lib.home.tree import SUPPLY_SIDE
from workbook_lib.sheet import Check, Input, Verdict
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_utility import replaced
from workbook_lib.workbooks.tie_work import Work

ELSEWHERE = {"supply_side": ("service", "meter"), "adapter": ("meter",), "fault_current": ("service", "transformer", "meter")}
"""Things beside the one itself for which a document of a kind may be filed."""


def required(work: Work) -> None:
    """Checks `local-evidence:KIND:ID` for what this work adds: everything that a local file wants is dated and filed."""
    for local in (work.home.utility, work.home.jurisdiction):
        if local is None:
            continue
        for kind, wanted in local.evidence.items():
            decides = "the utility" if local is work.home.utility else "the authority having jurisdiction"
            work.checks += [_check(work, kind, name, wanted, decides) for name in _things(work, kind)]
    consent(work)


def consent(work: Work) -> None:
    """Says of a supply-side connection that no consent of the utility is on file, where no local file asks for it."""
    asked = [one for one in (work.home.utility, work.home.jurisdiction) if one is not None and "supply_side" in one.evidence]
    for name in _things(work, "supply_side"):
        places = (name, *ELSEWHERE["supply_side"])
        filed = any(one.for_ in places and text(one.shows) == "utility-consent" for one in work.site.evidence)
        if not asked and not filed:
            work.not_checked.append(f"the utility's consent to the connection of {name}: none on file, and no local file here asks for it")


def _things(work: Work, kind: str) -> Iterator[str]:
    """Ids of what evidence of a kind is asked for."""
    site = work.site
    if kind == "adapter" and site.adapter is not None and site.adapter.status != "removed":
        yield "adapter"
    elif kind == "supply_side":
        yield from (name for name in work.tree.children(SUPPLY_SIDE) if distribution.standing(work.tree.node(name)))
    elif kind in ("source", "storage"):
        yield from (item.id for item in work.standing(kind) if item.status == "added")
    elif kind == "control":
        ways = {"export", "bus", "output"}
        yield from (item.id for item in work.standing("control") if ways & {text(limit.way) for limit in item.limit})
    elif kind == "service_change" and replaced(work) or kind == "fault_current" and site.service.available_fault_current is not None:
        yield "service"


def _check(work: Work, kind: str, name: str, wanted: Input, decides: str) -> Check:
    key, asked = f"local-evidence:{kind}:{name}", f"is the evidence that is asked for {name} on file?"
    wishes = wanted.value if isinstance(wanted.value, tuple) else (wanted.value,)
    places = (name, *ELSEWHERE.get(kind, ()))
    found, lacking = [], []
    for wish in wishes:
        filed = [
            one
            for one in work.site.evidence
            if one.for_ in places and text(one.shows) == wish and one.document is not None and one.date is not None
        ]
        if filed:
            found.append(f"{wish}: {text(filed[0].document)}, {filed[0].date}")
        else:
            lacking.append(str(wish))
    if not lacking:
        return Check(key, asked, Verdict.PASS, source=wanted.source, note="; ".join(found))
    closes = f"a dated document for {name} that shows {' and '.join(lacking)}"
    note = f"not on file: {', '.join(lacking)}" + (f"; {wanted.note}" if wanted.note else "")
    return Check(key, asked, Verdict.NEEDS_INPUT, source=wanted.source, note=note, closes=closes, decides=decides)
