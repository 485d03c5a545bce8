"""What is wrong with a recording's sensors, in words a coach can act on.

Errors are raised for what makes every number wrong and is certain (a mistaken unit); the rest are warnings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from imuswing.errors import RecordingError
from imuswing.recording.model import FloatArray, Recording, SensorStream
from imuswing.sensors.clean import Clean
from imuswing.sensors.clock_steps import Step
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.columns import finite_rows, greatest_size, runs
from imuswing.sensors.gravity import scale_error
from imuswing.sensors.motion import Warning
from imuswing.sensors.settings import SensorSettings
from imuswing.sensors.turning import LEAST_PAIRS, Turning
from imuswing.vocabulary import STANDARD_GRAVITY

LEAST_SAMPLES = 4
LOOKED_AT_FIRST = 1000
"""A sensor with fewer samples is none; so many rows mostly show that there are more and that they change."""

MOST_DECIMALS = 3

FASTEST = np.radians(5000.0)
"""rad/s; no wearable gyroscope measures more (the largest full scales in trade are 4000 °/s; from memory), while °/s
read as rad/s pass it from 90 °/s on."""


def named(point: str) -> str:
    """A tracked point in words."""
    return point.replace("_", " ")


def apart(value: float, *limits: float) -> str:
    """A number with as few decimals as tell it from the limits beside it: 99.7 is not told as 100."""
    return f"{value:.{decimals_apart(value, *limits)}f}"


def decimals_apart(value: float, *limits: float, least: int = 0) -> int:
    """How many decimals tell a number from the limits beside it, unless it is one of them."""
    if value in limits:
        return least
    for decimals in range(least, MOST_DECIMALS):
        if f"{value:.{decimals}f}" not in [f"{limit:.{decimals}f}" for limit in limits]:
            return decimals
    return MOST_DECIMALS


def dead(stream: SensorStream) -> Warning | None:
    """A sensor that cannot be used at all: no samples, no gyroscope, an axis that never moves."""
    point = named(stream.tracked_point)
    for what, values in (("gyroscope", stream.gyr), ("accelerometer", stream.acc)):
        stuck = [axis for axis in range(3) if _never_changes(values[:, axis])]
        if _few_samples(values):
            text, do = f"the {what} of {point} has no samples", "charge it, check that it records, and record again"
        elif stuck:
            axes = ", ".join("xyz"[axis] for axis in stuck)
            text = f"the {what} of {point} reads one and the same value throughout (axis {axes})"
            do = "restart or replace the sensor and record again"
        else:
            continue
        return Warning(level="problem", text=text, do=do, tracked_point=stream.tracked_point)
    return None


def _few_samples(values: FloatArray) -> bool:
    # The first rows tell nearly always; all are looked at where they do not.
    return all(int(finite_rows(part).sum()) < LEAST_SAMPLES for part in (values[:LOOKED_AT_FIRST], values))


def _never_changes(column: FloatArray) -> bool:
    return all(
        bool(np.fmax.reduce(part) == np.fmin.reduce(part)) for part in (column[:LOOKED_AT_FIRST], column) if len(part)
    )


LEAST_USUAL, MOST_USUAL = 3.0, 30.0
"""m/s²: nobody's arm is so light or so heavy most of the time (common practice, no source)."""


def _usual_acc(sensor: Clean) -> float:
    """Median length of the accelerometer's reading, m/s², of some thousand samples."""
    some = sensor.acc[:: max(len(sensor.acc) // 5000, 1)]
    return float(np.median(np.linalg.norm(some, axis=1)))


def refuse_wrong_units(recording: Recording, sensor: Clean, turning: Turning, gravity: float | None) -> None:
    """Raise where gravity or turning show that a unit in the channels file is wrong."""
    point = named(sensor.stream.tracked_point)
    if gravity is not None:
        read = f"the accelerometer of {point} reads {gravity:.3g} m/s² at rest"
        if 0.9 < gravity < 1.1:
            _refuse(recording, f"{read}, so its unit is probably g", "ACCEL")
        if 0.9 < gravity / STANDARD_GRAVITY**2 < 1.1:
            _refuse(recording, f"{read}, so its unit is probably m/s^2 and not g", "ACCEL")
        if not 0.7 < gravity / STANDARD_GRAVITY < 1.3:
            _refuse(recording, f"{read} where gravity is {STANDARD_GRAVITY:.2f}", "ACCEL")
    elif not LEAST_USUAL < (usual := _usual_acc(sensor)) < MOST_USUAL:
        _refuse(
            recording,
            f"the accelerometer of {point} mostly reads {usual:.3g} m/s² where gravity is {STANDARD_GRAVITY:.2f}, so "
            f"its unit is probably {'g' if usual < STANDARD_GRAVITY else 'm/s^2 and not g'}",
            "ACCEL",
        )
    # What was read, not what a bridge over a clipped stretch makes of it, which may pass the sensor's range.
    fastest = greatest_size(sensor.stream.gyr)
    impossible = f"the gyroscope of {point} reads {np.degrees(fastest):.0f} °/s, which no such sensor can measure"
    if fastest > FASTEST:
        _refuse(recording, f"{impossible}, so its unit is probably deg/s and not rad/s", "GYRO")
    wrong = turning.misread
    if wrong is not None and wrong.axes is None and not 0.1 < wrong.scale < 10.0:
        unit = "deg/s and not rad/s" if wrong.scale < 1.0 else "rad/s and not deg/s"
        _refuse(
            recording,
            f"gravity turns in the {point} sensor as if its gyroscope's unit were {unit}",
            "GYRO",
        )


def _refuse(recording: Recording, wrong: str, channel: str) -> None:
    raise RecordingError(recording.source, wrong, f"correct `units` of its {channel} rows in its …_channels.tsv")


def misread(sensor: Clean, turning: Turning, settings: SensorSettings) -> Warning | None:
    """What makes every number of a sensor wrong and is certain, but for a unit: gravity turns in it as it should only
    with other axes, or with a scale far from what is read. A scale that is less wrong is learnt and taken off."""
    wrong, point = turning.misread, sensor.stream.tracked_point
    if wrong is None:
        return None
    if wrong.axes is not None:
        text = (
            f"the {named(point)} sensor is left out: gravity turns in it as if its gyroscope's axes x, y, z were "
            f"{wrong.axes}"
        )
        do = "correct order and signs of its axes: gyroscope and accelerometer need the same right-handed ones"
        return Warning(level="problem", text=text, do=do, tracked_point=point)
    if _near_one(wrong.scale, settings.misread_scale):
        return None
    text = (
        f"the {named(point)} sensor is left out: gravity turns in it as if its gyroscope read "
        f"{1.0 / wrong.scale:.2f} times what it should"
    )
    do = "check its unit, its range in the recorder's export, and its sampling rate"
    return Warning(level="problem", text=text, do=do, tracked_point=point)


def _near_one(scale: float, factor: float) -> bool:
    return 1.0 / factor < scale < factor


def about_sensor(sensor: Clean, turning: Turning, gravity: float | None, settings: SensorSettings) -> Iterator[Warning]:
    """Findings about one sensor."""
    yield from _about_rate(sensor, settings)
    yield from _about_losses(sensor, settings)
    yield from _about_clipping(sensor)
    yield from _about_rest(sensor, turning, gravity, settings)


def _about_rate(sensor: Clean, settings: SensorSettings) -> Iterator[Warning]:
    point, rate = sensor.stream.tracked_point, sensor.rate
    told = apart(rate, settings.least_rate_hz, settings.good_rate_hz)
    if rate < settings.least_rate_hz:
        text = f"the {named(point)} sensor records {told} samples a second, too few for a swing"
        yield Warning(
            level="problem", text=text, do=f"set it to {settings.good_rate_hz:.0f} Hz or more", tracked_point=point
        )
    elif rate < (1.0 - settings.rate_differs) * settings.good_rate_hz:
        text = f"the {named(point)} sensor records {told} samples a second, which blurs the impact"
        yield Warning(
            level="advice", text=text, do=f"set it to {settings.good_rate_hz:.0f} Hz or more", tracked_point=point
        )
    nominal = sensor.stream.rate
    if abs(rate / nominal - 1.0) > settings.rate_differs:
        text = (
            f"the {named(point)} sensor records {rate:.2f} samples a second by its own times, "
            f"not {nominal:g} as its file says"
        )
        do = "nothing needs doing, its times are used; correct `SamplingFrequency` for other programs"
        yield Warning(level="advice", text=text, do=do, tracked_point=point)


def _about_losses(sensor: Clean, settings: SensorSettings) -> Iterator[Warning]:
    point, count = sensor.stream.tracked_point, len(sensor.gyr)
    share = float(np.mean(sensor.lost)) if count else 0.0
    first, last = runs(sensor.lost)
    longest = float(np.max(last - first)) / sensor.rate if len(first) else 0.0
    wireless = "keep the receiver nearer, or let the sensor store its data itself"
    if share > settings.lost_problem:
        text = f"{100 * share:.0f} % of the {named(point)} sensor's samples are missing"
        yield Warning(level="problem", text=text, do=wireless, tracked_point=point)
    elif longest > settings.bridge_longest_s:
        text = f"the {named(point)} sensor has gaps of up to {longest:.2g} s, too long to bridge"
        do = f"{wireless}; swings in a gap are left out"
        yield Warning(level="advice", text=text, do=do, tracked_point=point)
    elif share > settings.lost_advice:
        text = f"{100 * share:.1f} % of the {named(point)} sensor's samples are missing; the gaps are bridged"
        yield Warning(level="advice", text=text, do=wireless, tracked_point=point)
    if sensor.frozen > settings.lost_advice * count:
        text = (
            f"{100 * sensor.frozen / count:.1f} % of the {named(point)} sensor's samples only repeat the one before "
            "and count as missing"
        )
        do = "switch off any filling of lost samples in the recorder"
        yield Warning(level="advice", text=text, do=do, tracked_point=point)


def _about_clipping(sensor: Clean) -> Iterator[Warning]:
    point = sensor.stream.tracked_point
    if sensor.clipped.any():
        stretches = len(runs(sensor.clipped)[0])
        limit = "" if sensor.gyr_limit is None else f" of {np.degrees(sensor.gyr_limit):.0f} °/s"
        beyond = bool(np.any(sensor.unusable & sensor.clipped))
        outcome = "some of it too long to bridge" if beyond else "bridged, at some cost in accuracy"
        text = f"the {named(point)} gyroscope was at its limit{limit} {stretches} times, {outcome}"
        do = "set a larger gyroscope range if the sensor has one, or strap it where it turns less fast"
        yield Warning(level="problem" if beyond else "advice", text=text, do=do, tracked_point=point)


def _about_rest(sensor: Clean, turning: Turning, gravity: float | None, settings: SensorSettings) -> Iterator[Warning]:
    point = sensor.stream.tracked_point
    if len(sensor.rest.stretches) == 0:
        text = f"the {named(point)} sensor is never still, so the bias of its gyroscope is not known"
        do = "begin with three seconds of standing quite still"
        yield Warning(level="problem", text=text, do=do, tracked_point=point)
    elif np.degrees(sensor.bias.se) > settings.bias_se_dps:
        text = (
            f"the {named(point)} sensor is hardly ever still, so the bias of its gyroscope is known only to "
            f"±{1.96 * np.degrees(sensor.bias.se):.1f} °/s"
        )
        yield Warning(level="advice", text=text, do="stand still for three seconds or more", tracked_point=point)
    if gravity is not None and abs(scale_error(gravity)) > settings.gravity_error:
        text = f"the {named(point)} accelerometer reads {gravity:.2f} m/s² at rest where gravity is about 9.8"
        do = "calibrate the sensor as its maker says"
        yield Warning(level="advice", text=text, do=do, tracked_point=point)
    wrong = turning.misread
    told = wrong is not None and not _near_one(wrong.scale, settings.scale_told)
    told |= turning.pairs >= LEAST_PAIRS and (turning.mismatch_deg or 0.0) > settings.turn_mismatch_deg
    if told and misread(sensor, turning, settings) is None:
        text = (
            f"gyroscope and accelerometer of the {named(point)} sensor disagree by {turning.mismatch_deg:.0f}° "
            "about where down is after a turn"
        )
        do = "check that its axes stand in the right order and its units and rate are right; then calibrate it"
        yield Warning(level="problem", text=text, do=do, tracked_point=point)


def about_clocks(
    clocks: Mapping[str, ClockLine], sensors: Mapping[str, Clean], settings: SensorSettings
) -> Iterator[Warning]:
    """Tracking systems that could not be put on the common clock, or not well enough."""
    for system, clock in clocks.items():
        worn = [named(point) for point, sensor in sensors.items() if sensor.stream.tracking_system == system]
        who = f"the clock of {' and '.join(worn)}"
        knock = "knock all sensors together three times at the start and at the end, and mark it as `tap`"
        if clock.se > settings.clock_problem_s:
            text = f"{who} could not be aligned with that of the first tracking system"
            yield Warning(level="problem", text=text, do=f"{knock}; until then use each sensor by itself")
        elif clock.se > settings.clock_advice_s:
            text = f"{who} is aligned only to ±{1960.0 * clock.se:.0f} ms"
            yield Warning(level="advice", text=text, do=knock)
        if abs(clock.drift) > settings.clock_drift and clock.se <= settings.clock_problem_s:
            text = f"{who} runs {100.0 * abs(clock.drift):.3f} % {'slow' if clock.drift > 0.0 else 'fast'}"
            do = "its times are corrected; check `SamplingFrequency` in its sidecar file"
            yield Warning(level="advice", text=text, do=do)


def about_steps(steps: Sequence[Step]) -> Iterator[Warning]:
    """Jumps of clocks that were put right."""
    for step in steps:
        worn = " and ".join(named(point) for point in step.points)
        size = f"{abs(step.by):.1f} s" if abs(step.by) >= 1.0 else f"{1000.0 * abs(step.by):.0f} ms"
        if np.isinf(step.after):
            how = "early" if step.by > 0.0 else "late"
            text = f"the times of {worn} are {size} {how} on a clock that the {named(step.other)} sensor shares"
            do = "nothing needs doing, they are corrected; let each sensor tell its own times"
        else:
            text = (
                f"the times of {worn} jump by {size} against those of {named(step.other)}, "
                f"{step.after / 60.0:.1f} minutes after they begin"
            )
            do = "nothing needs doing, they are corrected; check for restarts and for samples lost or sent twice"
        yield Warning(level="advice", text=text, do=do, tracked_point=step.points[0])


def unsteady(point: str) -> Warning:
    """A sensor whose clock jumps too often."""
    text = f"the {named(point)} sensor is left out: its times jump against the other sensors' again and again"
    do = "let it tell a time with each sample, and check for samples that are lost or sent twice"
    return Warning(level="problem", text=text, do=do, tracked_point=point)


def about_all(
    sensors: Mapping[str, Clean], lines: Mapping[str, ClockLine], settings: SensorSettings
) -> Iterator[Warning]:
    """Findings that need more than one sensor, or none. lines: by tracked point, its clock."""
    longest = max(len(sensor.gyr) / sensor.rate for sensor in sensors.values())
    if longest < settings.shortest_recording_s:
        text = f"the recording is only {longest:.1f} s long"
        do = "record from before the calibration routine to after the last swing"
        yield Warning(level="problem", text=text, do=do)
    seen: dict[str, tuple[float, float]] = {}
    for point, sensor in sensors.items():
        known = np.flatnonzero(~sensor.lost)
        at = known[[0, -1]] + np.array([0, 1]) if len(known) else np.zeros(2)
        first, last = lines[point](sensor.start + at / sensor.rate).tolist()
        seen[point] = first, last
    begin = min(first for first, _ in seen.values())
    whole = max(last for _, last in seen.values()) - begin
    much = max(settings.stops_early_s, settings.stops_early_share * whole)
    for point, (first, last) in seen.items():
        if whole - (last - begin) > much:
            text = f"the {named(point)} sensor stops after {last - begin:.0f} s of {whole:.0f} s"
            do = "check its battery and connection; swings after that lack it"
            yield Warning(level="problem", text=text, do=do, tracked_point=point)
        if first - begin > much:
            text = f"the {named(point)} sensor starts {first - begin:.0f} s after the first of {whole:.0f} s"
            do = "switch on all sensors before you record; the routine and swings before that lack it"
            yield Warning(level="advice", text=text, do=do, tracked_point=point)
