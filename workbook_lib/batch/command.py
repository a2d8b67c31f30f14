"""The commands of a portfolio: plan, batch, changes."""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib import run
from workbook_lib.batch import closing, compare, crew, drive, folder, plan, progress, rows
from workbook_lib.batch.folder import PORTFOLIO, Output, refuse_foreign
from workbook_lib.batch.options import ACCEPTABLE
from workbook_lib.batch.plan import Asked
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home.portfolio import Portfolio, read_portfolio
from workbook_lib.home.portfolio_what_if import parse_assignments, substitute

WHAT_IF = "what-if"
SLUG_LENGTH = 40


@dataclass(frozen=True)
class Selection:
    """What a command is about."""

    portfolio: Portfolio
    out: Path
    asked: Asked
    what_if: Mapping[str, Mapping[str, str]] | None
    substituted: frozenset[str]
    as_filed: Path
    words: str = ""


def selected(whole: argparse.ArgumentParser, given: argparse.Namespace) -> Selection:
    """The portfolio, read, with the what-if applied. Errors: InputFault."""
    file = Path(given.portfolio)
    only = [name.strip() for name in given.only.split(",") if name.strip()] if given.only else None
    try:
        workbooks = run.chosen_workbooks(only)
    except ValueError as error:
        whole.error(str(error))
    if bool(given.where) and not given.set:
        whole.error("--where says which homes; --set says what to set for them")
    portfolio = read_portfolio(file, given.edition)
    what_if, words, substituted = None, "", frozenset()
    if given.set:
        where, put = parse_assignments(given.where, "--where"), parse_assignments(given.set, "--set")
        changed = substitute(portfolio, where, put)
        if not changed.matched_count:
            raise InputFault(
                [Fault(given.portfolio, "--where", "takes no home", " ".join(given.where), "a home that matches", "correct it")]
            )
        pairs = zip(portfolio.entries, changed.portfolio.entries, strict=True)
        portfolio, substituted = changed.portfolio, frozenset(now.name for before, now in pairs if now is not before)
        what_if, words = {"where": where, "set": put}, _takes(changed.matched_count, len(portfolio.entries))
    as_filed = Path(run.STUDIES) / file.stem
    end = "-".join(filter(None, (given.edition, _slug(what_if) if what_if else "")))
    out = Path(given.out) if given.out else as_filed.with_name(f"{as_filed.name}-{end}") if end else as_filed
    asked = Asked(workbooks, not given.results_only, given.again)
    return Selection(portfolio, out, asked, what_if, substituted, as_filed, words)


def _takes(matched: int, whole: int) -> str:
    return f"{matched} of {whole} {'study' if whole == 1 else 'studies'} {'takes' if matched == 1 else 'take'} the substitution"


def _slug(what_if: Mapping[str, Mapping[str, str]]) -> str:
    """A folder's name for a substitution, another for another."""
    parts = [f"{path.rpartition('.')[2]}-{value}" for path, value in (*what_if["set"].items(), *what_if["where"].items())]
    words = re.sub(r"[^a-z0-9.]+", "-", "-".join(parts).lower()).strip("-.")[:SLUG_LENGTH]
    whole = json.dumps([sorted(what_if["set"].items()), sorted(what_if["where"].items())])
    return f"{WHAT_IF}-{words}-{hashlib.sha256(whole.encode()).hexdigest()[:6]}"


def run_plan(whole: argparse.ArgumentParser, given: argparse.Namespace) -> int:
    """`plan`: what would run and why.

    Returns: exit status 0, 2 where a row or its files are known to be at fault. Errors: InputFault where `batch` would refuse.
    """
    chosen = selected(whole, given)
    output = Output(chosen.out)
    refuse_foreign(output)
    if given.kind and not given.accept:
        whole.error("--kind says which reasons --accept takes")
    if given.accept:
        kinds = [kind.strip() for kind in (given.kind or ",".join(ACCEPTABLE)).split(",") if kind.strip()]
        try:
            found = plan.accept(chosen.portfolio, output, chosen.asked, kinds)
        except ValueError as error:
            whole.error(str(error))
    else:
        found = plan.make(chosen.portfolio, output, chosen.asked)
    print(f"{given.portfolio} -> {chosen.out}")
    print(*filter(None, (chosen.words,)), *plan.said(found), *plan.gone_words(found, output), sep="\n", flush=True)
    plan.refuse_loss(found, output)
    return 2 if found.faulty else 0


def run_batch(whole: argparse.ArgumentParser, given: argparse.Namespace) -> int:
    """`batch`: makes what must be made and says what all come to. Returns: the highest exit status of the studies."""
    if given.workers is not None and given.workers < 1:
        whole.error("--workers is at least 1")
    if given.shared_folder and not given.scheduler:
        whole.error("--shared-folder belongs to --scheduler")
    chosen = selected(whole, given)
    other = _compared_with(given, chosen)
    before = closing.outcomes(other) if other else None
    if not given.out:
        folder.claim(Output(chosen.out), chosen.portfolio.file)
    head = closing.Head(given.edition, chosen.what_if, chosen.substituted, other.resolve().name if other else "", before)
    crews = _cluster(given.scheduler, shared=given.shared_folder) if given.scheduler else drive.local_crew
    made = drive.batch(
        chosen.portfolio, chosen.out, chosen.asked, head=head, workers=given.workers, crews=crews, progress=progress.on_terminal
    )
    if chosen.words:
        print(chosen.words)
    _tell(made, chosen.asked)
    if other and not made.stopped:
        moved = compare.compare(other, chosen.out)
        moved.write(chosen.out)
        print(moved.text())
    return made.status


def _compared_with(given: argparse.Namespace, chosen: Selection) -> Path | None:
    """The run that this one is compared with: the one named, for a what-if the portfolio as filed where it has run."""
    if given.compare:
        if Path(given.compare).resolve() == chosen.out.resolve():
            raise InputFault([Fault(given.compare, "--compare", "is the folder of this run", "", "another run", "name another with --out")])
        return Path(given.compare)
    if (given.edition or given.set) and chosen.out.resolve() != chosen.as_filed.resolve():
        if (chosen.as_filed / PORTFOLIO).is_file():
            return chosen.as_filed
        print(f"nothing to compare with: run {given.portfolio} as it is filed first, or name a run with --compare", file=sys.stderr)
    return None


def _cluster(address: str, *, shared: bool) -> drive.Crews:
    from workbook_lib.batch import cluster

    def crews(count: int, output: Output) -> crew.Crew:
        return cluster.ClusterCrew(address, output, shared=shared)

    return crews


def _tell(made: drive.Outcome, asked: Asked) -> None:
    """What a batch came to, on the output."""
    counts = ", ".join(f"{made.counts[state]} {state}" for state in rows.STATES if made.counts.get(state))
    tried = f", {made.unmade_count} tried without a verdict" if made.unmade_count else ""
    print(f"{made.made_count} made{tried}; {counts or 'no study'}")
    if asked.left_out:
        print(f"made with {', '.join(asked.workbooks)} alone: what the other workbooks test is not in these states")
    print(*made.said, sep="\n", end="\n" if made.said else "")
    if made.stopped:
        print("stopped: the same command goes on with the rest")
    print(made.top / (f"{closing.SUMMARY}.html" if asked.rendered else PORTFOLIO))


def run_changes(whole: argparse.ArgumentParser, given: argparse.Namespace) -> int:
    """`changes`: what moved between two runs or two revisions of a home. Returns: 1 where a verdict moved, else 0."""
    found = compare.compare(Path(given.old), Path(given.new))
    if given.out:
        Path(given.out).mkdir(parents=True, exist_ok=True)
        found.write(Path(given.out))
    print(found.text())
    return 1 if found.moved else 0


COMMANDS = {"plan": run_plan, "batch": run_batch, "changes": run_changes}
