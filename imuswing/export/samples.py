"""A recording as tidy tables: one row a sample of a sensor, and one row an event."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa

from imuswing.recording.model import FloatArray, Recording, SensorStream

LABELS: Final = ("participant", "session", "task", "acq", "run")
AXES: Final = "xyz"
QUANTITIES: Final = (("acc", "mps2", "m/s^2"), ("gyr", "radps", "rad/s"), ("mag", "ut", "uT"))
"""Attribute of a stream, unit in the name of its columns, and unit as Motion-BIDS writes it."""
EVENT_COLUMNS: Final = ("onset", "duration", "trial_type", "block", "intent", "outcome", "note")
"""As in the events file of a Motion-BIDS dataset, so that `imuswing import --events` takes them."""


def sample_columns(*, mag: bool) -> dict[str, str]:
    """By numeric column of the table of samples its unit."""
    told = [(f"{name}_{axis}_{short}", unit) for name, short, unit in QUANTITIES for axis in AXES]
    return {"time_s": "s"} | dict(told if mag else told[:6])


def sample_schema(*, mag: bool, labels: bool) -> pa.Schema:
    """Arrow schema of the table of samples; `labels`: whose recording it is stands in columns too."""
    texts = [*(LABELS if labels else ()), "tracked_point", "tracking_system"]
    numbers = [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in sample_columns(mag=mag).items()]
    return pa.schema([*(pa.field(name, pa.string()) for name in texts), *numbers])


def sample_tables(recording: Recording, *, mag: bool, labels: bool) -> Iterator[pa.Table]:
    """The samples of one sensor after the other, in SI, lost ones null; time is that of its tracking system.

    mag: with columns of magnetometers, null for a sensor that has none.
    """
    schema = sample_schema(mag=mag, labels=labels)
    told = [getattr(recording, name) for name in LABELS] if labels else []
    for stream in recording.sensors.values():
        texts = [*told, stream.tracked_point, stream.tracking_system]
        columns = [pa.repeat(pa.scalar(text, pa.string()), len(stream.time)) for text in texts]
        columns += [pa.array(values, from_pandas=True) for values in _numbers(stream, mag=mag)]
        yield pa.Table.from_arrays(columns, schema=schema)


def _numbers(stream: SensorStream, *, mag: bool) -> Iterator[FloatArray]:
    yield stream.time
    for name, _, _ in QUANTITIES[: 3 if mag else 2]:
        values = getattr(stream, name)
        for axis in range(3):
            yield np.full(len(stream.time), np.nan) if values is None else values[:, axis]


def about_recording(recording: Recording) -> dict[str, str]:
    """What a table of samples cannot hold, for the metadata of a Parquet file: JSON under `imuswing_recording`."""
    sensors: dict[str, dict[str, Any]] = {
        point: {
            "rate_hz": stream.rate,
            "tracking_system": stream.tracking_system,
            "sample_meaning": stream.sample_meaning,
            "gyr_range_radps": stream.gyr_range,
            "acc_range_mps2": stream.acc_range,
        }
        for point, stream in recording.sensors.items()
    }
    told = {name: getattr(recording, name) for name in LABELS}
    told |= {
        "lead_side": recording.lead_side,
        "simulated": recording.simulated,
        "start_hints_s": dict(recording.start_hints),
        "sensors": sensors,
    }
    return {"imuswing_recording": json.dumps(told, ensure_ascii=False)}


def event_table(recordings: Sequence[Recording], *, labels: bool) -> pa.Table:
    """One row an event; onset and duration in s on the clock of the recording's first tracking system."""
    rows = [(recording, event) for recording in recordings for event in recording.events]
    told = [pa.field(name, pa.string()) for name in (LABELS if labels else ())]
    columns = [pa.array([getattr(recording, field.name) for recording, _ in rows], pa.string()) for field in told]
    for name in EVENT_COLUMNS:
        kind = pa.float64() if name in ("onset", "duration") else pa.string()
        told.append(pa.field(name, kind, metadata={"unit": "s"} if kind == pa.float64() else None))
        columns.append(pa.array([getattr(event, name) for _, event in rows], kind))
    return pa.Table.from_arrays(columns, schema=pa.schema(told))
