"""What arrives: the sensors that share a clock, their rows as they come, and whose recording it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Protocol

import numpy as np

from imuswing.errors import SettingsError
from imuswing.recording.model import Event, FloatArray, Recording, SensorStream
from imuswing.vocabulary import LeadSide, SampleMeaning

TIME_COLUMN = 0
"""Of a system's rows: s on the system's own clock, from its first sample on."""


@dataclass(frozen=True, kw_only=True)
class SensorHead:
    """One sensor before its first sample; fields as of `recording.model.SensorStream`."""

    tracked_point: str
    sample_meaning: SampleMeaning = "instant"
    gyr_range: float | None = None
    acc_range: float | None = None
    has_mag: bool = False

    @property
    def channels(self) -> int:
        """How many columns it has: accelerometer, gyroscope, and magnetometer if it has one."""
        return 9 if self.has_mag else 6


@dataclass(frozen=True, kw_only=True)
class SystemHead:
    """Sensors that share a clock. name: of the tracking system.  rate: nominal, Hz."""

    name: str
    rate: float
    sensors: tuple[SensorHead, ...]

    @property
    def columns(self) -> int:
        """Columns of its rows: the time, then acc x y z, gyr x y z (and mag x y z) of each sensor."""
        return 1 + sum(sensor.channels for sensor in self.sensors)

    def place(self, point: str) -> int:
        """The first column of a sensor."""
        column = 1
        for sensor in self.sensors:
            if sensor.tracked_point == point:
                return column
            column += sensor.channels
        raise SettingsError(f"{self.name} has no sensor {point!r}")

    def streams(self, rows: FloatArray) -> dict[str, SensorStream]:
        """Rows (N, columns) as streams by tracked point; times stay as they are."""
        found = {}
        for sensor in self.sensors:
            first = self.place(sensor.tracked_point)
            found[sensor.tracked_point] = SensorStream(
                tracked_point=sensor.tracked_point,
                tracking_system=self.name,
                rate=self.rate,
                time=rows[:, TIME_COLUMN],
                acc=rows[:, first : first + 3],
                gyr=rows[:, first + 3 : first + 6],
                mag=rows[:, first + 6 : first + 9] if sensor.has_mag else None,
                sample_meaning=sensor.sample_meaning,
                gyr_range=sensor.gyr_range,
                acc_range=sensor.acc_range,
            )
        return found

    @classmethod
    def of(cls, streams: Sequence[SensorStream]) -> SystemHead:
        """The head of streams that share a clock."""
        sensors = tuple(
            SensorHead(
                tracked_point=stream.tracked_point,
                sample_meaning=stream.sample_meaning,
                gyr_range=stream.gyr_range,
                acc_range=stream.acc_range,
                has_mag=stream.mag is not None,
            )
            for stream in streams
        )
        return cls(name=streams[0].tracking_system, rate=streams[0].rate, sensors=sensors)

    @classmethod
    def from_data(cls, data: dict[str, Any]) -> SystemHead:
        """From what `asdict` made of one."""
        sensors = tuple(SensorHead(**sensor) for sensor in data["sensors"])
        return cls(name=data["name"], rate=data["rate"], sensors=sensors)


def rows_of(streams: Sequence[SensorStream]) -> FloatArray:
    """Streams that share a clock as rows (N, columns), in the order of their head."""
    columns = [streams[0].time[:, None]]
    for stream in streams:
        columns += [stream.acc, stream.gyr] + ([stream.mag] if stream.mag is not None else [])
    return np.concatenate(columns, axis=1)


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """Rows (n, columns) of one system as they arrived, at `arrival` s by this computer's clock since the start."""

    system: str
    rows: FloatArray
    arrival: float


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """All that came within one turn of the loop. now: s by this computer's clock since the start.

    events: what a replayed recording's coach noted by now.  behind_s: by how much the loop is late (of a replay: at
    speed 1).
    """

    now: float
    chunks: tuple[Chunk, ...] = ()
    events: tuple[Event, ...] = ()
    behind_s: float = 0.0


class Source(Protocol):
    """Where samples come from."""

    heads: tuple[SystemHead, ...]
    speed: float | None
    """Of a replay; None for sensors."""

    def take_up(self, began: datetime, delays: Mapping[str, float]) -> None:
        """Before `arrivals`: an interrupted recording goes on that began then; delays: arrival minus own time, s."""

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        """What comes, turn by turn; after: by system, the last time that an interrupted recording holds already."""


@dataclass(frozen=True, kw_only=True)
class Session:
    """Whose recording it is, and which; labels as in file names."""

    participant: str
    session: str
    task: str
    lead_side: LeadSide
    run: str | None = None
    simulated: bool = False


def recording_named(
    session: Session, sensors: Mapping[str, SensorStream], events: Sequence[Event], offsets: Mapping[str, float]
) -> Recording:
    """Sensors by tracked point as a session's recording; offsets: by system, its start after the first one's, s."""
    return Recording(
        participant=session.participant,
        session=session.session,
        task=session.task,
        run=session.run,
        lead_side=session.lead_side,
        sensors=sensors,
        events=tuple(events),
        start_hints=dict(offsets),
        simulated=session.simulated,
    )


def head_data(session: Session, heads: Sequence[SystemHead]) -> dict[str, Any]:
    """Session and heads as plain data."""
    return {"session": asdict(session), "systems": [asdict(head) for head in heads]}
