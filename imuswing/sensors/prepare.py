"""From a recording's raw streams to trustworthy motion on one clock, and what was found on the way."""

from __future__ import annotations

import numpy as np

from imuswing.errors import RecordingError
from imuswing.recording.model import FloatArray, Recording, SensorStream
from imuswing.sensors.grid import even_grid, resample, resample_means, true_jitter
from imuswing.sensors.increments import instants_from_means, interval_means, rotation_vectors
from imuswing.sensors.motion import Motion, Prepared, SensorReport, Warning
from imuswing.sensors.settings import DEFAULT_SETTINGS, SensorSettings
from imuswing.sensors.stillness import find_rest

__all__ = ["SensorSettings", "prepare"]


def prepare(recording: Recording, *, settings: SensorSettings = DEFAULT_SETTINGS) -> Prepared:
    """Each sensor's motion on the common clock, with numbers and findings about it."""
    motions: dict[str, Motion] = {}
    reports: dict[str, SensorReport] = {}
    warnings: list[Warning] = []
    for point, stream in recording.sensors.items():
        motions[point], reports[point] = _prepare_one(stream, settings)
    if not motions:
        raise RecordingError(recording.source, "it holds no sensor", "record again with at least the chest sensor on")
    return Prepared(motions=motions, reports=reports, warnings=tuple(warnings))


def _prepare_one(stream: SensorStream, settings: SensorSettings) -> tuple[Motion, SensorReport]:
    grid = even_grid(stream.time, nominal_rate=stream.rate)
    gyr, acc = grid.place(stream.gyr), grid.place(stream.acc)
    lost = ~(np.isfinite(gyr.sum(axis=1)) & np.isfinite(acc.sum(axis=1)))
    gyr, acc = _fill(gyr), _fill(acc)
    if grid.late is not None and true_jitter(np.where(lost[:, None], np.nan, gyr), grid.late):
        fit = resample_means if stream.sample_meaning == "mean" else resample
        gyr, acc = fit(gyr, grid.late), fit(acc, grid.late)
    rest = find_rest(gyr, acc, lost, rate=grid.rate, settings=settings)
    weight = (rest.stretches.last - rest.stretches.first) / np.maximum(rest.stretches.gyr_sd, 1e-6) ** 2
    bias = np.average(rest.stretches.gyr, axis=0, weights=weight) if len(weight) else np.zeros(3)
    bias_se = float(rest.gyr_noise / np.sqrt(max(rest.still.sum(), 1)))
    gyr = gyr - bias
    means = gyr if stream.sample_meaning == "mean" else interval_means(gyr)
    if stream.sample_meaning == "mean":
        gyr, acc = instants_from_means(gyr), instants_from_means(acc)
    count = grid.count
    motion = Motion(
        tracked_point=stream.tracked_point,
        rate=grid.rate,
        time=grid.time,
        gyr=gyr,
        acc=acc,
        mag=None if stream.mag is None else _fill(grid.place(stream.mag)),
        increments=rotation_vectors(gyr, means, step=1.0 / grid.rate),
        lost=lost,
        clipped=np.zeros(count, np.bool_),
        acc_clipped=np.zeros(count, np.bool_),
        unusable=np.zeros(count, np.bool_),
        still=rest.still,
        gyr_noise=rest.gyr_noise,
        acc_noise=rest.acc_noise,
        gyr_se=np.full(count, rest.gyr_noise),
        bias=bias,
        bias_se=bias_se,
    )
    gravity = np.linalg.norm(rest.stretches.acc, axis=1)
    dps = np.degrees(bias)
    report = SensorReport(
        rate_hz=grid.rate,
        nominal_rate_hz=stream.rate,
        samples=count,
        still_s=float(rest.still.sum() / grid.rate),
        lost_samples=int(lost.sum()),
        clipped_samples=0,
        acc_clipped_samples=0,
        unusable_samples=0,
        longest_gap_s=0.0,
        gyro_bias_dps=(float(dps[0]), float(dps[1]), float(dps[2])) if len(weight) else None,
        gyro_bias_drift_dps=0.0,
        gyro_bias_se_dps=float(np.degrees(bias_se)),
        gyro_noise_dps=float(np.degrees(rest.gyr_noise)),
        acc_noise_mps2=rest.acc_noise,
        gravity_mps2=float(np.median(gravity)) if len(weight) else None,
        turn_mismatch_deg=None,
        clock_offset_s=0.0,
        clock_drift_ppm=0.0,
        clock_drift_se_ppm=0.0,
        clock_se_s=0.0,
        clock_source="reference",
    )
    return motion, report


def _fill(values: FloatArray) -> FloatArray:
    """Missing rows bridged by straight lines."""
    known = np.isfinite(values.sum(axis=1))
    if known.all():
        return values
    at = np.arange(len(values))
    out = values.copy()
    for axis in range(values.shape[1]):
        out[~known, axis] = np.interp(at[~known], at[known], values[known, axis])
    return out
