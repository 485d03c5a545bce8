"""Every number that a comparison rests on: levels, the smallest change that matters, the error of strapping on again.

Smallest changes that matter have no source: they are a coach's settings (common practice, no source). Errors of
strapping on again are assumptions inside published ranges: anatomical axes found again by the same or another
examiner differ by 0.2–2.9° about the flexion axis and by 1.6–7.3° about the long axis (Picerno et al. 2008, Gait &
Posture 28:588, abstract read); functional calibration repeats to under 1° (Favre et al. 2009, J Biomech 42:2330). No
study of these sensors, this routine and golf was found. In simulation (scripts/compare_chain.py) the errors that all
shots of a recording share came out at or under these sizes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from imuswing.errors import SettingsError, require_one_of


@dataclass(frozen=True, kw_only=True)
class Size:
    """How large a change of one measure must be, and how much strapping on again moves it, in the measure's unit.

    worthwhile: smallest change that matters to a coach.
    visit_sd: SD of a student's mean from one strapping-on to another with nothing changed, at least.
    shared: share of the squared standard error of a shot that all shots of one strapping-on have in common.
    """

    worthwhile: float
    visit_sd: float
    shared: float

    def __post_init__(self) -> None:
        if not self.worthwhile > 0.0:
            raise SettingsError(f"worthwhile is {self.worthwhile!r}; it must be a positive number")
        if not self.visit_sd >= 0.0:
            raise SettingsError(f"visit_sd is {self.visit_sd!r}; it must be 0 or a positive number")
        if not 0.0 <= self.shared <= 1.0:
            raise SettingsError(f"shared is {self.shared!r}; it must be from 0 to 1")


ANGLE_SHARED: Final = 0.9
"""An angle's error is mostly that of the axes, which every shot of a strapping-on shares (assumption)."""
RATE_SHARED: Final = 0.5
"""A rate's error is partly that of the axes and the scale, partly the skin's own motion in each shot (assumption)."""
TIME_SHARED: Final = 0.0
"""The moments are found anew in each shot; how the sensor sits moves them by little (`visit_sd`)."""


def _angle(worthwhile: float, visit_sd: float) -> Size:
    return Size(worthwhile=worthwhile, visit_sd=visit_sd, shared=ANGLE_SHARED)


def _rate(worthwhile: float, visit_sd: float) -> Size:
    return Size(worthwhile=worthwhile, visit_sd=visit_sd, shared=RATE_SHARED)


def _time(worthwhile: float, visit_sd: float) -> Size:
    return Size(worthwhile=worthwhile, visit_sd=visit_sd, shared=TIME_SHARED)


SIZES: Final[Mapping[str, Size]] = MappingProxyType(
    {
        "chest_turn_rate_impact_dps": _rate(30.0, 8.0),
        "chest_turn_rate_peak_dps": _rate(30.0, 8.0),
        "chest_turn_rate_min_dps": _rate(30.0, 8.0),
        "chest_continuity": _rate(0.10, 0.04),
        "chest_turn_top_deg": _angle(5.0, 2.0),
        "chest_turn_impact_deg": _angle(5.0, 2.0),
        "shoulder_tilt_address_deg": _angle(3.0, 2.0),
        "shoulder_tilt_impact_deg": _angle(4.0, 2.0),
        "shoulder_tilt_rate_impact_dps": _rate(30.0, 8.0),
        "chest_lean_address_deg": _angle(3.0, 2.0),
        "chest_lean_impact_deg": _angle(3.0, 2.0),
        "wrist_flexion_address_deg": _angle(5.0, 3.0),
        "wrist_flexion_top_deg": _angle(5.0, 3.0),
        "wrist_flexion_impact_deg": _angle(5.0, 3.0),
        "wrist_ulnar_address_deg": _angle(5.0, 3.0),
        "wrist_ulnar_top_deg": _angle(5.0, 3.0),
        "wrist_ulnar_impact_deg": _angle(5.0, 3.0),
        "backswing_arc_deg": _angle(5.0, 2.0),
        "arm_height_top_deg": _angle(5.0, 3.0),
        "top_position": _angle(0.10, 0.06),
        "backswing_s": _time(0.05, 0.012),
        "downswing_s": _time(0.02, 0.004),
        "tempo_ratio": _time(0.3, 0.06),
        "pelvis_turn_top_deg": _angle(5.0, 3.0),
        "pelvis_turn_impact_deg": _angle(5.0, 3.0),
        "pelvis_turn_rate_impact_dps": _rate(30.0, 8.0),
        "shaft_lean_address_deg": _angle(3.0, 1.5),
        "shaft_lean_impact_deg": _angle(3.0, 1.5),
    }
)
"""Every measure that is compared. The probability of a stall is not: it restates the continuity and its error."""

GOALS: Final[tuple[str, ...]] = ("chest_continuity", "wrist_flexion_impact_deg", "arm_height_top_deg")
"""The three questions of a lesson: does the chest keep turning, what does the lead wrist do, how long is the swing."""


@dataclass(frozen=True, kw_only=True)
class CompareSettings:
    """How sure a verdict must be.

    alpha: chance of one or more false `changed` in a pair over all its measures (Holm 1979); the level of intervals
        is 1 − `INTERVAL_ALPHA` whatever it is.
    doubtful: expected share of false ones among all called `changed` or `probably changed` (Benjamini & Hochberg 1995).
    power: chance that `shots_needed` more shots tell a change of the size aimed at.
    least_shots: with fewer shots than this on either side nothing is told (common practice, no source).
    most_shots: where more than this would be needed, shots alone will not tell (common practice, no source).
    goals: the measures worked on; together they get `goal_share` of `alpha`, all others the rest.
    sizes: by measure; those not in it are not compared.
    visit_doubt: relative uncertainty of the error of strapping on again; it gives that error 1 / (2·doubt²) degrees
        of freedom (JCGM 100:2008, eq. G.3).
    serial_alpha: one-sided level at which the shots of a single measure count as resembling the one before.
    drift_alpha: two-sided level at which a measure counts as drifting within the blocks; see `verdict.judge`.
    against: the block or visit that the others are compared with; the first where None.
    """

    alpha: float = 0.05
    doubtful: float = 0.10
    power: float = 0.80
    least_shots: int = 3
    most_shots: int = 200
    goals: tuple[str, ...] = GOALS
    goal_share: float = 0.5
    sizes: Mapping[str, Size] = field(default_factory=lambda: SIZES)
    visit_doubt: float = 0.25
    serial_alpha: float = 0.01
    drift_alpha: float = 0.05
    against: str | None = None

    def __post_init__(self) -> None:
        for name in ("alpha", "doubtful", "power", "goal_share", "visit_doubt", "serial_alpha", "drift_alpha"):
            value = getattr(self, name)
            if not 0.0 < value < 1.0:
                raise SettingsError(f"{name} is {value!r}; it must be between 0 and 1")
        if self.least_shots < 2:
            raise SettingsError(f"least_shots is {self.least_shots!r}; it must be 2 or more: one shot has no spread")
        for goal in self.goals:
            require_one_of("goal", goal, self.sizes)


INTERVAL_ALPHA: Final = 0.05
"""Intervals and the smallest change that can be told are at 95 %."""
