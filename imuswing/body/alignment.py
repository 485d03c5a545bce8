"""From observed axes to a segment's alignment: weighted vector matching with its covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from imuswing.orientation.quaternion import FloatArray, exp, from_matrix, inverse, multiply, rotate
from imuswing.orientation.relative import skew

UNKNOWN_SD = np.deg2rad(60.0)
"""Prior SD of a direction that nothing observes: wide enough to say "not known", narrow enough to invert."""
WEIGHTLESS_SD = 100.0
"""rad: of an axis that is given only so that there is one; its weight is nothing beside any reading's."""
STEPS = 5
"""Gauss-Newton steps: each leaves a few percent of the way."""


@dataclass(frozen=True, kw_only=True)
class AxisObservation:
    """One reading of a segment axis in the sensor: `sensor_axis` (3,) was seen where `segment_axis` (3,) should be.

    sd: standard deviation of the angle between the two in rad (the person's care and the reading's own scatter).
    step: what showed it, for the quality record.
    loose: (3,) unit vector square to `segment_axis`, in the segment: the direction in which the reading may be off by
    `loose_sd` instead, in rad; None where all are alike.
    followed: whether `segment_axis` is where another segment's alignment put it, and turns with that one's error.
    numbers: how many numbers it tells: one where it is square to another reading by the way it was made.
    """

    sensor_axis: FloatArray
    segment_axis: FloatArray
    sd: float
    step: str
    loose: FloatArray | None = None
    loose_sd: float = 0.0
    followed: bool = False
    numbers: int = 2

    @property
    def weight(self) -> FloatArray:
        """(3, 3) rad⁻²: inverse covariance of the seen axis less the true one, in segment axes."""
        weight = (np.eye(3) - np.outer(self.segment_axis, self.segment_axis)) / self.sd**2
        if self.loose is not None:
            weight += (1.0 / self.loose_sd**2 - 1.0 / self.sd**2) * np.outer(self.loose, self.loose)
        return np.asarray(weight)


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """How a sensor sits on its segment.

    q_sensor_from_segment: (4,).  covariance: (3, 3) rad² of the small rotation error, in segment axes.
    residuals: by step, the angle in rad between the observed and the fitted axis.
    steps: what it was built from.  Several observations of one step keep the largest residual.
    misfit: sum of the observations' squared residuals over their variances.  freedom: how many of them are redundant.
    whole: False where one axis alone was seen and how the sensor is turned about it is not known.
    follows: (3, 3), by how much it turns with an error of the alignment that some of its readings followed.
    """

    tracked_point: str
    q_sensor_from_segment: FloatArray
    covariance: FloatArray
    residuals: dict[str, float] = field(default_factory=dict)
    steps: tuple[str, ...] = ()
    misfit: float = 0.0
    freedom: int = 0
    whole: bool = True
    follows: FloatArray = field(default_factory=lambda: np.zeros((3, 3)))

    @property
    def sd(self) -> FloatArray:
        """(3,) rad: standard deviation of the rotation error about each segment axis."""
        return np.sqrt(np.diag(self.covariance))


def align(tracked_point: str, observations: Sequence[AxisObservation]) -> Alignment | None:
    """The rotation that best takes the segment axes to the sensor axes, weighted by 1/sd².

    Wahba's problem by singular values (Markley 1988, J Astronaut Sci 36:245, from memory), then Gauss-Newton steps for
    readings that are not equally good in all directions. None where fewer than two different axes were seen, since a
    rotation about the only one is then free.
    """
    if not observations or not _spans_two_axes(observations):
        return None
    profile = sum(np.outer(seen.sensor_axis, seen.segment_axis) / seen.sd**2 for seen in observations)
    u, _, vt = np.linalg.svd(profile)
    q = from_matrix(u @ np.diag([1.0, 1.0, np.linalg.det(u) * np.linalg.det(vt)]) @ vt)
    # A small turn e of the segment in the sensor moves the seen axis a, in the segment, by a × e.
    turned = [skew(seen.segment_axis) for seen in observations]
    information, followed = np.eye(3) / UNKNOWN_SD**2, np.zeros((3, 3))
    for seen, slope in zip(observations, turned, strict=True):
        own = slope.T @ seen.weight @ slope
        information += own
        followed += own if seen.followed else 0.0
    for _ in range(STEPS if any(seen.loose is not None for seen in observations) else 0):
        pull = np.zeros(3)
        for seen, slope in zip(observations, turned, strict=True):
            pull += slope.T @ seen.weight @ (seen.segment_axis - rotate(inverse(q), seen.sensor_axis))
        q = multiply(q, exp(np.linalg.solve(information, pull)))
    residuals: dict[str, float] = {}
    misfit = 0.0
    for seen in observations:
        off = seen.segment_axis - rotate(inverse(q), seen.sensor_axis)
        misfit += float(off @ seen.weight @ off)
        fitted = rotate(q, seen.segment_axis)
        angle = float(np.arctan2(np.linalg.norm(np.cross(fitted, seen.sensor_axis)), fitted @ seen.sensor_axis))
        residuals[seen.step] = max(angle, residuals.get(seen.step, 0.0))
    covariance = np.linalg.inv(information)
    return Alignment(
        tracked_point=tracked_point,
        q_sensor_from_segment=q,
        covariance=covariance,
        residuals=residuals,
        steps=tuple(residuals),
        misfit=misfit,
        # A rotation is three numbers.
        freedom=sum(seen.numbers for seen in observations) - 3,
        follows=covariance @ followed,
    )


def following(fitted: Alignment, leader: Alignment) -> Alignment:
    """The same with the leader's error in its covariance, as far as it follows it."""
    more = fitted.follows @ leader.covariance @ fitted.follows.T
    return replace(fitted, covariance=np.asarray(fitted.covariance + more))


def joint_covariance(leader: Alignment, follower: Alignment) -> FloatArray:
    """(6, 6) rad² of both alignments' errors, the leader's first."""
    across = leader.covariance @ follower.follows.T
    return np.block([[leader.covariance, across], [across.T, follower.covariance]])


def align_along(tracked_point: str, observations: Sequence[AxisObservation]) -> Alignment | None:
    """An alignment from readings of one and the same axis, turned about it in any way; None where nothing was seen."""
    if not observations:
        return None
    # Which way a reading may be off is not known either.
    alike = [replace(o, sd=max(o.sd, o.loose_sd), loose=None) for o in observations]
    first = alike[0]
    guess = AxisObservation(
        sensor_axis=any_across(first.sensor_axis),
        segment_axis=any_across(first.segment_axis),
        sd=WEIGHTLESS_SD,
        step="",
    )
    fitted = align(tracked_point, [*alike, guess])
    assert fitted is not None  # The guess is the second axis.
    residuals = {step: angle for step, angle in fitted.residuals.items() if step}
    # An axis of its own is two numbers: the guess and the turn about the axis are no observation.
    freedom = 2 * len(observations) - 2
    return replace(fitted, residuals=residuals, steps=tuple(residuals), freedom=freedom, whole=False)


def any_across(axis: FloatArray) -> FloatArray:
    """Some unit vector (3,) square to `axis`."""
    across = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    return np.asarray(across / np.linalg.norm(across))


def _spans_two_axes(observations: Sequence[AxisObservation]) -> bool:
    axes = np.array([seen.segment_axis for seen in observations])
    return bool(np.linalg.matrix_rank(axes, tol=0.1) >= 2)
