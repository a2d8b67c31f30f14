"""The plan of a batch: every reason to make a study again, in words, and nothing for prose and layout.

The rules are our own (design: reasons in words with before and now); what a change of a file, of code or of an edition does to the
results is shown by the results themselves, made before and after.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.batch_tools import QUICK, RENDERED, RESULTS_ONLY, homes, left, run_here
from workbook_lib import run
from workbook_lib.batch import folder as folders
from workbook_lib.batch import plan, record
from workbook_lib.batch import program as programs
from workbook_lib.batch.folder import Output
from workbook_lib.errors import InputFault
from workbook_lib.home.portfolio import read_portfolio

HOME = "cascade-200a"
FLOOR, SMALLER = r'floor_area = { value = "1500 ft\^2"', 'floor_area = { value = "1400 ft^2"'


@pytest.fixture(scope="module")
def program() -> programs.Program:
    """The program as these tests begin, so that an edit meanwhile does not touch them."""
    return programs.this_program()


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory, program) -> Path:
    """A portfolio beside an output folder in which everything was made once."""
    top = tmp_path_factory.mktemp("once")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(programs, "this_program", lambda memory=None: program)
        outcome, names = run_here(homes(top), top / "out")
    assert len(names) == len(QUICK) == outcome.made_count
    return top


@pytest.fixture
def file(tmp_path: Path, once: Path, program, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The portfolio, a copy for each test."""
    monkeypatch.setattr(programs, "this_program", lambda memory=None: program)
    shutil.copytree(once, tmp_path / "copy")
    return tmp_path / "copy" / "portfolio.toml"


@pytest.fixture
def made(file: Path) -> Path:
    """The output folder beside it."""
    return file.parent / "out"


def planned(file: Path, out: Path, asked: plan.Asked = RESULTS_ONLY) -> dict[str, tuple[str, list[str]]]:
    """Action and reasons of each study, by site id."""
    found = plan.make(read_portfolio(file), Output(out), asked)
    return {item.entry.site_id: (item.action, [str(one) for one in item.reasons]) for item in found.items}


def edit(path: Path, pattern: str, text: str) -> None:
    """Change one place of a file."""
    before = path.read_text(encoding="utf-8")
    now, count = re.subn(pattern, text, before, count=1)
    assert count == 1, pattern
    path.write_text(now, encoding="utf-8")


def test_nothing_is_written_by_a_plan_and_everything_is_new(file, tmp_path):
    out = tmp_path / "new"
    assert set(planned(file, out)) == set(QUICK)
    assert all(found == ("run", ["new: no results yet"]) for found in planned(file, out).values())
    assert not out.exists()


def test_what_is_made_is_kept(file, made):
    before = left(made)
    assert all(found == ("keep", []) for found in planned(file, made).values())
    outcome, names = run_here(file, made)
    assert names == []
    assert outcome.said == ("nothing to do: the portfolio stands as it was made",)
    assert left(made) == before


def test_a_field_that_changed_is_named_with_before_and_now_and_prose_is_not(file, made):
    site = file.parent / "sites" / f"{HOME}.toml"
    with site.open("a", encoding="utf-8") as text:
        text.write("\n# a remark\n")
    assert planned(file, made)[HOME] == ("keep", [])
    with site.open("a", encoding="utf-8") as text:
        text.write("[backup]\n")
    words = "rows in another order, an empty table, or a value written otherwise"
    assert planned(file, made)[HOME] == ("run", [f"input: {HOME}.toml: {words}"]), "an empty table may turn a verdict"
    site.write_text(site.read_text(encoding="utf-8").replace("[backup]\n", ""), encoding="utf-8")
    edit(site, FLOOR, SMALLER)
    action, reasons = planned(file, made)[HOME]
    assert action == "run"
    assert reasons == [f"input: {HOME}.toml: dwelling.floor_area: 1500 ft^2 (measured) -> 1400 ft^2 (measured)"]
    assert [name for name, found in planned(file, made).items() if found[0] == "run"] == [HOME]


def test_a_jurisdiction_that_changed_is_named_for_each_home_that_uses_it(file, made):
    users = {name for name in QUICK if "jurisdiction" in (file.parent / "sites" / f"{name}.toml").read_text(encoding="utf-8")}
    assert users
    for path in (file.parent / "sites" / "jurisdictions").glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        if "[rule]" in text or "adoption" in text:
            edit(path, r'name = "([^"]*)"', r'name = "\1, second print"') if 'name = "' in text else None
    found = planned(file, made)
    touched = {name for name, (action, _) in found.items() if action == "run"}
    assert touched
    assert touched <= users
    assert all("second print" in found[name][1][0] for name in touched)


def test_a_file_that_was_looked_for_and_comes_to_stand_there_is_a_reason(file, made):
    site = file.parent / "sites"
    local = sorted(record.read(made / HOME / "base").sought)
    assert local, "the jurisdiction is looked for beside the site file first"
    (site / local[0]).write_bytes((site / "jurisdictions" / local[0]).read_bytes())
    assert planned(file, made)[HOME] == ("run", [f"input: {local[0]} is there now, it was not"])


def changed(monkeypatch: pytest.MonkeyPatch, change) -> None:
    """Let the program be another."""
    now = change(programs.this_program())
    monkeypatch.setattr(programs, "this_program", lambda memory=None: now)


def test_code_that_changed_names_its_module(file, made, monkeypatch):
    changed(monkeypatch, lambda one: replace(one, library={**one.library, "workbook_lib.rules.busbar": "other"}))
    assert set(map(str, planned(file, made).values())) == {"('run', ['code: module workbook_lib.rules.busbar changed'])"}


def test_a_value_of_an_edition_touches_its_homes_alone_where_there_are_no_pages(file, made, monkeypatch):
    editions = {name: json.loads((made / name / "base" / "results.json").read_text())["edition"] for name in QUICK}
    year = editions[HOME]

    def change(one):
        values = {**one.editions[year], "values: small_appliance_va": "1600 VA 220.52(A) confirmed"}
        return replace(one, editions={**one.editions, year: values})

    changed(monkeypatch, change)
    found = planned(file, made)
    assert {name for name, (action, _) in found.items() if action == "run"} == {name for name in QUICK if editions[name] == year}
    assert found[HOME][1][0].startswith(f"edition: edition {year}, values: small_appliance_va: ")
    assert found[HOME][1][0].endswith("-> 1600 VA 220.52(A) confirmed")


def test_libraries_and_notebooks(file, made, monkeypatch):
    other = {"numpy": "0.0.1"}
    changed(
        monkeypatch,
        lambda one: replace(one, environment={**one.environment, **other}, notebooks={**one.notebooks, "service_load": "other"}),
    )
    action, reasons = planned(file, made)[HOME]
    assert action == "run"
    assert re.fullmatch(r"environment: numpy: .* -> 0\.0\.1", reasons[0])
    assert len(reasons) == 1, "results alone rest on no notebook"


def test_code_is_compared_by_what_it_does():
    plain = "def f(x):\n    return x + 1\n"
    dressed = '"""Words."""\n\n\ndef f(x):  # a remark\n    """More words."""\n    return (\n        x + 1\n    )\n'
    assert programs.code_text(plain) == programs.code_text(dressed)
    assert programs.code_text(plain) != programs.code_text(plain.replace("1", "2"))


def test_each_difference_of_two_programs_is_said():
    now = programs.this_program()
    assert programs.differences(now, programs.from_bytes(now.to_bytes())) == ()
    before = replace(
        now,
        library={name: one for name, one in now.library.items() if name != "workbook_lib.rules.busbar"},
        editions={**now.editions, "2023": {**now.editions["2023"], "ampacity[6].cu_75": "64"}},
    )
    words = [str(one.words) for one in programs.differences(before, now)]
    assert words == ["module workbook_lib.rules.busbar is new", "edition 2023, ampacity[6].cu_75: 64 -> 65"]


def test_the_ampacities_that_an_edition_takes_over_are_its_own():
    """Table 310.16 is the same in four editions (residential code tables E3705.1 of 2018 and 2021): 6 AWG copper 65 A, 4/0 Al 180 A."""
    for year, places in programs.this_program().editions.items():
        assert (places["ampacity[6].cu_75"], places["ampacity[4/0].al_75"]) == ("65", "180"), year


@pytest.mark.parametrize(
    "content, words",
    [
        (b"{", "record: its record is corrupt"),
        (b"\x00\xff", "record: its record is corrupt"),
        (b"[]", "record: its record is corrupt"),
        (b'{"record": 99}', "record: its record is of version 99, this program reads 2"),
        (b'{"record": 2, "site_id": "x"}', "record: its record is corrupt"),
    ],
)
def test_a_record_that_cannot_be_used_means_again_with_that_reason(file, made, content, words):
    (made / HOME / "base" / "record.json").write_bytes(content)
    assert planned(file, made)[HOME] == ("run", [words])
    before = left(made)
    _, names = run_here(file, made)
    assert names == [f"{HOME}/base"]
    assert planned(file, made)[HOME] == ("keep", [])
    assert {name for name in before if left(made)[name] != before[name]} <= {
        f"{HOME}/base/record.json",
        "portfolio.json",
        "homes.csv",
        "homes.parquet",
    }


def test_results_that_were_changed_or_taken_away_are_made_again(file, made):
    target = made / HOME / "base" / "results.json"
    content = target.read_bytes()
    target.write_bytes(content.replace(b"pass", b"fail", 1))
    assert planned(file, made)[HOME] == ("run", ["record: results.json was changed by someone else"])
    target.unlink()
    assert planned(file, made)[HOME] == ("run", ["record: results.json is not there any more"])
    run_here(file, made)
    assert target.read_bytes() == content


def test_what_is_asked_for_besides(file, made):
    assert planned(file, made, replace(RESULTS_ONLY, again=True))[HOME] == ("run", ["asked: to be made again"])
    assert planned(file, made, RENDERED)[HOME] == ("run", ["asked: pages as well, there are results alone"])
    fewer = replace(RESULTS_ONLY, workbooks=("service_load",))
    assert planned(file, made, fewer)[HOME] == ("run", ["asked: fewer workbooks: service_load"])


def test_a_portfolio_that_changed(file, made):
    file.write_text(file.read_text(encoding="utf-8") + '[[case]]\nid = "base"\nedition = "2026"\n', encoding="utf-8")
    assert planned(file, made)[HOME] == ("run", ["input: edition: the file’s own -> 2026"])
    file.write_text('format = 1\nsites = ["sites/*.toml"]\n[[case]]\nid = "base"\nset = { "service.rating" = "150 A" }\n', encoding="utf-8")
    assert planned(file, made)[HOME] == ("run", ["input: service.rating (portfolio): nothing -> 150 A"])


def test_reasons_that_are_accepted_run_nothing_until_something_else_moves(file, made, monkeypatch):
    changed(monkeypatch, lambda one: replace(one, library={**one.library, "workbook_lib.rules.busbar": "other"}))
    with pytest.raises(ValueError, match="new cannot be accepted"):
        plan.accept(read_portfolio(file), Output(made), RESULTS_ONLY, ["new"])
    after = plan.accept(read_portfolio(file), Output(made), RESULTS_ONLY, ["edition"])
    assert after.counts()[plan.RUN] == len(QUICK), "another kind of reason is not accepted"
    after = plan.accept(read_portfolio(file), Output(made), RESULTS_ONLY)
    assert after.counts() == {plan.ACCEPT: len(QUICK)}
    _, names = run_here(file, made)
    assert names == []
    listed = json.loads((made / "portfolio.json").read_text())["studies"]
    assert all(row["accepted"] == ["code: module workbook_lib.rules.busbar changed"] for row in listed)
    edit(file.parent / "sites" / f"{HOME}.toml", FLOOR, SMALLER)
    found = planned(file, made)
    assert found[HOME][0] == "run"
    assert [name for name, one in found.items() if one[0] == "accepted"] == [name for name in sorted(QUICK) if name != HOME]


def test_a_fault_of_a_file_is_looked_at_again_and_the_sheets_before_it_are_kept(file, made):
    site = file.parent / "sites" / f"{HOME}.toml"
    sound = site.read_text(encoding="utf-8")
    edit(site, FLOOR, 'floor_area = { value = "many"')
    before = (made / HOME / "base" / "results.json").read_bytes()
    outcome, names = run_here(file, made)
    assert names == [f"{HOME}/base"]
    assert outcome.counts["input fault"] == 1
    assert outcome.status == 2
    assert (made / HOME / "base.previous" / "results.json").read_bytes() == before
    assert json.loads((made / HOME / "base" / "results.json").read_text())["state"] == run.INPUT_FAULT
    site.write_text(sound, encoding="utf-8")
    assert planned(file, made)[HOME] == ("run", ["fault: input fault last time; the files can be read now"])
    run_here(file, made)
    assert (made / HOME / "base" / "results.json").read_bytes() == before


def test_a_fault_that_stands_is_known_to_the_plan_and_not_tried_again(file, made):
    site = file.parent / "sites" / f"{HOME}.toml"
    edit(site, FLOOR, 'floor_area = { value = "many"')
    outcome, _ = run_here(file, made)
    assert (outcome.made_count, outcome.unmade_count) == (0, 1), "a study without a verdict is not made"
    before = left(made)
    found = plan.make(read_portfolio(file), Output(made), RESULTS_ONLY)
    assert found.counts() == {plan.STILL: 1, plan.KEEP: len(QUICK) - 1}
    assert found.faulty
    (told,) = [line for line in plan.said(found) if "still at fault" in line and "dwelling" in line]
    assert re.fullmatch(rf'  still at fault: .*{HOME}\.toml:\d+: dwelling\.floor_area: .*"many".* \({HOME}/base\)', told)
    outcome, names = run_here(file, made)
    assert names == []
    assert outcome.said == ("nothing to do: the portfolio stands as it was made",)
    assert (outcome.status, outcome.counts["input fault"]) == (2, 1)
    assert left(made) == before
    assert planned(file, made, replace(RESULTS_ONLY, workbooks=("service_load",)))[HOME][0] == plan.STILL, "no workbook read it"
    assert planned(file, made, replace(RESULTS_ONLY, again=True))[HOME][0] == plan.RUN
    edit(site, '"many"', '"more"')
    found = plan.make(read_portfolio(file), Output(made), RESULTS_ONLY)
    assert planned(file, made)[HOME] == ("run", ["fault: input fault last time, and another now"])
    assert found.faulty


def test_a_fault_behind_the_reading_stands_until_its_inputs_move(tmp_path):
    file = homes(tmp_path, ("bungalow-100a",))
    site, record = tmp_path / "sites" / "bungalow-100a.toml", tmp_path / "sites" / "broken.csv"
    text = re.sub("service_load_method = .*", 'service_load_method = "measured"', site.read_text(encoding="utf-8"))
    assert "measured" in text
    site.write_text(f'{text}\n[records]\nload = {{ file = "broken.csv", register = "delivered", power_factor = 1.0 }}\n', encoding="utf-8")
    record.write_text("nothing of a record\n", encoding="utf-8")
    run_here(file, tmp_path / "out")
    assert planned(file, tmp_path / "out")["bungalow-100a"][0] == plan.STILL
    record.write_text("nothing of a record either\n", encoding="utf-8")
    found = planned(file, tmp_path / "out")["bungalow-100a"]
    assert found == ("run", ["fault: input fault last time", "input: broken.csv changed"])


def rendered(made: Path) -> None:
    """Let the records say that the studies have pages."""
    for path in made.glob("*/base/record.json"):
        held = json.loads(path.read_bytes())
        path.write_text(json.dumps(held | {"asked": held["asked"] | {"rendered": True}}), encoding="utf-8")


def test_a_note_that_changed_makes_pages_again_that_print_it_and_no_results(file, made):
    site = file.parent / "sites" / f"{HOME}.toml"
    edit(
        site,
        r'bus = \{ value = "200 A", from = "nameplate", note = "photo 4"',
        'bus = { value = "200 A", from = "nameplate", note = "photo 4b"',
    )
    assert planned(file, made)[HOME] == ("keep", [])
    rendered(made)
    found = planned(file, made, RENDERED)
    assert found[HOME] == ("run", [f"input: {HOME}.toml: note of panel.main.bus: photo 4 -> photo 4b"])
    assert [name for name, (action, _) in found.items() if action == "run"] == [HOME]


def test_what_is_accepted_is_accepted_whether_or_not_pages_are_asked_for(file, made):
    rendered(made)
    other = next(name for name in QUICK if name != HOME)
    edit(file.parent / "sites" / f"{HOME}.toml", FLOOR, SMALLER)
    with pytest.raises(InputFault, match=rf"1 study has pages, and would be made again without; found {HOME}/base;"):
        run_here(file, made)
    plan.accept(read_portfolio(file), Output(made), RENDERED)
    assert planned(file, made, RENDERED)[HOME][0] == plan.ACCEPT
    assert planned(file, made)[HOME][0] == plan.ACCEPT
    (made / other / "base" / "record.json").unlink()
    _, names = run_here(file, made)
    assert names == [f"{other}/base"]


def test_studies_that_the_portfolio_does_not_have_any_more_are_named_and_left(file, made):
    (file.parent / "sites" / f"{HOME}.toml").unlink()
    found = plan.make(read_portfolio(file), Output(made), RESULTS_ONLY)
    assert found.gone == (f"{HOME}/base",)
    words = f"1 study in {made.as_posix()} is no longer in the portfolio ({HOME}/base): its folder is left as it is, and no table counts it"
    assert plan.gone_words(found, Output(made)) == [words]
    outcome, names = run_here(file, made)
    assert names == []
    assert words in outcome.said
    assert (made / HOME / "base" / "results.json").is_file()


def test_a_program_that_is_not_on_record_means_again(file, made):
    for path in (made / folders.OWN / folders.PROGRAMS).iterdir():
        path.write_text("{}", encoding="utf-8")
    assert planned(file, made)[HOME] == ("keep", []), "the program is the one that runs: nothing is compared"


def test_the_plan_in_words(file, made):
    edit(file.parent / "sites" / f"{HOME}.toml", FLOOR, SMALLER)
    words = plan.said(plan.make(read_portfolio(file), Output(made), RESULTS_ONLY))
    assert words[0] == f"{len(QUICK)} studies: 1 run, {len(QUICK) - 1} keep"
    assert words[1].endswith(f"({HOME}/base)")
