"""Reliability over visits held against published tables, NumPy's least squares and values drawn with known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from test_compare_statistics import JUDGES, WEIR_A, WEIR_B

from imuswing.compare import reliability
from imuswing.compare.reliability import repeats


def flat(table: list[list[int]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values, students and visits of a table of students by visits."""
    values = np.array(table, dtype=float)
    student, visit = np.indices(values.shape)
    return values.ravel(), student.ravel(), visit.ravel()


def swings_of(table: list[list[float]], *, shots: int = 1, measure: str = "chest_continuity") -> pd.DataFrame:
    """Shots of every visit around its value in the table, and a practice swing that must not count."""
    rows = [
        {
            "participant": f"P{p:02d}",
            "session": str(v + 1),
            "task": "chip",
            "kind": "shot" if s < shots else "practice",
            "block": "baseline",
            measure: value + s - (shots - 1) / 2 if s < shots else 99.0,
            f"{measure}_se": 0.5,
        }
        for p, row in enumerate(table)
        for v, value in enumerate(row)
        if value == value
        for s in range(shots + 1)
    ]
    return pd.DataFrame(rows)


def test_balanced_tables_give_the_coefficient_of_shrout_and_fleiss() -> None:
    found = repeats(*flat(JUDGES))
    assert found is not None
    # Shrout & Fleiss 1979, table 4, ICC(3,1); more digits computed from their data.
    assert found.icc == pytest.approx(0.71484, abs=5e-6)
    # Interval printed by R's irr::icc for these data, consistency, single: 0.342 to 0.946 (from memory).
    assert found.icc_interval == pytest.approx((0.342, 0.946), abs=6e-4)
    assert (found.students, found.visits) == (6, 24)


@pytest.mark.parametrize("table", [WEIR_A, WEIR_B], ids=["A", "B"])
def test_typical_error_and_detectable_change_of_weir(table: list[list[int]]) -> None:
    found = repeats(*flat(table))
    assert found is not None
    # Weir 2005: standard error of measurement 7.6, minimal difference 21 in both sets; digits computed from the data.
    assert found.typical_error == pytest.approx(7.5569, abs=5e-5)
    assert found.detectable == pytest.approx(20.95, abs=5e-3)
    first, second = np.array(table, dtype=float).T
    # The paired t interval as SciPy gives it.
    interval = stats.ttest_rel(second, first).confidence_interval()
    assert (found.shift, *found.shift_interval) == pytest.approx(((second - first).mean(), *interval))


def test_unequal_visits_are_fitted_as_numpys_least_squares_with_all_columns() -> None:
    random = np.random.default_rng(5)
    student = np.repeat(np.arange(9), [2, 3, 4, 2, 2, 5, 3, 2, 1])
    visit = np.concatenate([np.arange(n) for n in (2, 3, 4, 2, 2, 5, 3, 2, 1)])
    y = random.normal(0.0, 3.0, 9)[student] + 0.7 * visit + random.normal(0.0, 1.0, len(student))
    found = repeats(y, student, visit)
    assert found is not None
    assert (found.students, found.visits) == (8, 23)
    y, student, visit = y[:-1], student[:-1], visit[:-1]  # who came once says nothing
    columns = np.hstack([np.eye(8)[student], np.eye(5)[visit][:, 1:]])
    rest = float(np.sum((y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2)) / (23 - 12)
    assert found.typical_error == pytest.approx(rest**0.5)


def test_with_known_truth_the_intervals_hold_it_and_nothing_is_biased() -> None:
    """Drawn values: SD between students 4, within 2, so ICC 0.8; 12 students, two to four visits, a shift of 1."""
    random = np.random.default_rng(11)
    counts = np.array([2, 3, 4] * 4)
    student = np.repeat(np.arange(12), counts)
    visit = np.concatenate([np.arange(n) for n in counts])
    errors, correlations, held = [], [], np.zeros(3)
    for _ in range(2000):
        y = random.normal(0.0, 4.0, 12)[student] + 1.0 * visit + random.normal(0.0, 2.0, len(student))
        found = repeats(y, student, visit)
        assert found is not None
        errors.append(found.typical_error**2)
        correlations.append(found.icc)
        truths = ((found.typical_error_interval, 2.0), (found.icc_interval, 0.8), (found.shift_interval, 1.0))
        held += [low <= truth <= high for (low, high), truth in truths]
    # 2000 draws: the SE of the mean variance is 4·√(2/23)/√2000 = 0.026, that of 0.95 is 0.005.
    assert np.mean(errors) == pytest.approx(4.0, abs=0.1)
    assert np.median(correlations) == pytest.approx(0.8, abs=0.015)
    assert held / 2000 == pytest.approx([0.95] * 3, abs=0.015)


def test_visits_are_means_of_struck_shots_and_drills_can_be_left_out() -> None:
    table = [[float(a), float(b)] for a, b in WEIR_A]
    swings = swings_of(table, shots=3)
    (found,) = reliability(swings)
    assert found.repeats is not None
    assert found.repeats.typical_error == pytest.approx(7.5569, abs=5e-5)
    assert (found.task, found.measure, found.shots) == ("chip", "chest_continuity", 48)
    # Shots at −1, 0 and 1 about their visit: SD 1 by the formula; their standard errors are all 0.5.
    assert (found.shot_sd, found.shots_a_visit, found.measured_se) == pytest.approx((1.0, 3.0, 0.5))
    drill = swings.assign(block="drill", chest_continuity=0.0)
    (again,) = reliability(pd.concat([swings, drill]), blocks=["baseline"])
    assert again == found


def test_visits_are_counted_in_natural_order_and_missing_ones_left_out() -> None:
    swings = swings_of([[1.0, 2.0], [2.0, 3.0], [4.0, 5.5], [7.0, float("nan")]])
    swings["session"] = swings["session"].replace({"1": "9", "2": "10"})
    (found,) = reliability(swings)
    assert found.repeats is not None
    assert found.repeats.students == 3
    assert found.repeats.shift == pytest.approx(3.5 / 3.0)


def test_nothing_is_told_of_too_few_students_or_of_values_that_never_vary() -> None:
    (found,) = reliability(swings_of([[1.0, 2.0], [2.0, 3.0], [4.0]]))
    assert found.repeats is None
    assert found.shot_sd is None
    (found,) = reliability(swings_of([[1.0, 1.0], [1.0, 1.0], [1.0, 1.0]], shots=2))
    assert found.repeats is None
    assert reliability(swings_of([[1.0, 2.0]]).assign(chest_continuity=float("nan"))) == ()
