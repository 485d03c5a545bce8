"""The live page in a real browser: what it shows, what it sends, what it keeps back, and when it sounds."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_for_tests import DESKTOP, PHONE, Opened
from live_page_for_tests import HELLO, ROUTINE, levels, shot

from imuswing.live.hub import Hub
from imuswing.live.messages import (
    Block,
    BlockCommand,
    Command,
    Ended,
    Feedback,
    FeedbackCommand,
    FinishCommand,
    NoteCommand,
    Notice,
    Outcome,
    OutcomeCommand,
    Problem,
    StepCommand,
    Summary,
    UndoCommand,
    Undone,
)

pytest.importorskip("uvicorn", reason="the extra `live` is not installed")
from imuswing.live.page import serve

AXE = Path(__file__).parents[2] / ".venv" / "npm" / "node_modules" / "axe-core" / "axe.min.js"


class Lesson:
    """An engine's side of the page."""

    def __init__(self, hub: Hub, opened: Opened) -> None:
        self.hub, self.opened, self.page = hub, opened, opened.page

    def tell(self, *messages: Any) -> None:
        for message in messages:
            self.hub.publish(message)
        self.page.wait_for_timeout(80)

    def sent(self, count: int = 1) -> list[Command]:
        """The commands that the taps sent; waits for them."""
        found: list[Command] = []
        until = time.monotonic() + 5.0
        while len(found) < count and time.monotonic() < until:
            found += self.hub.commands()
            self.page.wait_for_timeout(20)
        return found

    def text(self, selector: str) -> str:
        return str(self.page.inner_text(selector))


@pytest.fixture
def lesson(browser: Any) -> Iterator[Callable[..., Lesson]]:
    from contextlib import ExitStack

    with ExitStack() as stack:

        def start(screen: dict[str, Any] = PHONE, *messages: Any, language: str = "en") -> Lesson:
            hub = Hub()
            for message in (
                HELLO,
                ROUTINE,
                Feedback(mode="every"),
                Block(name=None, intent=None, since=0.0),
                *messages,
            ):
                hub.publish(message)
            served = stack.enter_context(serve(hub, language=language))
            context = browser.new_context(**screen)
            stack.callback(context.close)
            opened = Opened(page=context.new_page())
            opened.page.on("console", lambda message: opened.complaints.append(f"{message.type}: {message.text}"))
            opened.page.on("pageerror", lambda error: opened.complaints.append(f"error: {error}"))
            opened.page.on("request", lambda request: opened.requests.append(request.url))
            opened.page.goto(served.url)
            opened.page.wait_for_selector("#outcomes button", state="attached")
            assert all(url.startswith(served.url) for url in opened.requests)
            return Lesson(hub, opened)

        yield start


@pytest.mark.parametrize("verdict", ["turning", "slowing", "stalled"])
def test_a_shot_is_told_in_a_word_and_a_shape(lesson: Callable[..., Lesson], verdict: str) -> None:
    live = lesson()
    live.page.click("#go")
    live.page.click("nav [data-view=shots]")
    live.tell(shot(1, verdict))
    assert live.text("#verdict").strip() == verdict.capitalize()
    assert live.page.locator("#verdict svg path").count() == 1
    assert live.page.evaluate("document.querySelector('#rate').width") > 300
    assert "41° ± 2°, inside the agreed band" in live.page.get_attribute("#arc", "aria-label")
    assert "top −35°" in live.page.get_attribute("#wrist", "aria-label")
    assert live.opened.complaints == []


def test_cautions_come_first(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    assert live.page.is_visible("#start")
    assert "well clear" in live.text("#start")
    assert not live.page.is_visible("#thumb")
    live.page.click("#go")
    assert live.page.is_visible("#routine")


def test_the_routine_is_led_step_by_step(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    live.page.click("#go")
    assert "2 of 3 movements." in live.text("#steps li.doing")
    assert "not still for long enough" in live.text("#steps li.redo")
    live.page.click("#steps li.doing button >> nth=0")
    live.page.click("#steps li.redo button >> nth=0")
    live.page.click("#steps li.next button >> nth=1")
    live.page.click("#steps li.good button")
    assert live.sent(4) == [
        StepCommand(action="end", step="bow"),
        StepCommand(action="start", step="table"),
        StepCommand(action="skip", step="wrist_bend"),
        StepCommand(action="redo", step="stand"),
    ]


def test_one_tap_each_for_outcome_block_and_taking_out(lesson: Callable[..., Lesson]) -> None:
    live = lesson(PHONE, shot(1, "stalled"))
    live.page.click("nav [data-view=shots]")
    live.page.click("#outcomes button >> text=thin")
    live.page.click("#blocks button >> text=drill")
    live.page.click("#undo")
    assert live.sent(3) == [
        OutcomeCommand(outcome="thin", number=1), BlockCommand(name="drill", intent=None), UndoCommand(number=1),
    ]  # fmt: skip
    live.tell(Outcome(number=1, outcome="thin"), Block(name="drill", intent="keep turning", since=3.0))
    assert live.page.get_attribute("#outcomes button >> text=thin", "aria-pressed") == "true"
    assert live.text("#state") == "Block: drill · intention: keep turning"
    live.page.click("#outcomes button >> text=thin")
    assert live.sent() == [OutcomeCommand(outcome=None, number=1)]


def test_a_shot_that_was_taken_out_is_gone(lesson: Callable[..., Lesson]) -> None:
    live = lesson(PHONE, shot(1, "stalled"), shot(2, "turning"))
    live.page.click("nav [data-view=shots]")
    assert live.text("#verdict").strip() == "Turning"
    live.tell(Undone(number=2))
    assert live.text("#verdict").strip() == "Stalled"
    assert live.page.locator("#earlier li").count() == 0


def test_a_verdict_that_is_held_back_stays_so_until_asked_for(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    live.page.click("nav [data-view=shots]")
    live.tell(shot(1, "stalled", shown=False))
    assert "Stalled" not in live.text("main")
    assert not live.page.is_visible("#plots")
    live.tell(shot(2, "turning", shown=False))
    assert "Stalled" not in live.text("main")
    live.page.click("#anyway")
    assert live.text("#verdict").strip() == "Turning"
    assert "Stalled" not in live.text("main")


def test_a_summary_counts_the_verdicts(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    live.page.click("nav [data-view=shots]")
    live.tell(Summary(numbers=(1, 2, 3), counts={"turning": 2, "stalled": 1}, measures={}))
    assert live.text("#verdict").split("\n") == ["Turning 2 of 3", "Slowing 0 of 3", "Stalled 1 of 3"]


def test_sound_waits_until_all_is_quiet_and_comes_once(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    sounded = "document.documentElement.dataset.sounded ?? ''"
    live.tell(shot(1, "stalled"), levels(turning_dps=5.0))
    assert live.page.evaluate(sounded) == ""  # off until asked for
    live.page.click("nav [data-view=more]")
    live.page.check("#sound")
    live.tell(shot(2, "stalled"), levels(turning_dps=400.0))
    assert live.page.evaluate(sounded) == ""  # still swinging
    live.tell(levels(turning_dps=5.0), levels(turning_dps=5.0))
    assert live.page.evaluate(sounded) == "stalled"
    live.tell(shot(3, "turning", sound=False), shot(4, "turning", shown=False), levels(turning_dps=5.0))
    assert live.page.evaluate(sounded) == "stalled"
    live.tell(shot(5, "turning"), levels(turning_dps=5.0))
    assert live.page.evaluate(sounded) == "stalled turning"


def test_settings_notes_and_the_end(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    live.page.click("nav [data-view=more]")
    live.page.select_option("#mode", "summary")
    live.page.fill("#note", "breathe <b>first</b>")
    live.page.press("#note", "Enter")
    live.page.click("#finish")
    live.page.click("#finish")
    assert live.sent(3) == [
        FeedbackCommand(mode="summary", every=5), NoteCommand(text="breathe <b>first</b>"), FinishCommand(),
    ]  # fmt: skip
    live.tell(Ended(path="x.tsv", shots=12))
    assert "Shots: 12." in live.text("#alert")


def test_a_sensor_that_falls_silent_is_said_at_once(lesson: Callable[..., Lesson]) -> None:
    live = lesson()
    live.tell(
        levels(turning_dps=5.0, hand="silent"), Notice(point="lead_hand", kind="dropped_out", time=1.0, text="Silent.")
    )
    assert "lead hand: nothing comes any more" in live.text("#alert")
    assert "silent for 3 s" in live.text("#sensors")


def test_a_tap_that_bounces_takes_out_one_shot(lesson: Callable[..., Lesson]) -> None:
    open_page = lesson(PHONE, shot(1, "turning"), shot(2, "stalled"))
    open_page.page.click("#go")
    open_page.page.click("nav [data-view=shots]")
    open_page.page.dblclick("#undo")
    open_page.tell(Undone(number=2))
    open_page.page.wait_for_timeout(300)
    assert open_page.hub.commands() == [UndoCommand(number=2)]


def test_a_full_disk_is_told_until_there_is_room_again(lesson: Callable[..., Lesson]) -> None:
    open_page = lesson(PHONE, Problem(text="The disk is full.", lasts=True))
    assert open_page.text("#alert") == "The disk is full."
    open_page.page.clock.install()
    open_page.tell(Notice(point="chest", kind="came_back", time=1.0, text="Back."))
    assert "back" in open_page.text("#alert")
    open_page.page.clock.run_for(13_000)
    assert open_page.text("#alert") == "The disk is full."
    open_page.tell(Problem(text="There is room again.", lasts=False))
    open_page.page.clock.run_for(13_000)
    assert open_page.page.is_hidden("#alert")


def test_a_page_that_lost_the_recorder_says_so(browser: Any) -> None:
    hub = Hub()
    hub.publish(HELLO)
    context = browser.new_context(**PHONE)
    with serve(hub) as served:
        page = context.new_page()
        page.goto(served.url)
        page.wait_for_selector("#outcomes button", state="attached")
    page.wait_for_selector("#alert:not([hidden])")
    assert "does not answer" in page.inner_text("#alert")
    context.close()


@pytest.mark.parametrize(("screen", "scheme"), [(PHONE, "light"), (PHONE, "dark"), (DESKTOP, "light")])
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_view_fits_and_has_no_barriers(
    lesson: Callable[..., Lesson], screen: dict[str, Any], scheme: str, language: str
) -> None:
    if not AXE.exists():
        pytest.skip("axe-core is not installed (scripts/test fetches it)")
    live = lesson({**screen, "color_scheme": scheme}, shot(1, "turning"), shot(2, "stalled"), language=language)
    live.tell(levels(turning_dps=30.0), Outcome(number=1, outcome="fat"))
    for view in ("start", "routine", "shots", "more"):
        if view != "start":
            live.page.click(f"nav [data-view={view}]")
        assert live.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), view
        live.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = live.page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
        assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found] == [], view


def test_it_works_from_the_keyboard(lesson: Callable[..., Lesson]) -> None:
    live = lesson(DESKTOP, shot(1, "stalled"))
    live.page.focus("nav [data-view=shots]")
    live.page.keyboard.press("Enter")
    live.page.focus("#outcomes button >> nth=1")
    live.page.keyboard.press("Space")
    assert live.sent() == [OutcomeCommand(outcome="thin", number=1)]
