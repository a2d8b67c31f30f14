"""What a batch would run and why, in words, before anything runs."""

from __future__ import annotations

import functools
import hashlib
import json
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch import program as programs
from workbook_lib.batch import record as records
from workbook_lib.batch.folder import Output
from workbook_lib.batch.options import ACCEPTABLE
from workbook_lib.batch.record import Record
from workbook_lib.batch.rows import VERDICTS
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home.difference import differences, leaves, notes
from workbook_lib.home.portfolio import Portfolio, home_of
from workbook_lib.home.portfolio_entry import Entry
from workbook_lib.render import results
from workbook_lib.run import CALCULATION_FAULT, INPUT_FAULT, MACHINERY_FAULT, RESULTS
from workbook_lib.workbooks import REGISTRY
from workbook_lib.workbooks.portfolio_words import some, studies

RUN, KEEP, ACCEPT, FAULT, STILL, LEFT_OUT = "run", "keep", "accepted", "at fault", "still at fault", "left out"
"""What is done with a study: made, kept as it is, kept although there are reasons, not possible, not made again since what stopped it
last time stands as it was, not asked for."""
KINDS = ("new", "interrupted", "record", "fault", "asked", *ACCEPTABLE)
"""Kinds of reason to make a study."""
FIELDS_SHOWN, NAMES_SHOWN = 6, 3


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a study must be made. `kind` is one of `KINDS`."""

    kind: str
    words: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.words}"


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of every study: workbooks, pages or results alone, and whether to make it whatever is there."""

    workbooks: tuple[str, ...]
    rendered: bool
    again: bool = False

    @property
    def left_out(self) -> list[str]:
        """Workbooks that are not asked for, by name; empty where all are."""
        return not_of(self.workbooks)

    def of(self, entry: Entry) -> dict[str, object]:
        """What is asked of one study, as its record keeps it."""
        overrides = {path: value if isinstance(value, str) else json.dumps(value, default=str) for path, value in entry.overrides}
        return {
            "site_file": entry.site_file.name,
            "edition": entry.edition,
            "overrides": overrides,
            "workbooks": list(self.workbooks),
            "rendered": self.rendered,
        }


def not_of(workbooks: Iterable[str]) -> list[str]:
    """Names of all workbooks but some, sorted."""
    return sorted({*REGISTRY} - {*workbooks})


@dataclass(frozen=True, slots=True)
class Item:
    """One study of the plan.

    `record_sha256` is that of its record, empty without a usable one; `run` and `state` are the record's; `loses` says what a study that is
    there has and would not have if it were made as it is asked for; `faulty` is true where it is known without a run that its row or its
    files are at fault.
    """

    entry: Entry
    action: str
    reasons: tuple[Reason, ...] = ()
    record_sha256: str = ""
    run: int = 0
    state: str = ""
    loses: str = ""
    faulty: bool = False


@dataclass(frozen=True)
class Plan:
    """Every study of a portfolio with what is done with it. `gone`: studies in the folder that the portfolio does not have any more."""

    items: tuple[Item, ...]
    program: programs.Program
    gone: tuple[str, ...] = ()

    def counts(self) -> Counter[str]:
        """How many studies there are of each action."""
        return Counter(item.action for item in self.items)

    def to_run(self) -> list[Item]:
        """Those that are made."""
        return [item for item in self.items if item.action == RUN]

    @property
    def faulty(self) -> bool:
        """Whether a row or its files are known to be at fault without a run."""
        return any(item.faulty for item in self.items)


def make(portfolio: Portfolio, output: Output, asked: Asked) -> Plan:
    """The plan of a portfolio for an output folder. Nothing is written but what the program remembers of itself."""
    memory = output.own / folders.CODE if output.own.is_dir() else None
    program = programs.this_program(memory)
    planner = Planner(portfolio, output, asked, program)
    return Plan(tuple(planner.item(entry) for entry in portfolio.entries), program, _gone(portfolio, output))


def _gone(portfolio: Portfolio, output: Output) -> tuple[str, ...]:
    """Studies in the output folder that the portfolio does not have, by name."""
    known = {(entry.site_id, entry.case) for entry in portfolio.entries}
    found = (path.parent for path in output.top.glob(f"[a-z0-9]*/[a-z0-9]*/{records.RECORD}"))
    names = sorted((study.parent.name, study.name) for study in found if not study.name.endswith(folders.PREVIOUS))
    return tuple(f"{site_id}/{case}" for site_id, case in names if (site_id, case) not in known)


def refuse_loss(found: Plan, output: Output) -> None:
    """Errors: InputFault where studies would be made again with less than they have: what is asked for is then wrong, and nothing runs."""
    losing = [item for item in found.to_run() if item.loses]
    if losing:
        has = "has" if len(losing) == 1 else "have"
        lost = ", ".join(dict.fromkeys(name for item in losing for name in item.loses.split(", ")))
        what = f"{studies(len(losing))} {has} {lost}, and would be made again without"
        limit = "what is there is never made again with less"
        todo = f"ask for {lost} too, or name another folder with --out"
        raise InputFault([Fault(output.top.as_posix(), "", what, some((item.entry.name for item in losing), NAMES_SHOWN), limit, todo)])


class Planner:
    """Looks at one study after another; each file and each earlier program is looked at once."""

    def __init__(self, portfolio: Portfolio, output: Output, asked: Asked, program: programs.Program):
        self._portfolio, self._output, self._asked = portfolio, output, asked
        self._program, self._sha256 = program, program.sha256
        self._interrupted, self._run = frozenset(folders.interrupted(output)), folders.this_run(output)
        self._hash = functools.cache(_hash)
        self._differences = functools.cache(self._differences_from)

    def item(self, entry: Entry) -> Item:
        """What is done with a study, and why."""
        if entry.left_out:
            return Item(entry, LEFT_OUT, (Reason("new", entry.left_out),))
        if entry.faults:
            return Item(entry, FAULT, tuple(Reason("fault", str(fault)) for fault in entry.faults), faulty=True)
        study = self._output.study(entry.site_id, entry.case)
        try:
            content = (study / records.RECORD).read_bytes()
            record = records.from_bytes(content)
        except (FileNotFoundError, NotADirectoryError):
            return Item(entry, RUN, (self._new(entry, study),))
        except (records.Unusable, OSError) as error:
            return Item(entry, RUN, (Reason("record", str(error)),))
        if (record.site_id, record.case) != (entry.site_id, entry.case):
            return Item(entry, RUN, (Reason("record", f"the record is of another study, {record.site_id}/{record.case}"),))
        known = (hashlib.sha256(content).hexdigest(), record.run, record.state)
        if record.state == INPUT_FAULT and not record.inputs and not self._again(record):
            return self._unread(entry, study, record, known)
        reasons = tuple(self._reasons(entry, study, record))
        if not reasons and record.state in (INPUT_FAULT, CALCULATION_FAULT):
            told = tuple(Reason("fault", one) for one in record.row["faults"])
            return Item(entry, STILL, told, *known, faulty=record.state == INPUT_FAULT)
        if not reasons:
            return Item(entry, KEEP, (), *known)
        if all(reason.kind in ACCEPTABLE for reason in reasons) and accepted(study) == self.signature(entry, record):
            return Item(entry, ACCEPT, reasons, *known)
        return Item(entry, RUN, reasons, *known, self._loses(record))

    def _unread(self, entry: Entry, study: Path, record: Record, known: tuple[str, int, str]) -> Item:
        """A study whose files could not be read last time, so that no hashes say what they were: they are read once more."""
        found = [*_said_by_record(study, record), *self._entry_reasons(entry, record)]
        try:
            home_of(self._portfolio, entry)
        except InputFault as error:
            if not found and results.to_bytes(results.faulted(error)) == (study / RESULTS).read_bytes():
                return Item(entry, STILL, tuple(Reason("fault", str(fault)) for fault in error.faults), *known, faulty=True)
            found = found or [Reason("fault", "input fault last time, and another now")]
            return Item(entry, RUN, tuple(found), *known, faulty=True)
        return Item(entry, RUN, (Reason("fault", "input fault last time; the files can be read now"), *found), *known)

    def _again(self, record: Record) -> bool:
        """Whether a study is to be made again whatever is there, and was not yet in a run that is open."""
        return self._asked.again and not (self._run.again and record.run == self._run.number)

    def _loses(self, record: Record) -> str:
        if record.state not in VERDICTS:
            return ""
        books = [name for name in record.asked["workbooks"] if name not in self._asked.workbooks]
        pages = ["pages"] if record.asked["rendered"] and not self._asked.rendered else []
        return ", ".join([*pages, *books])

    def signature(self, entry: Entry, record: Record) -> str:
        """What a person who accepts reasons has seen: the program, the inputs and the row, as they stand.

        Whether pages are asked for, and which workbooks, is none of it: more than is there is a reason of its own, less is refused.
        """
        parts = {path: self._hash(entry.site_file.parent / path) for path in (*record.inputs, *record.sought)}
        asked = {key: value for key, value in self._asked.of(entry).items() if key not in ("workbooks", "rendered")}
        whole = [self._sha256, parts, asked]
        return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()

    def _new(self, entry: Entry, study: Path) -> Reason:
        if self._output.marker(entry.site_id, entry.case).name in self._interrupted:
            return Reason("interrupted", "a run was cut off while this was made")
        if study.exists():
            return Reason("record", "results without a record")
        return Reason("new", "no results yet")

    def _reasons(self, entry: Entry, study: Path, record: Record) -> Iterable[Reason]:
        found = [Reason("asked", "to be made again")] if self._again(record) else []
        found += _said_by_record(study, record)
        found += self._asked_reasons(entry, record)
        found += self._entry_reasons(entry, record)
        found += self._input_reasons(entry, record)
        for kind, year, words in self._differences(record.program):
            if self._touches(record, kind, year, words):
                found.append(Reason(kind, words))
        if record.state == MACHINERY_FAULT or (found and record.state == INPUT_FAULT):
            yield Reason("fault", f"{record.state} last time")
        yield from found

    def _asked_reasons(self, entry: Entry, record: Record) -> Iterable[Reason]:
        now, before = self._asked.of(entry), record.asked
        if now["rendered"] and not before["rendered"]:
            yield Reason("asked", "pages as well, there are results alone")
        missing = [name for name in now["workbooks"] if name not in before["workbooks"]]
        if missing:
            yield Reason("asked", f"workbooks that it does not have: {', '.join(missing)}")
        elif before["workbooks"] != now["workbooks"]:
            yield Reason("asked", f"fewer workbooks: {', '.join(now['workbooks'])}")

    def _entry_reasons(self, entry: Entry, record: Record) -> Iterable[Reason]:
        """What the row asks for otherwise than it did."""
        now, before = self._asked.of(entry), record.asked
        for name, label in (("site_file", "base"), ("edition", "edition")):
            if now[name] != before[name]:
                yield Reason("input", f"{label}: {before[name] or 'the file’s own'} -> {now[name] or 'the file’s own'}")
        for path in dict.fromkeys((*before["overrides"], *now["overrides"])):
            old, new = before["overrides"].get(path), now["overrides"].get(path)
            if old != new:
                yield Reason("input", f"{path} (portfolio): {_said(old)} -> {_said(new)}")

    def _input_reasons(self, entry: Entry, record: Record) -> Iterable[Reason]:
        top = entry.site_file.parent
        for path, digest in record.inputs.items():
            now = self._hash(top / path)
            if now == digest:
                continue
            if now is None:
                yield Reason("input", f"{path} is gone or cannot be read")
            elif path not in record.texts:
                yield Reason("input", f"{path} changed")
            else:
                texts = (record.texts[path], top / path)
                yield from _field_reasons(path, *texts, is_site=path == entry.site_file.name, printed=record.asked["rendered"])
        for path in record.sought:
            if self._hash(top / path) is not None:
                yield Reason("input", f"{path} is there now, it was not")

    def _differences_from(self, name: str) -> tuple[tuple[str, str, str], ...]:
        if name == self._sha256:
            return ()
        before = folders.kept_program(self._output, name)
        if before is None:
            return (("record", "", "what its program consisted of is not on record"),)
        return tuple((one.kind, one.year, one.words) for one in programs.differences(before, self._program))

    def _touches(self, record: Record, kind: str, year: str, words: str) -> bool:
        """Whether a difference of programs touches a study: pages show every edition, results alone their own."""
        rendered = record.asked["rendered"]
        if kind == "edition":
            return rendered or record.row["edition"] in (None, year)
        if kind == "notebook":
            return rendered and any(f"notebook {name} " in words for name in record.asked["workbooks"])
        return True


def accepted(study: Path) -> str | None:
    """The signature of the reasons that were accepted for a study, None where none were."""
    try:
        held = json.loads((study / records.ACCEPTED).read_text(encoding="utf-8"))
        return str(held["signature"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def accept(portfolio: Portfolio, output: Output, asked: Asked, kinds: Sequence[str] = ACCEPTABLE) -> Plan:
    """Write down that reasons of some kinds are accepted without a rerun, for each study that has no other. Returns: the plan after it.

    Errors: ValueError for a kind that cannot be accepted, naming those that can; FolderFault.
    """
    unknown = [kind for kind in kinds if kind not in ACCEPTABLE]
    if unknown:
        raise ValueError(f"{', '.join(unknown)} cannot be accepted; {', '.join(ACCEPTABLE)} can")
    found = make(portfolio, output, asked)
    planner = Planner(portfolio, output, asked, found.program)
    for item in found.to_run():
        if item.record_sha256 and all(reason.kind in kinds for reason in item.reasons) and item.state != CALCULATION_FAULT:
            study = output.study(item.entry.site_id, item.entry.case)
            content = {"signature": planner.signature(item.entry, records.read(study)), "reasons": [str(one) for one in item.reasons]}
            folders.put(study / records.ACCEPTED, (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode())
    return make(portfolio, output, asked)


def _hash(path: Path) -> str | None:
    """SHA-256 of a file, None where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _wrong_outputs(study: Path, record: Record) -> str:
    """What is wrong with the files of a study, by size, results.json by its hash; empty if nothing is."""
    for name, (digest, size) in record.outputs.items():
        try:
            found = (study / name).stat().st_size
        except OSError:
            return f"{name} is not there any more"
        if found != size or (name == RESULTS and _hash(study / name) != digest):
            return f"{name} was changed by someone else"
    return ""


def _said_by_record(study: Path, record: Record) -> list[Reason]:
    """What is wrong with the files that a record speaks of."""
    wrong = _wrong_outputs(study, record)
    return [Reason("record", wrong)] if wrong else []


def _field_reasons(path: str, before: str, file: Path, *, is_site: bool, printed: bool) -> Iterable[Reason]:
    """The fields of a TOML file that changed; none for comments and layout, and for notes alone where there are pages that print them."""
    try:
        old, new = (tomllib.loads(text) for text in (before, file.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        yield Reason("input", f"{path} changed and cannot be read as it is")
        return
    found = differences(leaves(old, wrappers=is_site), leaves(new, wrappers=is_site), read=is_site)
    if not found and _without_notes(old) != _without_notes(new):
        yield Reason("input", f"{path}: rows in another order, an empty table, or a value written otherwise")
    told = []
    for one in found:
        sides = [
            None if side is None else side.value if side.origin == "stated" else f"{side.value} ({side.origin})"
            for side in (one.before, one.now)
        ]
        told.append(f"{path}: {'.'.join(one.way)}: {_said(sides[0])} -> {_said(sides[1])}")
    if printed:
        before_now = notes(old), notes(new)
        for way in dict.fromkeys((*before_now[0], *before_now[1])):
            sides = [side.get(way) for side in before_now]
            if sides[0] != sides[1]:
                told.append(f"{path}: note of {'.'.join(way) or 'the file'}: {_said(sides[0])} -> {_said(sides[1])}")
    yield from (Reason("input", words) for words in told[:FIELDS_SHOWN])
    if len(told) > FIELDS_SHOWN:
        yield Reason("input", f"{path}: {len(told) - FIELDS_SHOWN} fields more")


def _without_notes(content: object) -> object:
    """A TOML file's content but for its notes, which are prose."""
    if isinstance(content, dict):
        return {key: _without_notes(value) for key, value in content.items() if key != "note"}
    return [_without_notes(value) for value in content] if isinstance(content, list) else content


def _said(value: object) -> str:
    return "nothing" if value is None else str(value)


def gone_words(found: Plan, output: Output) -> list[str]:
    """That studies in the folder are not in the portfolio any more, nothing where there are none."""
    if not found.gone:
        return []
    number = len(found.gone)
    are, folders_are, they = ("is", "its folder is", "it") if number == 1 else ("are", "their folders are", "they")
    return [
        f"{studies(number)} in {output.top.as_posix()} {are} no longer in the portfolio ({some(found.gone, NAMES_SHOWN)}): "
        f"{folders_are} left as {they} {are}, and no table counts {'it' if number == 1 else 'them'}"
    ]


def said(found: Plan, limit: int = 20) -> list[str]:
    """The plan in words: counts, then each reason with the studies that it touches, the first few by name."""
    counts = found.counts()
    actions = (RUN, KEEP, ACCEPT, FAULT, STILL, LEFT_OUT)
    lines = [f"{studies(len(found.items))}: " + ", ".join(f"{counts[name]} {name}" for name in actions if counts[name])]
    for action in (FAULT, STILL, RUN, ACCEPT):
        groups: dict[Reason, list[str]] = {}
        for item in found.items:
            if item.action == action:
                for reason in item.reasons:
                    groups.setdefault(reason, []).append(item.entry.name)
        shown = sorted(groups.items(), key=lambda pair: (KINDS.index(pair[0].kind), -len(pair[1])))
        for reason, names in shown[:limit]:
            words = reason.words if action in (FAULT, STILL) else str(reason)
            lines.append(f"  {action}: {words} ({some(names, NAMES_SHOWN)})")
        if len(shown) > limit:
            lines.append(f"  {action}: {len(shown) - limit} reasons more")
    return lines
