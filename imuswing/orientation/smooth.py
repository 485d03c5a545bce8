"""Orientation within a swing: strapdown from the still address, closed by gravity at rest before and after.

See `closure` for the model. One stretch, from some seconds before the address to some seconds after the finish, is one
small least-squares problem; what comes out is the orientation and, linearly, how its errors at all moments hang
together, so that a measure taken from two moments gets a true standard error.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from imuswing.errors import SettingsError
from imuswing.orientation.closure import GYRO_BIAS, GYRO_MATRIX, TILT, Course, Layout, jacobian_at
from imuswing.orientation.problem import covariance_of, pose_problem, solve, turned_by
from imuswing.orientation.quaternion import FloatArray, multiply
from imuswing.orientation.stretch import (
    DEFAULT_SMOOTHING,
    SensorCorrection,
    SmoothSettings,
    Stretch,
    stretch_of,
    unknown_correction,
)
from imuswing.recording.model import IntArray

__all__ = [
    "DEFAULT_SMOOTHING",
    "SensorCorrection",
    "SmoothSettings",
    "Stretch",
    "SwingOrientation",
    "smooth_swing",
    "stretch_of",
]


@dataclass(frozen=True, kw_only=True)
class SwingOrientation:
    """Orientation over a stretch, and its errors.

    q: (N, 4) `q_earth_from_sensor`, Z up, heading 0 at sample `reference`.
    theta: (n,) parameters (see `closure.Layout`), and covariance: (n, n) of what is still wrong with them, so that the
        small rotation error in earth axes, R_true = exp(e)·R, is e(t) = J(t)·Δθ.
    rest_factors: (rests,) how much less still than assumed each rest was found, 1 at least.
    jacobian: (E, 3, n) J at the edges of the layout's blocks; `error_jacobian` gives it anywhere.
    """

    q: FloatArray
    reference: int
    theta: FloatArray
    covariance: FloatArray
    rest_factors: FloatArray
    layout: Layout = field(repr=False)
    jacobian: FloatArray = field(repr=False)

    def error_jacobian(self, samples: IntArray | int) -> FloatArray:
        """J (M, 3, n) of the rotation error in earth axes, rad, at samples (M,); no heading error at the reference."""
        at = np.atleast_1d(np.asarray(samples, dtype=np.intp))
        both = jacobian_at(self.jacobian, self.layout, np.append(at, self.reference))
        out: FloatArray = both[:-1]
        out[:, 2] -= both[-1, 2]
        return out

    def error_covariance(self, samples: IntArray | int) -> FloatArray:
        """(M, 3, M, 3): covariance of the rotation errors in earth axes, rad², at samples (M,) with one another."""
        j = self.error_jacobian(samples)
        return np.asarray(np.tensordot(j @ self.covariance, j, axes=(2, 2)))

    def correct_rates(self, gyr: FloatArray) -> FloatArray:
        """Angular velocity (..., 3), rad/s, in sensor axes, with the fitted bias and matrix applied."""
        matrix = self.theta[GYRO_MATRIX].reshape(3, 3)
        return np.asarray(gyr + gyr @ matrix.T + self.theta[GYRO_BIAS])

    def rate_jacobian(self, gyr: FloatArray) -> FloatArray:
        """(..., 3, n): derivative of `correct_rates` by θ; a sample's noise and its bridging come on top."""
        gyr = np.asarray(gyr, dtype=np.float64)
        out = np.zeros((*gyr.shape, len(self.theta)))
        for axis in range(3):
            out[..., axis, GYRO_BIAS.start + axis] = 1.0
            row = GYRO_MATRIX.start + 3 * axis
            out[..., axis, row : row + 3] = gyr
        return out


def smooth_swing(
    stretch: Stretch,
    *,
    reference: int,
    correction: SensorCorrection | None = None,
    settings: SmoothSettings = DEFAULT_SMOOTHING,
) -> SwingOrientation:
    """Orientation of one sensor over a stretch by least squares over rests, heading 0 at sample `reference`.

    Rests before and after the swing give the best result; one is enough for tilt; with none, the sensor's mean
    acceleration over the stretch tells it to some degrees, and the covariance says so. Heading follows from the gyro
    alone, so its error grows from the reference to both sides. Meant for stretches of up to half a minute with a rest
    in them; over minutes without rest `vqf_offline` is better.
    correction: what `estimate_correction` learnt from all stretches of this sensor.
    Raises `SettingsError` for a reference outside the stretch.
    """
    count = len(stretch.increments)
    if not 0 <= reference < count:
        raise SettingsError(f"reference is {reference!r}; it must be a sample of the stretch, 0 to {count - 1}")
    problem = pose_problem(stretch, correction=correction or unknown_correction(settings), settings=settings)
    problem, state, system, step = solve(problem, reference)
    theta = state.theta + step
    theta[TILT] = 0.0
    q, jacobian = _with_heading_zero(turned_by(state.course, problem.layout, step), state.course, reference)
    return SwingOrientation(
        q=q,
        reference=reference,
        theta=theta,
        covariance=covariance_of(problem, system),
        rest_factors=problem.rest_factors,
        layout=problem.layout,
        jacobian=jacobian,
    )


def _with_heading_zero(q: FloatArray, course: Course, reference: int) -> tuple[FloatArray, FloatArray]:
    """q (N, 4) and the course's J turned about the vertical so that `reference` has no heading: the turn from its
    sensor axes to the earth's has no part about Z.
    """
    w, z = q[reference, 0], q[reference, 3]
    norm = float(np.hypot(w, z))
    turn = np.array([w, 0.0, 0.0, -z]) / norm if norm > 1e-9 else np.array([1.0, 0.0, 0.0, 0.0])
    c, s = 1.0 - 2.0 * turn[3] ** 2, 2.0 * turn[0] * turn[3]
    about_up = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return multiply(turn, q), about_up @ course.jacobian
