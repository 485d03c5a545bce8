"""The lesson's page in a real browser: quiet, self-contained, picked by click and keyboard, whole on a phone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from browser_for_tests import DESKTOP, PHONE
from tables_for_tests import MIX, lesson_tables, several

from imuswing.report.lesson_page import render_lesson

CHEST = "[data-plot=r0-chest]"
SHOWN_CARD = "#chest .card:visible"


@pytest.fixture(scope="module")
def html() -> str:
    return render_lesson(*lesson_tables())


def shown(page: Any) -> str:
    return str(page.locator(SHOWN_CARD).inner_text())


@pytest.mark.parametrize(
    "tables",
    [
        lesson_tables(),
        lesson_tables(verdicts=(MIX * 3)[:20], practice=2),
        several(lesson_tables(), lesson_tables(participant="P02", lead_side="right", seed=8)),
        lesson_tables(verdicts=["stalled"], practice=0),
    ],
    ids=["mix", "twenty", "two golfers", "one shot"],
)
def test_nothing_is_complained_about_and_nothing_leaves_the_page(open_page: Callable[..., Any], tables: Any) -> None:
    opened = open_page(render_lesson(*tables))
    for radio in opened.page.locator("#chest input[type=radio]:visible").all()[:3]:
        radio.check(force=True)
    assert opened.complaints == []
    # The file itself, and nothing else; the unpacked script comes from the file's own bytes.
    assert [url for url in opened.requests if not url.startswith(("data:", "blob:"))] == opened.requests[:1]


@pytest.mark.parametrize(
    "tables",
    [lesson_tables(verdicts=(), practice=0), lesson_tables(worn=("lead_forearm",)), lesson_tables(worn=())],
    ids=["no swing", "forearm only", "nothing worn"],
)
def test_pages_without_plots_are_quiet_too(open_page: Callable[..., Any], tables: Any) -> None:
    opened = open_page(render_lesson(*tables), plots=False)
    opened.page.wait_for_load_state("load")
    assert opened.page.locator("h1").inner_text()
    assert opened.complaints == []


def test_no_button_of_the_plots_sends_anything_anywhere(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    page.hover(CHEST)
    assert page.locator(".modebar-btn").count() == 0
    links = page.eval_on_selector_all("a", "all => all.map(a => a.getAttribute('href'))")
    assert links == ["#answer", "#quality"]
    config = page.eval_on_selector(CHEST, "place => place._context")
    assert (config["showSendToCloud"], config["plotlyServerURL"], config["displaylogo"]) == (False, "", False)


def test_a_click_on_a_small_hill_shows_that_swing_everywhere(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    before = shown(page)
    page.locator("#chest .tile").nth(4).click()
    after = shown(page)
    assert before.startswith("Swing 3\n")
    assert after.startswith("Swing 5\n")
    assert "slowed" in after
    assert page.locator("#wrist .card:visible h3").inner_text() == "Swing 5"
    assert page.locator("#backswing .card:visible h3").inner_text() == "Swing 5"
    assert page.locator(".arm g[data-for]:visible").count() == 1
    assert page.locator("#swings tr.picked .pick").inner_text() == "5"
    assert notes(page) == ["slows"]


def notes(page: Any) -> list[str]:
    """Words that stand at the picked curve."""
    script = "place => place.layout.annotations.filter(note => note.showarrow).map(note => note.text)"
    return [text.replace("<b>", "").replace("</b>", "") for text in page.eval_on_selector(CHEST, script)]


def test_the_stall_is_named_at_the_curve_before_anyone_clicks(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    assert notes(page) == ["stalls"]
    assert page.locator(f"{CHEST} .annotation-text", has_text="stalls").is_visible()


def test_a_click_on_a_curve_picks_its_swing(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    # The slowest point of swing 5: its place on the screen from plotly's own axes.
    at = page.eval_on_selector(
        CHEST,
        """place => {
            const marks = place.data.find(trace => trace.customdata && trace.customdata.includes("r0n4"));
            const index = marks.customdata.indexOf("r0n4");
            const box = place.getBoundingClientRect();
            const {xaxis, yaxis} = place._fullLayout;
            const full = place._fullData.find(trace => trace.customdata && trace.customdata.includes("r0n4"));
            return [box.x + xaxis._offset + xaxis.l2p(full.x[index]), box.y + yaxis._offset + yaxis.l2p(full.y[index])];
        }""",
    )
    page.mouse.move(at[0] - 1, at[1] - 1)
    page.mouse.move(*at)
    page.wait_for_selector(f"{CHEST} .hovertext")
    page.mouse.click(*at)
    page.locator(SHOWN_CARD, has_text="Swing 5").wait_for()
    assert "slowed" in shown(page)


def test_the_keyboard_steps_through_shots_in_the_plot_and_in_the_row(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    page.locator("#chest .plotbox").focus()
    page.keyboard.press("ArrowRight")
    assert shown(page).startswith("Swing 4\n")
    page.keyboard.press("Home")
    assert shown(page).startswith("Swing 1\n")
    page.keyboard.press("ArrowLeft")
    assert shown(page).startswith("Swing 1\n")
    page.locator("#chest input[type=radio]:checked").focus()
    page.keyboard.press("ArrowRight")
    assert shown(page).startswith("Swing 2\n")


def test_a_tap_on_a_row_of_the_table_picks_too(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html, **PHONE).page
    page.locator("[data-pick=r0n6]").tap()
    assert shown(page).startswith("Swing 7\n")
    assert page.locator("[data-pick=r0n6]").get_attribute("aria-pressed") == "true"


def test_the_table_sorts_by_its_headings(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    swings, _, _ = lesson_tables()
    page.locator("#swings thead button", has_text="chest continuity").click()
    order = [int(text) for text in page.locator("#swings tbody th").all_inner_texts()]
    assert order == list(swings.sort_values("chest_continuity").swing)
    page.locator("#swings thead button", has_text="chest continuity").click()
    assert [int(text) for text in page.locator("#swings tbody th").all_inner_texts()] == order[::-1]
    assert page.locator("#swings th[aria-sort=descending]").count() == 1
    assert "chest continuity" in page.locator("#sorted").text_content()


def test_every_measure_can_be_shown(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    hidden = page.locator("#swings th", has_text="shoulder tilt at address")
    assert not hidden.is_visible()
    page.locator("#all-columns").check()
    assert hidden.is_visible()


def test_practice_swings_are_in_the_plot_only_when_asked_for(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html).page
    count = "place => place.data.filter(trace => trace.meta && trace.meta.practice).length"
    assert page.eval_on_selector(CHEST, count) == 0
    page.locator("[data-practice]").check()
    assert page.eval_on_selector(CHEST, count) == 2


def test_one_recording_is_shown_at_a_time(open_page: Callable[..., Any]) -> None:
    tables = several(lesson_tables(), lesson_tables(participant="P02", verdicts=["turning", "slowing"], seed=8))
    page = open_page(render_lesson(*tables)).page
    assert page.locator("#chest .tile:visible").count() == 11
    page.select_option("#recording", "r1")
    assert page.locator("#chest .tile:visible").count() == 4
    assert page.locator("[data-plot=r1-chest].drawn").is_visible()
    page.locator("[data-pick=r0n1]").click()
    assert page.locator("#recording").input_value() == "r0"
    assert shown(page).startswith("Swing 2\n")


@pytest.mark.parametrize("settings", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_page_never_scrolls_sideways(open_page: Callable[..., Any], settings: dict[str, Any]) -> None:
    tables = several(lesson_tables(), lesson_tables(participant="P02", task="full", seed=8))
    page = open_page(render_lesson(*tables), **settings).page
    for summary in page.locator("summary:visible").all():
        summary.click()
    page.locator("#all-columns").check()
    width = settings["viewport"]["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("document.querySelector('#table .scroll').scrollWidth") > page.evaluate(
        "document.querySelector('#table .scroll').clientWidth"
    )


def test_the_answer_and_the_picture_are_there_without_scripts(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html, plots=False, java_script_enabled=False, **PHONE).page
    assert page.locator("h1").inner_text().replace("\n", " ") == (
        "The chest kept turning through the ball in 5 of 9 shots."
    )
    assert page.locator(f"{CHEST} svg.hill").is_visible()
    assert page.locator("noscript").count() == 1
    assert not page.locator("#all-columns").is_visible()


def test_plots_have_text_alternatives_and_their_numbers_stand_in_tables(
    open_page: Callable[..., Any], html: str
) -> None:
    page = open_page(html).page
    for name in ("chest", "wrist"):
        described = page.locator(f"#{name} .plotbox").get_attribute("aria-label")
        assert page.locator(f"#{name} .plotbox").get_attribute("role") == "img"
        assert "table of swings" in described
    assert page.locator("#backswing svg[role=img] title").text_content()
    assert "5 of 9 shots" in page.locator("#chest .plotbox").get_attribute("aria-label")
    page.locator(f"{SHOWN_CARD} summary", has_text="This curve as numbers").click()
    assert page.locator(f"{SHOWN_CARD} .plain tbody tr:visible").count() == 9


def test_dark_and_light_follow_the_readers_system_and_paper_is_light(open_page: Callable[..., Any], html: str) -> None:
    page = open_page(html, color_scheme="dark", **DESKTOP).page
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    words = f"document.querySelector('{CHEST} .annotation-text').style.fill"
    dark = (page.evaluate(ground), page.evaluate(words))
    page.emulate_media(color_scheme="light")
    light = (page.evaluate(ground), page.evaluate(words))
    assert all(a != b for a, b in zip(dark, light, strict=True))
    page.emulate_media(color_scheme="dark", media="print")
    assert page.evaluate(ground) == "rgb(255, 255, 255)"


def test_saving_a_picture_is_a_download_and_no_request(open_page: Callable[..., Any], html: str) -> None:
    opened = open_page(html, accept_downloads=True, **DESKTOP)
    with opened.page.expect_download() as download:
        opened.page.locator("[data-save]").click()
    assert download.value.suggested_filename == "through-the-ball.png"
    assert opened.complaints == []
    assert all(url.startswith(("file:", "data:", "blob:")) for url in opened.requests)


def test_hostile_text_runs_nothing(open_page: Callable[..., Any]) -> None:
    swings, curves, quality = lesson_tables(verdicts=["turning", "stalled"], practice=0)
    swings["outcome"] = (
        "</script><script>document.title = 'caught'</script><img src=x onerror=\"document.title='caught'\">"
    )
    swings["block"] = swings["outcome"]
    opened = open_page(render_lesson(swings, curves, quality))
    assert "caught" not in opened.page.title()
    assert opened.page.locator("main img").count() == 0
    assert opened.complaints == []
