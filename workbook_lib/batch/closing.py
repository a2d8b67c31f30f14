"""What a batch leaves beside its studies: the roll-up, portfolio.json with the summary, the summary's notebook and page."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from workbook_lib import notebook, run
from workbook_lib.batch import folder as folders
from workbook_lib.batch import record as records
from workbook_lib.batch import rollup, rows
from workbook_lib.batch.folder import Output, Run
from workbook_lib.batch.plan import ACCEPT, FAULT, LEFT_OUT, RUN, Asked, Item, Plan, not_of
from workbook_lib.errors import Fault, InputFault, MachineryFault
from workbook_lib.home.portfolio import Portfolio
from workbook_lib.render import results
from workbook_lib.version import VERSION

FORMAT = 1
SUMMARY = "portfolio_summary"
CLOSED = "closed.json"
STATUS = {**run.STATUS, rows.NOT_RUN: 3}
STOPPED = "the batch was stopped before it"
FOLDER_WORDS = "the run before"


@dataclass(frozen=True)
class Head:
    """What is told of a batch: the edition asked for in place of every file's, a substitution, another run that it is compared with.

    `substituted`: names of the studies that the substitution was made for; `before`: what the other run came to, by (site id, case), None
    without one.
    """

    edition: str | None = None
    what_if: Mapping[str, Mapping[str, str]] | None = None
    substituted: frozenset[str] = frozenset()
    compared_with: str = ""
    before: Mapping[tuple[str, str], Mapping[str, object]] | None = field(default=None, compare=False)


def outcomes(top: Path) -> dict[tuple[str, str], dict[str, object]]:
    """What another run came to, by (site id, case), and by (site id, "") for a home that it has once. Errors: InputFault."""
    file = top / folders.PORTFOLIO
    try:
        held = json.loads(file.read_bytes())
        studies = [(row["site_id"], row["case"], rows.outcome(row)) for row in held["studies"]]
    except OSError as error:
        todo = "name the output folder of a batch"
        raise InputFault([Fault(file.as_posix(), "", "cannot be read", str(error.strerror), "a finished batch", todo)]) from None
    except (ValueError, KeyError, TypeError, AttributeError):
        raise InputFault([Fault(file.as_posix(), "", "is not that of a batch", "", "portfolio.json", "run that batch again")]) from None
    times = Counter(site_id for site_id, _, _ in studies)
    alone = {(site_id, ""): one for site_id, _, one in studies if times[site_id] == 1}
    return alone | {(site_id, case): one for site_id, case, one in studies}


def _shared(value: object) -> object:
    """The same with each text in memory once: rows of a large portfolio say much the same."""
    if isinstance(value, str):
        return sys.intern(value)
    if isinstance(value, dict):
        return {sys.intern(key): _shared(one) for key, one in value.items()}
    return [_shared(one) for one in value] if isinstance(value, list) else value


@dataclass(frozen=True)
class Closing:
    """The end of a batch.

    `made`: names of the studies made; `failed`: those that the machinery failed, by name, with the reason; `tell`: takes a line that says
    what is being done.
    """

    portfolio: Portfolio
    output: Output
    run: Run
    plan: Plan
    made: frozenset[str]
    failed: Mapping[str, str]
    head: Head
    asked: Asked
    tell: Callable[[str], None] = run.quiet

    @property
    def rendered(self) -> bool:
        """Whether pages are asked for."""
        return self.asked.rendered

    def write(self) -> tuple[dict[str, int], int, tuple[str, ...]]:
        """Write everything, or leave it as it stands where nothing moved. Returns: counts by state, exit status, words."""
        key = self._key()
        standing = self._standing(key)
        if not self.plan.to_run() and standing is not None:
            return standing["counts"], standing["status"], ("nothing to do: the portfolio stands as it was made",)
        page = self.rendered or (self.output.top / f"{SUMMARY}.html").exists()
        self.tell("writing the roll-up and the summary page" if page else "writing the roll-up and the summary")
        (self.output.own / CLOSED).unlink(missing_ok=True)
        rollup.write(self.output.top, self.rows())
        document = self.document()
        folders.put(self.output.top / folders.PORTFOLIO, results.to_bytes(document))
        said = self._render(document) if page else ()
        counts = document["counts"]
        status = max((*(self._status(row) for row in document["studies"]), STATUS[run.MACHINERY_FAULT] if said else 0))
        files = {name: (self.output.top / name).stat().st_size for name in self._files() if (self.output.top / name).exists()}
        held = {"key": self._key(), "counts": counts, "status": status, "files": files}
        folders.put(self.output.own / CLOSED, (json.dumps(held, sort_keys=True) + "\n").encode())
        return counts, status, said

    def _files(self) -> tuple[str, ...]:
        summary = (f"{SUMMARY}.ipynb", f"{SUMMARY}.html") if self.rendered else ()
        return (folders.PORTFOLIO, *rollup.FILES, *summary)

    def _key(self) -> str:
        """Hash of all that the roll-up rests on."""
        studies = [(item.entry.name, self._record_sha256(item), item.entry.line, self._told(item)) for item in self.plan.items]
        before = None if self.head.before is None else sorted((list(name), dict(one)) for name, one in self.head.before.items())
        whole = [
            self.portfolio.file.name,
            VERSION,
            studies,
            self.head.edition,
            self.head.what_if,
            self.head.compared_with,
            before,
            self.asked.left_out,
        ]
        return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()

    @staticmethod
    def _told(item: Item) -> list[str]:
        """What stands in the row of a study and not in its record."""
        return [item.action, *map(str, item.reasons)] if item.action in (FAULT, LEFT_OUT, ACCEPT) else []

    def _record_sha256(self, item: Item) -> str:
        if item.action in (FAULT, LEFT_OUT):
            return ""
        if item.record_sha256 and item.action != RUN:
            return item.record_sha256
        try:
            return hashlib.sha256((self._study(item) / records.RECORD).read_bytes()).hexdigest()
        except OSError:
            return ""

    def _standing(self, key: str) -> Mapping[str, object] | None:
        try:
            held = json.loads((self.output.own / CLOSED).read_text(encoding="utf-8"))
            whole = all((self.output.top / name).stat().st_size == held["files"][name] for name in self._files())
            return held if whole and held["key"] == key else None
        except (OSError, ValueError, KeyError, TypeError):
            return None

    @staticmethod
    def _status(row: rows.Row) -> int:
        return 0 if row["left_out"] else STATUS[row["state"]]

    def _study(self, item: Item) -> Path:
        return self.output.study(item.entry.site_id, item.entry.case)

    # rows

    def rows(self) -> Iterator[rows.Row]:
        """The row of every study, in the order of the portfolio, read from its record when its turn comes."""
        times = Counter(item.entry.site_id for item in self.plan.items)
        for item in self.plan.items:
            row = self._row(item)
            row = row | {
                "workbooks_left_out": row["workbooks_left_out"] if row["state"] in rows.VERDICTS else self.asked.left_out,
                "line": item.entry.line,
                "left_out": item.action == LEFT_OUT,
                "substituted": item.entry.name in self.head.substituted,
            }
            if self.head.before is not None:
                row = row | {"before": self._before(item, times[item.entry.site_id])}
            yield row

    def _before(self, item: Item, times: int) -> Mapping[str, object] | None:
        """What the other run says of a study: of the same name, else of its home where both have it once."""
        entry = item.entry
        if not entry.site_id:
            return None
        found = self.head.before.get((entry.site_id, entry.case))
        return self.head.before.get((entry.site_id, "")) if found is None and times == 1 else found

    def _row(self, item: Item) -> rows.Row:
        entry = item.entry
        if item.action == LEFT_OUT:
            return rows.blank(entry.site_id, entry.case, rows.NOT_RUN, entry.left_out)
        if item.action == FAULT:
            return rows.of_fault(entry.site_id, entry.case, run.INPUT_FAULT, [str(fault) for fault in entry.faults])
        if entry.name in self.failed:
            return rows.blank(entry.site_id, entry.case, run.MACHINERY_FAULT, self.failed[entry.name])
        if item.action == RUN and entry.name not in self.made:
            return rows.blank(entry.site_id, entry.case, rows.NOT_RUN, STOPPED)
        try:
            record = records.read(self._study(item))
        except (OSError, records.Unusable) as error:
            return rows.blank(entry.site_id, entry.case, rows.FAULTED[0], f"its record went while the batch ran: {error}")
        record = replace(record, row=record.row | {"workbooks_left_out": not_of(record.asked["workbooks"])})
        if item.action == ACCEPT:
            return record.row | {"accepted": [str(reason) for reason in item.reasons], "reasons": [], "before": rows.outcome(record.row)}
        if item.action == RUN or (self.run.resumed and record.run == self.run.number):
            return record.row
        return record.row | {"reasons": [], "before": rows.outcome(record.row)}

    def document(self) -> dict[str, object]:
        """portfolio.json."""
        from workbook_lib.workbooks import portfolio_summary

        studies = [_shared(row) for row in self.rows()]
        counted = Counter(row["state"] for row in studies)
        compared = self.head.compared_with or (FOLDER_WORDS if self.run.number > 1 else "")
        head = {
            "format": FORMAT,
            "portfolio": self.portfolio.file.name,
            "library_version": VERSION,
            "edition": self.head.edition,
            "what_if": self.head.what_if,
            "compared_with": compared,
            "results_only": not self.rendered,
            "only": list(self.asked.workbooks) if self.asked.left_out else None,
            "counts": {state: counted[state] for state in rows.STATES if counted[state]},
            "studies": studies,
        }
        return head | {"workbooks": {SUMMARY: results.workbook_entry(portfolio_summary.study(head))}}

    # the summary as a notebook and a page

    def _render(self, document: Mapping[str, object]) -> tuple[str, ...]:
        """The summary rendered the same way as a sheet. Where the machinery fails the old one goes, and the reason is told."""
        try:
            self._render_summary(document)
        except MachineryFault as error:
            if isinstance(error, folders.FolderFault):
                raise
            for name in (f"{SUMMARY}.ipynb", f"{SUMMARY}.html"):
                (self.output.top / name).unlink(missing_ok=True)
            return (f"the page of the summary could not be made: {error}",)
        return ()

    def _render_summary(self, document: Mapping[str, object]) -> None:
        from workbook_lib.render import portfolio_page
        from workbook_lib.workbooks import portfolio_summary

        top = self.output.top
        with (
            folders.writing(f"the summary in {top}"),
            tempfile.TemporaryDirectory(prefix=".summary-", suffix=folders.PART, dir=top) as name,
        ):
            made = Path(name)
            source, written = notebook.notebook_path(SUMMARY), made / f"{SUMMARY}.ipynb"
            executed = run.run_cold(source, written.resolve(), {"portfolio_file": folders.PORTFOLIO}, top.resolve())
            filed = run.filed_in(executed)
            if results.to_bytes(filed["workbooks"]) != results.to_bytes(document["workbooks"]):
                raise MachineryFault("the notebook and the library gave different summaries; the page was not written")
            page = portfolio_page.summary_page(portfolio_summary.study(document), executed)
            (made / f"{SUMMARY}.html").write_text(page, encoding="utf-8")
            for file in (f"{SUMMARY}.ipynb", f"{SUMMARY}.html"):
                os.replace(made / file, top / file)
