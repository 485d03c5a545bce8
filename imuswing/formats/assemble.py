"""From tables and their maps to a recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.formats.mapping import UNITS, FileMap, SensorMap, map_for
from imuswing.formats.table import Table
from imuswing.formats.times import Times, even_times, to_times
from imuswing.recording.model import FloatArray, SensorStream
from imuswing.vocabulary import SampleMeaning

UNDATED: Final = datetime(1925, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Assembled:
    """Streams by tracked point, and their clocks.

    starts: by tracking system the first sample on the file's own clock, s.  absolute: all those clocks count from 1970.
    shared: they are one clock that counts from anywhere.  dated: when the files say that they were begun.
    notes: what was done, in sentences.
    """

    sensors: dict[str, SensorStream]
    starts: dict[str, float]
    absolute: bool
    shared: bool
    dated: datetime | None
    notes: tuple[str, ...]

    @property
    def start_hints(self) -> dict[str, float]:
        """Starts after that of the first system, where the clocks can be compared."""
        first = self.starts[min(self.starts)]
        return {system: start - first for system, start in self.starts.items()} if self.comparable else {}

    @property
    def comparable(self) -> bool:
        """Whether the clocks count from one moment."""
        return self.absolute or self.shared

    @property
    def acq_time(self) -> datetime | None:
        """When the first tracking system began, None where nothing tells."""
        if self.absolute:
            return datetime.fromtimestamp(self.starts[min(self.starts)], tz=UTC)
        # Starts that differ can only be told in scans.tsv, which counts from a date: a clock without one gets the year
        # that BIDS keeps for dates that are not to be known (1925 or earlier; BIDS 1.10, scans file).
        return (self.dated or UNDATED) if self.shared and len(self.starts) > 1 else self.dated


def assemble(tables: Sequence[Table], maps: Sequence[FileMap]) -> Assembled:
    """The sensors of all tables that a map is for; RecordingError where a column or a map is missing."""
    sensors: dict[str, SensorStream] = {}
    starts: dict[str, float] = {}
    absolute: list[bool] = []
    notes: list[str] = []
    used: list[Table] = []
    pairs = [(table, map_for(maps, file=table.source.name, table=table.name)) for table in tables]
    several = sum(one is not None and len(one.sensors) > 1 for _, one in pairs)
    for table, one in pairs:
        if one is None:
            if len({t.source for t in tables}) > 1 and not any(m for t, m in pairs if t.source == table.source):
                raise RecordingError(table.source, "the map has no entry for it", "add a [[file]] with its name")
            continue
        times = _times(table, one)
        system = _system(one, len(used) if several > 1 else None)
        for sensor in one.sensors:
            if sensor.point in sensors:
                raise RecordingError(table.source, f"is a second sensor at {sensor.point}", "change its map")
            sensors[sensor.point] = _stream(table, sensor, one, times, system)
        starts[system] = times.start
        absolute.append(times.absolute)
        notes += times.notes
        used.append(table)
    if not sensors:
        raise RecordingError(tables[0].source, "no map fits it", "change `file` in the map to its name")
    clocks = {table.shared_clock for table in used}
    return Assembled(
        sensors=sensors,
        starts=starts,
        absolute=all(absolute),
        shared=len(clocks) == 1 and None not in clocks,
        dated=min((table.dated for table in used if table.dated is not None), default=None),
        notes=tuple(dict.fromkeys([*notes, *(note for table in used for note in table.notes)])),
    )


def _system(one: FileMap, number: int | None) -> str:
    """Name of a tracking system: that of its only sensor, else `imu`."""
    if len(one.sensors) == 1:
        return one.sensors[0].point.replace("_", "")
    return "imu" if number is None else f"imu{number + 1}"


def _times(table: Table, one: FileMap) -> Times:
    if one.time is None:
        assert one.rate_hz is not None, "a map has a time or a rate"
        return even_times(table.count, one.rate_hz)
    above = table.layout.get("skip")
    return to_times(
        _column(table, one.time.column),
        one.time,
        source=table.source,
        rate=one.rate_hz,
        above=above if isinstance(above, int) else None,
    )


def _column(table: Table, name: str) -> FloatArray:
    if name not in table.columns:
        there = ", ".join(table.columns)
        raise RecordingError(table.source, f"has no column {name!r} of numbers", f"change the map; it has {there}")
    return table.columns[name]


def _stream(table: Table, sensor: SensorMap, one: FileMap, times: Times, system: str) -> SensorStream:
    arrays: dict[str, FloatArray | None] = {}
    for kind in UNITS:
        names = getattr(sensor, kind)
        unit = getattr(sensor, f"{kind}_unit")
        factor = UNITS[kind][unit] if isinstance(unit, str) else float(unit)
        arrays[kind] = None if names is None else np.column_stack([_signed(table, name) for name in names]) * factor
    acc, gyr = arrays["acc"], arrays["gyr"]
    assert acc is not None, "a sensor map names it"
    assert gyr is not None, "a sensor map names it"
    meaning: SampleMeaning = "mean" if one.sample_meaning == "mean" else "instant"
    return SensorStream(
        tracked_point=sensor.point,
        tracking_system=system,
        rate=times.rate,
        time=times.time,
        acc=acc,
        gyr=gyr,
        mag=arrays["mag"],
        sample_meaning=meaning,
    )


def _signed(table: Table, name: str) -> FloatArray:
    """A column, with the other sign where its name in the map begins with a minus."""
    if name not in table.columns and name.startswith("-"):
        return -_column(table, name[1:])
    return _column(table, name)
