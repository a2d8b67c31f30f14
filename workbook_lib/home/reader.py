"""From a site file to a Home, or to every fault of its files at once."""

from __future__ import annotations

import datetime
import hashlib
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from types import MappingProxyType

from workbook_lib.editions import YEARS, Change
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home import consistency, defaults, overrides, references, tree
from workbook_lib.home.home import Home
from workbook_lib.home.jurisdiction import Adoption, AmendmentsFile, Local, LocalFile, changes_of, local_of
from workbook_lib.home.model import Site
from workbook_lib.home.raw import MAX_DEPTH, Table, Trouble, parse_toml, prepare, read_bytes, show, suggest
from workbook_lib.home.shapes import FaultBook, shapes, validate
from workbook_lib.sheet import BASE_CASE, Input

LOCAL_FOLDER = "jurisdictions"
SITE_ONLY = ("site", "study", "dwelling", "service", "load", "evse", "panel", "feeder", "source", "storage")
LOCAL_ONLY = ("adoption", "rule", "limit", "approved_adapter")


@dataclass
class Reader:
    """One reading of one home: where its files are, which were read, and what was wrong with them.

    `shown` is the input folder as the caller wrote it, for faults; no other absolute path is kept. `texts`: what is read in
    place of what a file says, by its relative path.
    """

    folder: Path
    texts: Mapping[str, str] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    lacking: list[tuple[str, str]] = field(default_factory=list)
    sought: list[str] = field(default_factory=list)
    own_edition: str | None = None

    def named(self, relative: str) -> str:
        """A file of the input folder as faults name it."""
        return (self.folder / relative).as_posix()

    def open(self, relative: str, *, wrappers: bool, changed: Mapping[str, object] | None = None) -> tuple[Table | None, FaultBook]:
        """A TOML file of the input folder prepared for checking; None where it cannot be, with the fault in the book."""
        path = self.folder / relative
        book = FaultBook(self.named(relative))
        text = self.texts.get(relative)
        data, fault = read_bytes(book.file, path) if text is None else (text.encode(), None)
        if data is not None:
            self.inputs[relative] = hashlib.sha256(data).hexdigest()
            tables, fault, book.text = parse_toml(book.file, data)
        if fault is not None:
            book.faults.append(fault)
            return None, book
        if changed:
            self.own_edition = _own_edition(tables)
            overrides.apply(tables, changed, Site, book)
        prepared, too_deep = prepare(tables, wrappers=wrappers)
        for name in too_deep:
            trouble = Trouble("nested too deeply", f"more than {MAX_DEPTH} levels", f"{MAX_DEPTH} levels", "remove it")
            book.add(name, (), trouble, line=False)
        return (None if too_deep else prepared), book

    def find(self, name: str, *beside: str) -> str | None:
        """Relative path of a file: beside another file, beside the site file, or in the local folder."""
        for candidate in dict.fromkeys((*(f"{folder}/{name}" if folder else name for folder in beside), name, f"{LOCAL_FOLDER}/{name}")):
            if (self.folder / candidate).is_file() and self.inside(candidate):
                return candidate
            self.sought.append(candidate)
        return None

    def inside(self, relative: str) -> bool:
        """Whether a path, links followed, stays in the input folder."""
        return (self.folder / relative).resolve().is_relative_to(self.root)

    @cached_property
    def root(self) -> Path:
        """The input folder with links followed, for comparison only."""
        return self.folder.resolve()

    def hash(self, relative: str) -> None:
        """Count a file among the inputs."""
        with (self.folder / relative).open("rb") as file:
            self.inputs[relative] = hashlib.file_digest(file, "sha256").hexdigest()


@dataclass
class Draft:
    """A site file on its way: the model where it is sound, and the leaves that are."""

    site: Site | None
    tree: Table
    book: FaultBook
    givens: Mapping[str, Input]
    taken: defaults.Taken


def _draft(reader: Reader, name: str, changed: Mapping[str, object]) -> Draft | None:
    prepared, book = reader.open(name, wrappers=True, changed=changed)
    if prepared is None:
        reader.faults += book.ordered()
        return None
    taken = defaults.fill(prepared)
    site, reading = validate(Site, prepared, book)
    index = references.Index(prepared)
    references.check(index, book)
    consistency.check(index, reading.givens, book)
    return Draft(site, prepared, book, reading.givens, taken)


def _own_edition(tables: Mapping[str, object]) -> str | None:
    """The edition that a site file states itself, before anything is put in its place."""
    site = tables.get("site")
    stated = site.get("edition") if isinstance(site, dict) else None
    stated = stated.get("value") if isinstance(stated, dict) else stated
    return stated if isinstance(stated, str) else None


def _text(draft: Draft, path: str) -> str | None:
    given = draft.givens.get(path)
    return None if given is None else str(given.value)


def _local(reader: Reader, draft: Draft, role: str) -> Local | None:
    """The jurisdiction or utility that a site names; faults of its file are noted."""
    name = _text(draft, f"site.{role}")
    if name is None:
        return None
    relative = reader.find(f"{name}.toml")
    if relative is None:
        there = sorted(path.stem for path in (reader.folder / LOCAL_FOLDER).glob("*.toml"))
        limit = f"{name}.toml beside the site file, or {LOCAL_FOLDER}/{name}.toml"
        draft.book.at(draft.tree["site"][role], f"the {role} file is not there", show(name), limit, suggest(name, there, "add the file"))
        return None
    prepared, book = reader.open(relative, wrappers=False)
    local = local_of(role, prepared, book, name) if prepared is not None else None
    reader.faults += book.ordered()
    return local if not book.faults else None


def _amendments(reader: Reader, relative: str, adoption: Adoption, book: FaultBook) -> tuple[Change, ...]:
    """Changes of the file that an adoption names; its faults are noted, and where it is not there, that it lacks."""
    beside = relative.rpartition("/")[0]
    found = reader.find(adoption.amendments, beside)
    if found is None:
        reader.lacking.append((f"{Path(book.file).stem}: adoption.amendments", adoption.amendments))
        return ()
    prepared, own = reader.open(found, wrappers=False)
    changes = changes_of(prepared, own, adoption.edition) if prepared is not None else ()
    reader.faults += own.ordered()
    return changes


def _edition(draft: Draft, jurisdiction: Local | None, adoption: Adoption | None, own: str | None) -> tuple[str, str]:
    """Year and basis of the edition in use; a fault where neither the site nor an adoption says."""
    stated = _text(draft, "site.edition")
    if stated is not None:
        if adoption is not None:
            return stated, "adopted" if adoption.edition == stated else "what-if"
        return stated, "what-if" if own not in (None, stated) else "stated"
    if adoption is not None:
        return adoption.edition, "adopted"
    site = draft.tree.get("site")
    if isinstance(site, Table) and any(
        f"site.{name}" not in draft.givens for name in ("edition", "jurisdiction", "permit_date") if name in site
    ):
        return "", ""
    name = _text(draft, "site.jurisdiction")
    if name is None:
        why, todo = "no code edition: neither edition nor jurisdiction is given", 'add edition = "2023" or jurisdiction = "..." to [site]'
    elif jurisdiction is None:
        return "", ""
    elif "site.permit_date" not in draft.givens:
        why, todo = (
            "no code edition: none is given, and without permit_date no adoption can be found",
            "add permit_date or edition to [site]",
        )
    else:
        day = draft.givens["site.permit_date"].value
        why, todo = f"no code edition: none is given, and {name} has no adoption in force on {day}", "add edition, or the adoption"
    loc = site.loc if isinstance(site, Table) else ()
    draft.book.add("site.edition", loc, Trouble(why, "nothing", ", ".join(YEARS), todo))
    return "", ""


def _records(reader: Reader, draft: Draft) -> None:
    """Hash the record files that are there, note those that are not; who reads one asks for it."""
    records = draft.tree.get("records")
    for name in ("load", "fast_load", "backup_load", "production", "weather"):
        relative = _text(draft, f"records.{name}.file")
        if relative is None:
            continue
        leaf = records[name]["file"]
        if not reader.inside(relative):
            draft.book.at(
                leaf,
                "path leaves the input folder by a link",
                show(relative),
                "a file inside the site file's folder",
                "copy the file there",
            )
        elif (reader.folder / relative).is_file():
            reader.hash(relative)
        elif os.path.lexists(reader.folder / relative):
            folder = (reader.folder / relative).is_dir()
            what = (
                "a folder, not a file" if folder else "a link that leads nowhere" if (reader.folder / relative).is_symlink() else "no file"
            )
            draft.book.at(leaf, what, show(relative), "a file of readings", "name the file, or put it there")
        else:
            reader.lacking.append((f"records.{name}.file", relative))
            reader.sought.append(relative)


def _digest(inputs: Iterable[tuple[str, str]], changed: Iterable[tuple[str, str]]) -> str:
    lines = [f"{path} {digest}\n" for path, digest in inputs] + [f"override {path} = {value}\n" for path, value in changed]
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def read(path: Path, changed: Mapping[str, object], case: str = BASE_CASE, text: str | None = None) -> Home | list[Fault]:
    """A home from its site file, or from a text in its place, or every fault of the files that belong to it."""
    reader = Reader(path.parent, {} if text is None else {path.name: text})
    draft = _draft(reader, path.name, changed)
    if draft is None:
        return reader.faults
    locals_ = {role: _local(reader, draft, role) for role in ("jurisdiction", "utility")}
    jurisdiction = locals_["jurisdiction"]
    day = _text(draft, "site.permit_date")
    adoption = jurisdiction.adoption_on(datetime.date.fromisoformat(day)) if jurisdiction is not None and day else None
    amendments: tuple[Change, ...] = ()
    if adoption is not None and adoption.amendments is not None:
        relative = reader.find(f"{jurisdiction.id}.toml")
        amendments = _amendments(reader, relative, adoption, FaultBook(reader.named(relative)))
    year, basis = _edition(draft, jurisdiction, adoption, reader.own_edition)
    _records(reader, draft)
    faults = draft.book.ordered() + reader.faults
    if faults or draft.site is None:
        return faults
    inputs = tuple(sorted(reader.inputs.items()))
    said = tuple(sorted((str(name), str(value)) for name, value in changed.items()))
    return Home(
        site=draft.site,
        tree=tree.build(draft.site),
        jurisdiction=jurisdiction,
        utility=locals_["utility"],
        adoption=adoption,
        amendments=amendments if adoption is not None and adoption.edition == year else (),
        edition_year=year,
        edition_basis=basis,
        inputs=inputs,
        inputs_sha256=_digest(inputs, said),
        defaults=defaults.assumptions(draft.taken, draft.givens),
        givens=MappingProxyType(dict(draft.givens)),
        overrides=said,
        lacking=tuple(dict.fromkeys(reader.lacking)),
        sought=tuple(dict.fromkeys(reader.sought)),
        file=path,
        case=case,
        text=text,
    )


def read_home(path: str | Path, changed: Mapping[str, object] | None = None, case: str = BASE_CASE, text: str | None = None) -> Home:
    """A home from its site file, or from a text in its place. Errors: `InputFault` with every fault."""
    found = read(Path(path), changed or {}, case, text)
    if isinstance(found, list):
        raise InputFault(found)
    return found


def faults_of(path: Path) -> list[Fault]:
    """Every fault of one file: a site file with all that belongs to it, a jurisdiction or utility file, or amendments."""
    reader = Reader(path.parent)
    prepared, book = reader.open(path.name, wrappers=False)
    if prepared is None:
        return book.faults
    if any(name in prepared for name in SITE_ONLY):
        found = read(path, {})
        return found if isinstance(found, list) else []
    if "change" in prepared:
        changes_of(prepared, book, None)
        return book.ordered()
    if any(name in prepared for name in LOCAL_ONLY) or "id" in prepared:
        return _faults_of_local(reader, path.name, prepared, book)
    names = ", ".join(dict.fromkeys((*shapes(Site), *shapes(LocalFile), *shapes(AmendmentsFile))))
    found = show(dict(prepared))
    todo = "begin a site file with [site]; a jurisdiction file has an id at its top"
    return [Fault(book.file, "", "is neither a site file, a jurisdiction or utility file, nor amendments", found, names, todo)]


def _faults_of_local(reader: Reader, name: str, prepared: Table, book: FaultBook) -> list[Fault]:
    local = local_of("jurisdiction", prepared, book, name.removesuffix(".toml"))
    reader.faults += book.ordered()
    if local is not None:
        outer = Reader(reader.folder.parent if reader.folder.name == LOCAL_FOLDER else reader.folder)
        inner = f"{LOCAL_FOLDER}/{name}" if reader.folder.name == LOCAL_FOLDER else name
        for adoption in local.adoptions:
            if adoption.amendments is not None:
                _amendments(outer, inner, adoption, book)
        reader.faults += outer.faults
    return reader.faults
