"""The way from a verdict back to each nameplate: a number and an anchor for every step and input.

Steps are numbered in reading order, inputs of the home `i1, i2 ...`, values of the code and of
local rules `c1, c2 ...`, so that the trail can be followed on paper as well as by links.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from workbook_lib import formula
from workbook_lib.formula import FormulaError
from workbook_lib.render import numbers
from workbook_lib.sheet import CONFIRMED, Input, Quantity, Section, Sheet, Step, walk

MAX_EXTRA = 6
_WORDS = {"frac": "fraction", "va": "VA", "a": "A", "v": "V"}
_LIST_CALL = re.compile(r"\bsum\(\s*(\w+)\s*\)")


@dataclass(frozen=True, slots=True)
class Ref:
    """A word that leads to a step or an input: what is printed, its number in the sheet, its anchor."""

    label: str
    number: str
    target: str
    mark: str = ""
    symbol: bool = False


@dataclass(frozen=True, slots=True)
class Flag:
    """Words that must stand out in black and white as well: assumed, not confirmed."""

    text: str


@dataclass(frozen=True, slots=True)
class Key:
    """A name of results.json or of the site file."""

    text: str


@dataclass(frozen=True, slots=True)
class Link:
    """A file beside the page: its relative path, the words of the link, an anchor in the file."""

    target: str
    label: str
    anchor: str = ""


Rich = tuple["str | Ref | Flag | Key | Link", ...]
"""Text with references and flagged words in it."""


@dataclass(frozen=True, slots=True)
class Group:
    """One section of the sheet with every step that first appears in it, what is used before its use.

    `earlier` are the steps of the section that an earlier one already shows.
    """

    section: Section
    steps: tuple[Step, ...]
    earlier: tuple[Step, ...] = ()


def _identity(item: Quantity) -> tuple:
    if isinstance(item, Step):
        return ("step", item.key, item.formula, repr(item.value), item.unit)
    return ("input", item.key, repr(item.value), item.unit, item.is_code)


class Trace:
    """Numbers, anchors and printed lines of everything in one sheet."""

    def __init__(self, sheet: Sheet):
        self.sheet = sheet
        self._numbers: dict[tuple, str] = {}
        self._anchors: dict[tuple, str] = {}
        self._taken: set[str] = set()
        self._steps_count = 0
        self.home_inputs: list[Input] = []
        self.code_inputs: list[Input] = []
        self.groups: tuple[Group, ...] = self._group()
        for item in sheet.inputs():
            self._number_input(item)

    def _group(self) -> tuple[Group, ...]:
        groups = []
        for section in self.sheet.sections:
            earlier = tuple(step for step in section.steps if _identity(step) in self._numbers)
            groups.append(Group(section, self._new_steps(list(section.steps)), earlier))
        rest = self._new_steps(list(self.sheet.steps()))
        if rest:
            groups.append(Group(Section("Further steps behind the checks and results"), rest))
        return tuple(groups)

    def _new_steps(self, roots: list[Quantity]) -> tuple[Step, ...]:
        fresh = []
        for item in walk(roots):
            if isinstance(item, Step) and _identity(item) not in self._numbers:
                self._steps_count += 1
                self._register(item, str(self._steps_count), "step")
                fresh.append(item)
        return tuple(fresh)

    def _number_input(self, item: Input) -> None:
        if _identity(item) in self._numbers:
            self._keep_as_written(item)
            return
        kept, letter = (self.code_inputs, "c") if item.is_code else (self.home_inputs, "i")
        kept.append(item)
        self._register(item, f"{letter}{len(kept)}", "code" if item.is_code else "input")

    def _keep_as_written(self, item: Input) -> None:
        """Of the same value met twice, show the one that says what was written."""
        for place, kept in enumerate(self.home_inputs):
            if _identity(kept) == _identity(item) and item.text and not kept.text:
                self.home_inputs[place] = item

    def _register(self, item: Quantity, shown: str, prefix: str) -> None:
        stem = f"{prefix}-" + (re.sub(r"[^a-z0-9]+", "-", item.key.lower()).strip("-") or "x")
        anchor, count = stem, 2
        while anchor in self._taken:
            anchor, count = f"{stem}-{count}", count + 1
        self._taken.add(anchor)
        self._anchors[_identity(item)] = anchor
        self._numbers[_identity(item)] = shown

    def number(self, item: Quantity) -> str:
        """Number of a step or input in the sheet: `12`, `i3`, `c4`; empty if the sheet does not show it."""
        return self._numbers.get(_identity(item), "")

    def anchor(self, item: Quantity) -> str:
        """Anchor of a step or input; empty if the sheet does not show it."""
        return self._anchors.get(_identity(item), "")

    def ref(self, item: Quantity, label: str, *, symbol: bool = False) -> Ref:
        """A reference to a step or input, marked where a value of the code is not confirmed."""
        mark = ""
        if isinstance(item, Input):
            if item.source is not None and item.source.status != CONFIRMED:
                mark = item.source.status
            elif item.origin == "assumed":
                mark = "assumed"
        return Ref(label, self.number(item), self.anchor(item), mark, symbol)

    def formula_line(self, step: Step) -> Rich:
        """The formula with symbols, each leading to the step or input it stands for."""
        summed = frozenset(_LIST_CALL.findall(step.formula))
        refs: list[Ref] = []
        shown: dict[str, str] = {}
        for name, used in step.uses.items():
            items = used if isinstance(used, tuple) else (used,)
            tokens = []
            for item in items:
                tokens.append(f"\ue000{len(refs)}\ue001")
                refs.append(self.ref(item, _label(item, name, in_list=isinstance(used, tuple)), symbol=isinstance(item, Step)))
            shown[name] = (" + " if name in summed else ", ").join(tokens) or "none"
        laid = formula.layout(_plain_sums(step), shown)
        pieces = re.split("\ue000(\\d+)\ue001", laid)
        return tuple(refs[int(piece)] if index % 2 else piece for index, piece in enumerate(pieces) if index % 2 or piece)

    def numbers_line(self, step: Step) -> str:
        """The formula with numbers put in, with enough digits that it works out to the printed result."""
        result = numbers.bare(step)
        for extra in range(MAX_EXTRA + 1):
            shown, values = _printed_values(step, extra)
            try:
                if numbers.value_text(formula.evaluate(step.formula, values), step.decimals) == result:
                    break
            except (FormulaError, ValueError, TypeError, IndexError):
                continue
        if _mixed_units(step):
            shown, _ = _printed_values(step, extra, units=True)
        named = {name: self._long_list(step, used) for name, used in step.uses.items() if numbers.is_long(getattr(used, "value", None))}
        return formula.layout(_plain_sums(step), {**shown, **named})

    def _long_list(self, step: Step, used: Quantity) -> str:
        """A long list in a line: its number, and what stands around the result in it."""
        near = numbers.neighbours(step.value, used.value, used.decimals)
        return f"list {self.number(used)}: {near}" if near else f"list {self.number(used)}"


def _plain_sums(step: Step) -> str:
    """The formula's text where the sum of a single item is that item, and of none is 0."""

    def plain(found: re.Match[str]) -> str:
        used = step.uses.get(found[1])
        items = used if isinstance(used, tuple) else getattr(used, "value", None)
        if not isinstance(items, (tuple, list)) or len(items) > 1:
            return found[0]
        return found[1] if items else "0"

    return _LIST_CALL.sub(plain, step.formula)


def _mixed_units(step: Step) -> bool:
    """Whether the numbers of a step have unlike units, so that its line is clearer with them."""
    used = [item for one in step.uses.values() for item in (one if isinstance(one, tuple) else (one,))]
    return "**" not in step.formula and len({numbers.unit_text(item.unit) for item in used} - {""}) > 1


def _label(item: Quantity, name: str, *, in_list: bool) -> str:
    if isinstance(item, Step):
        return item.symbol
    if in_list:
        return item.meaning if len(item.meaning) <= 40 else item.key
    return " ".join(_WORDS.get(word, word) for word in name.split("_"))


def _printed_values(step: Step, extra: int, *, units: bool = False) -> tuple[dict[str, str], dict[str, object]]:
    """For each name of the formula, what is printed (with its unit, where asked for) and the value that the print says."""
    summed = frozenset(_LIST_CALL.findall(step.formula))
    shown: dict[str, str] = {}
    values: dict[str, object] = {}
    for name, used in step.uses.items():
        joint = " + " if name in summed else ", "
        if isinstance(used, tuple):
            texts = [numbers.bare(item, extra if isinstance(item, Step) or extra > 1 else 0) for item in used]
            values[name] = tuple(_said(item.value, text) for item, text in zip(used, texts, strict=True))
            shown[name] = joint.join(numbers.with_unit(text, item.unit if units else None) for item, text in zip(used, texts, strict=True))
            shown[name] = shown[name] or "none"
        elif isinstance(used.value, (tuple, list)):
            shown[name] = numbers.bare(used, extra, joint)
            values[name] = used.value
        else:
            added = extra if isinstance(used, Step) or not _exact(used, extra) else 0
            shown[name] = numbers.bare(used, added)
            values[name] = _said(used.value, shown[name])
            shown[name] = numbers.with_unit(shown[name], used.unit if units else None)
    return shown, values


def _exact(item: Input, extra: int) -> bool:
    """Whether a given number is printed exactly without more digits."""
    return extra == 0 or not isinstance(item.value, (int, float)) or numbers.read_back(numbers.bare(item)) == item.value


def _said(value: object, text: str) -> object:
    return numbers.read_back(text) if isinstance(value, (int, float)) else value
