"""Corrections on the coach's page in a real browser: collected as lines that `imuswing mark` takes, saved, undone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from browser_for_tests import DESKTOP, PHONE
from results_for_tests import PLAN, two_visits

from imuswing.marking.sheet import read_sheet
from imuswing.report.coach_page import render_coach

Open = Callable[..., Any]
AXE = Path(__file__).resolve().parents[2] / ".venv" / "npm" / "node_modules" / "axe-core" / "axe.min.js"


def test_corrections_are_collected_as_lines_that_mark_takes(open_page: Open, tmp_path: Path) -> None:
    opened = open_page(render_coach(two_visits(), plan=PLAN), **DESKTOP)
    page = opened.page
    swings = two_visits().swings
    first = swings[(swings.session == "01") & (swings.swing == 2)].iloc[0]
    page.locator("[data-pick=r0n1]").click()
    assert page.locator("#correct-shot").inner_text().startswith("Swing 2 ·")
    assert not page.locator("#correct-kept").is_visible()
    page.locator("#correct-outcome").fill("fat")
    page.keyboard.press("Enter")
    page.locator("#correct-outcome").fill("a bit thin")
    page.get_by_role("button", name="Note it").click()
    page.locator("#upper").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.get_by_role("button", name="Impact was at the cursor").click()
    page.locator("#correct-block").fill("drill")
    page.get_by_role("button", name="It begins with this shot").click()
    page.locator("[data-pick=r0n0]").click()
    page.locator("#correct-block").fill("warm=up")
    page.get_by_role("button", name="Only this shot belongs to it").click()
    page.locator("[data-pick=r1n3]").click()
    page.locator("#correct-outcome").fill("pure")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="This is no swing").click()
    sheet = page.locator("#correct-sheet").input_value()
    at = {row["swing"]: row for row in swings[swings.session == "01"].to_dict("records")}
    last = swings[(swings.session == "02") & (swings.swing == 4)].iloc[0]
    assert sheet.splitlines() == [
        "sub-P01_motion.tsv",
        f"outcome @{first.impact_s:.3f}=a bit thin",
        f"move @{first.impact_s:.3f}={first.impact_s + 0.02:.3f}",
        f"block drill@{first.takeaway_s - 0.5:.3f}",
        f"block warm up@{at[1]['takeaway_s'] - 0.5:.3f}-{at[1]['finish_s']:.3f}",
        f"delete @{last.impact_s:.3f}",
    ]
    assert page.locator("#swings tr.corrected").count() == 3
    with page.expect_download() as download:
        page.get_by_role("button", name="Save as a file").click()
    saved = tmp_path / download.value.suggested_filename
    download.value.save_as(saved)
    assert saved.name == "corrections.txt"
    assert saved.read_text(encoding="utf-8") == sheet
    verbs = [edit.verb for edit in read_sheet(saved)["sub-P01_motion.tsv"]]
    assert verbs == [
        "outcome",
        "move",
        "block",
        "block",
        "delete",
    ]
    page.get_by_role("button", name="take back: Swing 4").click()
    assert page.locator("#correct-list li").count() == 4
    assert page.locator("#correct-said").inner_text() == "Corrections: 4"
    assert opened.complaints == []
    assert [url for url in opened.requests if not url.startswith(("file:", "blob:"))] == []


def test_corrections_need_the_name_of_the_recording(open_page: Open) -> None:
    results = two_visits()
    for record in results.quality["recordings"]:
        record["recording"]["file"] = None
    page = open_page(render_coach(results), **DESKTOP).page
    assert page.locator("#correct-nameless").is_visible()
    assert not page.locator("#correct-tools").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_collected_corrections_are_accessible_and_fit_the_screen(
    open_page: Open, screen: dict[str, Any], scheme: str
) -> None:
    """axe-core (npm; Deque Systems) on the page with its list of corrections open."""
    html = render_coach(two_visits(), plan=PLAN)
    page = open_page(html, bypass_csp=True, color_scheme=scheme, **screen).page
    for key in ("r0n1", "r1n2"):
        page.select_option("#shown", key)
        page.locator("#correct-outcome").fill("struck near the heel, a long way from the middle of the face")
        page.keyboard.press("Enter")
    assert page.locator("#correct-list li").count() == 2
    assert page.evaluate("document.documentElement.scrollWidth") <= screen["viewport"]["width"]
    if not AXE.is_file():
        pytest.skip("axe-core is not installed; scripts/test installs it where npm is there")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    violations = page.evaluate("axe.run().then(result => result.violations)")
    told = [(v["impact"], v["id"], v["nodes"][0]["html"][:160]) for v in violations]
    assert [entry for entry in told if entry[0] in ("serious", "critical")] == [], told
