"""The data model that passes between the steps: a recording, its sensors' streams and its events.

All arrays are float64, read-only, in SI units (time s, gyr rad/s, acc m/s², mag µT), with lost samples NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from imuswing.errors import SettingsError, require_one_of
from imuswing.vocabulary import LEAD_SIDES, SAMPLE_MEANINGS, TRACKED_POINTS, TRIAL_TYPES, LeadSide, SampleMeaning

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]


def frozen_array(values: npt.ArrayLike, *, name: str, columns: int | None = None) -> FloatArray:
    """A read-only C-contiguous float64 array, (N,) or (N, columns); no copy where the input is one already."""
    array = np.ascontiguousarray(values, dtype=np.float64)
    expected = 1 if columns is None else 2
    if array.ndim != expected or (columns is not None and array.shape[1] != columns):
        shape = "(N,)" if columns is None else f"(N, {columns})"
        raise SettingsError(f"{name} has shape {array.shape}; it must be {shape}")
    if array.flags.writeable:
        array = array.view()
        array.flags.writeable = False
    return array


@dataclass(frozen=True, kw_only=True)
class SensorStream:
    """What one sensor measured, in its own axes and on its own tracking system's clock.

    tracked_point: one of `vocabulary.TRACKED_POINTS`.
    tracking_system: name of the clock that the sensor shares, as in the file name.
    rate: nominal samples per second, Hz.
    time: (N,) s, strictly increasing, counted from the tracking system's first sample.
    gyr: (N, 3) rad/s.  acc: (N, 3) m/s², +9.8 upward at rest.  mag: (N, 3) µT, or None.
    sample_meaning: `instant`, or `mean` over the interval before the sample.
    gyr_range, acc_range: full scale, rad/s and m/s²; None where unknown (clipping is then found in the data).
    """

    tracked_point: str
    tracking_system: str
    rate: float
    time: FloatArray
    gyr: FloatArray
    acc: FloatArray
    mag: FloatArray | None = None
    sample_meaning: SampleMeaning = "instant"
    gyr_range: float | None = None
    acc_range: float | None = None

    def __post_init__(self) -> None:
        require_one_of("tracked_point", self.tracked_point, TRACKED_POINTS)
        require_one_of("sample_meaning", self.sample_meaning, SAMPLE_MEANINGS)
        if not (np.isfinite(self.rate) and self.rate > 0):
            raise SettingsError(f"rate is {self.rate!r}; it must be a positive number of Hz")
        object.__setattr__(self, "time", frozen_array(self.time, name="time"))
        object.__setattr__(self, "gyr", frozen_array(self.gyr, name="gyr", columns=3))
        object.__setattr__(self, "acc", frozen_array(self.acc, name="acc", columns=3))
        if self.mag is not None:
            object.__setattr__(self, "mag", frozen_array(self.mag, name="mag", columns=3))
        lengths = {len(self.time), len(self.gyr), len(self.acc)} | ({len(self.mag)} if self.mag is not None else set())
        if len(lengths) != 1:
            raise SettingsError(f"time, gyr, acc and mag of {self.tracked_point} differ in length: {sorted(lengths)}")

    @property
    def duration_s(self) -> float:
        """Seconds from the first sample to the last."""
        return float(self.time[-1] - self.time[0]) if len(self.time) else 0.0


@dataclass(frozen=True, kw_only=True)
class Event:
    """One row of an events file; onset and duration in s on the clock of the first tracking system."""

    onset: float
    duration: float
    trial_type: str
    block: str | None = None
    intent: str | None = None
    outcome: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        require_one_of("trial_type", self.trial_type, TRIAL_TYPES)
        if not np.isfinite(self.onset) or not np.isfinite(self.duration) or self.duration < 0:
            raise SettingsError(f"event {self.trial_type}: onset {self.onset!r} and duration {self.duration!r} s")

    @property
    def end(self) -> float:
        """onset + duration, s."""
        return self.onset + self.duration


@dataclass(frozen=True, kw_only=True)
class Recording:
    """One recording of one student: sensors by tracked point, events, and whose it is.

    start_hints: by tracking system, its start in s after the first system's, from `acq_time`; a hint only (it may be
    exact or rounded to the second), absent where it is not known.
    simulated: whether its dataset says that it is of no real person.
    notes: sentences about what was left out in reading.  strange_events: about events of types that are none of ours.
    source: path of the first `*_motion.tsv`, None for a recording made in memory.
    """

    participant: str
    lead_side: LeadSide
    sensors: Mapping[str, SensorStream]
    events: tuple[Event, ...] = ()
    session: str | None = None
    task: str | None = None
    acq: str | None = None
    run: str | None = None
    start_hints: Mapping[str, float] = field(default_factory=dict)
    simulated: bool = False
    notes: tuple[str, ...] = ()
    strange_events: tuple[str, ...] = ()
    source: Path | None = None

    def __post_init__(self) -> None:
        require_one_of("lead_side", self.lead_side, LEAD_SIDES)
        for point, stream in self.sensors.items():
            if stream.tracked_point != point:
                raise SettingsError(f"sensor {stream.tracked_point!r} stands under the name {point!r}")
        ordered = {point: self.sensors[point] for point in TRACKED_POINTS if point in self.sensors}
        object.__setattr__(self, "sensors", MappingProxyType(ordered))
        object.__setattr__(self, "start_hints", MappingProxyType(dict(self.start_hints)))
        object.__setattr__(self, "events", tuple(sorted(self.events, key=lambda event: event.onset)))

    @property
    def tracking_systems(self) -> tuple[str, ...]:
        """Names of the clocks, sorted; the first is the one that events are told on."""
        return tuple(sorted({stream.tracking_system for stream in self.sensors.values()}))

    def of_type(self, *trial_types: str) -> tuple[Event, ...]:
        """The events of the given types, in time order."""
        return tuple(event for event in self.events if event.trial_type in trial_types)

    def with_events(self, events: tuple[Event, ...]) -> Recording:
        """The same recording with other events."""
        return replace(self, events=events)
