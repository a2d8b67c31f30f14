"""Options of the commands of a portfolio, apart from what carries them out, so that help is quick."""

from __future__ import annotations

import argparse

ACCEPTABLE = ("input", "code", "edition", "notebook", "environment")
"""Kinds of reason that a person may accept without a rerun: the results are whole, and of an earlier state."""


OF_STUDIES = (
    "0 every check passes or does not apply; 1 some check fails, needs input or is a judgement; "
    "2 a file is at fault; 3 the machinery failed or a value could not be computed"
)
"""Exit status of what makes studies."""
OF_BATCH = f"Exit status, the highest of all studies: {OF_STUDIES}, or a study was not run because the batch was stopped."
OF_PLAN = (
    "Exit status: 0 nothing is known to be at fault; 2 a row is at fault (its base, edition or name cannot be used), or its files were "
    "found at fault before and still are, or batch would refuse what is asked; 3 the machinery failed. Rows that are new or changed are "
    "read by batch and validate alone."
)
OF_CHANGES = "Exit status: 0 no verdict moved; 1 a verdict moved; 2 a side cannot be read; 3 the machinery failed."


def add_selection(parser: argparse.ArgumentParser) -> None:
    """The options that say which studies, under what, where to."""
    parser.add_argument("portfolio", metavar="PORTFOLIO", help="a table (CSV), one study a row, or a TOML file of site files and cases")
    parser.add_argument(
        "--out", metavar="DIR", help="output folder (default: studies/NAME; NAME-EDITION or NAME-what-if-... for a what-if)"
    )
    parser.add_argument("--edition", metavar="YEAR", help="code edition in place of every row's and file's own; the files stay as they are")
    parser.add_argument("--results-only", action="store_true", help="results.json alone, without running notebooks")
    parser.add_argument("--only", metavar="NAME[,NAME]", help="workbooks to run, by name (default: all)")
    words = "PATH=VALUE"
    parser.add_argument("--where", metavar=words, action="append", default=[], help="what-if: the homes that it is for (A|B: either)")
    parser.add_argument("--set", metavar=words, action="append", default=[], help="what-if: a field set for each home that --where takes")
    parser.add_argument("--again", action="store_true", help="make every study again, whatever is there")


def add_plan(parser: argparse.ArgumentParser) -> None:
    """Options of `plan`."""
    add_selection(parser)
    parser.add_argument("--accept", action="store_true", help="accept the reasons of studies that have results: they are not made again")
    words = f"with --accept: reasons of these kinds alone (of {', '.join(ACCEPTABLE)})"
    parser.add_argument("--kind", metavar="KIND[,KIND]", help=words)


def add_batch(parser: argparse.ArgumentParser) -> None:
    """Options of `batch`."""
    add_selection(parser)
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--workers", metavar="N", type=int, help="processes of this machine (default: by cores and memory)")
    who.add_argument("--scheduler", metavar="ADDRESS", help="a Dask scheduler, as tcp://host:8786; the studies spread over its workers")
    parser.add_argument("--shared-folder", action="store_true", help="with --scheduler: the workers see these folders under the same names")
    parser.add_argument("--compare", metavar="DIR", help="output folder of another run: what moved from there to here")


def add_changes(parser: argparse.ArgumentParser) -> None:
    """Options of `changes`."""
    words = "output folder of a batch, folder of one study, or a results.json"
    parser.add_argument("old", metavar="OLD", help=words)
    parser.add_argument("new", metavar="NEW", help="the same")
    parser.add_argument("--out", metavar="DIR", help="also write changes.html, changes.csv and changes.json there")


COMMANDS = {
    "batch": (
        "run a portfolio of homes",
        "Study every home of a portfolio that is not up to date, several at once, and leave one folder a study, a table of all "
        "(homes.csv, homes.parquet), the screening by connection and the summary. Interrupted, the same command goes on with the rest.",
        add_batch,
        OF_BATCH,
    ),
    "plan": (
        "say what a batch would run, and why",
        "List the studies that a batch would make, each with its reason in words. Nothing is run.",
        add_plan,
        OF_PLAN,
    ),
    "changes": (
        "say what moved between two runs",
        "Compare two runs of a portfolio, or two studies of one home: every verdict that moved, both sides of its check, and the causes.",
        add_changes,
        OF_CHANGES,
    ),
}
"""Commands: help, description, what adds the options, exit statuses."""
