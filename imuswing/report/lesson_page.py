"""The lesson's page: one self-contained HTML file that opens with the answer."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from imuswing.report import palette
from imuswing.report.answer import headline, particulars, tally
from imuswing.report.chest_plot import chest_plot
from imuswing.report.document import PLOTLY_VERSION, asset, document, section
from imuswing.report.ledger import cautions_section, quality_section, swing_table, warning_count, words_section
from imuswing.report.markup import Child, Html, tag
from imuswing.report.pictures import hatches
from imuswing.report.sections import answer_rows, backswing_section, chest_section, picked_first, wrist_section
from imuswing.report.shapes import Limits, limits_from
from imuswing.report.texts import ENGLISH, Texts
from imuswing.report.views import RecordingView, recordings_from
from imuswing.report.wording import recording_name
from imuswing.report.wrist_plot import wrist_plot


def render_lesson(
    swings: pd.DataFrame, curves: pd.DataFrame, quality: Mapping[str, Any], *, texts: Texts = ENGLISH
) -> str:
    """The page of one or several recordings as HTML text; nothing in it is loaded from elsewhere.

    swings, curves: the two result tables.  quality: the quality record; keys that are missing are tolerated.
    Nothing is measured here: verdicts and standard errors come in the tables. Raises RecordingError if a table lacks
    its key columns.
    """
    recordings = recordings_from(swings, curves, quality)
    limits = limits_from(quality)
    names = [recording_name(recording, texts) for recording in recordings]
    body = [
        tag("a", texts("page.skip"), href="#answer", class_="skip"),
        hatches(),
        _header(recordings, names, quality, texts),
        tag("main", _main(recordings, names, quality, limits, texts)),
        _footer(quality, texts),
    ]
    return document(
        body,
        title=_title(recordings, names, texts),
        texts=texts,
        scripts=("lesson.js",),
        data=_data(recordings, limits, texts),
        plotly=True,
    )


def _title(recordings: Sequence[RecordingView], names: Sequence[str], texts: Texts) -> str:
    return texts("page.title", who=names[0] if len(names) == 1 else _who(recordings, texts))


def _who(recordings: Sequence[RecordingView], texts: Texts) -> str:
    people = list(dict.fromkeys(recording.labels["participant"] or "–" for recording in recordings))
    if len(people) <= 1:
        return "".join(people)
    return texts("answer.many", people=len(people), recordings=len(recordings))


def _header(
    recordings: Sequence[RecordingView], names: Sequence[str], quality: Mapping[str, Any], texts: Texts
) -> Html:
    count = tally([swing for recording in recordings for swing in recording.swings])
    simulated = any(recording.described.get("simulated") for recording in recordings)
    problems = warning_count(quality)
    warned = [texts.count("page.warned", problems), " ", tag("a", texts("page.warned_link"), href="#quality"), "."]
    sentences = particulars(count, texts)
    return tag(
        "header",
        tag(
            "p",
            texts("page.kicker"),
            [" · ", names[0] if len(names) == 1 else _who(recordings, texts)],
            class_="kicker",
        ),
        tag("p", texts("page.simulated"), class_="simulated") if simulated else None,
        tag("h1", headline(count, recordings, texts), id="answer", tabindex=-1),
        tag("p", " ".join(sentences), class_="rest") if sentences else None,
        answer_rows(recordings, names, texts) if len(recordings) > 1 else None,
        tag("p", warned, class_="warned") if problems else None,
    )


def _main(
    recordings: Sequence[RecordingView],
    names: Sequence[str],
    quality: Mapping[str, Any],
    limits: Limits,
    texts: Texts,
) -> list[Child]:
    shown = next((recording for recording in recordings if recording.shots), recordings[0] if recordings else None)
    several = len(recordings) > 1

    def each(name: str, bodies: Sequence[Html]) -> Html:
        parts = [
            tag("div", tag("h3", which, class_="which") if several else None, body, data_recording=recording.key)
            for recording, which, body in zip(recordings, names, bodies, strict=True)
        ]
        return section(name, texts(f"{name}.title"), parts or tag("p", texts("answer.none"), class_="absent"))

    options = [
        tag("option", name, value=recording.key, selected=recording is shown)
        for recording, name in zip(recordings, names, strict=True)
    ]
    choice = tag(
        "label", texts("page.show_recording"), " ", tag("select", options, id="recording"), class_="choice scripted"
    )
    return [
        choice if several else None,
        each("chest", [chest_section(recording, limits, texts) for recording in recordings]),
        each("wrist", [wrist_section(recording, texts) for recording in recordings]),
        each("backswing", [backswing_section(recording, texts) for recording in recordings]),
        section("table", texts("table.title"), swing_table(recordings, names, texts)),
        section("quality", texts("quality.title"), quality_section(quality, recordings, names, texts)),
        section("cautions", texts("cautions.title"), cautions_section(limits, texts)),
        section("words", texts("words.title"), words_section(limits, texts)),
    ]


def _footer(quality: Mapping[str, Any], texts: Texts) -> Html:
    version = quality.get("imuswing")
    licence = tomllib.loads(asset(f"plotly-basic-{PLOTLY_VERSION}.licence.toml").decode("utf-8"))["text"]
    return tag(
        "footer",
        tag("h2", texts("cautions.privacy_title")),
        tag("p", texts("cautions.privacy")),
        tag("p", texts("page.made_with", version=version), class_="quiet small") if version else None,
        tag("p", texts("page.plots_made_with", version=PLOTLY_VERSION), class_="quiet small"),
        tag("details", tag("summary", texts("page.licence")), tag("pre", licence), class_="small"),
    )


def _data(recordings: Sequence[RecordingView], limits: Limits, texts: Texts) -> dict[str, Any]:
    """All that the page's script needs."""
    plots: dict[str, Any] = {}
    for recording in recordings:
        drawn = {"chest": chest_plot(recording, limits, texts), "wrist": wrist_plot(recording, texts)}
        plots |= {f"{recording.key}-{name}": plot for name, plot in drawn.items() if plot is not None}
    first = {recording.key: swing.key for recording in recordings if (swing := picked_first(recording)) is not None}
    keys = ("page.no_unpack", "table.sorted_up", "table.sorted_down")
    return {
        "plots": plots,
        "picked": first,
        "palette": {"light": palette.LIGHT, "dark": palette.DARK},
        "texts": {key: texts(key) if "sorted" not in key else texts.entries[key] for key in keys},
    }
