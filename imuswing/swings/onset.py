"""When did the shock start? A likelihood over time from every sensor's prediction errors.

Before its onset a shock's errors are those of smooth motion, which grow no faster than they did just before; at the
onset they are larger than that; afterwards they ring down. A fat shot has two onsets: the ground, then the ball. The
second one is told by its direction: the ring of one blow keeps to a line in each sensor's axes, a further blow leaves
it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from imuswing.orientation.quaternion import FloatArray, dot
from imuswing.sensors.columns import windows
from imuswing.swings.surprise import AXES, Surprise
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

ONSET_SPREAD = float(np.log(4.0 * np.pi * np.log(1e3)))
"""Normaliser of an onset's density in three axes: any size from 1 to 1000 times what was before, equally likely in
its logarithm."""


@dataclass(frozen=True, kw_only=True)
class OnsetSettings:
    """The likelihood of an onset (assumptions, checked on two simulators).

    before_s, after_s: the onset is looked for this far around the arm's return.  grid_s: step of the likelihood.
    memory_s: smooth motion's errors are no larger than the largest of this stretch before, but for a factor.
    tail: how fast (exponentially) larger factors become unlikely; fitted between `tails` to the session's downswings.
    ring_tail: how fast larger factors become unlikely in a ring.
    ring_share, ring_s: chance that an error just after the onset rings, and how fast that chance fades.
    ring_length_s: a ring is over after this.
    trust: power to which each sensor's likelihood is taken, since sensors share what is not modelled.
    floor: log likelihood, under its largest, that no sensor may fall below: any of them may be wrong.
    delay_s: how long a shock takes from the club to each sensor, on average (assumptions).
    edge_steps: blur of the likelihood, in samples: rings may start weakly.
    weak_share: share of rings that the first sample after the blow hardly shows: the skin passes a blow on gradually,
    and the mean over a sampling interval of about a period is nearly nothing.
    line_share: an error off the line of a ring counts only beyond this share of the ring.
    second_limits: log likelihood ratio that all sensors together may give for or against a second blow.
    """

    before_s: float = 0.10
    after_s: float = 0.10
    grid_s: float = 0.0005
    memory_s: float = 0.04
    tails: tuple[float, float] = (1.2, 2.0)
    ring_tail: float = 1.0
    ring_share: float = 0.5
    ring_s: float = 0.010
    ring_length_s: float = 0.03
    trust: float = 0.6
    floor: float = -30.0
    delay_s: tuple[tuple[str, float], ...] = ((LEAD_HAND, 0.0003), (LEAD_FOREARM, 0.0006), (CHEST, 0.003))
    other_delay_s: float = 0.001
    edge_steps: float = 0.3
    weak_share: float = 0.1
    line_share: float = 0.03
    second_limits: tuple[float, float] = (-3.0, 12.0)


@dataclass(frozen=True, kw_only=True)
class OnsetCurve:
    """Likelihood of the onset of a shock in one swing.

    time: (G,) s.  first: (G,) log likelihood that the first blow came then.  second: (G,) log likelihood ratio that
    another one came then, given the likeliest first.  step: s between samples of the sensor that tells most.
    sizes: by stream (tracked point and quantity), natural log of the ring's largest error at the likeliest onset, in
    standard deviations of smooth motion's errors.
    """

    time: FloatArray
    first: FloatArray
    second: FloatArray
    step: float
    sizes: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class _Track:
    """One stream's errors with what was before them: time (M,), ratio (M,), before (M,) squared, error (M, 3)."""

    surprise: Surprise
    name: str
    before: FloatArray
    ratio: FloatArray
    tail: float


def onset_curves(
    swings: Sequence[Sequence[Surprise]], backs: Sequence[float], *, settings: OnsetSettings
) -> list[OnsetCurve | None]:
    """The onset's likelihood in each swing; None where no sensor tells anything.

    swings: each swing's prediction errors.  backs: each swing's return of the arm to its address direction, s.
    """
    tracks = [_tracks(swing, settings) for swing in swings]
    tails = _tails(tracks, backs, settings)
    return [_curve(swing, back, tails, settings) if swing else None for swing, back in zip(tracks, backs, strict=True)]


def _tracks(swing: Sequence[Surprise], settings: OnsetSettings) -> list[_Track]:
    tracks = []
    for surprise in swing:
        energy = np.where(surprise.known, dot(surprise.error, surprise.error), 0.0)
        before = _largest_before(energy, max(round(settings.memory_s / surprise.step), 3)) + 0.5 * AXES
        tracks.append(
            _Track(
                surprise=surprise,
                name=f"{surprise.tracked_point} {surprise.quantity}",
                before=before,
                ratio=np.sqrt(energy / before),
                tail=0.0,
            )
        )
    return tracks


def _largest_before(values: FloatArray, width: int) -> FloatArray:
    """Largest of the `width` values before each, (M,), 0 before the first."""
    padded = np.concatenate((np.zeros(width), values[:-1]))
    return np.asarray(windows(padded, width).max(axis=1))


def _tails(tracks: Sequence[Sequence[_Track]], backs: Sequence[float], settings: OnsetSettings) -> dict[str, float]:
    """By stream, how fast larger errors of smooth motion become unlikely: from the ends of the session's downswings."""
    seen: dict[str, list[FloatArray]] = {}
    for swing, back in zip(tracks, backs, strict=True):
        for track in swing:
            time = track.surprise.time
            near = (time > back - settings.before_s) & (time < back - 0.015) & track.surprise.known
            seen.setdefault(track.name, []).append(track.ratio[near])
    found = {}
    for name, parts in seen.items():
        ratios = np.concatenate(parts)
        # 95 % of a density r² exp(-tail·r) lie under 6.3 / tail.
        usual = float(np.quantile(ratios, 0.95)) if len(ratios) >= 20 else 3.0
        found[name] = float(np.clip(6.3 / max(usual, 1e-6), *settings.tails))
    return found


def _smooth(ratio: FloatArray, tail: float) -> FloatArray:
    return np.asarray(np.log(tail**3 / (8.0 * np.pi)) - tail * ratio)


def _new(ratio: FloatArray) -> FloatArray:
    return np.asarray(-1.5 * np.log1p(ratio * ratio) - ONSET_SPREAD)


def _curve(swing: Sequence[_Track], back: float, tails: dict[str, float], settings: OnsetSettings) -> OnsetCurve | None:
    grid = np.arange(back - settings.before_s, back + settings.after_s, settings.grid_s)
    first = np.zeros(len(grid))
    told, most, step = 0, -np.inf, np.inf
    for track in swing:
        part = _part(track, back, settings)
        if part.stop - part.start < 6:
            continue
        told += 1
        likelihood = _first_onset(track, part, tails[track.name], settings)
        if likelihood.max() > most:
            most, step = float(likelihood.max()), track.surprise.step
        first += _blurred(track, part, likelihood, grid, settings)
    if not told:
        return None
    at = float(grid[int(np.argmax(first))])
    # Whether the ring is seen in its first sample depends on what all sensors share: its frequency and phase.
    late = np.interp(grid + step, grid, first)
    return OnsetCurve(
        time=grid,
        first=np.logaddexp(np.log1p(-settings.weak_share) + first, np.log(settings.weak_share) + late),
        second=_second(swing, at, grid, tails, settings),
        step=step,
        sizes={track.name: _size(track, at, settings) for track in swing},
    )


def _part(track: _Track, back: float, settings: OnsetSettings) -> slice:
    first, last = np.searchsorted(track.surprise.time, [back - settings.before_s, back + settings.after_s])
    return slice(int(first), int(last))


def _first_onset(track: _Track, part: slice, tail: float, settings: OnsetSettings) -> FloatArray:
    """Log likelihood ratio against no shock, (K,), that sample k of the part is the first that the shock shows in."""
    known = track.surprise.known[part]
    ratio = track.ratio[part]
    smooth = np.where(known, _smooth(ratio, tail), 0.0)
    new = np.where(known, _new(ratio), 0.0)
    ringing = np.where(known, _smooth(ratio, settings.ring_tail), 0.0)
    length = max(round(settings.ring_length_s / track.surprise.step), 1)
    chance = settings.ring_share * np.exp(-np.arange(1, length + 1) * track.surprise.step / settings.ring_s)
    more = np.concatenate((ringing - smooth, np.zeros(length)))
    later = windows(more, length)[1:]
    gain = np.logaddexp(np.log(chance) + later, np.log1p(-chance)).sum(axis=1)
    return np.asarray(new - smooth + gain)


def _blurred(
    track: _Track, part: slice, likelihood: FloatArray, grid: FloatArray, settings: OnsetSettings
) -> FloatArray:
    """A stream's log likelihood on the grid: the onset lies in the interval before the sample which shows it first."""
    surprise = track.surprise
    place = np.minimum(np.searchsorted(surprise.time[part], grid), len(likelihood) - 1)
    level = settings.trust * (likelihood[place] - likelihood.max())
    kernel = _kernel(
        dict(settings.delay_s).get(surprise.tracked_point, settings.other_delay_s),
        float(np.hypot(settings.edge_steps * surprise.step, surprise.clock_se)),
        settings.grid_s,
    )
    density = np.convolve(np.exp(level), kernel, mode="same")
    return np.asarray(np.log(density + np.exp(settings.floor)))


@lru_cache(maxsize=256)
def _kernel(delay: float, spread: float, step: float) -> FloatArray:
    """Weights of true times around an arrival's: earlier by an exponential delay, and a normal error either way."""
    reach = min(int(np.ceil((5.0 * delay + 4.0 * spread) / step)), 150)
    shift = np.arange(-reach, reach + 1) * step
    normal = np.exp(-0.5 * (shift / max(spread, 0.3 * step)) ** 2)
    exponential = np.where(shift <= 0.0, np.exp(shift / max(delay, 1e-6)), 0.0)
    kernel = np.convolve(normal, exponential, mode="same")
    return np.asarray(kernel / kernel.sum())


def _size(track: _Track, at: float, settings: OnsetSettings) -> float:
    """Natural log of the largest error within a ring's length from an onset on, in standard deviations."""
    time = track.surprise.time
    first = int(np.searchsorted(time, at - track.surprise.step))
    last = int(np.searchsorted(time, at + settings.ring_length_s))
    known = track.surprise.known[first:last]
    if not known.any():
        return np.nan
    error = track.surprise.error[first:last][known]
    energy = dot(error, error) / AXES
    return float(0.5 * np.log(max(float(energy.max()), 1e-3)))


def _second(
    swing: Sequence[_Track], at: float, grid: FloatArray, tails: dict[str, float], settings: OnsetSettings
) -> FloatArray:
    """Log likelihood ratio (G,) that a further blow came at each time after the first one at `at`."""
    total = np.zeros(len(grid))
    for track in swing:
        surprise = track.surprise
        if surprise.tracked_point == CHEST or surprise.step > 0.0075:
            continue  # too far, or too coarse, to tell two blows apart
        first = int(np.searchsorted(surprise.time, at - 0.5 * surprise.step))
        count = min(round(1.2 * settings.ring_length_s / surprise.step), len(surprise.time) - first)
        if count < 4 or not surprise.known[first : first + count].all():
            continue
        off = _off_line(surprise.error[first : first + count], settings)
        ratio = np.concatenate((np.zeros(2), off))
        told = np.clip(_new(ratio) - _smooth(ratio, 2.0), *settings.second_limits)
        place = np.clip(np.searchsorted(surprise.time[first : first + count], grid), 0, count - 1)
        inside = (grid > surprise.time[first + 1]) & (grid <= surprise.time[first + count - 1])
        total += np.where(inside, told[place], settings.second_limits[0])
    return np.clip(total, *settings.second_limits)


def _off_line(error: FloatArray, settings: OnsetSettings) -> FloatArray:
    """How far errors (K, 3) from the onset on leave the line of those before, over how far they did before (K - 2,)."""
    moments = np.cumsum(error[:, :, None] * error[:, None, :], axis=0)
    line = np.linalg.eigh(moments)[1][:-1, :, -1]
    along, energy = dot(error[1:], line), dot(error, error)
    across = np.maximum(energy[1:] - along**2, 0.0)
    largest = np.maximum.accumulate(energy)
    before = np.maximum.accumulate(across)[:-1] + settings.line_share**2 * largest[1:-1] + 2.0 * AXES
    return np.asarray(np.sqrt(across[1:] / before))
