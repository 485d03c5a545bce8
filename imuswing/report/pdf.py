"""A page printed to PDF by the browser engine that draws it, so that paper shows what the screen shows.

Playwright drives a Chromium that is on the computer; no network is used.
"""

from __future__ import annotations

import os
import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from imuswing.errors import ImuswingError, MissingExtraError

BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
"""Programs that can print, in the order in which they are looked for."""
ARGUMENTS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
_PAGE: Final = re.compile(rb"/Type\s*/Page\b")


def print_pdf(page: Path, pdf: Path) -> int:
    """Print an HTML file to an A4 PDF (whole or not at all) and return its number of sheets.

    Raises MissingExtraError without playwright, ImuswingError without a browser to print with.
    """
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError as error:
        raise MissingExtraError("pdf", "Printing to PDF") from error
    program = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    pdf.parent.mkdir(parents=True, exist_ok=True)
    temporary = pdf.with_name(f".{pdf.name}.part")

    def draw() -> None:
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=program, args=list(ARGUMENTS))
            opened = browser.new_page()
            opened.goto(page.resolve().as_uri())
            opened.emulate_media(media="print", color_scheme="light")
            opened.pdf(path=str(temporary), format="A4", prefer_css_page_size=True, print_background=True)
            browser.close()

    try:
        # A thread of its own: a notebook has an event loop running, in which the browser's plain interface refuses.
        with ThreadPoolExecutor(max_workers=1) as thread:
            thread.submit(draw).result()
        os.replace(temporary, pdf)
    except Error as error:
        raise ImuswingError(
            f"{pdf}: no browser could print the page ({str(error).splitlines()[0]}); install Chromium, or open "
            f"{page.name} in a browser and print it to a PDF there."
        ) from error
    finally:
        temporary.unlink(missing_ok=True)
    return len(_PAGE.findall(pdf.read_bytes()))
