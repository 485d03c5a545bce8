"""Sensors by Lab Streaming Layer (an open standard): each of its streams is a tracking system.

The library opens ports on all of the computer's addresses and knows no passwords, so it is loaded only when asked for.
Times are put on this computer's clock by the library's own clock synchronisation; nothing is smoothed.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np

from imuswing.errors import MissingExtraError, SettingsError
from imuswing.formats.names import point_of, read_name, unit_of
from imuswing.live.model import TIME_COLUMN, Arrival, Chunk, SensorHead, SystemHead
from imuswing.live.replay import TURN_S
from imuswing.recording.channels import COMPONENTS, UNITS
from imuswing.recording.model import FloatArray
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

FIND_S: Final = 3.0
"""Streams are waited for so long (they announce themselves within a second; common practice, no source)."""
DECIMALS: Final = 6
"""µrad/s, µm/s² and µs: streams are single precision, which holds no more."""
KINDS: Final = {"acc": "ACCEL", "gyr": "GYRO", "mag": "MAGN"}
MOST_SAMPLES: Final = 4096
"""Samples that are taken from a stream in one turn at most."""


@dataclass(frozen=True, kw_only=True)
class StreamMap:
    """Where a stream's channels go. head: of its tracking system.  order: (columns − 1,) channel of each column but the
    time; factors: the same, to SI."""

    head: SystemHead
    order: tuple[int, ...]
    factors: tuple[float, ...]


def map_stream(name: str, rate: float, labels: Sequence[str], units: Sequence[str]) -> StreamMap | None:
    """How a stream of the given name, rate and channels is read; None where it has no sensor of ours.

    A channel's label tells the kind and axis (`acc_x`, `gyro z`), label or stream name where the sensor is worn
    (`chest`, `lead_hand`), its unit is stated. Raises SettingsError where one of them is missing.
    """
    found: dict[str, dict[str, dict[str, tuple[int, float]]]] = {}
    for index, (label, unit) in enumerate(zip(labels, units, strict=True)):
        read = read_name(label)
        point = point_of(read.group) or point_of(name)
        if read.kind not in KINDS or read.axis not in COMPONENTS or point is None:
            continue
        axes = found.setdefault(point, {}).setdefault(read.kind, {})
        axes[read.axis] = index, _factor(name, label, read.kind, unit or read.unit or "")
    if not found:
        return None
    if not rate > 0.0:
        raise SettingsError(f"the stream {name!r} does not say its rate; let it state its nominal rate in Hz")
    sensors, order, factors = [], [], []
    for point, kinds in found.items():
        for kind in ("acc", "gyr"):
            missing = [axis for axis in COMPONENTS if axis not in kinds.get(kind, {})]
            if missing:
                raise SettingsError(f"the stream {name!r} has no {KINDS[kind]} {', '.join(missing)} of {point}")
        has_mag = all(axis in kinds.get("mag", {}) for axis in COMPONENTS)
        sensors.append(SensorHead(tracked_point=point, has_mag=has_mag))
        for kind in ("acc", "gyr", "mag") if has_mag else ("acc", "gyr"):
            for axis in COMPONENTS:
                channel, factor = kinds[kind][axis]
                order.append(channel)
                factors.append(factor)
    system = re.sub("[^0-9A-Za-z]", "", name) or "lsl"
    head = SystemHead(name=system, rate=float(rate), sensors=tuple(sensors))
    return StreamMap(head=head, order=tuple(order), factors=tuple(factors))


def _factor(name: str, label: str, kind: str, unit: str) -> float:
    legal = UNITS[KINDS[kind]]
    told = unit if unit in legal else unit_of(unit, kind)
    if told is None or told not in legal:
        raise SettingsError(
            f"the stream {name!r} gives {label!r} in {unit!r}; let it state one of the units {', '.join(legal)}"
        )
    return legal[told]


class LabStreams:
    """All streams on the network that hold sensors of ours. Times: s since `begin`, by this computer's clock."""

    speed: float | None = None

    def __init__(self, *, find_s: float = FIND_S) -> None:
        try:
            import pylsl
        except (ImportError, RuntimeError) as error:
            raise MissingExtraError("live", "Lab Streaming Layer") from error
        self._clock = pylsl.local_clock
        self._inlets: dict[str, tuple[StreamMap, Any]] = {}
        seen = []
        for info in pylsl.resolve_streams(wait_time=find_s):
            # Names and units of the channels come with the connection only.
            inlet = pylsl.StreamInlet(info, processing_flags=pylsl.proc_clocksync, recover=True)
            labels, units = _channels(inlet.info(timeout=find_s))
            seen.append(info.name())
            found = map_stream(info.name(), info.nominal_srate(), labels, units)
            if found is None:
                inlet.close_stream()
                continue
            if found.head.name in self._inlets:
                raise SettingsError(f"two streams have the name {info.name()!r}; give each a name of its own")
            self._inlets[found.head.name] = found, inlet
        if not self._inlets:
            told = f"only {', '.join(map(repr, seen))}" if seen else "none"
            raise SettingsError(
                f"no stream with accelerometer and gyroscope of a tracked point was found ({told}); "
                "start the sensors' program, and let stream or channels be named after where they are worn"
            )
        self.heads = tuple(found.head for _, (found, _) in sorted(self._inlets.items()))
        _check_points(self.heads)
        self._first: dict[str, float] = {}
        self._zero: float | None = None

    def take_up(self, began: datetime, delays: Mapping[str, float]) -> None:
        """As of `model.Source`: the gap is as long as the calendar says, since clocks start anew with the computer."""
        self._zero = float(self._clock()) - (datetime.now(UTC) - began).total_seconds()
        self._first = dict(delays)

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        """As of `model.Source`; it never ends by itself."""
        for _, inlet in self._inlets.values():
            inlet.open_stream()
            inlet.time_correction(timeout=5.0)
            inlet.flush()
        began = float(self._clock())
        zero, turn = began if self._zero is None else self._zero, 0
        try:
            while True:
                turn += 1
                wait = began + turn * TURN_S - float(self._clock())
                if wait > 0.0:
                    time.sleep(wait)
                else:
                    turn += int(-wait / TURN_S)
                now = float(self._clock()) - zero
                chunks = [self._pulled(name, zero, now) for name in self._inlets]
                yield Arrival(now=now, chunks=tuple(chunk for chunk in chunks if chunk is not None))
        finally:
            for _, inlet in self._inlets.values():
                inlet.close_stream()

    def _pulled(self, name: str, zero: float, now: float) -> Chunk | None:
        found, inlet = self._inlets[name]
        try:
            samples, stamps = inlet.pull_chunk(timeout=0.0, max_samples=MOST_SAMPLES, as_numpy=True)
        except RuntimeError:
            # Its LostError: a stream without a source id cannot be found again. It has dropped out, the others go on.
            return None
        if not len(stamps):
            return None
        taken = np.asarray(stamps, dtype=np.float64) - zero
        first = self._first.setdefault(name, float(taken[0]))
        rows: FloatArray = np.empty((len(taken), found.head.columns))
        rows[:, TIME_COLUMN] = np.round(taken - first, DECIMALS)
        data = np.asarray(samples, dtype=np.float64)[:, list(found.order)] * np.array(found.factors)
        rows[:, 1:] = np.round(data, DECIMALS)
        return Chunk(system=name, rows=rows, arrival=now)


def _channels(info: Any) -> tuple[list[str], list[str]]:
    """Labels and units of a stream's channels, as its description has them; empty where it is silent."""
    labels = info.get_channel_labels() or []
    units = info.get_channel_units() or []
    count = info.channel_count()
    return (
        [str(label or "") for label in labels] + [""] * (count - len(labels)),
        [str(unit or "") for unit in units] + [""] * (count - len(units)),
    )


def not_there(heads: Sequence[SystemHead]) -> str | None:
    """One sentence about the sensors of a lesson that no stream holds; None where all are there."""
    worn = {sensor.tracked_point for head in heads for sensor in head.sensors}
    lacking = [point.replace("_", " ") for point in (CHEST, LEAD_FOREARM, LEAD_HAND) if point not in worn]
    if not lacking:
        return None
    return f"no stream of {', '.join(lacking)} was found: the recording goes without, unless you stop, switch on, start"


def _check_points(heads: Sequence[SystemHead]) -> None:
    points = [sensor.tracked_point for head in heads for sensor in head.sensors]
    twice = sorted({point for point in points if points.count(point) > 1})
    if twice:
        raise SettingsError(f"two streams are worn at {', '.join(twice)}; switch one of them off")
