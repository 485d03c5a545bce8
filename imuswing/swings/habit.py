"""Where in the swing does this golfer meet the ball? Learnt from all shots of a session at once, and told to each.

Impact keeps its place after a moment of the smooth motion: after the arm's return, or after a weighted mean of it and
of the clues (a mix). Around that place a golfer's impacts spread. Which mix, what place and how wide a spread is not
known: every one of a grid is weighed by how likely it makes all shots' shocks (a hierarchical model, summed over a
grid: Gelman et al. 2013, Bayesian Data Analysis, ch. 5, from memory). So a shot teaches as much as it shows, and none
must be called clear first.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray

REACH_S, STEP_S = 0.1, 0.0005
"""Places are looked for so far around the arm's return, and so finely: as the shocks' likelihoods are."""
TURNED_S = 0.32
"""Length of the circle that places are convolved on: far more than a spread beyond their ends."""
SPREADS = 2.0 ** np.arange(-2.25, 1.6, 0.75)
"""Spreads that are weighed, over the guess."""
SHARES = (0.0, 0.5, 1.0)
"""Weights of a clue that are weighed; the arm's return has what is left of one."""
FAINTEST = 1e-4
"""Least likelihood of a shot beside its largest: one in so many is struck anywhere, or its shock misread, and must not
move all the others (common practice, no source)."""
FARTHEST = 8.0
"""No ball is met farther from the golfer's place than so many times the spread that is expected within a golfer: at 1°
this is 8° of the arm (common practice, no source). What looks like a shock there is something else."""
ROUNDING = 1e-13
NEGLIGIBLE = 1e-4
"""A mix that is less likely than this adds nothing."""


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What is expected of a golfer before the session has told.

    usual, usual_spread: impact after the arm's return, s, and its spread between golfers, s.  own_spread, own_doubt:
    spread within a golfer, s, and the SD of this guess's natural logarithm.  tail: degrees of freedom of both spreads.
    shared: SD of what all shocks of the session appear too late or too early by, s.
    """

    usual: float
    usual_spread: float
    own_spread: float
    own_doubt: float
    tail: float
    shared: float = 0.0


def place_in_swing(
    after: FloatArray, logs: FloatArray, pace: FloatArray, clues: FloatArray, teach: BoolArray, expected: Expected
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation (K,) of each shot's impact after the arm's return, s, by its shock and by the others.

    after: (K, G) evenly spaced times after that return, s.  logs: (K, G) log likelihood of the impact at each.
    pace: (K,) all times of a shot are so many times those of a usual one.  clues: (K, S) s from their usual places.
    teach: (K,) which ones tell about the others.
    """
    places = np.arange(-REACH_S, REACH_S + 0.5 * STEP_S, STEP_S)
    spreads = expected.own_spread * SPREADS
    kernels = _kernels(spreads, expected.tail, FARTHEST * expected.own_spread)
    mixes = _mixes(clues.shape[1])
    density = np.exp(logs - logs.max(axis=1, keepdims=True))
    times = [pace[:, None] * places + (clues @ mix)[:, None] for mix in mixes]
    shown = [_at(time[teach], after[teach], density[teach]) for time in times]
    log = np.stack([np.log(np.maximum(_spread_out(each, kernels), FAINTEST)).sum(axis=1) for each in shown])
    from_usual = places - expected.usual
    seen_spread = np.hypot(expected.usual_spread, expected.shared)
    log += _student(from_usual / seen_spread, expected.tail)
    log += _log_of_spreads(clues[teach] @ mixes.T, spreads, expected)[..., None]
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    # Of how far shocks appear from the usual place, so much is expected to be their shared error.
    share = (expected.shared / seen_spread) ** 2
    moments = np.zeros((3, len(pace)))
    for likely, time in zip(weight, times, strict=True):
        if likely.sum() > NEGLIGIBLE:
            each = _at(time, after, density)
            # A shot that teaches has weighed every habit by its own likelihood already: that is taken out again.
            own = np.where(teach[:, None], np.maximum(_spread_out(each, kernels), FAINTEST), 1.0)
            zero, one, two = (
                each * _spread_out_in_all(likely[:, None] * (share * from_usual) ** power / own, kernels)
                for power in range(3)
            )
            moments[0] += zero.sum(axis=1)
            moments[1] += np.sum(time * zero - one, axis=1)
            moments[2] += np.sum(time**2 * zero - 2.0 * time * one + two, axis=1)
    mean = moments[1] / moments[0]
    variance = moments[2] / moments[0] - mean**2 + (1.0 - share) * expected.shared**2
    return mean, np.sqrt(np.maximum(variance, 0.0))


def _at(times: FloatArray, after: FloatArray, density: FloatArray) -> FloatArray:
    """Densities (K, G) at other times (K, P), 0 beyond their ends."""
    rows = zip(times, after, density, strict=True)
    return np.array([np.interp(t, x, y, left=0.0, right=0.0) for t, x, y in rows]).reshape(times.shape)


def _mixes(count: int) -> FloatArray:
    """(W, S) weights of so many clues that leave nothing or something to the arm's return."""
    mixes = [mix for mix in product(SHARES, repeat=count) if sum(mix) <= 1.0]
    return np.array(mixes, dtype=np.float64).reshape(len(mixes), count)


def _student(away: FloatArray, tail: float) -> FloatArray:
    """Log density of Student's t but for a constant, at distances in spreads."""
    return np.asarray(-0.5 * (tail + 1.0) * np.log1p(away * away / tail))


def _log_of_spreads(moved: FloatArray, spreads: FloatArray, expected: Expected) -> FloatArray:
    """(W, Z) log prior of spreads (Z,) around mixes that move the place by (T, W) s.

    The guess is of the spread around the arm's return, whatever part of it a mix tells: clues that scatter more than a
    golfer's impacts can tell little about them.
    """
    told = np.mean(moved**2, axis=0) if len(moved) else np.zeros(moved.shape[1])
    whole = np.sqrt(told[:, None] + spreads**2)
    return np.asarray(-0.5 * (np.log(whole / expected.own_spread) / expected.own_doubt) ** 2)


def _kernels(spreads: FloatArray, tail: float, farthest: float) -> FloatArray:
    """(Z, 1, F) real spectra of a golfer's spread around the place, by spread; none is farther than `farthest` s."""
    count = round(TURNED_S / STEP_S)
    place = np.arange(count)
    away = np.minimum(place, count - place) * STEP_S / spreads[:, None]
    kernel = np.exp(_student(away, tail))
    kernel[:, np.minimum(place, count - place) * STEP_S > farthest] = 0.0
    return np.asarray(np.fft.rfft(kernel / kernel.sum(axis=1, keepdims=True)).real)[:, None]


def _spread_out(density: FloatArray, kernels: FloatArray) -> FloatArray:
    """(Z, K, G) of densities (K, G), or (Z, K, G), over places, under each of Z spreads."""
    count = round(TURNED_S / STEP_S)
    spectrum = np.fft.rfft(density, count) * kernels
    return _turned_back(spectrum, density.shape[-1])


def _spread_out_in_all(density: FloatArray, kernels: FloatArray) -> FloatArray:
    """(K, G) sum over Z of densities (Z, K, G), each under its own of Z spreads: summed before it is turned back."""
    count = round(TURNED_S / STEP_S)
    return _turned_back(np.sum(np.fft.rfft(density, count) * kernels, axis=0), density.shape[-1])


def _turned_back(spectrum: npt.NDArray[np.complex128], length: int) -> FloatArray:
    """(..., G) densities of spectra; what is rounding beside the largest is none."""
    density = np.fft.irfft(spectrum, round(TURNED_S / STEP_S))[..., :length]
    return np.where(np.abs(density) > ROUNDING * np.abs(density).max(axis=-1, keepdims=True), density, 0.0)
