"""The sentence that a client may be told, true by the curve, and the one that may not be said."""

from __future__ import annotations

import calendar
import math

from workbook_lib.sheet import Result, Section, Table, Verdict
from workbook_lib.workbooks.backup_answers import NINE_IN_TEN, Answers, Setting
from workbook_lib.workbooks.backup_target import Asked, horizon_h, start_words
from workbook_lib.workbooks.backup_work import Work

HEADING = "What may be told, and what may not"


def promise(work: Work, one: Setting, found: Answers, wanted: Asked) -> None:
    """Results `client_sentence`, `sentence_not_to_say`, and the section that shows both."""
    told, never = _told(work, one, found, wanted), _never(work, one, found, wanted)
    for key, words in (("client_sentence", told), ("sentence_not_to_say", never)):
        work.results[key] = Result(words, None)
    conditions = [start_words(work, one), f"load: {one.profile.words}"]
    if len(one.profile.tiers) > 1:
        conditions.append("the higher tiers go off and come back at their levels of charge")
    if one.sun.island_kw.any():
        conditions.append(f"sun: {one.sun.words}, as in its year")
    if work.site.storage and any(row.health_fraction is not None or row.years is not None for row in work.stores()):
        conditions.append("the store has faded as far as stated, and no further")
    rows = (("May be told", told), ("On condition that", "; ".join(conditions)), ("May not be said", never))
    prose = "The sentence is true by the curve of this study, rounded down. No curve of one year promises an outage of another."
    work.sections.append(Section(HEADING, (), prose, Table(("", "In words"), rows, "What may be told to a client")))


def _names(one: Setting) -> str:
    """What is kept to the end, in words."""
    names = one.profile.names[0]
    if "record" in names:
        shed = f" (first to go: {listed(', '.join(one.profile.names[1:]))})" if len(one.profile.tiers) > 1 else ""
        return f"the home as its meter saw it{shed}"
    return listed(names)


def listed(names: str) -> str:
    """Ids as words: `well pump, router and lights`."""
    words = names.replace("-", " ")
    first, comma, last = words.rpartition(", ")
    return f"{first} and {last}" if comma else words


def floored(hours: float) -> str:
    """Hours rounded down to half an hour, so that the words stay true: `23.5 hours`; seven days as such."""
    if hours >= horizon_h() - 1e-9:
        return "seven days or more"
    half = math.floor(2.0 * hours + 1e-9) / 2.0
    return f"{half:g} hour{'s' if half != 1 else ''}"


def in_hundred(share: float) -> str:
    """A share as outages of a hundred, rounded down: `90 of 100`."""
    return f"{math.floor(100.0 * share + 1e-9):d} of 100"


def _told(work: Work, one: Setting, found: Answers, wanted: Asked) -> str:
    from workbook_lib.simulate.answers import reached, share_reaching

    failing = next((one for one in work.checks if one.counts and one.verdict is Verdict.FAIL and one.key != "backup-target"), None)
    if failing is not None:
        return f"Nothing is promised: this sheet fails. ({failing.question.capitalize()} No.)"
    lasting, share = found.durations_h, wanted.share_frac or NINE_IN_TEN
    hours, cases = reached(lasting, share), in_hundred(share)
    sentence = f"Counted over every moment of a year, it runs {_names(one)} for {_at_least(hours)} in {cases} outages"
    month, weakest = _weakest(one, lasting, share)
    if weakest < hours - 0.5:
        sentence += f", in {month} for {_at_least(weakest)} in {cases}"
    if wanted.target is not None and hours < wanted.target_h - 1e-9:
        reaching = share_reaching(lasting, wanted.target_h)
        sentence += f"; the {wanted.target_h:g} hours that were wished for are reached in {in_hundred(reaching)}"
    elif wanted.target is not None:
        sentence += f"; the {wanted.target_h:g} hours that were wished for are reached in at least {cases}"
    least = float(lasting.min())
    return f"{sentence}; the shortest of that year ends after {floored(least)}." if least < horizon_h() - 1e-9 else f"{sentence}."


def _at_least(hours: float) -> str:
    return floored(hours) if hours >= horizon_h() - 1e-9 else f"at least {floored(hours)}"


def _weakest(one: Setting, lasting, share: float) -> tuple[str, float]:
    """The month whose starts last least, and what the share of them reach [h]."""
    from workbook_lib.simulate.answers import reached

    months = one.profile.steps.month
    found = [(reached(lasting[months == month], share), month) for month in range(1, 13) if (months == month).any()]
    hours, month = min(found)
    return calendar.month_name[month], hours


def _never(work: Work, one: Setting, found: Answers, wanted: Asked) -> str:
    lasting = found.durations_h
    hours = wanted.target_h if wanted.target is not None else 24.0
    short = int((lasting < hours - 1e-9).sum())
    only = "" if work.whole else f"Backed up: {_names(one)}, and nothing else. "
    if short:
        return f"It runs the house for {hours:g} hours. ({only}{short:,} of {len(lasting):,} starts end before that.)"
    least = float(lasting.min())
    if least < horizon_h() - 1e-9:
        return f"It runs the house for longer than {floored(least)}. ({only}Some start ends after that.)"
    return f"It runs the house through any outage. ({only}Beyond seven days, another year or a fault of its parts nothing was looked at.)"
