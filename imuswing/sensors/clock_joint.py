"""Two clocks aligned by the joint between two segments: both sensors must tell the same acceleration of its centre.

The magnitude of the joint centre's acceleration does not depend on how the sensors are strapped on or how the joint is
bent (Seel, Schauer & Raisch 2012, IEEE Multi-Conference on Systems and Control, 233; Seel, Raisch & Schauer 2014,
Sensors 14:6891). Here the two lever arms, the offset and the drift between the clocks are estimated together. Unlike a
correlation of speeds it is not drawn aside by one segment leading the other. Where there is more than one joint in
between, it holds less well and the offset may be biased by some milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_lines import Cue, Line, with_bias
from imuswing.sensors.columns import magnitude
from imuswing.sensors.filters import lowpass_zero_phase
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM, PELVIS

CHAIN = (PELVIS, CHEST, LEAD_UPPER_ARM, LEAD_FOREARM, LEAD_HAND, CLUB)
"""Segments in the order in which joints connect them."""

BIAS_S = {1: 0.001, 2: 0.005, 3: 0.015}
TRUNK_BIAS_S = 0.005
"""Standard deviation of the offset's bias by the number of joints in between (three also stands for more), and where the
only one is the shoulder or the spine; s. In one open recording of a walking person forearm and hand agreed to 0.1–1 ms,
back and hip to 2 ms, back and forearm to 3–5 ms; with simulated skin on simulated swings to 1, 4 and (chest and hand)
16 ms."""

WINDOW_S = 4.0
MARGIN_S = 1.0
STEP_S = 0.01
STRATA = 40
"""The liveliest window of each of so many parts of the recording is used."""

LIVELY = 0.5
"""Root mean square turn rate, rad/s, under which a window tells nothing."""

LEVER_SD = 0.3
"""What lever arms are thought to be before data, m."""

CUTOFFS_HZ = (5.0, 12.0)
"""First for a wide valley, then for a sharp one."""

REACH_S = 0.3
SCAN_STEP_S = 0.02

CLEAR = 0.9
"""The best offset's misfit must be under this share of the median one's."""


@dataclass(frozen=True, kw_only=True)
class _Signals:
    """Windows of one sensor: values (M, W, 9) of gyr, its derivative and acc; begin: (W,) s own clock; rate: Hz."""

    values: FloatArray
    begin: FloatArray
    rate: float

    def at(self, time: FloatArray) -> FloatArray:
        """(W, n, 9) at own times (W, n): cubic through four samples."""
        place = (time - self.begin[:, None]) * self.rate
        left = np.clip(np.floor(place).astype(np.intp), 1, len(self.values) - 3)
        f = (place - left)[..., None]
        window = np.arange(len(self.begin))[:, None]
        v = self.values
        return np.asarray(
            -f * (f - 1) * (f - 2) / 6 * v[left - 1, window]
            + (f + 1) * (f - 1) * (f - 2) / 2 * v[left, window]
            - (f + 1) * f * (f - 2) / 2 * v[left + 1, window]
            + (f + 1) * f * (f - 1) / 6 * v[left + 2, window]
        )


def joints_between(one: str, other: str) -> int:
    """How many joints lie between two tracked points."""
    return abs(CHAIN.index(one) - CHAIN.index(other))


def joint_cue(first: Clean, second: Clean, names: tuple[str, str], line: Line, *, reach_s: float) -> Cue | None:
    """The line between two clocks that fits the joint, from one that is right to within `reach_s`; None if none does."""
    begins = _windows(first, second, line, reach_s)
    if len(begins) < 3:
        return None
    fit = _Fit.start(first, second, begins, line)
    if fit is None:
        return None
    fit = fit.scan(min(reach_s, REACH_S))
    if fit is None:
        return None
    for cutoff in CUTOFFS_HZ:
        fit = fit.refine(first, second, cutoff)
    information = fit.information()
    span = float(np.ptp(begins)) + WINDOW_S
    one, other = first.stream.tracked_point, second.stream.tracked_point
    bias = BIAS_S[min(joints_between(one, other), 3)]
    if {one, other} <= {PELVIS, CHEST, LEAD_UPPER_ARM}:
        bias = max(bias, TRUNK_BIAS_S)
    return Cue(
        name="motion",
        first=names[0],
        second=names[1],
        line=fit.line,
        information=with_bias(information, bias, span_s=span),
    )


def _windows(first: Clean, second: Clean, line: Line, reach_s: float) -> FloatArray:
    """Begins (W,) of lively windows on the second clock, where both sensors have good data."""
    margin = MARGIN_S + reach_s
    step = 1.0
    last = min(second.time[-1], second.time[-1])
    begins = np.arange(second.start + margin, last - WINDOW_S - margin, step)
    if len(begins) == 0:
        return begins
    energy = np.minimum(_energy(second, begins), _energy(first, line(begins)))
    good = _good(second, begins - margin, begins + WINDOW_S + margin)
    good &= _good(first, line(begins) - margin, line(begins) + WINDOW_S + margin)
    good &= energy > LIVELY**2
    chosen: list[int] = []
    for part in np.array_split(np.arange(len(begins)), min(STRATA, max(int(len(begins) * step / WINDOW_S), 1))):
        usable = part[good[part]]
        if len(usable):
            best = int(usable[np.argmax(energy[usable])])
            if not chosen or begins[best] - begins[chosen[-1]] >= WINDOW_S:
                chosen.append(best)
    return begins[chosen]


def _index(sensor: Clean, time: FloatArray) -> IntArray:
    return np.clip(np.round((time - sensor.start) * sensor.rate), 0, len(sensor.gyr)).astype(np.intp)


def _energy(sensor: Clean, begins: FloatArray) -> FloatArray:
    """Mean squared turn rate (W,) of windows."""
    running = np.concatenate(([0.0], np.cumsum(magnitude(sensor.gyr) ** 2)))
    i, j = _index(sensor, begins), _index(sensor, begins + WINDOW_S)
    return np.asarray((running[j] - running[i]) / np.maximum(j - i, 1))


def _good(sensor: Clean, begin: FloatArray, end: FloatArray) -> BoolArray:
    """Whether spans (W,) lie within the recording and have no sample that is not to be believed."""
    running = np.concatenate(([0], np.cumsum(sensor.unusable)))
    i, j = _index(sensor, begin), _index(sensor, end)
    inside = (begin >= sensor.start) & (end <= sensor.start + (len(sensor.gyr) - 1) / sensor.rate)
    return np.asarray(inside & (running[i] == running[j]))


def _signals(sensor: Clean, begins: FloatArray, margin: float, cutoff: float) -> _Signals:
    """Low-passed windows of a sensor, from `margin` before each begin to as much after its end."""
    index = _index(sensor, begins - margin)
    length = int((WINDOW_S + 2.0 * margin) * sensor.rate)
    index = np.minimum(index, len(sensor.gyr) - length)
    rows = index + np.arange(length)[:, None]
    raw = np.concatenate((sensor.gyr[rows], sensor.acc[rows]), axis=2)
    smooth = lowpass_zero_phase(raw, rate=sensor.rate, cutoff_hz=min(cutoff, 0.4 * sensor.rate))
    turn = np.gradient(smooth[..., :3], 1.0 / sensor.rate, axis=0)
    values = np.concatenate((smooth[..., :3], turn, smooth[..., 3:]), axis=2)
    return _Signals(values=values, begin=sensor.start + index / sensor.rate, rate=sensor.rate)


def _centre(values: FloatArray, lever: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Magnitude (W, n) of the acceleration at `lever` (3,) from a sensor (towards it, negated), and its slope (W, n, 3)
    by the lever."""
    omega, turn, acc = values[..., :3], values[..., 3:6], values[..., 6:]
    along = omega @ lever
    square = np.sum(omega * omega, axis=-1)
    at_centre = acc - (omega * along[..., None] - lever * square[..., None] + np.cross(turn, lever))
    size = np.sqrt(np.sum(at_centre * at_centre, axis=-1))
    unit = at_centre / np.maximum(size, 1e-9)[..., None]
    projected = np.sum(omega * unit, axis=-1)
    slope = -(omega * projected[..., None] - unit * square[..., None] + np.cross(unit, turn))
    return size, slope


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """State of the estimate: signals of both sensors, times (W, n) on the second clock, levers (3,), line."""

    first: _Signals
    second: _Signals
    time: FloatArray
    begins: FloatArray
    levers: tuple[FloatArray, FloatArray]
    line: Line

    @staticmethod
    def start(first: Clean, second: Clean, begins: FloatArray, line: Line) -> _Fit | None:
        time = begins[:, None] + np.arange(0.0, WINDOW_S, STEP_S)
        middle = float(begins.mean()) + 0.5 * WINDOW_S
        centred = Line(offset=line.offset + line.drift * (middle - line.at), drift=line.drift, at=middle)
        margin = MARGIN_S + REACH_S
        return _Fit(
            first=_signals(first, line(begins), margin, CUTOFFS_HZ[0]),
            second=_signals(second, begins, margin, CUTOFFS_HZ[0]),
            time=time,
            begins=begins,
            levers=(np.zeros(3), np.zeros(3)),
            line=centred,
        )

    def _moved(self, *, offset: float = 0.0, drift: float = 0.0) -> Line:
        return Line(offset=self.line.offset + offset, drift=self.line.drift + drift, at=self.line.at)

    def _system(
        self, line: Line, levers: tuple[FloatArray, FloatArray], time: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Residuals (W, n) and their slopes (W, n, 8) by both levers, offset and drift."""
        size_first, slope_first = _centre(self.first.at(line(time)), levers[0])
        size_second, slope_second = _centre(self.second.at(time), levers[1])
        rate = np.gradient(size_first, time[0, 1] - time[0, 0], axis=1)
        slope = np.concatenate(
            (slope_first, -slope_second, rate[..., None], (rate * (time - line.at))[..., None]), axis=2
        )
        return size_first - size_second, slope

    def _step(
        self, line: Line, levers: tuple[FloatArray, FloatArray], time: FloatArray, *, free: int
    ) -> tuple[FloatArray, float]:
        """A Gauss–Newton step (8,) with Huber weights for the first `free` parameters, and the mean absolute residual."""
        residual, slope = self._system(line, levers, time)
        e, j = residual.ravel(), slope.reshape(-1, 8)[:, :free]
        size = np.abs(e)
        weight = np.minimum(1.0, HUBER * np.median(size) / np.maximum(size, 1e-12))
        prior = np.concatenate((np.full(6, LEVER_SD**-2.0), np.zeros(2)))[:free] * np.median(size) ** 2
        now = np.concatenate((*levers, np.zeros(2)))[:free]
        normal = (j * weight[:, None]).T @ j + np.diag(prior)
        normal[np.diag_indices(free)] += 1e-12 * np.trace(normal)
        step = np.zeros(8)
        step[:free] = np.linalg.solve(normal, -(j.T @ (weight * e)) - prior * now)
        return step, float(np.mean(size))

    def scan(self, reach: float) -> _Fit | None:
        """The best of offsets within `reach` of the line, if it is clearly better than most."""
        coarse = self.time[:, ::4]
        best: tuple[float, _Fit] | None = None
        costs = []
        levers = self.levers
        for offset in np.arange(-reach, reach + 1e-9, SCAN_STEP_S):
            line = self._moved(offset=float(offset))
            cost = np.inf
            for _ in range(3):
                step, cost = self._step(line, levers, coarse, free=6)
                levers = (levers[0] + step[:3], levers[1] + step[3:6])
            costs.append(cost)
            if best is None or cost < best[0]:
                best = (cost, self._with(levers=levers, line=line))
        if best is None or len(costs) < 3 or best[0] > CLEAR * float(np.median(costs)):
            return None
        return best[1]

    def _with(self, *, levers: tuple[FloatArray, FloatArray], line: Line) -> _Fit:
        return _Fit(first=self.first, second=self.second, time=self.time, begins=self.begins, levers=levers, line=line)

    def refine(self, first: Clean, second: Clean, cutoff: float) -> _Fit:
        """Levers, offset and drift by Gauss–Newton on signals with the given cut-off."""
        margin = MARGIN_S + REACH_S
        fit = _Fit(
            first=_signals(first, self.line(self.begins), margin, cutoff),
            second=_signals(second, self.begins, margin, cutoff),
            time=self.time,
            begins=self.begins,
            levers=self.levers,
            line=self.line,
        )
        for _ in range(6):
            step, _ = fit._step(fit.line, fit.levers, fit.time, free=8)
            levers = (fit.levers[0] + step[:3], fit.levers[1] + step[3:6])
            offset = float(np.clip(step[6], -0.03, 0.03))
            drift = float(np.clip(step[7], -1e-3, 1e-3))
            fit = fit._with(levers=levers, line=fit._moved(offset=offset, drift=drift))
        return fit

    def information(self) -> FloatArray:
        """(2, 2) for offset and drift, from how much windows differ (sandwich estimator, clustered by window)."""
        residual, slope = self._system(self.line, self.levers, self.time)
        size = np.abs(residual)
        weight = np.minimum(1.0, HUBER * np.median(size) / np.maximum(size, 1e-12))
        scores = np.einsum("wn,wnp->wp", weight * residual, slope)
        normal = np.einsum("wn,wnp,wnq->pq", weight, slope, slope)
        normal[np.diag_indices(8)] += 1e-12 * np.trace(normal)
        inverse = np.linalg.inv(normal)
        windows = len(scores)
        covariance = inverse @ (scores.T @ scores) @ inverse * windows / max(windows - 8, 1)
        both = covariance[6:, 6:] + np.diag([1e-8, 1e-14])
        return np.asarray(np.linalg.inv(both))


HUBER = 2.0
"""Residuals beyond this many times the median one count linearly."""
