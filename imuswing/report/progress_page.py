"""The progress page: each goal over the visits, with what can be said about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

from imuswing.compare.settings import SIZES
from imuswing.compare.table import By
from imuswing.measures.dictionary import BY_NAME, MEASURES, Measure
from imuswing.report.answer import tally
from imuswing.report.change import VERDICT_KEYS, Change, Row, Stage, find_change, measures_worked_on, usual_by
from imuswing.report.document import document, section
from imuswing.report.ledger import cautions_section
from imuswing.report.load import Results
from imuswing.report.markup import Child, Html, tag
from imuswing.report.pictures import hatches
from imuswing.report.plan_view import GoalView, PlanView, goal_count, plan_view
from imuswing.report.progress_picture import is_drill, trend_of, trend_picture
from imuswing.report.shapes import limits_from
from imuswing.report.student_parts import stage_name
from imuswing.report.terms import plain
from imuswing.report.texts import ENGLISH, Texts
from imuswing.report.views import RecordingView, recordings_from
from imuswing.report.wording import goal_text, plain_text


def render_progress(
    results: Results, *, plan: Mapping[str, Any] | None = None, by: By | None = None, texts: Texts = ENGLISH
) -> str:
    """The page of one student and one kind of shot as HTML text.

    results: of one student and task.  plan: as plain data, see `plan_view`.  by: what is followed, visits or blocks;
    visits if None and there are several. All differences and verdicts are `compare`'s.
    """
    recordings = recordings_from(results.swings, results.curves, results.quality)
    tasks = {recording.labels["task"] for recording in recordings}
    view = plan_view(plan, task=tasks.pop() if len(tasks) == 1 else None)
    by = by or usual_by(results)
    measures = measures_worked_on(view.goals)
    change = find_change(results, recordings, by=by, measures=measures)
    who = next((label for recording in recordings if (label := recording.labels["participant"])), "–")
    if change is None:
        parts: list[Child] = [tag("p", texts("progress.one_stage"), class_="absent")]
    else:
        names = [stage_name(stage, by, texts) for stage in change.stages]
        parts = [_measure_section(name, change, names, view, texts) for name in measures]
        parts += [_shot_section(change, names, texts), _others(change, measures, texts)]
    parts.append(section("cautions", texts("cautions.title"), cautions_section(limits_from(results.quality), texts)))
    body = [
        tag("a", texts("page.skip"), href="#answer", class_="skip"),
        hatches(),
        _header(who, change, measures, recordings, texts),
        tag("main", parts),
        tag("footer", tag("p", texts("cautions.privacy"), class_="small")),
    ]
    styles = ("page.css", "student.css", "progress.css")
    return document(body, title=texts("progress.title", who=who), texts=texts, styles=styles)


def _header(
    who: str, change: Change | None, measures: Sequence[str], recordings: Sequence[RecordingView], texts: Texts
) -> Html:
    simulated = any(recording.described.get("simulated") for recording in recordings)
    tasks = list(dict.fromkeys(label for recording in recordings if (label := recording.labels["task"])))
    return tag(
        "header",
        tag("p", " · ".join([texts("progress.kicker"), who, *tasks]), class_="kicker"),
        tag("p", texts("page.simulated"), class_="simulated") if simulated else None,
        tag("h1", _answer(change, measures, texts), id="answer", tabindex=-1),
        tag("p", texts("progress.read"), class_="read") if change else None,
    )


def _answer(change: Change | None, measures: Sequence[str], texts: Texts) -> str:
    """The heading: what the first measure worked on did from the first stage to the last."""
    for name in measures:
        row = None if change is None else change.row(name)
        if row is not None and row["n_a"] and row["n_b"]:
            first, last = (plain_text(BY_NAME[name], float(row[column]), texts) for column in ("mean_a", "mean_b"))
            verdict = texts(f"progress.{VERDICT_KEYS[str(row['verdict'])]}")
            return texts("progress.answer", what=_plainly(name, texts), first=first, last=last, verdict=verdict)
    return texts("progress.no_answer")


def _measure_section(name: str, change: Change, names: Sequence[str], plan: PlanView, texts: Texts) -> Html:
    measure = BY_NAME[name]
    goal = next((goal for goal in plan.goals if goal.measure == name), None)
    trend = trend_of(change, name)
    title = _plainly(name, texts)
    if all(mean is None for mean in trend.means):
        return section(name, title, tag("p", texts("progress.not_measured"), class_="absent"))
    told = [
        f"{stage} {plain_text(measure, mean, texts)}"
        for stage, mean in zip(names, trend.means, strict=True)
        if mean is not None
    ]
    alt = texts("progress.alt", what=title, text="; ".join(told))
    aim = tag("p", texts("progress.goal", aim=plain(goal.words or goal_text(goal, texts)))) if goal else None
    picture = trend_picture(change, measure, names, texts, alt, goal=goal)
    sign = texts.sign(measure)
    told_by_sign = (
        tag("p", texts("progress.sign", sign=sign), class_="quiet small") if _has_signed_axis(measure) else None
    )
    table = _table(measure, change, names, goal, texts)
    return section(name, title, aim, picture, told_by_sign, _legend(goal, texts), table)


def _has_signed_axis(measure: Measure) -> bool:
    return bool(measure.sign) and measure.name != "chest_continuity"


def _legend(goal: GoalView | None, texts: Texts) -> Html:
    keys = ["mean", "band", "shot", "drillshot", *(["goal"] if goal else [])]
    listed = [tag("li", tag("i", class_=f"key {k}", aria_hidden="true"), " ", texts(f"progress.key_{k}")) for k in keys]
    return tag("ul", listed, class_="legend")


def _table(measure: Measure, change: Change, names: Sequence[str], goal: GoalView | None, texts: Texts) -> Html:
    """The picture's numbers and the verdicts."""
    keys = ["stage", "shots", "mean", *(["in_goal"] if goal else []), "difference", "verdict"]
    rows = [_table_row(measure, change, place, name, goal, texts) for place, name in enumerate(names)]
    head = tag("tr", [tag("th", texts(f"progress.{key}"), scope="col") for key in keys])
    table = tag("table", tag("thead", head), tag("tbody", rows), class_="plain wide stacked")
    return tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=texts.label(measure))


def _table_row(measure: Measure, change: Change, place: int, name: str, goal: GoalView | None, texts: Texts) -> Html:
    stage = change.stages[place]
    row = change.row(measure.name, stage if place else change.stages[1])
    shots = goal_count(GoalView(measure=measure.name), stage.shots).measured
    count = goal_count(goal, stage.shots) if goal else None
    column = "mean_b" if place else "mean_a"
    mean = "–" if row is None or row[column] != row[column] else plain_text(measure, float(row[column]), texts)
    met = None
    if count is not None:
        key = "answer.of" if count.measured == shots else "progress.of_last"
        met = _cell("in_goal", texts(key, turned=count.met, n=count.measured), texts)
    difference = difference_text(measure, row, texts) if place else "–"
    said = _verdict(row, texts) if place else texts("progress.start")
    told = {"difference": difference, "verdict": said}
    return tag("tr", tag("th", name, scope="row"), _cell("shots", shots, texts), _cell("mean", mean, texts), met,
               [_cell(key, text, texts) for key, text in told.items()])  # fmt: skip


def _cell(key: str, text: Child, texts: Texts) -> Html:
    """A cell that carries its column's name: on a phone the columns stand below each other."""
    return tag("td", text, data_name=texts(f"progress.{key}"))


def difference_text(measure: Measure, row: Row | None, texts: Texts) -> str:
    """A difference and its 95 % interval, with signs."""
    if row is None or row["difference"] != row["difference"]:
        return "–"
    scale, decimals = (100.0, 0) if measure.name == "chest_continuity" else (1.0, measure.decimals)

    def number(name: str) -> str:
        return texts.number(scale * float(row[name]), decimals, sign=True)

    difference = number("difference")
    if measure.name == "chest_continuity":
        difference = texts("progress.points", value=difference)
    else:
        difference = texts.quantity(difference, measure.unit)
    if row["difference_low"] != row["difference_low"]:
        return difference
    return texts(
        "progress.difference_text", difference=difference, low=number("difference_low"), high=number("difference_high")
    )


def _verdict(row: Row | None, texts: Texts) -> str:
    if row is None:
        return "–"
    verdict, needed = VERDICT_KEYS[str(row["verdict"])], row["shots_needed"]
    said = texts(f"compared.{verdict}")
    if verdict in ("changed", "no_change") or needed is None or needed != needed or str(needed) == "<NA>":
        return said
    return texts.count("progress.needed", int(needed), verdict=said) if int(needed) else said


def _shot_section(change: Change, names: Sequence[str], texts: Texts) -> Html:
    """What was played at each stage: shots, how many kept turning, blocks and what they aimed at."""
    rows = []
    for stage, name in zip(change.stages, names, strict=True):
        count = tally(stage.shots)
        blocks = [(block, intent, len(list(shots))) for (block, intent), shots in _blocks(stage.shots)]
        listed = [tag("li", _block(*block, texts)) for block in blocks]
        turned = texts("answer.of", turned=count.turning, n=count.judged) if count.judged else "–"
        cells = [tag("td", len(stage.shots)), tag("td", turned), tag("td", tag("ul", listed))]
        rows.append(tag("tr", tag("th", name, scope="row"), cells))
    keys = ("stage", "shots", "turned", "played")
    head = tag("tr", [tag("th", texts(f"progress.{key}"), scope="col") for key in keys])
    table = tag("table", tag("thead", head), tag("tbody", rows), class_="plain")
    scroll = tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=texts("progress.played_title"))
    return section("played", texts("progress.played_title"), scroll)


def _blocks(shots: Sequence[Any]) -> Any:
    return groupby(shots, key=lambda shot: (shot.block, shot.intent))


def _block(block: str | None, intent: str | None, shots: int, texts: Texts) -> Child:
    name = block or texts("chest.no_block")
    mark = [tag("b", texts("progress.drill")), " "] if is_drill(intent) else None
    return [mark, texts.count("progress.block", shots, name=name), f": {intent}" if intent else None]


def _others(change: Change, measures: Sequence[str], texts: Texts) -> Html:
    """Every other measure that can be compared, first stage against last, folded away."""
    _, table = difference_rows(change, change.last, measures, texts)
    folded = tag("details", tag("summary", texts("progress.others_open")), table)
    return section("others", texts("progress.others"), tag("p", texts("progress.others_read"), class_="read"), folded)


def difference_rows(change: Change, stage: Stage, measures: Sequence[str], texts: Texts) -> tuple[Html, Html]:
    """A stage against the first: a table of the measures worked on, and one of all others."""
    compared = [m.name for m in MEASURES if m.name in SIZES and m.name not in measures]
    return _differences(change, stage, measures, texts), _differences(change, stage, compared, texts)


def _differences(change: Change, stage: Stage, measures: Sequence[str], texts: Texts) -> Html:
    rows = []
    for name in measures:
        measure, row = BY_NAME[name], change.row(name, stage)
        if row is None or not (row["n_a"] and row["n_b"]):
            continue
        first, last = (plain_text(measure, float(row[column]), texts) for column in ("mean_a", "mean_b"))
        told = {"first": first, "last": last, "difference": difference_text(measure, row, texts)}
        told["verdict"] = _verdict(row, texts)
        cells = [_cell(key, text, texts) for key, text in told.items()]
        rows.append(tag("tr", tag("th", texts.label(measure), scope="row"), cells))
    keys = ("measure", "first", "last", "difference", "verdict")
    head = tag("tr", [tag("th", texts(f"progress.{key}"), scope="col") for key in keys])
    table = tag("table", tag("thead", head), tag("tbody", rows), class_="plain wide stacked")
    return tag("div", table, class_="scroll", tabindex=0, role="region", aria_label=texts("progress.others"))


def _plainly(name: str, texts: Texts) -> str:
    return plain(texts.plainly(BY_NAME[name]))
