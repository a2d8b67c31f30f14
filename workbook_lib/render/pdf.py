"""HTML to PDF through an installed browser of the Chromium family; nothing is downloaded."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from workbook_lib.errors import MachineryFault

NAMES = ("chromium", "chromium-browser", "chrome")
MACOS = ("/Applications/Chromium.app/Contents/MacOS/Chromium",)
BROWSER_VARIABLE = "WORKBOOK_BROWSER"
"""Environment variable that names the browser's program, where it is not found by its usual names."""
SWITCHES = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-extensions",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-default-apps",
    "--no-proxy-server",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)
"""No window, no extensions, and nothing asked of the network."""
PAPERS = {"letter": "8.5in 11in", "a4": "210mm 297mm"}
TIMEOUT_S = 90


def find_browser() -> str:
    """Path of a browser that can print. Errors: MachineryFault that says what to install."""
    named = os.environ.get(BROWSER_VARIABLE)
    candidates = (named,) if named else NAMES + (MACOS if sys.platform == "darwin" else ())
    for name in candidates:
        found = shutil.which(name)
        if found:
            return found
    looked = f"{named!r} ({BROWSER_VARIABLE})" if named else ", ".join(NAMES)
    raise MachineryFault(
        f"no browser to print with: looked for {looked}; install Chromium (Debian, Ubuntu: apt install chromium; "
        f"macOS: any Chromium-family browser) or set {BROWSER_VARIABLE} to one, or leave out --pdf and print the HTML yourself"
    )


def arguments(browser: str, profile: Path) -> list[str]:
    """Command line of a headless browser with a profile of its own and no network of its own accord."""
    line = [browser, *SWITCHES, f"--user-data-dir={profile}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        line.append("--no-sandbox")
    return line


def to_pdf(page: Path, target: Path, paper: str = "letter") -> None:
    """Print an HTML page. Parameters: paper `letter` or `a4`. Errors: MachineryFault if the browser fails."""
    if paper not in PAPERS:
        raise MachineryFault(f"paper {paper!r} is not one of {', '.join(PAPERS)}")
    browser = find_browser()
    with tempfile.TemporaryDirectory(prefix="workbook-print-") as folder:
        sized, printed = Path(folder, page.name), Path(folder, "printed.pdf")
        text = page.read_text(encoding="utf-8")
        sized.write_text(text.replace("</head>", f"<style>@page {{ size: {PAPERS[paper]}; }}</style></head>", 1), encoding="utf-8")
        command = [*arguments(browser, Path(folder, "profile")), "--no-pdf-header-footer", f"--print-to-pdf={printed}", sized.as_uri()]
        try:
            ran = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
        except subprocess.TimeoutExpired:
            raise MachineryFault(f"the browser {browser} did not print {page.name} within {TIMEOUT_S} s") from None
        except OSError as error:
            raise MachineryFault(f"the browser {browser} does not start: {error}") from None
        if ran.returncode or not printed.is_file() or printed.stat().st_size == 0:
            said = (ran.stderr.strip().splitlines() or ["no message"])[-1]
            raise MachineryFault(f"the browser {browser} could not print {page.name} (status {ran.returncode}): {said}")
        shutil.move(printed, target)
