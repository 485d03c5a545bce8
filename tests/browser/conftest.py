"""One Chromium for all tests of pages; without one they are skipped, with the reason."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_for_tests import ARGUMENTS, DESKTOP, Opened

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
        yield running
        running.close()


@pytest.fixture
def open_page(browser: Any, tmp_path: Path) -> Iterator[Callable[..., Opened]]:
    """Opens HTML text as a file, as a coach would; `plots=False` does not wait for the interactive plots."""
    contexts = []

    def opened(html: str, *, plots: bool = True, **settings: Any) -> Opened:
        file = tmp_path / "page.html"
        file.write_text(html, encoding="utf-8")
        context = browser.new_context(**(settings or DESKTOP))
        contexts.append(context)
        made = Opened(page=context.new_page())
        made.page.on("console", lambda message: made.complaints.append(f"{message.type}: {message.text}"))
        made.page.on("pageerror", lambda error: made.complaints.append(f"error: {error}"))
        made.page.on("request", lambda request: made.requests.append(request.url))
        made.page.goto(file.as_uri())
        if plots:
            made.page.wait_for_selector("html.plots-ready")
        return made

    yield opened
    for context in contexts:
        context.close()
