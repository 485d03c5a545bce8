"""What must not change a simulated golfer: the side, how many others are made, what else is worn."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from imuswing.simulate import errors_of, simulate_recording
from imuswing.simulate.dataset import make_visit
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

SMOOTH = errors_of("ideal", shock=0.0, stillness=1.0)


@given(seed=st.integers(0, 10_000), task=st.sampled_from(["chip", "pitch", "full"]))
@settings(max_examples=5, deadline=None)
def test_mirrored_golfers_have_the_same_truth_and_mirrored_signals(seed: int, task: str) -> None:
    left, left_truth = simulate_recording(seed=seed, task=task, shots=1, lead_side="left", errors=SMOOTH)
    right, right_truth = simulate_recording(seed=seed, task=task, shots=1, lead_side="right", errors=SMOOTH)
    numbers = left_truth.swings.select_dtypes("number").columns
    pd.testing.assert_frame_equal(left_truth.swings[numbers], right_truth.swings[numbers], rtol=1e-7, atol=1e-7)
    for point, stream in left.sensors.items():
        # Mirrored in the sagittal plane: places and forces change sign across it, turns about the axes within it.
        np.testing.assert_allclose(right.sensors[point].acc, stream.acc * [1.0, 1.0, -1.0], atol=2e-3)
        np.testing.assert_allclose(right.sensors[point].gyr, stream.gyr * [-1.0, -1.0, 1.0], atol=2e-4)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=3, deadline=None)
def test_the_same_seed_gives_the_same_recording(seed: int) -> None:
    first, first_truth = simulate_recording(seed=seed, shots=2, preset="hard")
    second, second_truth = simulate_recording(seed=seed, shots=2, preset="hard")
    assert first.events == second.events
    for point, stream in first.sensors.items():
        np.testing.assert_array_equal(stream.gyr, second.sensors[point].gyr)
        np.testing.assert_array_equal(stream.acc, second.sensors[point].acc)
        np.testing.assert_array_equal(stream.time, second.sensors[point].time)
    pd.testing.assert_frame_equal(first_truth.swings, second_truth.swings)


def test_other_seeds_and_other_golfers_differ() -> None:
    truths = [simulate_recording(seed=seed, shots=1)[1].swings["chest_turn_top_deg"].iloc[0] for seed in (1, 2)]
    assert abs(truths[0] - truths[1]) > 0.1
    visits = [make_visit(index, seed=1, shots=1, preset="ideal", tasks=("chip",), rate=100.0) for index in (0, 1)]
    turns = [made[0][1].swings["chest_turn_top_deg"].iloc[0] for _, made in visits]
    assert abs(turns[0] - turns[1]) > 0.1


@pytest.mark.parametrize("preset", ["realistic", "hard"])
def test_what_else_is_worn_changes_neither_motion_nor_sensors(preset: str) -> None:
    few, few_truth = simulate_recording(seed=6, shots=2, preset=preset, points=(CHEST,))
    many, many_truth = simulate_recording(seed=6, shots=2, preset=preset, points=(CHEST, LEAD_FOREARM, LEAD_HAND))
    numbers = few_truth.swings.select_dtypes("number").columns.drop(
        [name for name in few_truth.swings if str(name).endswith("_s")]
    )
    pd.testing.assert_frame_equal(few_truth.swings[numbers], many_truth.swings[numbers])
    one, other = few_truth.setups[CHEST], many_truth.setups[CHEST]
    np.testing.assert_array_equal(one.strap.q_segment_from_sensor, other.strap.q_segment_from_sensor)
    np.testing.assert_array_equal(one.flaws.gyr_bias, other.flaws.gyr_bias)
    assert len(few.sensors) == 1
    assert len(many.sensors) == 3


def test_error_sources_can_be_switched_one_by_one() -> None:
    # The motion stays the same whatever the sensors' errors: only the switched error makes the difference.
    ideal, _ = simulate_recording(seed=8, shots=1, errors=SMOOTH)
    biased, truth = simulate_recording(
        seed=8, shots=1, errors=errors_of("ideal", shock=0.0, stillness=1.0, gyro_bias_dps=1.0)
    )
    for point, stream in ideal.sensors.items():
        difference = biased.sensors[point].gyr - stream.gyr
        np.testing.assert_allclose(
            difference, np.broadcast_to(truth.setups[point].flaws.gyr_bias, difference.shape), atol=1.1e-4
        )
        np.testing.assert_array_equal(biased.sensors[point].acc, stream.acc)
