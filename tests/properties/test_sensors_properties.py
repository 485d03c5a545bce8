"""What must not change what `prepare` finds: how a sensor is strapped on, the order of sensors, when a clock starts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from sensors_for_tests import peak, recording_of, turning_sensor

from imuswing.recording.model import SensorStream
from imuswing.sensors.bridge import bridge_missing, fill_with_lines
from imuswing.sensors.filters import lowpass_zero_phase
from imuswing.sensors.grid import even_grid
from imuswing.sensors.prepare import prepare
from imuswing.sensors.settings import DEFAULT_SETTINGS

turns = st.tuples(*[st.floats(-3.0, 3.0)] * 3).map(lambda v: Rotation.from_rotvec(v).as_matrix())
FEW = settings(max_examples=12, deadline=None)


def holed(stream: SensorStream) -> SensorStream:
    gyr, acc = np.array(stream.gyr), np.array(stream.acc)
    for first in (700, 1111, 2503, 4004):
        gyr[first : first + 8], acc[first : first + 8] = np.nan, np.nan
    return replace(stream, gyr=gyr, acc=acc)


BASE = holed(turning_sensor(seconds=30.0, rate=200.0))
EXPECTED = prepare(recording_of(BASE)).motions["lead_hand"]


@FEW
@given(turn=turns)
def test_turning_a_sensor_in_its_mount_turns_its_motion(turn: np.ndarray) -> None:
    """Stillness looks at axes one by one, so its edges may move by a block; the motion turns along."""
    turned = replace(BASE, gyr=BASE.gyr @ turn.T, acc=BASE.acc @ turn.T)
    motion = prepare(recording_of(turned)).motions["lead_hand"]
    assert np.mean(motion.still != EXPECTED.still) < 0.02
    np.testing.assert_allclose(motion.bias, turn @ EXPECTED.bias, atol=np.radians(0.01))
    np.testing.assert_allclose(motion.gyr, EXPECTED.gyr @ turn.T, atol=np.radians(0.02))
    np.testing.assert_allclose(motion.acc, EXPECTED.acc @ turn.T, atol=1e-9)
    np.testing.assert_allclose(motion.increments, EXPECTED.increments @ turn.T, atol=1e-5)
    np.testing.assert_array_equal(motion.lost, EXPECTED.lost)


@FEW
@given(turn=turns, length=st.integers(1, 18), first=st.integers(60, 120))
def test_bridging_a_gap_commutes_with_turning(turn: np.ndarray, length: int, first: int) -> None:
    time = np.arange(-90, 90) / 200.0
    values = np.column_stack([peak(time + 0.02 * k, "sech2", 20.0 - 8.0 * k, 0.05) for k in range(3)])
    missing = np.zeros(len(values), bool)
    missing[first : first + length] = True

    def bridged(of: np.ndarray) -> np.ndarray:
        filled = fill_with_lines(np.where(missing[:, None], np.nan, of), missing)
        return bridge_missing(filled, missing, rate=200.0, noise=0.002, settings=DEFAULT_SETTINGS, centred=True).values

    np.testing.assert_allclose(bridged(values @ turn.T), bridged(values) @ turn.T, atol=1e-9)


@FEW
@given(start=st.floats(-100.0, 1e5))
def test_when_a_clock_starts_does_not_matter(start: float) -> None:
    motion = prepare(recording_of(replace(BASE, time=BASE.time + start))).motions["lead_hand"]
    np.testing.assert_allclose(motion.time, EXPECTED.time + start, atol=1e-6)
    np.testing.assert_allclose(motion.gyr, EXPECTED.gyr, atol=1e-5)
    np.testing.assert_array_equal(motion.still, EXPECTED.still)


@FEW
@given(
    rate=st.sampled_from([50.0, 100.0, 119.88, 200.0, 400.0]),
    jitter=st.floats(0.0, 0.3),
    lost=st.floats(0.0, 0.05),
    off=st.floats(-0.01, 0.01),
    seed=st.integers(0, 1000),
)
def test_rows_find_their_samples(rate: float, jitter: float, lost: float, off: float, seed: int) -> None:
    """Whatever is lost, however the stamps jitter within 0.3 of a sample, however wrong the rate in the file."""
    rng = np.random.default_rng(seed)
    kept = rng.random(3000) >= lost
    kept[[0, -1]] = True
    true_rate = rate * (1.0 + off)
    time = (np.arange(3000) + rng.uniform(-jitter, jitter, 3000))[kept] / true_rate
    grid = even_grid(time, nominal_rate=rate)
    np.testing.assert_array_equal(grid.index, np.flatnonzero(kept))
    np.testing.assert_allclose(grid.rate, true_rate, rtol=1e-4)


@FEW
@given(order=st.permutations(["chest", "lead_forearm", "lead_hand"]))
def test_the_order_of_sensors_does_not_matter(order: list[str]) -> None:
    streams = {p: turning_sensor(seconds=12.0, seed=k, tracked_point=p) for k, p in enumerate(sorted(order))}
    prepared = prepare(recording_of(*(streams[p] for p in order)))
    assert list(prepared.motions) == ["chest", "lead_forearm", "lead_hand"]
    for point, motion in prepared.motions.items():
        alone = prepare(recording_of(streams[point])).motions[point]
        np.testing.assert_array_equal(motion.gyr, alone.gyr)


@FEW
@given(cutoff=st.floats(4.0, 40.0), scale=st.floats(-5.0, 5.0), seed=st.integers(0, 100))
def test_the_filter_is_linear_and_the_same_backwards(cutoff: float, scale: float, seed: int) -> None:
    x, y = np.random.default_rng(seed).normal(size=(2, 400))
    both = lowpass_zero_phase(x + scale * y, rate=100.0, cutoff_hz=cutoff)
    apart = lowpass_zero_phase(x, rate=100.0, cutoff_hz=cutoff) + scale * lowpass_zero_phase(
        y, rate=100.0, cutoff_hz=cutoff
    )
    np.testing.assert_allclose(both, apart, atol=1e-9)
    backwards = lowpass_zero_phase(x[::-1], rate=100.0, cutoff_hz=cutoff)[::-1]
    np.testing.assert_allclose(backwards, lowpass_zero_phase(x, rate=100.0, cutoff_hz=cutoff), atol=1e-7)
