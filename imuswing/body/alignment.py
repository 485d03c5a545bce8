"""From observed axes to a segment's alignment: weighted vector matching with its covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from imuswing.orientation.quaternion import FloatArray, from_matrix, rotate

UNKNOWN_SD = np.deg2rad(60.0)
"""Prior SD of a direction that nothing observes: wide enough to say "not known", narrow enough to invert."""


@dataclass(frozen=True, kw_only=True)
class AxisObservation:
    """One reading of a segment axis in the sensor: `sensor_axis` (3,) was seen where `segment_axis` (3,) should be.

    sd: standard deviation of the angle between the two in rad (the person's care and the reading's own scatter).
    step: what showed it, for the quality record.
    """

    sensor_axis: FloatArray
    segment_axis: FloatArray
    sd: float
    step: str


@dataclass(frozen=True, kw_only=True)
class Alignment:
    """How a sensor sits on its segment.

    q_sensor_from_segment: (4,).  covariance: (3, 3) rad² of the small rotation error, in segment axes.
    residuals: by step, the angle in rad between the observed and the fitted axis.
    steps: what it was built from.  Several observations of one step keep the largest residual.
    """

    tracked_point: str
    q_sensor_from_segment: FloatArray
    covariance: FloatArray
    residuals: dict[str, float] = field(default_factory=dict)
    steps: tuple[str, ...] = ()

    @property
    def sd(self) -> FloatArray:
        """(3,) rad: standard deviation of the rotation error about each segment axis."""
        return np.sqrt(np.diag(self.covariance))


def align(tracked_point: str, observations: Sequence[AxisObservation]) -> Alignment | None:
    """The rotation that best takes the segment axes to the sensor axes, weighted by 1/sd².

    Wahba's problem by singular values (Markley 1988, J Astronaut Sci 36:245, from memory). None where fewer than two
    different axes were seen, since a rotation about the only one is then free.
    """
    if not observations or not _spans_two_axes(observations):
        return None
    profile = np.zeros((3, 3))
    information = np.eye(3) / UNKNOWN_SD**2
    for seen in observations:
        weight = 1.0 / seen.sd**2
        profile += weight * np.outer(seen.sensor_axis, seen.segment_axis)
        information += weight * (np.eye(3) - np.outer(seen.segment_axis, seen.segment_axis))
    u, _, vt = np.linalg.svd(profile)
    matrix = u @ np.diag([1.0, 1.0, np.linalg.det(u) * np.linalg.det(vt)]) @ vt
    q = from_matrix(matrix)
    residuals: dict[str, float] = {}
    for seen in observations:
        fitted = rotate(q, seen.segment_axis)
        angle = float(np.arctan2(np.linalg.norm(np.cross(fitted, seen.sensor_axis)), fitted @ seen.sensor_axis))
        residuals[seen.step] = max(angle, residuals.get(seen.step, 0.0))
    return Alignment(
        tracked_point=tracked_point,
        q_sensor_from_segment=q,
        covariance=np.linalg.inv(information),
        residuals=residuals,
        steps=tuple(residuals),
    )


def _spans_two_axes(observations: Sequence[AxisObservation]) -> bool:
    axes = np.array([seen.segment_axis for seen in observations])
    return bool(np.linalg.matrix_rank(axes, tol=0.1) >= 2)
