"""Why a study came out otherwise than another: all that differs in what is recorded of both, in words.

Sources: the record of a study of a batch (`record.json`: inputs, texts, what was asked, program), else the copies in its `inputs`
folder, and the head of its results.json. Nothing is attributed: every difference is listed, and where none is on record that is said.
"""

from __future__ import annotations

import copy
import functools
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch import program as programs
from workbook_lib.batch.rows import FAULTED, ORDER
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home import overrides
from workbook_lib.home.difference import Difference, Held, Way, differences, leaves
from workbook_lib.home.model import Site
from workbook_lib.home.raw import parse_toml, show
from workbook_lib.home.shapes import FaultBook
from workbook_lib.render.results import FORMAT
from workbook_lib.run import INPUTS
from workbook_lib.workbooks import REGISTRY

RECORD = "record.json"
RESULTS_WORDS, RECORD_WORDS, TODO = "the results of a study", "the record of a study", "make the study again, or name another file"
CHECK_KEYS = {"key", "verdict", "provided", "relation", "required", "margin", "unit"}
WORKBOOKS, EDITION, UNKNOWN = "workbooks", "edition", "unknown"
KINDS = (WORKBOOKS, EDITION, "field", "local", "file", "table", "module", "notebook", "version", "environment", "program", UNKNOWN)
"""Kinds of cause: workbooks made, edition in use, field of the site file, value of a jurisdiction, utility or amendments file, another
file, value of an edition, module or data file of the library, code of a notebook, version of the library, other libraries, another program
of which no more is kept, and none on record."""
OF_PROGRAM = {"code": "module", "notebook": "notebook", "edition": "table", "environment": "environment"}
NO_CAUSE, NOT_RERUN = "no recorded cause", "accepted, not rerun"
FILES_OWN = "the file's own"
OWN_NAME = ("site", "id")
FIELDS_OF_A_ROW, TEXTS_KEPT = 4, 64


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that differs between what two studies were made from or by.

    `kind`: one of `KINDS`; a side is None where it has none; `accepted`: a person accepted it on one side without a rerun.
    """

    kind: str
    what: str
    before: str | None = None
    now: str | None = None
    accepted: bool = False

    def __str__(self) -> str:
        sided = self.before is not None or self.now is not None
        said = f"{self.what}: {_or_nothing(self.before)} -> {_or_nothing(self.now)}" if sided else self.what
        return f"{said} ({NOT_RERUN})" if self.accepted else said

    def document(self) -> dict[str, object]:
        """As it stands in changes.json."""
        return asdict(self) | {"text": str(self)}


def _or_nothing(text: str | None) -> str:
    return "nothing" if text is None else text


def with_workbooks(left_out: Iterable[str]) -> str:
    """The workbooks that a study was made with, in words. Parameters: names of those that were left out."""
    names = [name for name in REGISTRY if name not in set(left_out)]
    if len(names) == len(REGISTRY):
        return "all workbooks"
    if not names:
        return "no workbook"
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else f"{names[0]} alone"


def workbooks_cause(before: Iterable[str] | None, now: Iterable[str] | None) -> Cause | None:
    """That two studies were made with different workbooks; None where they were not, or where it is not on record.

    Parameters: names of the workbooks that each side left out, None where that is not on record.
    """
    if before is None or now is None or set(before) == set(now):
        return None
    return Cause(WORKBOOKS, f"made with {with_workbooks(before)} before; now with {with_workbooks(now)}")


# differences in words


def _told(before: Mapping[Way, Held], now: Mapping[Way, Held], kind: str, prefix: str = "") -> Iterator[Cause]:
    """Differences in words; a row that one side does not have is one of them, whatever stands in it."""
    found = [one for one in differences(before, now, read=kind == "field") if one.way != OWN_NAME]
    rows = _one_sided(found, before, now)
    for one in found:
        row = next((one.way[:length] for length in range(len(one.way)) if one.way[:length] in rows), None)
        if row is None:
            known = one.before is not None and one.now is not None and one.before.origin != one.now.origin
            yield Cause(kind, prefix + ".".join(one.way), *(_side(held, with_origin=known) for held in (one.before, one.now)))
        elif one.way == (*row, "id"):
            holds = before if one.now is None else now
            said = _row_words({way[len(row) :]: held for way, held in holds.items() if way[: len(row)] == row and way != one.way})
            yield Cause(kind, prefix + ".".join(row), *((said, None) if one.now is None else (None, said)))


def _one_sided(found: Iterable[Difference], before: Mapping[Way, Held], now: Mapping[Way, Held]) -> set[Way]:
    """Rows with an id that one side has and the other has nothing of."""
    rows = set()
    for one in found:
        row, other = one.way[:-1], now if one.now is None else before
        alone = one.way[-1] == "id" and len(one.way) > 2 and (one.before is None or one.now is None)
        if alone and not any(way[: len(row)] == row for way in other):
            rows.add(row)
    return rows


def _row_words(held: Mapping[Way, Held]) -> str:
    said = [f"{'.'.join(way)} {_side(one)}" for way, one in held.items()]
    more = f" and {len(said) - FIELDS_OF_A_ROW} fields more" if len(said) > FIELDS_OF_A_ROW else ""
    return f"a row with {', '.join(said[:FIELDS_OF_A_ROW])}{more}" if said else "a row"


def _side(held: Held | None, *, with_origin: bool = False) -> str | None:
    if held is None:
        return None
    text = show(held.value)
    text = text.removeprefix('"').removesuffix('"') if isinstance(held.value, str) and held.value else text
    return f"{text} ({held.origin})" if with_origin else text


# what is recorded of a study


@dataclass(frozen=True)
class Recorded:
    """What is recorded of one study.

    `edition`, `basis` and `version` (of the library) as in its results; `asked`: the edition asked for in place of the file's;
    `overrides`: values put in place, by key path; `inputs`: relative path -> SHA-256; `texts`: relative path -> text of those that are
    TOML; `site_file`: the path of the site file among them; `program`: its hash; `top`: the batch folder that keeps programs. What is
    not on record is empty or None.
    """

    edition: str | None = None
    basis: str | None = None
    version: str | None = None
    asked: str | None = None
    overrides: Mapping[str, str] = field(default_factory=dict)
    inputs: Mapping[str, str] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    site_file: str | None = None
    program: str = ""
    top: Path | None = None


@functools.lru_cache(maxsize=TEXTS_KEPT)
def _tables(text: str) -> dict[str, object] | None:
    """The tables of a TOML file, not to be changed; None where it is none."""
    return parse_toml("", text.encode())[0]


def read_json(file: Path, what: str, known: int | None = FORMAT) -> dict[str, object]:
    """A JSON file that is a table. Parameters: file, what it is to be, the format that is known (None: any). Errors: InputFault."""
    try:
        held = json.loads(file.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputFault([Fault(file.as_posix(), "", "cannot be read as JSON", reason, what, TODO)]) from None
    if not isinstance(held, dict):
        raise unsound(file, "", what)
    found = held.get("format", "")
    if known is not None and (found != known or isinstance(found, bool)):
        raise InputFault([Fault(file.as_posix(), "format", "unknown format", show(found), f"{known}, that of this program", TODO)])
    return held


def unsound(file: Path, place: str, what: str) -> InputFault:
    """The fault of a file that is JSON and not what it is to be. Parameters: file, place in it, what it is to be, in words."""
    return InputFault([Fault(file.as_posix(), place, f"is not {what}", "", "the file as it was written", TODO)])


def results_of(file: Path) -> dict[str, object]:
    """A results.json of a format that is known, with all that is compared, or with faults. Errors: InputFault."""
    held = read_json(file, RESULTS_WORDS)
    if held.get("state") in FAULTED and isinstance(held.get("faults"), list) and all(isinstance(one, dict) for one in held["faults"]):
        return held
    place = "workbooks"
    try:
        sound = bool(held["workbooks"]) and all(isinstance(held[key], str) for key in ("site_id", "case", "edition"))
        sound = sound and all(isinstance(one[key], str) for one in held["inputs"] for key in ("path", "sha256"))
        for name, entry in held["workbooks"].items():
            place = f"workbooks.{name}"
            sound = sound and entry["verdict"] in ORDER and all(set(one) >= {"value", "unit"} for one in entry["results"].values())
            sound = sound and all(one["verdict"] in ORDER and set(one) >= CHECK_KEYS for one in entry["checks"])
    except (KeyError, TypeError, AttributeError):
        sound = False
    if not sound:
        raise unsound(file, place, RESULTS_WORDS)
    return held


def _site_file(texts: Mapping[str, str], named: object = None) -> str | None:
    """The site file among some TOML files: the one that the record names, else the one that has a table [site]."""
    if named in texts:
        return named
    return next((path for path, text in texts.items() if isinstance((_tables(text) or {}).get("site"), dict)), None)


def recorded(folder: Path | None, document: Mapping[str, object] | None) -> Recorded:
    """What is recorded of a study.

    Parameters: its folder (None: nothing lies beside its results), its results (None: it has a fault). Errors: InputFault for a record
    that cannot be read.
    """
    head = document or {}
    known = (head.get("edition"), head.get("edition_basis"), head.get("library_version"))
    inputs = {one["path"]: one["sha256"] for one in head.get("inputs", ())}
    file = folder / RECORD if folder is not None else None
    if file is None or not file.is_file():
        texts = {} if folder is None else dict(_copies(folder / INPUTS, inputs))
        return Recorded(*known, inputs=inputs, texts=texts, site_file=_site_file(texts))
    held = _record(file)
    asked, texts = held["asked"], held["texts"]
    return Recorded(
        *known,
        asked=asked.get("edition"),
        overrides=asked.get("overrides") or {},
        inputs=inputs | held["inputs"],
        texts=texts,
        site_file=_site_file(texts, asked.get("site_file")),
        program=held.get("program") or "",
        top=folder.resolve().parent.parent,
    )


def _record(file: Path) -> Mapping[str, object]:
    held = read_json(file, RECORD_WORDS, None)
    for name in ("inputs", "texts", "asked"):
        if not isinstance(held.get(name), dict):
            raise unsound(file, name, RECORD_WORDS)
    given = held["asked"].get("overrides") or {}
    texts = (*held["inputs"].values(), *held["texts"].values(), *(given.values() if isinstance(given, dict) else (None,)))
    if not all(isinstance(one, str) for one in texts) or not isinstance(held.get("program") or "", str):
        raise unsound(file, "", RECORD_WORDS)
    return held


def _copies(folder: Path, inputs: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Text of each copied TOML file that is still what was read."""
    for relative, digest in inputs.items():
        path = folder / relative
        if relative.endswith(".toml") and path.is_file():
            content = path.read_bytes()
            if hashlib.sha256(content).hexdigest() == digest:
                yield relative, content.decode("utf-8-sig", errors="replace")


# what differs


class Finder:
    """Finds the causes of one pair of studies after another; programs are read and compared once."""

    def __init__(self) -> None:
        self._program = functools.cache(lambda top, name: folders.kept_program(folders.Output(top), name))
        self._between = functools.cache(self._differences)

    def causes(self, before: Recorded, now: Recorded) -> tuple[Cause, ...]:
        """All that differs in what is recorded of two studies, by kind; one cause of kind `unknown` where nothing does."""
        files, remark = _files(before, now)
        found = [*_edition(before, now), *files, *self._programs(before, now)]
        if not found:
            return (Cause(UNKNOWN, f"{NO_CAUSE}{_blanks(before, now, remark)}"),)
        return tuple(sorted(found, key=lambda one: KINDS.index(one.kind)))

    def _programs(self, before: Recorded, now: Recorded) -> Iterator[Cause]:
        if before.version and now.version and before.version != now.version:
            yield Cause("version", "version of the library", before.version, now.version)
        if before.program and now.program and before.program != now.program:
            years = frozenset(year for year in (before.edition, now.edition) if year)
            yield from self._between(before.top, before.program, now.top, now.program, years)

    def _differences(self, top: Path, name: str, other_top: Path, other: str, years: frozenset[str]) -> tuple[Cause, ...]:
        old, new = self._program(top, name), self._program(other_top, other)
        if old is None or new is None:
            side = "before" if old is None else "now"
            return (Cause("program", f"another program (what it consisted of {side} is not on record)", name[:12], other[:12]),)
        found = [one for one in programs.differences(old, new) if not one.year or not years or one.year in years]
        return tuple(Cause(OF_PROGRAM[one.kind], one.words) for one in found)


def _edition(before: Recorded, now: Recorded) -> Iterator[Cause]:
    if before.edition and now.edition:
        if (before.edition, before.basis) != (now.edition, now.basis):
            sides = (f"{one.edition} ({one.basis})" if one.basis else one.edition for one in (before, now))
            yield Cause(EDITION, "edition", *sides)
    elif before.asked != now.asked and before.top and now.top:
        yield Cause(EDITION, "edition asked for", *(one.asked or FILES_OWN for one in (before, now)))


def _blanks(before: Recorded, now: Recorded, remark: str) -> str:
    """What is to be known beside there being no cause on record."""
    said = [remark] if remark else []
    if not before.inputs or not now.inputs:
        said.append("the inputs are not on record on both sides")
    if not before.program or not now.program:
        said.append("the program is not on record on both sides")
    return f" ({'; '.join(said)})" if said else ""


def _files(before: Recorded, now: Recorded) -> tuple[list[Cause], str]:
    """Differences of all files that were read, and a remark on those that differ and say the same."""
    if not before.inputs or not now.inputs:
        return list(_override_causes(before, now)) if before.top and now.top else [], ""
    found: list[Cause] = []
    alike: list[str] = []
    for old, new in _paired(before, now):
        changes = list(_file_pair(before, old, now, new))
        found += changes
        if not changes and old and new and before.inputs[old] != now.inputs[new]:
            alike.append(new)
    return found, f"{', '.join(alike)}: only comments, notes or order differ" if alike else ""


def _paired(before: Recorded, now: Recorded) -> list[tuple[str | None, str | None]]:
    """Files that answer to each other: site file to site file, else by path, by content, by name; the others alone."""
    old, new = list(before.inputs), list(now.inputs)
    pairs: list[tuple[str | None, str | None]] = []
    for how in ("site", "path", "content", "name"):
        for path in list(old):
            match = next((other for other in new if _answers(how, before, path, now, other)), None)
            if match is not None:
                pairs.append((path, match))
                old.remove(path)
                new.remove(match)
    return [*pairs, *((path, None) for path in old), *((None, path) for path in new)]


def _answers(how: str, before: Recorded, path: str, now: Recorded, other: str) -> bool:
    if how == "site":
        return path == before.site_file and other == now.site_file
    if how == "path":
        return path == other
    if how == "content":
        return before.inputs[path] == now.inputs[other]
    return path.rpartition("/")[2] == other.rpartition("/")[2]


def _file_pair(before: Recorded, old: str | None, now: Recorded, new: str | None) -> Iterator[Cause]:
    if old is None or new is None:
        yield Cause("file", f"{old or new} {'is read now, it was not' if old is None else 'is not read any more'}")
        return
    is_site = old == before.site_file or new == now.site_file
    if before.inputs[old] == now.inputs[new] and not (is_site and before.overrides != now.overrides):
        return
    texts = before.texts.get(old), now.texts.get(new)
    tables = [None if text is None else _tables(text) for text in texts]
    if None in tables:
        if before.inputs[old] != now.inputs[new]:
            yield Cause("file", f"{new} has other contents{_why_unread(new, texts, tables)}")
        yield from _override_causes(before, now) if is_site else ()
    elif is_site:
        sides = [_effective(table, one.overrides) for table, one in zip(tables, (before, now), strict=True)]
        yield from _told(*sides, "field")
    else:
        yield from _told(*(leaves(table, wrappers=False) for table in tables), "local", f"{new}: ")


def _why_unread(path: str, texts: Iterable[str | None], tables: Iterable[object]) -> str:
    if not path.endswith(".toml"):
        return ""
    sides = list(zip(("before", "now"), texts, tables, strict=True))
    lost = [side for side, text, _ in sides if text is None]
    if lost:
        return f" (its text is not kept {' and '.join(lost)})"
    return f" (it cannot be read {' and '.join(side for side, _, table in sides if table is None)})"


def _effective(tables: dict[str, object], given: Mapping[str, str]) -> dict[Way, Held]:
    """What a site file says with what was put in its place; what leads nowhere stands under its whole path."""
    if not given:
        return leaves(tables)
    book, tables = FaultBook(""), copy.deepcopy(tables)
    overrides.apply(tables, given, Site, book)
    lost = {(fault.field,): Held(given.get(fault.field), override=True) for fault in book.faults}
    return leaves(tables) | lost


def _override_causes(before: Recorded, now: Recorded) -> Iterator[Cause]:
    """Values that were put in place, where the file of a side that they belong to cannot be read, or was not."""
    for path in dict.fromkeys((*before.overrides, *now.overrides)):
        sides = [_put_or_own(one, path) for one in (before, now)]
        if sides[0] != sides[1] and path != ".".join(OWN_NAME):
            yield Cause("field", path, *sides)


def _put_or_own(one: Recorded, path: str) -> str | None:
    """What was put in place of a field, else what the site file says there as far as its text is kept."""
    if path in one.overrides:
        return one.overrides[path]
    text = one.texts.get(one.site_file) if one.site_file else None
    tables = None if text is None else _tables(text)
    return FILES_OWN if tables is None else _side(leaves(tables).get(tuple(path.split("."))))
