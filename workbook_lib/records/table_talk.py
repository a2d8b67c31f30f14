"""What a reader of tables has to say: faults, questions, decisions and rows left out, gathered and told together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NoReturn

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.records.record import Decision, Declared

SHOWN = 10
"""Faults of one kind that are listed; the others are counted."""


@dataclass
class Talk:
    """Everything to be said about one file. `shown` is the file's name in faults."""

    shown: str
    declared: Declared
    faults: list[Fault] = field(default_factory=list)
    asks: dict[str, str] = field(default_factory=dict)
    decisions: list[Decision] = field(default_factory=list)
    dropped: dict[str, int] = field(default_factory=dict)

    def fault(self, name: str, what: str, value: str = "", limit: str = "", todo: str = "", line: int | None = None) -> None:
        """Note one fault. Parameters: field of the record (`unit`), or `file`."""
        self.faults.append(Fault(self.shown, f"{self.declared.field}.{name}", what, value, limit, todo, line))

    def stop(self, name: str, what: str, value: str = "", limit: str = "", todo: str = "", line: int | None = None) -> NoReturn:
        """Note one fault and tell all. Errors: InputFault."""
        self.fault(name, what, value, limit, todo, line)
        raise InputFault(self.faults)

    def many(self, name: str, what: str, found: Iterable[tuple[int, str]], limit: str = "", todo: str = "") -> None:
        """Note one kind of fault in many lines. Parameters: (line, value found) of each."""
        places = list(found)
        for line, value in places[:SHOWN]:
            self.fault(name, what, value, limit, todo, int(line))
        if len(places) > SHOWN:
            self.fault(name, what, f"{len(places) - SHOWN} more such rows", limit, todo)

    def ask(self, name: str, reason: str) -> None:
        """Note one field that the site file must say."""
        self.asks.setdefault(name, reason)

    def decide(self, what: str, why: str) -> None:
        """Note what was taken and why."""
        decision = Decision(what, why)
        if decision not in self.decisions:
            self.decisions.append(decision)

    def given(self, name: str) -> str:
        """Why something was taken that the site file says."""
        return f"{self.declared.field}.{name} in the site file"

    def drop(self, reason: str, count: int) -> None:
        """Count rows that are left out."""
        if count:
            self.dropped[reason] = self.dropped.get(reason, 0) + int(count)

    def chosen(self, name: str, accepted: Sequence[str]) -> str | None:
        """A declared word, checked. Returns: the word, None where it is not declared or not accepted (a fault then)."""
        word = getattr(self.declared, name)
        if word is None:
            return None
        if word.strip().lower() in accepted:
            return word.strip().lower()
        self.fault(name, "a word that is not known", word, ", ".join(accepted), "use one of these")
        return None

    def tell(self) -> None:
        """Errors: InputFault with every fault; else MissingInput with every open question."""
        if self.faults:
            raise InputFault(self.faults)
        if self.asks:
            fields = [f"{self.declared.field}.{name}" for name in self.asks]
            reason = "; ".join(f"{name}: {why}" for name, why in self.asks.items())
            raise MissingInput(fields, f"{self.shown} can be read in more than one way. {reason}")
