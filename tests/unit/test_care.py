"""Standard errors that follow how well a person's steps agree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from imuswing.body.alignment import Alignment
from imuswing.body.care import EXPECTED_FREEDOM, EXPECTED_SCALE, student_95, with_own_care


def fitted(*, misfit: float, freedom: int) -> Alignment:
    return Alignment(
        tracked_point="chest",
        q_sensor_from_segment=np.array([1.0, 0.0, 0.0, 0.0]),
        covariance=np.eye(3),
        misfit=misfit,
        freedom=freedom,
    )


def scale(**alignments: Alignment) -> float:
    return float(with_own_care(alignments)["chest"].sd[0])


@pytest.mark.parametrize(
    ("misfit", "freedom", "expected"),
    [
        # By hand, with three degrees around 0.75 beforehand; Student's t at 97.5 %: 3.182 (3), 2.571 (5), 2.262 (9)
        # (any table).
        (0.0, 0, np.sqrt(0.75) * 3.182 / 1.96),
        (1.5, 2, np.sqrt(0.75) * 2.571 / 1.96),
        (0.0, 6, np.sqrt(2.25 / 9.0) * 2.262 / 1.96),
        (33.75, 6, np.sqrt(36.0 / 9.0) * 2.262 / 1.96),
    ],
)
def test_the_scale_by_hand(misfit: float, freedom: int, expected: float) -> None:
    assert scale(chest=fitted(misfit=misfit, freedom=freedom)) == pytest.approx(expected, rel=1e-3)


def test_all_sensors_of_a_routine_share_its_care() -> None:
    both = with_own_care({"chest": fitted(misfit=0.0, freedom=1), "lead_hand": fitted(misfit=20.0, freedom=3)})
    np.testing.assert_allclose(both["chest"].covariance, both["lead_hand"].covariance)
    assert both["chest"].sd[0] > scale(chest=fitted(misfit=0.0, freedom=1))


@pytest.mark.parametrize("freedom", [1, 3, 7])
def test_intervals_hold_the_truth_95_times_in_100(freedom: int) -> None:
    """Drawn as the model says: a scale for each person, residuals and an error of that scale (Gelman et al. 2013, 3.2,
    from memory). 40,000 people: 0.1 % standard error."""
    rng = np.random.default_rng(freedom)
    people = 40_000
    care = np.sqrt(EXPECTED_FREEDOM * EXPECTED_SCALE / rng.chisquare(EXPECTED_FREEDOM, people))
    misfit = care**2 * rng.chisquare(freedom, people)
    error = care * rng.normal(size=people)
    told = np.array([scale(chest=fitted(misfit=float(m), freedom=freedom)) for m in misfit])
    assert np.mean(np.abs(error) < 1.96 * told) == pytest.approx(0.95, abs=0.004)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 8, 17, 200])
def test_students_limits_are_those_of_scipy(freedom: int) -> None:
    # Both are exact but for rounding.
    assert student_95(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-9)
