"""Stillness, noise and gyroscope bias of one sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.sensors.settings import SensorSettings

BLOCK_S = 0.05
"""Length of the blocks whose sums everything here is made of."""

CALM_SHARE = 0.05
"""Share of the recording, its calmest, from which the sensor's noise is taken."""


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Still stretches of one sensor: samples [first, last) and what it read in each.

    first, last: (S,).  gyr, acc: (S, 3) means, rad/s and m/s².  gyr_sd: (S,) within, rad/s.
    """

    first: IntArray
    last: IntArray
    gyr: FloatArray
    acc: FloatArray
    gyr_sd: FloatArray


@dataclass(frozen=True, kw_only=True)
class Rest:
    """What a sensor shows at rest.

    still: (N,).  stretches: of it.  gyr_noise, acc_noise: SD of a sample, rad/s and m/s².
    """

    still: BoolArray
    stretches: Stretch
    gyr_noise: float
    acc_noise: float


def _block_sums(values: FloatArray, size: int) -> tuple[FloatArray, FloatArray]:
    """Sums and sums of squares (B, 3) of blocks of `size` samples; the tail that fills no block is left out."""
    blocks = len(values) // size
    cut = values[: blocks * size].reshape(blocks, size, values.shape[1])
    return cut.sum(axis=1), np.einsum("bsc,bsc->bc", cut, cut)


def _window_variance(sums: FloatArray, squares: FloatArray, size: int, width: int) -> FloatArray:
    """Greatest axis' variance (B - width + 1,) within windows of `width` blocks."""
    n = size * width
    total = _moving(sums, width)
    variance = (_moving(squares, width) - total * total / n) / max(n - 1, 1)
    return np.asarray(np.maximum(variance, 0.0).max(axis=1))


def _moving(values: FloatArray, width: int) -> FloatArray:
    """Sums over `width` successive rows."""
    running = np.concatenate((np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)))
    return running[width:] - running[:-width]


def find_rest(gyr: FloatArray, acc: FloatArray, bad: BoolArray, *, rate: float, settings: SensorSettings) -> Rest:
    """Still stretches and noise of gyr and acc (N, 3), rad/s and m/s², whose bias need not be known; bad: (N,)."""
    size = max(round(BLOCK_S * rate), 1)
    width = max(int(np.ceil(settings.still_shortest_s * rate / size)), 2)
    count = len(gyr)
    if count < size * width:
        return _no_rest(count)
    gyr_sums, gyr_squares = _block_sums(gyr - np.median(gyr[:: max(count // 1000, 1)], axis=0), size)
    acc_sums, acc_squares = _block_sums(acc - np.median(acc[:: max(count // 1000, 1)], axis=0), size)
    gyr_variance = _window_variance(gyr_sums, gyr_squares, size, width)
    acc_variance = _window_variance(acc_sums, acc_squares, size, width)
    bad_blocks = bad[: len(gyr_sums) * size].reshape(-1, size).any(axis=1)
    usable: BoolArray = np.asarray(_moving(bad_blocks[:, None].astype(np.float64), width)[:, 0] == 0.0)
    if not usable.any():
        return _no_rest(count)
    gyr_noise = float(np.sqrt(np.quantile(gyr_variance[usable], CALM_SHARE)))
    acc_noise = float(np.sqrt(np.quantile(acc_variance[usable], CALM_SHARE)))
    gyr_limit = max(
        np.radians(settings.still_gyr_sd_dps), min(settings.still_noise_factor * gyr_noise, np.radians(5.0))
    )
    acc_limit = max(settings.still_acc_sd_mps2, min(settings.still_noise_factor * acc_noise, 0.6))
    calm = usable & (gyr_variance < gyr_limit**2) & (acc_variance < acc_limit**2)
    blocks = _spread(calm, width)
    stretches = _stretches(blocks, size, gyr, acc)
    stretches = _not_turning(stretches, settings)
    still = np.zeros(count, dtype=np.bool_)
    for first, last in zip(stretches.first, stretches.last, strict=True):
        still[first:last] = True
    return Rest(still=still, stretches=stretches, gyr_noise=gyr_noise, acc_noise=acc_noise)


def _no_rest(count: int) -> Rest:
    none = Stretch(
        first=np.zeros(0, np.intp),
        last=np.zeros(0, np.intp),
        gyr=np.zeros((0, 3)),
        acc=np.zeros((0, 3)),
        gyr_sd=np.zeros(0),
    )
    return Rest(still=np.zeros(count, np.bool_), stretches=none, gyr_noise=0.0, acc_noise=0.0)


def _spread(calm: BoolArray, width: int) -> BoolArray:
    """Blocks (B,) that lie in at least one calm window (B - width + 1,)."""
    padded = np.concatenate((np.zeros(width, np.intp), np.cumsum(calm), np.full(width - 1, calm.sum(), np.intp)))
    return np.asarray(padded[width:] - padded[:-width] > 0)


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First and one-past-last index of each run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return edges[::2], edges[1::2]


def _stretches(blocks: BoolArray, size: int, gyr: FloatArray, acc: FloatArray) -> Stretch:
    first, last = runs(blocks)
    first, last = first * size, last * size
    spans = list(zip(first, last, strict=True))
    empty = np.zeros((0, 3))
    return Stretch(
        first=first,
        last=last,
        gyr=np.array([gyr[i:j].mean(axis=0) for i, j in spans]) if spans else empty,
        acc=np.array([acc[i:j].mean(axis=0) for i, j in spans]) if spans else empty,
        gyr_sd=np.array([gyr[i:j].std(axis=0).max() for i, j in spans]),
    )


def _not_turning(stretches: Stretch, settings: SensorSettings) -> Stretch:
    """The stretches whose mean rate is that of the calmest ones: the others turn steadily."""
    if len(stretches.first) == 0:
        return stretches
    weight = (stretches.last - stretches.first) / np.maximum(stretches.gyr_sd, 1e-6) ** 2
    centre = np.array([_weighted_median(stretches.gyr[:, axis], weight) for axis in range(3)])
    keep = np.linalg.norm(stretches.gyr - centre, axis=1) < np.radians(settings.still_turn_dps)
    return Stretch(**{name: getattr(stretches, name)[keep] for name in ("first", "last", "gyr", "acc", "gyr_sd")})


def _weighted_median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(cumulated, 0.5 * cumulated[-1])])
