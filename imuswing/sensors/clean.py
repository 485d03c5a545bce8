"""One sensor's stream made even, complete and free of bias, on its own clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, SensorStream
from imuswing.sensors.bias import Bias, estimate_bias
from imuswing.sensors.bridge import Bridged, bridge_clipped, bridge_missing, clip_masks, fill_with_lines
from imuswing.sensors.columns import any_column, finite_rows, runs
from imuswing.sensors.glitches import glitched_rows
from imuswing.sensors.grid import Grid, even_grid, resample, resample_means, true_jitter
from imuswing.sensors.increments import instants_from_means, interval_means
from imuswing.sensors.settings import SensorSettings
from imuswing.sensors.stillness import Rest, find_rest

GUESSED_GYR_NOISE = np.radians(0.1)
GUESSED_ACC_NOISE = 0.05
"""rad/s and m/s²; for a sensor that is never still (common practice, no source)."""

LEAST_GYR_RANGE = np.radians(200.0)
LEAST_ACC_RANGE = 15.0
"""rad/s and m/s²; no sensor has a full scale under this (the smallest in trade are 245 °/s and 2 g; from memory)."""


@dataclass(frozen=True, kw_only=True)
class Clean:
    """One sensor on an even grid of its own clock.

    start, rate: s, Hz.  gyr, acc: (N, 3) instants, bridged, gyr without bias; mag: (N, 3) or None.
    means: (N, 3) of gyr over the interval before each sample.  acc_rows: (N, 3) of acc as the samples mean it.
    lost: (N,) missing, repeated or wrong.  clipped, acc_clipped, unusable: (N,).  gyr_se: (N,) rad/s.
    gyr_noise, acc_noise: rad/s, m/s².
    frozen: count of samples that repeat the one before, taken for lost.  jittered: the rows were taken unevenly.
    gyr_limit, acc_limit: full scales at which samples were found clipped, None without any.
    """

    stream: SensorStream
    start: float
    rate: float
    gyr: FloatArray
    acc: FloatArray
    mag: FloatArray | None
    means: FloatArray
    acc_rows: FloatArray
    lost: BoolArray
    clipped: BoolArray
    acc_clipped: BoolArray
    unusable: BoolArray
    gyr_se: FloatArray
    gyr_noise: float
    acc_noise: float
    rest: Rest
    bias: Bias
    frozen: int
    jittered: bool
    gyr_limit: float | None
    acc_limit: float | None

    @property
    def time(self) -> FloatArray:
        """(N,) s on the sensor's own clock."""
        return self.start + np.arange(len(self.gyr)) / self.rate


def frozen_rows(stream: SensorStream, settings: SensorSettings) -> BoolArray:
    """Rows (N,) in which all six channels repeat the row before: a recorder's way of writing lost samples.

    They count in motion; else only where a jump follows or where they go on to the end of a sensor that has noise.
    """
    same = np.zeros(len(stream.time), np.bool_)
    if len(same) > 1:
        # Column by column, and only where the columns before say so: all six at once would take ten times as long.
        same[1:] = stream.gyr[1:, 0] == stream.gyr[:-1, 0]
        again = np.flatnonzero(same)
        same[again] = np.all(stream.gyr[again] == stream.gyr[again - 1], axis=1)
        again = np.flatnonzero(same)
        same[again] = np.all(stream.acc[again] == stream.acc[again - 1], axis=1)
    first, last = runs(same)
    if len(first) == 0:
        return same
    speed = np.max(np.abs(stream.gyr[first]), axis=1)
    after = np.minimum(last, len(same) - 1)
    turned = np.max(np.abs(stream.gyr[after] - stream.gyr[first]), axis=1)
    pushed = np.max(np.abs(stream.acc[after] - stream.acc[first]), axis=1)
    moving = speed > np.radians(settings.frozen_moving_dps)
    jump = (turned > np.radians(settings.frozen_jump_dps)) | (pushed > settings.frozen_jump_mps2)
    length = last - first
    jump[-1] |= bool(last[-1] == len(same)) and float(length[-1]) > settings.frozen_end_s * stream.rate
    # A sensor that often repeats itself without such signs has no noise, and then they say nothing either.
    noisy = int(length[~(moving | jump)].sum()) < settings.frozen_rare * len(same)
    frozen = moving | jump if noisy else moving
    for i, j in zip(first[~frozen].tolist(), last[~frozen].tolist(), strict=True):
        same[i:j] = False
    return same


def clean(stream: SensorStream, *, grid: Grid | None = None, settings: SensorSettings) -> Clean:
    """Grid, gaps, clipping, bias, jitter and the meaning of samples, in the order in which each needs the last.

    grid: the stream's grid, where it is known already.
    """
    grid = grid or even_grid(stream.time, nominal_rate=stream.rate)
    time = grid.time
    averaged = stream.sample_meaning == "mean"
    frozen = frozen_rows(stream, settings)
    gyr_masks, gyr_limit = clip_masks(stream.gyr, limit=stream.gyr_range, least=LEAST_GYR_RANGE, averaged=averaged)
    acc_masks, acc_limit = clip_masks(stream.acc, limit=stream.acc_range, least=LEAST_ACC_RANGE, averaged=averaged)
    gyr, acc = grid.place(stream.gyr), grid.place(stream.acc)
    gyr_masks, acc_masks = grid.place_mask(gyr_masks), grid.place_mask(acc_masks)
    wrong = grid.place_mask(np.stack((frozen, glitched_rows(stream.gyr, settings=settings)), axis=1))
    held = wrong.any(axis=1)
    gyr_missing, acc_missing = ~finite_rows(gyr) | held, ~finite_rows(acc) | held
    lost, clipped, acc_clipped = gyr_missing | acc_missing, any_column(gyr_masks), any_column(acc_masks)

    gyr, acc = fill_with_lines(gyr, gyr_missing), fill_with_lines(acc, acc_missing)
    rest = find_rest(gyr, acc, lost | clipped, rate=grid.rate, settings=settings)
    gyr_noise = rest.gyr_noise if rest.gyr_noise is not None else GUESSED_GYR_NOISE
    acc_noise = rest.acc_noise if rest.acc_noise is not None else GUESSED_ACC_NOISE
    bias = estimate_bias(rest.stretches, time, noise=rest.gyr_noise, rate=grid.rate, settings=settings)
    gyr = bias.take_from(gyr, time)

    # Without its bias gyr is an array of our own.
    filled = bridge_missing(
        gyr, gyr_missing, rate=grid.rate, noise=gyr_noise, settings=settings, centred=True, in_place=True
    )
    topped = bridge_clipped(filled.values, gyr_masks, rate=grid.rate, settings=settings, in_place=True)
    acc_filled = _bridge_acc(acc, acc_missing, acc_masks, rate=grid.rate, noise=acc_noise, settings=settings)
    gyr, acc, jittered = _on_grid(topped.values, acc_filled.values, grid, lost, averaged)
    means = gyr if averaged else interval_means(gyr)
    acc_rows = acc
    if averaged:
        gyr, acc = instants_from_means(gyr), instants_from_means(acc)
    return Clean(
        stream=stream,
        start=grid.start,
        rate=grid.rate,
        gyr=gyr,
        acc=acc,
        mag=None if stream.mag is None else _fill_mag(grid.place(stream.mag)),
        means=means,
        acc_rows=acc_rows,
        lost=lost,
        clipped=clipped,
        acc_clipped=acc_clipped,
        unusable=filled.unusable | topped.unusable | acc_filled.unusable,
        gyr_se=np.sqrt(gyr_noise**2 + filled.se**2 + topped.se**2),
        gyr_noise=gyr_noise,
        acc_noise=acc_noise,
        rest=rest,
        bias=bias,
        frozen=int(wrong[:, 0].sum()),
        jittered=jittered,
        gyr_limit=gyr_limit,
        acc_limit=acc_limit,
    )


def _bridge_acc(
    acc: FloatArray, missing: BoolArray, masks: BoolArray, *, rate: float, noise: float, settings: SensorSettings
) -> Bridged:
    """Missing and clipped samples of the accelerometer; of a shock's clipped top nothing can be known: it is left."""
    filled = bridge_missing(acc, missing, rate=rate, noise=noise, settings=settings, centred=False)
    unusable = np.zeros(len(acc), np.bool_)
    if not masks.any() and not missing.any():
        return filled
    first, last = runs(missing)
    for i, j in zip(first.tolist(), last.tolist(), strict=True):
        unusable[i:j] = j - i > settings.bridge_longest_s * rate
    masks = masks.copy()
    for axis in range(3):
        first, last = runs(masks[:, axis])
        for i, j in zip(first.tolist(), last.tolist(), strict=True):
            masks[i:j, axis] = j - i > settings.shock_longest_s * rate
    topped = bridge_clipped(filled.values, masks, rate=rate, settings=settings, in_place=filled.values is not acc)
    return Bridged(values=topped.values, se=filled.se + topped.se, unusable=unusable)


def _on_grid(
    gyr: FloatArray, acc: FloatArray, grid: Grid, lost: BoolArray, averaged: bool
) -> tuple[FloatArray, FloatArray, bool]:
    """The values at the even times, if the rows were truly taken at other ones, and whether they were."""
    if grid.late is None or not true_jitter(np.where(lost[:, None], np.nan, gyr), grid.late):
        return gyr, acc, False
    fit = resample_means if averaged else resample
    return fit(gyr, grid.late), fit(acc, grid.late), True


def _fill_mag(mag: FloatArray) -> FloatArray:
    return fill_with_lines(mag, ~finite_rows(mag))
