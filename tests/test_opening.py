"""Opening a home: what is opened, which copies are made and kept, how the lab is started and ended; the lab itself is not started here."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys

import pytest

from tests.conftest import ROOT
from workbook_lib import __main__, notebook, notebook_tools, opening
from workbook_lib.errors import InputFault, MachineryFault
from workbook_lib.workbooks import REGISTRY

SITES = ROOT / "example_inputs" / "sites"


@pytest.fixture
def site(tmp_path):
    """A site file with what belongs to it, in a folder whose name has a blank."""
    folder = tmp_path / "my homes"
    shutil.copytree(SITES / "jurisdictions", folder / "jurisdictions")
    shutil.copyfile(SITES / "bungalow-100a.toml", folder / "my-home.toml")
    return folder / "my-home.toml"


def opened(site, said=None, workbook="service_load"):
    """A site file as it is opened, its notebooks copied."""
    lines = [] if said is None else said
    made = opening.target(site, workbook, lines.append)
    opening.copy_notebooks(made, lines.append)
    return made


def cells(path):
    """Code of a notebook."""
    return [cell.source for cell in notebook_tools.read(path).cells if cell.cell_type == "code"]


def write(path, change):
    """Change a notebook in its file."""
    made = notebook_tools.read(path)
    change(made)
    path.write_text(notebook_tools.text_of(made), encoding="utf-8")


# what is opened


def test_a_site_file_opens_in_its_folder_and_a_folder_in_its_start(site):
    made = opening.target(site, "backup_duration", pytest.fail)
    assert (made.root, made.live, made.first) == (site.parent, site.parent / "my-home.live", "backup_duration")
    assert made.address == "/lab/tree/my-home.live/backup_duration.ipynb"
    made = opening.target(site.parent, "service_load", pytest.fail)
    assert (made.root, made.live, made.first, made.site) == (site.parent, site.parent / "start.live", "start", None)
    assert opening.Opening(site.parent, site.parent / "a b#.live", "start").address == "/lab/tree/a%20b%23.live/start.ipynb"


def test_a_file_that_is_not_there_says_how_a_home_is_begun(site):
    with pytest.raises(InputFault, match="is not there") as caught:
        opening.target(site.with_name("new.toml"), "service_load", pytest.fail)
    assert "to begin a new home" in caught.value.faults[0].todo
    live = site.with_name("new.live")
    live.mkdir()
    (live / "working.toml").write_text("format = 1\n", encoding="utf-8")
    with pytest.raises(InputFault) as caught:
        opening.target(site.with_name("new.toml"), "service_load", pytest.fail)
    assert "half done" in caught.value.faults[0].todo


@pytest.mark.parametrize(
    "content,words", [("[site", "is not TOML"), ("[cost]\na = 1\n", "is no site file"), ('sites = ["*.toml"]\n', "is no site file")]
)
def test_what_is_no_site_file_does_not_open(site, content, words):
    other = site.with_name("other.toml")
    other.write_text(content, encoding="utf-8")
    with pytest.raises(InputFault, match=words):
        opening.target(other, "service_load", pytest.fail)


def test_a_site_file_with_faults_opens_with_their_number(site):
    site.write_text(site.read_text(encoding="utf-8").replace('"11 kW"', '"11 kilos"').replace('"5.5 kW"', '"5.5"'), encoding="utf-8")
    said = []
    assert opening.target(site, "service_load", said.append).site == site
    assert said == ["my-home.toml has 3 faults: it opens nevertheless, to be mended in its form"]


# copies


def test_every_notebook_is_copied_with_its_parameters_and_without_outputs(site):
    made = opened(site)
    assert {path.stem for path in made.live.glob("*.ipynb")} == {*REGISTRY, "start"}
    for name in REGISTRY:
        copy = notebook_tools.read(made.live / f"{name}.ipynb")
        expected = {"site_file": "../my-home.toml", "edition": None, "overrides": {}, "interactive": True, "case": "base"}
        assert notebook_tools.declared(copy) == expected
        assert not any(cell.get("outputs") or cell.get("execution_count") for cell in copy.cells)
        kept = notebook_tools.read(notebook.notebook_path(name))
        assert [cell.source for cell in copy.cells if "parameters" not in cell.metadata.get("tags", [])] == [
            cell.source for cell in kept.cells if "parameters" not in cell.metadata.get("tags", [])
        ]
    assert notebook_tools.declared(notebook_tools.read(made.live / "start.ipynb")) == {"folder": "..", "interactive": True}


def test_a_copy_runs_on_its_home(site, monkeypatch):
    made = opened(site)
    monkeypatch.chdir(made.live)
    given = notebook_tools.declared(notebook_tools.read(made.live / "service_load.ipynb"))
    assert notebook.open(given["site_file"], given["edition"], given["overrides"]).home.site.site.id == "bungalow-100a"


def test_a_folder_gets_the_start_alone(site):
    made = opened(site.parent)
    assert [path.name for path in sorted(made.live.glob("*.ipynb"))] == ["start.ipynb"]


def test_a_name_with_a_quote_is_written_as_it_is(site):
    odd = site.with_name('my "own" höme.toml')
    site.rename(odd)
    made = opened(odd)
    assert notebook_tools.declared(notebook_tools.read(made.live / "service_load.ipynb"))["site_file"] == '../my "own" höme.toml'


def test_a_changed_copy_is_kept_and_named_and_outputs_are_no_change(site):
    made, said = opened(site), []
    changed, ran = made.live / "service_load.ipynb", made.live / "backup_duration.ipynb"

    def own(notebook_):
        notebook_.cells[-1].source += "\n# mine"

    def run_(notebook_):
        code = next(cell for cell in notebook_.cells if cell.cell_type == "code")
        code.execution_count = 7

    write(changed, own)
    write(ran, run_)
    before = changed.read_bytes(), ran.read_bytes()
    opened(site, said)
    assert (changed.read_bytes(), ran.read_bytes()) == before
    assert said == ["service_load.ipynb in my-home.live was changed and kept; remove it to have a fresh copy"]
    changed.unlink()
    said.clear()
    opened(site, said)
    assert said == []
    assert not any("# mine" in source for source in cells(changed))


def test_a_copy_that_is_no_notebook_or_of_unknown_origin_is_kept(site):
    made, said = opened(site), []
    (made.live / "service_load.ipynb").write_text("{", encoding="utf-8")
    (made.live / opening.COPIED).write_text("[", encoding="utf-8")
    write(made.live / "backfeed_and_tap.ipynb", lambda notebook_: notebook_.cells.pop())
    opened(site, said)
    assert (made.live / "service_load.ipynb").read_text(encoding="utf-8") == "{"
    assert said == ["service_load.ipynb, backfeed_and_tap.ipynb in my-home.live were changed and kept; remove them to have a fresh copy"]


def test_an_old_copy_that_was_not_changed_is_made_anew(site, monkeypatch):
    with monkeypatch.context() as earlier:
        real = opening.copy_of

        def older(name, given):
            made = real(name, given)
            made.cells[0].source = "# An older title"
            return made

        earlier.setattr(opening, "copy_of", older)
        made = opened(site)
    said = []
    assert notebook_tools.read(made.live / "service_load.ipynb").cells[0].source == "# An older title"
    opened(site, said)
    assert said == []
    assert notebook_tools.read(made.live / "service_load.ipynb").cells[0].source == "# Service load"


def test_a_parameter_that_a_notebook_lacks_is_refused():
    with pytest.raises(MachineryFault, match="no parameter 'sight_file'"):
        opening.copy_of("service_load", {"sight_file": "a"})


# the lab


def test_the_line_starts_the_lab_of_this_interpreter_on_the_folder_alone(site):
    made = opening.target(site, "service_load", pytest.fail)
    line = opening.command(made)
    assert line[:3] == [sys.executable, "-m", "jupyterlab"]
    assert f"--ServerApp.root_dir={site.parent.resolve()}" in line
    assert "--LabApp.default_url=/lab/tree/my-home.live/service_load.ipynb" in line
    assert "--ServerApp.ip=127.0.0.1" in line
    assert not [word for word in line if "token" in word.lower() or "password" in word.lower() or "browser" in word]
    line = opening.command(made, browser=False, port=9001)
    assert {"--no-browser", "--ServerApp.port=9001"} <= set(line)


def test_the_kernel_is_this_interpreter_whatever_else_is_registered(tmp_path, monkeypatch):
    from jupyter_client.kernelspec import KernelSpecManager

    other = tmp_path / "kernels" / "python3"
    other.mkdir(parents=True)
    (other / "kernel.json").write_text(json.dumps({"argv": ["other"], "display_name": "x", "language": "python"}), encoding="utf-8")
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path))
    with opening.environment() as own:
        assert own["JUPYTER_PATH"].endswith(str(tmp_path))
        monkeypatch.setenv("JUPYTER_PATH", own["JUPYTER_PATH"])
        spec = KernelSpecManager().get_kernel_spec("python3")
        assert spec.argv[0] == sys.executable
        assert str(ROOT) in spec.env["PYTHONPATH"].split(os.pathsep)
        place = own["JUPYTER_PATH"].split(os.pathsep)[0]
        assert os.path.isdir(place)
    assert not os.path.exists(place)


ENDS_ITS_PARENT = """
import os, signal, sys
signal.signal(signal.SIGTERM, lambda *_: (print("ended", flush=True), os._exit(0)))
print("ready", flush=True)
os.kill(os.getppid(), signal.{name})
while True:
    signal.pause()
"""
RUNS = "import os, sys; from workbook_lib import opening; opening.run([sys.executable, '-c', sys.argv[1]], os.environ, '.'); print('after')"


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_the_lab_and_is_waited_for(name):
    line = [sys.executable, "-c", RUNS, ENDS_ITS_PARENT.format(name=name)]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert (done.stdout.split(), done.returncode, done.stderr) == (["ready", "ended", "after"], 0, "")


def test_a_lab_that_fails_is_a_fault_of_the_machinery(tmp_path):
    opening.run([sys.executable, "-c", "pass"], os.environ, tmp_path)
    with pytest.raises(MachineryFault, match="ended with status 4"):
        opening.run([sys.executable, "-c", "raise SystemExit(4)"], os.environ, tmp_path)


# the command


def test_the_command_opens_and_gives_its_exit_status(site, monkeypatch, capsys):
    lines = []
    monkeypatch.setattr(opening, "run", lambda line, given, folder: lines.append((line, given, folder)))
    assert __main__.main(["open", str(site), "--workbook", "ev_load_management", "--no-browser", "--port", "9002"]) == 0
    line, given, folder = lines[0]
    assert {"--no-browser", "--ServerApp.port=9002"} <= set(line)
    assert any(word.endswith("/my-home.live/ev_load_management.ipynb") for word in line)
    assert (folder, "JUPYTER_PATH" in given) == (site.parent, True)
    assert __main__.main(["open", str(site.with_name("new.toml"))]) == 2
    assert "to begin a new home" in capsys.readouterr().err
    site.write_text(site.read_text(encoding="utf-8").replace('"11 kW"', '"11 kilos"'), encoding="utf-8")
    assert __main__.main(["open", str(site)]) == 0
    assert "my-home.toml has 1 fault:" in capsys.readouterr().err
    assert len(lines) == 2
    monkeypatch.setattr(opening, "run", lambda *_: (_ for _ in ()).throw(MachineryFault("no lab")))
    assert __main__.main(["open", str(site)]) == 3


@pytest.mark.parametrize("given", [["--port", "0"], ["--port", "65536"], ["--port", "x"], ["--workbook", "none"]])
def test_an_option_that_cannot_be_used_is_refused(given, site):
    with pytest.raises(SystemExit) as caught:
        __main__.main(["open", str(site), *given])
    assert caught.value.code == 2
