"""What an alignment cue says about two clocks, and how several cues are put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imuswing.recording.model import FloatArray


@dataclass(frozen=True, kw_only=True)
class Line:
    """One clock told by another: first = second + offset + drift · (second - at), all in s."""

    offset: float
    drift: float
    at: float

    def __call__(self, second: FloatArray) -> FloatArray:
        """Times (N,) of the first clock at times (N,) of the second."""
        return np.asarray(second + self.offset + self.drift * (second - self.at))


def inverse(line: Line, times: FloatArray) -> FloatArray:
    """Times (N,) of the second clock at times (N,) of the first."""
    return np.asarray(line.at + (times - line.at - line.offset) / (1.0 + line.drift))


def between(a: Line, b: Line) -> Line:
    """Clock a told by clock b, both told to the reference."""
    at = b.at
    a_time = float(inverse(a, b(np.array([at])))[0])
    return Line(offset=a_time - at, drift=(1.0 + b.drift) / (1.0 + a.drift) - 1.0, at=at)


@dataclass(frozen=True, kw_only=True)
class Cue:
    """A line between two clocks with its information matrix (2, 2) for (offset, drift): the inverse of its covariance,
    singular where it says nothing about drift. name: what it rests on, in a word."""

    name: str
    first: str
    second: str
    line: Line
    information: FloatArray

    @property
    def offset_se(self) -> float:
        """Standard error of the offset if the drift is known, s."""
        return float(1.0 / np.sqrt(max(self.information[0, 0], 1e-12)))


def with_bias(information: FloatArray, bias_s: float, *, span_s: float) -> FloatArray:
    """The information (2, 2) that is left when the offset also has an unknown bias of standard deviation `bias_s`.

    The bias may change by as much over the span of time that the cue rests on, `span_s`, so it enters the drift too.
    """
    spoilt = np.diag([bias_s**-2.0, (bias_s / max(span_s, 1.0)) ** -2.0])
    return np.asarray(information - information @ np.linalg.solve(information + spoilt, information))


def weakened(cue: Cue, share: float) -> Cue:
    """The cue with only a share of its information: several that rest on the same observations are not so many."""
    return replace(cue, information=share * cue.information)


@dataclass(frozen=True, kw_only=True)
class Solution:
    """lines: by clock, to the reference's time.  covariances: by clock, (2, 2) of offset and drift.  names: by clock,
    the cues that tie it.  offsets: (C, C) covariance of all offsets, clocks in the order of `lines`."""

    lines: Mapping[str, Line]
    covariances: Mapping[str, FloatArray]
    names: Mapping[str, tuple[str, ...]]
    offsets: FloatArray

    def gap_se(self, one: str, other: str) -> float:
        """Standard error of the offset between two clocks, s; a clock that is no line's is the reference."""
        sign = np.array([float(name == one) - float(name == other) for name in self.lines])
        return float(np.sqrt(sign @ self.offsets @ sign))


def solve(cues: Sequence[Cue], *, reference: str, rough: Mapping[str, Line], drift_sd: float) -> Solution:
    """All clocks on the reference's time by weighted least squares over all cues.

    rough: by clock, a first line to the reference's time; corrections to it are solved for. drift_sd: what drift any
    clock may have before anything is known.
    """
    names = sorted(rough)
    place = {name: 2 * k for k, name in enumerate(names)}
    normal, right = np.zeros((2 * len(names), 2 * len(names))), np.zeros(2 * len(names))
    for name in names:
        # So loose that it matters only where no cue speaks.
        normal[place[name], place[name]] += ROUGH_SD_S**-2.0
        normal[place[name] + 1, place[name] + 1] += drift_sd**-2.0
        right[place[name] + 1] -= rough[name].drift * drift_sd**-2.0
    for cue in cues:
        rows, gap, weight = _as_gaps(cue, reference, rough, place, 2 * len(names))
        normal += rows.T @ weight @ rows
        right += rows.T @ weight @ gap
    covariance = np.linalg.inv(normal) if names else normal
    change = covariance @ right
    lines: dict[str, Line] = {}
    covariances: dict[str, FloatArray] = {}
    used: dict[str, tuple[str, ...]] = {}
    for name in names:
        k = place[name]
        line = rough[name]
        lines[name] = Line(offset=line.offset + change[k], drift=line.drift + change[k + 1], at=line.at)
        covariances[name] = np.asarray(covariance[k : k + 2, k : k + 2], np.float64)
        used[name] = tuple(sorted({cue.name for cue in cues if name in (cue.first, cue.second)}))
    offsets = np.asarray(covariance[::2, ::2], np.float64)
    return Solution(lines=lines, covariances=covariances, names=used, offsets=offsets)


ROUGH_SD_S = 0.5
"""A rough line may be wrong by this; s."""

SPAN_S = 100.0
"""A cue is laid through two times this far apart; any other value gives the same result."""


def _as_gaps(
    cue: Cue, reference: str, rough: Mapping[str, Line], place: Mapping[str, int], size: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A cue as two equations: design (2, size), gaps (2,) that corrections must close, weights (2, 2)."""
    second = cue.line.at + np.array([0.0, SPAN_S])
    first = cue.line(second)
    rows = np.zeros((2, size))
    gap = np.zeros(2)
    for name, time, sign in ((cue.first, first, 1.0), (cue.second, second, -1.0)):
        if name == reference:
            gap -= sign * time
            continue
        line = rough[name]
        gap -= sign * line(time)
        rows[:, place[name]] += sign
        rows[:, place[name] + 1] += sign * (time - line.at)
    # (value at the first time, value at the second) = to_values @ (offset, drift)
    from_values = np.array([[1.0, 0.0], [-1.0 / SPAN_S, 1.0 / SPAN_S]])
    return rows, gap, from_values.T @ cue.information @ from_values
