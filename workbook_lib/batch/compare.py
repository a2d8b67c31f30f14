"""What moved between two runs of a portfolio, or between two studies of one home, and what differs in what they were made from.

A side is the output folder of a batch, a study's folder or a results.json. Pairs of equal bytes are not read, and only counted.
"""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from html import escape
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch.causes import TODO, Cause, Finder, read_json, recorded, results_of, unsound
from workbook_lib.batch.rollup import neutral
from workbook_lib.batch.rows import FAULTED, NOT_RUN, ORDER, STATES, VERDICTS
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home.portfolio_cases import same
from workbook_lib.render import html, numbers, page, text
from workbook_lib.render.blocks import Block, Bullets, Grid, Heading, Pairs, Part, Prose
from workbook_lib.render.results import FORMAT
from workbook_lib.run import RESULTS
from workbook_lib.sheet import Check, Input, Verdict
from workbook_lib.workbooks.common import STANDING_CAUTIONS

JSON, TABLE, PAGE = "changes.json", "changes.csv", "changes.html"
TEXT_STUDIES, PAGE_STUDIES, CAUSES_TOLD = 20, 200, 8
"""Studies that the terminal and the page show one by one, and causes of one study that are told in words."""
SIDED = ("verdict", "counts", "provided", "required", "unit", "margin")
COLUMNS = (
    *("kind", "site_id", "case", "case_before", "workbook", "check", "relation"),
    *(f"{name}_{side}" for name in SIDED for side in ("before", "now")),
    *("fault", "causes"),
)
NO_VERDICT = (*FAULTED, NOT_RUN)
RANKS = {state: rank for rank, state in enumerate((*STATES, None))}
"""States by what must be looked at first; what is not there comes last."""
ABSENT, NOTHING = "not there", "nothing to compare"


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
    """What a workbook came to: its verdict and controlling check, None where no check applies."""

    verdict: str
    controlling: str | None

    def words(self) -> str:
        """As printed."""
        return f"{self.verdict} ({self.controlling or 'no check'})"


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

    A state is None where a side does not have the study; a fault is the first of a side without a verdict; `checks` moved their verdict,
    came or went; `results` are those behind a moved check, or all that moved; `results_count` is how many moved.
    """

    site_id: str
    case: str
    case_before: str
    state_before: str | None
    state_now: str | None
    fault_before: str = ""
    fault_now: str = ""
    workbooks: tuple[Move, ...] = ()
    checks: tuple[Move, ...] = ()
    results: tuple[Move, ...] = ()
    results_count: int = 0
    causes: tuple[Cause, ...] = ()

    @property
    def moved(self) -> bool:
        """Whether a state, a fault, a verdict or the list of checks is another than before."""
        alike = (self.state_before, self.fault_before) == (self.state_now, self.fault_now)
        pairs = [(one.before, one.now) for one in self.workbooks]
        return not alike or bool(self.checks) or any(None in pair or pair[0].verdict != pair[1].verdict for pair in pairs)


@dataclass(frozen=True)
class Comparison:
    """What moved between two sides, named `before` and `now`.

    `states`: how many studies went from which state to which (None: not there); `unchanged_count`: studies of which nothing moved;
    `values_count`: studies with the same verdicts and other values; `changes`: what moved, what is or was without a verdict, what is on
    one side only; `common`: causes that all studies that moved have.
    """

    before: str
    now: str
    remarks: tuple[str, ...]
    states: Mapping[tuple[str | None, str | None], int]
    unchanged_count: int
    values_count: int
    changes: tuple[Change, ...]
    common: tuple[Cause, ...] = ()

    @property
    def moved(self) -> bool:
        """Whether anything but values moved: a state, a verdict, a check, a fault, the list of studies."""
        return any(change.moved for change in self.changes)

    def counts(self) -> dict[str, int]:
        """Numbers of studies: on both sides, of these moved, with other values alone, unchanged; added, gone; without a verdict."""
        both = sum(count for pair, count in self.states.items() if None not in pair)
        found = {"compared": both, "moved": both - self.unchanged_count - self.values_count}
        found |= {"other_values": self.values_count, "unchanged": self.unchanged_count}
        for side, words in enumerate((("added", "without_verdict_before"), ("gone", "without_verdict_now"))):
            for name, states in zip(words, ((None,), NO_VERDICT), strict=True):
                found[name] = sum(count for pair, count in self.states.items() if pair[side] in states)
        return found

    def text(self, most: int = TEXT_STUDIES) -> str:
        """What moved, for a terminal: counts, then one block a study, at most so many, what must be looked at first before the rest."""
        return "\n\n".join(text.plain(part) for part in _parts(self, most, whole=False)) + "\n"

    def rows(self) -> list[dict[str, object]]:
        """One line a check that moved, came or went; one a study or a workbook that a side has nothing to show of. Keys: `COLUMNS`."""
        return [row for change in self.changes for row in _rows(change)]

    def document(self) -> dict[str, object]:
        """All of it as it stands in changes.json; causes that are common to all are left out of the studies."""
        head = {"format": FORMAT, "before": self.before, "now": self.now, "moved": self.moved, "remarks": list(self.remarks)}
        return head | {
            "counts": self.counts(),
            "states": [{"before": before, "now": now, "studies": count} for (before, now), count in self.states.items()],
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


# the two sides


@dataclass(frozen=True, slots=True)
class Study:
    """A study of one side: names, state, first fault where it has no verdict, its results.json where it has one, its folder."""

    site_id: str
    case: str
    state: str
    fault: str
    file: Path | None
    folder: Path | None


Studies = Mapping[tuple[str, str, int], Study]
"""Studies by home and case; of several at fault that bear the same name each by its number."""


def _studies(path: Path) -> tuple[Studies, bool]:
    """The studies of a side and whether they are those of a batch. Errors: InputFault if the path leads to none of the three."""
    top = path.parent if path.name == folders.PORTFOLIO else path
    if (top / folders.PORTFOLIO).is_file():
        times: Counter[tuple[str, str]] = Counter()
        found = {}
        for study in _of_portfolio(top):
            times[study.site_id, study.case] += 1
            found[study.site_id, study.case, times[study.site_id, study.case]] = study
        return found, True
    file = path / RESULTS if path.is_dir() else path
    if file.is_file():
        study = _of_file(file)
        return {(study.site_id, study.case, 1): study}, False
    what = f"holds neither {folders.PORTFOLIO} nor {RESULTS}" if path.is_dir() else "is not there"
    todo = "let its batch come to its end, which files the portfolio" if (path / folders.OWN).is_dir() else "check the path"
    raise InputFault([Fault(path.as_posix(), "", what, "", "the folder of a batch or of a study, or a results.json", todo)])


def _of_portfolio(top: Path) -> Iterator[Study]:
    """The studies of a batch by its rows. Errors: InputFault."""
    file, what = top / folders.PORTFOLIO, "the portfolio of a batch"
    listed = read_json(file, what).get("studies")
    if not isinstance(listed, list):
        raise unsound(file, "studies", what)
    for number, row in enumerate(listed):
        names = [row.get(key) for key in ("site_id", "case", "state")] if isinstance(row, dict) else [None]
        if not all(isinstance(name, str) for name in names) or names[2] not in STATES:
            raise unsound(file, f"studies.{number}", what)
        with_verdict = names[2] in VERDICTS
        named = row.get("folder") or (f"{names[0]}/{names[1]}" if with_verdict else None)
        folder = None if named is None else top / str(named)
        if folder is not None and not folder.resolve().is_relative_to(top.resolve()):
            raise unsound(file, f"studies.{number}.folder", what)
        fault = "" if with_verdict else str([*(row.get("faults") or ()), row.get("why") or ""][0])
        yield Study(*names, fault, folder / RESULTS if with_verdict else None, folder)


def _of_file(file: Path) -> Study:
    """The study of a results.json; what lies beside it belongs to it where it has the name of one. Errors: InputFault."""
    held = results_of(file)
    folder = file.parent if file.name == RESULTS else None
    if "workbooks" in held:
        state = min((entry["verdict"] for entry in held["workbooks"].values()), key=ORDER.index)
        return Study(held["site_id"], held["case"], state if state in VERDICTS else VERDICTS[-1], "", file, folder)
    first = held["faults"][0] if held["faults"] else {}
    parts = [first.get("file") or first.get("where"), first.get("field"), first.get("what"), first.get("value")]
    return Study("", "", held["state"], ": ".join(str(part) for part in parts if part), None, folder)


def _pairs(old: Studies, new: Studies, *, single: bool) -> tuple[list[tuple[Study | None, Study | None]], list[str]]:
    """Studies that answer to each other, by home and case, else by home alone where each side has it once; remarks on how."""
    if single:
        (before,), (now,) = old.values(), new.values()
        names = [f"{one.site_id}/{one.case}" if one.site_id else "a home at fault" for one in (before, now)]
        return [(before, now)], [f"two studies of other names: {names[0]} and {names[1]}"] if names[0] != names[1] else []
    times = [Counter(key[0] for key in side) for side in (old, new)]
    alone = {key[0]: key for key in old if key not in new and key[0] and times[0][key[0]] == times[1][key[0]] == 1}
    answers = {key: key if key in old else alone.get(key[0]) for key in new}
    others = Counter(f"{other[1]} -> {key[1]}" for key, other in answers.items() if other not in (None, key))
    taken = set(answers.values())
    gone = [(study, None) for key, study in old.items() if key not in taken]
    remarks = [f"matched by home alone, case {cases}: {count} studies" for cases, count in others.items()]
    return [*((old.get(answers[key]), study) for key, study in new.items()), *gone], remarks


def _one_of(batch: Studies, one: Study, path: Path) -> Study:
    """The study of a batch that another study is compared with. Errors: InputFault where none or several are meant."""
    named = [study for study in batch.values() if study.site_id == one.site_id and one.site_id]
    named = [study for study in named if study.case == one.case] or named
    if len(named) == 1:
        return named[0]
    what = "has no study of the home that it is compared with" if not named else "has several cases of the home that it is compared with"
    raise InputFault([Fault(path.as_posix(), "", what, one.site_id or "a home at fault", "", "name the folder of one study of the batch")])


# pair by pair


def compare(old: Path, new: Path, *, everything: bool = False) -> Comparison:
    """What moved from one side to the other.

    Parameters: output folder of a batch, folder of a study, or results.json, twice; whether to keep every result that moved, and every
    study of which values alone did. Returns: Comparison. Errors: InputFault with all that cannot be read.
    """
    paths = Path(old), Path(new)
    (before, before_is_batch), (now, now_is_batch) = (_studies(path) for path in paths)
    if before_is_batch != now_is_batch:
        batch, path, one = (before, paths[0], *now.values()) if before_is_batch else (now, paths[1], *before.values())
        found = _one_of(batch, one, path)
        before, now = ({("", "", 1): study} for study in ((found, one) if before_is_batch else (one, found)))
    pairs, remarks = _pairs(before, now, single=not (before_is_batch and now_is_batch))
    finder, faults, changes = Finder(), [], []
    states, kept = Counter(), Counter()
    for pair in pairs:
        states[tuple(None if one is None else one.state for one in pair)] += 1
        try:
            kind, change = _compared(*pair, finder, everything=everything, alone=len(pairs) == 1)
        except InputFault as error:
            faults += error.faults
            continue
        kept[kind] += 1
        changes += [] if change is None else [change]
    if faults:
        raise InputFault(dict.fromkeys(faults))
    # what moved, of that what is worst now, of that what was best before
    changes.sort(key=lambda one: (not one.moved, RANKS[one.state_now], one.state_before is None, -RANKS[one.state_before]))
    ordered = sorted(states.items(), key=lambda item: (item[0][0] == item[0][1], RANKS[item[0][1]], -RANKS[item[0][0]]))
    told = (tuple(remarks), dict(ordered), kept["same"], kept["values"], tuple(changes), _common(changes))
    return Comparison(*(path.resolve().name for path in paths), *told)


def _common(changes: Iterable[Change]) -> tuple[Cause, ...]:
    """Causes of every study that moved, where there are several."""
    moved = [change.causes for change in changes if change.moved and None not in (change.state_before, change.state_now)]
    shared = set.intersection(*map(set, moved)) if len(moved) > 1 else set()
    return tuple(cause for cause in moved[0] if cause in shared) if shared else ()


def _compared(before: Study | None, now: Study | None, finder: Finder, *, everything: bool, alone: bool) -> tuple[str, Change | None]:
    """Whether a pair moved, has other values or is the same, and what is told of it (None: nothing)."""
    one, (old, new) = now or before, ((None, "") if side is None else (side.state, side.fault) for side in (before, now))
    change = Change(one.site_id, one.case, (before or now).case, old[0], new[0], old[1], new[1])
    if before is None or now is None:
        return "one side", change
    if _same_bytes(before, now):
        return "same", None
    documents = [_document(side) for side in (before, now)]
    if None not in documents:
        moves = [tuple(find(*(document["workbooks"] for document in documents))) for find in (_workbooks, _checks, _results)]
        told = moves[2] if everything else tuple(_behind(moves[2], moves[1]))
        change = replace(change, workbooks=moves[0], checks=moves[1], results=told, results_count=len(moves[2]))
    kind = "moved" if change.moved else "values" if change.results_count else "same"
    if kind == "moved" or alone or (kind == "values" and everything):
        sides = (recorded(side.folder, document) for side, document in zip((before, now), documents, strict=True))
        return kind, replace(change, causes=finder.causes(*sides))
    return kind, change if change.state_now in NO_VERDICT else None


def _same_bytes(before: Study, now: Study) -> bool:
    files = [one.file for one in (before, now) if one.file is not None and one.file.is_file()]
    alike = len(files) == 2 and before.state == now.state and files[0].stat().st_size == files[1].stat().st_size
    return alike and files[0].read_bytes() == files[1].read_bytes()


def _document(study: Study) -> dict[str, object] | None:
    """The results of a study that has a verdict. Errors: InputFault."""
    held = None if study.file is None else results_of(study.file)
    if held is not None and "workbooks" not in held:
        raise InputFault([Fault(study.file.as_posix(), "", "holds a fault, its batch a verdict", held["state"], study.state, TODO)])
    return held


def _both(before: Mapping[str, object], now: Mapping[str, object]) -> Iterator[tuple[str, object, object]]:
    """Keys of both sides, those of the new one first, with what each side has."""
    return ((key, before.get(key), now.get(key)) for key in dict.fromkeys((*now, *before)))


def _workbooks(before: Mapping, now: Mapping) -> Iterator[Move]:
    for name, *pair in _both(before, now):
        yield Move(name, "", *(None if one is None else Outcome(one["verdict"], one.get("controlling")) for one in pair))


def _checks(before: Mapping, now: Mapping) -> Iterator[Move]:
    """Checks whose verdict moved, that came or went, or that count where they did not, of workbooks that both sides have."""
    for name, *entries in _both(before, now):
        if None not in entries:
            for key, old, new in _both(*({check["key"]: check for check in entry["checks"]} for entry in entries)):
                sides = [None if one is None else Sides(*(one.get(name, True) for name in Sides.__slots__)) for one in (old, new)]
                if None in sides or (sides[0].verdict, sides[0].counts) != (sides[1].verdict, sides[1].counts):
                    yield Move(name, key, *sides)


def _results(before: Mapping, now: Mapping) -> Iterator[Move]:
    """Results whose value moved, of workbooks that both sides have."""
    for name, *entries in _both(before, now):
        if None not in entries:
            for key, old, new in _both(*(entry["results"] for entry in entries)):
                pair = [None if one is None else Value(one["value"], one["unit"]) for one in (old, new)]
                if None in pair or pair[0].unit != pair[1].unit or not same(pair[0].value, pair[1].value):
                    yield Move(name, key, *pair)


def _behind(results: Iterable[Move], checks: Iterable[Move]) -> Iterator[Move]:
    """Results that are a side of a moved check, or that are of the same thing (`bus:main` and `source_allowance_a:main`)."""
    sides = [(move.workbook, one) for move in checks for one in (move.before, move.now) if one is not None]
    held = {(name, repr(value), one.unit) for name, one in sides for value in (one.provided, one.required)}
    things = {(move.workbook, move.key.partition(":")[2]) for move in checks if ":" in move.key}
    for move in results:
        values = ((move.workbook, repr(one.value), one.unit) for one in (move.before, move.now) if one is not None)
        if (move.workbook, move.key.partition(":")[2]) in things or any(value in held for value in values):
            yield move


# what is told of it


def _rows(change: Change) -> Iterator[dict[str, object]]:
    fault = change.fault_now or change.fault_before
    head = dict.fromkeys(COLUMNS) | {"site_id": change.site_id, "case": change.case, "case_before": change.case_before}
    head |= {"fault": fault or None, "causes": "; ".join(_said(change.causes)) or None}
    if change.moved and (None in (change.state_before, change.state_now) or fault):
        kind = _kind("study", change.state_before, change.state_now)
        yield head | {"kind": kind, "verdict_before": change.state_before, "verdict_now": change.state_now}
    for move in (*(one for one in change.workbooks if None in (one.before, one.now)), *change.checks):
        kind = _kind("check" if move.key else "workbook", move.before, move.now)
        row = head | {"kind": kind, "workbook": move.workbook, "check": move.key or None}
        for side, one in (("before", move.before), ("now", move.now)):
            row |= {f"{name}_{side}": getattr(one, name, None) for name in SIDED}
        yield row | {"relation": getattr(move.now or move.before, "relation", None)}


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


def _parts(comparison: Comparison, most: int, *, whole: bool) -> list[Part]:
    said = ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in comparison.counts().items())
    rows = tuple(((before or ABSENT,), (now or ABSENT,), (f"{count:,}",)) for (before, now), count in comparison.states.items())
    blocks: list[Block] = [Pairs((("before", comparison.before), ("now", comparison.now), ("studies", said)))]
    blocks += [*(Prose((remark,)) for remark in comparison.remarks), Grid(("Before", "Now", "Studies"), rows, numeric=frozenset((2,)))]
    if comparison.common:
        blocks += [Heading("What differs of every study that moved"), Bullets(tuple((one,) for one in _said(comparison.common)))]
    told = [block for change in comparison.changes[:most] for block in _blocks(change, comparison.common, whole=whole)]
    if len(comparison.changes) > most:
        told.append(Prose((f"{len(comparison.changes) - most:,} studies more: each check is a line of {TABLE}.",)))
    parts = (Part("moves", "What moved", tuple(blocks)), Part("studies", "Study by study", tuple(told)))
    return [part for part in parts if part.blocks]


def _blocks(change: Change, common: Iterable[Cause], *, whole: bool) -> Iterator[Block]:
    cases = change.case if change.case == change.case_before else f"{change.case_before} -> {change.case}"
    name = f"{change.site_id}/{cases}" if change.site_id else "a home at fault"
    yield Heading(f"{name}: {change.state_before or ABSENT} -> {change.state_now or ABSENT}")
    faults = {"before": change.fault_before, "now": change.fault_now}
    lines = [f"{side}: {fault}" for side, fault in faults.items() if fault and (side == "now" or change.fault_now != fault)]
    lines += [f"{one.workbook}: {' -> '.join(one.words())}" for one in change.workbooks if one.before != one.now]
    lines += [f"differs: {said}" for said in _said(cause for cause in change.causes if cause not in common)]
    lines += [f"values of results that moved: {change.results_count}"] if change.results_count else []
    rows = [_check_row(move) for counts in (True, False)[: 1 + whole] for move in change.checks if _counts(move) is counts]
    for check, before, now, *words in () if whole else rows:
        lines.append(
            f"{check}: {before} -> {now}" + (f"; {' -> '.join(one or NOTHING for one in words)}" if {*words} - {ABSENT, ""} else "")
        )
    yield Bullets(tuple((line,) for line in lines), "nothing is recorded of it")
    results = [(one.key, *one.words()) for one in change.results] if whole else []
    for columns, cells in ((("Check", "Before", "Now", "Compared before", "Compared now"), rows), (("Result", "Before", "Now"), results)):
        if cells and whole:
            yield Grid(columns, tuple(tuple((cell,) for cell in row) for row in cells))


def _counts(move: Move) -> bool:
    return any(one is not None and one.counts for one in (move.before, move.now))


def _check_row(move: Move) -> tuple[str, ...]:
    verdicts = (ABSENT if one is None else one.verdict + ("" if one.counts else ", does not count") for one in (move.before, move.now))
    return f"{move.key} ({move.workbook})", *verdicts, *move.words()


def _page(comparison: Comparison) -> str:
    title = f"What moved: {comparison.before} to {comparison.now}"
    top = page.strip(title, [(JSON, JSON), (TABLE, TABLE)]) + f"<h1>{escape(title)}</h1>\n"
    body = "\n".join(html.fragment(part) for part in _parts(comparison, PAGE_STUDIES, whole=True))
    return page.whole(title, top + body, title, f"Every check that moved is a line of {TABLE}. {STANDING_CAUTIONS[0]}")
