"""The errors of a strapdown orientation as a linear model, which gravity at rest closes.

Strapdown from increments α is off by a small rotation e(t), in earth axes: R_true = exp(e)·R. It is linear in the
parameters θ of `Layout`: e(t) = J(t)·θ, with J made of the tilt at the start and of running integrals such as ∫R dt
(gyro bias) and ∫R_kl·α_m (gyro matrix). What is seen is velocity: over a rest, and from one rest to the next, the
integral of R·acc − g must be the change of the sensor's velocity, which is next to none. Each such integral is one
observation. (Zero-velocity updates as in pedestrian navigation, Foxlin 2005, IEEE Comput Graph Appl 25:38, written as
one least-squares problem: with so few unknowns no filter is needed.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray, cross, exp, multiply, to_matrix
from imuswing.orientation.strapdown import integrate
from imuswing.recording.model import BoolArray, IntArray

TILT = slice(0, 2)
GYRO_BIAS = slice(2, 5)
GYRO_MATRIX = slice(5, 14)
ACC_BIAS = slice(14, 17)
ACC_MATRIX = slice(17, 26)
SHARED = slice(5, 26)
"""The parameters that belong to the sensor and stay the same from swing to swing."""
FIXED_COUNT = 26


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Which parameter stands where in θ, and what is known of it beforehand.

    0:2 tilt at sample 0, about the earth's x and y, rad · 2:5 what is left of the gyro bias, rad/s, added to the
    reading · 5:14 gyro matrix M row by row: true rate = (1 + M)·reading · 14:17 accelerometer bias b, m/s², and 17:26
    matrix S: true = reading − b − S·reading · then 3 a bridged run: a constant rate over it, sensor axes, rad/s ·
    then 3 a span of the random walk: what it adds to e over the span, rad.

    size: samples a block.  edges: (E,) samples 0, size, 2·size, …  run_first, run_last: (R,) bridged increments
    [first, last).  nodes: (W + 1,) samples that bound the walk's spans.  walk_clock: (N,) rad², variance of the walk
    since sample 0, by which it goes on within a span.  mean: (n,), precision: (n, n).
    """

    size: int
    edges: IntArray
    run_first: IntArray
    run_last: IntArray
    nodes: IntArray
    walk_clock: FloatArray
    mean: FloatArray
    precision: FloatArray

    @property
    def runs(self) -> slice:
        """Parameters of the bridged runs."""
        return slice(FIXED_COUNT, FIXED_COUNT + 3 * len(self.run_first))

    @property
    def walk(self) -> slice:
        """Parameters of the random walk."""
        return slice(self.runs.stop, self.runs.stop + 3 * (len(self.nodes) - 1))

    @property
    def count(self) -> int:
        """n, how many parameters there are."""
        return len(self.mean)


@dataclass(frozen=True, kw_only=True)
class Course:
    """An orientation and J at the block edges.

    q: (N, 4) earth from sensor.  turn: (N, 3, 3) its matrices.  jacobian: (E, 3, n).
    """

    q: FloatArray
    turn: FloatArray
    jacobian: FloatArray


def corrected_increments(increments: FloatArray, theta: FloatArray, layout: Layout, *, rate: float) -> FloatArray:
    """Increments (N, 3) in rad with bias, matrix and bridged runs of θ applied."""
    corrected = increments + increments @ theta[GYRO_MATRIX].reshape(3, 3).T + theta[GYRO_BIAS] / rate
    rates = theta[layout.runs].reshape(-1, 3)
    for first, last, run in zip(layout.run_first, layout.run_last, rates, strict=True):
        corrected[first:last] += run / rate
    return corrected


def strapdown_course(
    increments: FloatArray, start: FloatArray, theta: FloatArray, layout: Layout, *, rate: float
) -> Course:
    """Course of readings `increments` (N, 3) corrected by θ, from `start` (4,) at sample 0."""
    q = integrate(corrected_increments(increments, theta, layout, rate=rate), start=start)
    walk = theta[layout.walk].reshape(-1, 3)
    if np.any(walk):
        at_nodes = np.concatenate((np.zeros((1, 3)), np.cumsum(walk, axis=0)))
        clock, ticks = layout.walk_clock, layout.walk_clock[layout.nodes]
        walked = np.column_stack([np.interp(clock, ticks, at_nodes[:, axis]) for axis in range(3)])
        q = multiply(exp(walked), q)
    return course_of(q, increments, layout, rate=rate)


def course_of(q: FloatArray, increments: FloatArray, layout: Layout, *, rate: float) -> Course:
    """J along orientations q (N, 4) that the readings `increments` (N, 3) led to."""
    turn = to_matrix(q)
    blocks, size = len(layout.edges) - 1, layout.size
    # Increment k turns from sample k − 1 to k: the mean of both matrices stands for it.
    middle = 0.5 * (turn[:-1] + turn[1:])[: blocks * size].reshape(blocks, size, 9)
    readings = increments[1 : blocks * size + 1].reshape(blocks, size, 3)
    jacobian = np.zeros((blocks + 1, 3, layout.count))
    jacobian[:, 0, 0] = jacobian[:, 1, 1] = 1.0
    jacobian[1:, :, GYRO_BIAS] = np.cumsum(middle.sum(axis=1) / rate, axis=0).reshape(blocks, 3, 3)
    by_reading = np.matmul(middle.transpose(0, 2, 1), readings)
    jacobian[1:, :, GYRO_MATRIX] = np.cumsum(by_reading, axis=0).reshape(blocks, 3, 9)
    flat = middle.reshape(-1, 3, 3)
    for run, (first, last) in enumerate(zip(layout.run_first, layout.run_last, strict=True)):
        steps = np.arange(first - 1, min(last - 1, len(flat)))
        per_block = np.zeros((blocks, 3, 3))
        np.add.at(per_block, steps // size, flat[steps] / rate)
        column = FIXED_COUNT + 3 * run
        jacobian[1:, :, column : column + 3] = np.cumsum(per_block, axis=0)
    ticks = layout.walk_clock[layout.nodes]
    share = np.clip((layout.walk_clock[layout.edges, None] - ticks[:-1]) / np.diff(ticks), 0.0, 1.0)
    for axis in range(3):
        jacobian[:, axis, layout.walk.start + axis :: 3] = share
    return Course(q=q, turn=turn, jacobian=jacobian)


def jacobian_at(at_edges: FloatArray, layout: Layout, samples: IntArray) -> FloatArray:
    """J (M, 3, n) at samples (M,): the rotation error in earth axes, rad, per unit of each parameter, from that at
    the block edges (E, 3, n).
    """
    before = np.clip(samples // layout.size, 0, max(len(layout.edges) - 2, 0))
    share = np.clip((samples - layout.edges[before]) / layout.size, 0.0, 1.0)[:, None, None]
    after = np.minimum(before + 1, len(layout.edges) - 1)
    between: FloatArray = (1.0 - share) * at_edges[before] + share * at_edges[after]
    return between


def error_course(course: Course, layout: Layout, theta: FloatArray) -> FloatArray:
    """e (N, 3) in earth axes, rad, at every sample for a small step in θ (n,)."""
    at_edges = course.jacobian @ theta
    index = np.arange(len(course.q))
    return np.column_stack([np.interp(index, layout.edges, at_edges[:, axis]) for axis in range(3)])


@dataclass(frozen=True, kw_only=True)
class Knots:
    """Block edges between which velocity is compared.

    edge: (K + 1,) increasing indices into `Layout.edges`.  speed_sd: (K + 1,) m/s, how far from zero the velocity at
    each may be, each axis.  push_sd: (K,) m/s, error of the accelerometer's integral over each interval.
    rest: (K,) which rest the interval lies in, −1 for none.
    """

    edge: IntArray
    speed_sd: FloatArray
    push_sd: FloatArray
    rest: IntArray


def closing_errors(
    course: Course, acc: FloatArray, theta: FloatArray, layout: Layout, knots: Knots, *, rate: float, gravity: float
) -> tuple[FloatArray, FloatArray]:
    """Velocity changes (K, 3) that R·acc − g shows from knot to knot, m/s, and their slope (K, 3, n) by θ.

    With the true θ, change + (what the sensor's own velocity did) is the noise of the accelerometer; the slope is that
    of the model, change(θ) ≈ velocity change + slope·(θ_true − θ).
    """
    step = 1.0 / rate
    corrected = acc - theta[ACC_BIAS] - acc @ theta[ACC_MATRIX].reshape(3, 3).T
    force = np.matmul(course.turn, corrected[:, :, None])[:, :, 0]
    push = _block_integrals(force, None, layout) * step
    middle = 0.5 * (course.jacobian[1:] + course.jacobian[:-1])
    # −e × f, block by block: the push crossed with each column of J.
    per_block = cross(push[:, None, :], middle.transpose(0, 2, 1)).transpose(0, 2, 1)
    flat = course.turn.reshape(-1, 9)
    slope = _to_knots(per_block, knots)
    slope[:, :, ACC_BIAS] = _to_knots(_block_integrals(flat, None, layout) * step, knots).reshape(-1, 3, 3)
    slope[:, :, ACC_MATRIX] = _to_knots(_block_integrals(flat, acc, layout) * step, knots).reshape(-1, 3, 9)
    change = _to_knots(push, knots)
    change[:, 2] -= gravity * step * np.diff(layout.edges[knots.edge])
    return change, slope


def _block_integrals(values: FloatArray, factor: FloatArray | None, layout: Layout) -> FloatArray:
    """Trapezoid sums over each block of values (N, A), (E − 1, A), or of their products with factor (N, 3),
    (E − 1, A, 3).
    """
    blocks, size = len(layout.edges) - 1, layout.size
    inner = values[: blocks * size].reshape(blocks, size, -1)
    if factor is None:
        ends = values[layout.edges]
        return np.asarray(inner.sum(axis=1) + 0.5 * (ends[1:] - ends[:-1]))
    with_factor = np.matmul(inner.transpose(0, 2, 1), factor[: blocks * size].reshape(blocks, size, -1))
    both = values[layout.edges][:, :, None] * factor[layout.edges][:, None, :]
    return np.asarray(with_factor + 0.5 * (both[1:] - both[:-1]))


def _to_knots(per_block: FloatArray, knots: Knots) -> FloatArray:
    """Sums (K, ...) of per_block (E − 1, ...) from knot to knot."""
    return np.add.reduceat(per_block[: knots.edge[-1]], knots.edge[:-1], axis=0)


def whiten(knots: Knots, change: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Change (K, 3) and slope (K, 3, n) as (3 K,) and (3 K, n) with independent errors of unit size.

    A velocity at a knot ends one interval and begins the next, so neighbours' errors are correlated.
    """
    variance = knots.speed_sd**2
    covariance = np.diag(variance[:-1] + variance[1:] + knots.push_sd**2)
    beside = np.arange(len(variance) - 2)
    covariance[beside, beside + 1] = covariance[beside + 1, beside] = -variance[1:-1]
    whitening = np.linalg.inv(np.linalg.cholesky(covariance))
    count = len(change)
    rows = whitening @ slope.reshape(count, -1)
    return (whitening @ change).ravel(), rows.reshape(3 * count, -1)


def mask_runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First and one-past-last index of each run of true values of (N,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return edges[::2], edges[1::2]
