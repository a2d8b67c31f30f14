"""Whole pages: a sheet from its executed notebook, and the index of a study folder.

A page carries its own style and nothing else: no script, no outside address, no absolute path, no
clock time. It prints on letter and A4 and reads at the width of a telephone.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files

from workbook_lib.render import content, html
from workbook_lib.render.blocks import Band, Grid, Part, Prose
from workbook_lib.render.trace import Link
from workbook_lib.sheet import Header, Sheet, worst

STYLE_MARK = '<style class="wb-style">'
"""Opens the style that a live notebook carries; a page has it in its head instead."""


LIVE_TAG = "live"
"""Tags prose that is for the person at the notebook, not for the reader of a page."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a sheet stands in its study: its number, how many there are, whether it is also a PDF."""

    number: int = 1
    of: int = 1
    pdf: bool = False


def live_style() -> str:
    """The style of the fragments as an element, for a notebook that is open in an editor."""
    return f"{STYLE_MARK}{html.style()}</style>"


def body_of_notebook(notebook) -> str:
    """The cells of an executed notebook as HTML, code hidden, through the template that has no script.

    Parameters: notebook as nbformat gives it. Returns: HTML. Errors: those of nbconvert.
    """
    body, _ = _exporter().from_notebook_node(notebook)
    return body


@functools.cache
def _exporter():
    """What turns notebooks into HTML, its template loaded once."""
    from nbconvert.exporters import HTMLExporter
    from traitlets.config import Config

    settings = Config()
    settings.HTMLExporter.preprocessors = [_reader_view()]
    settings.CSSHTMLHeaderPreprocessor.enabled = False
    hidden = {"exclude_anchor_links": True, "exclude_input": True, "exclude_output_prompt": True}
    return HTMLExporter(config=settings, template_name="basic", **hidden)


def _reader_view():
    """The one preprocessor: takes out the code, and frames each figure with its description."""
    from nbconvert.preprocessors import Preprocessor

    class ReaderView(Preprocessor):
        """Cells that show something, code without its input; SVG outputs as figures; what is for live use left out."""

        enabled = True

        def preprocess(self, nb, resources):
            nb.cells = [cell for cell in nb.cells if _is_shown(cell)]
            return super().preprocess(nb, resources)

        def preprocess_cell(self, cell, resources, index):
            if cell.cell_type == "code":
                cell.source = ""
                for output in cell.outputs:
                    _reframe(output)
            return cell, resources

    return ReaderView


def _is_shown(cell) -> bool:
    if cell.cell_type == "code":
        return bool(cell.outputs)
    return LIVE_TAG not in cell.metadata.get("tags", [])


def _reframe(output) -> None:
    data = output.get("data", {})
    drawing = data.pop("image/svg+xml", None)
    if drawing is not None:
        text = drawing if isinstance(drawing, str) else "".join(drawing)
        caption = data.get("text/plain", "")
        data["text/html"] = figure(text, caption if isinstance(caption, str) else "".join(caption))
    shown = data.get("text/html")
    if shown is not None:
        text = shown if isinstance(shown, str) else "".join(shown)
        if text.startswith(STYLE_MARK):
            data["text/html"] = text.partition("</style>")[2]
        for kind in [kind for kind in data if kind != "text/html"]:
            del data[kind]


def figure(drawing: str, caption: str) -> str:
    """A drawing with its caption."""
    title, _, rest = caption.partition("\n")
    words = f"<strong>{escape(title)}.</strong> {escape(rest)}" if rest else escape(title)
    return f'<figure class="wb-figure" role="group" aria-label="{escape(title)}">{drawing}<figcaption>{words}</figcaption></figure>'


def sheet_page(sheet: Sheet, notebook, place: Place) -> str:
    """The page of one workbook. Parameters: its sheet, its executed notebook, its place in the study."""
    files_of = [("index.html", "all sheets"), (f"{sheet.workbook}.ipynb", "notebook")]
    files_of += [(content.PUBLISHED_PAGE, "published cases"), ("results.json", "results.json")]
    if place.pdf:
        files_of.insert(1, (f"{sheet.workbook}.pdf", "PDF"))
    top = strip(f"{sheet.header.site_id} · sheet {place.number} of {place.of} · {sheet.title}", files_of)
    return _page(f"{sheet.title}: {sheet.header.site_id}", sheet.title, sheet.header, top + body_of_notebook(notebook))


def strip(words: str, links: Sequence[tuple[str, str]]) -> str:
    """Top line of a page: what it is, and the files beside it as relative path and words."""
    shown = "".join(f'<a href="{escape(target)}">{escape(label)}</a>' for target, label in links)
    return f'<header class="wb-strip"><span>{escape(words)}</span><nav aria-label="Files of this study">{shown}</nav></header>'


def _page(title: str, running: str, head: Header, body: str) -> str:
    what_if = ", WHAT-IF" if head.edition_basis == "what-if" else ""
    words = f"{head.site_id} · {running} · edition {head.edition}{what_if} · inputs {head.inputs_sha256[:12]}"
    return whole(title, body, words, f"Program version {head.library_version}. Hash of inputs {head.inputs_sha256}.")


def whole(title: str, body: str, running: str, foot: str) -> str:
    """A page by itself. Parameters: title, body as HTML, words at the foot of every printed page, words at its end."""
    style = html.style() + files("workbook_lib.render").joinpath("page.css").read_text(encoding="utf-8") + _running(running)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n"
        f'<body class="wb-page">\n{body}\n<footer class="wb-foot">{escape(foot)}</footer>\n</body>\n</html>\n'
    )


def _running(words: str) -> str:
    """Foot of every printed page: the words and the page number."""
    font = 'font: 7.5pt "Helvetica Neue", Helvetica, Arial, "Liberation Sans", sans-serif'
    return (
        f'@page {{ @bottom-left {{ content: "{_css_text(words)}"; {font}; }} '
        f'@bottom-right {{ content: "page " counter(page) " of " counter(pages); {font}; }} }}\n'
    )


def _css_text(text: str) -> str:
    """Text for a string in a style sheet: nothing in it can end the string or the element."""
    return "".join(char if char.isalnum() or char in " ·,.-" else f"\\{ord(char):x} " for char in text)


def index_page(sheets: Sequence[Sheet], inputs: Iterable[tuple[str, str]], *, pdf: bool = False, withheld: Sequence[str] = ()) -> str:
    """The index of a study folder: verdict and controlling check of each workbook, open items, files.

    `withheld`: inputs that are not in the folder, of which the hash alone is kept.
    """
    head = sheets[0].header
    overall = worst(sheet.verdict for sheet in sheets)
    parts = [
        strip(f"{head.site_id} · index of {len(sheets)} {'sheet' if len(sheets) == 1 else 'sheets'}", [("results.json", "results.json")]),
        f"<h1>{escape(head.address or head.site_id)}</h1>",
        html.fragment(Part("overall", "Verdict", (Band(str(overall), str(overall), ("worst verdict of all sheets",)),))),
        html.fragment(content.title_block(sheets[0], index=True)),
        "<h2>Sheets</h2>",
        html.grid(_sheets_grid(sheets, pdf)).join(('<section class="wb" aria-label="Sheets">', "</section>")),
        "<h2>Open items</h2>",
        html.fragment(_open_items(sheets)),
        "<h2>Files</h2>",
        _files(sheets, inputs, pdf, withheld),
    ]
    return _page(f"Study of {head.site_id}", "index", head, "\n".join(parts))


def _sheets_grid(sheets: Sequence[Sheet], pdf: bool) -> Grid:
    rows = []
    for number, sheet in enumerate(sheets, 1):
        decider = sheet.controlling
        said = content.sentence(content.bare_sentence(sheet, decider)) if decider else "No check applies."
        rows.append(((f"{number}",), (Link(f"{sheet.workbook}.html", sheet.title),), (str(sheet.verdict),), (said,)))
    return Grid(("Sheet", "Workbook", "Verdict", "Controlling check"), tuple(rows), kind="sheets")


def _open_items(sheets: Sequence[Sheet]) -> Part:
    rows = []
    for sheet in sheets:
        pending = sorted((check for check in sheet.checks if check.verdict in content.PENDING), key=lambda check: not check.counts)
        rows += [((Link(f"{sheet.workbook}.html", sheet.title),), *content.open_row(check)) for check in pending]
    if not rows:
        return Part("open-items", "Open items", (Prose(("No missing input and no judgement is open.",)),))
    return Part("open-items", "Open items", (Grid(("Sheet", *content.OPEN_COLUMNS), tuple(rows), kind="open"),))


def _files(sheets: Sequence[Sheet], inputs: Iterable[tuple[str, str]], pdf: bool, withheld: Sequence[str]) -> str:
    rows: list[tuple] = [
        ((Link("results.json", "results.json"),), ("results of every sheet, for programs",), ()),
        ((Link(content.PUBLISHED_PAGE, content.PUBLISHED_PAGE),), ("published cases beside what the same rules give",), ()),
    ]
    for sheet in sheets:
        rows.append(((Link(f"{sheet.workbook}.ipynb", f"{sheet.workbook}.ipynb"),), (f"{sheet.title}: executed notebook",), ()))
        if pdf:
            rows.append(((Link(f"{sheet.workbook}.pdf", f"{sheet.workbook}.pdf"),), (f"{sheet.title}: for print",), ()))
    for path, digest in inputs:
        kept = path not in withheld
        name = Link(f"inputs/{path}", path) if kept else path
        rows.append(
            ((name,), ("input, as read" if kept else "input, as read; kept out of this folder, its hash alone is here",), (digest,))
        )
    grid = html.grid(Grid(("File", "What it is", "SHA-256"), tuple(rows), kind="files"))
    return f'<section class="wb" aria-label="Files">{grid}</section>'
