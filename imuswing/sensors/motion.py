"""What the later steps get of each sensor: motion on one clock, with every sample accounted for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np

from imuswing.errors import SettingsError, require_one_of
from imuswing.recording.model import BoolArray, FloatArray, SensorStream, frozen_array
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.columns import runs, span_sums
from imuswing.vocabulary import TRACKED_POINTS

Level = Literal["problem", "advice"]
LEVELS: tuple[str, ...] = ("problem", "advice")


@dataclass(frozen=True, kw_only=True)
class Motion:
    """One sensor after preparation, in its own axes; all arrays are read-only.

    tracked_point: one of `vocabulary.TRACKED_POINTS`.
    rate: Hz, the exact spacing of `time`.
    time: (N,) s on the recording's common clock (that of its first tracking system), evenly spaced.
    gyr: (N, 3) rad/s at the instants `time`; still bias removed, short gaps and clipped stretches bridged.
    acc: (N, 3) m/s² at the same instants, bridged; +9.8 upward at rest.
    mag: (N, 3) µT, or None.
    increments: (N, 3) rad, rotation vector from sample k - 1 to sample k in the axes of sample k - 1; row 0 is zero.
    lost: (N,) bridged over missing samples.  clipped, acc_clipped: (N,) the sensor was at its limit there.
    unusable: (N,) within a missing or clipped stretch too long to bridge: filled, but not to be believed.
    still: (N,) within a stretch of stillness.
    gyr_noise, acc_noise: standard deviation of a sample at rest, each axis, rad/s and m/s².
    gyr_se: (N,) rad/s, standard error of a sample of `gyr`: `gyr_noise`, and more where it was bridged; within one
        bridged stretch the error has one sign, so it adds up over the stretch.
    bias: (3,) rad/s, the mean of what was removed.  bias_se: rad/s, standard error of what remains, each axis,
        drift included.
    """

    tracked_point: str
    rate: float
    time: FloatArray
    gyr: FloatArray
    acc: FloatArray
    mag: FloatArray | None
    increments: FloatArray
    lost: BoolArray
    clipped: BoolArray
    acc_clipped: BoolArray
    unusable: BoolArray
    still: BoolArray
    gyr_noise: float
    acc_noise: float
    gyr_se: FloatArray
    bias: FloatArray
    bias_se: float

    def __post_init__(self) -> None:
        require_one_of("tracked_point", self.tracked_point, TRACKED_POINTS)
        for name in ("gyr", "acc", "increments"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), name=name, columns=3))
        for name in ("time", "gyr_se", "bias"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), name=name))
        if self.mag is not None:
            object.__setattr__(self, "mag", frozen_array(self.mag, name="mag", columns=3))
        for name in ("gyr", "acc", "increments", "gyr_se", "lost", "clipped", "acc_clipped", "unusable", "still"):
            if len(getattr(self, name)) != len(self.time):
                raise SettingsError(f"{name} of {self.tracked_point} has not the length of its time")
        for name in ("lost", "clipped", "acc_clipped", "unusable", "still"):
            mask = getattr(self, name).view()
            mask.flags.writeable = False
            object.__setattr__(self, name, mask)


def turn_lost(motion: Motion, times: FloatArray) -> FloatArray:
    """How little bridged stretches leave known of where the sensor has turned to: variance (T,) rad² about any one
    axis, from the start of the motion to each of `times` (T,) s."""
    first, last = runs(motion.lost | motion.clipped | motion.unusable)
    error = np.sqrt(np.maximum(motion.gyr_se**2 - motion.gyr_noise**2, 0.0))
    # Within a stretch the error has one sign; stretches have nothing to do with each other.
    variance = (span_sums(error, first, last) / motion.rate) ** 2
    before = np.searchsorted(motion.time[first], times)
    return np.concatenate(([0.0], np.cumsum(variance)))[before]


@dataclass(frozen=True, kw_only=True)
class Warning:
    """One finding about a recording, in words.

    level: `problem` where numbers cannot be trusted, `advice` where they could be better.
    text: what was found.  do: what to do about it.
    tracked_point: the sensor it is about; None for the whole recording.
    """

    level: Level
    text: str
    do: str
    tracked_point: str | None = None

    def __post_init__(self) -> None:
        require_one_of("level", self.level, LEVELS)


@dataclass(frozen=True, kw_only=True)
class SensorReport:
    """Numbers about one sensor for the quality record; None where they could not be had.

    rate_hz: true mean rate on the common clock.  nominal_rate_hz: as the recording says.
    samples: on the even grid.  still_s: time spent still.
    lost_samples, clipped_samples, acc_clipped_samples, unusable_samples: counts.  longest_gap_s: bridged or not.
    gyro_bias_dps: (x, y, z) °/s, mean of what was removed.  gyro_bias_drift_dps: largest change of it on any axis.
    gyro_bias_se_dps, gyro_noise_dps: °/s.  acc_noise_mps2, gravity_mps2: m/s².
    turn_mismatch_deg: median angle between gravity as measured at rest and as carried there by the gyroscope from the
        rest before.
    clock_offset_s: add to (1 + clock_drift_ppm · 1e-6) × the sensor's own times to get the common clock's.
    clock_drift_se_ppm, clock_se_s: standard errors; the latter of the times, root mean square over the recording.
    clock_source: `reference`, or which cues the alignment rests on.
    """

    rate_hz: float
    nominal_rate_hz: float
    samples: int
    still_s: float
    lost_samples: int
    clipped_samples: int
    acc_clipped_samples: int
    unusable_samples: int
    longest_gap_s: float
    gyro_bias_dps: tuple[float, float, float] | None
    gyro_bias_drift_dps: float
    gyro_bias_se_dps: float
    gyro_noise_dps: float
    acc_noise_mps2: float
    gravity_mps2: float | None
    turn_mismatch_deg: float | None
    clock_offset_s: float
    clock_drift_ppm: float
    clock_drift_se_ppm: float
    clock_se_s: float
    clock_source: str

    @property
    def clock(self) -> ClockLine:
        """The sensor's clock on the common one."""
        return ClockLine(
            offset=self.clock_offset_s,
            drift=1e-6 * self.clock_drift_ppm,
            se=self.clock_se_s,
            drift_se=1e-6 * self.clock_drift_se_ppm,
            source=self.clock_source,
        )


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A recording's sensors in motion, numbers about each, and what was found in words.

    left_out: worn, but not among the motions: without samples, or put on or read wrongly.
    streams: the recording's streams with other times, where those of a sensor jump and were put right."""

    motions: Mapping[str, Motion]
    reports: Mapping[str, SensorReport]
    warnings: tuple[Warning, ...] = ()
    left_out: tuple[str, ...] = ()
    streams: Mapping[str, SensorStream] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "motions", MappingProxyType(dict(self.motions)))
        object.__setattr__(self, "reports", MappingProxyType(dict(self.reports)))
        object.__setattr__(self, "streams", MappingProxyType(dict(self.streams)))
