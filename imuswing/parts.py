"""A recording of many hours in parts, so that memory does not grow with its length.

Each part is prepared, oriented and searched for swings by itself, with some seconds of its neighbours at either end;
what is learnt of sensors, clocks, routine and addresses is handed on. A swing belongs to the part in which the arm
comes back to the ball. Borders lie in quiet seconds, so no swing can be found twice or missed there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from imuswing.recording.model import Event, Recording, SensorStream
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.columns import magnitude
from imuswing.sensors.motion import Motion, Prepared, SensorReport, Warning
from imuswing.sensors.prepare import prepare
from imuswing.sensors.settings import SensorSettings
from imuswing.vocabulary import CALIBRATION_STEPS, CORRECTION, SHOT, TAP


@dataclass(frozen=True, kw_only=True)
class PartSettings:
    """How a recording is cut (common practice, no source).

    whole_s: one that is no longer stays whole.  part_s: length of a part, about.  reach_s: a border lies in the
    quietest second so near to an even cut.  overlap_s: what a part sees of its neighbours; a swing with its address,
    and all that is looked at around it, lasts half as long.  around_s: no border is so near to a calibration step.
    note_s: a shot may be noted so much later than it was struck.
    """

    whole_s: float = 7200.0
    part_s: float = 1800.0
    reach_s: float = 300.0
    overlap_s: float = 30.0
    around_s: float = 60.0
    note_s: float = 5.0


@dataclass(frozen=True, kw_only=True)
class Part:
    """Swings whose arm comes back at begin ≤ time < end (s, common clock) are this part's; it sees somewhat more."""

    begin: float = -np.inf
    end: float = np.inf

    def holds(self, time: float) -> bool:
        """Whether a time is this part's."""
        return self.begin <= time < self.end

    def meets(self, other: Part) -> bool:
        """Whether both hold some time."""
        return max(self.begin, other.begin) < min(self.end, other.end)


def parts_of(recording: Recording, settings: PartSettings) -> list[Part]:
    """One part for a recording of ordinary length, else some of about equal length."""
    streams = _of_first_system(recording)
    length = max((stream.duration_s for stream in recording.sensors.values()), default=0.0)
    if length <= settings.whole_s or not streams:
        return [Part()]
    count = max(round(length / settings.part_s), 1)
    borders = [_border(recording, streams, k * length / count, settings) for k in range(1, count)]
    edges = [-np.inf, *borders, np.inf]
    return [Part(begin=begin, end=end) for begin, end in pairwise(edges)]


def _of_first_system(recording: Recording) -> list[SensorStream]:
    first = recording.tracking_systems[0] if recording.sensors else None
    return [stream for stream in recording.sensors.values() if stream.tracking_system == first]


def _border(recording: Recording, streams: Sequence[SensorStream], near: float, settings: PartSettings) -> float:
    """The middle of the quietest second around `near`, s, away from calibration steps."""
    seconds = near + np.arange(-round(settings.reach_s), round(settings.reach_s) + 1.0)
    moved = np.zeros(len(seconds) - 1)
    for stream in streams:
        edges = np.searchsorted(stream.time, seconds)
        speed = np.nan_to_num(magnitude(stream.gyr[edges[0] : edges[-1]]))
        running = np.concatenate(([0.0], np.cumsum(speed)))[edges - edges[0]]
        # Where there is no sample there is no swing either.
        moved += np.diff(running) / np.maximum(np.diff(edges), 1)
    for step in recording.of_type(*CALIBRATION_STEPS, TAP):
        moved[(seconds[1:] > step.onset - settings.around_s) & (seconds[:-1] < step.end + settings.around_s)] += 1e6
    return float(seconds[int(np.argmin(moved))]) + 0.5


def seen(recording: Recording, part: Part, starts: Mapping[str, float], settings: PartSettings) -> Recording:
    """What a part sees of the recording; starts: by tracking system, s to add to its times for the common clock's."""
    if np.isinf(part.begin) and np.isinf(part.end):
        return recording
    sensors = {}
    for point, stream in recording.sensors.items():
        ends = np.array([part.begin - settings.overlap_s, part.end + settings.overlap_s])
        first, last = np.searchsorted(stream.time, ends - starts.get(stream.tracking_system, 0.0))
        cut = slice(int(first), int(last))
        mag = None if stream.mag is None else stream.mag[cut]
        sensors[point] = replace(stream, time=stream.time[cut], gyr=stream.gyr[cut], acc=stream.acc[cut], mag=mag)
    events = tuple(event for event in recording.events if _concerns(event, part, settings))
    return replace(recording, sensors=sensors, events=events, start_hints={**recording.start_hints, **starts})


def _concerns(event: Event, part: Part, settings: PartSettings) -> bool:
    if event.trial_type in (*CALIBRATION_STEPS, CORRECTION):
        return part.holds(event.onset)
    late = settings.note_s if event.trial_type == SHOT else settings.overlap_s
    return part.begin - late <= event.onset < part.end + late


def is_silent(recording: Recording) -> bool:
    """Whether no sensor has data for so much as a swing: the recording paused."""
    return all(np.isfinite(s.gyr[:, 0]).sum() < 4.0 * s.rate for s in recording.sensors.values())


def known_starts(recording: Recording, part: Part, settings: PartSettings, sensors: SensorSettings) -> dict[str, float]:
    """By tracking system, the start of its clock on the common one, s, from a recording's first part.

    Without this a system that was started much later would be cut in the wrong places.
    """
    if len(recording.tracking_systems) == 1 or np.isinf(part.end):
        return {}
    first = seen(recording, part, recording.start_hints, settings)
    return starts_after(first, prepare(first, settings=sensors), recording.start_hints, sensors)


def starts_after(
    recording: Recording, prepared: Prepared, starts: Mapping[str, float], settings: SensorSettings
) -> dict[str, float]:
    """The starts as they are at the end of a part; those of clocks that it could not align stay."""
    found = dict(starts)
    for point, report in prepared.reports.items():
        stream = recording.sensors[point]
        if report.clock_se_s <= settings.clock_problem_s:
            found[stream.tracking_system] = report.clock_offset_s + report.clock.drift * float(stream.time[-1])
    return found


def prepared_part(
    recording: Recording, before: Mapping[str, ClockLine], settings: SensorSettings
) -> tuple[Prepared, dict[str, ClockLine]]:
    """A part made trustworthy, and its clocks; where it tells worse than an earlier part did, that one's line goes on.

    before: by tracking system, the clocks of the parts before.
    """
    prepared = prepare(recording, settings=settings)
    clocks = _clocks(recording, prepared)
    better = {
        name: line
        for name, line in before.items()
        if name in clocks and clocks[name].se > settings.clock_advice_s and line.se < clocks[name].se
    }
    if better:
        clocks = {**clocks, **better}
        steady = replace(recording, sensors={**recording.sensors, **prepared.streams})
        prepared = replace(prepare(steady, settings=settings, clocks=clocks), streams=prepared.streams)
    return prepared, {**before, **clocks}


def _clocks(recording: Recording, prepared: Prepared) -> dict[str, ClockLine]:
    return {recording.sensors[point].tracking_system: report.clock for point, report in prepared.reports.items()}


def around(motions: Mapping[str, Motion], steps: Sequence[Event], settings: PartSettings) -> dict[str, Motion]:
    """The motions cut to the calibration steps, copied, so that the rest of their part can be let go of."""
    if not steps:
        return dict(motions)
    ends = np.array([steps[0].onset - settings.around_s, max(step.end for step in steps) + settings.around_s])
    found = {}
    for point, motion in motions.items():
        first, last = np.searchsorted(motion.time, ends)
        cut = slice(int(first), int(last))
        names = ["time", "gyr", "acc", "increments", "lost", "clipped", "acc_clipped", "unusable", "still", "gyr_se"]
        names += ["mag"] if motion.mag is not None else []
        found[point] = replace(motion, **{name: getattr(motion, name)[cut].copy() for name in names})
    return found


def joined(recording: Recording, parts: Sequence[Prepared], begins: Sequence[float]) -> Prepared:
    """Numbers and findings of all parts, without their motions; begins: s, of each part."""
    if len(parts) == 1:
        return parts[0]
    points = [point for point in recording.sensors if any(point in part.reports for part in parts)]
    reports = {
        point: _report([part.reports[point] for part in parts if point in part.reports], recording.sensors[point])
        for point in points
    }
    return Prepared(
        motions={},
        reports=reports,
        warnings=_warnings([part.warnings for part in parts], begins),
        left_out=tuple(p for p in recording.sensors if all(p in part.left_out for part in parts)),
    )


def _report(parts: Sequence[SensorReport], stream: SensorStream) -> SensorReport:
    """Counts as shares of what the sensor recorded, since parts overlap; the rest weighted by length."""
    samples = np.array([part.samples for part in parts], dtype=np.float64)
    total = float(stream.duration_s) * float(np.average([part.rate_hz for part in parts], weights=samples))
    scale = min(total / float(samples.sum()), 1.0)

    def count(name: str) -> int:
        return round(scale * sum(getattr(part, name) for part in parts))

    def mean(name: str) -> float:
        return float(np.average([getattr(part, name) for part in parts], weights=samples))

    def known(name: str) -> float | None:
        values = [getattr(part, name) for part in parts if getattr(part, name) is not None]
        return float(np.median(values)) if values else None

    biases = np.array([part.gyro_bias_dps for part in parts if part.gyro_bias_dps is not None]).reshape(-1, 3)
    bias = biases.mean(axis=0).tolist() if len(biases) else None
    wander = float(np.ptp(biases, axis=0).max()) if len(biases) else 0.0
    worst = max(parts, key=lambda part: part.clock_se_s)
    return replace(
        worst,
        rate_hz=mean("rate_hz"),
        samples=count("samples"),
        still_s=scale * sum(part.still_s for part in parts),
        lost_samples=count("lost_samples"),
        clipped_samples=count("clipped_samples"),
        acc_clipped_samples=count("acc_clipped_samples"),
        unusable_samples=count("unusable_samples"),
        longest_gap_s=max(part.longest_gap_s for part in parts),
        gyro_bias_dps=None if bias is None else (bias[0], bias[1], bias[2]),
        gyro_bias_drift_dps=max(wander, *(part.gyro_bias_drift_dps for part in parts)),
        gyro_bias_se_dps=mean("gyro_bias_se_dps"),
        gyro_noise_dps=mean("gyro_noise_dps"),
        acc_noise_mps2=mean("acc_noise_mps2"),
        gravity_mps2=known("gravity_mps2"),
        turn_mismatch_deg=known("turn_mismatch_deg"),
    )


def _warnings(parts: Sequence[Sequence[Warning]], begins: Sequence[float]) -> tuple[Warning, ...]:
    """Each kind of finding once, as in the first part that has it, with how many parts do where not all do."""
    first: dict[tuple[str, str | None, str], tuple[float, Warning]] = {}
    seen_in: dict[tuple[str, str | None, str], int] = {}
    for warnings, begin in zip(parts, begins, strict=True):
        kinds: dict[tuple[str, str | None, str], Warning] = {}
        for warning in warnings:
            kinds.setdefault((warning.level, warning.tracked_point, re.sub(r"[\d.]+", "", warning.text)), warning)
        for key, warning in kinds.items():
            first.setdefault(key, (begin, warning))
            seen_in[key] = seen_in.get(key, 0) + 1
    told = []
    for key, (begin, warning) in first.items():
        if seen_in[key] == len(parts):
            told.append(warning)
            continue
        minute = f"{max(begin, 0.0) / 60.0:.0f}"
        where = f"in {seen_in[key]} of {len(parts)} parts of the recording, first from minute {minute} on: "
        told.append(replace(warning, text=where + warning.text))
    return tuple(told)
