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
from imuswing.recording.model import BoolArray, IntArray
from imuswing.swings.lead import LEADERS
from imuswing.swings.surprise import AXES, Surprise
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

ONSET_SPREAD = float(np.log(4.0 * np.pi * np.log(1e3)))
"""Normaliser of an onset's density in three axes: any size from 1 to 1000 times what was before, equally likely in
its logarithm."""


LEAST_SAMPLES = 6
"""With fewer around the arm's return a stream tells nothing (common practice, no source)."""


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
    floor: log likelihood, under its largest, that no sensor may fall below: any of them may be wrong, one time in fifty
    or so, and then it must not outvote the others (common practice, no source).
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
    floor: float = -4.0
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
    """One stream's errors.  ratio: (S, M) of each to the largest just before.  tail: how fast (exponentially) larger
    ratios of smooth motion become unlikely."""

    surprise: Surprise
    name: str
    ratio: FloatArray
    tail: float


def onset_curves(
    surprises: Sequence[Surprise], backs: Sequence[float], *, settings: OnsetSettings
) -> list[OnsetCurve | None]:
    """The onset's likelihood in each swing; None where no sensor tells anything.

    surprises: each stream's prediction errors.  backs: each swing's return of the arm to its address direction, s.
    """
    back = np.asarray(backs, dtype=np.float64)
    tracks = [_track(surprise, back[surprise.swing], settings) for surprise in surprises]
    count = round((settings.before_s + settings.after_s) / settings.grid_s)
    grid = back[:, None] - settings.before_s + settings.grid_s * np.arange(count)
    first = np.zeros(grid.shape)
    lead = _lead_clock(surprises, len(back))
    told, most, step = np.zeros(len(back), np.bool_), np.full(len(back), -np.inf), np.full(len(back), np.inf)
    for track in tracks:
        swing = track.surprise.swing
        there, peak, likelihood = _first_blow(track, back[swing], grid[swing], lead[swing], settings)
        first[swing] += np.where(there[:, None], likelihood, 0.0)
        told[swing] |= there
        better = swing[there & (peak > most[swing])]
        step[better] = track.surprise.step
        most[swing] = np.maximum(most[swing], np.where(there, peak, -np.inf))
    at = grid[np.arange(len(grid)), np.argmax(first, axis=1)]
    second, sizes = _second(tracks, at, grid, settings), _sizes(tracks, at, settings)
    curves: list[OnsetCurve | None] = [None] * len(back)
    for k in np.flatnonzero(told).tolist():
        # Whether the ring is seen in its first sample depends on what all sensors share: its frequency and phase.
        late = np.interp(grid[k] + step[k], grid[k], first[k])
        curves[k] = OnsetCurve(
            time=grid[k],
            first=np.logaddexp(np.log1p(-settings.weak_share) + first[k], np.log(settings.weak_share) + late),
            second=second[k],
            step=float(step[k]),
            sizes=sizes[k],
        )
    return curves


def _lead_clock(surprises: Sequence[Surprise], count: int) -> FloatArray:
    """(K,) s, the clock's error of the sensor that leads: the arm's return is told by it, and so is the onset. What the
    whole arm is off by against the chest is the same in all its streams and all swings: more of them do not tell it."""
    clock = np.zeros(count)
    for point in reversed(LEADERS):
        for surprise in surprises:
            if surprise.tracked_point == point:
                clock[surprise.swing] = surprise.clock_se
    return clock


def _track(surprise: Surprise, back: FloatArray, settings: OnsetSettings) -> _Track:
    """A stream's track; its tail is told by the ends of the session's downswings.  back: (S,) s."""
    energy = np.where(surprise.known, dot(surprise.error, surprise.error), 0.0)
    before = _largest_before(energy, max(round(settings.memory_s / surprise.step), 3)) + 0.5 * AXES
    ratio = np.sqrt(energy / before)
    from_back = surprise.time - back[:, None]
    usual = ratio[(from_back > -settings.before_s) & (from_back < -0.015) & surprise.known]
    # 95 % of a density r² exp(-tail·r) lie under 6.3 / tail.
    high = float(np.quantile(usual, 0.95)) if len(usual) >= 20 else 3.0
    return _Track(
        surprise=surprise,
        name=f"{surprise.tracked_point} {surprise.quantity}",
        ratio=ratio,
        tail=float(np.clip(6.3 / max(high, 1e-6), *settings.tails)),
    )


def _largest_before(values: FloatArray, width: int) -> FloatArray:
    """Largest of the `width` values before each, (S, M), 0 before the first; no value is negative."""
    largest = np.zeros_like(values)
    for back in range(1, min(width, values.shape[1] - 1) + 1):
        np.maximum(largest[:, back:], values[:, :-back], out=largest[:, back:])
    return largest


def _smooth(ratio: FloatArray, tail: float) -> FloatArray:
    return np.asarray(np.log(tail**3 / (8.0 * np.pi)) - tail * ratio)


def _new(ratio: FloatArray) -> FloatArray:
    return np.asarray(-1.5 * np.log1p(ratio * ratio) - ONSET_SPREAD)


def _first_blow(
    track: _Track, back: FloatArray, grid: FloatArray, lead: FloatArray, settings: OnsetSettings
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """What a stream tells of the first blow: in which swings (S,) it tells anything, the largest log likelihood ratio
    against no shock (S,), and its log likelihood (S, G) on the grid.  back, lead: (S,) s, as of `_lead_clock`.
    """
    surprise = track.surprise
    rows, inside = _rows(surprise.time, back - settings.before_s, back + settings.after_s)
    time, ratio = np.take_along_axis(surprise.time, rows, axis=1), np.take_along_axis(track.ratio, rows, axis=1)
    known = np.take_along_axis(surprise.known, rows, axis=1) & inside
    likelihood = np.where(inside, _first_onset(track, ratio, known, settings), -np.inf)
    there = inside.sum(axis=1) >= LEAST_SAMPLES
    peak = np.where(there, likelihood.max(axis=1, initial=-np.inf), 0.0)
    density = np.exp(settings.trust * (likelihood - peak[:, None]))
    # The onset lies in the interval before the sample which shows it first.
    place = _samples_before(np.where(inside, time, np.inf), grid, settings)
    density = np.take_along_axis(density, np.clip(place, 0, np.maximum(inside.sum(axis=1) - 1, 0)[:, None]), axis=1)
    delay = dict(settings.delay_s).get(surprise.tracked_point, settings.other_delay_s)
    # Sensors are aligned one to the next along the arm, so the squares of their clocks' errors add up.
    apart = np.sqrt(np.abs(surprise.clock_se**2 - lead**2))
    spread = np.hypot(settings.edge_steps * surprise.step, apart)
    blurred = [
        np.convolve(row, _kernel(delay, sd, settings.grid_s), mode="same")
        for row, sd in zip(density, spread.tolist(), strict=True)
    ]
    return there, peak, np.log(np.stack(blurred) + np.exp(settings.floor))


def _rows(time: FloatArray, start: FloatArray, end: FloatArray) -> tuple[IntArray, BoolArray]:
    """Numbers (S, P) of the samples of `time` (S, M) from start (S,) until before end (S,), and which are so (S, P)."""
    first, last = (np.sum(time < edge[:, None], axis=1) for edge in (start, end))
    rows = first[:, None] + np.arange(max(int((last - first).max()), 1))
    return np.minimum(rows, time.shape[1] - 1), rows < last[:, None]


def _samples_before(time: FloatArray, grid: FloatArray, settings: OnsetSettings) -> IntArray:
    """For each time of an even grid (S, G) how many samples of `time` (S, P) came before it."""
    swings, count = grid.shape
    # The first grid point after each sample, from which on it counts.
    after = np.floor(np.minimum((time - grid[:, :1]) / settings.grid_s, count)).astype(np.intp) + 1
    cell = np.clip(after, 0, count) + (count + 1) * np.arange(swings)[:, None]
    arrived = np.bincount(cell.ravel(), minlength=swings * (count + 1)).reshape(swings, count + 1)
    return np.cumsum(arrived[:, :-1], axis=1)


def _first_onset(track: _Track, ratio: FloatArray, known: BoolArray, settings: OnsetSettings) -> FloatArray:
    """Log likelihood ratio against no shock, (S, P), that a sample is the first that the shock shows in."""
    smooth = np.where(known, _smooth(ratio, track.tail), 0.0)
    new = np.where(known, _new(ratio), 0.0)
    ringing = np.where(known, _smooth(ratio, settings.ring_tail), 0.0)
    more, gain = ringing - smooth, new - smooth
    step = track.surprise.step
    for later in range(1, min(max(round(settings.ring_length_s / step), 1), ratio.shape[1] - 1) + 1):
        chance = settings.ring_share * np.exp(-later * step / settings.ring_s)
        gain[:, :-later] += np.logaddexp(np.log(chance) + more[:, later:], np.log1p(-chance))
    return gain


@lru_cache(maxsize=256)
def _kernel(delay: float, spread: float, step: float) -> FloatArray:
    """Weights of true times around an arrival's: earlier by an exponential delay, and a normal error either way."""
    reach = min(int(np.ceil((5.0 * delay + 4.0 * spread) / step)), 150)
    shift = np.arange(-reach, reach + 1) * step
    normal = np.exp(-0.5 * (shift / max(spread, 0.3 * step)) ** 2)
    exponential = np.where(shift <= 0.0, np.exp(shift / max(delay, 1e-6)), 0.0)
    kernel = np.convolve(normal, exponential, mode="same")
    return np.asarray(kernel / kernel.sum())


def _sizes(tracks: Sequence[_Track], at: FloatArray, settings: OnsetSettings) -> list[dict[str, float]]:
    """For each swing and stream, natural log of the largest error within a ring's length from an onset on, in standard
    deviations; NaN where none is known.  at: (K,) s, the swings' onsets."""
    sizes: list[dict[str, float]] = [{} for _ in at]
    for track in tracks:
        surprise = track.surprise
        from_onset = surprise.time - at[surprise.swing, None]
        ring = (from_onset >= -surprise.step) & (from_onset < settings.ring_length_s) & surprise.known
        largest = np.where(ring, dot(surprise.error, surprise.error) / AXES, -np.inf).max(axis=1)
        size = np.where(ring.any(axis=1), 0.5 * np.log(np.maximum(largest, 1e-3)), np.nan)
        for k, value in zip(surprise.swing.tolist(), size.tolist(), strict=True):
            sizes[k][track.name] = value
    return sizes


def _second(tracks: Sequence[_Track], at: FloatArray, grid: FloatArray, settings: OnsetSettings) -> FloatArray:
    """Log likelihood ratio (K, G) that a further blow came at each time after the first one at `at` (K,)."""
    total = np.zeros(grid.shape)
    for track in tracks:
        surprise = track.surprise
        if surprise.tracked_point == CHEST or surprise.step > 0.0075:
            continue  # too far, or too coarse, to tell two blows apart
        begin = at[surprise.swing] - 0.5 * surprise.step
        rows = np.sum(surprise.time < begin[:, None], axis=1, keepdims=True)
        rows = rows + np.arange(round(1.2 * settings.ring_length_s / surprise.step))
        whole = rows[:, -1] < surprise.time.shape[1]
        rows = np.minimum(rows, surprise.time.shape[1] - 1)
        time, known = (np.take_along_axis(each, rows, axis=1) for each in (surprise.time, surprise.known))
        whole &= known.all(axis=1)
        swing, time, rows = surprise.swing[whole], time[whole], rows[whole]
        off = _off_line(np.take_along_axis(surprise.error[whole], rows[..., None], axis=1), settings)
        told = np.clip(_new(off) - _smooth(off, 2.0), *settings.second_limits)
        place = np.clip(_samples_before(time, grid[swing], settings), 2, time.shape[1] - 1)
        inside = (grid[swing] > time[:, 1:2]) & (grid[swing] <= time[:, -1:])
        total[swing] += np.where(inside, np.take_along_axis(told, place - 2, axis=1), settings.second_limits[0])
    return np.clip(total, *settings.second_limits)


def _off_line(error: FloatArray, settings: OnsetSettings) -> FloatArray:
    """How far errors (S, C, 3) from the onset on leave the line of those before, over how far they did before
    (S, C - 2)."""
    moments = np.cumsum(error[..., :, None] * error[..., None, :], axis=1)
    line = np.linalg.eigh(moments)[1][:, :-1, :, -1]
    along, energy = dot(error[:, 1:], line), dot(error, error)
    across = np.maximum(energy[:, 1:] - along**2, 0.0)
    largest = np.maximum.accumulate(energy, axis=1)
    before = np.maximum.accumulate(across, axis=1)[:, :-1] + settings.line_share**2 * largest[:, 1:-1] + 2.0 * AXES
    return np.asarray(np.sqrt(across[:, 1:] / before))
