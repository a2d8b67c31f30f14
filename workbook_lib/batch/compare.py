"""What moved between two runs of a portfolio, or between two studies of one home, and what differs in what they were made from.

A side is the output folder of a batch, a study's folder or a results.json. Pairs of equal bytes are not read, and only counted.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from workbook_lib.batch.causes import TODO, UNKNOWN, Cause, Finder, recorded, results_of, workbooks_cause
from workbook_lib.batch.compare_page import BY_WORKBOOKS, NO_VERDICT, Comparison
from workbook_lib.batch.compare_sides import Study, counted, one_of, otherwise_of, pairs_of, studies_of
from workbook_lib.batch.compare_table import COLUMNS
from workbook_lib.batch.compare_words import (
    ADDED,
    ADOPTED_ALONE,
    ASIDE,
    GONE,
    MOVED,
    OTHER_FAULT,
    UNCHANGED,
    VALUES,
    Change,
    Move,
    Outcome,
    Sides,
    Value,
    named,
)
from workbook_lib.batch.rows import ADOPTED, ORDER, STATES, VERDICTS, rank
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home.portfolio_cases import same

__all__ = ["COLUMNS", "Change", "Comparison", "compare"]

RANKS = {state: place for place, state in enumerate((*STATES, None))}
"""States by what must be looked at first; what is not there comes last."""
NOT_THERE = "not there"
RESULTS_KEPT = 3
"""Results that are kept of a study of which neither a verdict nor a controlling check moved."""
FILE_CAUSE = re.compile(r"^(.+?) (?:has other contents|is read now|is not read any more)")
OF_CODE = ("code", "edition", "notebook", "environment")
"""Kinds of reason that are of the program."""


# pair by pair


def compare(old: Path, new: Path, *, everything: bool = False) -> Comparison:
    """What moved from one side to the other.

    Parameters: output folder of a batch, folder of a study, or results.json, twice; whether to keep every result that moved. Returns:
    Comparison. Errors: InputFault with all that cannot be read.
    """
    paths = Path(old), Path(new)
    (before, *of_before), (now, *of_now) = (studies_of(path) for path in paths)
    sides, batches = zip(of_before, of_now, strict=True)
    single = not all(batches)
    if batches[0] != batches[1]:
        batch, path, one = (before, paths[0], *now.values()) if batches[0] else (now, paths[1], *before.values())
        found = one_of(batch, one, path)
        before, now = ({("", "", 1): study} for study in ((found, one) if batches[0] else (one, found)))
    pairs, remarks = pairs_of(before, now, single=single)
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
        kinds.update(_kinds(change))
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
    """Place in the list: another state, then another verdict, then checks that do not count, then other values, then the rest; of each the
    worst now first, of that what was best before."""
    stayed = change.otherwise_before == change.otherwise_now and not change.fault_now
    group = (1 if stayed else 0) if change.moved else {ASIDE: 2, VALUES: 3}.get(change.kind, 4)
    return group, RANKS[change.otherwise_now], change.otherwise_before is None, -RANKS[change.otherwise_before]


def _kinds(change: Change) -> Iterator[str]:
    """What a study is counted as: other values, or checks that do not count, beside a state that `edition-adopted` moved are told and not
    counted, so that each study is counted once."""
    by_adopted = change.kind == VALUES and change.adopted or change.kind == ASIDE and change.state_before != change.state_now
    yield ADOPTED_ALONE if by_adopted else change.kind
    if change.by_workbooks_alone:
        yield BY_WORKBOOKS


def _common(changes: Iterable[Change]) -> tuple[Cause, ...]:
    """Causes of every study on both sides that has another verdict or other values, where there are several."""
    moved = [change.causes for change in changes if change.listed_why and change.on_both]
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
            found = {f"otherwise_{side}": otherwise_of(document), "values": tuple(_deciding(document["workbooks"], old=now is None))}
            return replace(change, **found), True
        if _same_bytes(before, now):
            if change.state_now in VERDICTS:
                otherwise = now.otherwise or otherwise_of(_document(now))
                change = replace(change, otherwise_before=otherwise, otherwise_now=otherwise)
            return change, False
        documents = [_document(side) for side in (before, now)]
        for side, document in zip(("before", "now"), documents, strict=True):
            change = change if document is None else replace(change, **{f"otherwise_{side}": otherwise_of(document)})
        change = self._of_documents(change, *documents)
        if change.listed_why or change.kind == OTHER_FAULT or self._alone:
            return self._with_causes(change, before, now, documents), True
        return change, change.state_now in NO_VERDICT

    def _with_causes(self, change: Change, before: Study, now: Study, documents: Iterable[Mapping | None]) -> Change:
        """The same with its causes; what moved only since a workbook was left out has no other."""
        sides = [recorded(one.folder, document) for one, document in zip((before, now), documents, strict=True)]
        found = tuple(self._marked(self._finder.causes(*sides), before, now))
        asked = workbooks_cause(before.left_out, now.left_out)
        if asked is None:
            return replace(change, causes=found)
        known = tuple(cause for cause in found if cause.kind != UNKNOWN)
        if change.kind in (ASIDE, VALUES):
            return replace(change, causes=found, beside=(asked,))
        if change.kind == MOVED and change.moves_by_itself():
            return replace(change, causes=(asked, *found))
        return replace(change, causes=(asked,), beside=known)

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
        if books is not None and set(books[0]) != set(books[1]):
            change = replace(change, shared=tuple(_shared(*pair) for pair in (books, books[::-1])))
        if change.otherwise_before != change.otherwise_now or any(one.decides for one in (*change.checks, *change.workbooks)):
            still = change.otherwise_before == change.otherwise_now and books is not None
            change = replace(change, kind=MOVED, values=tuple(_still(change.checks, *books)) if still else ())
        elif change.fault_before != change.fault_now:
            change = replace(change, kind=OTHER_FAULT)
        elif change.checks or other_values:
            told = {(move.workbook, move.key) for move in change.checks}
            values = (move for move in _controlling_values(change.workbooks, *books) if (move.workbook, move.key) not in told)
            change = replace(change, kind=ASIDE if change.checks else VALUES, values=tuple(values))
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


def _outcome(entry: Mapping) -> Outcome:
    own = entry["verdict"], entry.get("controlling")
    if own[1] != ADOPTED:
        return Outcome(*own, *own)
    worst = min(counted(entry), key=rank, default={"verdict": ORDER[-1], "key": None})
    return Outcome(*own, worst["verdict"], worst["key"])


def _shared(own: Mapping, other: Mapping) -> str:
    """The state of one side by the workbooks that both have, without `edition-adopted`."""
    return otherwise_of({"workbooks": {name: entry for name, entry in own.items() if name in other}})


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
    plain = {"counts": True, "source": None, "note": ""}
    return Sides(*(check.get(name, plain.get(name)) for name in Sides.__slots__))


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
    checks = [(name, check) for name, entry in workbooks.items() for check in counted(entry)]
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
