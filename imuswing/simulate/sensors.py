"""What sensors on a moving body measure: exact signals first, then each error of a real sensor in turn."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from imuswing.orientation.quaternion import FloatArray, to_matrix
from imuswing.recording.model import BoolArray, SensorStream
from imuswing.simulate.kinematics import CHUNK, Body, SegmentMotion, State, join
from imuswing.simulate.shocks import Ring, ring_signals
from imuswing.simulate.splines import UniformSpline
from imuswing.vocabulary import STANDARD_GRAVITY, SampleMeaning

SOFT_AXES = (2, 0, 1)
"""Axes of the three small rotations of a sensor on its segment, in order (rows 0–2 of `Strap.soft`)."""

NODES, WEIGHTS = (np.array([-np.sqrt(0.6), 0.0, np.sqrt(0.6)]), np.array([5.0, 8.0, 5.0]) / 18.0)
"""Three-point Gauss–Legendre rule: an interval's mean, exact for polynomials of degree five."""

GYR_RESOLUTION, ACC_RESOLUTION = 1e-4, 1e-3
"""Readings are rounded to these, rad/s and m/s²."""


@dataclass(frozen=True, kw_only=True)
class Strap:
    """How one sensor sits on its segment.

    q_segment_from_sensor: (4,) mounting.  offset: (3,) m from the proximal joint, in segment axes.
    soft: rows 0–2 small rotations (rad) about `SOFT_AXES` of the segment, rows 3–5 shifts (m); None for a rigid strap.
    offset and soft are told for a golfer who leads with the left side, and mirrored for one who leads with the right.
    """

    q_segment_from_sensor: FloatArray
    offset: FloatArray
    soft: UniformSpline | None = None


@dataclass(frozen=True, kw_only=True)
class Clock:
    """A tracking system's clock: sample k is taken at start + (k / rate)·(1 + drift) of the body's time."""

    name: str
    rate: float
    start: float
    drift: float = 0.0
    jitter_s: float = 0.0

    def true_time(self, own: FloatArray) -> FloatArray:
        """The body's time (N,) at this clock's times (N,), s."""
        return self.start + own * (1.0 + self.drift)

    def own_time(self, time: FloatArray) -> FloatArray:
        """This clock's times (N,) at the body's times (N,), s."""
        return (time - self.start) / (1.0 + self.drift)


@dataclass(frozen=True, kw_only=True)
class Flaws:
    """Errors of one sensor. gyr_matrix, acc_matrix: (3, 3) scale and cross-axis. Noise: σ of a sample."""

    gyr_matrix: FloatArray = field(default_factory=lambda: np.eye(3))
    acc_matrix: FloatArray = field(default_factory=lambda: np.eye(3))
    gyr_bias: FloatArray = field(default_factory=lambda: np.zeros(3))
    gyr_drift_s: FloatArray = field(default_factory=lambda: np.zeros(3))
    acc_bias: FloatArray = field(default_factory=lambda: np.zeros(3))
    gyr_noise: float = 0.0
    acc_noise: float = 0.0
    gyr_range: float = np.inf
    acc_range: float = np.inf
    lost_share: float = 0.0
    bursts_per_s: float = 0.0
    burst_s: float = 0.0
    drops_rows: bool = False

    def bias_at(self, time: FloatArray) -> FloatArray:
        """Gyro bias (N, 3), rad/s, at times (N,) s."""
        return self.gyr_bias + np.asarray(time)[:, None] * self.gyr_drift_s


@dataclass(frozen=True, kw_only=True)
class SensorSetup:
    """One sensor: where it is worn, how it sits, its clock, its errors and the shocks it feels."""

    point: str
    strap: Strap
    clock: Clock
    meaning: SampleMeaning
    flaws: Flaws
    rings: tuple[Ring, ...] = ()


def _strapped(body: Body, point: str, strap: Strap, time: FloatArray, *, orientation: bool) -> State:
    """State of the skin under a sensor at times (N,), in segment axes turned by the soft tissue."""
    state = body.states(time, point, orientation=orientation)
    offset = body.place(strap.offset)
    if strap.soft is None:
        return state.moved(offset)
    values = strap.soft.evaluate(time)
    side = body.place(np.ones(3))[:, None]
    state = state.moved(offset[:, None] + side * values[0][3:], side * values[1][3:], side * values[2][3:])
    for row, axis in enumerate(SOFT_AXES):
        factor = body.sign(axis)
        state = state.turned(axis, factor * values[0][row], factor * values[1][row], factor * values[2][row])
    return state


def skin_motion(body: Body, point: str, strap: Strap, time: FloatArray) -> SegmentMotion:
    """Truth of the skin that carries a sensor, at times (N,): its axes are the segment's, moved by soft tissue."""
    parts = [
        _strapped(body, point, strap, time[start : start + CHUNK], orientation=True)
        for start in range(0, len(time), CHUNK)
    ]
    return join(parts)


def sample_times(clock: Clock, until: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """True times and the clock's own times (N,) of all samples up to `until`, s."""
    count = int(clock.own_time(np.array([until]))[0] * clock.rate)
    own = np.arange(count) / clock.rate
    if clock.jitter_s > 0.0:
        own[1:] += np.clip(rng.normal(0.0, clock.jitter_s, count - 1), -0.3 / clock.rate, 0.3 / clock.rate)
    return clock.true_time(own), own


def exact_signals(body: Body, setup: SensorSetup, time: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angular velocity and specific force (N, 3) in sensor axes, of an ideal sensor that samples at `time` (N,).

    With `mean`, each is the average over the interval since the sample before.
    """
    mount = to_matrix(setup.strap.q_segment_from_sensor)
    before = None
    if setup.meaning == "mean":
        before = np.concatenate(([2.0 * time[0] - time[1]], time[:-1]))
    gyr, acc = np.empty((len(time), 3)), np.empty((len(time), 3))
    for start in range(0, len(time), CHUNK):
        part = slice(start, min(start + CHUNK, len(time)))
        if before is None:
            state = _strapped(body, setup.point, setup.strap, time[part], orientation=False)
            gyr[part], acc[part] = state.omega.T, state.force.T
            continue
        half = 0.5 * (time[part] - before[part])
        middle = time[part] - half
        gyr[part] = acc[part] = 0.0
        for node, weight in zip(NODES, WEIGHTS, strict=True):
            state = _strapped(body, setup.point, setup.strap, middle + node * half, orientation=False)
            gyr[part] += weight * state.omega.T
            acc[part] += weight * state.force.T
    ring_gyr, ring_acc = ring_signals(setup.rings, time, before)
    return (gyr + ring_gyr) @ mount, (acc + ring_acc) @ mount


def _lost(flaws: Flaws, count: int, rate: float, rng: np.random.Generator) -> BoolArray:
    """Which samples (N,) are lost, as booleans; the first and the last never are."""
    lost = rng.random(count) < flaws.lost_share
    for start in rng.integers(0, count, rng.poisson(flaws.bursts_per_s * count / rate)):
        lost[start : start + max(int(rng.exponential(flaws.burst_s) * rate), 2)] = True
    lost[[0, -1]] = False
    return lost


def record(
    body: Body, setup: SensorSetup, *, until: float, rng: np.random.Generator, clock_rng: np.random.Generator
) -> SensorStream:
    """The stream that one sensor delivers up to `until` s, with all its errors.

    clock_rng: draws the jitter of sample times, the same for all sensors of a clock.
    """
    flaws, clock = setup.flaws, setup.clock
    time, own = sample_times(clock, until, clock_rng)
    gyr, acc = exact_signals(body, setup, time)
    gyr = gyr @ flaws.gyr_matrix.T + flaws.bias_at(time) + flaws.gyr_noise * rng.standard_normal(gyr.shape)
    acc = acc @ flaws.acc_matrix.T + flaws.acc_bias + flaws.acc_noise * rng.standard_normal(acc.shape)
    gyr = np.clip(gyr, -flaws.gyr_range, flaws.gyr_range)
    acc = np.clip(acc, -flaws.acc_range, flaws.acc_range)
    lost = _lost(flaws, len(time), clock.rate, rng)
    gyr, acc = np.round(gyr / GYR_RESOLUTION) * GYR_RESOLUTION, np.round(acc / ACC_RESOLUTION) * ACC_RESOLUTION
    if flaws.drops_rows:
        own, gyr, acc = own[~lost], gyr[~lost], acc[~lost]
    else:
        gyr[lost], acc[lost] = np.nan, np.nan
    return SensorStream(
        tracked_point=setup.point,
        tracking_system=clock.name,
        rate=clock.rate,
        time=own,
        gyr=gyr,
        acc=acc,
        sample_meaning=setup.meaning,
        gyr_range=flaws.gyr_range if flaws.gyr_range < 1e4 else None,
        acc_range=flaws.acc_range if flaws.acc_range < 1e5 * STANDARD_GRAVITY else None,
    )
