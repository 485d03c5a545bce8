"""Orientation of one sensor relative to another across a joint, over seconds or minutes, without magnetometers.

Both gyros are integrated; the joint's centre, whose acceleration both accelerometers tell, holds the two together
(the constraint of Kok, Hol & Schön 2014, IFAC Proc 47:79; Weygers & Kok 2020, IEEE Sensors J 20:7969, who smooth or
filter it sample by sample). Here all samples are one least-squares problem in few unknowns: where sensor 2 starts, both
gyros' biases, a slow walk, and the lever arms. A joint with two hinges adds the angle between its axes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.errors import SettingsError
from imuswing.orientation.quaternion import FloatArray, cross, exp, from_matrix, inverse, multiply, rotate, to_matrix
from imuswing.orientation.relative import HingeAxes, LeverArms, arm_matrix, estimate_lever_arms, skew
from imuswing.orientation.strapdown import integrate, rotation_increments
from imuswing.vocabulary import SampleMeaning


@dataclass(frozen=True, kw_only=True)
class JointSettings:
    """Sizes that `relative_orientation` assumes: standard deviations (common practice, no source, unless named).

    bias_dps: gyro bias, each axis.  span_s, walk_deg: the relative orientation may wander by this much a span, each
        axis (noise, bias drift, scale errors).  force_mps2: error of a joint centre's specific force, each axis, and
        the size beyond which a sample counts less.  hinge_deg: how constant the angle between two hinges is.
    most_steps: Gauss-Newton steps.
    """

    bias_dps: float = 1.0
    span_s: float = 2.0
    walk_deg: float = 1.0
    force_mps2: float = 0.3
    hinge_deg: float = 2.0
    most_steps: int = 20


DEFAULT_JOINT = JointSettings()

SETTLED = np.radians(0.005)
"""Steps end when the orientation moves by less, rad."""

START_S = 20.0
"""The first guess lays both forces over one another in the first seconds only, before biases have turned them apart."""

EDGE = 3
"""Samples at either end whose angular acceleration is not known well; they are left out."""


@dataclass(frozen=True, kw_only=True)
class RelativeOrientation:
    """q_1_from_2: (N, 4) at the samples.  se: (N,) rad, of its rotation error's greatest axis.

    arm1, arm2: (3,) m.  bias1, bias2: (3,) rad/s, to be taken off the readings.
    rms: m/s², what is left between the two tellings of the joint centre's force, each axis.
    """

    q_1_from_2: FloatArray
    se: FloatArray
    arm1: FloatArray
    arm2: FloatArray
    bias1: FloatArray
    bias2: FloatArray
    rms: float


def relative_orientation(
    gyr1: FloatArray,
    acc1: FloatArray,
    gyr2: FloatArray,
    acc2: FloatArray,
    *,
    rate: float,
    sample_meaning: SampleMeaning,
    arms: LeverArms | None = None,
    hinges: HingeAxes | None = None,
    settings: JointSettings = DEFAULT_JOINT,
) -> RelativeOrientation:
    """Orientation of sensor 2 in sensor 1's axes over a stretch in which the joint's centre was accelerated.

    gyr1, gyr2: (N, 3) rad/s and acc1, acc2: (N, 3) m/s², at the same times, evenly spaced at `rate` Hz, without gaps.
    sample_meaning: `instant`, or `mean` over the interval before a sample.  arms: from `estimate_lever_arms`, or None
    to have them estimated.  hinges: from `two_hinge_axes`, for a joint with two hinges; None for any joint.
    What the motion does not tell (heading, when the joint's centre moves little) shows in `se`.
    Raises `SettingsError` for shapes that differ and for fewer than 20 samples.
    """
    count = len(gyr1)
    if any(array.shape != (count, 3) for array in (gyr1, acc1, gyr2, acc2)) or count < LEAST_SAMPLES:
        shapes = ", ".join(str(array.shape) for array in (gyr1, acc1, gyr2, acc2))
        raise SettingsError(f"gyr1, acc1, gyr2, acc2 have shapes {shapes}; all must be (N, 3), N ≥ {LEAST_SAMPLES}")
    if arms is None:
        arms = estimate_lever_arms(acc1, gyr1, acc2, gyr2, rate=rate)
    sides = (
        _Side(gyr=gyr1, acc=acc1, rate=rate, sample_meaning=sample_meaning),
        _Side(gyr=gyr2, acc=acc2, rate=rate, sample_meaning=sample_meaning),
    )
    problem = _Problem(sides=sides, arms=arms, hinges=hinges, rate=rate, settings=settings)
    return problem.solve()


LEAST_SAMPLES = 20
"""Fewer samples than this cannot tell the orientation from the biases."""


class _Side:
    """What does not change of one sensor while the problem is solved."""

    def __init__(self, *, gyr: FloatArray, acc: FloatArray, rate: float, sample_meaning: SampleMeaning) -> None:
        self.acc = acc
        self.increments = rotation_increments(gyr, rate=rate, sample_meaning=sample_meaning)
        self.levers = arm_matrix(gyr, rate=rate)
        # Means belong to the middle of their interval: the orientation there, half an increment back.
        self.back = exp(-0.5 * self.increments) if sample_meaning == "mean" else None

    def course(self, bias: FloatArray, start: FloatArray, rate: float) -> FloatArray:
        return integrate(self.increments - bias / rate, start=start)

    def at_force(self, q: FloatArray) -> FloatArray:
        """Orientations (N, 4) at the times that the accelerations stand for."""
        return q if self.back is None else multiply(q, self.back)

    def force(self, arm: FloatArray) -> FloatArray:
        return np.asarray(self.acc + self.levers @ arm)


START, BIAS1, BIAS2, ARM1, ARM2 = slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 12), slice(12, 15)
FIXED = 15


class _Problem:
    """Least squares in θ: start of 2 (3, rad, earth axes of the first sample of 1), biases, arms, walk (3 a span)."""

    def __init__(
        self,
        *,
        sides: tuple[_Side, _Side],
        arms: LeverArms,
        hinges: HingeAxes | None,
        rate: float,
        settings: JointSettings,
    ) -> None:
        self.sides, self.arms, self.hinges, self.rate, self.settings = sides, arms, hinges, rate, settings
        count = len(sides[0].acc)
        spans = max(1, round((count - 1) / rate / settings.span_s))
        nodes = np.linspace(0.0, count - 1.0, spans + 1)
        self.share = np.clip((np.arange(count)[:, None] - nodes[:-1]) / np.diff(nodes), 0.0, 1.0)
        self.size = FIXED + 3 * spans
        self.prior_mean = np.zeros(self.size)
        self.prior_mean[ARM1], self.prior_mean[ARM2] = arms.arm1, arms.arm2
        self.prior = np.zeros((self.size, self.size))
        sd = np.concatenate((np.full(3, np.pi), np.full(6, np.radians(settings.bias_dps)), np.ones(6)))
        sd = np.concatenate((sd, np.full(3 * spans, np.radians(settings.walk_deg))))
        self.prior[np.diag_indices(self.size)] = 1.0 / sd**2
        both = slice(ARM1.start, ARM2.stop)
        self.prior[both, both] = np.linalg.inv(arms.covariance + ARM_FLOOR_M**2 * np.eye(6))

    def first_start(self) -> FloatArray:
        """The turn that lays both forces, each carried to its own first sample, over one another (Kabsch 1976)."""
        until = int(min(len(self.share), max(START_S * self.rate, LEAST_SAMPLES)))
        carried = [
            rotate(side.at_force(side.course(np.zeros(3), np.array([1.0, 0.0, 0.0, 0.0]), self.rate)), side.force(arm))
            for side, arm in zip(self.sides, (self.arms.arm1, self.arms.arm2), strict=True)
        ]
        u, _, vt = np.linalg.svd(carried[0][:until].T @ carried[1][:until])
        return from_matrix(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt)

    def courses(self, start: FloatArray, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Orientations (N, 4) of both sensors in one frame, that of sensor 1's first sample."""
        q1 = self.sides[0].course(theta[BIAS1], np.array([1.0, 0.0, 0.0, 0.0]), self.rate)
        q2 = self.sides[1].course(theta[BIAS2], start, self.rate)
        return q1, multiply(exp(self.share @ theta[FIXED:].reshape(-1, 3)), q2)

    def _errors_slope(self, turn1: FloatArray, turn2: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How the rotation errors of 1 and 2 (N, 3, n), rad, common frame, follow from θ."""
        count = len(turn1)
        e1, e2 = np.zeros((count, 3, self.size)), np.zeros((count, 3, self.size))
        e1[:, :, BIAS1] = -np.cumsum(turn1, axis=0) / self.rate
        e2[:, :, BIAS2] = -np.cumsum(turn2, axis=0) / self.rate
        e2[:, :, START] = np.eye(3)
        for axis in range(3):
            e2[:, axis, FIXED + axis :: 3] = self.share
        return e1, e2

    def rows(self, start: FloatArray, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Residuals (M, 3) of the force, their slope (M, 3, n), and (N', 1) and (N', 1, n) of the hinges."""
        q1, q2 = self.courses(start, theta)
        turn1, turn2 = to_matrix(self.sides[0].at_force(q1)), to_matrix(self.sides[1].at_force(q2))
        force1 = np.einsum("nij,nj->ni", turn1, self.sides[0].force(theta[ARM1]))
        force2 = np.einsum("nij,nj->ni", turn2, self.sides[1].force(theta[ARM2]))
        e1, e2 = self._errors_slope(turn1, turn2)
        slope = skew(force2) @ e2 - skew(force1) @ e1
        slope[:, :, ARM1] += turn1 @ self.sides[0].levers
        slope[:, :, ARM2] -= turn2 @ self.sides[1].levers
        inner = slice(EDGE, len(q1) - EDGE)
        if self.hinges is None:
            return (force1 - force2)[inner], slope[inner], np.zeros((0, 1)), np.zeros((0, 1, self.size))
        axis1, axis2 = rotate(q1, self.hinges.axis1), rotate(q2, self.hinges.axis2)
        normal = cross(axis1, axis2)
        angle = np.sum(axis1 * axis2, axis=1, keepdims=True) - self.hinges.cosine
        by_angle = np.einsum("ni,nij->nj", normal, e1 - e2)[:, None, :]
        return (force1 - force2)[inner], slope[inner], angle, by_angle

    def solve(self) -> RelativeOrientation:
        """Gauss-Newton with weights that fall for samples far off, then the covariance."""
        start, theta = self.first_start(), self.prior_mean.copy()
        alike = 1.0
        for step_number in range(self.settings.most_steps):
            force, slope, angle, by_angle = self.rows(start, theta)
            weight = self._weights(force) / alike
            hinge_weight = 1.0 / (np.radians(self.settings.hinge_deg) ** 2 * HINGE_ALIKE_S * self.rate)
            normal = self.prior + _gram(slope, weight) + hinge_weight * _gram(by_angle, np.ones(len(by_angle)))
            right = self.prior @ (self.prior_mean - theta) - _project(slope, force, weight)
            right -= hinge_weight * _project(by_angle, angle, np.ones(len(angle)))
            step = np.linalg.solve(normal, right)
            start = multiply(exp(step[START]), start)
            theta = theta + step
            theta[START] = 0.0
            if step_number > 0 and np.max(np.abs(np.delete(step, np.r_[BIAS1, BIAS2, ARM1, ARM2]))) < SETTLED:
                break
            alike = _alike(force * np.sqrt(weight)[:, None])
        q1, q2 = self.courses(start, theta)
        e1, e2 = self._errors_slope(to_matrix(q1), to_matrix(q2))
        between = e2 - e1
        covariance = np.einsum("nip,pq,njq->nij", between, np.linalg.inv(normal), between)
        return RelativeOrientation(
            q_1_from_2=multiply(inverse(q1), q2),
            se=np.sqrt(np.linalg.eigvalsh(covariance)[:, -1]),
            arm1=theta[ARM1],
            arm2=theta[ARM2],
            bias1=theta[BIAS1],
            bias2=theta[BIAS2],
            rms=float(np.sqrt(np.mean(force**2))),
        )

    def _weights(self, force: FloatArray) -> FloatArray:
        """(M,) inverse variances, smaller for samples whose forces disagree (Student-like: Lange 1989, JASA 84:881)."""
        size = self.settings.force_mps2
        return np.asarray(1.0 / (size**2 + np.sum(force**2, axis=1) / 4.0))


ARM_FLOOR_M = 0.01
"""Error that lever arms have besides their stated one, m: the joint's centre is no fixed point (an assumption)."""

HINGE_ALIKE_S = 0.5
"""How long an error of the angle between hinges stays the same (an assumption)."""


def _gram(slope: FloatArray, weight: FloatArray) -> FloatArray:
    flat = (slope * np.sqrt(weight)[:, None, None]).reshape(-1, slope.shape[2])
    return np.asarray(flat.T @ flat)


def _project(slope: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    return np.asarray((slope * weight[:, None, None]).reshape(-1, slope.shape[2]).T @ values.ravel())


def _alike(residual: FloatArray) -> float:
    """Over how many samples residuals (M, 3) stay alike: 1 + 2 Σ autocorrelation up to where it falls under 0.1."""
    centred = residual - residual.mean(axis=0)
    power = float(np.sum(centred**2))
    total = 1.0
    for lag in range(1, len(centred) // 4):
        correlation = float(np.sum(centred[lag:] * centred[:-lag])) / max(power, 1e-300)
        if correlation < 0.1:
            break
        total += 2.0 * correlation
    return total
