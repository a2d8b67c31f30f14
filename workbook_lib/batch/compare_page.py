"""What a comparison of two runs or two studies found, and how it is told: on a terminal, as a page, as a table, as JSON.

The check `edition-adopted` says only whether an edition is the one that a place adopted: what it moved is counted once, at the head.
"""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from html import escape
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch.causes import NOT_RERUN, Cause
from workbook_lib.batch.rollup import neutral
from workbook_lib.batch.rows import ADOPTED, FAULTED, NOT_RUN
from workbook_lib.render import html, numbers, page, text
from workbook_lib.render.blocks import Block, Bullets, Grid, Heading, Part, Prose
from workbook_lib.render.results import FORMAT
from workbook_lib.sheet import Check, Input, Verdict
from workbook_lib.workbooks.common import STANDING_CAUTIONS

JSON, TABLE, PAGE = "changes.json", "changes.csv", "changes.html"
TEXT_STUDIES, PAGE_STUDIES, CAUSES_TOLD, NAMED = 20, 200, 8, 8
"""Studies that the terminal and the page show one by one, causes of one study that are told in words, studies that are named in a line."""
HASH_SHOWN = 12
SIDED = ("verdict", "counts", "provided", "required", "unit", "margin")
COLUMNS = (
    *("kind", "site_id", "case", "case_before", "workbook", "check", "relation"),
    *(f"{name}_{side}" for name in SIDED for side in ("before", "now")),
    *("fault", "causes", "accepted"),
    *(f"{name}_{side}" for name in ("state", "state_otherwise") for side in ("before", "now")),
)
NO_VERDICT = (*FAULTED, NOT_RUN)
MOVED, ADDED, GONE, VALUES, ADOPTED_ALONE, UNCHANGED = "moved", "added", "gone", "values", "edition-adopted alone", "unchanged"
"""What became of a study: a verdict moved, it came, it went, values alone moved, `edition-adopted` alone moved, nothing did."""
ABSENT, NOTHING = "not there", "nothing to compare"
COUNTED = {
    "compared": "in both",
    "moved": "of these a verdict moved",
    "other_values": "of these the same verdicts, other values",
    "edition_adopted_alone": f"of these {ADOPTED} alone moved",
    "unchanged": "of these nothing moved",
    "added": "added",
    "gone": "gone",
    "without_verdict_before": "without a verdict before",
    "without_verdict_now": "without a verdict now",
}
"""The counts of `Comparison.counts` in words."""


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

    def words(self) -> str:
        """What is compared, as printed; empty where nothing is."""
        given, limit = (None if side is None else Input("", "", side, self.unit) for side in (self.provided, self.required))
        left, right, room = numbers.sides(Check("", "", Verdict(self.verdict), given, self.relation or "", limit))
        sign = numbers.SIGNS.get(self.relation, self.relation or "") if right else ""
        compared = numbers.with_unit(" ".join(filter(None, (left, sign, right))), self.unit if left or right else None)
        return f"{compared}, margin {room}" if room else compared


@dataclass(frozen=True, slots=True)
class Value:
    """A result of one study."""

    value: object
    unit: str | None

    def words(self) -> str:
        """As printed."""
        return numbers.with_unit(numbers.value_text(self.value), self.unit)


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

    def words(self) -> str:
        """As printed, without `edition-adopted`."""
        return f"{self.verdict_otherwise} ({self.controlling_otherwise or 'no check'})"


@dataclass(frozen=True, slots=True)
class Move:
    """One thing of a workbook before and now, None where a side does not have it: a check's `Sides`, a result's `Value`, its `Outcome`."""

    workbook: str
    key: str
    before: Sides | Value | Outcome | None
    now: Sides | Value | Outcome | None

    def words(self) -> list[str]:
        """Both sides as printed."""
        return [ABSENT if one is None else one.words() for one in (self.before, self.now)]


@dataclass(frozen=True, slots=True)
class Change:
    """One study before and now.

    A state is None where a side does not have the study, `otherwise` is the state without `edition-adopted`; a fault is the first of a side
    without a verdict; `checks` moved their verdict, came or went (`edition-adopted`, what its verdict was before and now, apart);
    `values`: controlling checks that kept their verdict and moved a side, of a study that moved the check that decides it still, of a study
    on one side only the check that decides it; `results` are those behind these checks, or all that moved; `results_count` is how many
    moved; `accepted`: reasons that a person accepted without a rerun; `substituted`: whether the what-if of the new side was made for it
    (None: there is none).
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
    accepted_before: tuple[str, ...] = ()
    accepted: tuple[str, ...] = ()
    substituted: bool | None = None

    @property
    def moved(self) -> bool:
        """Whether a state, a fault, a verdict or the list of checks is another than before, by more than `edition-adopted`."""
        return self.kind in (MOVED, ADDED, GONE)

    @property
    def on_both(self) -> bool:
        """Whether both sides have the study."""
        return self.state_before is not None and self.state_now is not None

    @property
    def name(self) -> str:
        """Home and case."""
        cases = self.case if self.case == self.case_before else f"{self.case_before} -> {self.case}"
        return named(self.site_id, cases)


def named(site_id: str, case: str) -> str:
    """A study by its names."""
    return f"{site_id}/{case}" if site_id else "a home at fault"


@dataclass(frozen=True, slots=True)
class Side:
    """What is known of one side as a whole.

    `file` and `sha256`: the file that was read, its name and hash; `version`: of the library, empty where it is not on record; `edition`:
    the one asked for in place of every file's; `what_if`: fields that were set, `where` and `set`; numbers of studies: all, made under the
    edition asked for, made with the fields set; `accepted`: names of those whose reasons a person accepted without a rerun.
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

    def done(self) -> list[str]:
        """What was done, in words: an edition asked for, fields set, reasons accepted."""
        of = f"of {_studies(self.studies_count)}"
        said = []
        if self.edition:
            said.append(f"edition {self.edition} in place of every file's own: {self.edition_count:,} {of} made under it")
        if self.what_if:
            put, where = (
                ", ".join(f"{path} = {value}" for path, value in (self.what_if.get(name) or {}).items()) for name in ("set", "where")
            )
            said.append(f"what-if {put}{f' where {where}' if where else ''}: set for {self.substituted_count:,} {of}")
        if self.accepted:
            more = f" and {len(self.accepted) - NAMED:,} more" if len(self.accepted) > NAMED else ""
            said.append(f"{NOT_RERUN}: {_studies(len(self.accepted))} ({', '.join(self.accepted[:NAMED])}{more})")
        return said


def _studies(count: int) -> str:
    return f"{count:,} {'study' if count == 1 else 'studies'}"


States = tuple[str | None, str | None, str | None, str | None]
"""State before and now, state without `edition-adopted` before and now; None: not there."""


@dataclass(frozen=True)
class Comparison:
    """What moved between two sides, named `before` and `now`.

    `table`: how many studies went from which state to which; `kinds`: how many studies became what; `adopted`: how many studies have
    `edition-adopted` with which verdicts before and now; `changes`: what moved, what has other values, what is or was without a verdict,
    what is on one side only; `common`: causes that all studies of these that are on both sides have; `studies`: names of the two studies,
    where two studies and no runs are compared.
    """

    sides: tuple[Side, Side]
    remarks: tuple[str, ...]
    table: Mapping[States, int]
    kinds: Mapping[str, int]
    adopted: Mapping[tuple[str, str], int]
    changes: tuple[Change, ...]
    common: tuple[Cause, ...] = ()
    studies: tuple[str, str] | None = field(default=None)

    @property
    def before(self) -> str:
        """Name of the old side."""
        return self.sides[0].name

    @property
    def now(self) -> str:
        """Name of the new side."""
        return self.sides[1].name

    @property
    def moved(self) -> bool:
        """Whether anything but values and `edition-adopted` moved: a state, a verdict, a check, a fault, the list of studies."""
        return any(change.moved for change in self.changes)

    @property
    def states(self) -> dict[tuple[str | None, str | None], int]:
        """How many studies went from which state to which (None: not there)."""
        return self._pairs(0)

    @property
    def states_otherwise(self) -> dict[tuple[str | None, str | None], int]:
        """The same without the check `edition-adopted`."""
        return self._pairs(2)

    def _pairs(self, place: int) -> dict[tuple[str | None, str | None], int]:
        found: Counter[tuple[str | None, str | None]] = Counter()
        for key, count in self.table.items():
            found[key[place : place + 2]] += count
        return dict(found)

    def counts(self) -> dict[str, int]:
        """Numbers of studies: on both sides, what became of these; added, gone; without a verdict."""
        both = sum(count for pair, count in self.states.items() if None not in pair)
        names = {"moved": MOVED, "other_values": VALUES, "edition_adopted_alone": ADOPTED_ALONE, "unchanged": UNCHANGED}
        found = {"compared": both} | {name: self.kinds.get(kind, 0) for name, kind in names.items()}
        for side, words in enumerate((("added", "without_verdict_before"), ("gone", "without_verdict_now"))):
            for name, states in zip(words, ((None,), NO_VERDICT), strict=True):
                found[name] = sum(count for pair, count in self.states.items() if pair[side] in states)
        return found

    def title(self) -> str:
        """The two sides by name."""
        if self.studies is None:
            return f"{self.before} to {self.now}"
        if self.studies[0] != self.studies[1]:
            return f"{self.studies[0]} to {self.studies[1]}"
        return self.studies[0] + (f": {self.before} to {self.now}" if self.before != self.now else "")

    def text(self, most: int = TEXT_STUDIES) -> str:
        """What moved, for a terminal: counts, then one block a study, at most so many, what must be looked at first before the rest."""
        return "\n\n".join(text.plain(part) for part in _parts(self, most, whole=False)) + "\n"

    def rows(self) -> list[dict[str, object]]:
        """Lines of the table, keys as in `COLUMNS`.

        One a check that moved, came or went; one (`value`) a controlling check with other values of a study whose verdicts stayed; one a
        study or a workbook that a side has nothing to show of.
        """
        return [row for change in self.changes for row in _rows(change)]

    def document(self) -> dict[str, object]:
        """All of it as it stands in changes.json; causes that are common to all are left out of the studies."""
        head = {"format": FORMAT, "before": self.before, "now": self.now, "moved": self.moved, "remarks": list(self.remarks)}
        names = ("before", "now")
        return head | {
            "sides": {
                name: asdict(side) | {"accepted": list(side.accepted), "done": side.done()}
                for name, side in zip(names, self.sides, strict=True)
            },
            "counts": self.counts(),
            "states": [{"before": before, "now": now, "studies": count} for (before, now), count in self.states.items()],
            "states_otherwise": [
                {"before": before, "now": now, "studies": count} for (before, now), count in self.states_otherwise.items()
            ],
            "edition_adopted": [{"before": before, "now": now, "studies": count} for (before, now), count in self.adopted.items()],
            "common_causes": [cause.document() for cause in self.common],
            "studies": [
                asdict(replace(change, causes=()))
                | {"moved": change.moved, "causes": [cause.document() for cause in change.causes if cause not in self.common]}
                for change in self.changes
            ],
        }

    def write(self, folder: Path) -> None:
        """Write changes.json, changes.csv and changes.html, each whole or not at all. Errors: FolderFault."""
        held = json.dumps(self.document(), sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        contents = {JSON: held, TABLE: _table(self), PAGE: _page(self)}
        with folders.writing(f"the folder {folder}"):
            folder.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            folders.put(folder / name, content.encode())


# the table


def _rows(change: Change) -> Iterator[dict[str, object]]:
    fault = change.fault_now or change.fault_before
    head = dict.fromkeys(COLUMNS) | {"site_id": change.site_id, "case": change.case, "case_before": change.case_before}
    head |= {"fault": fault or None, "causes": "; ".join(_said(change.causes)) or None, "accepted": "; ".join(change.accepted) or None}
    head |= {"state_before": change.state_before, "state_now": change.state_now}
    head |= {"state_otherwise_before": change.otherwise_before, "state_otherwise_now": change.otherwise_now}
    if change.moved and (not change.on_both or fault):
        row = head | {"kind": _kind("study", change.state_before, change.state_now)}
        for move in change.values:
            row |= _sided(move)
        yield row | {"verdict_before": change.state_before, "verdict_now": change.state_now}
    if change.kind == VALUES:
        yield from (head | _sided(move) | {"kind": "value"} for move in change.values)
        yield from () if change.values else [head | {"kind": "value"}]
    for move in (*(one for one in change.workbooks if None in (one.before, one.now)), *change.checks):
        yield head | _sided(move) | {"kind": _kind("check" if move.key else "workbook", move.before, move.now)}


def _sided(move: Move) -> dict[str, object]:
    row = {"workbook": move.workbook, "check": move.key or None, "relation": getattr(move.now or move.before, "relation", None)}
    for side, one in (("before", move.before), ("now", move.now)):
        row |= {f"{name}_{side}": getattr(one, name, None) for name in SIDED}
    return row


def _kind(what: str, before: object, now: object) -> str:
    return f"{what} added" if before is None else f"{what} gone" if now is None else what


def _said(found: Iterable[Cause]) -> list[str]:
    said = [str(cause) for cause in found]
    return said[:CAUSES_TOLD] + ([f"and {len(said) - CAUSES_TOLD} more"] if len(said) > CAUSES_TOLD else [])


def _table(comparison: Comparison) -> str:
    held = io.StringIO(newline="")
    table = csv.writer(held, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
    table.writerow(COLUMNS)
    table.writerows([_cell(value) for value in row.values()] for change in comparison.changes for row in _rows(change))
    return held.getvalue()


def _cell(value: object) -> object:
    if value is None or (isinstance(value, (int, float)) and not isinstance(value, bool)):
        return value
    return neutral(numbers.value_text(value))


# terminal and page


def _parts(comparison: Comparison, most: int, *, whole: bool) -> list[Part]:
    parts = [Part("moves", "What moved", (*_head(comparison), *_common(comparison)))]
    shown = comparison.changes[:most]
    titles = {"Study by study": (MOVED, ADDED, GONE), "The same verdicts, other values": (VALUES,)}
    others = ("Otherwise", tuple({one.kind for one in shown}.difference(*titles.values())))
    for number, (title, kinds) in enumerate((*titles.items(), others)):
        told = [block for one in shown if one.kind in kinds for block in _blocks(one, comparison.common, whole=whole)]
        parts.append(Part(f"studies-{number}", title, tuple(told)))
    if len(comparison.changes) > most:
        words = f"{len(comparison.changes) - most:,} studies more: {TABLE} has each."
        parts.append(Part("more", "The rest", (Prose((words,)),)))
    return [part for part in parts if part.blocks]


def _head(comparison: Comparison) -> Iterator[Block]:
    rows = [
        (label, one.name, one.version or "not on record", one.file, one.sha256[:HASH_SHOWN])
        for label, one in zip(("before", "now"), comparison.sides, strict=True)
    ]
    yield Grid(("", "Folder", "Library", "File", "SHA-256"), _cells(rows))
    done = [f"{label}: {said}" for label, side in zip(("before", "now"), comparison.sides, strict=True) for said in side.done()]
    if done:
        yield Bullets(tuple((one,) for one in done))
    yield from (Prose((remark,)) for remark in comparison.remarks)
    for (before, now), count in comparison.adopted.items():
        yield Prose((f"{ADOPTED}: {before} -> {now} in {_studies(count)}. It is not counted as a move and not repeated below.",))
    yield Heading("Studies by state")
    yield _states(comparison.table)
    yield Heading("Studies by what became of them")
    counts = [(COUNTED[name], f"{count:,}") for name, count in comparison.counts().items() if count]
    yield Grid(("", "Studies"), _cells(counts), numeric=frozenset((1,)))


def _states(table: Mapping[States, int]) -> Grid:
    """Studies by state; where `edition-adopted` decides one, also by the state without it."""
    labels = ("Before", "Now", f"Before without {ADOPTED}", f"Now without {ADOPTED}")
    shown = [0, 1, *(place for place in (2, 3) if any(key[place] != key[place - 2] for key in table))]
    rows = [(*(key[place] or ABSENT for place in shown), f"{count:,}") for key, count in table.items()]
    return Grid((*(labels[place] for place in shown), "Studies"), _cells(rows), numeric=frozenset((len(shown),)))


def _cells(rows: Iterable[Iterable[str]]) -> tuple[tuple[tuple[str], ...], ...]:
    return tuple(tuple((cell,) for cell in row) for row in rows)


def _common(comparison: Comparison) -> Iterator[Block]:
    if comparison.common:
        yield Heading("What differs of every study below that is on both sides")
        yield Bullets(tuple((one,) for one in _said(comparison.common)))


def _blocks(change: Change, common: Iterable[Cause], *, whole: bool) -> Iterator[Block]:
    states = [_state(*pair) for pair in ((change.state_before, change.otherwise_before), (change.state_now, change.otherwise_now))]
    states = states[1:] if states[0] == states[1] and not change.moved else states
    yield Heading(f"{change.name}: {' -> '.join(states)}{f', {NOT_RERUN}' if change.accepted else ''}")
    rows = [_check_row(move) for counts in (True, False) for move in change.checks if _counts(move) is counts]
    lines = [*_lines(change), *(f"differs: {said}" for said in _said(cause for cause in change.causes if cause not in common))]
    lines += [f"values of results that moved: {change.results_count}"] if change.results_count else []
    for check, before, now, *words in () if whole else rows:
        lines.append(
            f"{check}: {before} -> {now}" + (f"; {' -> '.join(one or NOTHING for one in words)}" if {*words} - {ABSENT, ""} else "")
        )
    if lines or not rows:
        yield Bullets(tuple((line,) for line in lines), "nothing else is recorded of it")
    results = [(one.key, *one.words()) for one in change.results] if whole and change.kind != VALUES else []
    for columns, cells in ((("Check", "Before", "Now", "Compared before", "Compared now"), rows), (("Result", "Before", "Now"), results)):
        if cells and whole:
            yield Grid(columns, _cells(cells))


def _state(state: str | None, otherwise: str | None) -> str:
    return (state or ABSENT) + (f" ({otherwise} without {ADOPTED})" if state != otherwise else "")


def _lines(change: Change) -> Iterator[str]:
    """What is told of a study but for its checks that moved and its causes."""
    faults = {"before": change.fault_before, "now": change.fault_now}
    yield from (f"{side}: {fault}" for side, fault in faults.items() if fault and (side == "now" or change.fault_now != fault))
    for side, reasons in (("before: ", change.accepted_before), ("", change.accepted)):
        yield from [f"{side}{NOT_RERUN}: {'; '.join(reasons)}"] if reasons else ()
    if change.moved and change.substituted is False:
        yield "the what-if was not made for it"
    words = [(one.workbook, *(None if side is None else side.otherwise for side in (one.before, one.now)), one) for one in change.workbooks]
    yield from (f"{workbook}: {' -> '.join(one.words())}" for workbook, before, now, one in words if before != now)
    if change.kind == VALUES and not change.values:
        yield from (f"{one.key} ({one.workbook}): {' -> '.join(one.words())}" for one in change.results)
    for move in change.values:
        there = move.now or move.before
        sides = [one or NOTHING for one in move.words()] if change.on_both else [there.words() or NOTHING]
        yield f"{'' if change.on_both else 'controlling: '}{move.key} ({move.workbook}), {there.verdict}: {' -> '.join(sides)}"


def _counts(move: Move) -> bool:
    return any(one is not None and one.counts for one in (move.before, move.now))


def _check_row(move: Move) -> tuple[str, ...]:
    verdicts = (ABSENT if one is None else one.verdict + ("" if one.counts else ", does not count") for one in (move.before, move.now))
    return f"{move.key} ({move.workbook})", *verdicts, *move.words()


def _page(comparison: Comparison) -> str:
    title = f"What moved: {comparison.title()}"
    top = page.strip(title, [(JSON, JSON), (TABLE, TABLE)]) + f"<h1>{escape(title)}</h1>\n"
    first, *rest = _parts(comparison, PAGE_STUDIES, whole=True)
    body = "\n".join((html.fragment(first), *(f"<h2>{escape(part.title)}</h2>\n{html.fragment(part)}" for part in rest)))
    hashes = " ".join(
        f"SHA-256 of {one.file} {label}: {one.sha256}." for label, one in zip(("before", "now"), comparison.sides, strict=True)
    )
    return page.whole(title, top + body, title, f"Every check that moved is a line of {TABLE}. {hashes} {STANDING_CAUTIONS[0]}")
