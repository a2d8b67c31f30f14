"""The command line: exit statuses, one fault a line, no traceback, quiet in a pipe, quick help."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from tests.conftest import ROOT
from workbook_lib import __main__, notebook, run
from workbook_lib.errors import CalculationFault, MachineryFault

SITES = ROOT / "example_inputs" / "sites"
PASSES, FAILS, OPEN, JUDGED = (
    SITES / f"{name}.toml" for name in ("all-electric-200a", "bungalow-100a", "unfinished-survey-200a", "cottage-what-if-2026")
)
HEAVY = (
    "pydantic",
    "pint",
    "pandas",
    "numpy",
    "matplotlib",
    "papermill",
    "nbconvert",
    "nbformat",
    "nbclient",
    "IPython",
    "workbook_lib.run",
)


def study(*words: object) -> int:
    """Run the study command in this process, results only. Returns: exit status."""
    return __main__.main(["study", *map(str, words), "--results-only"])


def command(*words: object, **settings: object) -> subprocess.CompletedProcess:
    """Run the program as a person does."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-m", "workbook_lib", *map(str, words)], capture_output=True, text=True, env=environment, timeout=120, **settings
    )


@pytest.fixture
def bad(tmp_path):
    """A copy of a home with three faults of its own."""
    text = PASSES.read_text(encoding="utf-8")
    text = text.replace('id = "all-electric-200a"', 'id = "all-electric-200a"\nadress = "1 Rue"\npostcodes = 3', 1)
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("site,status,word", [(PASSES, 0, "pass"), (FAILS, 1, "fail"), (OPEN, 1, "needs input"), (JUDGED, 1, "judgement")])
def test_status_0_or_1_says_the_verdict_and_where_it_stands(site, status, word, tmp_path, capsys):
    assert study(site, "--out", tmp_path / "out") == status
    said = capsys.readouterr()
    assert said.out.splitlines()[0].startswith(f"service_load: {word}; ")
    assert said.out.splitlines()[-1] == str(tmp_path / "out" / "results.json")
    assert said.err == ""


def test_a_what_if_is_said_on_the_terminal(tmp_path, capsys):
    study(PASSES, "--out", tmp_path / "out", "--edition", "2017")
    assert "WHAT-IF, not the adopted edition" in capsys.readouterr().out


def test_status_2_lists_every_fault_on_a_line_of_its_own(bad, tmp_path, capsys):
    assert study(bad, "--out", tmp_path / "out") == 2
    said = capsys.readouterr()
    lines = said.err.splitlines()
    assert said.out == ""
    assert len(lines) >= 3
    assert all(line.count("bad.toml") >= 1 for line in lines)
    assert any("address" in line for line in lines if "adress" in line)
    assert "Traceback" not in said.err


@pytest.mark.parametrize("words", [["no-such-file.toml"], [str(ROOT)], [str(ROOT / "LICENSE")], [str(PASSES), "--edition", "2018"]])
def test_status_2_for_what_cannot_be_read_as_a_site_or_an_edition(words, tmp_path, capsys):
    assert study(*words, "--out", tmp_path / "out") == 2
    said = capsys.readouterr()
    assert len(said.err.splitlines()) == 1
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    "error,words",
    [
        (CalculationFault("no row", where="220.55"), "calculation fault: 220.55: no row"),
        (MachineryFault("no kernel"), "machinery fault: no kernel"),
    ],
)
def test_status_3_for_faults_that_are_not_the_files(error, words, tmp_path, capsys, monkeypatch):
    def broken(*_):
        raise error

    monkeypatch.setattr(notebook, "sheet_of", broken)
    assert study(PASSES, "--out", tmp_path / "out") == 3
    assert capsys.readouterr().err == words + "\n"


def test_status_3_without_a_browser_for_pdf(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("WORKBOOK_BROWSER", "no-such-browser")
    assert __main__.main(["study", str(PASSES), "--out", str(tmp_path / "out"), "--pdf"]) == 3
    assert "machinery fault: no browser to print with" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_status_3_where_the_folder_cannot_be_written(tmp_path, capsys):
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert study(PASSES, "--out", tmp_path / "file" / "out") == 3
    said = capsys.readouterr().err
    assert said.startswith("machinery fault: ")
    assert len(said.splitlines()) == 1


def test_an_unexpected_error_is_one_line_and_debug_shows_where(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(run, "study", lambda *_: 1 / 0)
    assert study(PASSES, "--out", tmp_path / "out") == 3
    assert capsys.readouterr().err == "unexpected error: ZeroDivisionError: division by zero (--debug shows where)\n"
    with pytest.raises(ZeroDivisionError):
        study(PASSES, "--out", tmp_path / "out", "--debug")


def test_an_interrupt_is_one_line(tmp_path, capsys, monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(run, "study", stopped)
    assert study(PASSES, "--out", tmp_path / "out") == 3
    assert capsys.readouterr().err == "stopped; nothing was written\n"


@pytest.mark.parametrize("words", [["--only", "service_lod"], ["--pdf"]])
def test_a_wrong_option_is_said_before_anything_is_read(words, tmp_path, capsys):
    with pytest.raises(SystemExit) as stop:
        study("no-such-file.toml", *words)
    assert stop.value.code == 2
    assert "Traceback" not in capsys.readouterr().err


def test_validate_says_of_each_file_that_it_is_sound_or_lists_its_faults(bad, capsys):
    assert __main__.main(["validate", str(PASSES), str(SITES / "jurisdictions" / "tansy-hollow.toml")]) == 0
    said = capsys.readouterr()
    assert said.out.count(": no fault\n") == 2
    assert said.err == ""
    assert __main__.main(["validate", str(PASSES), str(bad), "no-such-file.toml"]) == 2
    said = capsys.readouterr()
    assert said.out == f"{PASSES}: no fault\n"
    assert sum("bad.toml" in line for line in said.err.splitlines()) >= 2
    assert sum("no-such-file.toml" in line for line in said.err.splitlines()) == 1


def test_validate_as_a_program_ends_with_its_status_and_no_traceback(bad):
    ran = command("validate", bad)
    assert ran.returncode == 2
    assert "Traceback" not in ran.stderr
    assert command("validate", PASSES).returncode == 0


def test_every_example_file_is_sound(capsys):
    files = sorted(map(str, SITES.rglob("*.toml")))
    assert __main__.main(["validate", *files]) == 0
    assert capsys.readouterr().out.count("no fault") == len(files)


def test_progress_is_shown_on_a_terminal_and_not_in_a_pipe(tmp_path, capsys, monkeypatch):
    study(PASSES, "--out", tmp_path / "out")
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    study(PASSES, "--out", tmp_path / "out")
    assert capsys.readouterr().err.splitlines() == ["reading all-electric-200a.toml", f"written to {tmp_path / 'out'}"]


def test_a_whole_study_is_quiet_in_a_pipe(tmp_path):
    ran = command("study", PASSES, "--out", tmp_path / "out")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.splitlines()[-1] == str(tmp_path / "out" / "index.html")


def test_without_out_a_study_goes_to_studies_and_the_site_id(tmp_path):
    ran = command("study", PASSES, "--results-only", cwd=tmp_path)
    assert ran.returncode == 0
    filed = json.loads((tmp_path / "studies" / "all-electric-200a" / "results.json").read_text(encoding="utf-8"))
    assert filed["site_id"] == "all-electric-200a"


@pytest.mark.parametrize("words", [["--help"], ["study", "--help"], ["validate", "--help"]])
def test_help_loads_nothing_heavy_and_names_the_statuses(words):
    code = (
        "import sys, workbook_lib.__main__ as program\n"
        f"try:\n    program.main({words!r})\nexcept SystemExit as stop:\n    assert stop.code == 0\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert ran.stderr.strip() == "[]"
    assert "usage:" in ran.stdout
    assert "validate" in words or "Exit status: 0" in ran.stdout
