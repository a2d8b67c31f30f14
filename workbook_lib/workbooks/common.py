"""What every workbook shares: title block, amended edition, decisions of the authority, cautions, the finished sheet."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Change, Edition
from workbook_lib.sheet import CONFIRMED, Check, Figure, Header, Input, Quantity, Sheet, Source, Step, Verdict, needs_input, walk
from workbook_lib.version import VERSION
from workbook_lib.workbooks.work import SheetWork

STANDING_CAUTIONS = (
    "This calculation is an aid. The adopted local code and its amendments, the utility's requirements, the makers' instructions and "
    "licensed practice govern; where they differ from this sheet, they hold.",
    "It does not replace a look at the equipment: bus and main ratings, feed point, conductor and socket condition are verified on site.",
    "Conductors ahead of the first overcurrent device are not protected by it and carry the utility's full fault current.",
    "The line side of the meter stays live with the main off. A meter is pulled only by the utility or with its written permission.",
    "Work is done de-energised by qualified people; terminations are torqued to their label and recorded.",
    "A control limits a load only while it works: its fallback, and the overcurrent device behind it, are part of the design.",
)
"""Cautions that stand on every sheet. Source: common practice and the sections named in the checks."""

SWITCH_RULES = ("evse_demand", "evse_load", "existing_hvac_without_added", "measured_generation", "measured_new_load_continuous")
"""Rules of a jurisdiction that turn the edition's switch of the same name."""


def local_edition(home, edition: Edition) -> Edition:
    """The edition with the jurisdiction's amendments and the switches its rules turn.

    Parameters: home with its jurisdiction, edition as published. Returns: Edition. Errors:
    CalculationFault for an amendment of something the edition does not have.
    """
    changes = list(home.amendments) if edition.year == home.edition_year else []
    for rule in SWITCH_RULES:
        given = home.rule(rule)
        if given is not None:
            to = given.value if isinstance(given.value, str) else "yes" if given.value else "no"
            changes.append(Change("switch", key=rule, to=to, citation=str(given.source) if given.source else given.note))
    return edition.changed(changes) if changes else edition


def header(home, edition: Edition) -> Header:
    """Title block of a sheet. No clock time: the date is the site file's own `calculation_date`."""
    site = home.site.site
    return Header(
        site_id=site.id,
        address=_text(site.address),
        edition=edition.year,
        edition_name=edition.name + ("" if edition.status == "complete" else f", {edition.status}: parts of its text were not read"),
        edition_basis=home.edition_basis,
        jurisdiction=_text(site.jurisdiction),
        utility=_text(site.utility),
        amendments=", ".join(sorted({change.citation for change in home.amendments})) if home.amendments else "",
        revision=_text(site.revision),
        calculation_date=_text(site.calculation_date),
        originator=_text(site.originator),
        checker=_text(site.checker),
        library_version=VERSION,
        inputs_sha256=home.inputs_sha256,
        case=home.case,
    )


def _text(value: object) -> str:
    if value is None:
        return ""
    return str(value.value if isinstance(value, Input) else value)


def edition_adopted(home) -> Check:
    """Check `edition-adopted`: is the edition in use the one the jurisdiction adopted for the permit date?"""
    key, question = "edition-adopted", "is this the edition that the jurisdiction has adopted for the permit date?"
    amendments = [name for field, name in home.lacking if field.endswith("adoption.amendments")]
    if amendments and home.edition_basis != "what-if":
        note = f"the amendments adopted with it ({', '.join(amendments)}) are not on file: this calculation is without them"
        return Check(
            key,
            question,
            Verdict.NEEDS_INPUT,
            note=note,
            closes=f"the file {', '.join(amendments)}",
            decides="the engineer",
            fields=tuple(amendments),
        )
    if home.edition_basis == "adopted":
        day = home.site.site.permit_date
        return Check(key, question, Verdict.PASS, note=f"{home.edition_year}, adopted" + (f" on the permit date {day}" if day else ""))
    if home.edition_basis == "what-if":
        note = f"not the adopted edition: {home.edition_year} is a what-if"
        return Check(key, question, Verdict.JUDGEMENT, note=note, closes="study under the adopted edition", decides="the engineer")
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        note=f"{home.edition_year} is stated; no adoption by the jurisdiction is on file",
        closes="a jurisdiction file with its adoptions by date",
        decides="the authority having jurisdiction",
    )


def independent_check(home) -> Check:
    """Check `independent-check`: has someone other than the originator checked the calculation?"""
    key, question = "independent-check", "has someone other than the originator checked this calculation?"
    originator, checker = _text(home.site.site.originator).strip(), _text(home.site.site.checker).strip()
    if not checker:
        return Check(
            key,
            question,
            Verdict.JUDGEMENT,
            note="no checker is named yet",
            counts=False,
            closes="a second person checks and enters initials in site.checker",
            decides="the checker",
        )
    if checker.casefold() == originator.casefold():
        note = f"originator and checker are both {checker}"
        return Check(key, question, Verdict.FAIL, note=note, closes="a second person checks", decides="the checker")
    return Check(key, question, Verdict.PASS, note=f"originator {originator or 'not named'}, checker {checker}")


def field_verified(fields: Iterable[tuple[str, Input | None]], what: str = "bus, main and service conductor size") -> Check:
    """Check `field-verified`: was what the verdict rests on seen on the equipment, not only stated?

    Parameters: pairs of field path and value (None where absent: another check asks for it); what they are, in words.
    """
    key, question = "field-verified", "were the ratings that this verdict rests on read from the equipment?"
    unseen = [f"{path} ({value.origin})" for path, value in fields if value is not None and value.origin in ("stated", "assumed")]
    if not unseen:
        return Check(key, question, Verdict.PASS, note=f"{what} have a source on the equipment, a drawing or the utility")
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        note="not verified: " + ", ".join(unseen),
        closes="a nameplate, photograph or measurement for each field, entered with `from`",
        decides="the engineer on site",
        fields=tuple(path for path, value in fields if value is not None and value.origin in ("stated", "assumed")),
    )


def with_decisions(checks: Sequence[Check], evidence: Iterable) -> tuple[Check, ...]:
    """Checks with the authority's written decisions applied: the judgement it names becomes a pass that says by whom."""
    decisions = {
        item.for_: item
        for item in evidence
        if _text(item.shows) == "authority-decision" and item.document is not None and item.date is not None
    }
    decided = []
    for check in checks:
        decision = decisions.get(check.key)
        if decision is not None and check.verdict is Verdict.JUDGEMENT:
            note = f"decided by {_text(decision.by) or 'the authority'} on {_text(decision.date)}, {_text(decision.document)}"
            note += f"; was: {check.note}"
            check = replace(check, verdict=Verdict.PASS, note=note)
        decided.append(check)
    return tuple(decided)


def status_cautions(roots: Iterable[Quantity], checks: Iterable[Check]) -> tuple[str, ...]:
    """A caution for each code value and section in use that is not confirmed in two public sources, by section."""
    found: dict[tuple[str, str, str], dict[str, None]] = {}
    for item in walk(roots):
        if item.source is not None and item.source.edition and item.source.status != CONFIRMED:
            _note(found, item.source, item.meaning)
    for check in checks:
        if check.source is not None and check.source.edition and check.source.status != CONFIRMED:
            _note(found, check.source, f"check {check.key}")
    return tuple(
        f"{status}: {where}{f' ({why})' if why and why != status else ''}, behind {'; '.join(uses)}"
        for (status, where, why), uses in found.items()
    )


def _note(found: dict[tuple[str, str, str], dict[str, None]], source: Source, use: str) -> None:
    place = (source.status, f"NEC {source.edition} {source.locator}", source.note)
    found.setdefault(place, {}).setdefault(use, None)


def rekeyed(root: Step, prefix: str, kept: Iterable[Quantity]) -> Step:
    """A step and all it rests on under new keys `prefix.KEY`, steps in `kept` left as they are."""
    memo: dict[int, Quantity] = {id(item): item for item in walk(kept)}

    def renamed(item: Quantity) -> Quantity:
        if isinstance(item, Input):
            return item
        if id(item) not in memo:
            uses = {
                name: tuple(renamed(part) for part in used) if isinstance(used, tuple) else renamed(used)
                for name, used in item.uses.items()
            }
            by = tuple(renamed(part) for part in item.by)
            memo[id(item)] = replace(item, key=f"{prefix}.{item.key}", uses=uses, by=by)
        return memo[id(item)]

    return renamed(root)


def missing_check(key: str, question: str, lack, *, counts: bool = True) -> Check:
    """A `needs input` check from a MissingInput."""
    return needs_input(key, question, lack.fields, note=lack.reason, counts=counts)


@dataclass(frozen=True, slots=True)
class Form:
    """What is the same on every sheet of a workbook.

    `name` as in `REGISTRY`; `order` of the checks, by the part of their key before the colon, those that do not count behind all that
    do; `families` of published cases that test what it uses; `first`, keys of the results that stand first; `headings` of the sections
    that stand first. What these do not name follows in the order in which it was entered.
    """

    name: str
    title: str
    question: str
    order: tuple[str, ...]
    families: tuple[str, ...]
    first: tuple[str, ...] = ()
    headings: tuple[str, ...] = ()


def finished(
    work: SheetWork, form: Form, *, cautions: Iterable[str] = (), last: Collection[str] = (), figures: Iterable[Figure] = ()
) -> Sheet:
    """The sheet of a work that is done: everything in its order, decisions of the authority applied, cautions and gaps told once.

    Parameters: work, its workbook's form; the workbook's own cautions (they stand before the notes), keys of results that stand last,
    figures. Returns: Sheet; files that were not read close its `not_checked`, unless the work says them earlier.
    """
    home = work.home
    in_order = sorted(work.checks, key=lambda check: (not check.counts, _place(check.key.partition(":")[0], form.order)))
    checks = with_decisions(in_order, home.site.evidence)
    roots: list[Quantity] = [result.step for result in work.results.values() if result.step is not None]
    roots += [side for check in checks for side in (check.provided, check.required) if side is not None]
    told = (*STANDING_CAUTIONS, *cautions, *work.notes, *status_cautions(roots, checks))
    keys = (*form.first, *(key for key in work.results if key not in last), *last)
    return Sheet(
        workbook=form.name,
        title=form.title,
        question=form.question,
        header=header(home, work.edition),
        results={key: work.results[key] for key in keys if key in work.results},
        checks=checks,
        sections=tuple(sorted(work.sections, key=lambda section: _place(section.heading, form.headings))),
        assumptions=(*home.defaults, *work.assumptions),
        cautions=tuple(dict.fromkeys(told)),
        not_checked=tuple(dict.fromkeys((*work.not_checked, *unread(home)))),
        figures=tuple(figures),
        cases=form.families,
    )


def unread(home) -> list[str]:
    """A line of `not_checked` for each file that the home names and that is not there."""
    return [f"{name} ({field}) is not there and was not read" for field, name in home.lacking]


def _place(name: str, order: Sequence[str]) -> int:
    return order.index(name) if name in order else len(order)
