"""What a comparison of two runs or two studies found, and how it is told: on a terminal, as a page, as a table, as JSON.

The check `edition-adopted` says only whether an edition is the one that a place adopted: what it moved is counted once, at the head.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from html import escape
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch.causes import NOT_RERUN, Cause
from workbook_lib.batch.compare_table import CAUSES_TOLD, rows_of, table
from workbook_lib.batch.compare_words import (
    ABSENT,
    ADDED,
    ADOPTED_ALONE,
    ASIDE,
    GONE,
    MOVED,
    NOTHING,
    OTHER_FAULT,
    UNCHANGED,
    VALUES,
    Change,
    Move,
    Side,
    said_causes,
)
from workbook_lib.batch.rows import ADOPTED, FAULTED, NOT_RUN
from workbook_lib.render import html, page, text
from workbook_lib.render.blocks import Band, Block, Bullets, Grid, Heading, Part, Prose
from workbook_lib.render.results import FORMAT
from workbook_lib.workbooks.common import STANDING_CAUTIONS
from workbook_lib.workbooks.portfolio_words import studies

JSON, TABLE, PAGE = "changes.json", "changes.csv", "changes.html"
TEXT_STUDIES, PAGE_STUDIES = 20, 200
"""Studies that the terminal and the page show one by one."""
HASH_SHOWN = 12
TOLD_ONCE = 60
"""Letters above which the same note is told once a study on the terminal [count]."""
NO_VERDICT = (*FAULTED, NOT_RUN)
BY_WORKBOOKS = "workbooks alone"
"""Beside what became of a study: a verdict moved, and only since the sides were made with different workbooks."""
COUNTED = {
    "compared": "in both",
    "moved": "of these a verdict moved",
    "moved_by_workbooks_alone": "of these a verdict moved only since a workbook was left out on one side",
    "checks_that_do_not_count": "of these only checks that do not count moved",
    "edition_adopted_alone": f"of these {ADOPTED} alone moved a verdict",
    "other_values": "of these the same verdicts, other values",
    "another_fault": "of these without a verdict as before, for another reason",
    "unchanged": "of these nothing moved",
    "another_state": "of these another state",
    "another_state_by_edition_adopted_alone": f"of these another state through {ADOPTED} alone",
    "added": "added",
    "gone": "gone",
    "without_verdict_before": "without a verdict before",
    "without_verdict_now": "without a verdict now",
}
"""The counts of `Comparison.counts` in words."""


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
        """Whether a verdict that counts or a state moved, by more than `edition-adopted`, or a study came or went."""
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
        """Numbers of studies: on both sides, what became of these, how many have another state; added, gone; without a verdict."""
        both = [(key, count) for key, count in self.table.items() if None not in key[:2]]
        names = {"moved": MOVED, "moved_by_workbooks_alone": BY_WORKBOOKS, "checks_that_do_not_count": ASIDE}
        names |= {"edition_adopted_alone": ADOPTED_ALONE, "other_values": VALUES, "another_fault": OTHER_FAULT, "unchanged": UNCHANGED}
        found = {"compared": sum(count for _, count in both)} | {name: self.kinds.get(kind, 0) for name, kind in names.items()}
        other = [(key, count) for key, count in both if key[0] != key[1]]
        found["another_state"] = sum(count for _, count in other)
        found["another_state_by_edition_adopted_alone"] = sum(count for key, count in other if key[2] == key[3])
        for side, words in enumerate((("added", "without_verdict_before"), ("gone", "without_verdict_now"))):
            for name, states in zip(words, ((None,), NO_VERDICT), strict=True):
                found[name] = sum(count for pair, count in self.states.items() if pair[side] in states)
        return found

    def lines(self) -> list[str]:
        """What stands on top: how many verdicts moved, and what moved beside them."""
        counts = self.counts()
        alone = counts["moved_by_workbooks_alone"]
        of_them = f", {alone:,} of them only since a workbook was left out on one side" if alone else ""
        found = [
            f"verdict moved: {studies(counts['moved'])}{of_them}",
            f"through the edition not being the adopted one alone: {studies(counts['edition_adopted_alone'])}",
            f"only checks that do not count moved: {studies(counts['checks_that_do_not_count'])}",
        ]
        if counts["another_state"]:
            adopted = counts["another_state_by_edition_adopted_alone"]
            found.append(f"another state: {studies(counts['another_state'])}, {adopted:,} of them through {ADOPTED} alone")
        names = {"added": "on the new side alone", "gone": "on the old side alone", "another_fault": "without a verdict for another reason"}
        return found + [f"{words}: {studies(counts[name])}" for name, words in names.items() if counts[name]]

    @property
    def different_workbooks(self) -> bool:
        """Whether the sides were made with different workbooks."""
        return self.sides[0].left_out != self.sides[1].left_out or self.kinds.get(BY_WORKBOOKS, 0) > 0

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
        return [row for change in self.changes for row in rows_of(change)]

    def document(self) -> dict[str, object]:
        """All of it as it stands in changes.json; causes that are common to all are left out of the studies."""
        head = {"format": FORMAT, "before": self.before, "now": self.now, "moved": self.moved, "remarks": list(self.remarks)}
        names = ("before", "now")
        return head | {
            "sides": {
                name: asdict(side) | {"accepted": list(side.accepted), "done": side.done()}
                for name, side in zip(names, self.sides, strict=True)
            },
            "lines": self.lines(),
            "different_workbooks": self.different_workbooks,
            "counts": self.counts(),
            "states": [{"before": before, "now": now, "studies": count} for (before, now), count in self.states.items()],
            "states_otherwise": [
                {"before": before, "now": now, "studies": count} for (before, now), count in self.states_otherwise.items()
            ],
            "edition_adopted": [{"before": before, "now": now, "studies": count} for (before, now), count in self.adopted.items()],
            "common_causes": [cause.document() for cause in self.common],
            "studies": [
                asdict(replace(change, causes=(), beside=()))
                | {"moved": change.moved, "causes": [cause.document() for cause in change.causes if cause not in self.common]}
                | {"beside": [cause.document() for cause in change.beside]}
                for change in self.changes
            ],
        }

    def write(self, folder: Path) -> None:
        """Write changes.json, changes.csv and changes.html, each whole or not at all. Errors: FolderFault."""
        held = json.dumps(self.document(), sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        contents = {JSON: held, TABLE: table(self.rows()), PAGE: _page(self)}
        with folders.writing(f"the folder {folder}"):
            folder.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            folders.put(folder / name, content.encode())


# terminal and page


def _parts(comparison: Comparison, most: int, *, whole: bool) -> list[Part]:
    parts = [Part("moves", "What moved", (*_head(comparison), *_common(comparison)))]
    shown = comparison.changes[:most]
    titles = {"Study by study": (MOVED, ADDED, GONE), "Only checks that do not count moved": (ASIDE,)}
    titles |= {"The same verdicts, other values": (VALUES,)}
    others = ("Otherwise", tuple({one.kind for one in shown}.difference(*titles.values())))
    for number, (title, kinds) in enumerate((*titles.items(), others)):
        told = [block for one in shown if one.kind in kinds for block in _blocks(one, comparison.common, whole=whole)]
        parts.append(Part(f"studies-{number}", title, tuple(told)))
    if len(comparison.changes) > most:
        words = f"{len(comparison.changes) - most:,} studies more: {TABLE} has each."
        parts.append(Part("more", "The rest", (Prose((words,)),)))
    return [part for part in parts if part.blocks]


def _head(comparison: Comparison) -> Iterator[Block]:
    if comparison.different_workbooks:
        words = "a verdict may have moved only since a workbook was left out, which changes nothing of the home: such a study says so"
        yield Band("what-if", "the sides were made with different workbooks", (words,))
    yield Bullets(tuple((one,) for one in comparison.lines()))
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
        yield Prose((f"{ADOPTED}: {before} -> {now} in {studies(count)}. It is not counted as a move and not repeated below.",))
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
        yield Bullets(tuple((one,) for one in said_causes(comparison.common, CAUSES_TOLD)))


def _blocks(change: Change, common: Iterable[Cause], *, whole: bool) -> Iterator[Block]:
    states = [_state(*pair) for pair in ((change.state_before, change.otherwise_before), (change.state_now, change.otherwise_now))]
    states = states[1:] if states[0] == states[1] and not change.moved else states
    yield Heading(f"{change.name}: {' -> '.join(states)}{f', {NOT_RERUN}' if change.accepted else ''}")
    moves = [move for decides in (True, False) for move in change.checks if move.decides is decides]
    lines = [*_lines(change, whole=whole), *_cause_lines(change, common)]
    lines += [f"values of results that moved: {change.results_count}"] if change.results_count else []
    lines += () if whole else _check_lines(moves, edition=change.edition_moved)
    if lines or not moves:
        yield Bullets(tuple((line,) for line in lines), "nothing else is recorded of it")
    if not whole:
        return
    checks = [(*_check_row(move), "; ".join(move.why(edition=change.edition_moved, whole=True))) for move in moves]
    columns = ("Check", "Before", "Now", "Compared before", "Compared now", "Rule and note")
    last = len(columns) if any(row[-1] for row in checks) else len(columns) - 1
    results = [(one.key, *one.words()) for one in change.results] if change.kind != VALUES else []
    for labels, cells in ((columns[:last], [row[:last] for row in checks]), (("Result", "Before", "Now"), results)):
        if cells:
            yield Grid(labels, _cells(cells))


def _cause_lines(change: Change, common: Iterable[Cause]) -> list[str]:
    found = [f"differs: {said}" for said in said_causes((cause for cause in change.causes if cause not in common), CAUSES_TOLD)]
    return found + [f"differs as well, and moved no verdict: {said}" for said in said_causes(change.beside, CAUSES_TOLD)]


def _check_lines(moves: Iterable[Move], *, edition: bool) -> Iterator[str]:
    """A line a check; what was told of one above is not told again."""
    told: set[str] = set()
    for move in moves:
        check, before, now, *words = _check_row(move)
        compared = [" -> ".join(one or NOTHING for one in words)] if {*words} - {ABSENT, ""} else []
        why = move.why(edition=edition)
        said = [f"{one.partition(': ')[0]}: as above" if one in told and len(one) > TOLD_ONCE else one for one in why]
        told.update(why)
        yield "; ".join((f"{check}: {before} -> {now}", *compared, *said))


def _state(state: str | None, otherwise: str | None) -> str:
    return (state or ABSENT) + (f" ({otherwise} without {ADOPTED})" if state != otherwise else "")


def _lines(change: Change, *, whole: bool) -> Iterator[str]:
    """What is told of a study but for its checks that moved and its causes."""
    faults = {"before": change.fault_before, "now": change.fault_now}
    yield from (f"{side}: {fault}" for side, fault in faults.items() if fault and (side == "now" or change.fault_now != fault))
    for side, reasons in (("before: ", change.accepted_before), ("", change.accepted)):
        yield from [f"{side}{NOT_RERUN}: {'; '.join(reasons)}"] if reasons else ()
    if change.kind == MOVED and change.shared is not None:
        shared = " -> ".join(change.shared)
        only = "moved only since the sides were made with different workbooks; " if change.by_workbooks_alone else ""
        yield f"{only}by the workbooks that both sides have: {shared}"
    if change.moved and change.substituted is False:
        yield "the what-if was not made for it"
    words = [(one.workbook, *(None if side is None else side.otherwise for side in (one.before, one.now)), one) for one in change.workbooks]
    yield from (f"{workbook}: {' -> '.join(one.words())}" for workbook, before, now, one in words if before != now)
    if change.kind == VALUES and not change.values:
        yield from (f"{one.key} ({one.workbook}): {' -> '.join(one.words())}" for one in change.results)
    for move in change.values:
        there = move.now or move.before
        sides = [one or NOTHING for one in move.words()] if change.on_both else [there.words() or NOTHING]
        said = f"{'' if change.on_both else 'controlling: '}{move.key} ({move.workbook}), {there.verdict}: {' -> '.join(sides)}"
        yield "; ".join((said, *move.why(edition=change.edition_moved, whole=whole)))


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
