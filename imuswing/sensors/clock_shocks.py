"""Two clocks aligned by knocks that both sensors feel: taps, impacts, heel strikes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import FloatArray, IntArray
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_lines import Cue, Line, with_bias
from imuswing.sensors.columns import magnitude

BLOCK_S = 0.1
NEIGHBOURS = 5
"""A knock is told from motion by comparing its jumps with the usual ones of so many blocks on either side."""

LOUD = 6.0
"""Jumps this many times the usual ones of the neighbourhood are knocks."""

LEAST_NOISE = 6.0
LEAST_JUMP = 0.5
"""Nor is a jump one under so many times the noise, or under so many m/s²."""

APART_S = 0.12
"""Jumps nearer than this are one knock that rings."""

ONSET_SHARE = 0.08
"""A knock begins with the first jump of this share of its largest."""

MATCH_S = 0.006
"""Two sensors' onsets of one knock differ by no more than this once the clocks agree, besides a sample of each."""

TAP_BIAS_S = 0.0005
"""Standard deviation of the bias of knocks in which the sensors are knocked together, s."""

TAPS, SHOCKS = "taps", "shocks"

ONSET_SD = 0.35
"""Standard deviation of an onset in samples: 0.29 for being seen at the next sample, and more where that is missed."""

CHANCE = 0.005
"""Shared knocks that chance would give with more than this probability are not believed."""

CHANCE_REACH_S = 0.3
"""Within this, pairs of knocks are counted to see how often they coincide by chance."""

FEWEST = 3
"""Fewer shared knocks than this prove nothing."""


@dataclass(frozen=True, kw_only=True)
class Knocks:
    """Of one sensor: onset (K,) s on its own clock, in the middle of the sample step in which it began; size (K,) the
    largest jump, m/s²; rate: Hz of the sensor."""

    onset: FloatArray
    size: FloatArray
    rate: float


def find_knocks(sensor: Clean) -> Knocks:
    """Sudden jumps of the accelerometer: its second differences, in which motion is weak."""
    acc = sensor.acc_rows
    if len(acc) < 3:
        return Knocks(onset=np.zeros(0), size=np.zeros(0), rate=sensor.rate)
    jump = np.concatenate(([0.0, 0.0], magnitude(acc[2:] - 2.0 * acc[1:-1] + acc[:-2])))
    spoilt = np.flatnonzero(sensor.lost | sensor.unusable)
    for shift in (-1, 0, 1, 2):
        jump[np.clip(spoilt + shift, 0, len(jump) - 1)] = 0.0
    size = max(round(BLOCK_S * sensor.rate), 2)
    blocks = len(jump) // size
    if blocks < 2 * NEIGHBOURS + 1:
        return Knocks(onset=np.zeros(0), size=np.zeros(0), rate=sensor.rate)
    mean = jump[: blocks * size].reshape(blocks, size).mean(axis=1)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(mean, NEIGHBOURS, mode="reflect"), 2 * NEIGHBOURS + 1)
    usual = np.repeat(np.median(around, axis=1), size)
    usual = np.concatenate((usual, np.full(len(jump) - len(usual), usual[-1])))
    least = max(LEAST_NOISE * np.sqrt(6.0) * sensor.acc_noise, LEAST_JUMP)
    loud = np.flatnonzero((jump > LOUD * usual) & (jump > least))
    return _onsets(jump, np.maximum(usual * LOUD / 2.0, least / 2.0), loud, sensor)


def _onsets(jump: FloatArray, quiet: FloatArray, loud: IntArray, sensor: Clean) -> Knocks:
    apart = APART_S * sensor.rate
    onset, size = [], []
    if len(loud):
        for group in np.split(loud, np.flatnonzero(np.diff(loud) > apart) + 1):
            first = max(int(group[0]) - 2, 0)
            ring = jump[first : int(group[0]) + max(int(0.05 * sensor.rate), 3)]
            level = max(ONSET_SHARE * float(ring.max()), float(quiet[group[0]]))
            begin = first + int(np.argmax(ring >= min(level, float(ring.max()))))
            onset.append(sensor.start + (begin - 0.5) / sensor.rate)
            size.append(float(ring.max()))
    return Knocks(onset=np.array(onset), size=np.array(size), rate=sensor.rate)


def knock_cues(
    ours: Knocks,
    theirs: Knocks,
    names: tuple[str, str],
    line: Line,
    *,
    reach_s: float,
    bias_s: float,
    taps: FloatArray,
) -> list[Cue]:
    """Cues from knocks that two sensors share, the line being right to within `reach_s`; none if there are too few.

    bias_s: standard deviation of the time that a shock takes from one to the other.  taps: (T, 2) begin and end, on
    the first clock, of spans in which the sensors were knocked together.
    """
    step = np.hypot(1.0 / ours.rate, 1.0 / theirs.rate)
    span = max(reach_s, CHANCE_REACH_S)
    when, gap = _pairs(ours, theirs, line, span)
    own = line(when) + gap
    tapped = np.any((own[:, None] >= taps[:, 0]) & (own[:, None] <= taps[:, 1]), axis=1)
    width = MATCH_S + step
    # Where taps were noted, nothing else needs to be asked, and they need not be near what motion says.
    centre = _densest(gap[tapped], width, span, span)
    if centre is None:
        centre = _densest(gap, width, reach_s, span)
    if centre is None:
        return []
    keep = np.abs(gap - centre) <= width
    when, gap, tapped = when[keep], gap[keep], tapped[keep]
    floor = step * ONSET_SD
    cues = []
    # Among knocks that agree, one tap is a tap; other shocks must be several.
    for name, which, bias, fewest in ((TAPS, tapped, TAP_BIAS_S, 1), (SHOCKS, ~tapped, bias_s, FEWEST)):
        if int(which.sum()) >= fewest:
            cues.append(_cue(name, names, line, when[which], gap[which], floor, bias))
    return cues


def _pairs(ours: Knocks, theirs: Knocks, line: Line, reach_s: float) -> tuple[FloatArray, FloatArray]:
    """For every knock of the second sensor and every one of the first within reach: its time on the second clock, and
    how much later than the line says it is on the first."""
    told = line(theirs.onset)
    low, high = np.searchsorted(ours.onset, [told - reach_s, told + reach_s])
    row = np.repeat(np.arange(len(told)), high - low)
    column = np.arange(len(row)) - np.repeat(np.cumsum(high - low) - (high - low), high - low) + low[row]
    return theirs.onset[row], ours.onset[column] - told[row]


def _densest(gap: FloatArray, width: float, reach_s: float, span_s: float) -> float | None:
    """The gap within reach that most pairs agree on to within `width`; None if chance might give as many.

    gap: (K,) s of all pairs within `span_s`.
    """
    order = np.sort(gap)
    count = np.searchsorted(order, order + width, side="right") - np.searchsorted(order, order - width)
    near = np.abs(order) <= reach_s
    if not near.any():
        return None
    best = int(np.max(count[near]))
    # Pairs that do not agree show how often knocks coincide by chance; any pair might have been the densest place.
    by_chance = (len(gap) - best + 1) * width / span_s
    if best < FEWEST or int(near.sum()) * _at_least(best - 1, by_chance) > CHANCE:
        return None
    return float(np.median(order[near & (count == best)]))


def _at_least(count: int, expected: float) -> float:
    """Probability of `count` or more where `expected` are expected (Poisson)."""
    term = below = math.exp(-expected)
    for k in range(1, count):
        term *= expected / k
        below += term
    return max(1.0 - below, 0.0) if count > 0 else 1.0


def _cue(
    name: str, names: tuple[str, str], line: Line, when: FloatArray, gap: FloatArray, floor: float, bias: float
) -> Cue:
    """Offset and drift that fit gaps (K,) at times (K,), outliers weighed down."""
    at = float(np.median(when))
    design = np.column_stack((np.ones(len(when)), when - at))
    # A drift beyond that of clocks is not believed of a few knocks.
    prior = np.diag([0.0, floor**2 * DRIFT_SD**-2.0])
    weight: FloatArray = np.ones(len(when))
    change: FloatArray = np.zeros(2)
    residual: FloatArray = np.zeros(len(when))
    for _ in range(8):
        normal = (design * weight[:, None]).T @ design + prior
        change = np.asarray(np.linalg.solve(normal, design.T @ (weight * gap)), np.float64)
        residual = np.abs(gap - design @ change)
        scale = max(1.4826 * float(np.median(residual)), floor)
        weight = 1.0 / (1.0 + (residual / (2.0 * scale)) ** 2)
    spread = max(float(np.sqrt(np.sum(weight * residual**2) / max(np.sum(weight) - 1.0, 1.0))), floor)
    information = (design * weight[:, None]).T @ design / spread**2
    span = float(np.ptp(when))
    base = line.offset + line.drift * (at - line.at)
    fitted = Line(offset=base + float(change[0]), drift=line.drift + float(change[1]), at=at)
    return Cue(
        name=name, first=names[0], second=names[1], line=fitted, information=with_bias(information, bias, span_s=span)
    )


DRIFT_SD = 60e-6
"""Standard deviation of the drift between two clocks (quartz to ±100 ppm; common practice, no source)."""
