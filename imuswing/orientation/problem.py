"""The least-squares problem of one stretch: its knots, what is known beforehand, and a step towards its solution."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from imuswing.orientation.closure import (
    FIXED_COUNT,
    GYRO_BIAS,
    SHARED,
    TILT,
    Course,
    Knots,
    Layout,
    closing_errors,
    corrected_increments,
    course_of,
    error_course,
    mask_runs,
    strapdown_course,
    whiten,
)
from imuswing.orientation.doubt import doubtful_runs
from imuswing.orientation.quaternion import FloatArray, exp, multiply, normalise, rotate, to_matrix
from imuswing.orientation.strapdown import integrate, tilt_from_up
from imuswing.orientation.stretch import SensorCorrection, SmoothSettings, Stretch
from imuswing.recording.model import IntArray

WIDE_TILT = np.radians(45.0)
"""Prior standard deviation of the first guess's tilt: no knowledge, but the normal matrix stays regular."""

SMALL_STEP = np.radians(1.0)
"""A step that turns the orientation by less is applied to it directly: the square of 1° in rad is 0.02°."""

JUDGING_STEP = np.radians(3.0)
"""Residuals say how still a rest was once the step that they ask for is no longer than this."""

GREATEST_STEP = np.radians(20.0)
"""A longer step is shortened: beyond, the model is not linear."""

UNMODELLED_S = 0.2
"""For so long the part of a gyro's error that no matrix describes stays alike: a phase of a swing (an assumption)."""

REST_SPEEDS = 2
"""A rest with so many speeds left to judge by is judged by its own residuals."""

GREATEST_REST_FACTOR = 30.0
"""A rest this many times less still than assumed tells next to nothing, which is what it should."""


@dataclass(frozen=True, kw_only=True)
class Problem:
    """A stretch with its parameters and knots; gravity in m/s², still_speed in m/s as the settings say, rest_factors
    (rests,) by how much each rest's was raised.  shared_known: the shared parameters are taken from elsewhere, with
    their errors, and not fitted.
    """

    stretch: Stretch
    layout: Layout
    knots: Knots
    gravity: float
    still_speed: float
    shared_known: bool
    rest_factors: FloatArray


@dataclass(frozen=True, kw_only=True)
class State:
    """Where the search stands: orientation (4,) at sample 0, parameters (n,), and the course that they give."""

    start: FloatArray
    theta: FloatArray
    course: Course


@dataclass(frozen=True, kw_only=True)
class Equations:
    """normal (n, n) and right (n,) of the next step, prior included; change (3 K,) and slope (3 K, n), whitened."""

    normal: FloatArray
    right: FloatArray
    change: FloatArray
    slope: FloatArray


def pose_problem(stretch: Stretch, *, correction: SensorCorrection, settings: SmoothSettings) -> Problem:
    """Knots, spans and prior of a stretch."""
    layout = _layout(stretch, correction, settings)
    knots = place_knots(stretch, layout, settings)
    factors = np.ones(int(knots.rest.max(initial=-1)) + 1)
    return Problem(
        stretch=stretch,
        layout=layout,
        knots=knots,
        gravity=settings.gravity,
        still_speed=settings.still_speed_mps,
        shared_known=correction.learnt,
        rest_factors=factors,
    )


def _layout(stretch: Stretch, correction: SensorCorrection, settings: SmoothSettings) -> Layout:
    count = len(stretch.increments)
    size = max(1, round(settings.block_s * stretch.rate))
    first, last, runs_covariance = doubtful_runs(stretch)
    clock = _walk_clock(stretch, settings)
    spans = 1 + max(1, round(count / stretch.rate / settings.walk_span_s))
    progress = np.linspace(0.0, 1.0, count) + clock / clock[-1]
    nodes = np.unique(np.searchsorted(progress, np.linspace(0.0, 2.0, spans + 1)).clip(0, count - 1))
    spans = len(nodes) - 1
    walk_sd = np.sqrt(np.diff(clock[nodes]))
    runs = slice(FIXED_COUNT, FIXED_COUNT + 3 * len(first))
    n = runs.stop + 3 * spans
    mean, precision = np.zeros(n), np.zeros((n, n))
    mean[SHARED] = correction.mean
    precision[SHARED, SHARED] = np.linalg.inv(correction.covariance)
    if len(first):
        precision[runs, runs] = np.kron(np.linalg.inv(runs_covariance), np.eye(3))
    sd = np.concatenate((np.full(2, WIDE_TILT), np.full(3, max(stretch.bias_se, 1e-6)), np.repeat(walk_sd, 3)))
    diagonal = np.r_[TILT, GYRO_BIAS, runs.stop : n]
    precision[diagonal, diagonal] = 1.0 / sd**2
    edges = np.arange(0, count, size)
    return Layout(
        size=size,
        edges=edges,
        run_first=first,
        run_last=last,
        nodes=nodes,
        walk_clock=clock,
        mean=mean,
        precision=precision,
    )


def _walk_clock(stretch: Stretch, settings: SmoothSettings) -> FloatArray:
    """(N,) rad²: variance that the orientation's random walk has gathered since sample 0, each axis.

    White noise, and what no matrix describes (nonlinearity, sensitivity to acceleration): a share of the rate that
    stays alike for `UNMODELLED_S`.
    """
    noise = (max(stretch.gyr_noise, 1e-6) / stretch.rate) ** 2
    turned = np.sum(stretch.increments[1:] ** 2, axis=1)
    unmodelled = 2.0 * UNMODELLED_S * stretch.rate * settings.gyro_unmodelled**2 * turned
    return np.concatenate(([0.0], np.cumsum(noise + unmodelled)))


def place_knots(stretch: Stretch, layout: Layout, settings: SmoothSettings) -> Knots:
    """Knots every `still_knot_s` in a rest, its first and last block edge among them, and every `moving_knot_s`
    elsewhere, the stretch's ends among them.
    """
    still = stretch.still[layout.edges]
    block_s = layout.size / stretch.rate
    bounds = [0, *(np.flatnonzero(np.diff(still)) + 1).tolist(), len(still)]
    edge: list[int] = []
    rest: list[int] = []
    count = 0
    for begin, stop in pairwise(bounds):
        at_rest = bool(still[begin])
        first, last = (begin, stop - 1) if at_rest else (max(begin - 1, 0), min(stop, len(still) - 1))
        pieces = (last - first) * block_s / (settings.still_knot_s if at_rest else settings.moving_knot_s)
        inside = np.unique(np.linspace(first, last, max(round(pieces), 1) + 1).round().astype(int)).tolist()
        new = [e for e in inside if not edge or e > edge[-1]]
        edge += new
        rest += [count if at_rest else -1] * len(new)
        count += at_rest
    knot, label = np.array(edge, dtype=np.intp), np.array(rest)
    label[still[knot] & (label < 0)] = -2  # a moving interval that ends at a rest's first edge
    quiet = still[knot]
    within = np.where((label[1:] >= 0) & ((label[1:] == label[:-1]) | (label[:-1] == -2)), label[1:], -1)
    speed_sd = np.where(quiet, settings.still_speed_mps, settings.moving_speed_mps)
    return Knots(edge=knot, speed_sd=speed_sd, push_sd=_push_sd(stretch, layout.edges[knot], settings), rest=within)


def _push_sd(stretch: Stretch, samples: IntArray, settings: SmoothSettings) -> FloatArray:
    """Error (K,) of the accelerometer's integral from each of the samples to the next, m/s."""
    beyond = np.abs(np.linalg.norm(stretch.acc, axis=1) - settings.gravity)
    bend = np.zeros(len(stretch.acc))
    bend[1:-1] = np.sum((stretch.acc[2:] - 2.0 * stretch.acc[1:-1] + stretch.acc[:-2]) ** 2, axis=1)
    bend, beyond, doubtful = (
        np.add.reduceat(values[: samples[-1]], samples[:-1]) for values in (bend, beyond, stretch.acc_doubtful * 1.0)
    )
    return np.asarray(
        settings.push_share * beyond / stretch.rate
        + settings.rough_share * np.sqrt(bend) / stretch.rate
        + settings.doubtful_push_mps * doubtful
    )


def first_state(problem: Problem, reference: int) -> State:
    """Strapdown with what is known beforehand; up is the mean acceleration, carried to one frame, over the rest nearest
    the reference, or over the whole stretch where there is none.
    """
    stretch, layout = problem.stretch, problem.layout
    q = integrate(corrected_increments(stretch.increments, layout.mean, layout, rate=stretch.rate))
    first, last = mask_runs(stretch.still)
    span = slice(0, len(stretch.acc))
    if len(first):
        nearest = int(np.argmin(np.maximum(np.maximum(first - reference, reference - last), 0)))
        span = slice(int(first[nearest]), int(last[nearest]))
    start = tilt_from_up(rotate(q[span], stretch.acc[span]).mean(axis=0))
    course = course_of(multiply(start, q), stretch.increments, layout, rate=stretch.rate)
    return State(start=start, theta=layout.mean.copy(), course=course)


def closing_at(problem: Problem, state: State) -> tuple[FloatArray, FloatArray]:
    """Velocity changes (K, 3) and slope (K, 3, n) at a state, see `closure.closing_errors`."""
    rate, gravity = problem.stretch.rate, problem.gravity
    return closing_errors(
        state.course, problem.stretch.acc, state.theta, problem.layout, problem.knots, rate=rate, gravity=gravity
    )


def equations(problem: Problem, state: State, closing: tuple[FloatArray, FloatArray]) -> Equations:
    """The linear equations of the next step from the closing errors at a state."""
    layout = problem.layout
    change, slope = whiten(problem.knots, *closing)
    return Equations(
        normal=slope.T @ slope + layout.precision,
        right=slope.T @ change + layout.precision @ (layout.mean - state.theta),
        change=change,
        slope=slope,
    )


def own_parameters(layout: Layout) -> IntArray:
    """Indices of the parameters that are a stretch's own."""
    return np.r_[0 : SHARED.start, SHARED.stop : layout.count]


def next_step(problem: Problem, system: Equations) -> FloatArray:
    """The step (n,) in θ that solves the equations."""
    if not problem.shared_known:
        return np.asarray(np.linalg.solve(system.normal, system.right))
    own = own_parameters(problem.layout)
    step = np.zeros(problem.layout.count)
    step[own] = np.linalg.solve(system.normal[np.ix_(own, own)], system.right[own])
    return step


def covariance_of(problem: Problem, system: Equations) -> FloatArray:
    """(n, n) of the parameters after the fit; known shared parameters keep theirs, and the others follow them."""
    if not problem.shared_known:
        covariance = np.linalg.inv(system.normal)
        return np.asarray(0.5 * (covariance + covariance.T))
    own = own_parameters(problem.layout)
    inner = np.linalg.inv(system.normal[np.ix_(own, own)])
    follows = np.zeros((problem.layout.count, SHARED.stop - SHARED.start))
    follows[SHARED] = np.eye(SHARED.stop - SHARED.start)
    follows[own] = -inner @ system.normal[own, SHARED]
    shared = np.linalg.inv(problem.layout.precision[SHARED, SHARED])
    covariance = follows @ shared @ follows.T
    covariance[np.ix_(own, own)] += inner
    return np.asarray(0.5 * (covariance + covariance.T))


def step_size(state: State, step: FloatArray) -> float:
    """The largest turn, rad, that a step in θ gives the orientation anywhere."""
    return float(np.max(np.linalg.norm(state.course.jacobian @ step, axis=1)))


def moved(problem: Problem, state: State, step: FloatArray) -> State:
    """The state after a step, shortened if it is too long to be linear; the tilt goes into the start."""
    size = step_size(state, step)
    step = step * min(1.0, GREATEST_STEP / max(size, 1e-12))
    start = normalise(multiply(exp(np.append(step[TILT], 0.0)), state.start))
    theta = state.theta + step
    theta[TILT] = 0.0
    stretch, layout = problem.stretch, problem.layout
    if size > SMALL_STEP:
        course = strapdown_course(stretch.increments, start, theta, layout, rate=stretch.rate)
    else:
        # J hardly changes under a small turn.
        q = turned_by(state.course, layout, step)
        course = replace(state.course, q=q, turn=to_matrix(q))
    return State(start=start, theta=theta, course=course)


def turned_by(course: Course, layout: Layout, step: FloatArray) -> FloatArray:
    """Orientations (N, 4) after a small step in θ."""
    return normalise(multiply(exp(error_course(course, layout, step)), course.q))


def with_rests_judged(problem: Problem, residual: FloatArray) -> Problem:
    """The same problem with each rest's drift speed raised to what its own residuals show.

    residual: (K, 3) velocity changes, m/s, that the model leaves open. Summed up over a rest they are the sensor's
    velocity there; slow sway shows in the sum, hardly in the single changes.
    """
    knots, rests = problem.knots, len(problem.rest_factors)
    squares, freedom = np.zeros(rests), np.zeros(rests)
    for rest in range(rests):
        own = residual[knots.rest == rest]
        speed = np.concatenate((np.zeros((1, 3)), np.cumsum(own, axis=0)))
        squares[rest] = np.sum((speed - speed.mean(axis=0)) ** 2)
        # The mean is not known, and the tilt takes a trend out.
        freedom[rest] = 3.0 * max(len(speed) - 2, 0)
    if freedom.sum() == 0.0:
        return problem
    # One person, one sway: a rest too short to judge, or that the fit flattered, counts as the others do.
    spread = np.full(rests, np.sqrt(squares.sum() / freedom.sum()))
    judged = freedom >= 3.0 * REST_SPEEDS
    spread[judged] = np.maximum(spread[judged], np.sqrt(squares[judged] / freedom[judged]))
    factors = np.clip(spread / problem.still_speed, 1.0, GREATEST_REST_FACTOR)
    speed_sd = knots.speed_sd.copy()
    for rest in range(rests):
        own = np.flatnonzero(knots.rest == rest)
        speed_sd[np.union1d(own, own + 1)] *= factors[rest]
    return replace(problem, knots=replace(knots, speed_sd=speed_sd), rest_factors=factors)


def solve(problem: Problem, reference: int) -> tuple[Problem, State, Equations, FloatArray]:
    """The problem with its rests judged, the state before the last step, the equations of that step, and the step."""
    state = first_state(problem, reference)
    judged = False
    for number in range(GREATEST_PASSES):
        closing = closing_at(problem, state)
        system = equations(problem, state, closing)
        step = next_step(problem, system)
        if not judged and step_size(state, step) < JUDGING_STEP:
            problem, judged = with_rests_judged(problem, closing[0] - closing[1] @ step), True
            system = equations(problem, state, closing)
            step = next_step(problem, system)
        if (judged and step_size(state, step) < SMALL_STEP) or number + 1 == GREATEST_PASSES:
            break
        state = moved(problem, state, step)
    return problem, state, system, step


GREATEST_PASSES = 8
"""One or two are usual; more are needed where strapdown alone was off by many degrees."""
