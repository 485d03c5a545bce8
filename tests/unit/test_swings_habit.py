"""Where in the swing a golfer meets the ball, beside models that can be solved otherwise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from imuswing.orientation.quaternion import FloatArray
from imuswing.swings.habit import Expected, place_in_swing

AFTER = np.arange(-0.1, 0.1, 0.0005)
EXPECTED = Expected(usual=0.010, usual_spread=0.008, own_spread=0.003, own_doubt=0.6, tail=6.0)


def placed(
    seen: FloatArray, error: FloatArray, expected: Expected, clues: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Shots (K,) whose shocks are seen at times with normal errors of so many s."""
    count = len(seen)
    logs = -0.5 * ((AFTER - seen[:, None]) / error[:, None]) ** 2
    clues = np.zeros((count, 0)) if clues is None else clues
    return place_in_swing(np.tile(AFTER, (count, 1)), logs, np.ones(count), clues, np.ones(count, np.bool_), expected)


@pytest.mark.parametrize("shared", [0.0, 0.006])
def test_with_a_known_spread_it_is_the_normal_model_of_many_experiments(shared: float) -> None:
    # All normal and the spread known: impacts and what is seen of them are jointly normal, so one is told by the other
    # through their covariances (Gelman et al. 2013, Bayesian Data Analysis, ch. 3.5 and 5.4, from memory), which numpy
    # solves here.  A tail of 1e4 degrees of freedom is all but normal; the grid is 0.5 ms.
    expected = replace(EXPECTED, own_doubt=0.01, tail=1e4, shared=shared)
    seen, error = np.array([0.004, 0.018, 0.012, 0.013]), np.array([0.002, 0.002, 0.010, 0.004])
    own = 0.003**2 * np.eye(4)
    of_impact = 0.008**2 + own
    of_seen = of_impact + shared**2 + np.diag(error**2)
    gain = np.linalg.solve(of_seen, of_impact).T
    mean, sd = placed(seen, error, expected)
    np.testing.assert_allclose(mean, 0.010 + gain @ (seen - 0.010), atol=5e-5)
    np.testing.assert_allclose(sd, np.sqrt(np.diag(of_impact - gain @ of_impact)), rtol=0.02)


def test_the_errors_told_are_those_of_sessions_drawn_from_the_same_assumptions() -> None:
    # Draws of all that is assumed, as Cook, Gelman & Rubin (2006, J Comput Graph Stat 15:675, from memory) check such
    # programs: usual place, spread, shared error, a clue that tells half of where a shot is struck, and what is seen, 6
    # shots each, seen to 1 or to 8 ms. Over 300 sessions the share inside ±1.96 standard deviations is known to 0.01.
    rng = np.random.default_rng(3)
    expected = replace(EXPECTED, shared=0.003)
    inside, ratio = [], []
    for _ in range(300):
        spread = 0.003 * np.exp(0.6 * rng.standard_normal())
        middle = 0.010 + 0.008 * rng.standard_t(6.0)
        error = rng.choice([0.001, 0.008], 6)
        clue, own = 2.0 * 0.7 * spread * rng.standard_normal(6), 0.7 * spread * rng.standard_t(6.0, 6)
        impact = middle + 0.5 * clue + own
        seen = impact + 0.003 * rng.standard_normal() + error * rng.standard_normal(6)
        mean, sd = placed(seen, error, expected, clue[:, None])
        inside.append(np.abs(mean - impact) < 1.96 * sd)
        ratio.append((mean - impact) / sd)
    assert 0.92 < np.mean(inside) < 0.98
    assert 0.85 < np.sqrt(np.mean(np.square(ratio))) < 1.15


def test_a_shot_that_hardly_shows_its_shock_teaches_hardly_anything() -> None:
    # Five shots seen to 1 ms at 4 ms; fifteen seen to 30 ms, all at 40 ms: those say 40 ± 8 ms together, if at all.
    seen, error = np.repeat([0.004, 0.040], [5, 15]), np.repeat([0.001, 0.030], [5, 15])
    mean, _ = placed(seen, error, EXPECTED)
    assert mean[:5] == pytest.approx(0.004, abs=0.0005)
    assert mean[5:] == pytest.approx(0.004, abs=0.002)


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [3, 0, 1, 2], [0, 3, 1, 2]])
def test_a_shot_that_does_not_teach_is_told_by_the_others_and_tells_them_nothing(order: list[int]) -> None:
    seen, error = np.array([0.012, 0.013, 0.014, 0.030]), np.array([0.001, 0.001, 0.001, 0.004])
    seen, error = seen[order], error[order]
    logs = -0.5 * ((AFTER - seen[:, None]) / error[:, None]) ** 2
    teach = error < 0.004
    mean, _ = place_in_swing(np.tile(AFTER, (4, 1)), logs, np.ones(4), np.zeros((4, 0)), teach, EXPECTED)
    mean = mean[np.argsort(order)]
    without, _ = placed(seen[teach], error[teach], EXPECTED)
    assert mean[:3] == pytest.approx(without, abs=1e-9)
    assert 0.012 < mean[3] < 0.028


def test_a_clue_that_goes_with_the_impact_says_where_an_unseen_one_is() -> None:
    # Eight shots seen to 1 ms lie exactly where the clue puts them; of the ninth nothing is seen.
    clue = np.array([-12.0, -8.0, -5.0, -1.0, 2.0, 4.0, 7.0, 13.0, 10.0]) / 1000.0
    impact, error = 0.010 + clue, np.append(np.full(8, 0.001), 1.0)
    mean, sd = placed(np.append(impact[:8], 0.0), error, EXPECTED, clue[:, None])
    assert mean[8] == pytest.approx(impact[8], abs=0.001)
    assert sd[8] < 0.004
    assert placed(np.append(impact[:8], 0.0), error, EXPECTED)[1][8] > 0.006


def test_a_clue_that_scatters_more_than_a_golfer_does_is_not_followed() -> None:
    # Impacts stand still, shocks are seen to 8 ms and cannot refute a clue that is noise of 30 ms; a golfer's impacts
    # do not scatter so much around the arm's return.
    rng = np.random.default_rng(5)
    seen, clue = 0.010 + 0.008 * rng.standard_normal((20, 6)), 0.030 * rng.standard_normal((20, 6, 1))
    moved = [
        placed(shots, np.full(6, 0.008), EXPECTED, told)[0] - placed(shots, np.full(6, 0.008), EXPECTED)[0]
        for shots, told in zip(seen, clue, strict=True)
    ]
    assert np.sqrt(np.mean(np.square(moved))) < 0.25 * EXPECTED.own_spread


@pytest.mark.parametrize("clear", [20.0, 60.0])
def test_what_looks_like_a_shock_far_from_where_this_golfer_meets_the_ball_is_none(clear: float) -> None:
    # By hand: ten clear shots near 10 ms; in the eleventh something 50 ms later is e^clear times as likely as anywhere
    # else. It is placed where the others are, and known as well as they tell it.
    seen = 0.010 + 0.001 * np.array([-1, 0, 1, 0, -2, 2, 1, -1, 0, 1])
    logs = np.maximum(-0.5 * ((AFTER - np.append(seen, 0.060)[:, None]) / 0.001) ** 2, -clear)
    count = len(logs)
    mean, sd = place_in_swing(
        np.tile(AFTER, (count, 1)), logs, np.ones(count), np.zeros((count, 0)), np.ones(count, np.bool_), EXPECTED
    )
    assert mean[-1] == pytest.approx(0.010, abs=0.001)
    assert 0.001 < sd[-1] < 0.005
    np.testing.assert_allclose(mean[:-1], seen, atol=0.001)


@pytest.mark.parametrize("denied", [10.0, 20.0, 40.0])
def test_one_shot_whose_shock_is_misread_does_not_move_the_others(denied: float) -> None:
    # By hand: five balls met 10 ms after the return, each seen to 10 ms only (a soft blow, few samples); in the sixth a
    # sensor says that nothing came then, by e^denied, and something 55 ms later. Five see one place; one is wrong.
    seen = 0.010 + 0.001 * np.array([-2, 1, 0, 2, -1])
    logs = np.maximum(-0.5 * ((AFTER - np.append(seen, 0.065)[:, None]) / 0.010) ** 2, -4.0)
    logs[-1] = np.where(AFTER < 0.040, -denied, logs[-1])
    mean, sd = place_in_swing(
        np.tile(AFTER, (6, 1)), logs, np.ones(6), np.zeros((6, 0)), np.ones(6, np.bool_), EXPECTED
    )
    np.testing.assert_allclose(mean[:-1], 0.010, atol=0.003)
    assert sd[:-1].max() < 0.008
