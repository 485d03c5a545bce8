"""What the JSON file beside a motion table says: rate, meaning of a sample, full scales."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, cast

from imuswing.errors import RecordingError
from imuswing.recording.channels import UNITS
from imuswing.recording.layout import MOTION_SIDECAR, beside, inherited
from imuswing.recording.tables import read_json
from imuswing.vocabulary import SAMPLE_MEANINGS, STANDARD_GRAVITY, SampleMeaning

RATE_KEY: Final = "SamplingFrequency"
DURATION_KEY: Final = "RecordingDuration"
MEANING_KEY: Final = "SampleMeaning"

RANGE_KEYS: Final[Mapping[str, str]] = MappingProxyType({"GYRO": "GyroRange", "ACCEL": "AccelRange"})
"""By channel type the key of its full scale; the key with `Units` behind it names the unit."""

PLAUSIBLE_RANGES: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {"GYRO": (math.radians(100.0), math.radians(20000.0)), "ACCEL": (1.9 * STANDARD_GRAVITY, 500.0 * STANDARD_GRAVITY)}
)
"""Smallest and largest full scale of sensors that can be bought, rad/s and m/s² (common practice, no source).

A full scale whose unit is not told is taken in the unit of the channels, unless no sensor has such a range.
"""

OVERSHOOT: Final = 1.2
"""How far data go beyond the nominal full scale: a sensor sold as 2000 °/s that reads 70 m°/s a bit ends at 2294."""


@dataclass(frozen=True, kw_only=True)
class Sidecar:
    """The fields of a motion table's JSON files, merged.  rate: SamplingFrequency, Hz."""

    path: Path
    rate: float
    fields: Mapping[str, Any]

    def of_point(self, key: str, point: str) -> Any:
        """A field that holds either one value for all sensors or one by tracked point; None where there is none."""
        field = self.fields.get(key)
        return field.get(point) if isinstance(field, dict) else field

    def sample_meaning(self, point: str) -> SampleMeaning:
        """`instant` (also where nothing is said) or `mean`."""
        meaning = self.of_point(MEANING_KEY, point)
        if meaning is None:
            return "instant"
        if meaning not in SAMPLE_MEANINGS:
            raise RecordingError(
                self.path, f"says {MEANING_KEY}: {meaning!r}", f"write one of {', '.join(SAMPLE_MEANINGS)}"
            )
        return cast(SampleMeaning, meaning)

    def full_scale(self, kind: str, point: str, *, unit: str, peak: float) -> float | None:
        """Full scale of a sensor in rad/s or m/s², None where it is not told or makes no sense.

        kind: GYRO or ACCEL.  unit: of the channels.  peak: largest absolute sample in rad/s or m/s².
        The unit is that of `GyroRangeUnits` or `AccelRangeUnits`; without it that of the channels, or the other legal
        one where no sensor has such a range in the first or the samples go beyond it.
        """
        key = RANGE_KEYS[kind]
        scale = self.of_point(key, point)
        if scale is None:
            return None
        if not is_positive(scale):
            raise RecordingError(self.path, f"says {key}: {scale!r}", f"write a positive number in {unit}")
        told = self.of_point(f"{key}Units", point)
        if told is not None:
            if told not in UNITS[kind]:
                raise RecordingError(self.path, f"says {key}Units: {told!r}", f"write one of {', '.join(UNITS[kind])}")
            return float(scale) * UNITS[kind][told]
        low, high = PLAUSIBLE_RANGES[kind]
        for candidate in (unit, *UNITS[kind]):
            full = float(scale) * UNITS[kind][candidate]
            if low <= full <= high and peak <= OVERSHOOT * full:
                return full
        return None


def is_positive(number: object) -> bool:
    """Whether a JSON value is a finite number above zero."""
    return isinstance(number, int | float) and not isinstance(number, bool) and math.isfinite(number) and number > 0


def read_sidecar(path: Path, root: Path) -> Sidecar:
    """The JSON files that apply to a motion table; RecordingError without one that gives the SamplingFrequency."""
    own = beside(path, MOTION_SIDECAR)
    files = inherited(path, root, MOTION_SIDECAR)
    if not files:
        raise RecordingError(own, "does not exist", f"write it, with {RATE_KEY} in Hz and TaskName")
    fields: dict[str, Any] = {}
    for file in files:
        fields |= read_json(file)
    rate = fields.get(RATE_KEY)
    if rate is None:
        raise RecordingError(files[-1], f"has no {RATE_KEY}", "write the samples per second as a number, in Hz")
    if not is_positive(rate):
        raise RecordingError(
            files[-1], f"says {RATE_KEY}: {rate!r}", "write the samples per second as a number above 0"
        )
    return Sidecar(path=files[-1], rate=float(rate), fields=fields)
