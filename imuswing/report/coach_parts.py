"""The parts of the coach's page that no script is needed to read, and the places that its scripts fill."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from imuswing.compare.relations import relate
from imuswing.measures.dictionary import BY_NAME
from imuswing.report.change import Change
from imuswing.report.document import section
from imuswing.report.load import Results
from imuswing.report.markup import Child, Html, tag
from imuswing.report.palette import MARKS
from imuswing.report.pictures import verdict_mark
from imuswing.report.plan_view import PlanView, goal_count
from imuswing.report.progress_page import difference_rows
from imuswing.report.student_parts import stage_name, tasks_list
from imuswing.report.terms import plain
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView
from imuswing.report.wording import goal_text, verdict_text

FILTERS: Final = ("session", "task", "block", "outcome", "verdict", "kind")
APPLY: Final = "imuswing mark DATASET --apply corrections.txt"
VIEWS: Final = ("front", "line", "above")
FIGURE_WORDS: Final = ("figure_read", "figure_limits")


def filters(recordings: Sequence[RecordingView], texts: Texts) -> Html:
    """One choice a label; the script fills in what there is and hides choices with one value only."""
    choices = [
        tag("label", texts(f"filter.{name}"), " ", tag("select", data_filter=name), class_="filter", hidden=True)
        for name in FILTERS
    ]
    reset = tag("button", texts("filter.all"), type="button", id="no-filter")
    said = tag("p", id="shown-count", role="status", class_="quiet small")
    return tag("div", tag("div", choices, reset, class_="filters"), said, class_="filterbar scripted")


def strip_section(recordings: Sequence[RecordingView], texts: Texts) -> Html:
    """Every shot in order for one measure."""
    choice = tag("label", texts("coach.strip_measure"), " ", tag("select", id="strip-measure"))
    return section(
        "strip",
        texts("coach.strip"),
        tag("p", texts("coach.strip_read"), class_="read"),
        tag("div", choice, class_="scripted tools"),
        _place("strip-plot", texts("coach.strip_alt")),
        tag("ul", _mark_legend(texts), class_="legend"),
    )


def bench_section(recordings: Sequence[RecordingView], turning: bool, texts: Texts) -> Html:
    """One shot in motion, another one beside it: the figure, the curves with their cursor, the numbers."""
    picks = [
        tag("label", texts(f"coach.{name}"), " ", tag("select", id=name), class_=f"pickone {name}-shot")
        for name in ("shown", "beside")
    ]
    figure: Child
    if turning:
        views = [tag("button", texts(f"coach.view_{name}"), type="button", data_view=name) for name in VIEWS]
        canvas = tag("canvas", id="figure", tabindex=0, role="img", aria_label=texts("coach.figure_alt"))
        figure = [
            canvas,
            tag("p", id="no-turns", hidden=True, class_="absent"),
            tag("div", views, class_="tools scripted"),
        ]
    else:
        figure = tag("p", texts("coach.no_orientations"), " ", tag("code", "imuswing analyze … --orientations"))
    return section(
        "bench",
        texts("coach.bench"),
        tag("p", texts("coach.bench_read"), class_="read"),
        tag("div", picks, class_="scripted picks"),
        tag(
            "div",
            tag("div", figure, class_="plotted figurebox" if turning else "absent"),
            tag("div", _curve_places(texts), class_="plotted"),
            class_="motion",
        ),
        [tag("p", texts(f"coach.{name}"), class_="quiet small drawn") for name in FIGURE_WORDS] if turning else None,
        tag(
            "div",
            tag("table", id="numbers", class_="plain"),
            class_="scroll scripted",
            tabindex=0,
            role="region",
            aria_label=texts("coach.numbers"),
        ),
    )


def _curve_places(texts: Texts) -> list[Html]:
    play = tag("button", texts("coach.play"), type="button", id="play")
    time = tag("output", id="now", for_="upper")
    choice = tag("label", texts("coach.lower_curve"), " ", tag("select", id="lower-curve"))
    return [
        tag("div", play, time, class_="tools scripted"),
        tag("p", tag("span", id="upper-name"), class_="axis"),
        tag("div", id="upper", class_="curveplot", role="slider", tabindex=0, aria_label=texts("coach.slider"),
            aria_valuemin=-1, aria_valuemax=1, aria_valuenow=0),
        tag("div", choice, class_="tools scripted"),
        tag("div", id="lower", class_="curveplot", role="img", aria_label=texts("coach.lower_alt")),
        tag("p", texts("coach.keys"), class_="quiet small"),
    ]  # fmt: skip


def correct_section(texts: Texts) -> Html:
    """Where the coach says what is wrong with a shot; collected as lines for `imuswing mark`, nothing changes here."""

    def button(name: str, key: str) -> Html:
        return tag("button", texts(f"correct.{key}", time=texts.number(0.0, 2)), type="button", id=f"correct-{name}")

    def choice(name: str, known: str) -> list[Html]:
        entry = tag("input", type="text", id=f"correct-{name}", list=known, autocomplete="off")
        return [tag("label", texts(f"correct.{name}"), " ", entry), tag("datalist", id=known)]

    outcome = [*choice("outcome", "outcomes-known"), tag("button", texts("correct.note"), type="submit")]
    block = [*choice("block", "blocks-known"), button("alone", "block_alone"), button("from", "block_from")]
    others = [button("kind", "is_practice"), button("delete", "delete"), button("impact", "impact_here")]
    tools = [
        tag("form", outcome, id="correct-form", class_="correctline"),
        tag("div", block, class_="correctline"),
        tag("div", others, class_="correctline"),
    ]
    told = texts("correct.sheet_label")
    kept = [
        tag("ol", id="correct-list", class_="long"),
        tag("textarea", id="correct-sheet", readonly=True, rows=6, spellcheck="false", aria_label=told),
        tag("div", button("save", "save"), button("copy", "copy"), class_="correctline"),
        tag("p", texts("correct.apply"), " ", tag("code", APPLY)),
    ]
    return section(
        "correct",
        texts("correct.title"),
        tag("p", texts("correct.read"), class_="read"),
        tag("p", texts("correct.about"), " ", tag("b", id="correct-shot"), class_="scripted"),
        tag("div", tools, id="correct-tools", class_="scripted"),
        tag("p", texts("correct.nameless"), id="correct-nameless", hidden=True, class_="absent"),
        tag("p", id="correct-said", class_="unseen", aria_live="polite"),
        tag("p", texts("correct.none"), id="correct-none", class_="quiet scripted"),
        tag("div", kept, id="correct-kept", hidden=True),
    )


def _mark_legend(texts: Texts) -> list[Html]:
    """The verdicts' marks, and how practice swings look."""
    verdicts = [
        tag("li", verdict_mark(verdict), " ", verdict_text(verdict, texts), class_=f"said {verdict or 'unjudged'}")
        for verdict in MARKS
    ]
    return [*verdicts, tag("li", texts("coach.grey"), class_="quiet")]


def _place(identifier: str, alt: str) -> Html:
    return tag("div", id=identifier, class_="plotted curveplot", role="img", tabindex=0, aria_label=alt)


def change_section(change: Change, measures: Sequence[str], task: str | None, texts: Texts, *, identifier: str) -> Html:
    """Each later block or visit against the first: the measures worked on, the others folded away."""
    first = stage_name(change.first, change.by, texts)
    parts: list[Child] = [tag("p", texts("coach.change_read", first=first), class_="read")]
    for stage in change.stages[1:]:
        later = stage_name(stage, change.by, texts)
        title = texts("coach.against", later=later, first=first)
        worked, others = difference_rows(change, stage, measures, texts)
        parts.append(tag("h3", title))
        parts.append(worked)
        parts.append(tag("details", tag("summary", texts("progress.others_open")), others))
    title = texts("coach.change") if task is None else texts("coach.change_task", task=task)
    return section(identifier, title, parts)


def relations_section(results: Results, several: bool, texts: Texts) -> Html | None:
    """How what the ball did goes with what the body did, where the data can say it; None without noted outcomes."""
    if results.compared.get("outcome") is None or results.compared["outcome"].notna().sum() == 0:
        return None
    told = relate(results.compared).dropna(subset=["relation"])
    items = []
    for row in told.to_dict("records"):
        measure = BY_NAME[str(row["measure"])]
        numbers = {
            key: texts.number(float(row[name]), measure.decimals, sign=True)
            for key, name in (("difference", "difference"), ("low", "difference_low"), ("high", "difference_high"))
        }
        numbers["difference"] = texts.quantity(numbers["difference"], measure.unit)
        counts = {"n": int(row["n_with"]), "all": int(row["n_with"]) + int(row["n_without"])}
        what, relation = texts.label(measure), texts(f"relation.{row['relation']}")
        sentence = texts("coach.relation", outcome=row["outcome"], what=what, relation=relation, **counts, **numbers)
        items.append(tag("li", [f"{row['task']}: "] if row["task"] else None, sentence))
    body = tag("ul", items) if items else tag("p", texts("coach.no_relation"))
    return section("relations", texts("coach.relations"), tag("p", texts("coach.relations_read"), class_="read"), body)


def notes_section(plan: PlanView, recordings: Sequence[RecordingView], texts: Texts) -> Html:
    """The coach's words, goals with how often they were met, tasks, the next test, and what each block aimed at."""
    shots = [shot for recording in recordings for shot in recording.shots]
    parts: list[Child] = [tag("p", plan.work_on, class_="lead")] if plan.work_on else []
    parts += [tag("blockquote", tag("p", note)) for note in plan.notes]
    if plan.goals:
        goals = []
        for goal in plan.goals:
            own = [r for r in recordings if goal.task in (None, r.labels["task"])]
            count = goal_count(goal, [shot for recording in own for shot in recording.shots])
            key = "coach.goal_count" if goal.of is None else "coach.goal_last"
            done = texts.count(key, count.measured, met=count.met)
            if goal.needed is not None:
                done += " " + texts("coach.goal_wanted", needed=goal.needed, of=goal.of)
            if count.unclear:
                done += " " + texts.count("coach.goal_unclear", count.unclear)
            aim = goal_text(goal, texts, plainly=False)
            words = f" ({plain(goal.words)})" if goal.words else ""
            goals.append(tag("li", tag("b", aim), words, ". ", done))
        parts += [tag("h3", texts("coach.goals")), tag("ul", goals)]
    if plan.tasks:
        parts += [tag("h3", texts("student.tasks")), tasks_list(plan, texts)]
    if plan.next_test:
        parts.append(tag("p", texts("student.test_when", when=plan.next_test)))
    intents = list(dict.fromkeys((shot.block, shot.intent) for shot in shots if shot.block and shot.intent))
    if intents:
        listed = [tag("div", tag("dt", block), tag("dd", intent)) for block, intent in intents]
        parts += [tag("h3", texts("coach.intents")), tag("dl", listed, class_="words")]
    return section("notes", texts("coach.notes"), parts or tag("p", texts("coach.no_notes"), class_="absent"))
