"""Numbers, units and quality words of a table."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np

from workbook_lib.records.record import ESTIMATED_LINEAR, ESTIMATED_REFERENCE_DAY, MANUAL, VALID
from workbook_lib.records.table_shape import BLANK_WORDS
from workbook_lib.records.table_talk import Talk

UNITS = {
    "wh": ("Wh", 1.0, True),
    "kwh": ("Wh", 1e3, True),
    "mwh": ("Wh", 1e6, True),
    "w": ("Wh", 1.0, False),
    "kw": ("Wh", 1e3, False),
    "vah": ("VAh", 1.0, True),
    "kvah": ("VAh", 1e3, True),
    "va": ("VAh", 1.0, False),
    "kva": ("VAh", 1e3, False),
    "ah": ("Ah", 1.0, True),
    "a": ("Ah", 1.0, False),
}
"""Unit of a record, factor, and whether it is an amount (power and current are averages over the interval)."""
WRITTEN = {"wh": "Wh", "kwh": "kWh", "mwh": "MWh", "w": "W", "kw": "kW", "vah": "VAh", "kvah": "kVAh", "va": "VA", "kva": "kVA"}
WRITTEN |= {"ah": "Ah", "a": "A"}
_SPOKEN = {
    "amp": "a",
    "amps": "a",
    "ampere": "a",
    "amperes": "a",
    "watt": "w",
    "watts": "w",
    "kilowatt": "kw",
    "kilowatts": "kw",
    "kilowatthour": "kwh",
    "kilowatthours": "kwh",
    "watthour": "wh",
    "watthours": "wh",
    "kwhr": "kwh",
    "kwhrs": "kwh",
    "kwhs": "kwh",
}
_LONE = ("a", "w", "va", "ah")
"""Units that may be a word or a name in a header, and count in brackets only."""
_TOKEN = re.compile(r"[A-Za-z]+")
_QUALITY = {
    VALID: {"actual", "act", "a", "valid", "v", "ok", "good", "measured", "metered", "real", "read", "validated", "verified", "normal"},
    MANUAL: {"manual", "edited", "edit", "manually edited"},
    ESTIMATED_LINEAR: {"estimated", "estimate", "est", "est.", "e", "interpolated"},
    ESTIMATED_REFERENCE_DAY: {"estimated reference day", "reference day", "estimated (reference day)", "estimated from reference day"},
}
OTHER = 16
_FAST = frozenset("0123456789.-\n")
_SURE_POINT = re.compile(r"(?:^|\n)-?(?:0\d*|\d{4,})?\.\d|\.\d{1,2}(?:\n|$)|\.\d{4}")

_SEVERAL = re.compile(r"\.\d*\.")


@dataclass(frozen=True)
class Numbers:
    """Numbers of a column, blanks as NaN with `blank` True; `bad` indexes of cells that are neither."""

    values: np.ndarray
    blank: np.ndarray
    bad: np.ndarray


def unit_key(text: str) -> str | None:
    """Key of a unit that stands alone in a cell or in the site file; None where it is none."""
    word = text.strip().strip("()[]").strip().lower().replace(".", "")
    joined = word.replace("-", "").replace(" ", "").replace("_", "").replace("·", "")
    return joined if joined in UNITS else _SPOKEN.get(joined)


def header_units(header: str) -> set[str]:
    """Units that a header names: those in brackets, else those among its words."""
    inside = re.findall(r"[(\[]([^)\]]*)[)\]]", header)
    found = {key for part in inside for word in re.split(r"[,;/ ]+", part) if (key := unit_key(word))}
    found |= {key for part in inside if (key := unit_key(part))}
    if found:
        return found
    outside = re.sub(r"[(\[][^)\]]*[)\]]", " ", header)
    words = _TOKEN.findall(outside.replace("_", " "))
    pairs = [f"{one}{two}" for one, two in zip(words, words[1:], strict=False)]
    keys = {_SPOKEN.get(word.lower(), word.lower()) for word in pairs if word.lower() in _SPOKEN}
    if not keys:
        keys = {_SPOKEN.get(word.lower(), word.lower()) for word in words}
    keys = {key for key in keys if key in UNITS and (key not in _LONE or any(word.lower() in _SPOKEN for word in words))}
    if not keys and len(words) > 1 and words[-1].lower() in ("w", "va"):
        keys = {words[-1].lower()}
    return keys


def plain(cell: str) -> tuple[str, bool]:
    """A number without sign, brackets and spaces, and whether it is negative."""
    text = cell.replace("−", "-").strip()
    negative = False
    if text.startswith("(") and text.endswith(")"):
        text, negative = text[1:-1].strip(), True
        if text[:1] in "+-":
            return "?", False
    if text.endswith("-") and text[:1] not in "+-" and not negative:
        text, negative = text[:-1].strip(), True
    elif text[:1] == "-" and not negative:
        text, negative = text[1:].strip(), True
    elif text[:1] == "+":
        text = text[1:].strip()
    return text.replace("\u00a0", " ").replace("\u202f", " "), negative


def evidence(cells: list[str]) -> Counter:
    """How many numbers can only have a decimal point, only a decimal comma, or either."""
    joined = "\n".join(cells)
    votes: Counter = Counter()
    for sign, name in ((".", "point"), (",", "comma")):
        pointed = joined if sign == "." else joined.replace(",", ".")
        lone = sign in joined and ("," if sign == "." else ".") not in joined
        if lone and set(pointed) <= _FAST and _SURE_POINT.search(pointed) and not _SEVERAL.search(pointed):
            votes[name] = 1
            return votes
    for cell in {cell for cell in cells if "," in cell or "." in cell}:
        text = re.sub(r"[eE][-+]?\d+$", "", plain(cell)[0])
        if not re.fullmatch(r"[\d., ']+", text):
            continue
        votes[_vote(text)] += 1
    return votes


def _vote(text: str) -> str:
    points, commas = text.count("."), text.count(",")
    if points and commas:
        return "point" if text.rfind(".") > text.rfind(",") else "comma"
    sign = "." if points else ","
    as_decimal, other = ("point", "comma") if points else ("comma", "point")
    if points + commas > 1:
        return other
    before, _, after = text.partition(sign)
    if " " in before or "'" in before or len(after) != 3 or not 1 <= len(before) <= 3 or before.startswith("0"):
        return as_decimal
    return "either"


def decimal_sign(columns: list[list[str]], talk: Talk) -> str:
    """The decimal sign of the value columns: `point` or `comma`; asks where the numbers allow both."""
    declared = talk.chosen("decimal", ("point", "comma"))
    votes: Counter = Counter()
    for column in columns:
        votes += evidence(column)
    if declared is not None:
        if votes:
            talk.decide(f"decimal {declared}", talk.given("decimal"))
        return declared
    if votes["point"] and votes["comma"]:
        shown = f"{votes['point']} numbers with a decimal point, {votes['comma']} with a decimal comma"
        talk.fault("decimal", "numbers written in two ways", shown, "one decimal sign", "say which it is, and correct the others")
        return "point"
    if votes["point"] or votes["comma"]:
        sign = "point" if votes["point"] else "comma"
        talk.decide(f"decimal {sign}", "numbers of the value columns that can be read in no other way")
        return sign
    if votes["either"]:
        sample = next(cell for column in columns for cell in column if "," in cell or "." in cell)
        talk.ask("decimal", f'{sample!r} can be a fraction or thousands: decimal "point" or "comma"')
    return "point"


def read_numbers(cells: list[str], decimal: str) -> Numbers:
    """Numbers of a column. Parameters: cells, decimal sign. Returns: Numbers."""
    import pandas

    joined = "\n".join(cells)
    if decimal == "comma" and "." not in joined:
        joined = joined.replace(",", ".")
    elif decimal == "comma":
        joined = "?"
    if set(joined) <= _FAST and cells:
        values = pandas.to_numeric(pandas.Series(joined.split("\n"), dtype=object), errors="coerce").to_numpy(dtype=float)
        blank = np.array([not cell or cell in ("-", "--", ".") for cell in cells], dtype=bool) if np.isnan(values).any() else None
        if blank is None:
            return Numbers(values, np.zeros(len(cells), bool), np.zeros(0, np.int64))
        if not (np.isnan(values) & ~blank).any():
            return Numbers(values, blank, np.zeros(0, np.int64))
    known: dict[str, float | None] = {}
    values, blank, bad = np.full(len(cells), np.nan), np.zeros(len(cells), bool), []
    for k, cell in enumerate(cells):
        if cell not in known:
            known[cell] = None if cell.lower() in BLANK_WORDS else _number(cell, decimal)
        value = known[cell]
        if value is None:
            blank[k] = True
        elif np.isfinite(value):
            values[k] = value
        else:
            bad.append(k)
    return Numbers(values, blank, np.array(bad, dtype=np.int64))


_POINT = re.compile(r"(?:\d+|\d{1,3}(?:,\d{3})+|\d{1,3}(?: \d{3})+|\d{1,3}(?:'\d{3})+)?(?:\.\d*)?(?:[eE][-+]?\d{1,3})?")


def _number(cell: str, decimal: str) -> float:
    """Value of a cell; NaN where it is no number."""
    text, negative = plain(cell)
    if decimal == "comma":
        text = text.translate(str.maketrans(",.", ".,"))
    if not _POINT.fullmatch(text) or not any(sign.isdigit() for sign in text):
        return float("nan")
    value = float(text.replace(",", "").replace(" ", "").replace("'", ""))
    return -value if negative else value


def quality_code(word: str) -> int | None:
    """ESPI code of a word of a quality column; None where the word is not known."""
    plainly = " ".join(word.lower().split())
    return next((code for code, words in _QUALITY.items() if plainly in words), None)


def read_quality(cells: list[str], talk: Talk) -> np.ndarray:
    """ESPI quality codes of a quality column; blanks count as valid."""
    words = set(cells)
    codes = {word: VALID if not word else quality_code(word) for word in words}
    other = sorted(word for word, code in codes.items() if code is None)
    if any(code == ESTIMATED_LINEAR for code in codes.values()):
        talk.decide("estimated readings have ESPI code 9", "the file does not say how they were estimated")
    if other:
        talk.decide(f"quality words not known: {', '.join(map(repr, other[:10]))}", "they have ESPI code 16, other")
    return np.array([OTHER if codes[cell] is None else codes[cell] for cell in cells], dtype=np.int16)
