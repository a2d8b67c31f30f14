"""Published interruptions of US customers by year and state, for context beside a duration curve; the method is named with each."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from workbook_lib.sheet import Section, Table

METHOD = "IEEE method"
ROOT = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Interruptions:
    """A customer's year: minutes without power, interruptions, minutes of each; the last three without major events."""

    area: str
    year: int
    saidi_min: float
    saifi: float
    caidi_min: float
    without: tuple[float, float, float] | None


@lru_cache(maxsize=1)
def rows() -> tuple[Interruptions, ...]:
    """Every row of the table. Source: EIA Electric Power Annual, Table 11.1; EIA-861 of 2023 by state; both by the IEEE method."""
    lines = [line for line in (ROOT / "outages.csv").read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    found = []
    for row in csv.DictReader(lines):
        apart = [row[name] for name in ("saidi_without_min", "saifi_without", "caidi_without_min")]
        without = tuple(float(one) for one in apart) if all(apart) else None
        numbers = (float(row[name]) for name in ("saidi_min", "saifi", "caidi_min"))
        found.append(Interruptions(row["area"], int(row["year"]), *numbers, without))
    return tuple(found)


def section(state: str | None) -> Section:
    """The country over ten years, and a state where the site file names one. Parameters: state by two letters. Returns: Section."""
    country = [one for one in rows() if one.area == "US"]
    shown = [*country, *(one for one in rows() if one.area == state)]
    prose = (
        "Average interruptions of customers, for context only: an average says little of the long ones, and nothing of this home. "
        f"Reporters by the {METHOD}; other methods give other figures for the same year."
    )
    if state is not None and len(shown) == len(country):
        prose += f" No figures by this method are held for {state}."
    columns = (
        "Where",
        "Year",
        "Hours a year",
        "Interruptions a year",
        "Hours of each",
        "Without major events: hours a year",
        "hours of each",
    )
    lines = tuple(
        (
            one.area if one.area != "US" else "United States",
            str(one.year),
            one.saidi_min / 60,
            one.saifi,
            one.caidi_min / 60,
            *((one.without[0] / 60, one.without[2] / 60) if one.without else ("not reported", "not reported")),
        )
        for one in shown
    )
    caption = "EIA Electric Power Annual, Table 11.1; by state EIA-861 of 2023"
    return Section("Published outages, for context", (), prose, Table(columns, lines, caption, 2))
