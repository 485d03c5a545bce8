"""The student's and the progress page as text: what they say agrees with the tables and with compare."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from html_for_tests import read
from results_for_tests import PLAN, results_of, two_visits, visit
from tables_for_tests import MIX, lesson_tables

from imuswing.compare import CompareSettings, best_shot, compare
from imuswing.errors import SettingsError
from imuswing.plan.goals import parse_goal
from imuswing.plan.model import goal_result
from imuswing.report.change import find_change, middle_shot, own_best, usual_by
from imuswing.report.coach_page import render_coach
from imuswing.report.plan_view import GoalView, goal_count, plan_view
from imuswing.report.progress_page import render_progress
from imuswing.report.progress_picture import _ends_shown, trend_of
from imuswing.report.student_page import render_student
from imuswing.report.student_parts import verdict_told
from imuswing.report.student_pictures import wrist_picture
from imuswing.report.terms import rich, terms_in
from imuswing.report.texts import ENGLISH, load_texts
from imuswing.report.views import recordings_from
from imuswing.report.wording import plain_text

HOSTILE = "</style><img src=x onerror=alert(1)>\"'&"
CASES = {
    "two visits": lambda: two_visits(),
    "blocks": lambda: results_of(lesson_tables()),
    "no blocks": lambda: results_of(lesson_tables(blocks=False)),
    "one shot": lambda: results_of(lesson_tables(verdicts=["slowing"], practice=0)),
    "no shot": lambda: results_of(lesson_tables(verdicts=(), practice=1)),
    "chest only": lambda: results_of(lesson_tables(worn=("chest",))),
    "no chest": lambda: results_of(lesson_tables(worn=("lead_forearm", "lead_hand"))),
    "right": lambda: results_of(lesson_tables(lead_side="right")),
}


def words(html: str) -> str:
    return " ".join(" ".join(read(html).text).split())


@pytest.mark.parametrize("render", [render_student, render_progress])
@pytest.mark.parametrize("plan", [None, PLAN], ids=["no plan", "plan"])
@pytest.mark.parametrize("case", CASES)
def test_every_case_gives_a_well_formed_page_without_a_script(case: str, plan: Any, render: Any) -> None:
    html = render(CASES[case](), plan=plan)
    page = read(html)
    assert (page.wrong, page.open) == ([], [])
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert not {"nan", "none", "<na>"} & {word.lower() for word in " ".join(page.text).split()}
    assert all(element != "script" for element, _ in page.elements)
    assert "script-src &#x27;none&#x27;" in html or "script-src 'none'" in html
    named = {term for _, attributes in page.elements if (term := attributes.get("popovertarget"))}
    assert named <= set(ids)


def test_the_answer_counts_the_last_and_the_first_visit() -> None:
    results = two_visits()
    verdicts = dict(iter(results.swings[results.swings.kind == "shot"].groupby("session")))
    counts = {session: int((part.chest_verdict == "turning").sum()) for session, part in verdicts.items()}
    html = render_student(results)
    expected = f"Your chest kept turning in {counts['02']} of 7 shots. At first: {counts['01']} of 6."
    assert re.search(r"<h1[^>]*>([^<]+)</h1>", html)[1] == expected  # type: ignore[index]


def test_what_is_said_of_a_measure_is_what_compare_says() -> None:
    results = two_visits()
    goals = tuple(goal["measure"] for goal in PLAN["goals"])
    table = compare(results.compared, by="session", settings=CompareSettings(goals=goals)).set_index("measure")
    told = {"changed": "That really changed.", "probably changed": "That has probably changed."}
    told |= {"no change that matters": "That stayed the same.", "cannot tell yet": "Too early to tell"}
    html = render_student(results, plan=PLAN)
    items = re.findall(r"<li><span class=\"what\">(.*?)</li>", html)
    assert len(items) == len(goals)
    for measure, item in zip(goals, items, strict=True):
        row = table.loc[measure]
        assert told[row["verdict"]] in item
        if measure == "chest_continuity":
            assert f"{100 * row['mean_a']:.0f}\u00a0%" in item
            assert f"{100 * row['mean_b']:.0f}\u00a0%" in item


def test_few_shots_are_told_as_too_early_and_a_drift_never_as_change() -> None:
    results = results_of(lesson_tables(verdicts=["turning", "stalled", "turning"], practice=0))
    assert words(render_student(results)).count("Too early to tell") >= 1
    assert "That really changed." not in words(render_student(results))


def test_student_coach_and_python_count_a_goal_alike_and_ends_of_a_band_belong_to_it() -> None:
    results = two_visits()
    shots = results.swings[results.swings.kind == "shot"]
    met = int((shots.chest_continuity.tail(10) >= 0.6).sum())
    assert goal_result(results.swings, parse_goal("chest_continuity over 0.6 in 8 of 10")).met == met
    assert f"Done in {met} of your last 10 shots. Your goal: 8 of 10." in words(render_student(results, plan=PLAN))
    assert f"Met in {met} of the last 10 shots. Wanted: 8 of 10." in words(render_coach(results, plan=PLAN))
    late = shots[shots.session == "02"]
    met = int((late.chest_continuity >= 0.6).sum())
    goal = GoalView(measure="tempo_ratio", low=2.7, high=3.3)
    assert [goal.holds(value) for value in (2.69, 2.7, 3.3, 3.31)] == [False, True, True, False]
    assert (goal.better, GoalView(measure="x", low=1.0).better, GoalView(measure="x", high=1.0).better) == (
        pytest.approx(3.0),
        "higher",
        "lower",
    )
    recording = recordings_from(results.swings, results.curves, results.quality)[1]
    assert goal_count(GoalView(measure="chest_continuity", low=0.6), recording.shots).met == met


def test_the_middle_shot_is_a_real_one_with_as_many_above_as_below() -> None:
    results = results_of(lesson_tables(verdicts=MIX, practice=0))
    (recording,) = recordings_from(results.swings, results.curves, results.quality)
    shot = middle_shot(recording.shots)
    assert shot is not None
    # With an odd number of shots the middle one is the median.
    assert shot.values["chest_continuity"] == np.median(results.swings.chest_continuity)


@pytest.mark.parametrize(
    ("verdicts", "told", "not_told"),
    [
        (["slowing"], ["Your chest slowed down through the ball.", "Your one shot"], ["worst", "tick", "own best"]),
        (["turning", "stalled"], ["1 of 2 shots", "Of two shots, the one that kept less", "tick"], ["worst", "middle"]),
        (["turning", "stalled", "slowing"], ["The middle one of 3 shots: not the best, not the worst"], ["two shots"]),
        (["turning", "stalled", "slowing", "stalled"], ["The middle one of 4 shots"], ["two shots"]),
    ],
)
def test_one_two_and_three_shots_are_told_as_what_they_are(
    verdicts: list[str], told: list[str], not_told: list[str]
) -> None:
    results = results_of(lesson_tables(verdicts=verdicts, practice=0, blocks=False))
    page = words(render_student(results)).partition("Cautions")[0]
    assert [text for text in told if text not in page] == []
    assert [text for text in not_told if text in page] == []
    # The shot called the middle one has one above it and one below; of two, the one shown is the lower.
    shown = middle_shot(recordings_from(results.swings, results.curves, results.quality)[0].shots)
    continuity = sorted(results.swings.chest_continuity)
    assert shown is not None
    assert shown.values["chest_continuity"] == continuity[0 if len(verdicts) < 3 else 1]


def test_a_shot_that_was_not_measured_is_no_middle_one() -> None:
    swings, curves, quality = lesson_tables(verdicts=["turning", "stalled", "slowing"], practice=0, blocks=False)
    swings.loc[[0, 2], ["chest_continuity", "chest_verdict"]] = None
    page = words(render_student(results_of((swings, curves, quality))))
    assert "The one shot that could be measured" in page
    assert "middle one" not in page


def test_marks_and_numbers_in_pictures_are_explained() -> None:
    page = words(render_student(two_visits(), plan=PLAN))
    marks = page.partition("One mark a shot:")[2][:60]
    assert re.match(r" kept turning slowed stalled", marks)
    assert "The number beside it is the angle it had come from address" in page
    assert "The coloured bar is your goal." in page
    # No label of the trade's positions that the page does not explain.
    assert not re.search(r"\bP\d", page.replace("P01", ""))


def test_the_own_best_is_compares_choice() -> None:
    results = two_visits()
    recordings = recordings_from(results.swings, results.curves, results.quality)
    best = best_shot(results.compared, measure="chest_continuity", better="higher").iloc[0]
    found = own_best(results, recordings, GoalView(measure="chest_continuity", low=0.7))
    assert found is not None
    assert (found.number, found.values["chest_continuity"]) == (best.swing, best.chest_continuity)
    assert found in recordings[int(best.session) - 1].swings


def test_the_wrists_band_is_1_96_standard_errors_at_the_three_moments() -> None:
    (recording,) = recordings_from(*lesson_tables(verdicts=["turning"], practice=0))
    shot = recording.shots[0]
    picture = wrist_picture(shot, ENGLISH, "alt")
    assert picture is not None
    bars = [tuple(map(float, found)) for found in re.findall(r'd="M[\d.]+ ([\d.]+)V([\d.]+)" class="bar"', picture)]
    dots = [float(found) for found in re.findall(r'cy="([\d.]+)" r="6" class="dot"', picture)]
    values = [shot.values[f"wrist_flexion_{moment}_deg"] for moment in ("address", "top", "impact")]
    errors = [shot.values[f"wrist_flexion_{moment}_deg_se"] for moment in ("address", "top", "impact")]
    # Degrees of a picture's unit, from two moments; the bars must have the length of 2 · 1.96 standard errors.
    unit = (values[0] - values[1]) / (dots[1] - dots[0])
    for (low, high), error in zip(bars, errors, strict=True):
        assert (low - high) * unit == pytest.approx(2 * 1.96 * error, abs=0.15 * abs(unit))


def test_the_progress_band_is_the_first_mean_plus_compares_interval() -> None:
    results = two_visits()
    recordings = recordings_from(results.swings, results.curves, results.quality)
    change = find_change(results, recordings, by="session", measures=("chest_continuity",))
    assert change is not None
    row = compare(results.compared, by="session", settings=CompareSettings(goals=("chest_continuity",)))
    row = row[row.measure == "chest_continuity"].iloc[0]
    trend = trend_of(change, "chest_continuity")
    assert trend.means == (pytest.approx(row.mean_a), pytest.approx(row.mean_b))
    assert trend.bands[1] == (
        pytest.approx(row.mean_a + row.difference_low),
        pytest.approx(row.mean_a + row.difference_high),
    )
    assert [stage.label for stage in change.stages] == ["01", "02"]
    assert usual_by(results) == "session"
    assert usual_by(results_of(lesson_tables())) == "block"


def test_the_progress_page_tells_every_number_in_tables_and_marks_drills() -> None:
    results = two_visits()
    results.swings.loc[results.swings.block == "drill", "intent"] = "keep turning"
    html = render_progress(results, plan=PLAN)
    text = words(html)
    assert "▲ drill" in text
    assert "keep turning" in text
    row = compare(results.compared, by="session").query("measure == 'chest_continuity'").iloc[0]
    difference = f"+{100 * row.difference:.0f}\u00a0% points"
    assert difference.replace("\u00a0", " ") in text.replace("\u00a0", " ")
    for _, picture in re.findall(r'<svg class="(drawing trend)"[^>]*>(.*?)</svg>', html, flags=re.DOTALL):
        assert picture.startswith("<title>")


def test_one_visit_has_no_progress_and_says_so() -> None:
    assert "only one visit" in words(render_progress(results_of(lesson_tables(blocks=False))))


def test_twenty_shots_stay_far_under_the_size_limit() -> None:
    html = render_student(results_of(lesson_tables(verdicts=(MIX * 3)[:20], practice=2)), plan=PLAN)
    # 1.5 MB for 20 shots is the limit that the page was ordered with.
    assert len(html.encode()) < 1_500_000


def test_text_from_tables_and_plan_cannot_become_markup() -> None:
    swings, curves, quality = lesson_tables()
    for column in ("intent", "outcome", "participant", "task"):
        swings[column] = HOSTILE
    curves["participant"], curves["task"] = HOSTILE, HOSTILE
    swings["block"] = swings["block"] + HOSTILE
    quality["recordings"][0]["recording"] |= {"participant": HOSTILE, "task": HOSTILE}
    plan = {"work_on": HOSTILE, "notes": HOSTILE, "next_test": HOSTILE, "tasks": [{"title": HOSTILE, "how": HOSTILE}]}
    plan["goals"] = [{"measure": "chest_continuity", "low": 0.5, "words": f"[[{HOSTILE}|chest]]"}]  # type: ignore[list-item]
    for render in (render_student, render_progress):
        page = read(render(results_of((swings, curves, quality)), plan=plan))
        assert page.wrong == []
        assert not any(name == "img" or "onerror" in attributes for name, attributes in page.elements)


@pytest.mark.parametrize(
    ("plan", "message"),
    [
        ({"goals": [{"measure": "nonsense", "low": 1}]}, "'chest_continuity'"),
        ({"goals": [{"measure": "chest_continuity"}]}, "neither low nor high"),
        ({"goals": [{"measure": "chest_continuity", "low": "much"}]}, "must be a number"),
    ],
)
def test_a_plan_that_is_not_legal_is_an_error_that_says_what(plan: dict[str, Any], message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        plan_view(plan)


def test_terms_become_buttons_and_everything_else_stays_text() -> None:
    made = rich("Your [[chest <b>|chest]] & [[more]]")
    assert terms_in(made) == ["chest"]
    assert "&lt;b&gt;" in made
    assert made.endswith("&amp; [[more]]")


def test_plain_words_keep_the_sign() -> None:
    from imuswing.measures.dictionary import BY_NAME

    assert plain_text(BY_NAME["wrist_flexion_top_deg"], -12.0, ENGLISH) == "12° bent back"
    assert plain_text(BY_NAME["wrist_flexion_top_deg"], 12.0, ENGLISH) == "12° bent to the palm"
    assert plain_text(BY_NAME["arm_height_top_deg"], 0.2, ENGLISH) == "level with the ground"
    assert plain_text(BY_NAME["chest_continuity"], 0.674, load_texts("de")) == "67\u00a0%"


def test_the_student_is_named_by_pseudonym_only_and_warned() -> None:
    html = render_student(two_visits(), plan=PLAN)
    text = words(html)
    assert "P01" in text
    for needed in ("not a medical device", "Stop if anything hurts", "Warm up first", "carries the pseudonym only"):
        assert needed in text


def test_a_goals_band_is_in_the_picture_while_it_is_to_be_reached_or_near() -> None:
    reach = GoalView(measure="tempo_ratio", low=2.7, high=3.3)
    assert _ends_shown(reach, 1.3, 2.0) == [2.7, 3.3]
    assert _ends_shown(reach, 2.9, 3.0) == []
    assert _ends_shown(reach, 2.5, 3.4) == [2.7, 3.3]
    long_met = GoalView(measure="arm_height_top_deg", high=40.0)
    assert _ends_shown(long_met, -50.0, -40.0) == []
    assert _ends_shown(long_met, 30.0, 39.0) == [40.0]


def test_shots_too_near_to_the_end_of_a_goal_are_counted() -> None:
    swings, curves, quality = lesson_tables(verdicts=["turning"] * 3, practice=0)
    swings["chest_continuity"], swings["chest_continuity_se"] = [0.57, 0.61, 0.70], 0.03
    (recording,) = recordings_from(swings, curves, quality)
    count = goal_count(GoalView(measure="chest_continuity", low=0.6), recording.shots)
    # 1.96 · 0.03 = 0.059 on either side of 0.6.
    assert (count.met, count.measured, count.unclear) == (2, 3, 2)


def test_a_student_is_not_told_to_play_more_shots_than_anybody_would() -> None:
    assert "About 40 more" in verdict_told("cannot_tell", 40, "session", ENGLISH)
    assert "more shots alone will not show it" in verdict_told("cannot_tell", 41, "session", ENGLISH)


def test_where_shots_alone_will_not_tell_the_student_learns_what_helps() -> None:
    """As docs/comparing.md: blocks of several visits are averaged; strapping on again stays between two visits."""
    told = {by: verdict_told("cannot_tell", np.nan, by, ENGLISH) for by in ("block", "session")}
    assert all("the same routine" in text and "at your next visit" in text for text in told.values())
    assert "all visits count together" in told["block"]
    assert "a bigger change will show" in told["session"]


@pytest.mark.parametrize(
    ("language", "wrong", "told"),
    [("en", "something has changed", "one does so by chance"), ("de", "hat sich etwas geändert", "eines durch Zufall")],
)
def test_a_band_clear_of_the_first_mean_is_not_said_to_be_a_change(language: str, wrong: str, told: str) -> None:
    """An interval of 95 % leaves out the truth once in twenty by its definition; the verdict is corrected for that."""
    text = words(render_progress(two_visits(), texts=load_texts(language)))
    assert wrong not in text
    assert told in text


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_limits_of_the_verdicts_are_those_of_the_recordings_settings(language: str) -> None:
    """Limits other than the usual, 0.65 and 0.3, in per cent: once with the picture, once as a caution."""
    swings, curves, quality = lesson_tables(practice=0)
    quality["recordings"][0]["settings"] = {"rates": {"turning_from": 0.65, "slowing_from": 0.3}}
    text = words(render_student(results_of((swings, curves, quality)), texts=load_texts(language)))
    chest, cautions = {
        "en": (
            "keeps 65 % or more of its fastest turn kept turning. From 30 %",
            "(65 % and 30 % of the chest's fastest turn)",
        ),
        "de": (
            "Behält die Brust 65 % oder mehr ihres größten Tempos",
            "(65 % und 30 % des größten Drehtempos der Brust)",
        ),
    }[language]
    assert text.count(chest) == 1
    assert text.count(cautions) == 1


def test_the_progress_table_counts_all_shots_and_tells_the_last_ones_of_a_goal() -> None:
    results = results_of(
        visit("01", lesson_tables((MIX * 2)[:12], practice=0)), visit("02", lesson_tables((MIX * 2)[:14], practice=0))
    )
    html = render_progress(
        results, plan={"goals": [{"measure": "chest_continuity", "low": 0.6, "needed": 8, "of": 10}]}
    )
    text = words(html)
    met = [results.swings[results.swings.session == s].chest_continuity.tail(10).ge(0.6).sum() for s in ("01", "02")]
    assert f"visit 01 12 {results.swings.chest_continuity[:12].mean() * 100:.0f} % {met[0]} of the last 10" in text
    assert f"{met[1]} of the last 10" in text


@pytest.mark.parametrize(("language", "told"), [("en", "In 5 of 8 shots it could"), ("de", "Bei 5 von 8 Schlägen")])
def test_most_shots_without_a_verdict_are_told(language: str, told: str) -> None:
    """Counted by hand: of eight shots five, then four, have no verdict; half of them is not most."""
    texts = load_texts(language)
    swings, curves, quality = lesson_tables(verdicts=["turning"] * 8, blocks=False)
    swings.loc[:4, "chest_verdict"] = None
    assert told in words(render_student(results_of((swings, curves, quality)), texts=texts))
    swings.loc[4, "chest_verdict"] = "turning"
    assert told.replace("5", "4") not in words(render_student(results_of((swings, curves, quality)), texts=texts))


@pytest.mark.parametrize(("language", "told"), [("en", "19 times in 20"), ("de", "19 von 20 Mal")])
def test_the_students_plus_minus_is_what_its_heading_says(language: str, told: str) -> None:
    """The made-up wrist angles have standard errors of 1.6°; 1.96 of a normal error hold 95 %: 3.1°, shown as 3°."""
    html = render_student(two_visits(), texts=load_texts(language))
    heads, row = re.search(r'<table class="plain">(.*?)</thead><tbody>(.*?)</tr>', html, re.DOTALL).groups()
    assert told in heads
    assert "± 3°" in row.replace("\xa0", " ")
