"""What the columns of a motion table are, from its `channels.tsv`, and the units in which they may be told."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import Final

from imuswing.errors import RecordingError
from imuswing.recording.tables import Row, read_table, value
from imuswing.vocabulary import STANDARD_GRAVITY, TRACKED_POINTS

COMPONENTS: Final[tuple[str, ...]] = ("x", "y", "z")
LATENCY: Final = "LATENCY"
COLUMNS: Final[tuple[str, ...]] = ("name", "component", "type", "tracked_point", "units")
"""The columns that every channels.tsv begins with (BIDS 1.10, "Channels description")."""

UNITS: Final[Mapping[str, Mapping[str, float]]] = MappingProxyType(
    {
        "ACCEL": {"m/s^2": 1.0, "g": STANDARD_GRAVITY},
        "GYRO": {"rad/s": 1.0, "deg/s": math.pi / 180.0},
        "MAGN": {"uT": 1.0, "T": 1e6},
        LATENCY: {"s": 1.0},
    }
)
"""By channel type the units it may have, each with its factor to m/s², rad/s, µT or s; the first is what we write."""

INERTIAL_TYPES: Final[tuple[str, ...]] = ("ACCEL", "GYRO", "MAGN")


@dataclass(frozen=True, kw_only=True)
class Triad:
    """Three columns of a motion table (x, y, z), their factors to SI, and the unit of the first."""

    columns: tuple[int, int, int]
    factors: tuple[float, float, float]
    unit: str


@dataclass(frozen=True, kw_only=True)
class Channels:
    """The columns of one motion table.

    names: of every column.  latency: the column of the sample times, None where there is none.
    sensors: by tracked point and channel type (`ACCEL`, `GYRO`, perhaps `MAGN`) its three columns.
    """

    path: Path
    names: tuple[str, ...]
    latency: int | None
    sensors: Mapping[str, Mapping[str, Triad]]

    @property
    def wanted(self) -> list[int]:
        """The columns that are read, the sample times first."""
        triads = [triad for sensor in self.sensors.values() for triad in sensor.values()]
        times = [] if self.latency is None else [self.latency]
        return times + sorted(column for triad in triads for column in triad.columns)


def read_channels(path: Path) -> Channels:
    """The channels of a motion table; channels of other types than accelerometer, gyroscope, magnetometer are left out.

    Raises RecordingError for an unknown tracked point, component or unit, for a channel that stands twice, and for a
    tracked point whose accelerometer or gyroscope is not complete.
    """
    rows = read_table(path, needed=COLUMNS, missing_do="write it: one row for each column of the motion table")
    if not rows:
        raise RecordingError(path, "describes no channel", "write one row for each column of the motion table")
    latency: int | None = None
    found: dict[str, dict[str, dict[str, tuple[int, float, str]]]] = {}
    for column, row in enumerate(rows):
        place, kind = f"line {column + 2}", row["type"].strip()
        if kind not in UNITS:
            if kind.upper() in UNITS:
                raise RecordingError(path, f"{place} has the type {kind!r}", f"write {kind.upper()}")
            continue
        factor = _factor(path, place, kind, row["units"].strip())
        if kind == LATENCY:
            if latency is not None:
                raise RecordingError(path, f"{place} is a second LATENCY channel", "keep one column of sample times")
            latency = column
            continue
        point, component = _point_and_component(path, place, row)
        axes = found.setdefault(point, {}).setdefault(kind, {})
        if component in axes:
            before = axes[component][0] + 2
            raise RecordingError(
                path,
                f"has the {kind} {component} channel of {point} twice (lines {before} and {column + 2})",
                "keep one of the two, or give each sensor its own tracked_point",
            )
        axes[component] = (column, factor, row["units"].strip())
    return Channels(
        path=path,
        names=tuple(row["name"] for row in rows),
        latency=latency,
        sensors={point: _complete(path, point, kinds) for point, kinds in found.items()},
    )


def _factor(path: Path, place: str, kind: str, unit: str) -> float:
    """Factor to SI of a unit, if the channel type may have it."""
    if unit not in UNITS[kind]:
        raise RecordingError(
            path,
            f"{place} gives {kind} in {unit!r}",
            f"tell {kind} in {' or '.join(UNITS[kind])} and write that under units",
        )
    return UNITS[kind][unit]


def _point_and_component(path: Path, place: str, row: Row) -> tuple[str, str]:
    """Tracked point and component of an inertial channel, if they are legal."""
    point, component = value(row, "tracked_point"), row["component"].strip()
    if point not in TRACKED_POINTS:
        close = get_close_matches(point or "", TRACKED_POINTS, n=1)
        hint = f"did you mean {close[0]}? It" if close else "it"
        raise RecordingError(
            path,
            f"{place} has the tracked_point {row['tracked_point']!r}",
            f"{hint} must be one of {', '.join(TRACKED_POINTS)}",
        )
    if component not in COMPONENTS:
        raise RecordingError(path, f"{place} has the component {component!r}", f"write one of {', '.join(COMPONENTS)}")
    return point, component


def _complete(path: Path, point: str, kinds: Mapping[str, Mapping[str, tuple[int, float, str]]]) -> dict[str, Triad]:
    """The triads of a tracked point, if its accelerometer and gyroscope have all three components."""
    triads: dict[str, Triad] = {}
    for kind in INERTIAL_TYPES:
        axes = kinds.get(kind, {})
        if kind == "MAGN" and not axes:
            continue
        missing = [component for component in COMPONENTS if component not in axes]
        if missing:
            raise RecordingError(
                path,
                f"has no {kind} {', '.join(missing)} channel for {point}",
                "give each sensor ACCEL and GYRO with x, y and z, or take this tracked point out",
            )
        x, y, z = (axes[component] for component in COMPONENTS)
        triads[kind] = Triad(columns=(x[0], y[0], z[0]), factors=(x[1], y[1], z[1]), unit=x[2])
    return triads
