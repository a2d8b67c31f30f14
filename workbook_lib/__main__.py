"""The command line: study a home, work on one, run a portfolio, say what would run and what moved, validate files."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

DEBUG_VARIABLE = "WORKBOOK_DEBUG"


def parser() -> argparse.ArgumentParser:
    """The commands with their options."""
    from workbook_lib.batch import options

    of_study = f"Exit status: {options.OF_STUDIES}."
    whole = argparse.ArgumentParser(
        prog="dwelling-service",
        description="Engineering workbooks for the meter-side connection of solar, storage and EV charging to a dwelling.",
        epilog=f"{of_study} This is study's; batch gives the highest of its studies; the others say theirs: COMMAND --help.",
    )
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument(
        "--debug", action="store_true", help=f"show where an unexpected error arose (also by the variable {DEBUG_VARIABLE})"
    )
    commands = whole.add_subparsers(dest="command", required=True, metavar="COMMAND")
    study = commands.add_parser(
        "study",
        parents=[shared],
        help="calculate the sheets of one home",
        description="Read a site file, run the workbooks, and leave a folder with one page a workbook, an index, "
        "the executed notebooks, results.json and a copy of the inputs.",
        epilog=of_study,
    )
    study.add_argument("site", metavar="SITE", help="site file of the home (TOML)")
    study.add_argument("--only", metavar="NAME[,NAME]", help="workbooks to run, by name (default: all)")
    study.add_argument("--edition", metavar="YEAR", help="code edition in place of the adopted one; the sheets then say what-if")
    study.add_argument("--out", metavar="DIR", help="folder to write; a study that is there is replaced (default: studies/SITE_ID)")
    study.add_argument("--results-only", action="store_true", help="write results.json alone, without running notebooks")
    study.add_argument("--pdf", action="store_true", help="print each page to PDF as well, through an installed Chromium-family browser")
    check = commands.add_parser(
        "validate",
        parents=[shared],
        help="check files without calculating",
        description="Read site, jurisdiction, utility and portfolio files, with the records that they name, "
        "and list every fault, one a line.",
        epilog="Exit status: 0 no fault; 2 a file is at fault; 3 the machinery failed.",
    )
    check.add_argument("files", nargs="+", metavar="FILE", help="file to check")
    _open_command(commands, shared)
    _portfolio_commands(commands, shared)
    return whole


def _open_command(commands, shared: argparse.ArgumentParser) -> None:
    from workbook_lib.workbooks import REGISTRY

    opened = commands.add_parser(
        "open",
        parents=[shared],
        help="work on one home in JupyterLab",
        description="Copy the notebooks of a home into the folder NAME.live beside its site file and start JupyterLab on them, or list the "
        "homes of a folder in the start notebook, which also begins a new home. Copies that were changed are kept. Ctrl-C ends it.",
        epilog="Exit status: 0 JupyterLab was ended; 2 there is nothing to open (no such file, no TOML, no site file); 3 the machinery "
        "failed. A site file with other faults opens, to be mended in its form.",
    )
    opened.add_argument("site", metavar="SITE", help="site file of the home (TOML), or a folder with site files")
    names = ", ".join(REGISTRY)
    opened.add_argument(
        "--workbook", metavar="NAME", choices=tuple(REGISTRY), default="service_load", help=f"notebook to show first: {names}"
    )
    opened.add_argument("--no-browser", action="store_true", help="open no browser; the address to open is printed")
    opened.add_argument("--copies-only", action="store_true", help="copy the notebooks and start nothing")
    opened.add_argument("--port", metavar="N", type=_port, help="port of the server (default: 8888, or the next that is free)")


def _portfolio_commands(commands, shared: argparse.ArgumentParser) -> None:
    from workbook_lib.batch import options

    for name, (words, description, add, statuses) in options.COMMANDS.items():
        add(commands.add_parser(name, parents=[shared], help=words, description=description, epilog=statuses))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Returns: exit status."""
    whole = parser()
    given = whole.parse_args(arguments)
    debug = given.debug or bool(os.environ.get(DEBUG_VARIABLE))
    from workbook_lib.errors import WorkbookError

    try:
        if given.command == "open":
            return _open(given)
        if given.command in ("study", "validate"):
            return _study(whole, given) if given.command == "study" else _validate(given)
        from workbook_lib.batch import command

        return command.COMMANDS[given.command](whole, given)
    except WorkbookError as error:
        return _report(error)
    except KeyboardInterrupt:
        print("stopped; nothing was written", file=sys.stderr)
        return 3
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 3
    except OSError as error:
        if debug:
            raise
        where = f"{error.filename}: " if error.filename else ""
        print(f"machinery fault: {where}{error.strerror or error}", file=sys.stderr)
        return 3
    except Exception as error:
        if debug:
            raise
        print(f"unexpected error: {type(error).__name__}: {error} (--debug shows where)", file=sys.stderr)
        return 3


def _report(error: Exception) -> int:
    """Faults one a line on the error stream. Returns: exit status."""
    from workbook_lib.errors import CalculationFault, InputFault

    if isinstance(error, InputFault):
        for fault in error.faults:
            print(fault, file=sys.stderr)
        return 2
    kind = "calculation fault" if isinstance(error, CalculationFault) else "machinery fault"
    print(f"{kind}: {error}", file=sys.stderr)
    return 3


def _study(whole: argparse.ArgumentParser, given: argparse.Namespace) -> int:
    from workbook_lib import run

    only = [name.strip() for name in given.only.split(",") if name.strip()] if given.only else None
    if given.results_only and given.pdf:
        whole.error("--pdf prints pages, and --results-only makes none; leave one out")
    try:
        run.chosen_workbooks(only)
    except ValueError as error:
        whole.error(str(error))
    progress = _line if sys.stderr.isatty() else run.quiet
    made = run.study(given.site, only, given.edition, given.out, given.results_only, given.pdf, progress)
    for sheet in made.sheets:
        print(_said(sheet))
    print(made.folder / (run.RESULTS if given.results_only else run.INDEX))
    return made.status


def _said(sheet) -> str:
    from workbook_lib.render import content

    decider = sheet.controlling
    what_if = "WHAT-IF, not the adopted edition; " if sheet.header.edition_basis == "what-if" else ""
    return f"{sheet.workbook}: {sheet.verdict}; {what_if}{content.bare_sentence(sheet, decider) if decider else 'no check applies'}"


def _line(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and 0 < int(text) < 65536:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is no port; accepted: 1 to 65535")


def _open(given: argparse.Namespace) -> int:
    from workbook_lib import opening

    if given.copies_only:
        print(opening.copies_of(given.site, given.workbook, _line))
    else:
        opening.open_site(given.site, given.workbook, _line, browser=not given.no_browser, port=given.port)
    return 0


def _validate(given: argparse.Namespace) -> int:
    from workbook_lib import run

    status = 0
    for path, faults, remarks in run.validate(given.files):
        if faults:
            status = 2
            print(*faults, sep="\n", file=sys.stderr)
        else:
            print(f"{path}: no fault")
        for remark in remarks:
            print(f"remark: {remark}")
    return status


if __name__ == "__main__":
    sys.exit(main())
