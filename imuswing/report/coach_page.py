"""The coach's page: all shots linked (table, plots, a figure in space), two laid over one another, quality, notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from imuswing.compare.table import By
from imuswing.report import palette
from imuswing.report.answer import headline, particulars, tally
from imuswing.report.change import find_change, measures_worked_on, usual_by
from imuswing.report.coach_data import curves_data, limits_data, marks_data, measures_data, shots_data
from imuswing.report.coach_parts import (
    bench_section,
    change_section,
    correct_section,
    filters,
    notes_section,
    relations_section,
    strip_section,
)
from imuswing.report.document import document, section
from imuswing.report.ledger import cautions_section, quality_section, swing_table, warning_count, words_section
from imuswing.report.load import Results
from imuswing.report.markup import Child, Html, tag
from imuswing.report.pictures import hatches
from imuswing.report.plan_view import PlanView, plan_view
from imuswing.report.sections import picked_first
from imuswing.report.shapes import limits_from
from imuswing.report.texts import ENGLISH, Texts
from imuswing.report.views import RecordingView, recordings_from
from imuswing.report.wording import recording_name

SCRIPTS: Final = ("coach_plots.js", "coach_figure.js", "coach_correct.js", "coach.js")
TEXTS_FOR_SCRIPTS: Final = (
    "coach.none",
    "coach.shown_count",
    "coach.play",
    "coach.pause",
    "coach.before_impact",
    "coach.after_impact",
    "coach.at_impact",
    "coach.no_figure_for_shot",
    "coach.no_curve",
    "coach.moment_takeaway",
    "coach.moment_top",
    "coach.moment_impact",
    "coach.moment_finish",
    "coach.target",
    "chest.practice",
    "correct.take_back",
    "correct.count",
    "correct.told_block",
    "correct.told_from",
    "correct.told_outcome",
    "correct.told_no_outcome",
    "correct.told_practice",
    "correct.told_shot",
    "correct.told_delete",
    "correct.told_impact",
    "correct.is_practice",
    "correct.is_shot",
    "correct.impact_here",
    "at_curve.through",
    "number.minus",
    "number.decimal",
    "table.sorted_up",
    "table.sorted_down",
    "unit.s",
)
"""Entries of the catalogue that the scripts write; blanks are filled in there."""


def render_coach(
    results: Results, *, plan: Mapping[str, Any] | None = None, by: By | None = None, texts: Texts = ENGLISH
) -> str:
    """The page of one student's shots, of all kinds and visits in the results, as HTML text.

    plan: as plain data, see `plan_view`.  by: what is compared, blocks or visits; visits if None and there are several.
    The figure in space needs orientations; without them the page says how to get them.
    """
    recordings = recordings_from(results.swings, results.curves, results.quality)
    names = [recording_name(recording, texts) for recording in recordings]
    limits, view = limits_from(results.quality), plan_view(plan)
    several = len(recordings) > 1
    shots = shots_data(recordings, names, results.orientations, texts)
    main: list[Child] = [
        filters(recordings, texts),
        strip_section(recordings, texts),
        bench_section(recordings, results.orientations is not None, texts),
        section("table", texts("table.title"), swing_table(recordings, names, texts, beside=True)),
        correct_section(texts),
        *_changes(results, recordings, view, by or usual_by(results), texts),
        relations_section(results, several, texts),
        notes_section(view, recordings, texts),
        section("quality", texts("quality.title"), quality_section(results.quality, recordings, names, texts)),
        section("cautions", texts("cautions.title"), cautions_section(limits, texts)),
        section("words", texts("words.title"), words_section(limits, texts)),
    ]
    who = next((label for recording in recordings if (label := recording.labels["participant"])), "–")
    body = [
        tag("a", texts("page.skip"), href="#answer", class_="skip"),
        hatches(),
        _header(who, recordings, results.quality, texts),
        tag("main", main),
        _footer(results.quality, texts),
    ]
    data = {
        "shots": shots,
        "measures": measures_data(recordings, texts),
        "curves": curves_data(recordings, texts),
        "marks": marks_data(),
        "limits": limits_data(limits),
        "picked": _first(recordings),
        "palette": {"light": palette.LIGHT, "dark": palette.DARK},
        "texts": {key: texts.entries[key] for key in TEXTS_FOR_SCRIPTS},
    }
    styles = ("page.css", "coach.css")
    title = texts("coach.title", who=who)
    return document(body, title=title, texts=texts, styles=styles, scripts=SCRIPTS, data=data)


def _header(who: str, recordings: Sequence[RecordingView], quality: Mapping[str, Any], texts: Texts) -> Html:
    count = tally([swing for recording in recordings for swing in recording.swings])
    simulated = any(recording.described.get("simulated") for recording in recordings)
    problems = warning_count(quality)
    warned = [texts.count("page.warned", problems), " ", tag("a", texts("page.warned_link"), href="#quality"), "."]
    sentences = particulars(count, texts)
    return tag(
        "header",
        tag("p", " · ".join([texts("coach.kicker"), who]), class_="kicker"),
        tag("p", texts("page.simulated"), class_="simulated") if simulated else None,
        tag("h1", headline(count, recordings, texts), id="answer", tabindex=-1),
        tag("p", " ".join(sentences), class_="rest") if sentences else None,
        tag("p", warned, class_="warned") if problems else None,
    )


def _changes(
    results: Results, recordings: Sequence[RecordingView], plan: PlanView, by: By, texts: Texts
) -> list[Html | None]:
    """What `compare` says, a kind of shot at a time."""
    measures = measures_worked_on(plan.goals)
    tasks = list(dict.fromkeys(recording.labels["task"] for recording in recordings))
    found = []
    for place, task in enumerate(tasks):
        part = results if task is None else results.of(task=task)
        own = [recording for recording in recordings if recording.labels["task"] == task]
        change = find_change(part, own, by=by, measures=measures)
        if change is not None:
            name = task if len(tasks) > 1 else None
            found.append(change_section(change, measures, name, texts, identifier=f"change{place or ''}"))
    return list(found)


def _first(recordings: Sequence[RecordingView]) -> str | None:
    """The shot shown before anyone picks one: of the last recording, the one that kept least of its turn."""
    for recording in reversed(recordings):
        if recording.shots and (swing := picked_first(recording)) is not None:
            return swing.key
    swings = [swing for recording in recordings for swing in recording.swings]
    return swings[0].key if swings else None


def _footer(quality: Mapping[str, Any], texts: Texts) -> Html:
    version = quality.get("imuswing")
    return tag(
        "footer",
        tag("h2", texts("cautions.privacy_title")),
        tag("p", texts("cautions.privacy")),
        tag("p", texts("page.made_with", version=version), class_="quiet small") if version else None,
    )
