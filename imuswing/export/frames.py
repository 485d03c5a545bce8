"""A swing frame by frame: orientations of the segments, angles and moments on one even grid of time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa

from imuswing.measures.dictionary import CURVE_UNITS, KEY_COLUMNS, MOMENT_COLUMNS
from imuswing.measures.orientations import FOLLOWED, orientation_columns
from imuswing.recording.model import FloatArray
from imuswing.vocabulary import LeadSide

if TYPE_CHECKING:
    import pandas as pd

Labels = tuple[str | None, ...]
MOMENTS: Final = {name: name.removesuffix("_s") for name in MOMENT_COLUMNS}
"""By column of the table of swings the moment's name."""
RATE_DIGITS: Final = 6
"""A rate told from times is rounded to a millionth of a Hz, which float64 times tell surely."""
ANGLES: Final = tuple(name for name in CURVE_UNITS if name != "time_s")


@dataclass(frozen=True, kw_only=True)
class SwingFrames:
    """One swing on an even grid.

    keys: participant, session, task, acq, run, swing.  rate: frames a second, Hz.  time: (N,) s, 0 at impact.
    q: by tracked point (N, 4), earth from segment, scalar first; the frame is that of `measures.orientations`.
    angles: by column of the curves (N,), in the units of their names, NaN where not known.
    moments: names and s from impact, in the order of time.  impact_s: on the recording's clock.
    """

    keys: Mapping[str, Any]
    lead_side: LeadSide
    rate: float
    time: FloatArray
    q: Mapping[str, FloatArray]
    angles: Mapping[str, FloatArray]
    moments: tuple[tuple[str, float], ...]
    impact_s: float
    kind: str


def swing_frames(
    swings: pd.DataFrame,
    curves: pd.DataFrame,
    orientations: pd.DataFrame,
    *,
    lead_sides: Mapping[Labels, LeadSide],
) -> Iterator[SwingFrames]:
    """Every swing of results that has orientations, frame by frame at the times of its orientations.

    lead_sides: by participant, session, task, acq and run (None where there is none).
    """
    keys = list(KEY_COLUMNS)
    by_swing = {_key(key): group for key, group in curves.groupby(keys, dropna=False, sort=False)}
    turned = {_key(key): group for key, group in orientations.groupby(keys, dropna=False, sort=False)}
    for row in swings.to_dict("records"):
        key = _key(tuple(row[name] for name in keys))
        if key in turned:
            yield _frames(row, key, by_swing.get(key), turned[key], lead_sides[key[:-1]])


def _key(values: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(None if value is None or value != value else value for value in values)


def _frames(
    row: Mapping[str, Any], key: tuple[Any, ...], curves: Any, turned: pd.DataFrame, lead_side: LeadSide
) -> SwingFrames:
    time = turned["time_s"].to_numpy(dtype=np.float64)
    q = {}
    for point in FOLLOWED:
        values = turned[list(orientation_columns((point,)))].to_numpy(dtype=np.float64)
        if np.isfinite(values).all():
            q[point] = values
    angles = {}
    for name in ANGLES:
        known = curves is not None and name in curves
        angles[name] = _at(curves["time_s"], curves[name], time) if known else np.full(len(time), np.nan)
    told = ((name, float(row[column] - row["impact_s"])) for column, name in MOMENTS.items())
    return SwingFrames(
        keys=dict(zip(KEY_COLUMNS, key, strict=True)),
        lead_side=lead_side,
        rate=round((len(time) - 1) / float(time[-1] - time[0]), RATE_DIGITS) if len(time) > 1 else 1.0,
        time=time,
        q=q,
        angles=angles,
        moments=tuple(sorted((pair for pair in told if np.isfinite(pair[1])), key=lambda pair: pair[1])),
        impact_s=float(row["impact_s"]),
        kind=str(row["kind"]),
    )


def _at(time: Any, values: Any, at: FloatArray) -> FloatArray:
    """Values by straight lines between the curve's own samples; NaN outside of them and beside unknown ones."""
    return np.asarray(np.interp(at, time.to_numpy(), values.to_numpy(), left=np.nan, right=np.nan), dtype=np.float64)


def frame_schema() -> pa.Schema:
    """Arrow schema of the table of frames."""
    told = [pa.field(name, pa.int64() if name == "swing" else pa.string()) for name in KEY_COLUMNS]
    told += [pa.field("kind", pa.string()), pa.field("frame", pa.int64())]
    told += [_number("time_s", "s"), _number("recording_time_s", "s"), pa.field("event", pa.string())]
    told += [_number(name, "1") for name in orientation_columns()]
    told += [_number(name, CURVE_UNITS[name]) for name in ANGLES]
    return pa.schema(told)


def _number(name: str, unit: str) -> pa.Field:
    return pa.field(name, pa.float64(), metadata={"unit": unit})


def frame_table(swing: SwingFrames) -> pa.Table:
    """One row a frame: whose swing, times, the moment whose nearest frame this is, quaternions and angles."""
    count = len(swing.time)
    columns: dict[str, Any] = {
        name: pa.repeat(pa.scalar(value, pa.int64() if name == "swing" else pa.string()), count)
        for name, value in swing.keys.items()
    }
    columns["kind"] = pa.repeat(swing.kind, count)
    columns["frame"] = np.arange(1, count + 1)
    columns["time_s"] = swing.time
    columns["recording_time_s"] = swing.impact_s + swing.time
    columns["event"] = pa.array(_events(swing), pa.string())
    for point in FOLLOWED:
        values = swing.q.get(point, np.full((count, 4), np.nan))
        columns |= dict(zip(orientation_columns((point,)), np.ascontiguousarray(values.T), strict=True))
    columns |= {name: swing.angles.get(name, np.full(count, np.nan)) for name in ANGLES}
    schema = frame_schema()
    arrays = [pa.array(columns[field.name], field.type, from_pandas=True) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)


def _events(swing: SwingFrames) -> list[str | None]:
    """By frame the moment that is nearest to it, None for all others; two moments of one frame share it."""
    told: list[list[str]] = [[] for _ in swing.time]
    for name, at in swing.moments:
        if swing.time[0] <= at <= swing.time[-1]:
            told[int(np.argmin(np.abs(swing.time - at)))].append(name)
    return [" ".join(names) or None for names in told]


def lead_sides_of(records: Sequence[Mapping[str, Any]]) -> dict[Labels, LeadSide]:
    """By a recording's labels the lead side that its quality record tells."""
    told = [record["recording"] for record in records]
    return {tuple(about[name] for name in KEY_COLUMNS[:-1]): about["lead_side"] for about in told}
