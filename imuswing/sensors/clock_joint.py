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
from imuswing.sensors.clock_chain import joint_bias
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

CLEAR = 0.25
"""The best offset's misfit must be smaller than the median one's by this (natural logarithm). In simulated lessons it
is so by 0.3 (chest and hand) to 2 (forearm and hand) near the truth, and by less than 0.25 elsewhere."""

HUBER = 2.0
"""Residuals beyond this many times the median one count linearly."""

LIGHTEST = 0.05
"""Windows that fit well are not weighed up beyond the inverse of this."""

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
    state, depth = _scan(both, begins, _State(levers=np.zeros(6), line=centred), reach_s)
    if depth < CLEAR:
        return None
    state, residual, slope = _refine(both, begins, state)
    bias = joint_bias(first.stream.tracked_point, second.stream.tracked_point)
    information = with_bias(_information(residual, slope), bias, span_s=float(np.ptp(begins)) + WINDOW_S)
    cue = Cue(name=MOTION, first=names[0], second=names[1], line=state.line, information=information)
    return JointFit(cue=cue, depth=depth)


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


def _weights(residual: FloatArray) -> FloatArray:
    """(W, n): Huber's within windows, and one for each window that makes windows alike in misfit, so that those in
    which the joint is none count little."""
    size = np.abs(residual)
    usual = np.maximum(np.median(size, axis=1, keepdims=True), 1e-12)
    huber = np.minimum(1.0, HUBER * usual / np.maximum(size, 1e-12))
    misfit = np.mean(huber * residual**2, axis=1, keepdims=True)
    return np.asarray(huber * np.median(misfit) / np.maximum(misfit, LIGHTEST * np.median(misfit)))


def _step(residual: FloatArray, slope: FloatArray, levers: FloatArray) -> FloatArray:
    """A weighted Gauss–Newton step (P,) for slopes (P, W, n), the levers kept near a person's size."""
    weight = _weights(residual).ravel()
    e, j = residual.ravel(), slope.reshape(len(slope), -1)
    precision = np.zeros(len(slope))
    precision[:6] = float(np.average(e * e, weights=weight)) / LEVER_SD**2
    now = np.zeros(len(slope))
    now[:6] = levers
    normal = (j * weight) @ j.T + np.diag(precision)
    normal[np.diag_indices(len(slope))] += 1e-12 * np.trace(normal)
    return np.asarray(np.linalg.solve(normal, -(j @ (weight * e)) - precision * now))


def _times(begins: FloatArray, stride: int) -> FloatArray:
    return np.asarray(begins[:, None] + np.arange(0.0, WINDOW_S, stride * STEP_S))


def _scan(both: tuple[Signals, Signals], begins: FloatArray, state: _State, reach_s: float) -> tuple[_State, float]:
    """The best of offsets within `reach_s` of the line, and by how much its log misfit is under the median one's."""
    time = _times(begins, SCAN_STRIDE)
    ours, theirs = both[0], both[1].at(time)
    levers, costs, states = state.levers, [], []
    for offset in np.arange(-reach_s, reach_s + 1e-9, SCAN_STEP_S):
        line = replace(state.line, offset=state.line.offset + float(offset))
        there = ours.at(line(time))
        for _ in range(2):
            residual, slope, _ = _system(there, theirs, levers)
            levers = levers + _step(residual, slope, levers)
        residual, _, _ = _system(there, theirs, levers)
        # Windows on one footing, as the weights do, so that a few wild ones do not decide.
        costs.append(float(np.mean(np.log(np.mean(np.abs(residual), axis=1)))))
        states.append(_State(levers=levers, line=line))
    best = int(np.argmin(costs))
    return states[best], float(np.median(costs)) - costs[best]


def _refine(both: tuple[Signals, Signals], begins: FloatArray, state: _State) -> tuple[_State, FloatArray, FloatArray]:
    """Levers, offset and drift by Gauss–Newton, with the residuals (W, n) and slopes (8, W, n) of the last step."""
    time = _times(begins, 1)
    ours, theirs = both[0], both[1].at(time)
    for _ in range(STEPS):
        residual, by_lever, size = _system(ours.at(state.line(time)), theirs, state.levers)
        rate = np.gradient(size, time[0, 1] - time[0, 0], axis=1)
        slope = np.concatenate((by_lever, rate[None], (rate * (time - state.line.at))[None]))
        step = _step(residual, slope, state.levers)
        step[6:] = np.clip(step[6:], (-0.03, -1e-3), (0.03, 1e-3))
        state = state.moved(step)
    return state, residual, slope


def _information(residual: FloatArray, slope: FloatArray) -> FloatArray:
    """(2, 2) for offset and drift, from how much windows differ (sandwich estimator, clustered by window)."""
    weight = _weights(residual)
    scores = np.einsum("wn,pwn->wp", weight * residual, slope)
    normal = np.einsum("wn,pwn,qwn->pq", weight, slope, slope, optimize=True)
    normal[np.diag_indices(8)] += 1e-12 * np.trace(normal)
    inverse = np.linalg.inv(normal)
    windows = len(scores)
    covariance = inverse @ (scores.T @ scores) @ inverse * windows / max(windows - 8, 1)
    return np.asarray(np.linalg.inv(covariance[6:, 6:] + np.diag([1e-8, 1e-14])))
