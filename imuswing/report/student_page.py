"""The student's page: one file for a phone, without a script, that prints on two sheets of paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from imuswing.compare.table import By
from imuswing.report.change import (
    all_shots,
    find_change,
    measures_worked_on,
    middle_shot,
    own_best,
    reached_own_best,
    usual_by,
)
from imuswing.report.document import document, section
from imuswing.report.ledger import cautions_section
from imuswing.report.load import Results
from imuswing.report.markup import Child, Html, join, tag
from imuswing.report.pictures import hatches
from imuswing.report.plan_view import GoalView, PlanView, plan_view
from imuswing.report.shapes import limits_from
from imuswing.report.student_parts import (
    Lesson,
    answer,
    backswing_part,
    best_part,
    change_list,
    chest_pictures,
    doubts,
    next_test_section,
    tasks_section,
    unjudged,
    work_section,
    wrist_part,
)
from imuswing.report.terms import term_cards, terms_in
from imuswing.report.texts import ENGLISH, Texts
from imuswing.report.views import RecordingView, recordings_from

CHEST_GOAL = GoalView(measure="chest_continuity", low=0.7)
"""What the own best is sought in without a plan: a chest that keeps turning."""


def render_student(
    results: Results, *, plan: Mapping[str, Any] | None = None, by: By | None = None, texts: Texts = ENGLISH
) -> str:
    """The page of one student and one kind of shot as HTML text.

    results: of one student and task.  plan: as plain data, see `plan_view`.  by: what is before and after, blocks or
    visits; visits if None and there are several. Nothing is measured here: numbers, errors and verdicts come from the
    tables and from `compare`.
    """
    recordings = recordings_from(results.swings, results.curves, results.quality)
    lesson = _lesson(results, recordings, plan_view(plan, task=the_task(recordings)), by or usual_by(results))
    top: list[Child] = [_header(lesson, recordings, texts)]
    parts = [
        work_section(lesson, texts),
        chest_pictures(lesson, texts),
        wrist_part(lesson, texts),
        backswing_part(lesson, texts),
        best_part(lesson, texts),
        tasks_section(lesson.plan, texts),
        next_test_section(lesson, texts),
        section("cautions", texts("cautions.title"), cautions_section(lesson.limits, texts)),
    ]
    body = [
        tag("a", texts("page.skip"), href="#answer", class_="skip"),
        hatches(),
        join(top),
        tag("main", parts),
        _footer(results, texts),
    ]
    cards = term_cards(terms_in(join(body)), texts)
    words = tag("aside", tag("h2", texts("words.title")), cards, class_="cards-of-words") if cards else None
    title = texts("student.title", who=_who(recordings))
    return document([body, words], title=title, texts=texts, styles=("page.css", "student.css"))


def _lesson(results: Results, recordings: tuple[RecordingView, ...], plan: PlanView, by: By) -> Lesson:
    measures = measures_worked_on(plan.goals)
    change = find_change(results, recordings, by=by, measures=measures)
    stage = all_shots(recordings) if change is None else change.last
    goal = next((goal for goal in plan.goals if goal.measure in measures), CHEST_GOAL)
    sides = [str(recording.described["lead_side"]) for recording in recordings if recording.described.get("lead_side")]
    return Lesson(
        shots=all_shots(recordings).shots,
        stage=stage,
        before=None if change is None else change.first,
        change=change,
        plan=plan,
        measures=measures,
        limits=limits_from(results.quality),
        shown=middle_shot(stage.shots),
        best=own_best(results, recordings, goal),
        best_goal=goal,
        reached=None if change is None else reached_own_best(results, goal, by),
        lead_side=sides[0] if sides else "left",
        by=by,
    )


def _header(lesson: Lesson, recordings: tuple[RecordingView, ...], texts: Texts) -> Html:
    simulated = any(recording.described.get("simulated") for recording in recordings)
    sessions = list(dict.fromkeys(label for r in recordings if (label := r.labels["session"])))
    tasks = list(dict.fromkeys(label for r in recordings if (label := r.labels["task"])))
    where = [*tasks, *(texts("page.session", session=session) for session in sessions)]
    return tag(
        "header",
        tag("p", " · ".join([texts("student.kicker"), _who(recordings), *where]), class_="kicker"),
        tag("p", texts("page.simulated"), class_="simulated") if simulated else None,
        tag("h1", answer(lesson, texts), id="answer", tabindex=-1),
        change_list(lesson, texts),
        unjudged(lesson, texts),
        doubts(lesson.stage.shots, texts),
        tag("p", texts("student.tap"), class_="quiet small tap"),
    )


def the_task(recordings: tuple[RecordingView, ...]) -> str | None:
    """The kind of shot of all recordings; None where there are several or none is named."""
    tasks = {recording.labels["task"] for recording in recordings}
    return tasks.pop() if len(tasks) == 1 else None


def _who(recordings: tuple[RecordingView, ...]) -> str:
    people = [label for recording in recordings if (label := recording.labels["participant"])]
    return people[0] if people else "–"


def _footer(results: Results, texts: Texts) -> Html:
    version = results.quality.get("imuswing")
    return tag(
        "footer",
        tag("p", texts("cautions.privacy"), class_="small"),
        tag("p", texts("page.made_with", version=version), class_="quiet small") if version else None,
    )
