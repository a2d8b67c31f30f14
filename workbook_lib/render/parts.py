"""What each part of a workbook's sheet shows: the one place that notebooks and the live study ask."""

from __future__ import annotations

from types import ModuleType

from workbook_lib import published
from workbook_lib.editions import Edition
from workbook_lib.errors import WorkbookError
from workbook_lib.render import content
from workbook_lib.render.blocks import Part
from workbook_lib.render.trace import Trace
from workbook_lib.sheet import Section, Sheet
from workbook_lib.workbooks.turning import turning_values

EDITIONS_TITLE = "The same home under the other editions"


class Parts:
    """The parts of the sheet of one home in one workbook, made as they are asked for."""

    def __init__(self, home, edition: Edition, workbook: ModuleType, sheet: Sheet, trace: Trace, *, live: bool):
        self._home, self._edition, self._workbook = home, edition, workbook
        self._sheet, self._trace, self._live = sheet, trace, live

    def title_block(self) -> Part:
        """Who, where, under which code, from which inputs."""
        return content.title_block(self._sheet, live=self._live)

    def verdict(self) -> Part:
        """The verdict and the check that decides it."""
        return content.verdict(self._trace)

    def inputs(self) -> Part:
        """Every value used, with how it is known."""
        return content.inputs(self._trace)

    def assumptions(self) -> Part:
        """What was taken without being given, and where the verdict turns on it."""
        try:
            quick = getattr(self._workbook, "verdict_study", self._workbook.study)
            turning = turning_values(self._home, self._edition, quick, self._sheet)
        except WorkbookError as error:
            turning = _not_computed("Assumed values", error)
        return content.assumptions(self._sheet, turning)

    def steps(self) -> Part:
        """The calculation, step by step."""
        return content.steps(self._trace)

    def checks(self) -> Part:
        """Every test with its margin."""
        return content.checks(self._trace)

    def other_editions(self) -> Part | None:
        """The same home under every edition, and which rules move the result; None where the workbook has no such part."""
        made = getattr(self._workbook, "other_editions", None)
        if made is None:
            return None
        try:
            shown = made(self._home, self._edition)
        except WorkbookError as error:
            shown = (_not_computed(EDITIONS_TITLE, error),)
        return content.sections("editions", EDITIONS_TITLE, shown)

    def published(self) -> Part:
        """The published cases that the rules of this sheet are proven against."""
        return content.published(tuple(_family(name) for name in self._sheet.cases))

    def cautions(self) -> Part:
        """What a reader must know before relying on the sheet."""
        return content.cautions(self._sheet)

    def open_items(self) -> Part:
        """What is missing or left to judgement, what closes it, who decides."""
        return content.open_items(self._sheet)

    def not_checked(self) -> Part:
        """What belongs to the workbook and was not checked."""
        return content.not_checked(self._sheet)

    def results(self) -> Part:
        """The results as filed."""
        return content.results(self._trace)


def _not_computed(heading: str, error: WorkbookError) -> Section:
    return Section(heading, (), f"Not computed: {error}")


def _family(name: str) -> tuple[str, int, int, int]:
    """A family of published cases with how many sources, cases and printed values it has. Errors: KeyError for an unknown one."""
    found = [case for case in published.cases() if case.family == name]
    if not found:
        raise KeyError(f"no family of published cases {name!r}")
    return name, len({case.source.id for case in found}), len(found), sum(len(case.answers) for case in found)
