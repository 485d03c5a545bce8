"""A sensor's fixed errors, learnt from how gravity closes over many motions of a session.

One swing cannot tell the nine parts of a gyro's matrix apart; many different motions between rests can (the idea of
calibrating a gyro by gravity before and after a turn: Fong, Ong & Nee 2008, Meas Sci Technol 19:085202; Tedaldi, Pretto
& Menegatti 2014, ICRA). Here the person's own movements serve: the routine, the swings and what lies between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.closure import SHARED
from imuswing.orientation.problem import (
    Equations,
    Problem,
    State,
    closing_at,
    equations,
    moved,
    own_parameters,
    pose_problem,
    solve,
)
from imuswing.orientation.quaternion import FloatArray
from imuswing.orientation.stretch import (
    DEFAULT_SMOOTHING,
    SensorCorrection,
    SmoothSettings,
    Stretch,
    unknown_correction,
)


def estimate_correction(
    stretches: Sequence[Stretch], *, settings: SmoothSettings = DEFAULT_SMOOTHING
) -> SensorCorrection:
    """Gyro matrix and accelerometer errors of one sensor from all its stretches, each with a rest at either end.

    All stretches share the 21 parameters of `SensorCorrection`; the others are each stretch's own and are eliminated
    (Schur complement), so the cost grows linearly. What the motions do not show stays at the settings' prior, and the
    covariance says which. Two joint steps after each stretch was solved for itself; a third changes no figure. With no
    stretch the prior is returned. Some tens of stretches of different movements are enough.
    """
    prior = unknown_correction(settings)
    precision: FloatArray = np.asarray(np.linalg.inv(prior.covariance))
    work = [_solved_alone(stretch, prior, settings) for stretch in stretches]
    mean, covariance = prior.mean, prior.covariance
    for last_pass in (False, True):
        parts = [_without_own(problem, state, system, precision) for problem, state, system in work]
        normal = sum((part.normal for part in parts), np.zeros_like(precision))
        right = sum((part.right for part in parts), np.zeros_like(mean))
        mean, covariance = _joint(normal, right, prior)
        if not last_pass:
            work = [
                _after(problem, state, part.step_to(mean, state))
                for (problem, state, _), part in zip(work, parts, strict=True)
            ]
    return SensorCorrection(mean=mean, covariance=0.5 * (covariance + covariance.T), learnt=len(work) > 0)


GYRO = slice(0, 9)
"""The gyro matrix among the shared parameters."""

PRIOR_STEPS = 10
"""Steps of the search for the prior's size; it settles in half as many."""

GREATEST_PRIOR_FACTOR = 4.0
"""By so much the standard deviations that the settings give may be found too small."""


def _joint(normal: FloatArray, right: FloatArray, prior: SensorCorrection) -> tuple[FloatArray, FloatArray]:
    """Mean (21,) and covariance (21, 21) of the shared parameters.

    Where the session shows that this gyro's matrix is larger than the settings expect, its prior is widened, never
    narrowed (empirical Bayes by expectation and maximisation: Dempster, Laird & Rubin 1977, J R Stat Soc B 39:1).
    """
    own = prior.covariance[GYRO, GYRO]
    factor = 1.0
    for _ in range(PRIOR_STEPS):
        wide = prior.covariance.copy()
        wide[GYRO, GYRO] = factor**2 * own
        precision = np.linalg.inv(wide)
        covariance = np.linalg.inv(normal + precision)
        mean = covariance @ (right + precision @ prior.mean)
        second = np.outer(mean[GYRO], mean[GYRO]) + covariance[GYRO, GYRO]
        factor = float(np.clip(np.sqrt(np.trace(np.linalg.solve(own, second)) / 9.0), 1.0, GREATEST_PRIOR_FACTOR))
    return mean, covariance


_Work = tuple[Problem, State, Equations]
"""A stretch, where its search stands, and the equations of the next step from there."""


def _solved_alone(stretch: Stretch, prior: SensorCorrection, settings: SmoothSettings) -> _Work:
    """A stretch within a small step of its own solution, where the joint one may be looked for."""
    problem = pose_problem(stretch, correction=prior, settings=settings)
    return solve(problem, len(stretch.increments) // 2)[:3]


def _after(problem: Problem, state: State, step: FloatArray) -> _Work:
    state = moved(problem, state, step)
    return problem, state, equations(problem, state, closing_at(problem, state))


@dataclass(frozen=True, kw_only=True)
class _Part:
    """What one stretch says about the shared parameters x (21,): normal·x = right, the prior left out; and how its own
    parameters follow from x: own_step = own_right − own_slope·(x − x_now).
    """

    normal: FloatArray
    right: FloatArray
    own_right: FloatArray
    own_slope: FloatArray

    def step_to(self, mean: FloatArray, state: State) -> FloatArray:
        """The step (n,) of the stretch's θ when the shared parameters become `mean`."""
        shared_step = mean - state.theta[SHARED]
        own_step = self.own_right - self.own_slope @ shared_step
        return np.concatenate((own_step[: SHARED.start], shared_step, own_step[SHARED.start :]))


def _without_own(problem: Problem, state: State, system: Equations, precision: FloatArray) -> _Part:
    now = state.theta[SHARED]
    own = own_parameters(problem.layout)
    normal = system.normal[SHARED, SHARED] - precision
    right = system.right[SHARED] - precision @ (problem.layout.mean[SHARED] - now)
    across = system.normal[SHARED][:, own]
    own_inverse = np.linalg.inv(system.normal[np.ix_(own, own)])
    own_right, own_slope = own_inverse @ system.right[own], own_inverse @ across.T
    reduced = normal - across @ own_slope
    return _Part(
        normal=reduced,
        right=reduced @ now + right - across @ own_right,
        own_right=own_right,
        own_slope=own_slope,
    )
