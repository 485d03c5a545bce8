"""Swings found in the direction of an arm that swings in a plane by rules that can be computed by hand."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.orientation.quaternion import FloatArray
from imuswing.swings.find import COARSE_RATE, Candidate, FindSettings, find_candidates
from imuswing.swings.moments import takeaway_time

Move = tuple[float, float]
"""Duration in s and the angle in ° that is reached at its end."""

REST: Move = (1.5, 0.0)


def _angle(*moves: Move, rate: float = COARSE_RATE) -> tuple[FloatArray, FloatArray]:
    """Times and angles (rad) of an arm that goes from angle to angle along half cosines; 0 is the address."""
    parts, now = [np.zeros(1)], 0.0
    for duration, goal in moves:
        share = np.arange(1, round(duration * rate) + 1) / round(duration * rate)
        parts.append(now + (goal - now) * 0.5 * (1.0 - np.cos(np.pi * share)))
        now = goal
    angle = np.radians(np.concatenate(parts))
    return np.arange(len(angle)) / rate, angle


def _axis(angle: FloatArray) -> FloatArray:
    """The arm hangs down at 0 and swings about the forward axis."""
    return np.stack((np.zeros_like(angle), np.sin(angle), -np.cos(angle)), axis=1)


def _found(*moves: Move) -> list[Candidate]:
    time, angle = _angle(*moves)
    return find_candidates(time, _axis(angle), settings=FindSettings())


def test_a_plain_swing_is_found_with_its_moments() -> None:
    (swing,) = _found(REST, (0.7, -60.0), (0.5, 50.0), REST)
    # Half cosines: the backswing begins at 1.5 s, turns round at 2.2 s, and the arm passes the address angle where
    # 60 of 110 degrees are done: at arccos(1 - 2*60/110)/pi of 0.5 s.
    back = 2.2 + 0.5 * np.arccos(1.0 - 120.0 / 110.0) / np.pi
    assert swing.start == pytest.approx(1.5, abs=0.06)  # 8 % of the fastest is reached 0.02 s after it began
    assert swing.top == pytest.approx(2.2, abs=0.02)
    assert swing.back == pytest.approx(back, abs=0.02)
    assert np.degrees(swing.arc) == pytest.approx(60.0, abs=1.0)
    assert np.degrees(swing.speed_back) == pytest.approx(0.5 * np.pi * 60.0 / 0.7, rel=0.02)


def test_a_waggle_faster_than_the_backswing_does_not_begin_the_swing() -> None:
    waggle = ((0.15, -12.0), (0.15, 0.0))
    (swing,) = _found(REST, *waggle, *waggle, (0.8, 0.0), (0.9, -30.0), (0.4, 30.0), REST)
    assert swing.start == pytest.approx(1.5 + 0.6 + 0.8, abs=0.08)


def test_coming_down_to_the_address_is_not_part_of_the_backswing() -> None:
    swing = _found((1.0, 40.0), (0.6, 0.0), (0.5, 0.0), (0.7, -50.0), (0.4, 40.0), REST)[-1]
    assert swing.start == pytest.approx(2.1, abs=0.08)


def test_a_quicker_move_to_the_address_before_a_rest_is_not_part_of_the_backswing() -> None:
    swing = _found((1.0, 40.0), (0.8, 0.0), (1.4, 0.0), (0.8, -14.0), (0.4, 14.0), REST)[-1]
    assert swing.start == pytest.approx(3.2, abs=0.08)


def test_a_pause_at_the_top_stays_one_swing() -> None:
    (swing,) = _found(REST, (0.7, -60.0), (0.4, -59.0), (0.4, 50.0), REST)
    assert swing.start == pytest.approx(1.5, abs=0.08)
    assert 2.1 < swing.top < 2.7


@pytest.mark.parametrize("backswing_s", [0.3, 0.45])
def test_a_short_quick_backswing_is_found(backswing_s: float) -> None:
    (swing,) = _found(REST, (backswing_s, -15.0), (0.3, 15.0), REST)
    assert swing.start == pytest.approx(1.5, abs=0.06)
    assert swing.top == pytest.approx(1.5 + backswing_s, abs=0.03)


def test_a_punched_chip_that_all_but_stops_after_the_ball_is_found() -> None:
    assert len(_found(REST, (0.7, -40.0), (0.35, 5.0), REST)) == 1


def test_an_arm_that_only_goes_back_and_returns_to_rest_is_none() -> None:
    assert _found(REST, (0.7, -40.0), (0.6, 0.0), REST) == []


def test_an_arm_that_swings_to_and_fro_is_no_swing_once_it_swings() -> None:
    walk = [(0.55, 15.0 * (-1.0) ** k) for k in range(12)]
    assert all(swing.start <= 1.6 for swing in _found(REST, *walk, REST))


def test_two_swings_in_quick_succession_are_two() -> None:
    swing = ((0.6, -50.0), (0.4, 40.0), (0.6, 0.0))
    first, second = _found(REST, *swing, (0.4, 0.0), *swing, REST)
    assert second.start - first.start == pytest.approx(2.0, abs=0.04)


def test_a_recording_that_ends_just_after_the_ball_still_holds_the_swing() -> None:
    time, angle = _angle(REST, (0.7, -60.0), (0.5, 50.0), REST)
    until = time < 2.2 + 0.5
    assert len(find_candidates(time[until], _axis(angle)[until], settings=FindSettings())) == 1


def test_lost_stretches_are_part_of_no_swing() -> None:
    time, angle = _angle(REST, (0.7, -60.0), (0.5, 50.0), REST)
    axis = _axis(angle)
    axis[(time > 2.3) & (time < 2.5)] = np.nan
    assert find_candidates(time, axis, settings=FindSettings()) == []


def test_takeaway_is_the_last_rise_through_five_percent_of_this_backswing() -> None:
    time, angle = _angle(REST, (0.15, -12.0), (0.15, 0.0), (0.5, 0.0), (0.9, -30.0), rate=1000.0)
    speed = np.abs(np.gradient(angle, time))
    began = 1.5 + 0.3 + 0.5
    # Speed along a half cosine is sin(pi*share) times its fastest: 5 % where share = arcsin(0.05)/pi.
    expected = began + 0.9 * np.arcsin(0.05) / np.pi
    assert takeaway_time(time, speed, began + 0.9, since=began) == pytest.approx(expected, abs=0.002)
