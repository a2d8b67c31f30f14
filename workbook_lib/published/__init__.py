"""Published checks: what a source printed, beside what this library gives.

Each TOML file here is one family of sources. A `[[source]]` has id, title, where (page or address) and
edition as printed. A `[[case]]` names its source, what it tests, the editions it is run under, the
rule, its inputs as printed and `[[case.answer]]`s: key, printed (text), unit, and where needed
`also` (further printed alternatives), `ours` (what we give where the print is wrong), `why`.

`mark` of a case: published, from memory, low (one weak source), derived (arithmetic from a rule).
An answer agrees when ours, rounded to the printed digits, is the print or one of `also`. A `trap` must
differ from the print and equal `ours`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from workbook_lib.errors import CalculationFault
from workbook_lib.formula import GUARD

MARKS = ("published", "from memory", "low", "derived")


@dataclass(frozen=True, slots=True)
class Publication:
    """A source: id, title, place (page or address), edition as printed."""

    id: str
    title: str
    where: str
    edition: str


@dataclass(frozen=True, slots=True)
class Answer:
    """One printed answer: key, printed text, unit, further printed alternatives, ours where the print is wrong."""

    key: str
    printed: str
    unit: str
    also: tuple[str, ...] = ()
    ours: str = ""
    why: str = ""

    @property
    def trap(self) -> bool:
        """True where the print is held to be wrong."""
        return bool(self.ours)


@dataclass(frozen=True, slots=True)
class Case:
    """One published example: its source, inputs as printed, editions to run it under, printed answers."""

    id: str
    family: str
    source: Publication
    tests: str
    rule: str
    editions: tuple[str, ...]
    inputs: Mapping[str, object]
    answers: tuple[Answer, ...]
    mark: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Ours beside the print for one answer under one edition; `agrees` by the printed digits."""

    case: Case
    answer: Answer
    edition: str
    ours: float | str
    agrees: bool


@lru_cache(maxsize=1)
def cases() -> tuple[Case, ...]:
    """Every published case, in file order. Errors: `CalculationFault` for a case that is not well formed."""
    found: list[Case] = []
    for entry in sorted(resources.files(__name__).iterdir(), key=lambda item: item.name):
        if entry.name.endswith(".toml"):
            found += _family(entry.name.removesuffix(".toml"), tomllib.loads(entry.read_text(encoding="utf-8")))
    return tuple(found)


def _family(name: str, tables: Mapping) -> list[Case]:
    sources = {row["id"]: Publication(row["id"], row["title"], row["where"], row.get("edition", "not stated")) for row in tables["source"]}
    found = []
    for row in tables["case"]:
        mark = row.get("mark", "published")
        if mark not in MARKS:
            raise CalculationFault("unknown mark of a published case", value=mark, limit=", ".join(MARKS), where=f"{name}: {row['id']}")
        answers = tuple(
            Answer(
                each["key"], each["printed"], each.get("unit", ""), tuple(each.get("also", ())), each.get("ours", ""), each.get("why", "")
            )
            for each in row["answer"]
        )
        found.append(
            Case(
                row["id"],
                name,
                sources[row["source"]],
                row["tests"],
                row["rule"],
                tuple(row["editions"]),
                row["inputs"],
                answers,
                mark,
                row.get("note", ""),
            )
        )
    return found


def digits(printed: str) -> int:
    """Decimal places of a printed number."""
    return len(printed.partition(".")[2])


def same_print(ours: float | str, printed: str) -> bool:
    """Whether a value, rounded to the printed digits, is the print; texts must be equal."""
    if isinstance(ours, str):
        return ours == printed
    try:
        number = float(printed.replace(",", ""))
    except ValueError:
        return False
    return abs(ours - number) <= 0.5 * 10.0 ** -digits(printed) * (1 + 1e-6) + GUARD * max(1.0, abs(number))


def compare_case(case: Case, edition_year: str) -> list[Comparison]:
    """Ours beside the print for each answer of a case under one edition.

    Errors: `CalculationFault` where the rule does not give the key that the case names.
    """
    from workbook_lib.published.runner import run

    given = run(case, edition_year)
    rows = []
    for answer in case.answers:
        if answer.key not in given:
            raise CalculationFault(f"the rule {case.rule} gives no {answer.key}", limit=", ".join(given), where=f"{case.family}: {case.id}")
        ours = given[answer.key]
        if answer.trap:
            agrees = same_print(ours, answer.ours) and not same_print(ours, answer.printed)
        else:
            agrees = any(same_print(ours, printed) for printed in (answer.printed, *answer.also))
        rows.append(Comparison(case, answer, edition_year, ours, agrees))
    return rows
