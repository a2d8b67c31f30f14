"""Times as a table writes them: every cell put into its parts, whatever the layout, a whole column at a time.

Rows of one shape (digits apart) share one layout, so that the layout is looked up once and the digits
are read together.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

import numpy as np

UNREADABLE, STAMP, DATE, TIME, INSTANT = 0, 1, 2, 3, 4
"""Kinds of cells: no time, date with time of day, date, time of day, seconds since 1970 in UTC."""
YEAR_FIRST, OPEN, OPEN_SHORT = 1, 2, 3
"""Forms of dates: year, month, day; order open with the year last; order open with a year of two digits."""
NO_OFFSET = -(10**9)
"""Stands for no offset in the stamp."""
FIRST_YEAR, LAST_YEAR = 1990, 2099
"""Years in which a reading can lie."""
EPOCHS = (946_684_800, 4_070_908_800)
"""Seconds since 1970 that can be a reading's: from 2000 up to 2099 [s]."""
WIDEST = 48
"""A cell with more signs is no time."""
CHUNK_ROWS = 1 << 16
"""Rows that are read at once, which bounds memory."""

_DATE = (
    r"(?:(?:MON|TUES?|WED(?:NES)?|THU(?:RS?)?|FRI|SAT(?:UR)?|SUN)(?:DAY)?,? )?"
    r"(?:(?P<y>9999)(?P<s1>[-/.])(?P<m>99?)(?P=s1)(?P<d>99?)"
    r"|(?P<p>99?)(?P<s2>[-/.])(?P<q>99?)(?P=s2)(?P<r>9999|99)"
    r"|(?P<c>99999999)"
    r"|(?P<d2>99?)[- ]?(?P<mon2>[A-Z]{3,9})[-, ]{0,2}(?P<y2>9999)"
    r"|(?P<mon3>[A-Z]{3,9})\.? (?P<d3>99?),? (?P<y3>9999))"
)
_CLOCK = r"(?P<h>99?)(?::(?P<mi>99)(?::(?P<se>99)(?:[.,](?P<fr>9+))?)?(?P<ap> ?[AP]\.?M\.?)?|(?P<ap2> ?[AP]\.?M\.?))"
_OFF = r"(?: ?(?P<word>UTC|GMT|[ECMP][SD]T|AK[SD]T|HST|Z))?(?: ?(?P<sign>[+-])(?P<oh>99)(?::?(?P<om>99))?)?"
_LAYOUTS = (
    (STAMP, re.compile(_DATE + r"(?:T|,? {1,2})" + _CLOCK + _OFF)),
    (STAMP, re.compile(r"(?P<c>99999999)[T ]?(?P<hm>9999)(?P<ss>99)?" + _OFF)),
    (DATE, re.compile(_DATE)),
    (TIME, re.compile(_CLOCK)),
    (INSTANT, re.compile(r"(?P<epoch>9{10})(?:\.(?P<fr>9+))?")),
    (INSTANT, re.compile(r"(?P<ms>9{13})")),
)
_MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
_LONG = ["JANUARY", "FEBRUARY", "MARCH", "APRIL", "MAY", "JUNE", "JULY", "AUGUST", "SEPTEMBER", "OCTOBER", "NOVEMBER", "DECEMBER"]
_ZONE_H = {"UTC": 0, "GMT": 0, "Z": 0, "EST": -5, "EDT": -4, "CST": -6, "CDT": -5, "MST": -7, "MDT": -6, "PST": -8, "PDT": -7}
_ZONE_H |= {"AKST": -9, "AKDT": -8, "HST": -10}


@dataclass(frozen=True)
class Scan:
    """The parts of a column of times. `parts` (n, 3) of the date, `form` its order, `tod_s` time of day [s], 86400 for 24:00;
    `offset_s` [s east of UTC] or NO_OFFSET; `instant` [s, UTC] of an epoch; `words` zone words that were read.
    """

    kind: np.ndarray
    parts: np.ndarray
    form: np.ndarray
    tod_s: np.ndarray
    offset_s: np.ndarray
    instant: np.ndarray
    words: frozenset[str]

    def days(self, order: str) -> tuple[np.ndarray, np.ndarray]:
        """Days since 1970 with the open dates read in an order (mdy, dmy, ymd), and whether each is a date of the calendar."""
        year, month, day = (self.parts[:, k].copy() for k in range(3))
        open_ = self.form >= OPEN
        if open_.any():
            place = {"mdy": (2, 0, 1), "dmy": (2, 1, 0), "ymd": (0, 1, 2)}[order]
            year[open_], month[open_], day[open_] = (self.parts[open_, k] for k in place)
            short = self.form == OPEN_SHORT
            year[short] += 2000
        fine = (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (self.form > 0)
        if order == "ymd":
            fine &= self.form != OPEN
        months = np.where(fine, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
        first = months.astype("datetime64[D]").astype(np.int64)
        length = (months + 1).astype("datetime64[D]").astype(np.int64) - first
        fine &= day <= length
        return first + np.where(fine, day, 1) - 1, fine


def scan(texts: list[str]) -> Scan:
    """Every cell put into its parts. Parameters: cells. Returns: Scan."""
    pieces = [_scan(texts[at : at + CHUNK_ROWS]) for at in range(0, len(texts), CHUNK_ROWS)] or [_scan([])]
    names = ("kind", "parts", "form", "tod_s", "offset_s", "instant")
    arrays = [np.concatenate([getattr(piece, name) for piece in pieces]) for name in names]
    return Scan(*arrays, frozenset().union(*(piece.words for piece in pieces)))


_NINES = str.maketrans("012345678\u202f\u00a0", "999999999  ")


@functools.lru_cache(maxsize=1 << 14)
def kind_of(text: str) -> int:
    """Kind of one cell: UNREADABLE, STAMP, DATE, TIME or INSTANT, by its layout and the range of its numbers."""
    layout = _layout(text.translate(_NINES).upper()) if len(text) <= WIDEST else None
    if layout is None:
        return UNREADABLE
    kind, spans, texts = layout
    numbers = {name: int(text[slice(*span)]) for name, span in spans.items() if texts[name].isdigit()}
    if kind == INSTANT:
        seconds = numbers["epoch"] if "epoch" in numbers else numbers["ms"] // 1000
        return kind if EPOCHS[0] <= seconds < EPOCHS[1] else UNREADABLE
    if kind == TIME:
        return kind if numbers["h"] <= 24 and numbers.get("mi", 0) <= 59 else UNREADABLE
    if "c" in numbers:
        year, month, day = numbers["c"] // 10000, numbers["c"] // 100 % 100, numbers["c"] % 100
        return kind if FIRST_YEAR <= year <= LAST_YEAR and 1 <= month <= 12 and 1 <= day <= 31 else UNREADABLE
    parts = [numbers[name] for name in ("y", "m", "d", "p", "q", "r") if name in numbers]
    return kind if all(part > 0 for part in parts[:2]) else UNREADABLE


def _scan(texts: list[str]) -> Scan:
    count = len(texts)
    found = Scan(
        np.zeros(count, np.int8),
        np.zeros((count, 3), np.int64),
        np.zeros(count, np.int8),
        np.full(count, -1, np.int64),
        np.full(count, NO_OFFSET, np.int64),
        np.zeros(count, np.int64),
        frozenset(),
    )
    cells = np.array([text if len(text) <= WIDEST else "?" for text in texts], dtype=np.str_)
    width = cells.dtype.itemsize // 4
    if not count or not width:
        return found
    codes = cells.view(np.uint32).reshape(count, width)
    digit = (codes >= 48) & (codes <= 57)
    shape = np.where(digit, np.uint32(57), codes)
    powers = np.array([pow(0x9E3779B97F4A7C15, k + 1, 1 << 64) for k in range(width)], dtype=np.uint64)
    keys = (shape * powers).sum(axis=1, dtype=np.uint64)
    words: set[str] = set()
    _, first, inverse, counts = np.unique(keys, return_index=True, return_inverse=True, return_counts=True)
    order = np.argsort(inverse, kind="stable")
    ends = np.cumsum(counts)
    for k, at in enumerate(first):
        pattern = "".join(map(chr, shape[at].tolist())).rstrip("\0").replace("\u202f", " ").replace("\u00a0", " ").upper()
        layout = _layout(pattern)
        rows = order[ends[k] - counts[k] : ends[k]]
        rows = rows[(shape[rows] == shape[at]).all(axis=1)]
        if layout is not None:
            _fill(found, rows, codes[rows].astype(np.int64) - 48, layout, words)
    return Scan(found.kind, found.parts, found.form, found.tod_s, found.offset_s, found.instant, frozenset(words))


@functools.lru_cache(maxsize=4096)
def _layout(pattern: str) -> tuple[int, dict[str, tuple[int, int]], dict[str, str]] | None:
    """Kind, places of the digits and words of a shape; None where it is no time."""
    if not pattern.isascii():
        return None
    for kind, expression in _LAYOUTS:
        match = expression.fullmatch(pattern)
        if match:
            spans = {name: match.span(name) for name, text in match.groupdict().items() if text is not None}
            return kind, spans, {name: text for name, text in match.groupdict().items() if text is not None}
    return None


def _fill(found: Scan, rows: np.ndarray, digits: np.ndarray, layout, words: set[str]) -> None:
    kind, spans, texts = layout

    def number(name: str) -> np.ndarray:
        begin, end = spans[name]
        return digits[:, begin:end] @ (10 ** np.arange(end - begin - 1, -1, -1, dtype=np.int64))

    fine = np.ones(len(rows), bool)
    if "fr" in spans:
        begin, end = spans["fr"]
        fine &= (digits[:, begin:end] == 0).all(axis=1)
    if kind == INSTANT:
        seconds = number("epoch") if "epoch" in spans else number("ms") // 1000
        fine &= (number("ms") % 1000 == 0) if "ms" in spans else True
        fine &= (seconds >= EPOCHS[0]) & (seconds < EPOCHS[1])
        found.instant[rows] = seconds
    if kind in (STAMP, DATE):
        fine &= _dates(found, rows, spans, texts, number)
    if kind in (STAMP, TIME):
        tod, proper = _times(spans, texts, number)
        found.tod_s[rows] = tod
        fine &= proper
    if kind == STAMP and ("word" in texts or "sign" in texts):
        offset = np.zeros(len(rows), np.int64)
        if "word" in texts:
            words.add(texts["word"])
            offset += _ZONE_H[texts["word"]] * 3600
            fine &= "sign" not in texts or _ZONE_H[texts["word"]] == 0
        if "sign" in texts:
            away = number("oh") * 3600 + (number("om") * 60 if "om" in spans else 0)
            fine &= away <= 14 * 3600
            offset += away if texts["sign"] == "+" else -away
        found.offset_s[rows] = offset
    found.kind[rows] = np.where(fine, kind, UNREADABLE)


def _dates(found: Scan, rows: np.ndarray, spans: dict, texts: dict, number) -> np.ndarray:
    """Put the parts of the dates in place. Returns: whether each can be a date."""
    form = YEAR_FIRST
    if "y" in spans:
        parts = [number("y"), number("m"), number("d")]
    elif "p" in spans:
        parts = [number("p"), number("q"), number("r")]
        form = OPEN if spans["r"][1] - spans["r"][0] == 4 else OPEN_SHORT
    elif "c" in spans:
        whole = number("c")
        parts = [whole // 10000, whole // 100 % 100, whole % 100]
    else:
        which = "2" if "mon2" in spans else "3"
        word = texts[f"mon{which}"]
        if word not in _LONG and word not in _MONTHS and word != "SEPT":
            return np.zeros(len(rows), bool)
        month = _MONTHS.index(word[:3]) + 1
        parts = [number(f"y{which}"), np.full(len(rows), month), number(f"d{which}")]
    found.parts[rows] = np.stack(parts, axis=1)
    found.form[rows] = form
    if form == YEAR_FIRST:
        return (parts[0] >= FIRST_YEAR) & (parts[0] <= LAST_YEAR) & (parts[1] >= 1) & (parts[1] <= 12) & (parts[2] >= 1) & (parts[2] <= 31)
    return np.ones(len(rows), bool)


def _times(spans: dict, texts: dict, number) -> tuple[np.ndarray, np.ndarray]:
    """Time of day [s] and whether each is one."""
    if "hm" in spans:
        whole = number("hm")
        hour, minute = whole // 100, whole % 100
        second = number("ss") if "ss" in spans else np.zeros_like(hour)
    else:
        hour = number("h")
        minute, second = ((number(name) if name in spans else np.zeros_like(hour)) for name in ("mi", "se"))
    fine = (minute <= 59) & (second <= 59)
    half = texts.get("ap") or texts.get("ap2")
    if half:
        fine &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if "P" in half else 0)
    tod = hour * 3600 + minute * 60 + second
    return tod, fine & ((hour <= 23) | (tod == 86400))
