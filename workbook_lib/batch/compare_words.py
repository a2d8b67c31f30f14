"""What a comparison is made of: a check, a result, a workbook, a study before and now, a side, and each in words.

Numbers are printed as the sheets print them; results.json keeps no decimals, so that they go by the unit. The check `edition-adopted` says
only whether an edition is the one that a place adopted: what it moved is counted apart.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from workbook_lib.batch.causes import EDITION, NOT_RERUN, WORKBOOKS, Cause, with_workbooks
from workbook_lib.formula import GUARD
from workbook_lib.render import numbers
from workbook_lib.sheet import Check, Input, Verdict, holds
from workbook_lib.workbooks.portfolio_words import SIGNS as RELATIONS
from workbook_lib.workbooks.portfolio_words import some, studies

MOVED, ADDED, GONE, ASIDE, VALUES = "moved", "added", "gone", "checks that do not count", "values"
ADOPTED_ALONE, OTHER_FAULT, UNCHANGED = "edition-adopted alone", "another fault", "unchanged"
"""What became of a study: a verdict that counts or its state moved, it came, it went, checks that do not count alone moved, values alone
moved, `edition-adopted` alone moved, it is at fault as before and for another reason, nothing moved."""
ABSENT, NOTHING = "not there", "nothing to compare"
DECIMALS = {"A": 2, "VA": 0, "W": 0, "kW": 3, "kWh": 2, "cmil": 0, "in^2": 4, "h": 2, "d": 1}
"""Decimals of a number that is not whole, by its unit, as the steps of the rules have them; a unit that is not here keeps six digits."""
MORE_DIGITS = 9
NOTE_SHOWN, NAMED = 200, 8
"""Letters of a note on the terminal and in the table; studies that are named in a line [count]."""
SENTENCE = re.compile(r"(?<=[.;?!]) +")
EDITION_OF_A_SOURCE = re.compile(r"^NEC \d{4} ")
ASKING = (Verdict.NEEDS_INPUT, Verdict.JUDGEMENT)


def short(note: str) -> str:
    """A note in `NOTE_SHOWN` letters: as many whole sentences as go into them, else its first words."""
    if len(note) <= NOTE_SHOWN:
        return note
    said = ""
    for sentence in SENTENCE.split(note):
        longer = f"{said} {sentence}".strip()
        if len(longer) > NOTE_SHOWN:
            break
        said = longer
    return f"{said or note[:NOTE_SHOWN].rpartition(' ')[0] or note[:NOTE_SHOWN]} …"


# numbers


def printed(provided: object, relation: str | None, required: object, unit: str | None, extra: int = 0) -> tuple[str, str, str]:
    """Both sides of a check and its margin as printed, without units.

    Parameters: sides [unit], relation, unit, decimals on top of the usual [count]. Returns: texts, empty where there is none.
    """
    given, limit = (None if side is None else _given(side, unit, extra) for side in (provided, required))
    return numbers.sides(Check("", "", Verdict.PASS, given, relation or "", limit))


def _given(value: object, unit: str | None, extra: int) -> Input:
    return Input("", "", value, unit, decimals=_decimals(value, unit, extra))


def _decimals(value: object, unit: str | None, extra: int) -> int | None:
    """Decimals to print; None for a number that is written exactly with no more than those."""
    if unit not in DECIMALS or isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    wanted = DECIMALS[unit] + extra
    return None if abs(value - round(value, wanted)) <= GUARD * max(1.0, abs(value)) * 10.0**-wanted else wanted


# one thing of a study


@dataclass(frozen=True, slots=True)
class Sides:
    """A check of one study, as its results.json has it."""

    verdict: str
    provided: object
    relation: str | None
    required: object
    unit: str | None
    margin: float | None
    counts: bool
    source: str | None = None
    note: str = ""

    def words(self, extra: int = 0) -> str:
        """What is compared, as printed with so many decimals more [count]; empty where nothing is."""
        left, right, room = printed(self.provided, self.relation, self.required, self.unit, extra)
        sign = numbers.SIGNS.get(self.relation, self.relation or "") if right else ""
        compared = numbers.with_unit(" ".join(filter(None, (left, sign, right))), self.unit if left or right else None)
        return f"{compared}, margin {room}" if room else compared

    def spoken(self) -> str:
        """What is compared with its relation in words."""
        left, right, _ = printed(self.provided, self.relation, self.required, self.unit)
        return numbers.with_unit(f"{left} {RELATIONS.get(self.relation, self.relation)} {right}", self.unit)

    @property
    def decides(self) -> str:
        """What it says of the study: its verdict, `not applicable` where it does not count."""
        return self.verdict if self.counts else str(Verdict.NOT_APPLICABLE)

    @property
    def explained(self) -> bool:
        """Whether its note and not its numbers says why: it asks, or it fails although they hold or without any."""
        if self.verdict != Verdict.FAIL:
            return self.verdict in ASKING
        return self.margin is None or holds(self.provided, self.relation, self.required)


@dataclass(frozen=True, slots=True)
class Value:
    """A result of one study."""

    value: object
    unit: str | None

    def words(self, extra: int = 0) -> str:
        """As printed with so many decimals more [count]."""
        return numbers.with_unit(numbers.value_text(self.value, _decimals(self.value, self.unit, extra)), self.unit)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a workbook came to: verdict and controlling check, None where no check applies; `otherwise`: both without `edition-adopted`."""

    verdict: str
    controlling: str | None
    verdict_otherwise: str
    controlling_otherwise: str | None

    @property
    def otherwise(self) -> tuple[str, str | None]:
        """Verdict and controlling check without `edition-adopted`."""
        return self.verdict_otherwise, self.controlling_otherwise

    def words(self, extra: int = 0) -> str:
        """As printed, without `edition-adopted`; it holds no number that decimals could be added to."""
        return f"{self.verdict_otherwise} ({self.controlling_otherwise or 'no check'})"


@dataclass(frozen=True, slots=True)
class Move:
    """One thing of a workbook before and now, None where a side does not have it: a check's `Sides`, a result's `Value`, its `Outcome`."""

    workbook: str
    key: str
    before: Sides | Value | Outcome | None
    now: Sides | Value | Outcome | None

    @property
    def extra(self) -> int:
        """Decimals on top of the usual with which two sides that differ do not read alike [count]."""
        if self.before is None or self.now is None or self.before == self.now:
            return 0
        return next((extra for extra in range(MORE_DIGITS) if self.before.words(extra) != self.now.words(extra)), 0)

    def words(self) -> list[str]:
        """Both sides as printed."""
        extra = self.extra
        return [ABSENT if one is None else one.words(extra) for one in (self.before, self.now)]

    @property
    def decides(self) -> bool:
        """Of a check or a workbook: whether what it says of the study moved; where it is not there, it says as much as `not applicable`."""
        sides = [_said_by(one) for one in (self.before, self.now)]
        return sides[0] != sides[1]

    def rule(self, *, edition: bool) -> str:
        """The section of a check before and now, in words; empty where it is none, or the same and the edition did not move."""
        before, now = (getattr(one, "source", None) or "" for one in (self.before, self.now))
        plain = [EDITION_OF_A_SOURCE.sub("", one) for one in (before, now)]
        if plain[0] == plain[1]:
            return f"rule: {plain[0]} in both" if edition and plain[0] else ""
        return f"rule: {before} -> {now}" if before and now else f"rule: {before} (before)" if before else f"rule: {now} (now)"

    def turned(self) -> str:
        """In words that a check asks the other way round; empty where it does not."""
        relations = [getattr(one, "relation", None) for one in (self.before, self.now)]
        if None in relations or relations[0] == relations[1]:
            return ""
        return f"asked the other way round: before {self.before.spoken()}, now {self.now.spoken()}"

    def notes(self, *, edition: bool, whole: bool) -> Iterator[tuple[str, str]]:
        """Notes of a check that say why, each with its side: before, now, or neither where both say the same.

        Where the edition moved the note now is told if it is another; so is the note of a check that applies no more.
        """
        texts = [getattr(one, "note", "") for one in (self.before, self.now)]
        wanted = [getattr(one, "explained", False) for one in (self.before, self.now)]
        wanted[1] |= texts[0] != texts[1] and (edition or getattr(self.now, "verdict", "") == Verdict.NOT_APPLICABLE)
        said = [(text if whole else short(text)) if want else "" for text, want in zip(texts, wanted, strict=True)]
        if said[0] and said[0] == said[1]:
            yield "", said[0]
        else:
            yield from ((side, text) for side, text in zip(("before", "now"), said, strict=True) if text)

    def why(self, *, edition: bool, whole: bool = False) -> list[str]:
        """What is to be told of a check beside its verdicts and numbers: asked the other way round, its rule, its notes.

        Parameters: whether the edition moved; whether notes are told whole.
        """
        notes = (f"{side}: {text}" if side else f"note: {text}" for side, text in self.notes(edition=edition, whole=whole))
        return [said for said in (self.turned(), self.rule(edition=edition), *notes) if said]


def _said_by(one: Sides | Value | Outcome | None) -> str:
    if one is None:
        return str(Verdict.NOT_APPLICABLE)
    return one.decides if isinstance(one, Sides) else one.verdict_otherwise


# one study


@dataclass(frozen=True, slots=True)
class Change:
    """One study before and now.

    A state is None where a side does not have the study, `otherwise` is the state without `edition-adopted`; a fault is the first of a side
    without a verdict; `checks` moved their verdict, came or went (`edition-adopted`, what its verdict was before and now, apart);
    `values`: controlling checks that kept their verdict and moved a side, of a study that moved the check that decides it still, of a study
    on one side only the check that decides it; `results` are those behind these checks, or all that moved; `results_count` is how many
    moved; `causes`: of what moved, `beside`: what differs as well and moved no verdict; `accepted`: reasons that a person accepted without
    a rerun; `substituted`: whether the what-if of the new side was made for it (None: there is none); `shared`: the state before and now by
    the workbooks that both sides have, without `edition-adopted`, where the sides were made with different ones.
    """

    site_id: str
    case: str
    case_before: str
    kind: str
    state_before: str | None
    state_now: str | None
    otherwise_before: str | None
    otherwise_now: str | None
    fault_before: str = ""
    fault_now: str = ""
    adopted: tuple[str, str] | None = None
    workbooks: tuple[Move, ...] = ()
    checks: tuple[Move, ...] = ()
    values: tuple[Move, ...] = ()
    results: tuple[Move, ...] = ()
    results_count: int = 0
    causes: tuple[Cause, ...] = ()
    beside: tuple[Cause, ...] = ()
    accepted_before: tuple[str, ...] = ()
    accepted: tuple[str, ...] = ()
    substituted: bool | None = None
    shared: tuple[str, str] | None = None

    @property
    def moved(self) -> bool:
        """Whether a state or a verdict that counts is another than before, by more than `edition-adopted`, or the study came or went."""
        return self.kind in (MOVED, ADDED, GONE)

    @property
    def listed_why(self) -> bool:
        """Whether it is among those of which a verdict, a check or a value moved."""
        return self.moved or self.kind in (ASIDE, VALUES)

    @property
    def on_both(self) -> bool:
        """Whether both sides have the study."""
        return self.state_before is not None and self.state_now is not None

    @property
    def edition_moved(self) -> bool:
        """Whether the edition in use is another than before."""
        return any(cause.kind == EDITION for cause in (*self.causes, *self.beside))

    @property
    def by_workbooks_alone(self) -> bool:
        """Whether a verdict moved only since the sides were made with different workbooks."""
        return self.kind == MOVED and any(cause.kind == WORKBOOKS for cause in self.causes) and not self.moves_by_itself()

    def moves_by_itself(self) -> bool:
        """Whether anything that counts moved within the workbooks that both sides have, or a side has no verdict."""
        if self.shared is None:
            return True
        within = (*self.checks, *(one for one in self.workbooks if None not in (one.before, one.now)))
        return self.shared[0] != self.shared[1] or any(one.decides for one in within)

    @property
    def name(self) -> str:
        """Home and case."""
        cases = self.case if self.case == self.case_before else f"{self.case_before} -> {self.case}"
        return named(self.site_id, cases)


def named(site_id: str, case: str) -> str:
    """A study by its names."""
    return f"{site_id}/{case}" if site_id else "a home at fault"


# one side


@dataclass(frozen=True, slots=True)
class Side:
    """What is known of one side as a whole.

    `file` and `sha256`: the file that was read, its name and hash; `version`: of the library, empty where it is not on record; `edition`:
    the one asked for in place of every file's; `what_if`: fields that were set, `where` and `set`; numbers of studies: all, made under the
    edition asked for, made with the fields set; `accepted`: names of those whose reasons a person accepted without a rerun;
    `left_out`: numbers of studies by the workbooks that they were made without, those that were made with all not among them.
    """

    name: str
    file: str
    sha256: str
    version: str
    edition: str | None = None
    what_if: Mapping[str, Mapping[str, str]] | None = None
    studies_count: int = 1
    edition_count: int = 0
    substituted_count: int = 0
    accepted: tuple[str, ...] = ()
    left_out: tuple[tuple[tuple[str, ...], int], ...] = ()

    def done(self) -> list[str]:
        """What was done, in words: workbooks left out, an edition asked for, fields set, reasons accepted."""
        of = f"of {studies(self.studies_count)}"
        said = [
            f"made with {with_workbooks(names)}: {count:,} {of}; left out: {', '.join(names)}, so that these are verdicts of a part"
            for names, count in self.left_out
        ]
        if self.edition:
            said.append(f"edition {self.edition} in place of every file's own: {self.edition_count:,} {of} made under it")
        if self.what_if:
            put, where = (
                ", ".join(f"{path} = {value}" for path, value in (self.what_if.get(name) or {}).items()) for name in ("set", "where")
            )
            said.append(f"what-if {put}{f' where {where}' if where else ''}: set for {self.substituted_count:,} {of}")
        if self.accepted:
            said.append(f"{NOT_RERUN}: {studies(len(self.accepted))} ({some(self.accepted, NAMED)})")
        return said


def said_causes(found: Iterable[Cause], most: int) -> list[str]:
    """Causes in words, at most so many [count] and how many there are more."""
    said = [str(cause) for cause in found]
    return said[:most] + ([f"and {len(said) - most} more"] if len(said) > most else [])
