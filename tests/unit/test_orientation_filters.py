"""Every filter on turns known in closed form, and what `estimate` does with bad input."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imuswing.errors import SettingsError
from imuswing.orientation import estimate, estimate_quaternions
from imuswing.orientation.filters import bridge
from imuswing.orientation.quaternion import cross, inverse, multiply, rotate

RATE = 100.0
METHODS = ("vqf_offline", "vqf", "madgwick", "mahony", "ekf")
GRAVITY = np.array([0.0, 0.0, 9.81])
FIELD_ENU = np.array([0.0, 18.0, -45.0])  # µT, pointing north and down: dip 68°
AXES = ("x", "y", "z")

# Of a wrong frame, tens of degrees or more are seen. Madgwick and Mahony integrate by first-order steps after a
# correction that lags by a sample of this turn (0.6°).
TOLERANCE_DEG = {"vqf_offline": 0.06, "vqf": 0.06, "madgwick": 0.8, "mahony": 0.8, "ekf": 0.06}


def turn(axis: str, *, angle_deg: float = 60.0, still_s: float = 15.0) -> tuple[Rotation, np.ndarray, np.ndarray]:
    """True orientation, gyr and acc of a sensor lying flat that turns once at 60 °/s about its own axis."""
    still, moving = int(still_s * RATE), int(RATE * angle_deg / 60.0)
    rate_dps = np.concatenate((np.zeros(still), np.full(moving, 60.0), np.zeros(still)))
    direction = np.eye(3)[AXES.index(axis)]
    truth = Rotation.from_rotvec(np.radians(np.cumsum(rate_dps) / RATE)[:, None] * direction)
    return truth, np.radians(rate_dps)[:, None] * direction, truth.apply(GRAVITY, inverse=True)


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("method", METHODS)
def test_known_turn_without_magnetometer(method: str, axis: str) -> None:
    truth, gyr, acc = turn(axis)
    got = estimate(gyr, acc, rate=RATE, method=method)
    up_error = np.arccos(np.clip(np.sum(got.apply(acc) / 9.81 * [0, 0, 1], axis=1), -1, 1))
    after = int(15 * RATE) + int(RATE) - 1
    assert np.degrees(up_error[after]) < TOLERANCE_DEG[method]
    relative = got[0].inv() * got[after]
    assert np.degrees((relative.inv() * truth[after]).magnitude()) < TOLERANCE_DEG[method]


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("method", METHODS)
def test_known_turn_with_magnetometer_points_east_north_up(method: str, axis: str) -> None:
    truth, gyr, acc = turn(axis)
    got = estimate(gyr, acc, truth.apply(FIELD_ENU, inverse=True), rate=RATE, method=method)
    after = int(15 * RATE) + int(RATE) - 1
    for k in (int(14 * RATE), after, len(truth) - 1):
        assert np.degrees((got[k].inv() * truth[k]).magnitude()) < TOLERANCE_DEG[method]


@pytest.mark.parametrize("method", METHODS)
def test_starts_right_in_any_mounting(method: str) -> None:
    mounts = Rotation.create_group("O")  # the 24 ways to strap a box on
    for mount in mounts:
        acc = np.tile(mount.apply(GRAVITY, inverse=True), (20, 1))
        mag = np.tile(mount.apply(FIELD_ENU, inverse=True), (20, 1))
        gyr = np.zeros((20, 3))
        up = estimate(gyr, acc, rate=RATE, method=method).apply(acc)
        # Madgwick steps by 2 · gain · step = 7e-4 rad around the truth whatever the error: 0.0065 m/s².
        assert np.max(np.abs(up - GRAVITY)) < 0.01
        nine = estimate(gyr, acc, mag, rate=RATE, method=method)
        # VQF turns its heading to the field within the first samples, not at once.
        assert np.degrees((nine[-1].inv() * mount).magnitude()) < 0.1


@pytest.mark.parametrize("method", ["vqf_offline", "vqf"])
def test_instant_samples_are_integrated_without_lag(method: str) -> None:
    """A cosine ramp to 1600 °/s about Z: its integral is known; plain sums are half a sample late (8° at 100 Hz)."""
    time = np.arange(0.0, 20.0, 1.0 / RATE)
    phase = np.clip((time - 19.0) / 0.5, 0.0, 1.0)
    gyr = np.zeros((len(time), 3))
    gyr[:, 2] = np.radians(1600.0) * 0.5 * (1.0 - np.cos(np.pi * phase))
    true_deg = 1600.0 * 0.5 * (0.5 * phase - 0.5 * np.sin(np.pi * phase) / np.pi)
    acc = np.tile(GRAVITY, (len(time), 1))
    at = int(19.5 * RATE)

    def error_deg(sample_meaning: str) -> float:
        q = estimate_quaternions(gyr, acc, rate=RATE, method=method, sample_meaning=sample_meaning)
        turned = 2.0 * np.degrees(np.arctan2(q[at, 3], q[at, 0]) - np.arctan2(q[0, 3], q[0, 0]))
        return float(abs((turned - true_deg[at] + 180.0) % 360.0 - 180.0))

    assert error_deg("mean") == pytest.approx(8.0, abs=0.1)
    assert error_deg("instant") < 0.05


@pytest.mark.parametrize("method", METHODS)
def test_lost_samples_are_bridged(method: str) -> None:
    truth, gyr, acc = turn("x")
    gyr[1520:1524] = np.nan
    acc[1600:1603, 1] = np.nan
    gyr[10] = np.nan  # at rest: this alone would stop VQF for good
    got = estimate(gyr, acc, rate=RATE, method=method)
    assert np.isfinite(got.as_quat()).all()
    after = int(16 * RATE) - 1
    assert np.degrees(((got[0].inv() * got[after]).inv() * truth[after]).magnitude()) < TOLERANCE_DEG[method] + 0.1


def test_bridge_follows_a_cubic_exactly_in_slope_and_a_line_exactly() -> None:
    t = np.arange(40.0)[:, None]
    line = np.hstack((t, 2 * t, -t))
    holed = line.copy()
    holed[10:15] = np.nan
    np.testing.assert_allclose(bridge(holed, rate=100.0, name="gyr", cubic=True), line, atol=1e-12)
    holed[0] = holed[-1] = np.nan
    filled = bridge(holed, rate=100.0, name="acc")
    np.testing.assert_array_equal(filled[0], line[1])
    np.testing.assert_array_equal(filled[-1], line[-2])


def test_bridge_of_a_fast_hump() -> None:
    """25 ms lost at the top of a 2400 °/s, 80 ms hump at 400 Hz: the cubic misses under 1 % of the turn in the gap."""
    time = np.arange(0.0, 0.2, 1 / 400.0)
    hump = 2400.0 * np.exp(-0.5 * ((time - 0.1) / 0.03) ** 2)
    gyr = np.column_stack((hump, hump, hump))
    holed = gyr.copy()
    holed[38:48] = np.nan
    filled = bridge(holed, rate=400.0, name="gyr", cubic=True)
    assert np.sum(filled[38:48, 0]) == pytest.approx(np.sum(hump[38:48]), rel=0.05)


def test_a_long_gap_warns() -> None:
    _, gyr, acc = turn("x")
    gyr[100:200] = np.nan
    with pytest.warns(UserWarning, match=r"gyr: a gap of 1\.00 s"):
        estimate(gyr, acc, rate=RATE)


def test_unknown_choices_list_the_legal_ones() -> None:
    _, gyr, acc = turn("x")
    with pytest.raises(SettingsError, match="'vqf_offline', 'vqf', 'madgwick', 'mahony', 'ekf'"):
        estimate(gyr, acc, rate=RATE, method="kalman")  # type: ignore[arg-type]
    with pytest.raises(SettingsError, match="'instant', 'mean'"):
        estimate(gyr, acc, rate=RATE, sample_meaning="median")  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        estimate(gyr, acc, rate=RATE, gain=1.0)  # type: ignore[call-arg]
    with pytest.raises(TypeError):
        estimate(gyr, acc)  # type: ignore[call-arg]


@pytest.mark.parametrize("rate", [0.0, -100.0, np.nan, np.inf])
def test_rate_must_be_a_rate(rate: float) -> None:
    _, gyr, acc = turn("x")
    with pytest.raises(SettingsError, match="positive number of Hz"):
        estimate(gyr, acc, rate=rate)


def test_shapes_are_checked() -> None:
    _, gyr, acc = turn("x")
    with pytest.raises(SettingsError, match=r"gyr has shape \(3, 3100\); it must be \(N, 3\)"):
        estimate(gyr.T, acc, rate=RATE)
    with pytest.raises(SettingsError, match=r"acc has shape \(10, 3\); it must be \(3100, 3\)"):
        estimate(gyr, acc[:10], rate=RATE)
    with pytest.raises(SettingsError, match="mag has shape"):
        estimate(gyr, acc, acc[:10], rate=RATE)
    with pytest.raises(SettingsError, match="gyr has shape"):
        estimate(np.empty((0, 3)), np.empty((0, 3)), rate=RATE)
    with pytest.raises(SettingsError, match="acc holds no sample"):
        estimate(gyr, np.full_like(acc, np.nan), rate=RATE)


def test_input_is_left_alone_and_lists_are_welcome() -> None:
    _, gyr, acc = turn("y")
    gyr[20] = np.nan
    copies = gyr.copy(), acc.copy()
    got = estimate(gyr.tolist(), acc.astype(np.float32), rate=RATE)
    assert len(got) == len(gyr)
    estimate(gyr, acc, rate=RATE, sample_meaning="instant")
    np.testing.assert_array_equal(gyr, copies[0])
    np.testing.assert_array_equal(acc, copies[1])


def test_quaternions_are_the_rotation_scalar_first() -> None:
    _, gyr, acc = turn("y")
    q = estimate_quaternions(gyr, acc, rate=RATE)
    np.testing.assert_allclose(estimate(gyr, acc, rate=RATE).as_matrix() @ [1, 2, 3], rotate(q, [1, 2, 3]), atol=1e-12)
    assert np.allclose(multiply(q, inverse(q)), [1, 0, 0, 0])
    assert cross(q[:, 1:], q[:, 1:]).max() == 0.0


def test_import_stays_light() -> None:
    code = "import sys, imuswing.orientation; assert not {'scipy', 'pandas', 'ahrs', 'vqf', 'numba'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
