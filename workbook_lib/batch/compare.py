"""What moved between two runs of a portfolio, or between two studies of one home, and what differs in what they were made from.

A side is the output folder of a batch, a study's folder or a results.json. Pairs of equal bytes are not read, and only counted.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch.causes import TODO, Cause, Finder, read_json, recorded, results_of, unsound
from workbook_lib.batch.compare_page import (
    ADDED,
    ADOPTED_ALONE,
    COLUMNS,
    GONE,
    MOVED,
    NO_VERDICT,
    UNCHANGED,
    VALUES,
    Change,
    Comparison,
    Move,
    Outcome,
    Side,
    Sides,
    Value,
    named,
)
from workbook_lib.batch.rows import ADOPTED, ORDER, STATES, VERDICTS, rank
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home.portfolio_cases import same
from workbook_lib.run import RESULTS

__all__ = ["COLUMNS", "Change", "Comparison", "compare"]

RANKS = {state: place for place, state in enumerate((*STATES, None))}
"""States by what must be looked at first; what is not there comes last."""
NOT_THERE = "not there"
RESULTS_KEPT = 3
"""Results that are kept of a study of which neither a verdict nor a controlling check moved."""
FILE_CAUSE = re.compile(r"^(.+?) (?:has other contents|is read now|is not read any more)")
OF_CODE = ("code", "edition", "notebook", "environment")
"""Kinds of reason that are of the program."""


# the two sides


@dataclass(frozen=True, slots=True)
class Study:
    """A study of one side.

    Names, state, first fault where it has no verdict, its results.json where it has one, its folder; `otherwise`: the state without
    `edition-adopted`, empty where it is not on record; `accepted`: reasons that were accepted without a rerun; `substituted`: whether a
    what-if was made for it.
    """

    site_id: str
    case: str
    state: str
    fault: str
    file: Path | None
    folder: Path | None
    otherwise: str = ""
    accepted: tuple[str, ...] = ()
    substituted: bool = False


Studies = Mapping[tuple[str, str, int], Study]
"""Studies by home and case; of several at fault that bear the same name each by its number."""


def _studies(path: Path) -> tuple[Studies, Side, bool]:
    """The studies of a side, what is known of it, whether it is a batch. Errors: InputFault if the path leads to none of the three."""
    top = path.parent if path.name == folders.PORTFOLIO else path
    if (top / folders.PORTFOLIO).is_file():
        file, what = top / folders.PORTFOLIO, "the portfolio of a batch"
        held = read_json(file, what)
        if not isinstance(held.get("studies"), list):
            raise unsound(file, "studies", what)
        times: Counter[tuple[str, str]] = Counter()
        found = {}
        for study in _of_portfolio(top, held["studies"]):
            times[study.site_id, study.case] += 1
            found[study.site_id, study.case, times[study.site_id, study.case]] = study
        return found, _side(file, held, found.values()), True
    file = path / RESULTS if path.is_dir() else path
    if file.is_file():
        held = results_of(file)
        study = _of_file(file, held)
        return {(study.site_id, study.case, 1): study}, _side(file, held, [study]), False
    what = f"holds neither {folders.PORTFOLIO} nor {RESULTS}" if path.is_dir() else "is not there"
    todo = "let its batch come to its end, which files the portfolio" if (path / folders.OWN).is_dir() else "check the path"
    raise InputFault([Fault(path.as_posix(), "", what, "", "the folder of a batch or of a study, or a results.json", todo)])


def _side(file: Path, held: Mapping[str, object], studies: Iterable[Study]) -> Side:
    """What is known of a side. Errors: InputFault."""
    top = file.resolve().parent
    of_batch = file.name == folders.PORTFOLIO
    try:
        version, edition = held.get("library_version"), held.get("edition") if of_batch else None
        what_if = (held.get("what_if") if of_batch else None) or None
        what_if = what_if and {name: {str(key): str(value) for key, value in what_if[name].items()} for name in ("where", "set")}
    except (KeyError, TypeError, AttributeError):
        raise unsound(file, "what_if", "fields that were set") from None
    name = top.name
    for one in () if of_batch else studies:
        # a study within a batch is called by all three names: its own folder is that of the case
        name = "/".join(top.parts[-3:]) if top.parts[-2:] == (one.site_id, one.case) else name
    with file.open("rb") as content:
        digest = hashlib.file_digest(content, "sha256").hexdigest()
    rows = held["studies"] if of_batch else ()
    return Side(
        name,
        file.name,
        digest,
        str(version or ""),
        None if edition is None else str(edition),
        what_if,
        len(rows) if of_batch else 1,
        sum(row.get("edition") == edition for row in rows) if edition else 0,
        sum(row.get("substituted") is True for row in rows),
        tuple(named(one.site_id, one.case) for one in studies if one.accepted),
    )


def _of_portfolio(top: Path, listed: list[object]) -> Iterator[Study]:
    """The studies of a batch by its rows. Errors: InputFault."""
    file, what = top / folders.PORTFOLIO, "the portfolio of a batch"
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
        otherwise = row.get("state_otherwise") if with_verdict else names[2]
        accepted = tuple(str(reason) for reason in row.get("accepted") or ())
        told = (otherwise if otherwise in STATES else "", accepted, row.get("substituted") is True)
        yield Study(*names, fault, folder / RESULTS if with_verdict else None, folder, *told)


def _of_file(file: Path, held: Mapping[str, object]) -> Study:
    """The study of a results.json; what lies beside it belongs to it where it has the name of one."""
    folder = file.parent if file.name == RESULTS else None
    if "workbooks" in held:
        state = min((entry["verdict"] for entry in held["workbooks"].values()), key=ORDER.index)
        return Study(held["site_id"], held["case"], _state(state), "", file, folder, _otherwise(held))
    first = held["faults"][0] if held["faults"] else {}
    parts = [first.get("file") or first.get("where"), first.get("field"), first.get("what"), first.get("value")]
    return Study("", "", held["state"], ": ".join(str(part) for part in parts if part), None, folder)


def _pairs(old: Studies, new: Studies, *, single: bool) -> tuple[list[tuple[Study | None, Study | None]], list[str]]:
    """Studies that answer to each other, by home and case, else by home alone where each side has it once; remarks on how."""
    if single:
        (before,), (now,) = old.values(), new.values()
        names = [named(one.site_id, one.case) for one in (before, now)]
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

    Parameters: output folder of a batch, folder of a study, or results.json, twice; whether to keep every result that moved. Returns:
    Comparison. Errors: InputFault with all that cannot be read.
    """
    paths = Path(old), Path(new)
    (before, *of_before), (now, *of_now) = (_studies(path) for path in paths)
    sides, batches = zip(of_before, of_now, strict=True)
    single = not all(batches)
    if batches[0] != batches[1]:
        batch, path, one = (before, paths[0], *now.values()) if batches[0] else (now, paths[1], *before.values())
        found = _one_of(batch, one, path)
        before, now = ({("", "", 1): study} for study in ((found, one) if batches[0] else (one, found)))
    pairs, remarks = _pairs(before, now, single=single)
    names = tuple(named(one.site_id, one.case) for one in pairs[0]) if single else None
    pairer, faults, changes = _Pairer(sides[1].what_if, everything=everything, alone=len(pairs) == 1), [], []
    table, kinds, adopted = Counter(), Counter(), Counter()
    for pair in pairs:
        try:
            change, told = pairer.change(*pair)
        except InputFault as error:
            faults += error.faults
            continue
        table[change.state_before, change.state_now, change.otherwise_before, change.otherwise_now] += 1
        kinds[change.kind] += 1
        adopted.update([change.adopted] if change.adopted else [])
        changes += [change] if told else []
    if faults:
        raise InputFault(dict.fromkeys(faults))
    changes.sort(key=_place)
    # what moved by more than edition-adopted, of that what is worst now, of that what was best before
    ordered = sorted(
        table.items(),
        key=lambda item: (item[0][2] == item[0][3], RANKS[item[0][3]], -RANKS[item[0][2]], RANKS[item[0][1]], -RANKS[item[0][0]]),
    )
    return Comparison(sides, tuple(remarks), dict(ordered), dict(kinds), dict(adopted), tuple(changes), _common(changes), names)


def _place(change: Change) -> tuple[object, ...]:
    """Place in the list: another state, then another verdict, then other values, then the rest; of each the worst now first, of that what
    was best before."""
    stayed = change.otherwise_before == change.otherwise_now and not change.fault_now
    group = (1 if stayed else 0) if change.moved else 2 if change.kind == VALUES else 3
    return group, RANKS[change.otherwise_now], change.otherwise_before is None, -RANKS[change.otherwise_before]


def _common(changes: Iterable[Change]) -> tuple[Cause, ...]:
    """Causes of every study on both sides that has another verdict or other values, where there are several."""
    moved = [change.causes for change in changes if (change.moved or change.kind == VALUES) and change.on_both]
    shared = set.intersection(*map(set, moved)) if len(moved) > 1 else set()
    return tuple(cause for cause in moved[0] if cause in shared) if shared else ()


class _Pairer:
    """Compares one pair of studies after another; what they hold is not kept."""

    def __init__(self, what_if: Mapping[str, Mapping[str, str]] | None, *, everything: bool, alone: bool) -> None:
        self._finder, self._what_if = Finder(), what_if
        self._everything, self._alone = everything, alone

    def change(self, before: Study | None, now: Study | None) -> tuple[Change, bool]:
        """What became of a study, and whether it is listed. Errors: InputFault."""
        change = self._blank(before, now)
        if not change.on_both:
            document = _document(now or before)
            if document is None:
                return change, True
            side = "before" if now is None else "now"
            found = {f"otherwise_{side}": _otherwise(document), "values": tuple(_deciding(document["workbooks"], old=now is None))}
            return replace(change, **found), True
        if _same_bytes(before, now):
            if change.state_now in VERDICTS:
                otherwise = now.otherwise or _otherwise(_document(now))
                change = replace(change, otherwise_before=otherwise, otherwise_now=otherwise)
            return change, False
        documents = [_document(side) for side in (before, now)]
        for side, document in zip(("before", "now"), documents, strict=True):
            change = change if document is None else replace(change, **{f"otherwise_{side}": _otherwise(document)})
        change = self._of_documents(change, *documents)
        if change.kind in (MOVED, VALUES) or self._alone:
            sides = [recorded(one.folder, document) for one, document in zip((before, now), documents, strict=True)]
            change = replace(change, causes=tuple(self._marked(self._finder.causes(*sides), before, now)))
            return change, True
        return change, change.state_now in NO_VERDICT

    def _blank(self, before: Study | None, now: Study | None) -> Change:
        """What is known of a pair before its results are read."""
        one = now or before
        states = [None if side is None else side.state for side in (before, now)]
        faults = ["" if side is None else side.fault for side in (before, now)]
        otherwise = [None if side is None else side.otherwise or side.state for side in (before, now)]
        kind = ADDED if before is None else GONE if now is None else UNCHANGED
        change = Change(one.site_id, one.case, (before or now).case, kind, *states, *otherwise, *faults)
        accepted = [() if side is None else side.accepted for side in (before, now)]
        substituted = now.substituted if now is not None and self._what_if else None
        return replace(change, accepted_before=accepted[0], accepted=accepted[1], substituted=substituted)

    def _of_documents(self, change: Change, before: Mapping | None, now: Mapping | None) -> Change:
        """The same with all that moved between two results, and what that makes of the study."""
        results: tuple[Move, ...] = ()
        other_values, books = False, None
        if before is not None and now is not None:
            books = before["workbooks"], now["workbooks"]
            outcomes, checks, results = (tuple(find(*books)) for find in (_workbooks, _checks, _results))
            change = replace(change, workbooks=outcomes, checks=checks, results_count=len(results), adopted=_adopted(*books))
            other_values = bool(results) or any(_sides_moved(move) for move in _all_checks(*books))
        alike = (change.otherwise_before, change.fault_before) == (change.otherwise_now, change.fault_now)
        pairs = [(one.before, one.now) for one in change.workbooks]
        if not alike or change.checks or any(None in pair or pair[0].verdict_otherwise != pair[1].verdict_otherwise for pair in pairs):
            still = change.otherwise_before == change.otherwise_now and books is not None
            change = replace(change, kind=MOVED, values=tuple(_still(change.checks, *books)) if still else ())
        elif other_values:
            change = replace(change, kind=VALUES, values=tuple(_controlling_values(change.workbooks, *books)))
        elif change.adopted:
            change = replace(change, kind=ADOPTED_ALONE)
        behind = results if self._everything else tuple(_behind(results, (*change.checks, *change.values)))
        if change.kind == VALUES and not change.values and not self._everything:
            behind = results[:RESULTS_KEPT]
        return replace(change, results=behind)

    def _marked(self, found: Iterable[Cause], before: Study, now: Study) -> Iterator[Cause]:
        """Causes, those marked that a person accepted without a rerun on one of the sides."""
        put = self._what_if["set"] if self._what_if and now.substituted else {}
        reasons = (*before.accepted, *now.accepted)
        for cause in found:
            # a field that the what-if set is accepted only where what the portfolio sets was
            held = [one for one in reasons if cause.what not in put or "(portfolio)" in one]
            yield replace(cause, accepted=True) if any(_names(reason, cause) for reason in held) else cause


def _names(reason: str, cause: Cause) -> bool:
    """Whether a reason of a plan, as its row has it, is that of a cause."""
    kind, _, words = reason.partition(": ")
    file, _, rest = words.partition(": ")
    if cause.kind in ("version", "program"):
        return kind in OF_CODE
    if kind in OF_CODE:
        return words == cause.what
    if kind != "input":
        return False
    if cause.kind == "edition":
        return file == "edition"
    if cause.kind == "file":
        found = FILE_CAUSE.match(cause.what)
        return file == "base" or (found is not None and re.match(re.escape(found[1]) + r"(?::| (?!fields more))", words) is not None)
    if cause.kind not in ("field", "local"):
        return False
    ends = (": ", ".", " (portfolio): ")
    exact = any(text.startswith(tuple(cause.what + end for end in ends)) for text in (words, rest))
    # what a file holds beyond the fields that the plan names
    of_file = cause.what.startswith(f"{file}: ") if cause.kind == "local" else "/" not in file
    unnamed = rest.endswith("fields more") or words.endswith("cannot be read as it is")
    return exact or (file == "base" and cause.kind == "field") or (unnamed and of_file)


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
        yield Move(name, "", *(None if one is None else _outcome(one) for one in pair))


def _counted(entry: Mapping) -> list[Mapping]:
    """Checks of a workbook that count, but for `edition-adopted`."""
    return [check for check in entry["checks"] if check.get("counts", True) and check["key"] != ADOPTED]


def _outcome(entry: Mapping) -> Outcome:
    own = entry["verdict"], entry.get("controlling")
    if own[1] != ADOPTED:
        return Outcome(*own, *own)
    worst = min(_counted(entry), key=rank, default={"verdict": ORDER[-1], "key": None})
    return Outcome(*own, worst["verdict"], worst["key"])


def _otherwise(document: Mapping) -> str:
    """The state without `edition-adopted`: the worst of the other checks that count."""
    verdicts = (check["verdict"] for entry in document["workbooks"].values() for check in _counted(entry))
    return _state(min(verdicts, key=ORDER.index, default=ORDER[-1]))


def _state(verdict: str) -> str:
    """The state of a study whose worst verdict this is; where nothing applies nothing is against it."""
    return verdict if verdict in VERDICTS else VERDICTS[-1]


def _adopted(before: Mapping, now: Mapping) -> tuple[str, str] | None:
    """Verdicts of `edition-adopted` before and now where they differ, of the first workbook of which they do."""
    for _, *entries in _both(before, now):
        if None not in entries:
            checks = [next((check for check in entry["checks"] if check["key"] == ADOPTED), None) for entry in entries]
            pair = tuple(NOT_THERE if check is None else check["verdict"] for check in checks)
            if pair[0] != pair[1]:
                return pair
    return None


def _all_checks(before: Mapping, now: Mapping) -> Iterator[Move]:
    """Every check but `edition-adopted`, of workbooks that both sides have."""
    for name, *entries in _both(before, now):
        if None not in entries:
            for key, *pair in _both(*({check["key"]: check for check in entry["checks"]} for entry in entries)):
                if key != ADOPTED:
                    yield Move(name, key, *(None if one is None else _sides(one) for one in pair))


def _sides(check: Mapping) -> Sides:
    return Sides(*(check.get(name, True) for name in Sides.__slots__))


def _sides_moved(move: Move) -> bool:
    """Whether what a check compares is another than before."""
    if move.before is None or move.now is None:
        return True
    pairs = [(getattr(move.before, name), getattr(move.now, name)) for name in ("provided", "relation", "required", "unit", "margin")]
    return not all(same(*pair) for pair in pairs)


def _controlling_values(outcomes: Iterable[Move], before: Mapping, now: Mapping) -> Iterator[Move]:
    """Controlling checks, those of either side, of which a side moved."""
    controlling = {(one.workbook, side.controlling_otherwise) for one in outcomes for side in (one.before, one.now) if side is not None}
    return (move for move in _all_checks(before, now) if (move.workbook, move.key) in controlling and _sides_moved(move))


def _still(checks: Iterable[Move], before: Mapping, now: Mapping) -> Iterator[Move]:
    """The check that decides a study now, where its verdict did not move and a side of it did."""
    told = {(move.workbook, move.key) for move in checks}
    deciding = {(move.workbook, move.key) for move in _deciding(now, old=False)} - told
    return (move for move in _all_checks(before, now) if (move.workbook, move.key) in deciding and _sides_moved(move))


def _deciding(workbooks: Mapping, *, old: bool) -> Iterator[Move]:
    """The check that decides a study of one side."""
    checks = [(name, check) for name, entry in workbooks.items() for check in _counted(entry)]
    for name, check in [min(checks, key=lambda one: rank(one[1]))] if checks else []:
        yield Move(name, check["key"], *((_sides(check), None) if old else (None, _sides(check))))


def _checks(before: Mapping, now: Mapping) -> Iterator[Move]:
    """Checks whose verdict moved, that came or went, or that count where they did not, of workbooks that both sides have."""
    for move in _all_checks(before, now):
        sides = move.before, move.now
        if None in sides or (sides[0].verdict, sides[0].counts) != (sides[1].verdict, sides[1].counts):
            yield move


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
