"""Orientation of one sensor over a whole recording by published filters, all in one frame: earth Z up, X east.

Without a magnetometer the heading is arbitrary and drifts. VQF (Laidig & Seel 2023, Information Fusion 91:187) comes
from the package `vqf`; Madgwick, Mahony and the extended Kalman filter from `ahrs`, whose frames differ from filter to
filter and are put right here. All run with their packages' default gains.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Literal, cast

import numpy as np
import numpy.typing as npt

from imuswing.errors import SettingsError, require_one_of
from imuswing.orientation.quaternion import FloatArray, cross, from_matrix, multiply
from imuswing.orientation.strapdown import rotation_increments, tilt_from_up
from imuswing.sensors.columns import finite_rows
from imuswing.vocabulary import SAMPLE_MEANINGS, SampleMeaning

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation

Method = Literal["vqf_offline", "vqf", "madgwick", "mahony", "ekf"]

CUBIC_BRIDGE_S: Final = 0.1
"""Longest gap in a gyro that a cubic bridges; longer ones get a straight line (a cubic would swing out). Common
practice, no source; that a cubic is right for short gaps was measured."""

WARN_GAP_S: Final = 0.25
"""A gap longer than this is bridged with a warning: what the sensor did in it is not known (common practice, no
source)."""

Q_ENU_FROM_NWU: Final[FloatArray] = np.array([np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5)])
Q_ENU_FROM_NED: Final[FloatArray] = np.array([0.0, np.sqrt(0.5), np.sqrt(0.5), 0.0])

_NEARLY_ZERO_RATE: Final = 1e-12
"""rad/s; `ahrs` skips the whole update, accelerometer included, where the rate is exactly zero."""


def estimate(
    gyr: npt.ArrayLike,
    acc: npt.ArrayLike,
    mag: npt.ArrayLike | None = None,
    *,
    rate: float,
    method: Method = "vqf_offline",
    sample_meaning: SampleMeaning = "mean",
) -> Rotation:
    """Orientation of a sensor over a recording as a SciPy `Rotation` of N: sensor frame to earth frame, Z up.

    gyr: (N, 3) rad/s.  acc: (N, 3) m/s², +9.8 upward at rest.  mag: (N, 3) µT or None (heading then arbitrary).
    rate: samples per second, Hz, evenly spaced; no default.
    method: `vqf_offline` (looks ahead; the best), `vqf`, `madgwick`, `mahony`, `ekf`; the last three are pure Python
    (some 50 to 100 µs a sample) and serve comparison.
    sample_meaning: `mean` feeds the samples as they are, as every filter here assumes: a gyro sample stands for the
    interval before it. `instant` first turns instantaneous samples into interval means; give it if you know it, it is
    worth degrees at high speed and low rates. A plain array says nothing about its samples, so the default changes
    nothing; it also errs less than `instant` in all five open BROAD recordings (0.4 to 1.0° against 0.5 to 1.6° of
    inclination at 286 Hz), though a shift of half a sample between sensor and optics would look the same. A recording
    is another matter: there `instant` is what the layout says of a sidecar without `SampleMeaning`, and the analysis
    hands on what the recording says.

    NaN (lost samples) is bridged before filtering; a warning tells of gaps over 0.25 s. Subtract a gyro bias of more
    than 2 °/s first: no filter here finds it. The first seconds of `vqf` are a run-in. Raises `SettingsError` for a
    wrong shape, an unknown method, or a channel without any sample.
    """
    from scipy.spatial.transform import Rotation

    q = estimate_quaternions(gyr, acc, mag, rate=rate, method=method, sample_meaning=sample_meaning)
    return Rotation.from_quat(q[:, [1, 2, 3, 0]])


def estimate_quaternions(
    gyr: npt.ArrayLike,
    acc: npt.ArrayLike,
    mag: npt.ArrayLike | None = None,
    *,
    rate: float,
    method: Method = "vqf_offline",
    sample_meaning: SampleMeaning = "mean",
) -> FloatArray:
    """As `estimate`, without SciPy: `q_earth_from_sensor` (N, 4), scalar first."""
    require_one_of("method", method, _METHODS)
    require_one_of("sample_meaning", sample_meaning, SAMPLE_MEANINGS)
    if not (np.isfinite(rate) and rate > 0):
        raise SettingsError(f"rate is {rate!r}; it must be a positive number of Hz")
    gyr = _channel(gyr, name="gyr", rows=None)
    acc = _channel(acc, name="acc", rows=len(gyr))
    mag = None if mag is None else _channel(mag, name="mag", rows=len(gyr))
    gyr = bridge(gyr, rate=rate, name="gyr", cubic=True)
    acc = bridge(acc, rate=rate, name="acc")
    mag = None if mag is None else bridge(mag, rate=rate, name="mag")
    if sample_meaning == "instant":
        gyr = rotation_increments(gyr, rate=rate, sample_meaning="instant") * rate
    return _METHODS[method](gyr, acc, mag, 1.0 / rate)


def bridge(values: FloatArray, *, rate: float, name: str, cubic: bool = False) -> FloatArray:
    """values (N, 3) with every run of rows that hold a NaN replaced, C-contiguous: a straight line, or with `cubic` and
    up to `CUBIC_BRIDGE_S` a cubic that goes on with the slopes found beside the gap; ends are held.

    Raises `SettingsError` where no sample is left; warns of gaps longer than `WARN_GAP_S`.
    """
    good = finite_rows(values)
    if good.all():
        return np.ascontiguousarray(values)
    known = np.flatnonzero(good)
    if len(known) == 0:
        raise SettingsError(f"{name} holds no sample without NaN; record it again or leave the sensor out")
    filled = np.array(values)
    lost = np.flatnonzero(~good)
    for column in range(values.shape[1]):
        filled[lost, column] = np.interp(lost, known, values[known, column])
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (~good).astype(np.int8), [0]))))
    gaps = list(zip(edges[::2], edges[1::2], strict=True))
    for first, end in gaps:
        inside: bool = first >= 2 and end + 2 <= len(good) and bool(good[first - 2]) and bool(good[end + 1])
        if cubic and inside and end - first <= CUBIC_BRIDGE_S * rate:
            filled[first:end] = _hermite(values[first - 2 : first], values[end : end + 2], int(end - first))
    longest = max(end - first for first, end in gaps) / rate
    if longest > WARN_GAP_S:
        warnings.warn(f"{name}: a gap of {longest:.2f} s was bridged; orientation after it is a guess", stacklevel=3)
    return np.ascontiguousarray(filled)


def _hermite(before: FloatArray, after: FloatArray, count: int) -> FloatArray:
    """`count` rows on the cubic from before[1] to after[0] with the slopes of either pair, (2, 3) each."""
    span = count + 1
    s = (np.arange(1, span) / span)[:, None]
    rise_before, rise_after = span * (before[1] - before[0]), span * (after[1] - after[0])
    return cast(
        FloatArray,
        (2 * s**3 - 3 * s**2 + 1) * before[1]
        + (s**3 - 2 * s**2 + s) * rise_before
        + (3 * s**2 - 2 * s**3) * after[0]
        + (s**3 - s**2) * rise_after,
    )


def _channel(values: npt.ArrayLike, *, name: str, rows: int | None) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    expected = "(N, 3)" if rows is None else f"({rows}, 3)"
    if array.ndim != 2 or array.shape[1] != 3 or len(array) == 0 or rows not in (None, len(array)):
        raise SettingsError(f"{name} has shape {array.shape}; it must be {expected}")
    return array


def _vqf(gyr: FloatArray, acc: FloatArray, mag: FloatArray | None, step_s: float) -> FloatArray:
    from vqf import VQF

    out = VQF(step_s).updateBatch(gyr, acc, mag)
    return cast(FloatArray, out["quat6D" if mag is None else "quat9D"])


def _vqf_offline(gyr: FloatArray, acc: FloatArray, mag: FloatArray | None, step_s: float) -> FloatArray:
    from vqf import offlineVQF

    out = offlineVQF(gyr, acc, mag, step_s)
    return cast(FloatArray, out["quat6D" if mag is None else "quat9D"])


def _madgwick(gyr: FloatArray, acc: FloatArray, mag: FloatArray | None, step_s: float) -> FloatArray:
    """Its magnetic reference lies in the x-z plane with z up: north, west, up. `q0` is ignored with a magnetometer."""
    from ahrs.filters import Madgwick

    gain = {"gain": 0.041} if mag is not None else {}  # the class picks the gain by `mag`, which is not handed over
    madgwick = Madgwick(Dt=step_s, **gain)
    start = multiply(np.array([1, 1, 1, -1]) * Q_ENU_FROM_NWU, _start(acc[0], mag))
    return multiply(Q_ENU_FROM_NWU, _run_ahrs(madgwick.updateIMU, madgwick.updateMARG, start, gyr, acc, mag))


def _mahony(gyr: FloatArray, acc: FloatArray, mag: FloatArray | None, step_s: float) -> FloatArray:
    """Its magnetic reference lies in the y-z plane with z up: east, north, up, as ours."""
    from ahrs.filters import Mahony

    mahony = Mahony(Dt=step_s)
    return _run_ahrs(mahony.updateIMU, mahony.updateMARG, _start(acc[0], mag), gyr, acc, mag)


def _ekf(gyr: FloatArray, acc: FloatArray, mag: FloatArray | None, step_s: float) -> FloatArray:
    """North, east, down, with gravity (not its reaction) as the accelerometer's direction; the dip comes from the data.

    The dip is the median over all samples of the angle of the field below the plane square to the accelerometer:
    movement cancels in the median, and no place on earth need be known.
    """
    from ahrs.filters import EKF

    start = multiply(np.array([1, -1, -1, 1]) * Q_ENU_FROM_NED, _start(acc[0], mag))
    if mag is None:
        dip_deg = 0.0
    else:
        sine = np.sum(mag * -acc, axis=1) / (np.linalg.norm(mag, axis=1) * np.linalg.norm(acc, axis=1))
        dip_deg = float(np.degrees(np.median(np.arcsin(np.clip(sine, -1.0, 1.0)))))
    ekf = EKF(Dt=step_s, frame="NED", magnetic_ref=dip_deg, mag=mag)

    def update(q: FloatArray, gyr: FloatArray, acc: FloatArray, mag: FloatArray | None = None) -> FloatArray:
        return cast(FloatArray, ekf.update(q, gyr, -acc, mag))

    return multiply(Q_ENU_FROM_NED, _run_ahrs(update, update, start, gyr, acc, mag))


def _run_ahrs(
    update_imu: Callable[..., Any],
    update_marg: Callable[..., Any],
    start: FloatArray,
    gyr: FloatArray,
    acc: FloatArray,
    mag: FloatArray | None,
) -> FloatArray:
    gyr = np.where((gyr == 0.0).all(axis=1, keepdims=True), _NEARLY_ZERO_RATE, gyr)
    q = np.empty((len(gyr), 4))
    q[0] = start
    for k in range(1, len(q)):
        q[k] = update_imu(q[k - 1], gyr[k], acc[k]) if mag is None else update_marg(q[k - 1], gyr[k], acc[k], mag[k])
    return q


def _start(acc: FloatArray, mag: FloatArray | None) -> FloatArray:
    """First orientation, earth from sensor: Z along acc (3,), and with mag (N, 3) Y along its first horizontal part."""
    if mag is None:
        return tilt_from_up(acc)
    east = cross(mag[0], acc)
    north = cross(acc, east)
    return from_matrix(np.stack([axis / np.linalg.norm(axis) for axis in (east, north, acc)]))


_METHODS: Final[dict[str, Callable[[FloatArray, FloatArray, FloatArray | None, float], FloatArray]]] = {
    "vqf_offline": _vqf_offline,
    "vqf": _vqf,
    "madgwick": _madgwick,
    "mahony": _mahony,
    "ekf": _ekf,
}
