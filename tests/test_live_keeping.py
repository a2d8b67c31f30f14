"""What is kept beside a site file and saved into it: whole or not at all, and never over what somebody else wrote."""

from __future__ import annotations

import hashlib
import os
import shutil
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.conftest import ROOT
from workbook_lib.errors import InputFault, MachineryFault
from workbook_lib.live import keeping
from workbook_lib.live.draft import Draft
from workbook_lib.live.keeping import Variant

BUNGALOW = ROOT / "example_inputs" / "sites" / "bungalow-100a.toml"
TEXT = '# head\n[site]\nid = "a" # one\n\n# the house\n[dwelling]\nfloor_area = "1600 ft^2" # two\n'


@pytest.fixture
def site(tmp_path):
    path = tmp_path / "home.toml"
    path.write_bytes(TEXT.encode())
    return path


def names(folder) -> set[str]:
    return {path.name for path in folder.rglob("*")}


# writing


@pytest.mark.parametrize("failing", ["os.replace", "os.fsync", "os.chmod"])
def test_what_fails_leaves_the_old_file_and_no_litter(site, monkeypatch, failing):
    def fails(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(f"workbook_lib.live.keeping.{failing}", fails)
    with pytest.raises(MachineryFault, match="home.toml cannot be written: No space left"):
        keeping.write(site, "other = 1\n")
    assert site.read_text() == TEXT
    assert names(site.parent) == {"home.toml"}


def test_an_interrupt_leaves_no_litter(site, monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("workbook_lib.live.keeping.os.replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        keeping.write(site, "other = 1\n")
    assert site.read_text() == TEXT
    assert names(site.parent) == {"home.toml"}


def test_a_folder_that_cannot_be_made_is_told(site):
    keeping.folder_of(site).write_text("a file stands where the folder would")
    with pytest.raises(MachineryFault):
        keeping.keep_working(site, TEXT, TEXT)


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o664])
def test_the_mode_of_a_file_stays(site, mode):
    site.chmod(mode)
    keeping.write(site, "x = 1\n")
    assert site.stat().st_mode & 0o777 == mode
    assert site.read_text() == "x = 1\n"
    keeping.write(site.with_name("new.toml"), "x = 2\n")
    assert site.with_name("new.toml").stat().st_mode & 0o777 == 0o644


def test_a_link_stays_a_link(site):
    link = site.with_name("link.toml")
    link.symlink_to(site.name)
    keeping.save(link, TEXT, TEXT + "# more\n")
    assert link.is_symlink()
    assert site.read_text() == TEXT + "# more\n"


# the working copy


def test_the_working_copy_says_on_what_it_was_entered(site):
    assert keeping.working(site) is None
    keeping.keep_working(site, "x = 1\n", TEXT)
    kept = keeping.working(site)
    assert kept.text == "x = 1\n"
    assert kept.of == hashlib.sha256(site.read_bytes()).hexdigest()
    keeping.keep_working(site, "x = 2\r\n", None)
    assert keeping.working(site) == keeping.Kept("x = 2\r\n", "")
    keeping.drop_working(site)
    keeping.drop_working(site)
    assert keeping.working(site) is None
    assert site.read_text() == TEXT


@pytest.mark.parametrize("data", [b"", b"\xff\xfe", b"x = \n", b"# entered on the file with SHA-256 ab\nx = ["])
def test_a_working_copy_that_is_broken_is_no_trouble(site, data):
    keeping.folder_of(site).mkdir()
    (keeping.folder_of(site) / keeping.WORKING).write_bytes(data)
    assert keeping.working(site) in (None, keeping.Kept("", ""))


# variants


VERDICTS = (("service_load", "fail", "106.07 A is more | than 100 A"), ("backfeed_and_tap", "not applicable", "nothing\nhere"))


def test_variants_are_held_with_their_verdicts_byte_for_byte(site):
    text = BUNGALOW.read_text(encoding="utf-8")
    keeping.hold(site, Variant("as found", text))
    keeping.hold(site, Variant("32 A charger", text.replace("48 A", "32 A").replace("\n", "\r\n"), VERDICTS))
    found = keeping.variants(site)
    assert [one.name for one in found] == ["32 A charger", "as found"]
    assert found[1].text == text
    assert found[1].verdicts == ()
    assert found[0].text == text.replace("48 A", "32 A").replace("\n", "\r\n")
    assert found[0].verdicts == (VERDICTS[0], ("backfeed_and_tap", "not applicable", "nothing here"))
    assert site.read_text() == TEXT


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30))
def test_any_text_of_a_file_comes_back(site, words):
    text = f"# {words}\nx = {Draft('x = 1').text.split()[-1]} # {words}\n"
    tomllib.loads(text)
    keeping.hold(site, Variant("v", text, VERDICTS), replace=True)
    assert keeping.variants(site)[0].text == text
    keeping.keep_working(site, text, TEXT)
    assert keeping.working(site).text == text


@pytest.mark.parametrize("name", ["", " a", "../a", "a/b", ".a", "a" * 41, "a.b", "-a", "a\n", "\N{GREEK SMALL LETTER ALPHA}"])
def test_a_name_that_is_no_file_name_is_refused(site, name):
    with pytest.raises(ValueError, match="cannot be used"):
        keeping.hold(site, Variant(name, TEXT))
    with pytest.raises(KeyError):
        keeping.let_go(site, name)
    assert names(site.parent) == {"home.toml"}


def test_a_name_that_is_taken_is_refused_and_what_is_held_stays(site):
    keeping.hold(site, Variant("One", TEXT))
    for name in ("One", "one"):
        with pytest.raises(ValueError, match="held already"):
            keeping.hold(site, Variant(name, "x = 1\n"))
    assert [one.text for one in keeping.variants(site)] == [TEXT]
    keeping.let_go(site, "One")
    with pytest.raises(KeyError):
        keeping.let_go(site, "One")
    assert keeping.variants(site) == ()


def test_a_variant_that_cannot_be_read_hides_no_other(site):
    keeping.hold(site, Variant("good", TEXT))
    (keeping.folder_of(site) / keeping.VARIANTS / "bad.toml").write_text("[")
    assert [one.name for one in keeping.variants(site)] == ["good"]


def test_what_differs_is_told_as_it_is_typed():
    before = 'a = "1 A"\n[[load]]\nid = "x"\nrating = { value = "1 kW", from = "nameplate" }\n[[load]]\nid = "y"\nrating = "5 kW"\n'
    now = before.replace('"1 kW", from = "nameplate"', '"2 kW"').replace('id = "y"\nrating = "5 kW"', 'id = "y"\nrating = "5000 W"')
    told = keeping.differs(tomllib.loads(before), tomllib.loads(now + 'voltage = "240 V"\n'))
    assert ("load.x.rating", "1 kW (nameplate)", "2 kW") in told
    assert ("load.y.voltage", "nothing", "240 V") in told
    assert len(told) == 2, "5 kW and 5000 W are the same"


# saving


def test_saving_writes_what_was_shown_and_gives_its_hash(site):
    now = TEXT.replace("1600", "1700")
    shown = keeping.difference(TEXT, now, "home.toml")
    assert '-floor_area = "1600 ft^2" # two' in shown.splitlines()
    assert '+floor_area = "1700 ft^2" # two' in shown.splitlines()
    assert sum(line[:1] in "+-" for line in shown.splitlines()[2:]) == 2
    assert keeping.save(site, TEXT, now) == hashlib.sha256(site.read_bytes()).hexdigest()
    assert site.read_text() == now
    assert names(site.parent) == {"home.toml"}
    assert keeping.difference(now, now, "home.toml") == ""


def test_a_file_that_changed_vanished_or_came_is_not_written(site):
    site.write_text(TEXT + "# by another\n")
    with pytest.raises(InputFault, match="changed on disk"):
        keeping.save(site, TEXT, TEXT.replace("1600", "1700"))
    assert site.read_text() == TEXT + "# by another\n"
    with pytest.raises(InputFault, match="is there already"):
        keeping.save(site, None, TEXT)
    assert site.read_text() == TEXT + "# by another\n"
    site.unlink()
    with pytest.raises(InputFault, match="no longer there"):
        keeping.save(site, TEXT, TEXT)
    assert not site.exists()
    assert names(site.parent) == set()
    keeping.save(site, None, TEXT)
    assert site.read_text() == TEXT


def test_a_file_that_is_no_text_any_more_is_not_written(site):
    site.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputFault, match="changed on disk"):
        keeping.save(site, TEXT, TEXT)
    assert site.read_bytes() == b"\xff\xfe\x00"


def test_a_text_with_a_comment_moved_is_not_written(site):
    moved = "# the house\n" + TEXT.replace("# the house\n", "")
    with pytest.raises(InputFault, match="would move"):
        keeping.save(site, TEXT, moved)
    assert site.read_text() == TEXT


def test_a_value_that_was_taken_out_and_entered_again_can_be_saved(site):
    text = (
        '[site]\nid = "a"\naddress = "4 Sedge #5"\nutility = "u"\nstate = "NM"\n[[load]]\nid = "x"\nkind = "range"\n[[panel]]\nid = "p"\n'
    )
    site.write_text(text)
    draft = Draft(text)
    draft.set("site.address", "")
    draft.set("site.utility", "v")
    draft.set("site.address", "4 Sedge #5")
    draft.remove("load.x")
    draft.add(("load",), {"id": "x", "kind": "range"})
    keeping.save(site, text, draft.text)
    assert tomllib.loads(site.read_text())["site"] == {"id": "a", "address": "4 Sedge #5", "utility": "v", "state": "NM"}


def test_line_ends_of_windows_are_saved_as_they_were(site):
    site.write_bytes(TEXT.replace("\n", "\r\n").encode())
    text = keeping.read(site)
    draft = Draft(text)
    draft.set("dwelling.floor_area", "1700 ft^2")
    draft.set("dwelling.status", "new")
    keeping.save(site, text, draft.text)
    data = site.read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n") == 8
    assert data.replace(b"\r\n", b"\n").decode() == TEXT.replace("1600", "1700") + 'status = "new"\n'


def test_a_mark_before_a_text_is_no_change_and_stays(site):
    site.write_bytes(b"\xef\xbb\xbf" + TEXT.encode())
    text = keeping.read(site)
    assert text == TEXT
    digest = keeping.save(site, text, TEXT.replace("1600", "1700"))
    assert site.read_bytes() == b"\xef\xbb\xbf" + TEXT.replace("1600", "1700").encode()
    assert digest == hashlib.sha256(site.read_bytes()).hexdigest()
    keeping.save(site, keeping.read(site), TEXT)


def test_what_cannot_be_read_is_a_fault(site):
    for data in (b"x = ", b"\xff", b"x = 1\x00"):
        site.write_bytes(data)
        with pytest.raises(InputFault):
            keeping.read(site)
    site.unlink()
    with pytest.raises(InputFault, match="cannot be read"):
        keeping.read(site)


@pytest.mark.parametrize("path", sorted(BUNGALOW.parent.glob("*.toml"))[::5], ids=lambda path: path.stem)
def test_an_example_is_saved_with_one_line_changed(path, tmp_path):
    site = tmp_path / path.name
    shutil.copy(path, site)
    text = keeping.read(site)
    draft = Draft(text)
    draft.set("site.revision", "Z")
    keeping.save(site, text, draft.text)
    old, new = path.read_text().splitlines(), site.read_text().splitlines()
    changed = [(one, other) for one, other in zip(old, new, strict=False) if one != other]
    assert len(old) == len(new) and len(changed) == 1 or len(new) == len(old) + 1
    assert os.listdir(tmp_path) == [path.name]
