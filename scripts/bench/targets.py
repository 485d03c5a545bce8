"""What the bench's figures are held against: the limits of the first bench, and the stricter ones that follow it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

UNIT_OF_SUFFIX: Final = {"_dps": "dps", "_deg": "deg", "_s": "s"}


@dataclass(frozen=True, kw_only=True)
class Targets:
    """Limits of one set. Times in s.

    ratio: RMSE over that of the routine reference; near: or within this of it, by unit.
    rmse: limits of their own for some measures, by beginning of the name.
    impact_95: by lowest rate, of shots.  coverage: of ±1.96 se, over all golfers; None: its bootstrap interval must
    hold 0.95.
    """

    recall: float
    precision: float
    kind: float
    impact_95: dict[float, float]
    practice_95: float | None
    top_rms: float | None
    takeaway_rms: float | None
    ratio: float
    near: dict[str, float]
    rmse: dict[str, float]
    f1_below_reference: float
    coverage: tuple[float, float] | None
    brier_gain: float | None


FIRST: Final = Targets(
    recall=0.98,
    precision=0.98,
    kind=0.95,
    impact_95={200.0: 0.010},
    practice_95=None,
    top_rms=None,
    takeaway_rms=None,
    ratio=1.5,
    near={"deg": 1.0, "dps": 4.0, "s": 0.03, "1": 0.03},
    rmse={"wrist_flexion": 4.0, "backswing_arc": 3.0},
    f1_below_reference=0.05,
    coverage=(0.90, 0.99),
    brier_gain=None,
)

STRICT_REALISTIC: Final = Targets(
    recall=0.99,
    precision=0.99,
    kind=0.98,
    impact_95={200.0: 0.008, 400.0: 0.004},
    practice_95=0.020,
    top_rms=0.020,
    takeaway_rms=0.040,
    ratio=1.15,
    near={"deg": 0.7, "dps": 3.0, "s": 0.02, "1": 0.02},
    rmse={"wrist_flexion": 3.0, "wrist_ulnar": 4.0, "backswing_arc": 2.0, "arm_height": 2.0},
    f1_below_reference=0.02,
    coverage=None,
    brier_gain=0.10,
)

STRICT_HARD: Final = Targets(
    recall=0.97,
    precision=0.97,
    kind=0.95,
    impact_95={200.0: 0.015},
    practice_95=0.020,
    top_rms=0.030,
    takeaway_rms=0.040,
    ratio=1.4,
    near={"deg": 0.7, "dps": 3.0, "s": 0.02, "1": 0.02},
    rmse={"wrist_flexion": 5.0, "wrist_ulnar": 6.0, "backswing_arc": 4.0, "arm_height": 4.0},
    f1_below_reference=0.02,
    coverage=None,
    brier_gain=0.10,
)


def targets_of(name: str, preset: str) -> Targets:
    """The limits of a set (`first` or `strict`) for a preset."""
    if name == "first":
        return FIRST
    return STRICT_HARD if preset == "hard" else STRICT_REALISTIC


def unit_of(measure: str) -> str:
    """`deg`, `dps`, `s` or `1`, from the end of a measure's name."""
    return next((unit for end, unit in UNIT_OF_SUFFIX.items() if measure.endswith(end)), "1")
