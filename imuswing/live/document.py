"""The live page as one HTML document: every text from the catalogue, everything drawn by its own script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from imuswing.live.messages import Hello
from imuswing.measures.rates import CONTINUITY_LIMITS
from imuswing.report.document import document
from imuswing.report.markup import Child, Html, tag
from imuswing.report.palette import MARKS
from imuswing.report.texts import ENGLISH, Texts
from imuswing.vocabulary import CALIBRATION_STEPS, TRACKED_POINTS

FEEDBACK_MODES: Final = ("every", "outside_band", "faded", "summary", "none")
CAUTIONS: Final = ("space", "warm", "pain", "teacher", "device")


def render_live(hello: Hello | None = None, *, texts: Texts = ENGLISH) -> str:
    """The page for one recording; without a greeting yet, it waits for it."""
    who = f"sub-{hello.participant}" if hello else "imuswing"
    body = [
        tag("p", id="alert", role="alert", hidden=True),
        _head(who, hello, texts),
        tag("main", _start(texts), _routine(texts), _shots(texts), _more(texts), id="views"),
        _thumb(texts),
    ]
    return document(
        body,
        title=texts("live.title", who=who),
        texts=texts,
        styles=("page.css", "live.css"),
        scripts=("live_draw.js", "live_sound.js", "live.js"),
        data=_data(texts),
        connect="'self'",
    )


def _data(texts: Texts) -> dict[str, Any]:
    """What the script needs: words by key, the verdicts' shapes, and limits that no rounding may reach."""
    said = {key.removeprefix("live_say."): texts.entries[key] for key in texts.entries if key.startswith("live_say.")}
    said |= {f"step.{step}": texts(f"step.{step}") for step in CALIBRATION_STEPS}
    said |= {f"todo.{step}": texts(f"live_step.{step}") for step in CALIBRATION_STEPS}
    said |= {f"point.{point}": texts(f"point.{point}") for point in TRACKED_POINTS}
    shapes = {verdict or "unjudged": mark.path for verdict, mark in MARKS.items()}
    return {"texts": said, "shapes": shapes, "limits": list(CONTINUITY_LIMITS)}


def _head(who: str, hello: Hello | None, texts: Texts) -> Html:
    name = " · ".join((who, f"ses-{hello.session}", hello.task)) if hello else who
    pages = ("shots", "routine", "more")
    return tag(
        "header",
        tag(
            "p", texts("live.replay"), id="replay", class_="simulated", hidden=True, data_resumed=texts("live.resumed")
        ),
        tag("h1", tag("span", texts("live.kicker"), class_="unseen"), name, id="who"),
        tag("p", id="state", class_="kicker"),
        tag("ul", id="sensors", aria_label=texts("live.sensors")),
        tag(
            "nav",
            [
                tag("button", texts(f"live.{page}"), type="button", data_view=page, aria_pressed="false")
                for page in pages
            ],
            aria_label=texts("live.views"),
        ),
    )


def _view(name: str, *children: Child) -> Html:
    return tag("section", *children, id=name, class_="view", hidden=True)


def _start(texts: Texts) -> Html:
    return _view(
        "start",
        tag("h2", texts("live.start_title")),
        tag("ul", [tag("li", texts(f"cautions.{caution}")) for caution in CAUTIONS]),
        tag("button", texts("live.start_go"), type="button", id="go", class_="main"),
    )


def _routine(texts: Texts) -> Html:
    return _view(
        "routine",
        tag("h2", texts("live.routine_title")),
        tag("p", texts("live.routine_read"), class_="read"),
        tag("ol", id="steps"),
        tag("p", id="calibrated", class_="quiet"),
        tag("button", texts("live.routine_done"), type="button", data_view="shots", class_="main"),
    )


def _canvas(name: str, title: str) -> Html:
    return tag(
        "figure",
        tag("figcaption", title),
        tag("canvas", id=name, role="img", aria_label=title),
        class_="plotted",
        id=f"{name}-figure",
    )


def _shots(texts: Texts) -> Html:
    return _view(
        "shots",
        tag("h2", texts("live.shots_title"), class_="unseen"),
        tag(
            "div",
            tag("p", id="which", class_="which"),
            tag("p", texts("live.waiting"), id="verdict", class_="unjudged"),
            tag("p", texts("live.waiting_read"), id="told", class_="told"),
            tag("button", texts("live.show_anyway"), type="button", id="anyway", hidden=True),
            id="card",
            aria_live="polite",
        ),
        tag(
            "div",
            _canvas("rate", texts("live.rate_title")),
            _canvas("arc", texts("live.arc_title")),
            _canvas("wrist", texts("live.wrist_title")),
            id="plots",
            hidden=True,
        ),
        tag("h3", texts("live.earlier"), id="earlier-title", hidden=True),
        tag("ol", id="earlier", reversed=True),
    )


def _more(texts: Texts) -> Html:
    modes = [tag("option", texts(f"live.{mode}"), value=mode) for mode in FEEDBACK_MODES]
    return _view(
        "more",
        tag("h2", texts("live.more"), class_="unseen"),
        _group(
            texts("live.intent"),
            tag("div", id="intents", class_="row"),
            tag("form", _text("intent", texts("live.intent")), _send(texts("live.intent_set")), id="intent-form"),
        ),
        _group(
            texts("live.note"),
            tag("form", _text("note", texts("live.note")), _send(texts("live.note_set")), id="note-form"),
        ),
        _group(
            texts("live.feedback"),
            tag("p", texts("live.feedback_read"), class_="read"),
            tag("select", modes, id="mode", aria_label=texts("live.feedback")),
            tag(
                "label",
                texts("live.every_count"),
                tag("input", type="number", id="every", min=1, max=100, value=5, inputmode="numeric"),
            ),
        ),
        _group(
            texts("live.sound"),
            tag("label", tag("input", type="checkbox", id="sound"), texts("live.sound"), class_="switch"),
            tag("p", texts("live.sound_read"), class_="read"),
            tag("button", texts("live.sound_try"), type="button", id="try"),
        ),
        _group(texts("live.cautions"), tag("ul", [tag("li", texts(f"cautions.{caution}")) for caution in CAUTIONS])),
        tag("button", texts("live.finish"), type="button", id="finish", data_sure=texts("live.finish_sure")),
    )


def _group(title: str, *children: Child) -> Html:
    return tag("div", tag("h3", title), *children, class_="group")


def _text(name: str, label: str) -> Html:
    return tag("input", type="text", id=name, maxlength=200, aria_label=label, autocomplete="off")


def _send(label: str) -> Html:
    return tag("button", label, type="submit")


def _thumb(texts: Texts) -> Html:
    """What one thumb reaches: the outcome of the last shot, the block, taking the last shot out."""
    rows: Sequence[Child] = (
        tag(
            "div",
            tag("p", texts("live.outcome"), id="outcome-of"),
            tag("button", texts("live.undo"), type="button", id="undo"),
            class_="under",
        ),
        tag("div", id="outcomes", class_="row"),
        tag(
            "div", id="blocks", class_="row", role="group", aria_label=texts("live.blocks"),
            data_end=texts("live.block_end"),
        ),
    )  # fmt: skip
    return tag("footer", rows, id="thumb", hidden=True)
