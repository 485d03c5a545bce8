"""Stillness and noise of one sensor, found without knowing its bias."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray
from imuswing.sensors.columns import block_sums, runs, span_sums
from imuswing.sensors.settings import SensorSettings

BLOCK_S = 0.05
"""Length of the blocks whose sums everything here is made of: stillness begins and ends on their edges."""

CHUNK_BLOCKS = 512
"""So many blocks are summed at a time, so that what is between stays in the processor's cache."""

CALM_SHARE = 0.05
"""Share of the recording, its calmest, that shows how still this person and sensor can be."""

NOISE_SHARE = 0.1
"""Share of the still time, its calmest, that shows the sensor's own noise best."""


@dataclass(frozen=True, kw_only=True)
class Stretches:
    """Still stretches of one sensor: samples [first, last), and what it read in each.

    first, last: (S,).  gyr, acc: (S, 3) means, rad/s and m/s².  gyr_sd: (S,) within, mean of the axes, rad/s.
    """

    first: IntArray
    last: IntArray
    gyr: FloatArray
    acc: FloatArray
    gyr_sd: FloatArray

    def __len__(self) -> int:
        return len(self.first)

    def take(self, which: BoolArray) -> Stretches:
        """Those that `which` (S,) marks."""
        return Stretches(
            first=self.first[which],
            last=self.last[which],
            gyr=self.gyr[which],
            acc=self.acc[which],
            gyr_sd=self.gyr_sd[which],
        )


@dataclass(frozen=True, kw_only=True)
class Rest:
    """still: (N,).  stretches: of it.  gyr_noise, acc_noise: SD of a sample at rest, rad/s and m/s², or None."""

    still: BoolArray
    stretches: Stretches
    gyr_noise: float | None
    acc_noise: float | None


def find_rest(gyr: FloatArray, acc: FloatArray, bad: BoolArray, *, rate: float, settings: SensorSettings) -> Rest:
    """Still stretches and noise of gyr and acc (N, 3), rad/s and m/s², finite; bad: (N,) samples not to be believed.

    Stillness is little variance within a window on all axes of both; a stretch that turns steadily is not still.
    """
    count = len(gyr)
    size = max(round(BLOCK_S * rate), 1)
    width = max(int(np.ceil(settings.still_shortest_s * rate / size)), 2)
    if count < size * width:
        return _no_rest(count)
    spoilt = block_sums(bad[:, None].astype(np.float64), size)
    usable = np.flatnonzero(_moving(spoilt, width) == 0.0)
    if len(usable) == 0:
        return _no_rest(count)
    gyr_blocks, acc_blocks = _Blocks.of(gyr, size), _Blocks.of(acc, size)
    gyr_mean, gyr_variance = _windows(gyr_blocks, width)
    _, acc_variance = _windows(acc_blocks, width)
    usual, most = np.radians(settings.still_gyr_sd_dps), np.radians(settings.still_gyr_most_dps)
    gyr_limit = _limit(gyr_variance[usable], usual, most, settings)
    acc_limit = _limit(acc_variance[usable], settings.still_acc_sd_mps2, settings.still_acc_most_mps2, settings)
    calm = np.zeros(len(gyr_variance), np.bool_)
    calm[usable] = (gyr_variance[usable] < gyr_limit**2) & (acc_variance[usable] < acc_limit**2)
    calm &= _not_turning(gyr_mean, gyr_variance, calm, settings)
    blocks = _spread(calm, width)
    stretches = _stretches(blocks, gyr_blocks, acc_blocks)
    still = np.zeros(count, np.bool_)
    still[: len(blocks) * size] = np.repeat(blocks, size)
    gyr_noise = _noise(gyr, stretches) if len(stretches) else None
    acc_noise = _noise(acc, stretches) if len(stretches) else None
    return Rest(still=still, stretches=stretches, gyr_noise=gyr_noise, acc_noise=acc_noise)


def _no_rest(count: int) -> Rest:
    none, rows = np.zeros(0, np.intp), np.zeros((0, 3))
    empty = Stretches(first=none, last=none, gyr=rows, acc=rows, gyr_sd=np.zeros(0))
    return Rest(still=np.zeros(count, np.bool_), stretches=empty, gyr_noise=None, acc_noise=None)


@dataclass(frozen=True, kw_only=True)
class _Blocks:
    """Sums over blocks of `size` samples of values and their squares, (B, 3) each, about a `typical` value (3,): sums
    of squares of large offsets would lose digits."""

    size: int
    typical: FloatArray
    sums: FloatArray
    squares: FloatArray

    @classmethod
    def of(cls, values: FloatArray, size: int) -> _Blocks:
        typical = np.median(values[:: max(len(values) // 1000, 1)], axis=0)
        sums = np.empty((len(values) // size, 3))
        squares = np.empty_like(sums)
        whole = np.tile(typical, size)
        for first in range(0, len(sums), CHUNK_BLOCKS):
            last = min(first + CHUNK_BLOCKS, len(sums))
            # Whole blocks at a time: subtracting three numbers from each row would take three times as long.
            about = values[first * size : last * size].reshape(-1, 3 * size) - whole
            about = about.reshape(-1, 3)
            sums[first:last] = block_sums(about, size)
            about *= about
            squares[first:last] = block_sums(about, size)
        return cls(size=size, typical=typical, sums=sums, squares=squares)


def _windows(blocks: _Blocks, width: int) -> tuple[FloatArray, FloatArray]:
    """Means (W, 3) and the greatest axis' variances (W,) in windows of `width` blocks, one window a block."""
    n = blocks.size * width
    total = _moving(blocks.sums, width)
    variance = (_moving(blocks.squares, width) - total * total / n) / max(n - 1, 1)
    greatest = np.maximum(np.maximum(variance[:, 0], variance[:, 1]), np.maximum(variance[:, 2], 0.0))
    return total / n + blocks.typical, np.asarray(greatest)


def _not_turning(mean: FloatArray, variance: FloatArray, calm: BoolArray, settings: SensorSettings) -> BoolArray:
    """(W,) windows whose mean rate (W, 3) is near that of the calmest: the others turn steadily."""
    if not calm.any():
        return calm
    weight = 1.0 / np.maximum(variance[calm], 1e-12)
    centre = np.array([_weighted_quantile(mean[calm, axis], weight, 0.5) for axis in range(3)])
    away = mean - centre
    return np.asarray(np.einsum("wc,wc->w", away, away) < np.radians(settings.still_turn_dps) ** 2)


def _moving(values: FloatArray, width: int) -> FloatArray:
    """Sums (B - width + 1, M) over `width` successive rows of (B, M)."""
    running = np.concatenate((np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)))
    return np.asarray(running[width:] - running[:-width])


def _limit(variance: FloatArray, usual: float, most: float, settings: SensorSettings) -> float:
    """Standard deviation under which a window is calm: the usual one, or more where sensor or person tremble more."""
    floor = float(np.sqrt(np.quantile(variance, CALM_SHARE)))
    return max(usual, min(settings.still_floor_factor * floor, most))


def _spread(calm: BoolArray, width: int) -> BoolArray:
    """Blocks (W + width - 1,) that lie in at least one calm window (W,)."""
    padding = np.zeros(width - 1)
    windows = np.concatenate((padding, calm.astype(np.float64), padding))
    return np.asarray(_moving(windows[:, None], width)[:, 0] > 0.0)


def _stretches(still: BoolArray, gyr: _Blocks, acc: _Blocks) -> Stretches:
    """Stretches of still blocks (B,)."""
    first, last = runs(still)
    count = ((last - first) * gyr.size)[:, None]
    gyr_mean, acc_mean = (span_sums(blocks.sums, first, last) / count for blocks in (gyr, acc))
    variance = np.maximum(span_sums(gyr.squares, first, last) / count - gyr_mean * gyr_mean, 0.0)
    return Stretches(
        first=first * gyr.size,
        last=last * gyr.size,
        gyr=gyr_mean + gyr.typical,
        acc=acc_mean + acc.typical,
        gyr_sd=np.sqrt(variance.mean(axis=1)),
    )


def _weighted_quantile(values: FloatArray, weight: FloatArray, share: float) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(cumulated, share * cumulated[-1])])


def _noise(values: FloatArray, stretches: Stretches) -> float:
    """SD of a sample of (N, 3), from second differences in the calmest still stretches: tremor hardly shows in them."""
    # Stretch after stretch in one array; the two differences across each seam belong to none.
    length = stretches.last - stretches.first
    start = np.cumsum(length) - length
    rows = np.arange(int(length.sum())) + np.repeat(stretches.first - start, length)
    still = values.take(rows, axis=0)
    difference = still[2:] - 2.0 * still[1:-1] + still[:-2]
    squares = np.einsum("nc,nc->n", difference, difference)
    variances = span_sums(squares, start, start + length - 2) / (3.0 * (length - 2) * 6.0)
    return float(np.sqrt(_weighted_quantile(variances, length.astype(np.float64), NOISE_SHARE)))
