"""Clocks that jump: a sensor that starts anew, or loses or repeats samples that nobody counts.

A clock is a line as long as it runs. What two sensors tell of each other is looked at piece by piece: when they are
lively, for jumps of tenths of a second and more, and by the joints between them, for some milliseconds and more. What
is found is taken off the times of the one that is farther from the first tracking system, whose clock counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imuswing.recording.model import FloatArray, IntArray, Recording, SensorStream
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_chain import CHAIN, joint_bias, joints_between
from imuswing.sensors.clock_joint import WINDOW_REACH_S, WindowOffsets, joint_fit, window_offsets
from imuswing.sensors.clock_lines import Line, between
from imuswing.sensors.clock_shocks import DRIFT_SD
from imuswing.sensors.clock_windows import WINDOW_S
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.columns import magnitude, runs

MOST_STEPS = 2
"""A clock that jumps more often is none, and its sensors are left out."""

MOST_LOOKS = 16
"""So often all clocks are looked at again (a jump may take two: first roughly, then finely)."""

STEP_S, HOP_S, LENGTH_S, SLOW_S = 0.05, 2.0, 6.0, 8.0
"""Liveliness is told in steps of the first and compared in pieces of the third, one a hop; slower changes than the
last say nothing."""

REACH_S = 10.0
"""A jump is no longer than this."""

EACH_HOP = 4.0
"""A piece of six seconds holds about a dozen independent moves, of which each hop brings a third (an assumption)."""

JUMP_COST = 20.0
"""By so much (log likelihood) must the pieces after a jump, and those before it, be more likely with it than without
(none was seen in the lessons of 360 simulated golfers; each of 0.3 s and more was in two lessons that have them)."""

LEAST_ROUGH_S = 0.1
"""A smaller jump is left to the joints: one segment may lead the other more in swings than in walking."""

LEAST_STEP_S = {1: 0.004, 2: 0.008}
SURE = 5.0
"""Nor is a jump by the joints smaller than the first, by the number of joints in between (two also stands for more), or
than so many of its standard errors (none was seen in the lessons of 360 simulated golfers, seeds 904 to 906)."""

WINDOW_SE_S = 0.002
"""What a window tells of an offset is off by this at least (in three simulated lessons 1 to 3 ms in swings)."""

WRONG_RATE, RATES = 0.05, 201
"""So far a sensor's rate may be off from what its file says, and so many rates up to that are tried."""

SURE_OF_RAMP = 3.0
"""And it must be so sure with any rate: a clock that counts a wrong rate does not jump."""

LATE_REACH_S = 0.1
"""A sensor is no later than this on a clock that it shares."""

WRONG_DRIFT = 2e-4
"""Where sensors of one clock seem to drift more than this, their motion tells nothing."""

CLOSE_S, FAR_S, MOST_FAR = 0.004, 0.02, 0.1
"""Where clocks agree, half of all windows are nearer to their line than the first, and so few are farther than the
second (an assumption)."""

SIDE_WINDOWS = 3
"""So many windows must lie on either side of a jump."""

ALONE_S = 5.0
"""A jump lies in the longest gap so near to where it is seen, or else in the quietest moment."""

QUIET_S = 0.3

BREAK_S = 0.5
"""Where samples have no place left, so much more is left out: what is missing can then not be bridged."""

NEAR_BEST = 1.0
"""A jump may be at any place at which it is not surer by this many standard errors elsewhere."""


@dataclass(frozen=True, kw_only=True)
class Step:
    """From its own time `after`, s, on the clock of some sensors is behind by `by`, s (less than 0: ahead).

    points: those sensors.  other: the one that shows it.  after is -inf where they are late throughout.
    """

    points: tuple[str, ...]
    other: str
    after: float
    by: float


def find_step(sensors: Mapping[str, Clean], clocks: Mapping[str, ClockLine], recording: Recording) -> Step | None:
    """The first jump between neighbours on the body, from the first tracking system's sensors on; None if none is
    left."""
    tied = [p for p in sensors if sensors[p].stream.tracking_system == recording.tracking_systems[0]][:1]
    while tied and len(tied) < len(sensors):
        loose = [point for point in sensors if point not in tied]
        known = {sensors[point].stream.tracking_system for point in tied}
        # Sensors of clocks that are known already come first, then the nearest on the body.
        first, second = min(
            ((a, b) for a in tied for b in loose),
            key=lambda pair: (
                sensors[pair[1]].stream.tracking_system not in known,
                joints_between(*pair),
                sensors[pair[0]].stream.tracking_system != sensors[pair[1]].stream.tracking_system,
                -CHAIN.index(pair[1]),
            ),
        )
        found = _between_two(sensors[first], sensors[second], clocks)
        if found is not None:
            after, by = found
            system = sensors[second].stream.tracking_system
            worn = [p for p in sensors if sensors[p].stream.tracking_system == system]
            return Step(points=(second,) if system in known else tuple(worn), other=first, after=after, by=by)
        tied.append(second)
    return None


def joined_steps(steps: Sequence[Step], step: Step) -> list[Step]:
    """The jumps with one more; two in one place are one."""
    for k, known in enumerate(steps):
        if known.points == step.points and (known.after == step.after or abs(known.after - step.after) < 2.0 * ALONE_S):
            return [*steps[:k], replace(known, by=known.by + step.by), *steps[k + 1 :]]
    return [*steps, step]


def unsteady_points(steps: Sequence[Step]) -> frozenset[str]:
    """The sensors whose clock jumps more often than can be put right."""
    often = Counter(step.points for step in steps)
    return frozenset(point for points, count in often.items() if count > MOST_STEPS for point in points)


def stepped(stream: SensorStream, step: Step) -> SensorStream:
    """A stream with a jump taken off its times; samples that then have no place of their own are left out."""
    later = stream.time >= step.after
    time = np.where(later, stream.time + step.by, stream.time)
    last = stream.time[~later][-1] if np.any(~later) else -np.inf
    overlap = bool(np.any(later & (time < last)))
    kept = ~later | (time > last + (BREAK_S if overlap else 0.5 / stream.rate))
    mag = None if stream.mag is None else stream.mag[kept]
    return replace(stream, time=time[kept], gyr=stream.gyr[kept], acc=stream.acc[kept], mag=mag)


def _between_two(first: Clean, second: Clean, clocks: Mapping[str, ClockLine]) -> tuple[float, float] | None:
    """When the second sensor's clock jumps, on its own time, and by how much it is behind from then on."""
    one, other = (clocks[sensor.stream.tracking_system] for sensor in (first, second))
    line, same = between(_line(one), _line(other)), one is other
    rough = _rough_step(first, second, line)
    if rough is not None:
        near, by = rough
        return _place(first, second, line, near - ALONE_S, near + ALONE_S), by
    # Windows tell nothing of clocks that are farther apart than they reach.
    told = None if max(one.se, other.se) > WINDOW_REACH_S else window_offsets(first, second, line)
    if told is None or len(told.begins) < 2 * SIDE_WINDOWS:
        return None
    fine = _fine_step(first, second, line, told, same=same)
    if fine is not None or not same or _agree(told):
        return fine
    late = _late(first, second, line)
    return (-np.inf, late) if late else None


def _agree(told: WindowOffsets) -> bool:
    """Whether windows all through the recording fit one line, with few far from it and no two in a row."""
    off = np.abs(told.offsets)
    far = off > FAR_S
    return bool(np.median(off) < CLOSE_S and np.mean(far) < MOST_FAR and not np.any(far[1:] & far[:-1]))


def _line(clock: ClockLine) -> Line:
    return Line(offset=clock.offset, drift=clock.drift, at=0.0)


def _liveliness(sensor: Clean, times: FloatArray, start: float, count: int) -> FloatArray:
    """(count,) root of the turn rate in steps from `start`, without slow changes; 0 where it is not known."""
    good = ~(sensor.lost | sensor.unusable)
    slot = np.floor((times[good] - start) / STEP_S).astype(np.intp)
    seen = np.bincount(slot, minlength=count)
    mean = np.bincount(slot, np.sqrt(magnitude(sensor.gyr))[good], minlength=count) / np.maximum(seen, 1)
    half = round(0.5 * SLOW_S / STEP_S)
    running = np.cumsum(np.concatenate(([0.0], np.pad(mean, half, mode="reflect"))))
    slow = (running[2 * half :] - running[: -2 * half])[:count] / (2 * half)
    return np.where(seen > 0, mean - slow, 0.0)


def _likelihoods(first: FloatArray, second: FloatArray) -> FloatArray:
    """(W, 2 L + 1) log likelihood of pieces of the second liveliness at offsets -L … L steps in the first."""
    length, hop, most = (round(span / STEP_S) for span in (LENGTH_S, HOP_S, REACH_S))
    padded = np.pad(first, (most, most + length))
    running = np.concatenate(([0.0], np.cumsum(padded**2)))
    energy = np.maximum(running[length:] - running[:-length], 0.25 * length * np.mean(first**2))
    least = 0.25 * length * np.mean(second**2)
    rows = []
    for begin in range(0, len(second) - length + 1, hop):
        piece, reach = second[begin : begin + length], slice(begin, begin + 2 * most + 1)
        norm = np.sqrt(energy[reach] * max(float(piece @ piece), least))
        alike = np.correlate(padded[begin : begin + 2 * most + length], piece, "valid") / np.maximum(norm, 1e-12)
        rows.append(-0.5 * EACH_HOP * np.log(1.0 - np.clip(alike, 0.0, 0.98) ** 2))
    return np.array(rows).reshape(-1, 2 * most + 1)


def _likeliest(likelihood: FloatArray) -> IntArray:
    """(W,) the likeliest offset of each piece, where every change costs (Viterbi 1967, IEEE Trans. Inf. Theory
    13:260)."""
    score, came = likelihood[0], []
    stay = np.arange(likelihood.shape[1])
    for row in likelihood[1:]:
        best = int(np.argmax(score))
        changed = score < score[best] - JUMP_COST
        came.append(np.where(changed, best, stay))
        score = np.where(changed, score[best] - JUMP_COST, score) + row
    path = [int(np.argmax(score))]
    for before in reversed(came):
        path.append(int(before[path[-1]]))
    return np.array(path[::-1], np.intp)


def _is_ramp(likelihood: FloatArray, path: IntArray) -> bool:
    """Whether a clock of a wrong rate fits the pieces (W, 2 L + 1) as well as a path with jumps: then it has none."""
    jumps = int(np.count_nonzero(np.diff(path)))
    if jumps == 0:
        return False
    pieces = np.arange(len(path))
    reached = float(likelihood[pieces, path].sum()) - JUMP_COST * jumps
    starts = np.arange(likelihood.shape[1])
    for slope in np.linspace(-WRONG_RATE, WRONG_RATE, RATES):
        place = starts[:, None] + np.rint(slope * HOP_S / STEP_S * (pieces - len(path) / 2)).astype(np.intp)
        told = likelihood[pieces, np.clip(place, 0, len(starts) - 1)]
        if float(np.where((place >= 0) & (place < len(starts)), told, 0.0).sum(axis=1).max()) > reached:
            return True
    return False


def _rough_step(first: Clean, second: Clean, line: Line) -> tuple[float, float] | None:
    """The first jump of tenths of a second and more: about when on the second clock, and by how much."""
    times = line(second.time)
    start = min(float(first.time[0]), float(times[0]))
    count = int((max(float(first.time[-1]), float(times[-1])) - start) / STEP_S) + 1
    if count * STEP_S < 2.0 * (SLOW_S + LENGTH_S):
        return None
    likelihood = _likelihoods(_liveliness(first, first.time, start, count), _liveliness(second, times, start, count))
    path = _likeliest(likelihood)
    if _is_ramp(likelihood, path):
        return None
    for k in np.flatnonzero(np.abs(np.diff(path)) * STEP_S >= LEAST_ROUGH_S).tolist():
        gain = likelihood[:, path[k]] - likelihood[:, path[k + 1]]
        if min(float(gain[: k + 1].sum()), -float(gain[k + 1 :].sum())) > JUMP_COST:
            middle = start + (k + 0.5) * HOP_S + 0.5 * LENGTH_S
            at = line.at + (middle - line.at - line.offset) / (1.0 + line.drift)
            return at, float(path[k + 1] - path[k]) * STEP_S
    return None


def _fine_step(
    first: Clean, second: Clean, line: Line, told: WindowOffsets, *, same: bool
) -> tuple[float, float] | None:
    """The clearest jump that the joint shows; same: one clock serves both, so that they should not differ at all."""
    at = told.begins + 0.5 * WINDOW_S
    se = np.hypot(told.se, WINDOW_SE_S)
    points = first.stream.tracked_point, second.stream.tracked_point
    bias, least = joint_bias(*points), LEAST_STEP_S[min(joints_between(*points), 2)]
    steps, sure = [], []
    for k in range(SIDE_WINDOWS, len(at) - SIDE_WINDOWS + 1):
        step, error = _fit(at, told.offsets, se, k, line.drift, drift_sd=1e-9 if same else DRIFT_SD)
        any_rate, its_error = _fit(at, told.offsets, se, k, line.drift, drift_sd=WRONG_RATE)
        steps.append(step)
        is_jump = any_rate * np.sign(step) > SURE_OF_RAMP * its_error
        sure.append(abs(step) / float(np.hypot(error, 0.5 * bias)) if is_jump else 0.0)
    best = int(np.argmax(sure))
    if sure[best] > SURE and least < abs(steps[best]) < WINDOW_REACH_S:
        near = np.flatnonzero(np.array(sure) > sure[best] - NEAR_BEST) + SIDE_WINDOWS
        return _place(first, second, line, float(at[near[0] - 1]), float(at[near[-1]])), steps[best]
    return None


def _late(first: Clean, second: Clean, line: Line) -> float:
    """By how much the second of two sensors on one clock is behind throughout, 0 where that is not certain."""
    fit = joint_fit(first, second, ("first", "second"), line, reach_s=LATE_REACH_S)
    # One clock has no drift: where the joint tells one, motion fits it badly.
    if fit is None or abs(fit.cue.line.drift) > WRONG_DRIFT:
        return 0.0
    at = np.array([fit.cue.line.at])
    late = float((fit.cue.line(at) - line(at))[0])
    least = LEAST_STEP_S[min(joints_between(first.stream.tracked_point, second.stream.tracked_point), 2)]
    return late if abs(late) > max(least, SURE * fit.cue.offset_se) else 0.0


def _fit(
    at: FloatArray, offsets: FloatArray, se: FloatArray, k: int, drift: float, *, drift_sd: float
) -> tuple[float, float]:
    """A jump before window k and its standard error, beside an offset and a drift such as clocks have."""
    later = (np.arange(len(at)) >= k).astype(np.float64)
    since = at - at.mean()
    design = np.column_stack((later, np.ones(len(at)), since))
    weight: FloatArray = se**-2.0
    prior = np.diag([0.0, 0.0, drift_sd**-2.0])
    known = np.array([0.0, 0.0, -drift])
    for _ in range(5):
        normal = (design * weight[:, None]).T @ design + prior
        change = np.linalg.solve(normal, design.T @ (weight * offsets) + prior @ known)
        away = np.abs(offsets - design @ change) / se
        weight = se**-2.0 / (1.0 + (away / 2.0) ** 2)
    scale = max(float(np.sqrt(np.mean(weight * se**2 * away**2))), 1.0)
    return float(change[0]), scale * float(np.sqrt(np.linalg.inv(normal)[0, 0]))


def _place(first: Clean, second: Clean, line: Line, low: float, high: float) -> float:
    """Where between two own times of the second sensor its clock jumps: at the end of the longest gap in either."""
    gaps = []
    for sensor, own in ((first, False), (second, True)):
        begin, end = runs(sensor.lost)
        for i, j in zip(begin.tolist(), end.tolist(), strict=True):
            time = sensor.start + (j - 0.5) / sensor.rate
            time = time if own else float(line.at + (time - line.at - line.offset) / (1.0 + line.drift))
            if low <= time <= high:
                gaps.append(((j - i) / sensor.rate, time))
    if gaps:
        return max(gaps)[1]
    here = (second.time >= low) & (second.time <= high)
    wide = max(round(QUIET_S * second.rate), 1)
    calm = np.convolve(magnitude(second.gyr[here]), np.ones(wide), mode="same")
    return float(second.time[here][np.argmin(calm)]) if len(calm) else low
