"""Wall-clock stamps put into UTC: the hour that is missing in spring and the hour that comes twice in autumn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workbook_lib.records.clock import Clock
from workbook_lib.records.table_talk import Talk

HOUR_S = 3600


@dataclass
class Stamped:
    """Stamps on the wall: `label` [s], `length` [s], whether they stand `at_end`; `lines` of the rows; whose values are blank, or zero."""

    label: np.ndarray
    length: np.ndarray
    at_end: bool
    lines: np.ndarray
    blank: np.ndarray
    zero: np.ndarray

    @property
    def start(self) -> np.ndarray:
        """Start of each interval on the wall [s]."""
        return self.label - self.length if self.at_end else self.label


def wall_text(wall: int) -> str:
    """A time on the wall as ISO text."""
    return str(np.datetime64(int(wall), "s")).replace("T", " ")[:16]


def first_utc(wall: np.ndarray, clock: Clock) -> np.ndarray:
    """UTC of wall times: the first of two in the repeated hour; the moment of the change in the missing one."""
    if len(clock.changes) == 1:
        return wall - clock.offsets[0]
    before, after = clock.offsets[:-1], clock.offsets[1:]
    moments = clock.changes[1:]
    index = np.searchsorted(moments + np.maximum(before, after), wall, side="right")
    utc = wall - clock.offsets[index]
    inside = _missing(wall, clock)
    if inside.any():
        which = np.searchsorted(moments + np.minimum(before, after), wall[inside], side="right") - 1
        utc[inside] = moments[which]
    return utc


def _missing(wall: np.ndarray, clock: Clock) -> np.ndarray:
    """Which wall times the clock never shows."""
    found = np.zeros(len(wall), bool)
    if not len(wall):
        return found
    for moment, before, after in _moves(clock, int(wall.min()), int(wall.max())):
        if after > before:
            found |= (wall >= moment + before) & (wall < moment + after)
    return found


def _moves(clock: Clock, low: int, high: int) -> list[tuple[int, int, int]]:
    """Changes of the clock about a span on the wall: moment [s, UTC], offset before and after [s]."""
    return [
        (int(clock.changes[k]), int(clock.offsets[k - 1]), int(clock.offsets[k]))
        for k in range(1, len(clock.changes))
        if low - 2 * 86400 <= int(clock.changes[k]) + int(clock.offsets[k]) <= high + 2 * 86400
    ]


def to_utc(rows: Stamped, clock: Clock, talk: Talk) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Starts [s, UTC], lengths [s], and which rows stay.

    Rows of zero or nothing in the missing hour are left out. Errors: InputFault where stamps in the missing
    hour hold readings, or the passes of the repeated hour cannot be told apart.
    """
    start = first_utc(rows.start, clock)
    long = rows.length > HOUR_S
    length = rows.length.copy()
    if long.any():
        length[long] = first_utc(rows.start + rows.length, clock)[long] - start[long]
    keep = np.ones(len(start), bool)
    if len(clock.changes) > 1 and len(start):
        for moment, before, after in _moves(clock, int(rows.label.min()), int(rows.label.max())):
            near = np.flatnonzero((np.abs(rows.label - (moment + before)) <= 2 * 86400) & ~long)
            if near.size:
                act = _spring if after > before else _autumn
                act(rows, near, (moment, before, after), start, keep, talk)
    return start, length, keep


def _spring(rows: Stamped, near: np.ndarray, move: tuple[int, int, int], start: np.ndarray, keep: np.ndarray, talk: Talk) -> None:
    moment, before, after = move
    label, low, high = rows.label[near], moment + before, moment + after
    if rows.at_end:
        first, last = near[label == low], near[label == high]
        inside = near[(label > low) & (label < high)]
        empty = rows.blank | rows.zero
        if first.size and last.size and empty[first].all() and not empty[last].all():
            inside, first = np.concatenate([first, inside]), first[:0]
        elif first.size and last.size:
            inside = np.concatenate([inside, last])
        if not first.size:
            start[last] = moment - rows.length[last]
        over = near[(label > high) & (label - rows.length[near] < high)]
        start[over] = rows.label[over] - after - rows.length[over]
    else:
        inside = near[(label >= low) & (label < high)]
    if not inside.size:
        return
    apart = np.setdiff1d(near, inside)
    sides = apart[np.abs(rows.label[apart] - low) <= 2 * HOUR_S]
    filler = rows.blank[inside].all() or ((rows.blank | rows.zero)[inside].all() and sides.size and not rows.zero[sides].any())
    count = max(1, HOUR_S // max(1, int(rows.length[inside[0]])))
    if filler and inside.size <= count:
        keep[inside] = False
        talk.drop("reading of zero or nothing in the hour that the clock leaves out in spring", inside.size)
        talk.decide(
            f"{inside.size} rows about {wall_text(low)} left out",
            "the clock does not show this hour, and they hold zero or nothing beside readings that do",
        )
        return
    at = inside[0]
    talk.stop(
        "clock",
        f"a stamp in the hour that the clock leaves out in spring ({inside.size} of them)",
        wall_text(int(rows.label[at])),
        "stamps that the declared clock shows",
        'the file keeps standard time or another zone: declare clock, for example clock = "Etc/GMT+7"',
        int(rows.lines[at]),
    )


def _autumn(rows: Stamped, near: np.ndarray, move: tuple[int, int, int], start: np.ndarray, keep: np.ndarray, talk: Talk) -> None:
    moment, before, after = move
    low, high = moment + after, moment + before
    label = rows.label[near]
    wall_ends = rows.at_end and int((label == low).sum()) > int((label == high).sum())
    key = label if wall_ends else rows.start[near]
    place = near[(key >= low) & (key < high)]
    keys = key[(key >= low) & (key < high)]
    if wall_ends:
        past = near[label == high]
        start[past] = high - after - rows.length[past]
    if not place.size:
        return
    outside = np.sort(rows.label[np.setdiff1d(near, place)])
    doubled = outside.size > 1 and int((np.diff(outside) == 0).sum()) * 4 > outside.size
    second = _second_pass(keys, float(np.median(np.diff(rows.label))) < 0 if len(rows.label) > 1 else False, doubled)
    if second is None:
        at = place[0]
        talk.stop(
            "file",
            "the two passes of the hour that comes twice in autumn cannot be told apart",
            f"{place.size} rows about {wall_text(low)}",
            "rows in order of time, first pass and then second",
            "put the rows in order, leave out repeated ones, or give stamps with their offset from UTC",
            int(rows.lines[at]),
        )
    utc = keys - np.where(second, after, before)
    start[place] = utc - (rows.length[place] if wall_ends else 0)
    if second.any():
        talk.decide(f"the hour from {wall_text(low)} comes twice", "first with daylight saving, then without, by the order in the file")
    else:
        talk.decide(
            f"the hour from {wall_text(low)} is read as the one with daylight saving",
            "the file has it once; the hour after it, without daylight saving, stays a gap",
        )


def _second_pass(keys: np.ndarray, descending: bool, doubled: bool) -> np.ndarray | None:
    """Which stamps of the repeated hour belong to the second pass; None where that cannot be told."""
    order = keys[::-1] if descending else keys
    second = np.zeros(len(order), bool)
    distinct, counts = np.unique(order, return_counts=True)
    steps = np.diff(order)
    back, same = np.flatnonzero(steps < 0), np.flatnonzero(steps == 0)
    if len(distinct) == 1:
        if len(order) > 2 or (len(order) == 2 and doubled):
            return None
        second[1:] = True
    elif not back.size and same.size:
        if doubled or not (counts == 2).all():
            return None
        second[1::2] = True
    elif back.size == 1 and (not same.size or doubled):
        second[back[0] + 1 :] = True
    elif back.size:
        return None
    return second[::-1] if descending else second
