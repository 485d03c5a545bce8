"""Two clocks aligned by the joint between two segments: both sensors must tell the same acceleration of its centre.

The magnitude of the joint centre's acceleration does not depend on how the sensors are strapped on or how the joint is
bent (Seel, Schauer & Raisch 2012, IEEE Multi-Conference on Systems and Control, 233; Seel, Raisch & Schauer 2014,
Sensors 14:6891). Here the two lever arms, the offset and the drift between the clocks are estimated together. Unlike a
correlation of speeds it is not drawn aside by one segment leading the other. Where there is more than one joint in
between, it holds less well and the offset may be biased by some milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imuswing.recording.model import FloatArray
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_chain import joint_bias, joints_between
from imuswing.sensors.clock_lines import Cue, Line, with_bias
from imuswing.sensors.clock_windows import WINDOW_S, Signals, signals, telling_windows

STEP_S = 0.02
SCAN_STRIDE = 2
"""Spacing of the times at which accelerations are compared; while scanning, so many times wider."""

CUTOFF_HZ = 4.0
"""Signals are compared below this: faster ones travel through soft tissue, and late. Between 2.5 and 12 Hz it gave the
smallest errors, in the open recording as in simulated lessons."""

LEVER_SD = 0.3
"""What lever arms are thought to be before data, m."""

SCAN_STEP_S = 0.02

CLEAR = {1: 0.2, 2: 0.15}
"""The best offset's misfit must be smaller than the median one's by this (natural logarithm), by the number of joints.

Near the truth it was so by 0.5 or more for forearm and hand and by 0.15 or more for nine of ten others; many seconds
off it by 0.21 at most in 438 places with one joint, and by 0.17 in 879 with several (simulated lessons, seeds 7, 77, 78
and 91)."""

MISFIT_SHARE = 0.12
"""So much of the misfit may go along with the acceleration's rate of change, in all windows alike, and pass for an
offset. In simulated lessons of 100 Hz errors were 0.08 (forearm and hand), 0.12 (chest and pelvis) and 0.11 (trunk and
arm) of it, root mean square, however large it was (seeds 77 and 78, 329 pairs)."""

HUBER = 2.0
"""Residuals beyond this many times the median one count linearly."""

LEAST_MISFIT = 0.1
BENT_M = {1: 0.01, 2: 0.05}
"""No window is thought to fit better than this, m/s², for noise and soft parts in slow motion, and, times the squared
turn rate, m, by the number of joints in between (two also stands for more; both are assumptions)."""

WINDOW_REACH_S = 0.1
"""So far off a line single windows may be."""

MOTION = "motion"
FEWEST_WINDOWS = 3
STEPS = 8


@dataclass(frozen=True, kw_only=True)
class _State:
    """The estimate: levers (6,) m, first sensor's then second's, and the line between the clocks."""

    levers: FloatArray
    line: Line

    def moved(self, step: FloatArray) -> _State:
        """After a step (8,) of levers, offset and drift."""
        line = Line(offset=self.line.offset + step[6], drift=self.line.drift + step[7], at=self.line.at)
        return _State(levers=self.levers + step[:6], line=line)


@dataclass(frozen=True, kw_only=True)
class JointFit:
    """cue: what the joint tells.  depth: by how much its misfit is under that of other offsets, natural logarithm."""

    cue: Cue
    depth: float


def joint_fit(first: Clean, second: Clean, names: tuple[str, str], line: Line, *, reach_s: float) -> JointFit | None:
    """The line between two clocks that fits the joint, from one right to within `reach_s`; None if none fits."""
    begins = telling_windows(first, second, line, reach_s)
    if len(begins) < FEWEST_WINDOWS:
        return None
    middle = float(begins.mean()) + 0.5 * WINDOW_S
    centred = Line(offset=line.offset + line.drift * (middle - line.at), drift=line.drift, at=middle)
    both = signals(first, centred(begins), reach_s, CUTOFF_HZ), signals(second, begins, reach_s, CUTOFF_HZ)
    points = first.stream.tracked_point, second.stream.tracked_point
    joints = joints_between(*points)
    state, depth = _scan(both, begins, _State(levers=np.zeros(6), line=centred), reach_s, joints)
    if depth < CLEAR[min(joints, 2)]:
        return None
    state, residual, slope, floor = _refine(both, begins, state, joints)
    told, passing = _information(residual, slope, floor)
    bias = float(np.hypot(joint_bias(*points), passing))
    information = with_bias(told, bias, span_s=float(np.ptp(begins)) + WINDOW_S)
    cue = Cue(name=MOTION, first=names[0], second=names[1], line=state.line, information=information)
    return JointFit(cue=cue, depth=depth)


@dataclass(frozen=True, kw_only=True)
class WindowOffsets:
    """What each of some windows tells of two clocks beside the line that fits them all.

    begins: (W,) s on the second clock.  offsets, se: (W,) s to add to the given line, and their standard errors.
    """

    begins: FloatArray
    offsets: FloatArray
    se: FloatArray


def window_offsets(first: Clean, second: Clean, line: Line) -> WindowOffsets | None:
    """How far windows of motion are off a line that is right to within `WINDOW_REACH_S`; None with too few."""
    begins = telling_windows(first, second, line, WINDOW_REACH_S)
    if len(begins) < FEWEST_WINDOWS:
        return None
    both = signals(first, line(begins), WINDOW_REACH_S, CUTOFF_HZ), signals(second, begins, WINDOW_REACH_S, CUTOFF_HZ)
    joints = joints_between(first.stream.tracked_point, second.stream.tracked_point)
    state, residual, slope, floor = _refine(both, begins, _State(levers=np.zeros(6), line=line), joints)
    weight = _weights(residual, floor)
    told = np.maximum(np.sum(weight * slope[6] ** 2, axis=1), 1e-12)
    away = -np.sum(weight * residual * slope[6], axis=1) / told
    return WindowOffsets(begins=begins, offsets=away + state.line(begins) - line(begins), se=told**-0.5)


def _centre(values: FloatArray, lever: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Magnitude (W, n) of the acceleration at `lever` (3,) before a sensor, and its slope (3, W, n) by the lever.

    values: (9, W, n) of gyr, its derivative and acc.
    """
    x, y, z, dx, dy, dz, ax, ay, az = values
    rx, ry, rz = lever
    along = x * rx + y * ry + z * rz
    square = x * x + y * y + z * z
    # acc - omega x (omega x lever) - turn x lever
    cx = ax - x * along + rx * square - (dy * rz - dz * ry)
    cy = ay - y * along + ry * square - (dz * rx - dx * rz)
    cz = az - z * along + rz * square - (dx * ry - dy * rx)
    size = np.sqrt(cx * cx + cy * cy + cz * cz)
    scale = 1.0 / np.maximum(size, 1e-9)
    ux, uy, uz = cx * scale, cy * scale, cz * scale
    projected = x * ux + y * uy + z * uz
    slope = np.stack(
        (
            ux * square - x * projected - (uy * dz - uz * dy),
            uy * square - y * projected - (uz * dx - ux * dz),
            uz * square - z * projected - (ux * dy - uy * dx),
        )
    )
    return size, slope


def _system(first: FloatArray, second: FloatArray, levers: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Residuals (W, n), slopes (6, W, n) by the levers, and the first sensor's magnitude (W, n)."""
    ours, our_slope = _centre(first, levers[:3])
    theirs, their_slope = _centre(second, levers[3:])
    return ours - theirs, np.concatenate((our_slope, -their_slope)), ours


def _floor(first: FloatArray, second: FloatArray, joints: int) -> FloatArray:
    """(W, 1) variance of the misfit that windows of two sensors' values (9, W, n) are expected to have at least.

    A chain of joints is none in a swing: whatever fits swings best, all of them alike, may be far from the truth, while
    a walk tells it. So what a swing is expected to miss does not depend on how well it happens to fit.
    """
    spin = [np.mean(np.sum(values[:3] ** 2, axis=0) ** 2, axis=1, keepdims=True) for values in (first, second)]
    bent = BENT_M[min(joints, 2)]
    return np.asarray(LEAST_MISFIT**2 + bent**2 * np.maximum(*spin))


def _weights(residual: FloatArray, floor: FloatArray) -> FloatArray:
    """(W, n): Huber's within windows, over each window's variance: what is expected and what is found."""
    size = np.abs(residual)
    usual = np.maximum(np.median(size, axis=1, keepdims=True), 1e-12)
    huber = np.minimum(1.0, HUBER * usual / np.maximum(size, 1e-12))
    misfit = np.mean(huber * residual**2, axis=1, keepdims=True)
    return np.asarray(huber / (misfit + floor))


def _step(residual: FloatArray, slope: FloatArray, levers: FloatArray, floor: FloatArray) -> FloatArray:
    """A weighted Gauss–Newton step (P,) for slopes (P, W, n), the levers kept near a person's size."""
    weight = _weights(residual, floor).ravel()
    e, j = residual.ravel(), slope.reshape(len(slope), -1)
    precision = np.zeros(len(slope))
    precision[:6] = float(np.mean(weight * e * e)) / LEVER_SD**2
    now = np.zeros(len(slope))
    now[:6] = levers
    normal = (j * weight) @ j.T + np.diag(precision)
    normal[np.diag_indices(len(slope))] += 1e-12 * np.trace(normal)
    return np.asarray(np.linalg.solve(normal, -(j @ (weight * e)) - precision * now))


def _times(begins: FloatArray, stride: int) -> FloatArray:
    return np.asarray(begins[:, None] + np.arange(0.0, WINDOW_S, stride * STEP_S))


def _scan(
    both: tuple[Signals, Signals], begins: FloatArray, state: _State, reach_s: float, joints: int
) -> tuple[_State, float]:
    """The best of offsets within `reach_s` of the line, and by how much its log misfit is under the median one's."""
    time = _times(begins, SCAN_STRIDE)
    ours, theirs = both[0], both[1].at(time)
    floor = _floor(ours.at(state.line(time)), theirs, joints)
    levers, costs, states = state.levers, [], []
    for offset in np.arange(-reach_s, reach_s + 1e-9, SCAN_STEP_S):
        line = replace(state.line, offset=state.line.offset + float(offset))
        there = ours.at(line(time))
        residual, slope, _ = _system(there, theirs, levers)
        levers = levers + _step(residual, slope, levers, floor)
        # Where walks fit, they do so within some milliseconds only: the best place between two offsets is looked for.
        residual, slope, size = _system(there, theirs, levers)
        rate = np.gradient(size, SCAN_STRIDE * STEP_S, axis=1)
        step = _step(residual, np.concatenate((slope, rate[None])), levers, floor)
        levers, aside = levers + step[:6], float(np.clip(step[6], -SCAN_STEP_S, SCAN_STEP_S))
        residual = _system(there, theirs, levers)[0] + aside * rate
        # Windows on one footing, as the weights do, so that a few wild ones do not decide.
        costs.append(float(0.5 * np.mean(np.log(np.mean(np.abs(residual), axis=1, keepdims=True) ** 2 + floor))))
        states.append(_State(levers=levers, line=replace(line, offset=line.offset + aside)))
    best = int(np.argmin(costs))
    return states[best], float(np.median(costs)) - costs[best]


def _refine(
    both: tuple[Signals, Signals], begins: FloatArray, state: _State, joints: int
) -> tuple[_State, FloatArray, FloatArray, FloatArray]:
    """Levers, offset and drift by Gauss–Newton, with the residuals (W, n) and slopes (8, W, n) of the last step, and
    the windows' floors (W, 1)."""
    time = _times(begins, 1)
    ours, theirs = both[0], both[1].at(time)
    floor = _floor(ours.at(state.line(time)), theirs, joints)
    for _ in range(STEPS):
        residual, by_lever, size = _system(ours.at(state.line(time)), theirs, state.levers)
        rate = np.gradient(size, time[0, 1] - time[0, 0], axis=1)
        slope = np.concatenate((by_lever, rate[None], (rate * (time - state.line.at))[None]))
        step = _step(residual, slope, state.levers, floor)
        step[6:] = np.clip(step[6:], (-0.03, -1e-3), (0.03, 1e-3))
        state = state.moved(step)
    return state, residual, slope, floor


def _information(residual: FloatArray, slope: FloatArray, floor: FloatArray) -> tuple[FloatArray, float]:
    """(2, 2) for offset and drift, from how much windows differ (sandwich estimator, clustered by window), and what of
    the misfit may pass for an offset in all windows alike, s."""
    weight = _weights(residual, floor)
    scores = np.einsum("wn,pwn->wp", weight * residual, slope)
    normal = np.einsum("wn,pwn,qwn->pq", weight, slope, slope, optimize=True)
    normal[np.diag_indices(8)] += 1e-12 * np.trace(normal)
    inverse = np.linalg.inv(normal)
    windows = len(scores)
    covariance = inverse @ (scores.T @ scores) @ inverse * windows / max(windows - 8, 1)
    # The offset's rate of change once levers have had their share of it.
    rate = normal[6, 6] - normal[6, :6] @ np.linalg.solve(normal[:6, :6], normal[:6, 6])
    passing = MISFIT_SHARE * float(np.sqrt(np.sum(weight * residual**2) / rate))
    return np.asarray(np.linalg.inv(covariance[6:, 6:] + np.diag([1e-8, 1e-14]))), passing
