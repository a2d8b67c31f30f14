"""The seeded town: same bytes for the same seed, no home at fault unless asked for, and every family of checks with each verdict it has."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import town
from workbook_lib import editions, notebook, run
from workbook_lib.batch import rollup
from workbook_lib.errors import InputFault
from workbook_lib.home.portfolio import home_of, read_portfolio
from workbook_lib.sheet import Verdict

LIBRARY = Path(editions.__file__).resolve().parent.parent
WORKBOOKS = ("service_load", "backfeed_and_tap", "backup_duration", "ev_load_management")
"""The workbooks of a home."""
PASS, FAIL, JUDGEMENT, NEEDS_INPUT = (str(one) for one in (Verdict.PASS, Verdict.FAIL, Verdict.JUDGEMENT, Verdict.NEEDS_INPUT))


def files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def homes(file: Path, last: int | None = None) -> Iterator:
    """Every home of a portfolio as read, or the last ones of it. Errors: InputFault."""
    portfolio = read_portfolio(file)
    entries = sorted(portfolio.entries, key=lambda entry: entry.site_id)
    return (home_of(portfolio, entry) for entry in entries[-last if last else 0 :])


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    """A town of a hundred homes: its portfolio."""
    return town.build(tmp_path_factory.mktemp("town") / "small", 100, 7)


# bytes


@pytest.mark.parametrize("form", town.FORMS)
def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path, form):
    made = [files(town.build(tmp_path / name, 250, seed, 0.2, form, 7).parent) for name, seed in (("a", 3), ("b", 3), ("c", 4))]
    assert made[0] == made[1]
    assert made[0] != made[2]
    assert len(made[0]) > 100


def test_the_command_line_writes_the_same_town(tmp_path):
    options = ["--homes", "10", "--seed", "5", "--with-simulations", "0.2", "--form", "files", "--faults", "1"]
    command = [sys.executable, "-m", "tests.town", str(tmp_path / "a"), *options]
    done = subprocess.run(command, cwd=LIBRARY.parent, capture_output=True, text=True, check=True)
    assert Path(done.stdout.strip()) == tmp_path / "a" / "portfolio.toml"
    town.build(tmp_path / "b", 10, 5, 0.2, "files", 1)
    assert files(tmp_path / "a") == files(tmp_path / "b")


def test_what_cannot_be_built_is_said(tmp_path):
    (tmp_path / "mine.txt").write_text("kept")
    before = files(town.build(tmp_path, 10, 1).parent)
    with pytest.raises(FileExistsError, match=r"sites, portfolio\.csv already"):
        town.build(tmp_path, 10, 2)
    assert files(tmp_path) == before
    assert before["mine.txt"] == b"kept"
    with pytest.raises(ValueError, match="pictures"):
        town.build(tmp_path / "new", 10, 1, form="pictures")
    with pytest.raises(ValueError, match="share"):
        town.build(tmp_path / "new", 10, 1, 1.5)


# homes


def test_a_small_town_is_read_without_a_fault_and_has_all_that_it_names(small):
    assert [faults for _, faults, _ in run.validate([small])] == [()]
    read = list(homes(small))
    assert len({home.site.site.id for home in read}) == 100
    for home in read:
        assert home.lacking == (), home.site.site.id
        assert all((home.folder / name).resolve().is_relative_to(small.parent.resolve()) for name, _ in home.inputs)
        assert home.folder == small.parent / "sites"


def test_editions_connections_and_kinds_are_mixed(small):
    read = list(homes(small))
    assert {home.edition_year for home in read} == set(editions.YEARS)
    assert {home.edition_basis for home in read} == {"adopted", "what-if"}
    assert len({home.site.dwelling.floor_area.value for home in read if home.site.dwelling.floor_area is not None}) > 10
    ten = [one.design.name for one in town.homes_of(10, 1)]
    assert len(set(ten)) == 10, "a small town has each kind once"


@pytest.mark.parametrize("homes_count,share,costly", [(10, 0.1, 1), (100, 0.0, 0), (100, 0.25, 25), (1000, 0.1, 100)])
def test_so_many_homes_run_simulations(homes_count, share, costly):
    found = town.homes_of(homes_count, 2, share)
    assert len(found) == homes_count
    assert sum(one.design.costly for one in found) == costly


def test_varied_homes_differ_from_their_design_and_are_sound(tmp_path):
    """The homes beyond the designed ones, of which a small town has none."""
    found = town.homes_of(500, 11)
    varied = [one for one in found if len(one.cells) > 1]
    assert len(varied) > 300
    assert len({(one.design.name, tuple(sorted((path, cell.text) for path, cell in one.cells.items()))) for one in varied}) == len(varied)
    for home in homes(town.build(tmp_path / "town", 500, 11)):
        assert home.site.service.system is not None


def test_both_forms_say_the_same(tmp_path):
    """Verdicts of the last homes, which are varied, by the table and by site files of their own."""
    said = []
    for form in town.FORMS:
        last = homes(town.build(tmp_path / form, 220, 9, 0.0, form), 15)
        said.append({home.site.site.id: [(check.key, str(check.verdict)) for check in checks_of(home)] for home in last})
    assert len(said[0]) == 15
    assert said[0] == said[1]


@pytest.mark.parametrize("form", town.FORMS)
def test_homes_at_fault_stand_where_they_are_asked_for_and_spoil_no_other(tmp_path, form):
    portfolio = read_portfolio(town.build(tmp_path / "town", 12, 1, 0.0, form, faults=7))
    told = []
    for entry in portfolio.entries:
        try:
            home_of(portfolio, entry)
        except InputFault as error:
            told.append((error.faults[0].field, error.faults[0].what))
    assert (len(portfolio.entries), len(told)) == (19, 7)
    assert len(set(told)) == 6, "each kind once, then the first again"


# families of checks

OPEN = "beyond it a person decides: a judgement"
ASKS = "a question that the file answers or leaves open: needs input"
BEYOND = "a limit of the utility opens a study, it forbids nothing: a judgement"
NO_FAIL: dict[tuple[str, str], str] = {
    (
        "service_load",
        "continuous-load",
    ): "whether 125 % of the continuous load is carried into a calculated load (230.42) is argued: a judgement",
    ("service_load", "record-quality"): f"readings that contradict, are estimated or stand still; {OPEN}",
    ("service_load", "record-interval"): f"a slower record than 15 minutes (220.87) bounds the demand; {OPEN}",
    ("service_load", "record-seasonal"): ASKS,
    ("service_load", "record-legs"): f"a meter's total does not say how the legs share it; {OPEN}",
    ("service_load", "record-plausible"): f"bounds of our own (common practice); {OPEN}",
    ("backfeed_and_tap", "supply-side-place"): "the utility's consent, else the maker's instructions close it: judgement or needs input",
    ("backfeed_and_tap", "adapter-connection"): "it selects the rules; ahead of the meter the utility decides: a judgement",
    ("backfeed_and_tap", "adapter-approval"): "the utility's document is there, or is asked for: judgement or needs input",
    ("backfeed_and_tap", "local-evidence"): "a document is filed, or is asked for: needs input",
    ("backfeed_and_tap", "utility-source-power"): BEYOND,
    ("backfeed_and_tap", "utility-export"): BEYOND,
    ("backfeed_and_tap", "utility-motor-start"): BEYOND,
    ("backfeed_and_tap", "utility-voltage-dip"): BEYOND,
    ("backup_duration", "backup-running"): f"somebody, or a control, may keep loads apart (common practice); {OPEN}",
    ("backup_duration", "storage-listing"): f"no listing is stated (UL 9540), which does not say that there is none; {OPEN}",
    ("backup_duration", "record-coverage"): f"steps were filled from the same hour of the week; {OPEN}",
    ("backup_duration", "record-quality"): f"readings that stand still; {OPEN}",
    ("backup_duration", "record-occupied"): f"an empty house says less than a full one; {OPEN}",
    ("backup_duration", "weather-clock"): f"sun below the horizon: clock, stamps or place are suspect; {OPEN}",
    ("ev_load_management", "control-malfunction"): f"750.30(C)(2) read strictly or by its purpose; {OPEN}",
    ("ev_load_management", "control-record"): f"open lines belong to the permit set and not to the numbers; {OPEN}",
    ("ev_load_management", "service-peak"): f"the calculation is the test of the code, a record says more than it; {OPEN}",
    ("ev_load_management", "record-coverage"): f"steps were filled from the same hour of the week; {OPEN}",
    ("ev_load_management", "record-quality"): f"readings that stand still; {OPEN}",
    ("ev_load_management", "weather-clock"): f"sun below the horizon: clock, stamps or place are suspect; {OPEN}",
    **{(workbook, "field-verified"): f"told and not seen on the equipment (common practice); {OPEN}" for workbook in WORKBOOKS},
    **{(workbook, "edition-adopted"): f"a what-if, or no adoption on file (90.4); {OPEN}" for workbook in WORKBOOKS},
}
"""Families that pass and cannot fail, each with the reason and the verdict that stands instead."""
NEITHER: dict[tuple[str, str], str] = {
    ("service_load", "record-power-factor"): "it stands where a letter in kilowatts gives no power factor and 1.0 is taken: a judgement",
    ("service_load", "service-main"): "it stands where a device is rated above the service, so that one rating is wrong: a judgement",
    ("service_load", "record-readable"): "it stands where the record cannot be read: needs input",
    ("backfeed_and_tap", "source-current"): "it stands where the output of a source is not given: needs input",
    ("backfeed_and_tap", "bus-feed-through"): "its wording is disputed, it never passes a bus by itself (705.12(B)): a judgement",
    ("backup_duration", "record-generation"): "it stands where an array may have run beside the record: a judgement",
}
"""Families that neither pass nor fail, each with the reason and the verdict that they have."""
INNER = {"backup-controlled": "it stands on the sheet as backup-capacity, never under its own name"}
MAKERS = {"Check": 0, "compare": 0, "needs_input": 0, "missing_check": 0, "guarded": 0, "_shown": 0, "_within": 1}
"""What makes a check, and which argument is its key."""


def family(key: str) -> str:
    return key.partition(":")[0]


def checks_of(home) -> list:
    """Every check of a home on every sheet."""
    return [check for workbook in WORKBOOKS for check in notebook.sheet_of(home, workbook).checks]


def _lead(node: ast.expr) -> str:
    """The family that a text or the beginning of one names; empty where it is no key of a check."""
    open_ = isinstance(node, ast.JoinedStr)
    first = node.values[0] if open_ and node.values else node
    if not isinstance(first, ast.Constant) or not isinstance(first.value, str):
        return ""
    name, colon, _ = first.value.partition(":")
    return name if re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name) and (colon or not open_) else ""


def _keys(tree: ast.Module) -> Iterator[str]:
    """Families that a module names as keys: first arguments of what makes checks, and what is called key."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            place = MAKERS.get(getattr(node.func, "id", getattr(node.func, "attr", "")), 99)
            yield from (_lead(one) for one in node.args[place : place + 1])
        elif isinstance(node, ast.Assign):
            for target in node.targets:
                pair = isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
                sides = zip(target.elts, node.value.elts, strict=False) if pair else [(target, node.value)]
                yield from (_lead(value) for name, value in sides if re.fullmatch(r"key|\w+_key", getattr(name, "id", "")))


def families_in_the_code() -> set[str]:
    """Every family that the modules of the workbooks of a home and their rules name."""
    paths = [path for room in ("workbooks", "rules") for path in (LIBRARY / room).glob("*.py") if not path.stem.startswith("portfolio")]
    return {key for path in paths for key in _keys(ast.parse(path.read_text(encoding="utf-8"))) if key} - set(INNER)


def test_the_keys_of_checks_are_found_in_the_code():
    text = 'key, asked = f"bus:{name}", "?"\nwork.guarded("tap-size", "?")\nsize_key = "tap-length:x"\n'
    text += 'compare(f"{a}:b", "?")\nother = "not-one"\n'
    assert {key for key in _keys(ast.parse(text)) if key} == {"bus", "tap-size", "tap-length"}
    assert {"service-capacity", "bus-120", "storage-unit", "control-holds", "record-legs"} <= families_in_the_code()


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> tuple[dict[tuple[str, str], Counter], set[tuple[str, str]]]:
    """How often each family of each workbook has each verdict in a town with every designed home that tests need; those that count."""
    found: dict[tuple[str, str], Counter] = defaultdict(Counter)
    counted = set()
    count, share = 150, 0.087
    taken = {one.design.name for one in town.homes_of(count, 1, share)}
    assert taken >= {one.name for one in town.designs() if not one.costly}, "a larger town is wanted"
    for home in homes(town.build(tmp_path_factory.mktemp("town") / "whole", count, 1, share)):
        for workbook in WORKBOOKS:
            for check in notebook.sheet_of(home, workbook).checks:
                found[workbook, family(check.key)][str(check.verdict)] += 1
                if check.counts:
                    counted.add((workbook, family(check.key)))
    return found, counted


@pytest.fixture
def verdicts(whole) -> dict[tuple[str, str], Counter]:
    """How often each family of each workbook has each verdict."""
    return whole[0]


def test_every_check_that_counts_has_its_column_in_the_roll_up(whole):
    names = {column.name for column in rollup.columns()}
    assert [key for key in sorted(whole[1]) if ".".join(key) not in names] == []


def test_every_family_of_checks_occurs(verdicts):
    """Each that a sheet puts in its order, each that its modules name; and none that the scan of the code misses."""
    ordered = {(name, one) for name in WORKBOOKS for one in importlib.import_module(f"workbook_lib.workbooks.{name}").FORM.order}
    assert ordered - set(verdicts) == set()
    assert families_in_the_code() == {name for _, name in verdicts}


def test_every_family_passes_and_fails_or_says_why_not(verdicts):
    wrong = []
    for key, counts in verdicts.items():
        impossible = {PASS, FAIL} if key in NEITHER else {FAIL} if key in NO_FAIL else set()
        wanted = {PASS, FAIL} - impossible
        wrong += [f"{key} has no {verdict}: {dict(counts)}" for verdict in wanted if not counts[verdict]]
        wrong += [f"{key} has a {verdict}, against the list" for verdict in impossible if counts[verdict]]
        reason = NEITHER.get(key, NO_FAIL.get(key, ""))
        instead = [verdict for verdict in (JUDGEMENT, NEEDS_INPUT) if verdict in reason]
        wrong += [f"{key} has no {verdict}, which stands instead" for verdict in instead if not counts[verdict]]
        assert bool(instead) == bool(impossible), key
    assert not wrong, "\n".join(wrong)
    assert set(NO_FAIL) | set(NEITHER) <= set(verdicts), "the lists name families that there are"
