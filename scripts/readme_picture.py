"""Makes docs/report.png, the picture in README.md: the top of the demo's page, as a browser shows it.

    scripts/demo && .venv/bin/python scripts/readme_picture.py [REPORT]

Needs the extra `test` (playwright) and Chromium.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

PROJECT = Path(__file__).resolve().parents[1]
REPORT = PROJECT / "demo-results" / "report.html"
PICTURE = PROJECT / "docs" / "report.png"
WIDTH, HEIGHT = 1000, 1000
SETTLE_MS = 1500
"""The plots are drawn by then."""
OPTIONS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync", "--no-first-run"]


def main() -> int:
    """Take the picture."""
    report = Path(sys.argv[1]) if len(sys.argv) > 1 else REPORT
    chromium = shutil.which("chromium")
    if chromium is None or not report.is_file():
        print("needs Chromium on the path, and scripts/demo run before", file=sys.stderr)
        return 1
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=OPTIONS)
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        page.goto(report.resolve().as_uri())
        page.wait_for_timeout(SETTLE_MS)
        page.screenshot(path=PICTURE)
        browser.close()
    print(f"written: {PICTURE}, {PICTURE.stat().st_size / 1e3:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
