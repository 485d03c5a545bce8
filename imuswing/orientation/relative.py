"""Two sensors on segments that share a joint: what the joint says about their headings, lever arms and axes.

Pure functions on arrays. Sensor 1 and sensor 2 each have an orientation of their own, `q_earth1_from_sensor1` and
`q_earth2_from_sensor2`, both with Z up but with headings that have nothing to do with each other; the heading offset δ
is the turn about Z that takes earth 2 to earth 1. Arrays of one sensor are at the same instants as the other's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from imuswing.errors import SettingsError
from imuswing.orientation.quaternion import FloatArray, cross, exp, multiply, rotate, to_matrix

BLOCKS = 12
"""Parts that data are cut into for a standard error: neighbours' errors are alike, so parts are counted, not
samples."""

T_FACTOR = 2.201 / 1.96
"""97.5 % points of Student's t with 11 degrees of freedom and of the normal distribution (tables)."""


@dataclass(frozen=True, kw_only=True)
class HeadingOffset:
    """δ in rad: turn earth 2 by it about Z and its heading is that of earth 1.

    se: its standard error, rad, from how parts of the data disagree; a fault common to all (wrong axes or arms) is not
        in it.  rms: what is left, in the residual's unit.
    other: the second best minimum, rad, and other_rms what would be left there; None where there is only one.
    """

    delta: float
    se: float
    rms: float
    other: float | None = None
    other_rms: float | None = None

    @property
    def quaternion(self) -> FloatArray:
        """(4,) earth 1 from earth 2."""
        return np.array([np.cos(0.5 * self.delta), 0.0, 0.0, np.sin(0.5 * self.delta)])


def heading_offset_from_hinges(
    q1: FloatArray,
    q2: FloatArray,
    axis1: FloatArray,
    axis2: FloatArray,
    *,
    weights: FloatArray | None = None,
    cosine: float = 0.0,
) -> HeadingOffset:
    """Heading offset of a joint with two hinges, from the angle between its axes, which never changes.

    q1, q2: (N, 4) earth 1 from sensor (or segment) 1, earth 2 from 2.  axis1: (3,) unit, the first hinge, fixed in 1.
    axis2: (3,) unit, the second, fixed in 2.  cosine: of the angle between them, 0 for the wrist: flexion about the
    forearm's Z, deviation about the hand's X.  weights: (N,), such as 1 where the joint's model holds.
    Minimises Σ w·(axis1 · axis2 − cosine)² (Laidig, Müller & Seel 2017, Curr Dir Biomed Eng 3:227; Laidig, Lehmann,
    Bégin & Seel 2019, EMBC, doi 10.1109/EMBC.2019.8857535). The cost is a trigonometric polynomial of second
    degree, scanned and then refined. Motion about one axis alone can leave two minima: see `other`.
    """
    u, v = rotate(q1, axis1), rotate(q2, axis2)
    w = _weights(weights, len(u))
    # axis1 · Rz(δ)·axis2 = a·cos δ + b·sin δ + c
    a = u[:, 0] * v[:, 0] + u[:, 1] * v[:, 1]
    b = u[:, 1] * v[:, 0] - u[:, 0] * v[:, 1]
    c = u[:, 2] * v[:, 2] - cosine
    terms = np.stack((a, b, c), axis=1)
    moments = (terms * w[:, None]).T @ terms / w.sum()

    def cost(delta: FloatArray) -> FloatArray:
        basis = np.stack((np.cos(delta), np.sin(delta), np.ones_like(delta)), axis=-1)
        return np.maximum(np.einsum("...i,ij,...j->...", basis, moments, basis), 0.0)

    minima = _minima(cost)
    best = minima[0]
    residual = a * np.cos(best) + b * np.sin(best) + c
    slope = b * np.cos(best) - a * np.sin(best)
    rms = [float(np.sqrt(cost(np.asarray(minimum)))) for minimum in minima]
    return HeadingOffset(
        delta=best,
        se=_block_se(slope[:, None], residual, w),
        rms=rms[0],
        other=minima[1] if len(minima) > 1 else None,
        other_rms=rms[1] if len(minima) > 1 else None,
    )


def _minima(cost: Callable[[FloatArray], FloatArray]) -> list[float]:
    """Local minima of a cost of an angle, best first, by a scan of 1° and parabolas."""
    grid = np.radians(np.arange(-180.0, 180.0))
    values = cost(grid)
    low = np.flatnonzero((values <= np.roll(values, 1)) & (values < np.roll(values, -1)))
    found: list[tuple[float, float]] = []
    for index in low:
        at, width = float(grid[index]), np.radians(1.0)
        for _ in range(4):
            left, middle, right = cost(at + width * np.array([-1.0, 0.0, 1.0]))
            bend = left - 2.0 * middle + right
            at += width * float(np.clip(0.5 * (left - right) / bend, -1.0, 1.0)) if bend > 0.0 else 0.0
            width *= 0.1
        found.append((float(cost(np.asarray(at))), at))
    return [at for _, at in sorted(found)]


def heading_offset_from_joint_centre(
    q1: FloatArray,
    q2: FloatArray,
    force1: FloatArray,
    force2: FloatArray,
    *,
    weights: FloatArray | None = None,
) -> HeadingOffset:
    """Heading offset from the acceleration of the joint's centre, which both sensors must tell alike.

    q1, q2: (N, 4).  force1, force2: (N, 3) m/s², `joint_centre_force` of either sensor, in its axes.  weights: (N,).
    Closed form: the turn about Z that lays the horizontal parts over one another (Procrustes in two dimensions). The
    constraint is that of Kok, Hol & Schön 2014 (IFAC Proc 47:79) and Weygers & Kok 2020 (IEEE Sensors J 20:7969).
    It needs horizontal acceleration; `se` says whether there was enough.
    """
    f1, f2 = rotate(q1, force1), rotate(q2, force2)
    w = _weights(weights, len(f1))
    along = np.sum(w * (f1[:, 0] * f2[:, 0] + f1[:, 1] * f2[:, 1]))
    aside = np.sum(w * (f1[:, 1] * f2[:, 0] - f1[:, 0] * f2[:, 1]))
    delta = float(np.arctan2(aside, along))
    c, s = np.cos(delta), np.sin(delta)
    turned = np.stack((c * f2[:, 0] - s * f2[:, 1], s * f2[:, 0] + c * f2[:, 1]), axis=1)
    residual = turned - f1[:, :2]
    slope = np.stack((-turned[:, 1], turned[:, 0]), axis=1)
    twice = np.repeat(w, 2)
    se = _block_se(slope.reshape(-1, 1), residual.ravel(), twice)
    rms = float(np.sqrt(np.sum(w * np.sum(residual**2, axis=1)) / w.sum()))
    return HeadingOffset(delta=delta, se=se, rms=rms)


def joint_centre_force(acc: FloatArray, gyr: FloatArray, arm: FloatArray, *, rate: float) -> FloatArray:
    """Specific force (N, 3) at the joint's centre, m/s², in the sensor's axes: acc + ω̇ × arm + ω × (ω × arm).

    acc: (N, 3) m/s².  gyr: (N, 3) rad/s at the same instants, evenly spaced.  arm: (3,) m, from sensor to joint.
    """
    return acc + cross(angular_acceleration(gyr, rate=rate), arm) + cross(gyr, cross(gyr, arm))


def angular_acceleration(gyr: FloatArray, *, rate: float) -> FloatArray:
    """(N, 3) rad/s² of gyr (N, 3) rad/s: five-point central differences (Abramowitz & Stegun 25.3.6), two-point ones
    beside the ends; zeros for fewer than two samples.
    """
    out = np.zeros_like(gyr)
    if len(gyr) >= 2:
        out[0], out[-1] = gyr[1] - gyr[0], gyr[-1] - gyr[-2]
    if len(gyr) >= 3:
        out[1:-1] = 0.5 * (gyr[2:] - gyr[:-2])
    if len(gyr) >= 5:
        out[2:-2] = (8.0 * (gyr[3:-1] - gyr[1:-3]) - (gyr[4:] - gyr[:-4])) / 12.0
    return out * rate


@dataclass(frozen=True, kw_only=True)
class LeverArms:
    """arm1, arm2: (3,) m, from either sensor to the joint's centre in its own axes.  covariance: (6, 6) m².
    rms: m/s², what is left of the difference of the two sensors' accelerations there.
    """

    arm1: FloatArray
    arm2: FloatArray
    covariance: FloatArray
    rms: float


def estimate_lever_arms(
    acc1: FloatArray,
    gyr1: FloatArray,
    acc2: FloatArray,
    gyr2: FloatArray,
    *,
    rate: float,
    longest_m: float = 0.3,
) -> LeverArms:
    """Where the joint is, seen from either sensor, without any orientation.

    Both sensors must tell the same magnitude of the joint centre's acceleration (Seel, Schauer & Raisch 2012, IEEE CCA;
    Seel, Raisch & Schauer 2014, Sensors 14:6891): Gauss-Newton from zero arms, with a prior of standard deviation
    `longest_m`, so that an arm along an axis about which nothing turned stays short and says so in the covariance.
    """
    matrices = arm_matrix(gyr1, rate=rate), arm_matrix(gyr2, rate=rate)
    arms = np.zeros(6)
    prior = np.eye(6) / longest_m**2
    for _ in range(ARM_STEPS):
        force1, force2 = acc1 + matrices[0] @ arms[:3], acc2 + matrices[1] @ arms[3:]
        size1, size2 = np.linalg.norm(force1, axis=1), np.linalg.norm(force2, axis=1)
        residual = size1 - size2
        slope = np.concatenate(
            (
                np.einsum("ni,nij->nj", force1 / np.maximum(size1, 1e-9)[:, None], matrices[0]),
                -np.einsum("ni,nij->nj", force2 / np.maximum(size2, 1e-9)[:, None], matrices[1]),
            ),
            axis=1,
        )
        variance = max(float(np.mean(residual**2)), 1e-6)
        normal = slope.T @ slope / variance + prior
        arms = arms - np.linalg.solve(normal, slope.T @ residual / variance + prior @ arms)
    covariance = _block_covariance(slope, residual, np.ones(len(residual)), prior=prior * variance, spread=variance)
    return LeverArms(arm1=arms[:3], arm2=arms[3:], covariance=covariance, rms=float(np.sqrt(np.mean(residual**2))))


ARM_STEPS = 15
"""Gauss-Newton steps; arms of some decimetres settle in under ten."""


def arm_matrix(gyr: FloatArray, *, rate: float) -> FloatArray:
    """(N, 3, 3) K with K·arm = ω̇ × arm + ω × (ω × arm)."""
    spin = skew(gyr)
    return np.asarray(skew(angular_acceleration(gyr, rate=rate)) + spin @ spin)


def skew(v: FloatArray) -> FloatArray:
    """(..., 3, 3) with skew(v) @ u = v × u."""
    v = np.asarray(v)
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return out


@dataclass(frozen=True, kw_only=True)
class HingeAxes:
    """axis1: (3,) unit, fixed in sensor 1.  axis2: (3,) unit, fixed in sensor 2. Signs are arbitrary.

    cosine: mean of axis1 · axis2 over the motion.  covariance: (6, 6) of both, rad² (an axis varies square to itself).
    rms: rad/s, what of the relative rate lies outside the plane of the axes.
    """

    axis1: FloatArray
    axis2: FloatArray
    cosine: float
    covariance: FloatArray
    rms: float


def two_hinge_axes(
    gyr1: FloatArray,
    gyr2: FloatArray,
    q_1_from_2: FloatArray,
    *,
    guess: tuple[FloatArray, FloatArray] | None = None,
) -> HingeAxes:
    """Axes of a joint with two hinges, from its movement.

    gyr1, gyr2: (N, 3) rad/s in the sensors' axes.  q_1_from_2: (N, 4) relative orientation. The relative rate
    ω = R·ω2 − ω1 lies in the plane of both axes: ω · (axis1 × R·axis2) = 0, divided by the length of that product
    (Müller, Bégin, Schauer & Seel 2017, IEEE J Biomed Health Inform 21:401). Gauss-Newton from `guess`, or from the
    best of several starts; both hinges must have moved, else the covariance is large.
    Raises `SettingsError` for fewer than 20 samples.
    """
    if len(gyr1) < LEAST_SAMPLES:
        raise SettingsError(f"two_hinge_axes was given {len(gyr1)} samples; it needs {LEAST_SAMPLES} at least")
    turn = to_matrix(q_1_from_2)
    rate = np.einsum("nij,nj->ni", turn, gyr2) - gyr1
    starts = [guess] if guess is not None else _axis_starts(rate, turn)
    every = max(1, len(rate) // 400)
    coarse = [_refine_axes(a, b, rate[::every], turn[::every], steps=15) for a, b in starts]
    axis1, axis2, *_ = min(coarse, key=lambda found: float(np.sum(found[2] ** 2)))
    axis1, axis2, residual, slope, bases = _refine_axes(axis1, axis2, rate, turn, steps=10)
    small = _block_covariance(slope, residual, np.ones(len(residual)))
    covariance = bases @ small @ bases.T
    cosine = float(np.mean(np.einsum("i,nij,j->n", axis1, turn, axis2)))
    return HingeAxes(
        axis1=axis1, axis2=axis2, cosine=cosine, covariance=covariance, rms=float(np.sqrt(np.mean(residual**2)))
    )


LEAST_SAMPLES = 20
"""Fewer samples than this say nothing about four angles."""


def _axis_starts(rate: FloatArray, turn: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Pairs of principal directions of the relative rate, seen from 1 for the first axis and from 2 for the second."""
    first = np.linalg.eigh(rate.T @ rate)[1].T
    back = np.einsum("nji,nj->ni", turn, rate)
    second = np.linalg.eigh(back.T @ back)[1].T
    return [(a, b) for a in first for b in second]


def _refine_axes(
    axis1: FloatArray, axis2: FloatArray, rate: FloatArray, turn: FloatArray, *, steps: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Both axes after Gauss-Newton, residuals (N,), their slope (N, 4) and the tangents (6, 4) it is told in."""
    for step in range(steps + 1):
        bases = np.zeros((6, 4))
        bases[:3, :2], bases[3:, 2:] = _tangents(axis1), _tangents(axis2)
        second = turn @ axis2
        normal = cross(axis1, second)
        size = np.maximum(np.linalg.norm(normal, axis=1), SMALLEST_SINE)[:, None]
        unit = normal / size
        residual = np.sum(rate * unit, axis=1)
        # Of ω · n/|n|: what a change of n adds square to n.
        flat = (rate - residual[:, None] * unit) / size
        by_axis1 = cross(second, flat)
        by_axis2 = np.einsum("nji,nj->ni", turn, cross(flat, axis1))
        slope = np.concatenate((by_axis1 @ bases[:3, :2], by_axis2 @ bases[3:, 2:]), axis=1)
        if step == steps:
            break
        normal_matrix = slope.T @ slope
        damping = 1e-3 * np.trace(normal_matrix) / 4.0 * np.eye(4)
        change = bases @ np.linalg.solve(normal_matrix + damping, -slope.T @ residual)
        change *= min(1.0, 0.3 / max(float(np.linalg.norm(change)), 1e-12))
        axis1, axis2 = axis1 + change[:3], axis2 + change[3:]
        axis1, axis2 = axis1 / np.linalg.norm(axis1), axis2 / np.linalg.norm(axis2)
    return axis1, axis2, residual, slope, bases


SMALLEST_SINE = 0.05
"""Of the angle between two hinges: nearer to parallel, their plane is not told by them."""


def _tangents(axis: FloatArray) -> FloatArray:
    """(3, 2) two unit vectors square to axis (3,) and to one another."""
    least = np.eye(3)[int(np.argmin(np.abs(axis)))]
    first = np.cross(axis, least)
    first /= np.linalg.norm(first)
    return np.stack((first, np.cross(axis, first)), axis=1)


def with_heading(q2: FloatArray, delta: float) -> FloatArray:
    """q2 (N, 4) in earth 1: turned by the heading offset δ, rad."""
    return multiply(exp(np.array([0.0, 0.0, delta])), q2)


def _weights(weights: FloatArray | None, count: int) -> FloatArray:
    w = np.ones(count) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (count,) or not np.isfinite(w).all() or np.any(w < 0.0) or not np.any(w > 0.0):
        raise SettingsError(f"weights must be {count} numbers, none negative and not all zero")
    return w


def _block_se(slope: FloatArray, residual: FloatArray, weights: FloatArray) -> float:
    return float(np.sqrt(_block_covariance(slope, residual, weights)[0, 0]))


def _block_covariance(
    slope: FloatArray,
    residual: FloatArray,
    weights: FloatArray,
    *,
    prior: FloatArray | None = None,
    spread: float = 1.0,
) -> FloatArray:
    """Covariance (P, P) of least-squares parameters whose residuals are alike among neighbours.

    slope: (M, P).  residual, weights: (M,).  prior: (P, P) that was added to slopeᵀ·slope, errors of variance `spread`.
    The jackknife over parts of the data (Efron & Tibshirani 1993, An Introduction to the Bootstrap, equation 11.5),
    each part left out by one linear step; widened so that 1.96 standard errors hold as often as Student's t says.
    """
    count = slope.shape[1]
    added = np.zeros((count, count)) if prior is None else prior
    parts = np.array_split(np.arange(len(residual)), min(BLOCKS, len(residual)))
    weighted = slope * weights[:, None]
    normal = weighted.T @ slope + added
    # Where nothing at all is told about a direction, a very large error, not a failure.
    normal += 1e-12 * max(float(np.trace(normal)), 1e-12) * np.eye(count)
    shifts = np.stack(
        [np.linalg.solve(normal - weighted[part].T @ slope[part], weighted[part].T @ residual[part]) for part in parts]
    )
    inverse = np.linalg.inv(normal)
    share = T_FACTOR**2 * (len(parts) - 1) / len(parts)
    return np.asarray(share * shifts.T @ shifts + inverse @ (added * spread) @ inverse.T)
