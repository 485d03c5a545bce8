"""Reading a Motion-BIDS recording: SI units, each sensor on its own tracking system's clock, lost samples NaN."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.recording.channels import Channels, Triad, read_channels
from imuswing.recording.dataset import is_simulated
from imuswing.recording.events import events_path, passed_over, read_events
from imuswing.recording.find import acquisition_times, calibration_recording, find_recordings, scanned_files
from imuswing.recording.layout import (
    CHANNELS_TABLE,
    MOTION_TABLE,
    absolute,
    beside,
    dataset_root,
    inherited,
    motion_files,
    parse_motion_name,
    split_tracksys,
)
from imuswing.recording.model import BoolArray, FloatArray, Recording, SensorStream
from imuswing.recording.motion_table import MotionTable, read_motion_table
from imuswing.recording.participants import read_lead_side
from imuswing.recording.sidecar import DURATION_KEY, RATE_KEY, Sidecar, is_positive, read_sidecar

__all__ = ["RecordingWarning", "calibration_recording", "find_recordings", "read", "read_all"]

RATE_FACTOR: Final = 2.0
"""The usual step of LATENCY may differ from 1 / SamplingFrequency by this factor; beyond it one of the two is wrong."""


class RecordingWarning(UserWarning):
    """Part of a recording was left out in reading; the text names the file and says what."""


def read_all(folder: Path | str) -> Iterator[Recording]:
    """The recordings of a session folder or dataset, one after the other, sorted as `find_recordings` sorts them."""
    for path in find_recordings(folder):
        yield read(path)


def read(path: Path | str) -> Recording:
    """The recording to which a `*_motion.tsv` belongs, with all its tracking systems.

    Units are converted to rad/s, m/s² and µT. A tracking system's time is its LATENCY channel minus its first value,
    or k / SamplingFrequency. Raises RecordingError where the recording cannot be used; warns with RecordingWarning
    where a sensor without a single sample, a sample that was stored twice, a lost table or an event of an unknown
    type is left out.
    """
    path = Path(path)
    files = motion_files(path)
    name = parse_motion_name(path)
    root = dataset_root(path, name)
    left_out = _lost_tables(root, files)
    inertial = {system: channels for system, file in files.items() if (channels := _channels(file, root)).sensors}
    if not inertial:
        raise RecordingError(
            path, "has no ACCEL and GYRO channels in its channels.tsv", "add them, or leave this recording out"
        )
    sensors: dict[str, SensorStream] = {}
    for system, channels in inertial.items():
        streams, notes = _read_system(files[system], system, channels, read_sidecar(files[system], root))
        left_out += [f"{files[system]}: {note}" for note in notes]
        for stream in streams:
            if stream.tracked_point in sensors:
                other = files[sensors[stream.tracked_point].tracking_system]
                raise RecordingError(
                    files[system],
                    f"has the tracked point {stream.tracked_point}, as {other.name} has",
                    "give each sensor of a recording its own tracked_point",
                )
            sensors[stream.tracked_point] = stream
    first = min(inertial)
    if not sensors:
        raise RecordingError(files[first], "holds no sample: all are n/a", "record again, or leave this recording out")
    strange_events = passed_over(files, clock=first)
    for note in (*left_out, *strange_events):
        warnings.warn(note, RecordingWarning, stacklevel=2)
    return Recording(
        participant=name.sub,
        session=name.ses,
        task=name.task,
        acq=name.acq,
        run=name.run,
        lead_side=read_lead_side(root, name.sub),
        sensors=sensors,
        events=read_events(files, clock=first),
        start_hints=_start_hints(root, {system: files[system] for system in inertial}),
        simulated=is_simulated(root),
        notes=tuple(left_out),
        strange_events=strange_events,
        source=files[first],
    )


def _lost_tables(root: Path, files: Mapping[str, Path]) -> list[str]:
    """What to say of this recording's tables that scans.tsv names and that are not there.

    A lost table costs its own sensors only. RecordingError where its unfinished part stands in its place: then the
    recording was not written to its end, and what is there may be of two recordings.
    """
    first = files[min(files)]
    shared = split_tracksys(first.name)[0]
    told = []
    for file in scanned_files(root, parse_motion_name(first)):
        if split_tracksys(file.name)[0] != shared or not file.name.endswith(MOTION_TABLE) or file.is_file():
            continue
        if any(file.parent.glob(f".{file.name}.*")):
            raise RecordingError(
                file,
                "is missing, though scans.tsv names it: the recording was not written to its end",
                "write or copy the recording again, or delete its row in scans.tsv",
            )
        told.append(
            f"{file}: is missing, though scans.tsv names it; its sensors are left out{_lost_clock(file, first)}"
        )
    return told


def _lost_clock(lost: Path, first: Path) -> str:
    """What to say of the events where the lost table is the one whose clock they are told on."""
    if split_tracksys(lost.name)[1] > split_tracksys(first.name)[1]:
        return ""
    if events_path(lost).is_file():
        return f", and so is {events_path(lost).name}, which is told on its clock"
    return f", and {first.name} stands for its clock, on which events are told"


def _channels(file: Path, root: Path) -> Channels:
    """The channels of a motion table, from the nearest channels.tsv that applies."""
    applicable = inherited(file, root, CHANNELS_TABLE)
    return read_channels(applicable[-1] if applicable else beside(file, CHANNELS_TABLE))


def _start_hints(root: Path, files: Mapping[str, Path]) -> dict[str, float]:
    """By tracking system the seconds from the first one's acq_time to its own; {} where the first is unknown."""
    first = files[min(files)]
    known = acquisition_times(root, parse_motion_name(first))
    start = known.get(absolute(first))
    if start is None:
        return {}
    times = {system: known.get(absolute(file)) for system, file in files.items()}
    return {system: (time - start).total_seconds() for system, time in times.items() if time is not None}


def _read_system(file: Path, system: str, channels: Channels, sidecar: Sidecar) -> tuple[list[SensorStream], list[str]]:
    """The sensors of one tracking system that hold samples, and what was left out, in words."""
    table = read_motion_table(file, channels)
    times = _sample_times(file, channels, table.columns, sidecar)
    streams: list[SensorStream] = []
    left_out = [f"{times.copies} line(s) left out that repeat the one before, time included."] if times.copies else []
    left_out += _cut_short(sidecar, times.seconds)
    for point, triads in channels.sensors.items():
        arrays = {kind: _triad(table, triad, times.kept) for kind, triad in triads.items()}
        empty = [kind for kind, array in arrays.items() if np.isnan(array).all()]
        if "GYRO" in empty or "ACCEL" in empty:
            left_out.append(f"{point} is left out: its {' and '.join(empty)} samples are all n/a.")
            continue
        streams.append(
            SensorStream(
                tracked_point=point,
                tracking_system=system,
                rate=sidecar.rate,
                time=times.seconds,
                gyr=arrays["GYRO"],
                acc=arrays["ACCEL"],
                mag=None if "MAGN" in empty else arrays.get("MAGN"),
                sample_meaning=sidecar.sample_meaning(point),
                gyr_range=_full_scale(sidecar, "GYRO", point, triads, arrays),
                acc_range=_full_scale(sidecar, "ACCEL", point, triads, arrays),
            )
        )
    return streams, left_out


CUT_S, CUT_SHARE = 2.0, 0.05
"""A table that much shorter than its sidecar tells has been cut (common practice, no source)."""


def _cut_short(sidecar: Sidecar, seconds: FloatArray) -> list[str]:
    """A word where the sidecar tells of a longer recording than there is."""
    told: Any = sidecar.fields.get(DURATION_KEY)
    there = float(seconds[-1]) if len(seconds) else 0.0
    if not is_positive(told) or told < there + max(CUT_S, CUT_SHARE * there):
        return []
    return [f"its sidecar says {DURATION_KEY} {told:.0f} s, but {there:.0f} s are there: it may be cut."]


def _full_scale(
    sidecar: Sidecar, kind: str, point: str, triads: Mapping[str, Triad], arrays: Mapping[str, FloatArray]
) -> float | None:
    return sidecar.full_scale(kind, point, unit=triads[kind].unit, peak=_greatest(arrays[kind]))


def _greatest(values: FloatArray) -> float:
    """The largest absolute value of (N, 3), NaN left out."""
    flat = values.ravel()
    return float(max(np.fmax.reduce(flat), -np.fmin.reduce(flat)))


def _triad(table: MotionTable, triad: Triad, kept: BoolArray | None) -> FloatArray:
    """Three columns (N, 3), turned into SI where they stand."""
    array = table.triads[triad.columns]
    if triad.factors != (1.0, 1.0, 1.0):
        array *= triad.factors
    return array if kept is None else array[kept]


@dataclass(frozen=True, kw_only=True)
class _Times:
    """Sample times of a motion table of N lines.

    seconds: (M,) from the first sample.  kept: (N,) the lines that have one of these times, None if all have.
    copies: how many lines were left out as exact copies of the one before.
    """

    seconds: FloatArray
    kept: BoolArray | None
    copies: int = 0


def _sample_times(file: Path, channels: Channels, columns: Mapping[int, FloatArray], sidecar: Sidecar) -> _Times:
    """When the lines of a motion table were sampled.

    Lines without a time and without data hold nothing and are dropped (the gap shows in the times); a line that is
    the exact copy of the one before, time included, is dropped and counted.
    """
    if channels.latency is None:
        count = len(columns[channels.wanted[0]])
        return _Times(seconds=np.arange(count) / sidecar.rate, kept=None)
    latency = columns[channels.latency]
    data = [columns[column] for column in channels.wanted if column != channels.latency]
    kept = ~np.isnan(latency)
    if not kept.all():
        _check_lines_without_time(file, kept, data)
    lines = np.flatnonzero(kept)
    steps = np.diff(latency[lines])
    for index in np.flatnonzero(steps <= 0.0):
        line, before = lines[index + 1], lines[index]
        if steps[index] < 0.0 or not all(np.array_equal(x[line], x[before], equal_nan=True) for x in data):
            raise RecordingError(
                file,
                f"line {line + 1} has the time {latency[line]:g} s after {latency[before]:g} s on line {before + 1}",
                "each LATENCY must be later than the one before: delete the line, or correct its time",
            )
        kept[line] = False
    _check_rate(file, steps[steps > 0.0], sidecar)
    seconds = latency[kept] - latency[kept][0]
    return _Times(seconds=seconds, kept=None if kept.all() else kept, copies=len(lines) - len(seconds))


def _check_lines_without_time(file: Path, timed: BoolArray, data: list[FloatArray]) -> None:
    """RecordingError if a line without a time holds data, or if the first one has no time."""
    without_data = np.all([np.isnan(column) for column in data], axis=0)
    wrong = ~timed & ~without_data
    wrong[0] |= not timed[0]
    if wrong.any():
        raise RecordingError(
            file,
            f"line {int(np.argmax(wrong)) + 1} has no time: its LATENCY is n/a",
            "write the time, or take the LATENCY channel out if the samples are evenly spaced",
        )


def _check_rate(file: Path, steps: FloatArray, sidecar: Sidecar) -> None:
    """RecordingError if LATENCY and SamplingFrequency cannot both be right."""
    if not len(steps):
        return
    usual = float(np.median(steps))
    if not 1.0 / RATE_FACTOR <= usual * sidecar.rate <= RATE_FACTOR:
        raise RecordingError(
            file,
            f"has LATENCY steps of {usual:g} s, but {sidecar.path.name} says {RATE_KEY}: {sidecar.rate:g}",
            "tell LATENCY in seconds and the rate in samples per second (Hz)",
        )
