"""Missing and clipped stretches, bridged by kriging, with the error that this leaves.

Angular velocity is taken as a smooth random function of time with a Gaussian covariance (Rasmussen & Williams 2006,
Gaussian Processes for Machine Learning, equations 2.23, 2.24 and 4.9). Its two settings are the time scale of a fast
arm and the local speed, so one matrix serves all stretches of one length. On peaks like those of a fast hand clipped
at 2000 °/s this leaves about a quarter of the error of a cubic through the flanks.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.sensors.columns import extremes, runs
from imuswing.sensors.columns import magnitude as row_magnitude
from imuswing.sensors.settings import SensorSettings

SPEED_TO_SD = 0.4
"""Standard deviation of the random function as a share of the local greatest speed: between what smooth peaks show
(0.2) and peaks with an impact in them (1 and more for short stretches, for which the next constant stands)."""

GAP_ROUGHNESS, CLIP_ROUGHNESS = 0.16, 0.8
"""What the smooth model leaves out adds to the mean's error: this share of the local speed a second of the stretch's
length. For gaps from an open recording of fast turning by hand; clipped stretches lie where the hand is fastest, near
the impact: from simulated swings with an impact in them (that recording alone would give 0.2)."""

CLIP_NOISE_RATIO = 0.002
"""Noise as a share of the speed beside clipped stretches."""

NOISE_RATIOS = (0.005, 0.05, 0.5)
"""Noise as a share of the local speed, in steps, so that few matrices are needed; the first also stands for what
the smooth model leaves out (vibration of skin and strap)."""


NEAR_LIMIT = 0.997
"""A sample above this share of a known full scale is at it (scale factors may have been applied afterwards)."""

FLAT_SAMPLES, SHOULDER = 3, 0.01
"""Where no full scale is known, so many equal samples in a row at the extreme are clipped, if the column is lower by
this share three samples beyond them."""

SAME = 1e-6
"""Relative difference under which two samples are the same number."""


@dataclass(frozen=True, kw_only=True)
class Bridged:
    """values: (N, 3), filled.  se: (N,) standard error of a filled sample (greatest axis), 0 elsewhere, constant over a
    stretch such that times its length it is the error of the integral.  unusable: (N,)."""

    values: FloatArray
    se: FloatArray
    unusable: BoolArray


@dataclass(frozen=True, kw_only=True)
class _Kriging:
    """weights: (L, K) from known samples to missing ones.  se: standard error of the mean over the stretch, as a share
    of the local speed."""

    weights: FloatArray
    se: float


@lru_cache(maxsize=1024)
def _kriging(
    known: tuple[int, ...], length: int, rate: float, scale_s: float, ratio: float, roughness: float
) -> _Kriging:
    """Weights for samples 0 … length - 1 from those at offsets `known`; ratio: noise / speed."""
    scale = scale_s * rate
    at = np.asarray(known, dtype=np.float64)
    inner = np.arange(length, dtype=np.float64)

    def covariance(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(np.exp(-0.5 * ((a[:, None] - b) / scale) ** 2))

    between = covariance(inner, at)
    weights = np.asarray(np.linalg.solve(covariance(at, at) + ratio**2 * np.eye(len(at)), between.T).T, np.float64)
    variance = float(covariance(inner, inner).sum() - (weights @ between.T).sum()) / length**2
    smooth = SPEED_TO_SD**2 * max(variance, 0.0)
    return _Kriging(weights=weights, se=float(np.sqrt(smooth + (roughness * length / rate) ** 2)))


def local_speed(values: FloatArray, where: IntArray, *, rate: float, reach_s: float) -> FloatArray:
    """(K,) greatest magnitude of (N, 3), finite, within about `reach_s` of samples `where` (K,)."""
    size = max(round(0.05 * rate), 1)
    peaks = np.maximum.reduceat(row_magnitude(values), np.arange(0, len(values), size))
    reach = max(round(reach_s * rate / size), 1)
    widened = np.lib.stride_tricks.sliding_window_view(np.pad(peaks, reach), 2 * reach + 1).max(axis=1)
    return np.asarray(widened[where // size])


def _flanks(known: BoolArray, first: int, last: int, wanted: int) -> IntArray:
    """Up to `wanted` known samples on either side of [first, last), not farther than three times as many samples."""
    low, high = max(first - 3 * wanted, 0), min(last + 3 * wanted, len(known))
    before = np.flatnonzero(known[low:first])[-wanted:] + low
    after = np.flatnonzero(known[last:high])[:wanted] + last
    return np.concatenate((before, after))


@lru_cache(maxsize=256)
def _plain_flanks(length: int, wanted: int) -> tuple[int, ...]:
    """Offsets of the `wanted` samples on either side of a gap that has no other gap near."""
    return (*range(-wanted, 0), *range(length, length + wanted))


def bridge_missing(
    values: FloatArray,
    missing: BoolArray,
    *,
    rate: float,
    noise: float,
    settings: SensorSettings,
    centred: bool,
    in_place: bool = False,
) -> Bridged:
    """Bridge missing rows of (N, 3), which are finite: filled with lines; noise: SD of a sample, in the values' unit.

    centred: the values vary about zero (angular velocity without bias), else about what they are on the flanks.
    in_place: `values` may be written to.
    """
    se = np.zeros(len(values))
    unusable = np.zeros(len(values), np.bool_)
    first, last = runs(missing)
    if len(first) == 0:
        return Bridged(values=values, se=se, unusable=unusable)
    out = np.array(values, copy=None if in_place else True)
    speed = np.maximum(local_speed(values, first, rate=rate, reach_s=settings.bridge_reach_s), noise)
    known = ~missing
    wanted = max(round(settings.bridge_flank_s * rate), 3)
    groups: dict[tuple[tuple[int, ...], int, float], list[tuple[int, float]]] = defaultdict(list)
    # Most gaps have no other near: their flanks need not be looked for.
    alone = (first - np.append(0, last[:-1]) >= wanted) & (np.append(first[1:], len(known)) - last >= wanted)
    for i, j, lonely, fast in zip(first.tolist(), last.tolist(), alone.tolist(), speed.tolist(), strict=True):
        if lonely and j - i <= settings.bridge_longest_s * rate:
            groups[(_plain_flanks(j - i, wanted), j - i, _ratio(noise, fast))].append((i, fast))
            continue
        flanks = _flanks(known, i, j, wanted)
        if not _two_sided(flanks, i, j) or j - i > settings.bridge_longest_s * rate:
            unusable[i:j] = True
            se[i:j] = max(fast, 1.0)
            continue
        groups[(tuple((flanks - i).tolist()), j - i, _ratio(noise, fast))].append((i, fast))
    for (offsets, length, ratio), gaps in groups.items():
        kriging = _kriging(offsets, length, rate, settings.bridge_scale_s, ratio, GAP_ROUGHNESS)
        begin = np.array([i for i, _ in gaps])
        inner = begin[:, None] + np.arange(length)
        flank_values = values[begin[:, None] + np.array(offsets)]
        centre = 0.0 if centred else flank_values.mean(axis=1, keepdims=True)
        out[inner] = np.einsum("lk,gkc->glc", kriging.weights, flank_values - centre) + centre
        error = kriging.se * np.array([fast for _, fast in gaps])
        se[inner] = error[:, None]
        unusable[inner] = (error * length / rate > np.radians(settings.bridge_worst_deg))[:, None]
    return Bridged(values=out, se=se, unusable=unusable)


def _ratio(noise: float, speed: float) -> float:
    return next((ratio for ratio in NOISE_RATIOS if noise <= ratio * speed), NOISE_RATIOS[-1])


def fill_with_lines(values: FloatArray, missing: BoolArray) -> FloatArray:
    """Missing rows of (N, 3) filled by straight lines, ends held, zero where nothing is known; itself if complete."""
    if not missing.any():
        return values
    out = np.array(values)
    if missing.all():
        return np.zeros_like(out)
    first, last = runs(missing)
    if missing[0]:
        out[: last[0]] = values[last[0]]
    if missing[-1]:
        out[first[-1] :] = values[first[-1] - 1]
    inner = (first > 0) & (last < len(missing))
    first, last = first[inner], last[inner]
    length = last - first
    place = np.arange(int(length.sum())) - np.repeat(np.cumsum(length) - length, length)
    before, rise = values[first - 1], (values[last] - values[first - 1]) / (length + 1)[:, None]
    out[np.repeat(first, length) + place] = np.repeat(before, length, axis=0) + (place + 1.0)[:, None] * np.repeat(
        rise, length, axis=0
    )
    return out


def clip_masks(
    values: FloatArray, *, limit: float | None, least: float, averaged: bool
) -> tuple[BoolArray, float | None]:
    """Where each axis of (N, 3) is at its limit, (N, 3), and the limit found, None where there is none.

    limit: full scale if it is known. Otherwise, and besides, the axis' own extreme counts where it stands exactly
    three samples or more in a row, since noise lets no sample repeat there. least: no full scale is under this.
    averaged: samples are means, so that the ones beside a clipped one are spoilt as well.
    """
    masks = np.zeros(values.shape, np.bool_)
    found: list[float] = []
    least_of, most_of = extremes(values)
    for axis in range(values.shape[1]):
        column = values[:, axis]
        for sign, end in ((1.0, float(most_of[axis])), (-1.0, float(least_of[axis]))):
            level = _level(column, sign, sign * end, limit, least)
            if level is not None:
                masks[:, axis] |= _beyond(column, sign, level)
                found.append(sign * end)
    if averaged and found:
        masks[1:] |= masks[:-1].copy()
        masks[:-1] |= masks[1:].copy()
    return masks, (max(found) if found else None)


def _level(column: FloatArray, sign: float, extreme: float, limit: float | None, least: float) -> float | None:
    """From which value on a column, times `sign`, is at its limit; extreme: its largest value then, 0 or more."""
    if limit is not None and NEAR_LIMIT * limit <= extreme <= limit / NEAR_LIMIT:
        return NEAR_LIMIT * limit
    if extreme < least:
        return None
    first, last = runs(_beyond(column, sign, extreme * (1.0 - SAME)))
    # A slow peak may show three equal samples too, but it is round: a clipped one has shoulders.
    before, after = (
        sign * column[beside] for beside in (np.maximum(first - 3, 0), np.minimum(last + 2, len(column) - 1))
    )
    shoulders = np.fmax(before, after) < extreme * (1.0 - SHOULDER)
    return extreme * (1.0 - SAME) if np.any(shoulders & (last - first >= FLAT_SAMPLES)) else None


def _beyond(column: FloatArray, sign: float, level: float) -> BoolArray:
    """Where a column, times `sign`, is at a level or beyond."""
    return np.asarray(column >= level if sign > 0.0 else column <= -level)


def bridge_clipped(
    values: FloatArray, masks: BoolArray, *, rate: float, settings: SensorSettings, in_place: bool = False
) -> Bridged:
    """Replace clipped samples of (N, 3) that vary about zero by a bridge that stays beyond them; masks: (N, 3).

    in_place: `values` may be written to.
    """
    se = np.zeros(len(values))
    unusable = np.zeros(len(values), np.bool_)
    if not masks.any():
        return Bridged(values=values, se=se, unusable=unusable)
    out = np.array(values, copy=None if in_place else True)
    wanted = max(round(settings.clip_flank_s * rate), 3)
    for axis in range(values.shape[1]):
        column = values[:, axis]
        first, last = runs(masks[:, axis])
        known = ~masks[:, axis]
        for i, j in zip(first.tolist(), last.tolist(), strict=True):
            flanks = _flanks(known, i, j, wanted)
            peak = float(np.max(np.abs(column[i:j])))
            if not _two_sided(flanks, i, j) or j - i > settings.clip_longest_s * rate:
                unusable[i:j] = True
                se[i:j] = np.maximum(se[i:j], peak)
                continue
            offsets = tuple((flanks - i).tolist())
            kriging = _kriging(offsets, j - i, rate, settings.clip_scale_s, CLIP_NOISE_RATIO, CLIP_ROUGHNESS)
            sign = 1.0 if column[i:j].sum() > 0.0 else -1.0
            fitted = sign * (kriging.weights @ column[flanks])
            # The sensor says that it was at least this fast.
            out[i:j, axis] = sign * np.clip(fitted, sign * column[i:j], settings.clip_highest * peak)
            error = kriging.se * float(np.max(np.abs(out[i:j, axis])))
            se[i:j] = np.maximum(se[i:j], error)
            unusable[i:j] |= error * (j - i) / rate > np.radians(settings.bridge_worst_deg)
    return Bridged(values=out, se=se, unusable=unusable)


def _two_sided(flanks: IntArray, first: int, last: int) -> bool:
    return len(flanks) > 0 and bool(flanks[0] < first) and bool(flanks[-1] >= last)
