"""What simulated sensors deliver against closed forms, fine quadrature, and plain integration back to the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.transform import Rotation

from imuswing.errors import SettingsError
from imuswing.orientation.quaternion import FloatArray, rotate
from imuswing.recording.model import Recording
from imuswing.simulate import Truth, errors_of, simulate_recording
from imuswing.simulate.sensors import exact_signals, skin_motion
from imuswing.simulate.shocks import Ring, ring_signals
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, STANDARD_GRAVITY, TAP, SampleMeaning

QUIET = {"shock": 0.0}


def made(**changes: float | bool) -> tuple[Recording, Truth]:
    return simulate_recording(
        seed=5, task="full", shots=1, errors=errors_of("ideal", **QUIET | changes), meaning="instant"
    )


def true_gyr(truth: Truth, point: str, time: FloatArray) -> FloatArray:
    """Angular velocity in sensor axes at clock times (N,)."""
    setup = truth.setups[point]
    motion = skin_motion(truth.body, point, setup.strap, setup.clock.true_time(time))
    back = setup.strap.q_segment_from_sensor * np.array([1.0, -1.0, -1.0, -1.0])
    return rotate(back, motion.omega)


def test_instant_samples_are_the_motion_at_their_times() -> None:
    recording, truth = made(mount_turned=True)
    for point, stream in recording.sensors.items():
        np.testing.assert_allclose(stream.gyr, true_gyr(truth, point, stream.time), atol=1e-4)


def test_mean_samples_are_averages_of_the_interval_before() -> None:
    recording, truth = simulate_recording(
        seed=5, task="full", shots=1, rate=100.0, errors=errors_of("ideal", shock=0.0), meaning="mean"
    )
    stream = recording.sensors[LEAD_HAND]
    assert stream.sample_meaning == "mean"
    impact = int(np.searchsorted(stream.time, truth.swings["impact_s"].iloc[0]))
    for index in range(impact - 20, impact + 20, 4):
        fine = stream.time[index] - (np.arange(1000) + 0.5) / 1000.0 / stream.rate
        expected = true_gyr(truth, LEAD_HAND, fine).mean(axis=0)
        np.testing.assert_allclose(stream.gyr[index], expected, atol=2e-4)


@pytest.mark.parametrize("meaning", ["instant", "mean"])
@pytest.mark.parametrize("point", [CHEST, LEAD_FOREARM, LEAD_HAND])
def test_ideal_samples_integrate_back_to_the_truth(point: str, meaning: SampleMeaning) -> None:
    # Strapdown with scipy's Rotation alone: of the interval means, or of their cubic estimate from instants, with the
    # coning correction (θ before × θ now) / 12 (Savage 1998, J Guid Control Dyn 21:19; from memory). Samples are
    # rounded to 1e-4 rad/s, which adds about 1e-4 rad/s · √(1 s · 1/400 s) / √12 < 0.001°.
    recording, truth = simulate_recording(
        seed=9, task="full", shots=1, rate=400.0, errors=errors_of("ideal", shock=0.0), meaning=meaning
    )
    stream, when = recording.sensors[point], truth.moments[0]
    first, last = np.searchsorted(stream.time, np.array([when.address, when.finish]) - truth.start)
    gyr = stream.gyr[first - 1 : last + 2]
    steps = gyr[2:-1]
    if meaning == "instant":
        steps = (-gyr[:-3] + 13.0 * gyr[1:-2] + 13.0 * gyr[2:-1] - gyr[3:]) / 24.0
    angles = steps / stream.rate
    angles[1:] += np.cross(angles[:-1], angles[1:]) / 12.0
    turned = Rotation.identity()
    for step in angles:
        turned = turned * Rotation.from_rotvec(step)
    ends = truth.start + stream.time[[first, first + len(steps)]]
    q = Rotation.from_quat(truth.body.segments(ends, point)[point].q, scalar_first=True)
    assert np.degrees(((q[0].inv() * q[1]).inv() * turned).magnitude()) < 0.005


def test_a_ring_and_its_average_are_closed_forms() -> None:
    # scipy.integrate.quad of the ring itself.
    ring = Ring(
        time=0.2, frequency=80.0, decay_s=0.012, acc=np.array([30.0, 0.0, -10.0]), gyr=np.array([0.0, 2.0, 0.0])
    )
    time = np.arange(0.0, 0.4, 0.005)
    acc = ring_signals((ring,), time, None)[1]
    assert np.abs(acc[time < 0.2]).max() == 0.0
    np.testing.assert_allclose(acc[int(np.searchsorted(time, 0.2 - 1e-9))], ring.acc, rtol=1e-6)

    def shape(at: float) -> float:
        x = at - ring.time
        pulsation = 2.0 * np.pi * ring.frequency
        return float(np.exp(-x / 0.012) * (np.cos(pulsation * x) - np.sin(pulsation * x) / pulsation / 0.012))

    before = time - 0.005
    _, mean = ring_signals((ring,), time, before)
    for index in (41, 42, 45, 50):
        expected = quad(shape, before[index], time[index])[0] / 0.005 * ring.acc
        np.testing.assert_allclose(mean[index], expected, atol=1e-9)
    # What turns comes back: the ring leaves no lasting angle.
    assert np.abs(np.sum(ring_signals((ring,), time, before)[0] * 0.005, axis=0)).max() < 1e-6


def test_noise_has_the_density_that_was_asked_for() -> None:
    recording, _ = made(gyro_noise=0.02, acc_noise=0.004)
    quiet, _ = made()
    for stream in recording.sensors.values():
        calm = quiet.sensors[stream.tracked_point]
        expected = np.radians(0.02) * np.sqrt(100.0)  # density · √(half the rate of 200 Hz)
        assert np.std(stream.gyr - calm.gyr) == pytest.approx(expected, rel=0.02)
        assert np.std(stream.acc - calm.acc) == pytest.approx(0.004 * np.sqrt(100.0), rel=0.02)


def test_bias_scale_and_range_do_what_they_say() -> None:
    recording, truth = made(gyro_bias_dps=1.0, gyro_scale=0.01, gyro_range_dps=300.0)
    quiet, _ = made()
    stream, calm = recording.sensors[LEAD_HAND], quiet.sensors[LEAD_HAND]
    flaws = truth.setups[LEAD_HAND].flaws
    limit = np.radians(300.0)
    expected = np.clip(calm.gyr @ flaws.gyr_matrix.T + flaws.gyr_bias, -limit, limit)
    np.testing.assert_allclose(stream.gyr, expected, atol=2e-4)
    assert np.max(np.abs(calm.gyr)) > limit
    assert np.max(np.abs(stream.gyr)) == pytest.approx(limit, abs=1e-4)
    assert stream.gyr_range == pytest.approx(limit)


def test_lost_samples_are_missing_rows_or_nan() -> None:
    recording, truth = simulate_recording(
        seed=2, shots=2, errors=errors_of("ideal", lost_share=0.01, bursts=3.0, burst_s=0.03)
    )
    for point, stream in recording.sensors.items():
        lost = ~np.isfinite(stream.gyr).all(axis=1)
        assert truth.setups[point].flaws.drops_rows or 0.005 < lost.mean() < 0.05
        assert not lost[0]


def test_clocks_of_their_own_start_late_and_drift() -> None:
    for seed in range(20):
        recording, truth = simulate_recording(seed=seed, shots=1, preset="realistic")
        if len(recording.tracking_systems) == 3:
            break
    assert recording.tracking_systems == ("chest", "leadforearm", "leadhand")
    assert truth.setups[CHEST].clock.drift == 0.0
    drifts = [truth.setups[point].clock.drift for point in (LEAD_FOREARM, LEAD_HAND)]
    assert 0.0 < max(np.abs(drifts)) <= 50e-6
    hand = truth.setups[LEAD_HAND].clock
    assert hand.own_time(hand.true_time(np.array([7.0])))[0] == pytest.approx(7.0)
    # Hints are exact, or wrong by less than a second.
    assert abs(recording.start_hints["leadhand"] - (hand.start - truth.start)) < 1.0


def test_taps_are_felt_by_all_sensors_at_once() -> None:
    recording, truth = simulate_recording(seed=3, shots=1)
    tap = recording.of_type(TAP)[0]
    shocks = [shock for shock in truth.score.shocks if shock.at == "all"][:3]
    for shock in shocks:
        for stream in recording.sensors.values():
            assert tap.onset - 1.0 < shock.time - truth.start < tap.end + 1.0
            after = int(np.searchsorted(stream.time, shock.time - truth.start))
            jump = np.linalg.norm(stream.acc[after : after + 2] - stream.acc[after - 1], axis=1).max()
            assert jump > 8.0, stream.tracked_point


def test_a_shock_dies_away_along_the_arm() -> None:
    recording, truth = simulate_recording(seed=3, task="full", shots=3)
    quiet, _ = simulate_recording(seed=3, task="full", shots=3, errors=errors_of("ideal", shock=1e-9))
    impact = truth.swings.loc[truth.swings["kind"] == "shot", "impact_s"].iloc[0]

    def felt(point: str) -> float:
        loud, calm = recording.sensors[point], quiet.sensors[point]
        near = np.abs(loud.time - impact) < 0.05
        return float(np.linalg.norm(loud.acc - calm.acc, axis=1)[near].max())

    assert felt(LEAD_HAND) > 1.5 * felt(LEAD_FOREARM) > 3.0 * felt(CHEST) > 0.0


def test_an_ideal_sensor_is_in_line_with_its_segment() -> None:
    recording, truth = simulate_recording(seed=4, shots=1)
    start, end = next((a, b) for name, a, b in truth.score.steps if name == "stand")
    stream = recording.sensors[CHEST]
    still = (stream.time > start - truth.start) & (stream.time < end - truth.start)
    np.testing.assert_allclose(stream.acc[still], [[0.0, STANDARD_GRAVITY, 0.0]] * int(still.sum()), atol=2e-3)


def test_exact_signals_do_not_depend_on_how_they_are_cut() -> None:
    _, truth = made()
    setup = truth.setups[LEAD_HAND]
    time = truth.start + np.arange(0.0, 60.0, 1.0 / 200.0)
    whole = exact_signals(truth.body, setup, time)
    part = exact_signals(truth.body, setup, time[8100:8300])
    np.testing.assert_allclose(whole[0][8100:8300], part[0], atol=1e-12)


def test_unknown_names_are_errors_that_list_the_legal_ones() -> None:
    with pytest.raises(SettingsError, match="'ideal', 'realistic', 'hard'"):
        simulate_recording(seed=1, preset="easy")
    with pytest.raises(SettingsError, match="'chip', 'pitch', 'full'"):
        simulate_recording(seed=1, task="putt")
    with pytest.raises(SettingsError, match="lead_hand"):
        simulate_recording(seed=1, points=("chest", "knee"))
