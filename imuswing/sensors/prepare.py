"""From a recording's raw streams to trustworthy motion on one clock, and what was found on the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from imuswing.errors import RecordingError
from imuswing.recording.model import FloatArray, Recording, SensorStream
from imuswing.sensors.checks import (
    about_all,
    about_clocks,
    about_sensor,
    about_steps,
    dead,
    misread,
    refuse_wrong_units,
    unsteady,
)
from imuswing.sensors.clean import Clean, clean
from imuswing.sensors.clock_steps import MOST_LOOKS, Step, find_step, joined_steps, stepped, unsteady_points
from imuswing.sensors.clocks import ClockLine, align
from imuswing.sensors.columns import runs
from imuswing.sensors.grid import Grid, even_grid
from imuswing.sensors.increments import rotation_vectors
from imuswing.sensors.motion import Motion, Prepared, SensorReport, Warning
from imuswing.sensors.settings import DEFAULT_SETTINGS, SensorSettings
from imuswing.sensors.swaps import find_swap
from imuswing.sensors.turning import Turning, check_turning

__all__ = ["SensorSettings", "prepare"]


def prepare(
    recording: Recording,
    *,
    settings: SensorSettings = DEFAULT_SETTINGS,
    clocks: Mapping[str, ClockLine] | None = None,
) -> Prepared:
    """Each sensor's motion on the clock of the first tracking system, with numbers and findings about it.

    clocks: by tracking system, where they are known already; None has them aligned by the data.
    A sensor that gives nothing, or that is certainly put on or read wrongly, is left out, with a warning. Raises
    `RecordingError` if none is left or if a unit is certainly wrong.
    """
    faults: list[Warning] = []
    warnings: list[Warning] = []
    sensors: dict[str, Clean] = {}
    grids: dict[str, tuple[FloatArray, Grid]] = {}
    for point, stream in recording.sensors.items():
        fault = dead(stream)
        if fault is None:
            sensors[point] = clean(stream, grid=_shared_grid(stream, grids), settings=settings)
        else:
            faults.append(fault)
    if not sensors:
        raise _nothing_left(recording, faults)
    checked: dict[str, tuple[Turning, float | None]] = {}
    for point, sensor in sensors.items():
        gravity, turning = rest_gravity(sensor), check_turning(sensor)
        refuse_wrong_units(recording, sensor, turning, gravity)
        warnings.extend(about_sensor(sensor, turning, gravity, settings))
        checked[point] = turning, gravity
    steps: Sequence[Step] = ()
    if clocks is None:
        sensors, clocks, steps = _aligned(sensors, recording, settings)
    lines = {point: clocks[sensor.stream.tracking_system] for point, sensor in sensors.items()}
    motions: dict[str, Motion] = {}
    wild = unsteady_points(steps)
    warnings.extend(about_steps([step for step in steps if step.points[0] not in wild]))
    for point, sensor in sensors.items():
        fault = unsteady(point) if point in wild else misread(sensor, checked[point][0], settings)
        if fault is None:
            motions[point] = _motion(sensor, lines[point])
        else:
            faults.append(fault)
    swap = find_swap(motions, settings=settings)
    if swap is not None and swap.sure:
        faults.append(swap.warning)
        motions = {point: motion for point, motion in motions.items() if point not in swap.points}
    elif swap is not None:
        warnings.append(swap.warning)
    if not motions:
        raise _nothing_left(recording, faults)
    reports = {point: _report(sensor, lines[point], *checked[point]) for point, sensor in sensors.items()}
    warnings.extend(about_clocks(clocks, sensors, settings))
    warnings.extend(about_all(sensors, lines, settings))
    streams = {point: sensors[point].stream for step in steps for point in step.points}
    left_out = tuple(point for point in recording.sensors if point not in motions)
    return Prepared(motions=motions, reports=reports, warnings=(*faults, *warnings), left_out=left_out, streams=streams)


def _aligned(
    sensors: dict[str, Clean], recording: Recording, settings: SensorSettings
) -> tuple[dict[str, Clean], Mapping[str, ClockLine], Sequence[Step]]:
    """The sensors with the jumps of their clocks taken off, the clocks, and those jumps."""
    clocks = align(sensors, recording)
    steps: list[Step] = []
    for _ in range(MOST_LOOKS):
        steady = {point: sensor for point, sensor in sensors.items() if point not in unsteady_points(steps)}
        step = find_step(steady, clocks, recording)
        if step is None:
            break
        steps = joined_steps(steps, step)
        again = {point: stepped(sensors[point].stream, step) for point in step.points}
        sensors = {**sensors, **{point: clean(stream, settings=settings) for point, stream in again.items()}}
        clocks = align(sensors, recording)
    return sensors, clocks, steps


def _nothing_left(recording: Recording, faults: Sequence[Warning]) -> RecordingError:
    """No sensor can be used, and why."""
    if not faults:
        return RecordingError(recording.source, "no sensor has usable samples", "record again with the chest sensor on")
    others = ", and no other sensor can be used" if len(faults) > 1 else ""
    return RecordingError(recording.source, faults[0].text + others, faults[0].do)


def _shared_grid(stream: SensorStream, grids: dict[str, tuple[FloatArray, Grid]]) -> Grid:
    """The even grid of a stream's times; sensors of one tracking system mostly have the same times, and so one grid."""
    time, grid = grids.get(stream.tracking_system, (None, None))
    if grid is None or time is None or not np.array_equal(time, stream.time):
        grid = even_grid(stream.time, nominal_rate=stream.rate)
        grids[stream.tracking_system] = stream.time, grid
    return grid


def rest_gravity(sensor: Clean) -> float | None:
    """What the accelerometer reads at rest, m/s²: median over the still stretches; None if it is never still."""
    if len(sensor.rest.stretches) == 0:
        return None
    return float(np.median(np.linalg.norm(sensor.rest.stretches.acc, axis=1)))


def _motion(sensor: Clean, clock: ClockLine) -> Motion:
    rate = sensor.rate / (1.0 + clock.drift)
    return Motion(
        tracked_point=sensor.stream.tracked_point,
        rate=rate,
        time=clock(sensor.time),
        gyr=sensor.gyr,
        acc=sensor.acc,
        mag=sensor.mag,
        increments=rotation_vectors(sensor.gyr, sensor.means, step=1.0 / rate),
        lost=sensor.lost,
        clipped=sensor.clipped,
        acc_clipped=sensor.acc_clipped,
        unusable=sensor.unusable,
        still=sensor.rest.still,
        gyr_noise=sensor.gyr_noise,
        acc_noise=sensor.acc_noise,
        gyr_se=sensor.gyr_se,
        bias=sensor.bias.mean,
        bias_se=sensor.bias.se,
    )


def _report(sensor: Clean, clock: ClockLine, turning: Turning, gravity: float | None) -> SensorReport:
    bias = np.degrees(sensor.bias.mean)
    first, last = runs(sensor.lost)
    return SensorReport(
        rate_hz=sensor.rate / (1.0 + clock.drift),
        nominal_rate_hz=sensor.stream.rate,
        samples=len(sensor.gyr),
        still_s=float(sensor.rest.still.sum() / sensor.rate),
        lost_samples=int(sensor.lost.sum()),
        clipped_samples=int(sensor.clipped.sum()),
        acc_clipped_samples=int(sensor.acc_clipped.sum()),
        unusable_samples=int(sensor.unusable.sum()),
        longest_gap_s=float(np.max(last - first) / sensor.rate) if len(first) else 0.0,
        gyro_bias_dps=(float(bias[0]), float(bias[1]), float(bias[2])) if len(sensor.rest.stretches) else None,
        gyro_bias_drift_dps=float(np.degrees(sensor.bias.drift)),
        gyro_bias_se_dps=float(np.degrees(sensor.bias.se)),
        gyro_noise_dps=float(np.degrees(sensor.gyr_noise)),
        acc_noise_mps2=sensor.acc_noise,
        gravity_mps2=gravity,
        turn_mismatch_deg=turning.mismatch_deg,
        clock_offset_s=clock.offset,
        clock_drift_ppm=1e6 * clock.drift,
        clock_drift_se_ppm=1e6 * clock.drift_se,
        clock_se_s=clock.se,
        clock_source=clock.source,
    )
