"""The top position on the student's own scale: 3 is arm level, 4 that student's full top. All numbers by hand."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest

from imuswing.measures.tables import swings_table
from imuswing.measures.top_position import with_top_position


def table(rows: Sequence[tuple[str, str, str, str | None, float | None]]) -> pd.DataFrame:
    """Rows of participant, task, kind, block, arm height in °."""
    made: list[dict[str, Any]] = [
        {"participant": who, "task": task, "kind": kind, "block": block, "arm_height_top_deg": height, "swing": k}
        for k, (who, task, kind, block, height) in enumerate(rows, start=1)
    ]
    return swings_table(made)


def positions(swings: pd.DataFrame, **settings: float | None) -> np.ndarray:
    return with_top_position(swings, **settings)["top_position"].to_numpy(dtype=float)


def test_full_baseline_shots_make_the_scale() -> None:
    # Mean height of the baseline's full shots: 50°. Practice swings and drills do not count for it.
    rows = [
        ("A", "full", "shot", "baseline", 45.0),
        ("A", "full", "shot", "baseline", 55.0),
        ("A", "full", "practice", "baseline", 10.0),
        ("A", "full", "shot", "drill", 25.0),
        ("A", "chip", "shot", "baseline", 0.0),
        ("A", "chip", "shot", "baseline", 10.0),
    ]
    np.testing.assert_allclose(positions(table(rows)), [3.9, 4.1, 3.2, 3.5, 3.0, 3.2])


def test_below_level_and_without_a_height_there_is_no_position() -> None:
    # The contract: null below P3, where the arm's height is told in degrees.
    rows = [
        ("A", "full", "shot", None, 50.0),
        ("A", "chip", "shot", None, -20.0),
        ("A", "chip", "shot", None, None),
    ]
    np.testing.assert_allclose(positions(table(rows)), [4.0, np.nan, np.nan])


def test_without_full_shots_there_is_none_unless_it_is_set() -> None:
    rows = [("A", "chip", "shot", "baseline", 30.0), ("A", "full", "shot", "drill", 60.0)]
    assert np.all(np.isnan(positions(table(rows))))
    np.testing.assert_allclose(positions(table(rows), full_top_height_deg=60.0), [3.5, 4.0])


def test_every_student_has_an_own_scale() -> None:
    rows = [
        ("A", "full", "shot", "baseline", 40.0),
        ("B", "full", "shot", "baseline", 60.0),
        ("A", "chip", "shot", None, 20.0),
        ("B", "chip", "shot", None, 20.0),
    ]
    np.testing.assert_allclose(positions(table(rows))[2:], [3.5, 3.0 + 1.0 / 3.0])


def test_a_setting_goes_before_the_students_own_shots() -> None:
    rows = [("A", "full", "shot", "baseline", 40.0)]
    assert positions(table(rows), full_top_height_deg=80.0)[0] == pytest.approx(3.5)


@pytest.mark.parametrize("height", [5.0, 0.0, -10.0])
def test_a_full_top_that_is_hardly_over_level_makes_no_scale(height: float) -> None:
    # Common practice, no source: dividing by a few degrees would tell noise.
    rows = [("A", "full", "shot", "baseline", height), ("A", "chip", "shot", "baseline", 20.0)]
    assert np.all(np.isnan(positions(table(rows))))


def test_the_given_table_is_not_changed() -> None:
    swings = table([("A", "full", "shot", "baseline", 40.0)])
    with_top_position(swings)
    assert np.isnan(swings["top_position"].iloc[0])


def test_an_empty_table_stays_one() -> None:
    assert len(with_top_position(swings_table([]))) == 0


def test_the_order_of_rows_changes_no_bit() -> None:
    heights = np.random.default_rng(3).normal(45.0, 9.0, size=200)
    rows = [("AB"[k % 2], "full", "shot", "baseline", height) for k, height in enumerate(heights)]
    told = table(rows)
    order = np.random.default_rng(4).permutation(len(rows))
    turned = told.iloc[order].reset_index(drop=True)
    np.testing.assert_array_equal(positions(turned), positions(told)[order])


def test_thousands_of_students_take_one_pass() -> None:
    # A search of the whole table for each student takes minutes here; one pass takes a fraction of a second.
    students = np.repeat(np.arange(5000), 20)
    swings = pd.DataFrame(
        {
            "participant": pd.array([f"S{k:05d}" for k in students], dtype="str"),
            "task": "full",
            "kind": "shot",
            "block": None,
            "arm_height_top_deg": 40.0 + students % 7,
        }
    )
    start = time.process_time()
    told = positions(swings)
    assert time.process_time() - start < 10.0
    np.testing.assert_allclose(told, 4.0)
