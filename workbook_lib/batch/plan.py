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
from workbook_lib.batch.causes import differences, leaves
from workbook_lib.batch.folder import Output
from workbook_lib.batch.options import ACCEPTABLE
from workbook_lib.batch.record import Record
from workbook_lib.batch.rows import VERDICTS
from workbook_lib.home.portfolio import Portfolio
from workbook_lib.home.portfolio_entry import Entry
from workbook_lib.run import CALCULATION_FAULT, INPUT_FAULT, MACHINERY_FAULT, RESULTS

RUN, KEEP, ACCEPT, FAULT, LEFT_OUT = "run", "keep", "accepted", "at fault", "left out"
"""What is done with a study: made, kept as it is, kept although there are reasons, not possible, not asked for."""
KINDS = ("new", "interrupted", "record", "fault", "asked", *ACCEPTABLE)
"""Kinds of reason to make a study."""
FIELDS_SHOWN = 6


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


@dataclass(frozen=True, slots=True)
class Item:
    """One study of the plan.

    `record_sha256` is that of its record, empty without a usable one; `run` and `state` are the record's; `loses` says what a study that is
    there has and would not have if it were made as it is asked for.
    """

    entry: Entry
    action: str
    reasons: tuple[Reason, ...] = ()
    record_sha256: str = ""
    run: int = 0
    state: str = ""
    loses: str = ""


@dataclass(frozen=True)
class Plan:
    """Every study of a portfolio with what is done with it."""

    items: tuple[Item, ...]
    program: programs.Program

    def counts(self) -> Counter[str]:
        """How many studies there are of each action."""
        return Counter(item.action for item in self.items)

    def to_run(self) -> list[Item]:
        """Those that are made."""
        return [item for item in self.items if item.action == RUN]


def make(portfolio: Portfolio, output: Output, asked: Asked) -> Plan:
    """The plan of a portfolio for an output folder. Nothing is written but what the program remembers of itself."""
    memory = output.own / folders.CODE if output.own.is_dir() else None
    program = programs.this_program(memory)
    planner = Planner(output, asked, program)
    return Plan(tuple(planner.item(entry) for entry in portfolio.entries), program)


class Planner:
    """Looks at one study after another; each file and each earlier program is looked at once."""

    def __init__(self, output: Output, asked: Asked, program: programs.Program):
        self._output, self._asked = output, asked
        self._program, self._sha256 = program, program.sha256
        self._interrupted, self._run = frozenset(folders.interrupted(output)), folders.this_run(output)
        self._hash = functools.cache(_hash)
        self._differences = functools.cache(self._differences_from)

    def item(self, entry: Entry) -> Item:
        """What is done with a study, and why."""
        if entry.left_out:
            return Item(entry, LEFT_OUT, (Reason("new", entry.left_out),))
        if entry.faults:
            return Item(entry, FAULT, tuple(Reason("fault", str(fault)) for fault in entry.faults))
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
        reasons = tuple(self._reasons(entry, study, record))
        known = (hashlib.sha256(content).hexdigest(), record.run, record.state)
        if not reasons:
            return Item(entry, KEEP, (), *known)
        if all(reason.kind in ACCEPTABLE for reason in reasons) and accepted(study) == self.signature(entry, record):
            return Item(entry, ACCEPT, reasons, *known)
        return Item(entry, RUN, reasons, *known, self._loses(record))

    def _loses(self, record: Record) -> str:
        if record.state not in VERDICTS:
            return ""
        books = [name for name in record.asked["workbooks"] if name not in self._asked.workbooks]
        pages = ["pages"] if record.asked["rendered"] and not self._asked.rendered else []
        return ", ".join([*pages, *books])

    def signature(self, entry: Entry, record: Record) -> str:
        """What a person who accepts reasons has seen: the program, the inputs and what is asked, as they stand."""
        parts = {path: self._hash(entry.site_file.parent / path) for path in (*record.inputs, *record.sought)}
        whole = [self._sha256, parts, self._asked.of(entry)]
        return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()

    def _new(self, entry: Entry, study: Path) -> Reason:
        if self._output.marker(entry.site_id, entry.case).name in self._interrupted:
            return Reason("interrupted", "a run was cut off while this was made")
        if study.exists():
            return Reason("record", "results without a record")
        return Reason("new", "no results yet")

    def _reasons(self, entry: Entry, study: Path, record: Record) -> Iterable[Reason]:
        if self._asked.again and not (self._run.again and record.run == self._run.number):
            yield Reason("asked", "to be made again")
        if record.state in (INPUT_FAULT, MACHINERY_FAULT):
            yield Reason("fault", f"{record.state} last time")
        wrong = _wrong_outputs(study, record)
        if wrong:
            yield Reason("record", wrong)
        yield from self._asked_reasons(entry, record)
        yield from self._input_reasons(entry, record)
        for kind, year, words in self._differences(record.program):
            if self._touches(record, kind, year, words):
                yield Reason(kind, words)

    def _asked_reasons(self, entry: Entry, record: Record) -> Iterable[Reason]:
        now, before = self._asked.of(entry), record.asked
        if now["rendered"] and not before["rendered"]:
            yield Reason("asked", "pages as well, there are results alone")
        missing = [name for name in now["workbooks"] if name not in before["workbooks"]]
        if missing:
            yield Reason("asked", f"workbooks that it does not have: {', '.join(missing)}")
        elif before["workbooks"] != now["workbooks"]:
            yield Reason("asked", f"fewer workbooks: {', '.join(now['workbooks'])}")
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
                yield from _field_reasons(path, record.texts[path], top / path, is_site=path == entry.site_file.name)
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
    planner = Planner(output, asked, found.program)
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


def _field_reasons(path: str, before: str, file: Path, *, is_site: bool) -> Iterable[Reason]:
    """The fields of a TOML file that changed; none for prose and layout."""
    try:
        old, new = (tomllib.loads(text) for text in (before, file.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        yield Reason("input", f"{path} changed and cannot be read as it is")
        return
    found = differences(leaves(old, wrappers=is_site), leaves(new, wrappers=is_site), read=is_site)
    if not found and _without_notes(old) != _without_notes(new):
        yield Reason("input", f"{path}: rows in another order, an empty table, or a value written otherwise")
    for one in found[:FIELDS_SHOWN]:
        sides = [
            None if side is None else side.value if side.origin == "stated" else f"{side.value} ({side.origin})"
            for side in (one.before, one.now)
        ]
        yield Reason("input", f"{path}: {'.'.join(one.way)}: {_said(sides[0])} -> {_said(sides[1])}")
    if len(found) > FIELDS_SHOWN:
        yield Reason("input", f"{path}: {len(found) - FIELDS_SHOWN} fields more")


def _without_notes(content: object) -> object:
    """A TOML file's content but for its notes, which are prose."""
    if isinstance(content, dict):
        return {key: _without_notes(value) for key, value in content.items() if key != "note"}
    return [_without_notes(value) for value in content] if isinstance(content, list) else content


def _said(value: object) -> str:
    return "nothing" if value is None else str(value)


def said(found: Plan, limit: int = 20) -> list[str]:
    """The plan in words: counts, then each reason with the studies that it touches, the first few by name."""
    counts = found.counts()
    lines = [
        f"{len(found.items)} studies: "
        + ", ".join(f"{counts[name]} {name}" for name in (RUN, KEEP, ACCEPT, FAULT, LEFT_OUT) if counts[name])
    ]
    for action in (FAULT, RUN, ACCEPT):
        groups: dict[str, list[str]] = {}
        for item in found.items:
            if item.action == action:
                for reason in item.reasons:
                    groups.setdefault(str(reason), []).append(item.entry.name)
        shown = sorted(groups.items(), key=lambda pair: (KINDS.index(pair[0].partition(":")[0]), -len(pair[1])))
        for words, names in shown[:limit]:
            more = f" and {len(names) - 3} more" if len(names) > 3 else ""
            lines.append(f"  {action}: {words} ({', '.join(names[:3])}{more})")
        if len(shown) > limit:
            lines.append(f"  {action}: {len(shown) - limit} reasons more")
    return lines
