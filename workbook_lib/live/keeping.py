"""What is kept beside a site file: the working copy, variants with their names, and saving into the file itself.

Everything lies in `NAME.live/` beside `NAME.toml`: `working.toml` is the draft as entered so far, `variants/NAME.toml` what was held. A
file is written whole beside its place and then put there, so that none is ever half written. The site file is written only by `save`, and
only where it still holds what was read.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.errors import Fault, InputFault, MachineryFault
from workbook_lib.home.difference import Held, differences, leaves
from workbook_lib.home.raw import parse_toml
from workbook_lib.live.fields import shown

FOLDER, WORKING, VARIANTS = ".live", "working.toml", "variants"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,39}")
NAME_RULE = "a letter or digit, then up to 39 letters, digits, spaces, - or _"
BASE, NOW = "the file as it is", "what is entered now"
"""Names of what stands beside the variants; none of them is called so."""
BOM = "\ufeff"
"""What some editors put before a text."""
_QUOTED = re.compile(r"""'[^']*'|"(?:[^"\\]|\\.)*\"""")
PASSED_MARK = "# passed over: "
NOTE_MARK, OF_MARK = "# held: ", "# entered on the file with SHA-256 "


def folder_of(site: Path) -> Path:
    """Folder of the live study of a site file. Parameters: site file. Returns: path, there or not."""
    return site.with_name(site.stem + FOLDER)


def write(path: Path, text: str) -> None:
    """Put a text in a file, whole or not at all. Parameters: path, text. Errors: MachineryFault."""
    try:
        path = path.resolve() if path.is_symlink() else path
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode())
                file.flush()
                os.fsync(file.fileno())
            if path.exists():
                os.chmod(name, path.stat().st_mode & 0o777)
            else:
                os.chmod(name, 0o644)
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise MachineryFault(f"{path.name} cannot be written: {error.strerror or error}") from None


def read(path: Path) -> str:
    """The text of a TOML file, its line ends as they are, a mark before it left out.

    Parameters: path. Returns: text. Errors: InputFault where it cannot be read or is no TOML.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        todo = "check the path"
        raise InputFault([Fault(path.as_posix(), "", "cannot be read", error.strerror or "", "a file that can be read", todo)]) from None
    tables, fault, text = parse_toml(path.as_posix(), data)
    if tables is None or fault is not None:
        raise InputFault([fault])
    return text


# the working copy


@dataclass(frozen=True, slots=True)
class Kept:
    """A draft that was kept: its text, the hash of the file that it was entered on (empty for none), steps of a visit that were passed."""

    text: str
    of: str
    passed: tuple[str, ...] = ()


def hash_of(text: str | None) -> str:
    """SHA-256 of a text, empty for none. Parameters: text."""
    return "" if text is None else hashlib.sha256(text.encode()).hexdigest()


def keep_working(site: Path, text: str, base: str | None, passed: Iterable[str] = ()) -> None:
    """Keep the draft as entered so far.

    Parameters: site file, text, what the file says (None: it is not there), steps of a visit that were passed. Errors: MachineryFault.
    """
    over = f"{PASSED_MARK}{', '.join(sorted(passed))}\n" if passed else ""
    write(folder_of(site) / WORKING, f"{OF_MARK}{hash_of(base)}\n{over}{text}")


def working(site: Path) -> Kept | None:
    """The draft that was kept; None where there is none or it cannot be read. Parameters: site file."""
    try:
        text = read(folder_of(site) / WORKING)
    except InputFault:
        return None
    found = {OF_MARK: "", PASSED_MARK: ""}
    for mark in found:
        if text.startswith(mark):
            line, _, text = text.partition("\n")
            found[mark] = line[len(mark) :].strip()
    return Kept(text, found[OF_MARK], tuple(part for part in found[PASSED_MARK].split(", ") if part))


def drop_working(site: Path) -> None:
    """Forget the kept draft, once it is saved. Parameters: site file."""
    (folder_of(site) / WORKING).unlink(missing_ok=True)


# variants


@dataclass(frozen=True, slots=True)
class Variant:
    """A draft that was held under a name, with the verdicts that it had: workbook -> verdict with its sentence."""

    name: str
    text: str
    verdicts: tuple[tuple[str, str, str], ...] = ()


def hold(site: Path, variant: Variant, *, replace: bool = False) -> Path:
    """Hold a variant under its name. Parameters: site file, variant, whether one of this name may be replaced. Returns: its file.

    Errors: ValueError for a name that cannot be used or is taken, MachineryFault.
    """
    if not NAME.fullmatch(variant.name):
        raise ValueError(f"the name {variant.name!r} cannot be used; accepted: {NAME_RULE}")
    if variant.name.lower() in (BASE, NOW):
        raise ValueError(f"{variant.name!r} is what stands beside the variants; choose another name")
    path = folder_of(site) / VARIANTS / f"{variant.name}.toml"
    if not replace and is_held(site, variant.name):
        raise ValueError(f"a variant {variant.name!r} is held already; choose another name")
    head = "".join(
        f"{NOTE_MARK}{workbook} | {verdict} | {' '.join(sentence.split())}\n" for workbook, verdict, sentence in variant.verdicts
    )
    write(path, head + variant.text)
    return path


def is_held(site: Path, name: str) -> bool:
    """Whether a variant of this name is held, capital letters or not. Parameters: site file, name."""
    return any(one.stem.lower() == name.lower() for one in (folder_of(site) / VARIANTS).glob("*.toml"))


def variants(site: Path) -> tuple[Variant, ...]:
    """The variants that are held, by name. Parameters: site file. Returns: variants; a file that cannot be read is left out."""
    found = []
    for path in sorted((folder_of(site) / VARIANTS).glob("*.toml")):
        try:
            text = read(path)
        except InputFault:
            continue
        lines = text.splitlines(keepends=True)
        count = next((number for number, line in enumerate(lines) if not line.startswith(NOTE_MARK)), len(lines))
        verdicts = tuple(tuple(part.strip() for part in line[len(NOTE_MARK) :].split(" | ", 2)) for line in lines[:count])
        found.append(Variant(path.stem, "".join(lines[count:]), tuple(one for one in verdicts if len(one) == 3)))
    return tuple(found)


def let_go(site: Path, name: str) -> None:
    """Remove a held variant. Parameters: site file, name. Errors: KeyError where there is none."""
    path = folder_of(site) / VARIANTS / f"{name}.toml"
    if not NAME.fullmatch(name) or not path.is_file():
        raise KeyError(f"no variant {name!r} is held")
    path.unlink()


def differs(before: Mapping[str, object], now: Mapping[str, object]) -> tuple[tuple[str, str, str], ...]:
    """Fields in which two site files differ. Parameters: tables of both. Returns: key path, value before, value now, as typed."""
    found = differences(leaves(before), leaves(now))
    return tuple((".".join(one.way), _words(one.before), _words(one.now)) for one in found)


def _words(held: Held | None) -> str:
    if held is None:
        return "nothing"
    known = f" ({held.origin})" if held.origin != "stated" else ""
    return f"{shown(held.value)}{known}"


# saving


def difference(before: str, now: str, name: str) -> str:
    """What saving would change in a file, line by line.

    Parameters: text of the file, text to save, its name. Returns: text, empty for nothing.
    """
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), now.splitlines(keepends=True), f"{name} as it is", f"{name} as it would be", n=1
    )
    return "".join(line if line.endswith("\n") else f"{line}\n" for line in lines)


def untouched(before: str, now: str) -> bool:
    """Whether comments that stand once in each of two texts stand in the same order, so that none was moved.

    A comment never moves; a value that is taken out and entered again may stand below others of its table. Parameters: both texts.
    """
    old, new = before.splitlines(), now.splitlines()
    often, now_often = Counter(old), Counter(new)
    once = {line for line in often if "#" in _QUOTED.sub("", line) and often[line] == now_often.get(line) == 1}
    return [line for line in old if line in once] == [line for line in new if line in once]


def save(site: Path, read_text: str | None, text: str) -> str:
    """Save a draft into its site file. Parameters: site file, what was read from it (None: it was not there), text. Returns: SHA-256.

    Errors: InputFault where the file on disk is no longer what was read, or a line that was not touched would move; MachineryFault. The
    file is then as it was.
    """
    there = site.is_file()
    if not there and read_text is not None:
        raise InputFault(
            [Fault(site.as_posix(), "", "is no longer there", "", "the file that was opened", "hold a variant, then open the folder anew")]
        )
    held = site.read_bytes().decode("utf-8", "replace") if there else ""
    mark = BOM if held.startswith(BOM) else ""
    if there and (read_text is None or held.removeprefix(BOM) != read_text):
        todo = "nothing was overwritten: hold what you have as a variant, then read the file anew and take the variant up"
        what = "changed on disk since it was opened" if read_text is not None else "is there already"
        raise InputFault([Fault(site.as_posix(), "", what, "", "the file that was opened, unchanged", todo)])
    if read_text is not None and not untouched(read_text, text):
        todo = "nothing was written: change the file by hand, and say so where this program is kept"
        raise InputFault([Fault(site.as_posix(), "", "a line that was not touched would move", "", "changed lines alone", todo)])
    write(site, mark + text)
    return hash_of(mark + text)
