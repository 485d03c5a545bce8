"""Numbers and answers in words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tables_for_tests import lesson_tables

from imuswing.measures.dictionary import BY_NAME
from imuswing.report.answer import headline, particulars, tally
from imuswing.report.plan_view import GoalView
from imuswing.report.texts import ENGLISH
from imuswing.report.views import SwingView, recordings_from
from imuswing.report.wording import (
    certainty,
    chest_sentence,
    flag_text,
    goal_text,
    measure_text,
    plain_text,
    signed_text,
)

# Signs of the dictionary of measures: flexion towards the palm, deviation towards the little finger, turns towards the
# target and a higher lead shoulder are positive.
SIGNS = [
    ("wrist_flexion_top_deg", 12.4, "12° flexed"),
    ("wrist_flexion_top_deg", -12.4, "12° extended"),
    ("wrist_flexion_top_deg", -0.3, "flat"),
    ("wrist_ulnar_impact_deg", 8.0, "8° to the little finger"),
    ("wrist_ulnar_impact_deg", -8.0, "8° to the thumb"),
    ("chest_turn_top_deg", -46.0, "46° away from the target"),
    ("chest_turn_impact_deg", 21.0, "21° towards the target"),
    ("shoulder_tilt_impact_deg", -9.0, "9°, lead shoulder lower"),
    ("chest_lean_impact_deg", -4.0, "4° away from the target"),
    ("arm_height_top_deg", -7.0, "7° below parallel"),
    ("shaft_lean_impact_deg", 6.0, "6°, grip nearer the target"),
    ("chest_turn_rate_min_dps", -25.0, "25\u00a0°/s turning back"),
    ("chest_continuity", -0.1, "−0.10"),
    ("top_position", 3.6, "P3.6"),
    ("tempo_ratio", 2.46, "2.5"),
    # Slowing is under 0.7 and stalled under 0.4: what is just under is not rounded to the limit, what is it stays.
    ("chest_continuity", 0.6988, "0.699"),
    ("chest_continuity", 0.3971, "0.397"),
    ("chest_continuity", 0.7, "0.70"),
    ("chest_continuity", 0.7012, "0.701"),
]


@pytest.mark.parametrize(("name", "value", "text"), SIGNS)
def test_a_sign_is_told_in_words(name: str, value: float, text: str) -> None:
    assert signed_text(BY_NAME[name], value, ENGLISH) == text


def test_a_share_beside_a_limit_and_a_goals_end_are_not_rounded_over_it() -> None:
    continuity = BY_NAME["chest_continuity"]
    told = [plain_text(continuity, value, ENGLISH) for value in (0.6988, 0.7, 0.395, 0.52)]
    assert [text.replace("\u00a0", " ") for text in told] == ["69.9 %", "70 %", "39.5 %", "52 %"]
    assert "72.5\u00a0% or more" in goal_text(GoalView(measure="chest_continuity", low=0.725), ENGLISH)
    assert "29\u00a0%" in goal_text(GoalView(measure="chest_continuity", low=0.29), ENGLISH)
    assert "92.5°" in goal_text(GoalView(measure="backswing_arc_deg", high=92.5), ENGLISH)


def test_a_standard_error_stands_beside_its_value_and_is_never_told_as_nothing() -> None:
    values = {"backswing_arc_deg": 96.2, "backswing_arc_deg_se": 1.6, "tempo_ratio": 2.46, "tempo_ratio_se": 0.02}
    assert measure_text(values, "backswing_arc_deg", ENGLISH) == "96° ±\u00a02"
    assert measure_text(values, "tempo_ratio", ENGLISH) == "2.5 ±\u00a0less than 0.1"
    assert measure_text({}, "tempo_ratio", ENGLISH) == "not known"


def swing_with(verdict: str | None, **values: float | None) -> SwingView:
    (recording,) = recordings_from(*lesson_tables(verdicts=["turning"], practice=0))
    return replace(recording.swings[0], verdict=verdict, values=values)


SENTENCES = [
    ("turning", 330.0, 280.0, 0.85, "never fell under 280"),
    ("slowing", 330.0, 182.0, 0.55, "kept 55 %"),
    ("stalled", 330.0, 20.0, 0.06, "almost nothing"),
    ("stalled", 330.0, 99.0, 0.3, "kept 30 %"),
    ("stalled", 330.0, -40.0, -0.12, "turned back at 40"),
    ("stalled", 22.0, 5.0, None, "hardly turned"),
    (None, 330.0, 20.0, 0.06, "could not be judged"),
]


@pytest.mark.parametrize(("verdict", "peak", "low", "continuity", "words"), SENTENCES)
def test_what_the_chest_did_is_told_in_a_sentence(
    verdict: str | None, peak: float, low: float, continuity: float | None, words: str
) -> None:
    swing = swing_with(verdict, chest_turn_rate_peak_dps=peak, chest_turn_rate_min_dps=low, chest_continuity=continuity)
    assert words in chest_sentence(swing, ENGLISH).replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.99, "almost no doubt that this is a stall"),
        (0.8, "Probably a stall: the chance is 80"),
        (0.5, "Too close to call"),
        (0.2, "Probably not a stall"),
        (0.01, "not a stall"),
    ],
)
def test_the_chance_of_a_stall_is_told_in_words(chance: float, words: str) -> None:
    told = certainty(swing_with("stalled", chest_stall_probability=chance), ENGLISH)
    assert told is not None
    assert words in told
    assert certainty(swing_with("stalled"), ENGLISH) is None


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        ("wrist_flexion_top_too_uncertain", "wrist flexion at the top: too uncertain to be told"),
        ("chest_turn_rate_too_uncertain", "chest turn rate at impact: too uncertain to be told"),
        ("lead_hand_samples_unusable", "lead hand: samples missing or over range in this swing"),
        ("chest_hardly_turned", "the chest hardly turned on the way down"),
        ("chest_left_out", "chest: its sensor was left out of the whole recording, the quality part says why"),
        ("chest_may_have_slipped", "chest: held differently than before (strap or posture)"),
        ("lead_hand_may_have_slipped", "lead hand: held differently than before (strap, grip or posture)"),
        (
            "lead_hand_turns_backwards",
            "lead hand: its sensor turns away from the target on the way down, so its measures are left out",
        ),
    ],
)
def test_flags_are_told_in_words(flag: str, words: str) -> None:
    assert flag_text(flag, ENGLISH) == words


HEADLINES = [
    (["turning"] * 6 + ["slowing", "stalled", "stalled"], "in 6 of 9 shots", "It slowed in 1 and it stalled in 2."),
    (["turning"] * 4, "in every one of 4 shots", ""),
    (["stalled"] * 3, "not keep turning through the ball in any of 3 shots", "It stalled in 3."),
    (["turning", "slowing"], "in 1 of 2 shots", "It slowed in 1."),
    (["stalled"], "stalled at the ball", ""),
    ([], "No shot was found", "quality section"),
]


@pytest.mark.parametrize(("verdicts", "words", "rest"), HEADLINES)
def test_the_answer_counts_shots_only(verdicts: list[str], words: str, rest: str) -> None:
    recordings = recordings_from(*lesson_tables(verdicts=verdicts, practice=3 if verdicts else 0))
    count = tally(recordings[0].swings)
    assert words in headline(count, recordings, ENGLISH)
    told = " ".join(particulars(count, ENGLISH))
    assert rest in told
    assert ("Not counted: 3 practice swings." in told) == bool(verdicts)


def test_a_missing_chest_sensor_is_said_in_the_answer() -> None:
    recordings = recordings_from(*lesson_tables(worn=("lead_forearm",)))
    assert "No chest sensor was worn" in headline(tally(recordings[0].swings), recordings, ENGLISH)


def test_a_close_call_is_said_in_the_answer() -> None:
    swings, curves, quality = lesson_tables()
    swings.loc[2, "chest_stall_probability"] = 0.55
    (recording,) = recordings_from(swings, curves, quality)
    assert tally(recording.swings).close == 1
    assert "cannot tell for sure" in " ".join(particulars(tally(recording.swings), ENGLISH))
