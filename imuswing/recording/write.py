"""Writing a Motion-BIDS dataset: files whole or not at all, SI units, enough digits to read back the same numbers.

Numbers are written in the shortest text that reads back as the same float64; round them before (`numpy.round`) where
a small file matters more than the last digits.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute
import pyarrow.csv

from imuswing.errors import SettingsError
from imuswing.recording.channels import COLUMNS, COMPONENTS, INERTIAL_TYPES, LATENCY, UNITS
from imuswing.recording.dataset import add_participant, check_label, dataset_folder, rows_of, start_dataset
from imuswing.recording.events import event_fields, event_rows, events_path, events_text, split_rows, used_columns
from imuswing.recording.layout import (
    CHANNELS_TABLE,
    EVENTS_TABLE,
    MOTION_SIDECAR,
    MOTION_TABLE,
    MotionName,
    beside,
    scans_path,
    session_folder,
    split_tracksys,
)
from imuswing.recording.model import FloatArray, Recording, SensorStream
from imuswing.recording.sidecar import DURATION_KEY, MEANING_KEY, RANGE_KEYS, RATE_KEY
from imuswing.recording.tables import NOT_AVAILABLE, json_text, read_json, table_text, write_files

__all__ = ["WrittenTable", "add_participant", "start_dataset", "write_events", "write_recorded", "write_recording"]

TIME_TOLERANCE_S: Final = 1e-6
"""Times that differ from k / rate by more than this are written in a LATENCY channel."""

Content = dict[Path, str | Callable[[Path], None]]


def write_recording(
    recording: Recording,
    dataset: Path | str,
    *,
    acq_time: datetime | None,
    overwrite: bool = False,
    fields: Mapping[str, object] | None = None,
    more: Mapping[Path, str] | None = None,
) -> list[Path]:
    """Write a recording into a dataset and return the motion tables written, that of the first tracking system first.

    acq_time: start of the first tracking system, None where it is not known; that of the others follows from
    `recording.start_hints`.  fields: more to say in the sidecar of every tracking system.  more: texts
    of files that are there if the recording is, by path.
    The participant is added if new. Raises SettingsError where the recording exists already
    (unless `overwrite`), where a label is not made of letters and digits, or where sensors of one tracking system
    differ in their times.
    """

    def described(system: str, path: Path) -> Content:
        return _system_files(path, _streams(recording, system), task=recording.task or "", fields=fields or {})

    return _write(recording, dataset, described, acq_time=acq_time, overwrite=overwrite, more=more)


@dataclass(frozen=True, kw_only=True)
class WrittenTable:
    """A motion table that was written row by row, its first column the sample times from 0 s on.

    path: where it stands, on the dataset's file system if it is large.  rows: how many.  last_s: its last time, s.
    """

    path: Path
    rows: int
    last_s: float


def write_recorded(
    recording: Recording,
    dataset: Path | str,
    *,
    tables: Mapping[str, WrittenTable],
    acq_time: datetime | None,
    overwrite: bool = False,
) -> list[Path]:
    """As `write_recording`, of a recording whose samples stand in tables already, by tracking system.

    recording: its sensors have no samples. The tables stay where they are: they are linked into the dataset, or copied
    where the file system knows no links.
    """

    def described(system: str, path: Path) -> Content:
        table = tables[system]
        streams, task = _streams(recording, system), recording.task or ""
        about = _description(path, streams, task=task, timed=True, rows=table.rows, last_s=table.last_s)
        return {path: partial(_link_or_copy, table.path), **about}

    return _write(recording, dataset, described, acq_time=acq_time, overwrite=overwrite)


def _link_or_copy(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def _streams(recording: Recording, system: str) -> list[SensorStream]:
    return [stream for stream in recording.sensors.values() if stream.tracking_system == system]


def _write(
    recording: Recording,
    dataset: Path | str,
    described: Callable[[str, Path], Content],
    *,
    acq_time: datetime | None,
    overwrite: bool,
    more: Mapping[Path, str] | None = None,
) -> list[Path]:
    """Write the files of all tracking systems, the events, the scans and `more`; described: those of one system."""
    root = dataset_folder(dataset)
    names = _names(recording)
    motion = session_folder(root, names[min(names)]) / "motion"
    paths = {system: motion / name.file(MOTION_TABLE) for system, name in names.items()}
    old = _existing(paths)
    if old and not overwrite:
        raise SettingsError(
            f"{old[0]} exists already; give the new recording another run or session, "
            "or replace it (--overwrite in imuswing import)"
        )
    contents: Content = dict(more or {})
    for system, path in paths.items():
        contents |= described(system, path)
    first = paths[min(paths)]
    if recording.events:
        contents |= _event_files(events_path(first), event_rows(recording.events), fields={})
    scans = scans_path(root, names[min(names)])
    contents[scans] = _scans_text(scans, paths, _start_times(recording, acq_time), gone=set(old))
    # The motion tables last: a recording is there once they are, and scans.tsv tells how many that have to be.
    ordered = dict(sorted(contents.items(), key=lambda item: item[0].name.endswith(MOTION_TABLE)))
    add_participant(root, participant=recording.participant, lead_side=recording.lead_side)
    write_files(ordered, aside=old)
    _remove_stale(old, keep=set(ordered))
    return list(paths.values())


def write_events(recording: Recording) -> Path:
    """Write the events of a recording that was read (and given other events) back beside its motion table.

    Rows of types that are none of ours, and other columns of rows that stay, are kept. All of our events end up in the
    file of the first tracking system, whose path is returned. Raises SettingsError without `recording.source`.
    """
    if recording.source is None:
        raise SettingsError("the recording was made in memory; write it into a dataset first")
    own, shared = events_path(recording.source), events_path(recording.source, tracksys=False)
    others, known = split_rows(own)
    shared_others, shared_known = split_rows(shared)
    known = {**shared_known, **known}
    rows = [*others, *(known.get(event) or event_rows((event,))[0] for event in recording.events)]
    sidecar = own.with_suffix(".json")
    contents = _event_files(own, rows, fields=read_json(sidecar) if sidecar.is_file() else {})
    if shared_known and shared_others:
        contents[shared] = events_text(shared_others)
    write_files(contents)
    if shared_known and not shared_others:
        for path in (shared, shared.with_suffix(".json")):
            path.unlink(missing_ok=True)
    return own


def _event_files(path: Path, rows: Sequence[Mapping[str, str | None]], *, fields: Mapping[str, Any]) -> Content:
    """An events table and what its columns mean, added to the fields that are described already."""
    described = {**event_fields(used_columns(rows)), **fields}
    return {path: events_text(rows), path.with_suffix(".json"): json_text(described)}


def _names(recording: Recording) -> dict[str, MotionName]:
    """By tracking system the labels of its files, checked."""
    labels = {
        "participant": recording.participant,
        "session": recording.session,
        "task": recording.task,
        "acq": recording.acq,
        "run": recording.run,
    }
    if recording.task is None:
        raise SettingsError("the recording has no task; name it, such as chip, pitch, full or calibration")
    if not recording.sensors:
        raise SettingsError("the recording has no sensor; there is nothing to write")
    for what, label in labels.items():
        if label is not None:
            check_label(what, label)
    if recording.run is not None and not recording.run.isdecimal():
        raise SettingsError(f"run is {recording.run!r}; it must be a number")
    for system in recording.tracking_systems:
        check_label("tracking system", system)
    return {
        system: MotionName(
            sub=recording.participant,
            ses=recording.session,
            task=recording.task,
            tracksys=system,
            acq=recording.acq,
            run=recording.run,
        )
        for system in recording.tracking_systems
    }


def _existing(paths: Mapping[str, Path]) -> list[Path]:
    """The motion tables of all tracking systems that stand under the recording's name already."""
    first = paths[min(paths)]
    shared = split_tracksys(first.name)[0]
    found = first.parent.glob(f"*_{MOTION_TABLE}") if first.parent.is_dir() else ()
    return sorted(path for path in found if split_tracksys(path.name)[0] == shared)


def _remove_stale(old: list[Path], *, keep: set[Path]) -> None:
    """Remove the files of the overwritten recording that the new one has not."""
    for path in old:
        shared = events_path(path, tracksys=False)
        for file in (shared, shared.with_suffix(".json")):
            file.unlink(missing_ok=True)
        tables = [beside(path, suffix) for suffix in (MOTION_TABLE, CHANNELS_TABLE, EVENTS_TABLE)]
        for file in (*tables, *(table.with_suffix(".json") for table in tables)):
            if file not in keep:
                file.unlink(missing_ok=True)


def _system_files(path: Path, streams: list[SensorStream], *, task: str, fields: Mapping[str, object]) -> Content:
    """Motion table, sidecar and channels of one tracking system."""
    times = streams[0].time
    _check_streams(streams)
    even = float(np.max(np.abs(times - np.arange(len(times)) / streams[0].rate))) <= TIME_TOLERANCE_S
    columns = [] if even else [times]
    for stream in streams:
        for _, array in _triads(stream):
            columns += [array[:, axis] for axis in range(len(COMPONENTS))]
    table = partial(write_columns, columns=columns)
    about = _description(path, streams, task=task, timed=not even, rows=len(times), last_s=times[-1], fields=fields)
    return {path: table, **about}


def _description(
    path: Path,
    streams: list[SensorStream],
    *,
    task: str,
    timed: bool,
    rows: int,
    last_s: float,
    fields: Mapping[str, object] | None = None,
) -> Content:
    """Sidecar and channels of one tracking system; timed: its table begins with a column of sample times."""
    channels: list[dict[str, str | None]] = [{"name": "latency", "type": LATENCY, "units": "s"}] if timed else []
    for stream in streams:
        for kind, _ in _triads(stream):
            for component in COMPONENTS:
                channels.append(
                    {
                        "name": f"{stream.tracked_point}_{kind.lower()}_{component}",
                        "component": component,
                        "type": kind,
                        "tracked_point": stream.tracked_point,
                        "units": next(iter(UNITS[kind])),
                    }
                )
    return {
        beside(path, MOTION_SIDECAR): json_text(
            {**_sidecar(streams, channels, task=task, rows=rows, last_s=last_s), **(fields or {})}
        ),
        beside(path, CHANNELS_TABLE): table_text(COLUMNS, channels),
    }


def _triads(stream: SensorStream) -> list[tuple[str, FloatArray]]:
    """The channel types that a sensor has, in the order of the columns, with their samples."""
    arrays = zip(INERTIAL_TYPES, (stream.acc, stream.gyr, stream.mag), strict=True)
    return [(kind, array) for kind, array in arrays if array is not None]


def _check_streams(streams: list[SensorStream]) -> None:
    """SettingsError unless the sensors of a tracking system share a rate and times that increase, and are finite."""
    first = streams[0]
    for stream in streams[1:]:
        if stream.rate != first.rate or not np.array_equal(stream.time, first.time):
            raise SettingsError(
                f"{first.tracked_point} and {stream.tracked_point} differ in rate or times; "
                "give each a tracking system of its own"
            )
    arrays = [(stream.tracked_point, array) for stream in streams for array in (stream.gyr, stream.acc, stream.mag)]
    for point, array in arrays:
        if array is not None and np.isinf(array).any():
            raise SettingsError(f"a sample of {point} is infinite; lost samples are NaN")
    if len(first.time) == 0:
        raise SettingsError(f"tracking system {first.tracking_system} has no sample; there is nothing to write")
    if first.time[0] != 0.0 or not np.all(np.isfinite(first.time)) or np.any(np.diff(first.time) <= 0.0):
        raise SettingsError(
            f"times of tracking system {first.tracking_system} must start at 0 s and increase from sample to sample"
        )


def _sidecar(
    streams: list[SensorStream], channels: list[dict[str, str | None]], *, task: str, rows: int, last_s: float
) -> dict[str, Any]:
    first = streams[0]
    kinds = [channel["type"] for channel in channels]
    fields: dict[str, Any] = {
        "TaskName": task,
        RATE_KEY: first.rate,
        MEANING_KEY: _one_or_by_point({stream.tracked_point: stream.sample_meaning for stream in streams}),
        "TrackingSystemName": first.tracking_system,
        "MissingValues": NOT_AVAILABLE,
        DURATION_KEY: float(last_s) + 1.0 / first.rate,
        "MotionChannelCount": len(channels),
        "TrackedPointsCount": len(streams),
        **{f"{kind}ChannelCount": kinds.count(kind) for kind in (*INERTIAL_TYPES, LATENCY)},
    }
    if LATENCY in kinds and rows > 1:
        fields["SamplingFrequencyEffective"] = (rows - 1) / float(last_s)
    scales = {
        "GYRO": {stream.tracked_point: stream.gyr_range for stream in streams if stream.gyr_range is not None},
        "ACCEL": {stream.tracked_point: stream.acc_range for stream in streams if stream.acc_range is not None},
    }
    for kind, by_point in scales.items():
        if by_point:
            everywhere = len(by_point) == len(streams)
            fields[RANGE_KEYS[kind]] = _one_or_by_point(by_point) if everywhere else by_point
            fields[f"{RANGE_KEYS[kind]}Units"] = next(iter(UNITS[kind]))
    return fields


def _one_or_by_point(by_point: Mapping[str, object]) -> object:
    """The one value that all sensors share, or the values by tracked point."""
    distinct = list(dict.fromkeys(by_point.values()))
    return distinct[0] if len(distinct) == 1 else dict(by_point)


def write_columns(to: Path | BinaryIO, *, columns: list[FloatArray]) -> None:
    """Columns (N,) as the rows of a motion table, without a header; lost samples n/a. to: a path or an open file."""
    table = pa.Table.from_arrays([_column(column) for column in columns], names=[str(i) for i in range(len(columns))])
    options = pyarrow.csv.WriteOptions(include_header=False, delimiter="\t", quoting_style="none")
    pyarrow.csv.write_csv(table, to, options)


def _column(numbers: FloatArray) -> pa.Array:
    """A column for the writer: numbers, or text with n/a where samples were lost."""
    # From its buffer, since pyarrow.array would import pandas to see whether it is given a Series.
    numbers = np.ascontiguousarray(numbers)
    column = pa.Array.from_buffers(pa.float64(), len(numbers), [None, pa.py_buffer(numbers)])
    if np.isfinite(numbers).all():
        return column
    lost = pyarrow.compute.is_nan(column)
    return pyarrow.compute.if_else(lost, NOT_AVAILABLE, pyarrow.compute.cast(column, pa.string()))


def _start_times(recording: Recording, acq_time: datetime | None) -> dict[str, datetime]:
    if acq_time is None:
        return {}
    start = acq_time if acq_time.tzinfo is None else acq_time.astimezone(UTC)
    first = recording.tracking_systems[0]
    hints = {**recording.start_hints, first: 0.0}
    return {
        system: start + timedelta(seconds=hints[system]) for system in recording.tracking_systems if system in hints
    }


def _scans_text(scans: Path, paths: Mapping[str, Path], starts: Mapping[str, datetime], *, gone: set[Path]) -> str:
    """The session's scans.tsv with the rows of the new motion tables instead of those that are gone."""
    folder = scans.parent
    replaced = {path.relative_to(folder).as_posix() for path in {*gone, *paths.values()}}
    rows: list[dict[str, str]] = [
        row for row in rows_of(scans, needed=("filename",)) if row["filename"] not in replaced
    ]
    for system, path in paths.items():
        started = starts.get(system)
        text = NOT_AVAILABLE if started is None else started.isoformat(timespec="microseconds").replace("+00:00", "Z")
        rows.append({"filename": path.relative_to(folder).as_posix(), "acq_time": text})
    columns = dict.fromkeys(["filename", "acq_time", *(column for row in rows for column in row)])
    return table_text(list(columns), rows)
