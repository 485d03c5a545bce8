"""Reading the calibration steps: directions of gravity while still, axes of slow repeated movements."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import Event
from imuswing.sensors.motion import Motion

SEARCH_MARGIN_S = 1.0
"""A step's marks may be off by about a second (common practice, no source)."""
MINIMUM_STILL_S = 0.5
MINIMUM_MOVING_RATE = np.deg2rad(10.0)
LEAST_SWING_OF_GRAVITY = 0.05
MOST_APART = float(np.cos(np.deg2rad(30.0)))
"""Gravity shows an axis where it moves along an arc long enough to have a second direction (share of its movement's
square), and where the gyro's own axis lies near (common practice, no source)."""
DEFAULT_STEP_S = {"stand": 3.0, "bow": 12.0, "table": 3.0, "wrist_bend": 10.0, "club_hang": 3.0, "forearm_roll": 10.0}
"""Assumed length of a step that is marked without a duration, s."""


@dataclass(frozen=True, kw_only=True)
class StillReading:
    """Gravity as seen in the sensor: `up` (3,) unit vector and the standard error of its direction, rad."""

    up: FloatArray
    se: float
    start: float
    end: float


@dataclass(frozen=True, kw_only=True)
class TurningReading:
    """A functional axis: `axis` (3,) unit vector in the sensor, along the first movement's angular velocity.

    scatter: SD of the half-movements' own axes, rad.  se: scatter / sqrt(number).  repetitions: half-movements used.
    sweep: mean angle of a half-movement, rad.  up: (3,) unit vector, mean direction of gravity over the movement.
    """

    axis: FloatArray
    up: FloatArray
    scatter: float
    se: float
    repetitions: int
    sweep: float


def step_interval(event: Event) -> tuple[float, float]:
    """Start and end of a step in s, with an assumed length where the duration is 0."""
    length = event.duration if event.duration > 0 else DEFAULT_STEP_S[event.trial_type]
    return event.onset, event.onset + length


def read_still(motion: Motion, start: float, end: float) -> StillReading | None:
    """Mean direction of gravity over the quietest still stretch between start and end (s); None without one."""
    window = _samples(motion, start, end)
    good = motion.still[window] & ~motion.unusable[window]
    first, last = _longest_run(good)
    if (last - first) / motion.rate < MINIMUM_STILL_S:
        return None
    samples = slice(window.start + first, window.start + last)
    acc = motion.acc[samples]
    mean = acc.mean(axis=0)
    size = float(np.linalg.norm(mean))
    # Sway is not white: a second of stillness counts as about one independent reading.
    independent = max((last - first) / motion.rate, 1.0)
    se = float(np.sqrt(acc.var(axis=0).sum() / 2.0 / independent) / size)
    return StillReading(
        up=mean / size, se=se, start=float(motion.time[samples.start]), end=float(motion.time[samples.stop - 1])
    )


def read_turning(
    motion: Motion, start: float, end: float, *, free_about_vertical: bool = False
) -> TurningReading | None:
    """Main axis of repeated turning between start and end (s), with the sign of the first movement.

    free_about_vertical: the joint before this one may turn about the vertical meanwhile, such as a shoulder while the
    forearm of a bent elbow rolls; the axis is then the one about which gravity moves in the sensor.
    """
    window = _samples(motion, start, end)
    good = ~motion.unusable[window]
    omega = motion.gyr[window][good]
    if len(omega) < motion.rate:
        return None
    axis = _principal_axis(omega)
    halves = _half_movements(omega @ axis, motion.rate)
    if len(halves) < 2:
        return None
    sweeps = np.array([np.sum(omega[half] @ axis) / motion.rate for half in halves])
    large = np.abs(sweeps) > 0.4 * np.median(np.abs(sweeps))
    halves = [half for half, keep in zip(halves, large, strict=True) if keep]
    sweeps = sweeps[large]
    axes = np.array([_signed(_principal_axis(omega[half]), axis) for half in halves])
    mean = axes.mean(axis=0)
    mean /= np.linalg.norm(mean)
    deviations = np.linalg.norm(np.cross(axes, mean), axis=1)
    scatter = float(np.sqrt(np.mean(deviations**2)))
    acc = motion.acc[window][good]
    up = acc.mean(axis=0)
    if free_about_vertical:
        # Only the movements that count: a late mark takes in how the arm goes to the next posture.
        within = np.concatenate([np.arange(half.start, half.stop) for half in halves])
        mean = _axis_of_gravity(omega[within], acc[within], mean)
    return TurningReading(
        axis=mean * np.sign(sweeps[0]),
        up=up / np.linalg.norm(up),
        scatter=scatter,
        se=scatter / np.sqrt(len(halves)),
        repetitions=len(halves),
        sweep=float(np.mean(np.abs(sweeps))),
    )


def _samples(motion: Motion, start: float, end: float) -> slice:
    first, last = np.searchsorted(motion.time, [start, end])
    return slice(int(first), int(last))


def _longest_run(flags: np.ndarray) -> tuple[int, int]:
    """First index and end of the longest run of True; (0, 0) without any."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    if not len(edges):
        return 0, 0
    starts, ends = edges[::2], edges[1::2]
    best = int(np.argmax(ends - starts))
    return int(starts[best]), int(ends[best])


def _principal_axis(omega: FloatArray) -> FloatArray:
    """Direction (3,) that holds most of the turning in omega (N, 3)."""
    _, vectors = np.linalg.eigh(omega.T @ omega)
    return np.asarray(vectors[:, -1])


def _axis_of_gravity(omega: FloatArray, acc: FloatArray, axis: FloatArray) -> FloatArray:
    """The direction (3,) in which gravity never moves in the sensor, whatever turns about the vertical besides.

    Gravity g moves there by g × ω, which is square to the axis where ω = rate · axis + any rate · g. `axis` where the
    movement is too small to tell or the two are far apart.
    """
    moving = np.cross(acc / np.linalg.norm(acc, axis=1, keepdims=True), omega)
    values, vectors = np.linalg.eigh(moving.T @ moving)
    found = _signed(np.asarray(vectors[:, 0]), axis)
    sure = values[1] > LEAST_SWING_OF_GRAVITY * values[2] and found @ axis > MOST_APART
    return found if sure else axis


def _signed(axis: FloatArray, like: FloatArray) -> FloatArray:
    return axis if axis @ like >= 0 else -axis


def _half_movements(rate_about_axis: FloatArray, rate: float) -> list[slice]:
    """Stretches of one turning direction, fast enough to carry the axis."""
    width = max(int(0.1 * rate), 1)
    smooth = np.convolve(rate_about_axis, np.ones(width) / width, mode="same")
    level = max(MINIMUM_MOVING_RATE, 0.15 * float(np.quantile(np.abs(smooth), 0.95)))
    sign = np.where(smooth > level, 1, np.where(smooth < -level, -1, 0))
    edges = np.flatnonzero(np.diff(np.concatenate(([0], sign, [0]))))
    halves = [slice(int(a), int(b)) for a, b in itertools.pairwise(edges) if sign[a] != 0]
    return [half for half in halves if half.stop - half.start >= 0.1 * rate]
