"""The parts of the student's page: what it worked on, what changed, the pictures, tasks, the next test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from imuswing.compare.own_best import CANNOT_TELL
from imuswing.compare.table import By
from imuswing.measures.dictionary import BY_NAME
from imuswing.report.answer import tally
from imuswing.report.change import VERDICT_KEYS, Change, Row, Stage, middle_shot
from imuswing.report.document import section
from imuswing.report.markup import Child, Html, tag
from imuswing.report.palette import MARKS
from imuswing.report.pictures import arm_arc, arm_picture, verdict_mark
from imuswing.report.plan_view import GoalCount, GoalView, PlanView, TaskView, goal_count
from imuswing.report.shapes import Limits, hill_of
from imuswing.report.student_pictures import best_picture, big_hill, wrist_picture
from imuswing.report.terms import plain, rich
from imuswing.report.texts import Texts
from imuswing.report.views import SwingView
from imuswing.report.wording import goal_text, is_close_call, limit_shares, plain_text, se_text, verdict_text

MOST_MORE = 40
"""More shots than this are no advice for a student (common practice, no source)."""
MOST_SENTENCES = 3
NO_DEFINITE_ZONE = (20.0, 165.0)
"""Angles of the drawn arm at which a zone with one end only stops."""


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """All that the page tells: all shots, stages, the change between them, the plan, the shot shown, the own best."""

    shots: tuple[SwingView, ...]
    stage: Stage
    before: Stage | None
    change: Change | None
    plan: PlanView
    measures: tuple[str, ...]
    limits: Limits
    shown: SwingView | None
    best: SwingView | None
    best_goal: GoalView
    reached: Row | None
    lead_side: str
    by: By


def stage_name(stage: Stage, by: By, texts: Texts) -> str:
    """A stage in words: the block's name, or the visit."""
    return texts("page.session", session=stage.label) if by == "session" else stage.label


def answer(lesson: Lesson, texts: Texts) -> str:
    """The page's heading: how often the chest kept turning, at last and at first."""
    now = tally(lesson.stage.shots)
    if not now.judged:
        return texts("student.no_answer")
    if lesson.before is None or not (before := tally(lesson.before.shots)).judged:
        if now.judged == 1:
            (verdict,) = (shot.verdict for shot in lesson.stage.shots if shot.verdict)
            return texts(f"student.answer_single_{verdict}")
        return texts.count("student.answer_one", now.judged, turned=now.turning)
    return texts.count("student.answer", now.judged, turned=now.turning, first=before.turning, first_n=before.judged)


def work_section(lesson: Lesson, texts: Texts) -> Html | None:
    """What it was about: the coach's words, and each goal with how many shots met it."""
    plan = lesson.plan
    stages = [lesson.stage] if lesson.change is None else lesson.change.stages
    intents = [shot.intent for stage in stages for shot in stage.shots if shot.intent]
    words = plan.work_on or next(iter(intents), None)
    if words is None and not plan.goals and not plan.notes:
        return None
    goals = [_goal(goal, goal_count(goal, lesson.shots), texts) for goal in plan.goals]
    notes = [tag("blockquote", tag("p", note)) for note in plan.notes]
    said = tag("p", words[:1].upper() + words[1:], class_="lead") if words else None
    return section("work", texts("student.work"), said, tag("div", goals, class_="goals") if goals else None, notes)


def _goal(goal: GoalView, count: GoalCount, texts: Texts) -> Html:
    aim = goal.words or goal_text(goal, texts)
    target = goal.needed if goal.needed is not None else count.measured
    of = goal.of if goal.of is not None else count.measured
    done = texts.count(f"student.{'goal_count' if goal.of is None else 'goal_last'}", count.measured, met=count.met)
    wanted = texts("student.goal_wanted", needed=target, of=of) if goal.needed is not None else ""
    filled = [tag("i", class_="on" if place < count.met else None) for place in range(count.measured)]
    bar = tag("span", filled, class_="beads", aria_hidden="true")
    return tag("div", tag("p", rich(aim), class_="aim"), bar, tag("p", f"{done} {wanted}".strip()), class_="goalbox")


def change_list(lesson: Lesson, texts: Texts) -> Html | None:
    """Up to three things compared: what, from where to where, and what can be said about it."""
    change = lesson.change
    if change is None:
        return None
    items = [
        _changed(measure, row, lesson.by, texts)
        for measure in lesson.measures
        if (row := change.row(measure)) is not None and row["n_a"] and row["n_b"]
    ]
    return tag("ul", items[:MOST_SENTENCES], class_="changes") if items else None


def _changed(name: str, row: Row, by: By, texts: Texts) -> Html:
    measure = BY_NAME[name]
    first, last = (plain_text(measure, float(row[column]), texts) for column in ("mean_a", "mean_b"))
    verdict = VERDICT_KEYS[str(row["verdict"])]
    return tag(
        "li",
        tag("span", rich(texts.plainly(measure)), class_="what"),
        tag("span", first, " → ", tag("b", last), class_="fromto"),
        tag("span", verdict_told(verdict, row["shots_needed"], by, texts), class_=f"told {verdict}"),
    )


def verdict_told(verdict: str, needed: object, by: By, texts: Texts) -> str:
    """A verdict of `compare` in a sentence for the student.

    Where shots alone will not tell, another visit helps: blocks of several visits are averaged by `compare`; between
    two visits the error of strapping on again stays, so that only a larger change can come out of it.
    """
    if verdict != "cannot_tell":
        return texts(f"student.{verdict}")
    number = None if needed is None or needed != needed or str(needed) == "<NA>" else int(str(needed))
    if not number or number > MOST_MORE:
        return texts(f"student.cannot_tell_{by}")
    return texts.count("student.cannot_tell", number)


def chest_pictures(lesson: Lesson, texts: Texts) -> Html:
    """Before and after: the middle shot's hill of each stage, and every shot's mark."""
    stages = [lesson.stage] if lesson.before is None else [lesson.before, lesson.stage]
    titles = ["student.now"] if lesson.before is None else ["student.before", "student.after"]
    panels = [
        panel
        for title, stage in zip(titles, stages, strict=True)
        if (panel := _hill_panel(texts(title), stage, lesson, texts)) is not None
    ]
    if not panels:
        return section("chest", texts("student.chest"), tag("p", texts("chest.no_curves"), class_="absent"))
    legend = [
        tag("li", tag("i", class_=f"key {key}", aria_hidden="true"), " ", texts(f"student.key_{key}"))
        for key in ("kept", "lost", "ball")
    ]
    found = {shot.verdict for stage in stages for shot in stage.shots}
    marks = [
        tag("li", verdict_mark(verdict), " ", verdict_text(verdict, texts), class_=f"said {verdict or 'unjudged'}")
        for verdict in MARKS
        if verdict in found
    ]
    return section(
        "chest",
        texts("student.chest"),
        tag("p", rich(texts.count("student.chest_read", len(panels)))),
        tag("div", panels, class_="panels"),
        tag("ul", legend, class_="legend"),
        tag("ul", tag("li", texts("student.key_marks")), marks, class_="legend"),
        tag("p", texts("student.chest_limits", **limit_shares(lesson.limits, texts)), class_="quiet small"),
    )


def _hill_panel(title: str, stage: Stage, lesson: Lesson, texts: Texts) -> Html | None:
    shot = middle_shot(stage.shots)
    hill = None if shot is None else hill_of(shot, lesson.limits)
    if shot is None or hill is None:
        return None
    kept = kept_text(shot, texts)
    name = stage_name(stage, lesson.by, texts) if stage.label else ""
    alt = texts("student.hill_alt", verdict=verdict_text(shot.verdict, texts), kept=kept)
    marks = [verdict_mark(other.verdict) for other in stage.shots]
    count = tally(stage.shots)
    detail = texts("chest.block_count", turned=count.turning, n=count.judged) if count.judged else ""
    return tag(
        "figure",
        tag("figcaption", tag("b", title), [" · ", name] if name else None),
        big_hill(hill, shot.verdict, lesson.limits, alt),
        tag("p", kept, class_=f"kept {shot.verdict or 'unjudged'}"),
        tag("p", why_shown(stage.shots, texts), class_="quiet small"),
        tag("p", marks, class_="marks", aria_hidden="true"),
        tag("p", detail, class_="quiet small"),
    )


def why_shown(shots: Sequence[SwingView], texts: Texts) -> str:
    """Which of a stage's shots the picture shows: the one that `middle_shot` takes."""
    if len(shots) == 1:
        return texts("student.shown_only")
    measured = sum(shot.values.get("chest_continuity") is not None for shot in shots)
    if measured < 2:
        return texts(f"student.shown_{'measured' if measured else 'last'}")
    return texts("student.shown_less") if measured == 2 else texts("student.shown_middle", n=measured)


def kept_text(shot: SwingView, texts: Texts) -> str:
    """How much of its turn the chest kept, in a few words."""
    continuity = shot.values.get("chest_continuity")
    if continuity is None:
        return texts("student.kept_unknown" if shot.verdict is None else "student.kept_hardly")
    if continuity < 0.0:
        return texts("student.kept_back")
    return texts("student.kept", value=plain_text(BY_NAME["chest_continuity"], continuity, texts))


def wrist_part(lesson: Lesson, texts: Texts) -> Html | None:
    """One shot's wrist as a curve, its three moments in words."""
    shot = lesson.shown
    if shot is None:
        return None
    told = [
        (texts(f"wrist.{moment}"), plain_text(BY_NAME[name], value, texts), se_text(shot.values, name, texts))
        for moment in ("address", "top", "impact")
        if (value := shot.values.get(name := f"wrist_flexion_{moment}_deg")) is not None
    ]
    summary = "; ".join(f"{moment} {value}" for moment, value, _ in told)
    goal = next((g for g in lesson.plan.goals if g.measure == "wrist_flexion_impact_deg"), None)
    picture = wrist_picture(shot, texts, texts("student.wrist_alt", text=summary), band=goal)
    if picture is None:
        return None
    rows = [tag("tr", tag("th", moment, scope="row"), tag("td", value), tag("td", se)) for moment, value, se in told]
    heads = [tag("th", texts(key), scope="col") for key in ("wrist.moment", "student.wrist_bend", "student.likely")]
    return section(
        "wrist",
        texts("student.wrist"),
        tag("p", rich(texts("student.wrist_read"))),
        picture,
        tag("table", tag("thead", tag("tr", heads)), tag("tbody", rows), class_="plain"),
        None if goal is None else tag("p", texts("student.wrist_goal"), class_="quiet small"),
        tag("p", rich(texts("student.wrist_band")), class_="quiet small"),
    )


def backswing_part(lesson: Lesson, texts: Texts) -> Html | None:
    """The arm's arc with every shot of the last stage as a tick, against the goal's zone if there is one."""
    shots = [shot for shot in lesson.stage.shots if arm_arc(shot) is not None]
    if not shots:
        return None
    shown = lesson.shown if lesson.shown in shots else shots[-1]
    assert shown is not None
    goal = next((g for g in lesson.plan.goals if g.measure in ("arm_height_top_deg", "backswing_arc_deg")), None)
    height = plain_text(BY_NAME["arm_height_top_deg"], shown.values["arm_height_top_deg"] or 0.0, texts)
    alt = texts("student.arm_alt", height=height)
    zone = None if goal is None else _zone_of(goal, shown)
    picture = arm_picture(
        shots, picked=shown.key, lead_side=lesson.lead_side, texts=texts, alt=alt, zone=zone, alone=True
    )
    if goal is None:
        against: Child = tag("p", rich(texts("student.arm_no_goal")), class_="quiet small")
    else:
        count = goal_count(replace(goal, of=None), shots)
        aim = plain(goal.words or goal_text(goal, texts))
        against = tag("p", texts.count("student.arm_goal", count.measured, aim=aim, met=count.met))
    read = tag("p", rich(texts.count("student.arm_read", len(shots), height=height)))
    return section("backswing", texts("student.arm"), read, picture, against)


def _zone_of(goal: GoalView, shown: SwingView) -> tuple[float, float]:
    arc = arm_arc(shown)
    assert arc is not None
    start = 90.0 if goal.measure == "arm_height_top_deg" else arc.address_deg
    lowest, highest = NO_DEFINITE_ZONE
    low = lowest if goal.low is None else start + goal.low
    high = highest if goal.high is None else start + goal.high
    return min(low, high - 1.0), high


def best_part(lesson: Lesson, texts: Texts) -> Html | None:
    """The shot shown against the student's own best; None where it is the only shot there is."""
    shown, best = lesson.shown, lesson.best
    stages = [lesson.stage] if lesson.change is None else lesson.change.stages
    if shown is None or best is None or sum(len(stage.shots) for stage in stages) < 2:
        return None
    today, line = hill_of(shown, lesson.limits), hill_of(best, lesson.limits)
    if today is None or line is None:
        return None
    measure = BY_NAME[lesson.best_goal.measure]
    values = [shot.values.get(measure.name) for shot in (shown, best)]
    now, then = (texts("value.none") if value is None else plain_text(measure, value, texts) for value in values)
    name = plain(texts.plainly(measure))
    told = texts("student.best_told", what=name, now=now, best=then)
    same = shown.key == best.key
    keys = [
        tag("li", tag("i", class_=f"key {key}", aria_hidden="true"), " ", texts(f"student.key_{key}"))
        for key in ("kept", "best")
    ]
    return section(
        "best",
        texts("student.best"),
        tag("p", rich(texts("student.best_same" if same else "student.best_read"))),
        best_picture((today, shown.verdict), line, lesson.limits, texts, told),
        tag("ul", keys, class_="legend"),
        tag("p", told),
        _reached(lesson, texts),
    )


def _reached(lesson: Lesson, texts: Texts) -> Html | None:
    row = lesson.reached
    # Where the data cannot tell, a count would read as praise or blame.
    if row is None or row["verdict"] == CANNOT_TELL:
        return None
    counts = {"reached": int(row["reached"]), "n": int(row["n_now"]), "expected": texts.number(row["expected"], 0)}
    return tag("p", texts("student.best_reached", **counts))


def tasks_section(plan: PlanView, texts: Texts) -> Html | None:
    """Practice tasks, each with how to do it, how often, what to look for and its caution."""
    if not plan.tasks:
        return None
    return section("tasks", texts("student.tasks"), tasks_list(plan, texts))


def tasks_list(plan: PlanView, texts: Texts) -> Html:
    """The tasks alone."""
    return tag("ol", [_task(task, texts) for task in plan.tasks], class_="tasks")


def _task(task: TaskView, texts: Texts) -> Html:
    pairs = [
        (texts(f"student.task_{name}"), value)
        for name in ("purpose", "set_up", "how", "mistake", "shows", "feedback", "often")
        if (value := getattr(task, name))
    ]
    caution = (
        tag("p", tag("b", texts("student.caution")), " ", task.caution, class_="caution") if task.caution else None
    )
    listed = [tag("div", tag("dt", name), tag("dd", value)) for name, value in pairs]
    return tag("li", tag("h3", task.title), tag("dl", listed, class_="words"), caution)


def next_test_section(lesson: Lesson, texts: Texts) -> Html:
    """How to get to the next test."""
    plan = lesson.plan
    when = tag("p", texts("student.test_when", when=plan.next_test), class_="lead") if plan.next_test else None
    goal = next((g for g in plan.goals if g.needed is not None and g.of is not None), None)
    aim = None if goal is None else texts("student.test_goal", needed=goal.needed, of=goal.of)
    steps = ["warm", "strap", "shots"]
    listed = [tag("li", texts(f"student.test_{step}")) for step in steps]
    return section("test", texts("student.test"), when, tag("ol", listed, [tag("li", aim)] if aim else None))


def doubts(shots: Sequence[SwingView], texts: Texts) -> Html | None:
    """What the measurement leaves open, in a sentence."""
    close = sum(shot.verdict is not None and is_close_call(shot) for shot in shots)
    return tag("p", texts.count("student.close", close), class_="quiet small") if close else None


def unjudged(lesson: Lesson, texts: Texts) -> Html | None:
    """That most shots of the stages shown have no verdict: the heading counts the others only."""
    stages = [lesson.stage] if lesson.before is None else [lesson.before, lesson.stage]
    count = tally([shot for stage in stages for shot in stage.shots])
    if count.unjudged <= count.judged:
        return None
    told = texts.count("student.unjudged", count.unjudged + count.judged, unjudged=count.unjudged)
    return tag("p", told, class_="quiet small")
