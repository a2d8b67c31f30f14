"""The two sides of a comparison: the studies of each, what is known of it as a whole, which studies answer to each other."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch.causes import read_json, results_of, unsound
from workbook_lib.batch.compare_words import Side, named
from workbook_lib.batch.rows import ADOPTED, ORDER, STATES, VERDICTS
from workbook_lib.errors import Fault, InputFault
from workbook_lib.run import RESULTS
from workbook_lib.workbooks import REGISTRY


@dataclass(frozen=True, slots=True)
class Study:
    """A study of one side.

    Names, state, first fault where it has no verdict, its results.json where it has one, its folder; `otherwise`: the state without
    `edition-adopted`, empty where it is not on record; `accepted`: reasons that were accepted without a rerun; `substituted`: whether a
    what-if was made for it; `left_out`: the workbooks that it was made without, None where that is not on record.
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
    left_out: tuple[str, ...] | None = None


Studies = Mapping[tuple[str, str, int], Study]
"""Studies by home and case; of several at fault that bear the same name each by its number."""


def studies_of(path: Path) -> tuple[Studies, Side, bool]:
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
        tuple(Counter(one.left_out for one in studies if one.left_out).items()),
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
        told = (otherwise if otherwise in STATES else "", accepted, row.get("substituted") is True, _left_out(row))
        yield Study(*names, fault, folder / RESULTS if with_verdict else None, folder, *told)


def _left_out(row: Mapping[str, object]) -> tuple[str, ...] | None:
    """The workbooks that a study was made without, by its row: those that were not asked for, those that are not there beside others."""
    there, named_ones = row.get("workbooks") or (), row.get("workbooks_left_out")
    if not there and named_ones is None:
        return None
    return tuple(name for name in REGISTRY if name in (named_ones or ()) or (there and name not in there))


def _of_file(file: Path, held: Mapping[str, object]) -> Study:
    """The study of a results.json; what lies beside it belongs to it where it has the name of one."""
    folder = file.parent if file.name == RESULTS else None
    if "workbooks" in held:
        state = min((entry["verdict"] for entry in held["workbooks"].values()), key=ORDER.index)
        made_without = tuple(name for name in REGISTRY if name not in held["workbooks"])
        return Study(held["site_id"], held["case"], state_of(state), "", file, folder, otherwise_of(held), left_out=made_without)
    first = held["faults"][0] if held["faults"] else {}
    parts = [first.get("file") or first.get("where"), first.get("field"), first.get("what"), first.get("value")]
    return Study("", "", held["state"], ": ".join(str(part) for part in parts if part), None, folder)


def pairs_of(old: Studies, new: Studies, *, single: bool) -> tuple[list[tuple[Study | None, Study | None]], list[str]]:
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


def one_of(batch: Studies, one: Study, path: Path) -> Study:
    """The study of a batch that another study is compared with. Errors: InputFault where none or several are meant."""
    named = [study for study in batch.values() if study.site_id == one.site_id and one.site_id]
    named = [study for study in named if study.case == one.case] or named
    if len(named) == 1:
        return named[0]
    what = "has no study of the home that it is compared with" if not named else "has several cases of the home that it is compared with"
    raise InputFault([Fault(path.as_posix(), "", what, one.site_id or "a home at fault", "", "name the folder of one study of the batch")])


# what its results come to


def counted(entry: Mapping) -> list[Mapping]:
    """Checks of a workbook that count, but for `edition-adopted`."""
    return [check for check in entry["checks"] if check.get("counts", True) and check["key"] != ADOPTED]


def otherwise_of(document: Mapping) -> str:
    """The state without `edition-adopted`: the worst of the other checks that count."""
    verdicts = (check["verdict"] for entry in document["workbooks"].values() for check in counted(entry))
    return state_of(min(verdicts, key=ORDER.index, default=ORDER[-1]))


def state_of(verdict: str) -> str:
    """The state of a study whose worst verdict this is; where nothing applies nothing is against it."""
    return verdict if verdict in VERDICTS else VERDICTS[-1]
