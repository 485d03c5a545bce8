"""The one dictionary of measures: from it come result columns, report texts and documentation.

A measure's name ends in its unit at the edges: `_dps` °/s, `_deg` °, `_s` s; dimensionless ones carry none.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final, Literal

from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, PELVIS

Unit = Literal["°", "°/s", "s", "1", "P"]
Group = Literal["chest", "backswing", "wrist", "pelvis", "club"]


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One result column.

    name: column.  unit: as printed.  label: a few plain words for tables and pages.
    definition: one sentence, true of the body.  sign: what a positive value means, "" where there is none.
    needs: tracked points that must be worn.  decimals: sensible for printing.
    has_se: whether `<name>_se` stands beside it.  group: the part of the page that shows it.
    """

    name: str
    unit: Unit
    label: str
    definition: str
    needs: tuple[str, ...]
    group: Group
    sign: str = ""
    decimals: int = 0
    has_se: bool = True

    @property
    def se_name(self) -> str:
        """Column of its standard error."""
        return f"{self.name}_se"


_TARGET = "positive towards the target"
_HIGHER = "positive with the lead shoulder higher"
_LEAN = "positive towards the target, negative away from it"
_FLEXION = "positive bent towards the palm (flexed), negative towards the back of the hand (extended)"
_ULNAR = "positive towards the little finger, negative towards the thumb"
_GRIP = "positive with the grip nearer the target than the head"
_MOMENTS = {"address": "at address", "top": "at the top", "impact": "at impact"}


def _chest_measures() -> list[Measure]:
    chest = partial(Measure, needs=(CHEST,), group="chest")
    rows = [
        chest(
            name="chest_turn_rate_impact_dps",
            unit="°/s",
            label="chest turn rate at impact",
            sign=_TARGET,
            definition="Angular velocity of the chest about its own long axis at impact.",
        ),
        chest(
            name="chest_turn_rate_peak_dps",
            unit="°/s",
            label="chest turn rate, fastest",
            sign=_TARGET,
            definition="Largest chest turn rate between top and impact.",
        ),
        chest(
            name="chest_turn_rate_min_dps",
            unit="°/s",
            label="chest turn rate, slowest through the ball",
            sign=_TARGET,
            definition="Smallest chest turn rate from 0.05 s before to 0.15 s after impact. The smallest of a measured "
            "curve is a little too small where the chest stays slow; what that is expected to make is taken off.",
        ),
        chest(
            name="chest_continuity",
            unit="1",
            label="chest continuity",
            decimals=2,
            sign="1 keeps its fastest rate, 0 stops, negative turns back",
            definition="Slowest chest turn rate through the ball divided by the fastest before it.",
        ),
        chest(
            name="chest_stall_probability",
            unit="1",
            label="chance of a stall",
            decimals=2,
            has_se=False,
            definition="Probability that the true continuity is under the stalled limit, given the measurement's "
            "error.",
        ),
        chest(
            name="chest_turn_top_deg",
            unit="°",
            label="chest turn at the top",
            sign=_TARGET,
            definition="Axial rotation of the chest between address and top.",
        ),
        chest(
            name="chest_turn_impact_deg",
            unit="°",
            label="chest turn at impact",
            sign=_TARGET,
            definition="Axial rotation of the chest between address and impact.",
        ),
    ]
    for moment in ("address", "impact"):
        rows.append(
            chest(
                name=f"shoulder_tilt_{moment}_deg",
                unit="°",
                sign=_HIGHER,
                label=f"shoulder tilt {_MOMENTS[moment]}",
                definition=f"Elevation of the chest's side-to-side axis above the horizontal {_MOMENTS[moment]}.",
            )
        )
    rows.append(
        chest(
            name="shoulder_tilt_rate_impact_dps",
            unit="°/s",
            sign=_HIGHER,
            label="shoulder tilt rate at impact",
            definition="Rate of change of the shoulder tilt at impact.",
        )
    )
    for moment in ("address", "impact"):
        rows.append(
            chest(
                name=f"chest_lean_{moment}_deg",
                unit="°",
                sign=_LEAN,
                label=f"chest lean {_MOMENTS[moment]}",
                definition=f"Lean of the chest's long axis along the address line {_MOMENTS[moment]}.",
            )
        )
    return rows


def _wrist_measures() -> list[Measure]:
    worn = partial(Measure, needs=(LEAD_FOREARM, LEAD_HAND), group="wrist")
    rows = [
        worn(
            name=f"wrist_flexion_{moment}_deg",
            unit="°",
            sign=_FLEXION,
            label=f"wrist flexion {words}",
            definition=f"Lead-wrist flexion or extension {words}; zero is the third metacarpal in line with "
            f"the forearm.",
        )
        for moment, words in _MOMENTS.items()
    ]
    rows += [
        worn(
            name=f"wrist_ulnar_{moment}_deg",
            unit="°",
            sign=_ULNAR,
            label=f"wrist deviation {words}",
            definition=f"Sideways deviation of the lead wrist {words}; zero is the third metacarpal in line "
            f"with the forearm.",
        )
        for moment, words in _MOMENTS.items()
    ]
    return rows


def _backswing_measures() -> list[Measure]:
    worn = partial(Measure, needs=(LEAD_FOREARM,), group="backswing")
    return [
        worn(
            name="backswing_arc_deg",
            unit="°",
            label="backswing arc",
            definition="Angle that the lead forearm's long axis moves through from address to top, the short way.",
        ),
        worn(
            name="arm_height_top_deg",
            unit="°",
            label="arm height at the top",
            sign="0 is parallel to the ground, positive above",
            definition="Elevation of the lead forearm's long axis above the horizontal at the top.",
        ),
        worn(
            name="top_position",
            unit="P",
            label="top position",
            decimals=1,
            has_se=False,
            definition="3 plus the arm height at the top divided by the student's own height at a full top: 3.0 "
            "is arm parallel, 4.0 that student's full top.",
        ),
        worn(name="backswing_s", unit="s", label="backswing time", decimals=2, definition="From takeaway to top."),
        worn(name="downswing_s", unit="s", label="downswing time", decimals=2, definition="From top to impact."),
        worn(
            name="tempo_ratio",
            unit="1",
            label="tempo ratio",
            decimals=1,
            definition="Backswing time divided by downswing time.",
        ),
    ]


def _pelvis_measures() -> list[Measure]:
    worn = partial(Measure, needs=(PELVIS,), group="pelvis")
    return [
        worn(
            name="pelvis_turn_top_deg",
            unit="°",
            label="pelvis turn at the top",
            sign=_TARGET,
            definition="Axial rotation of the pelvis between address and top.",
        ),
        worn(
            name="pelvis_turn_impact_deg",
            unit="°",
            label="pelvis turn at impact",
            sign=_TARGET,
            definition="Axial rotation of the pelvis between address and impact.",
        ),
        worn(
            name="pelvis_turn_rate_impact_dps",
            unit="°/s",
            label="pelvis turn rate at impact",
            sign=_TARGET,
            definition="Angular velocity of the pelvis about its own long axis at impact.",
        ),
    ]


def _club_measures() -> list[Measure]:
    return [
        Measure(
            name=f"shaft_lean_{moment}_deg",
            unit="°",
            sign=_GRIP,
            needs=(CLUB, CHEST),
            group="club",
            label=f"shaft lean {_MOMENTS[moment]}",
            definition=f"Angle of the shaft from the vertical {_MOMENTS[moment]}, seen from in front of the golfer.",
        )
        for moment in ("address", "impact")
    ]


MEASURES: Final[tuple[Measure, ...]] = (
    *_chest_measures(),
    *_wrist_measures(),
    *_backswing_measures(),
    *_pelvis_measures(),
    *_club_measures(),
)
"""Every measure, in the order of the result columns."""

BY_NAME: Final[dict[str, Measure]] = {measure.name: measure for measure in MEASURES}

MOMENT_COLUMNS: Final[dict[str, str]] = {
    "takeaway_s": "The lead forearm's long axis last rises through 5 % of the fastest speed of this backswing.",
    "top_s": "The lead forearm's long axis is farthest from its address direction, before impact.",
    "impact_s": "Club meets ball; for a practice swing, the forearm's long axis comes back nearest to its address "
    "direction.",
    "finish_s": "From here forearm and chest stay under 5 % of the swing's fastest rates.",
}
"""The moments, s on the clock of the first tracking system from its first sample."""

SCHEMA_VERSION: Final = "1"
"""Of the result tables: it rises with any change of a column's name, unit or meaning (not with a new column)."""

KEY_COLUMNS: Final[tuple[str, ...]] = ("participant", "session", "task", "acq", "run", "swing")
CONTEXT_COLUMNS: Final[tuple[str, ...]] = ("block", "intent", "outcome", "flags")

VERDICT_COLUMN: Final = "chest_verdict"
VERDICTS: Final[tuple[str, ...]] = ("turning", "slowing", "stalled")

CURVE_UNITS: Final[dict[str, str]] = {
    "time_s": "s",
    "chest_turn_rate_dps": "°/s",
    "chest_turn_deg": "°",
    "shoulder_tilt_deg": "°",
    "chest_lean_deg": "°",
    "wrist_flexion_deg": "°",
    "wrist_ulnar_deg": "°",
    "arm_height_deg": "°",
    "pelvis_turn_rate_dps": "°/s",
    "pelvis_turn_deg": "°",
    "shaft_lean_deg": "°",
}
"""Columns of the curves and their units; the last three only where their sensor is worn."""


def swing_columns() -> tuple[str, ...]:
    """Every column of the table of swings, in order."""
    columns = [*KEY_COLUMNS, *CONTEXT_COLUMNS]
    columns += [name for moment in MOMENT_COLUMNS for name in (moment, f"{moment}_se")]
    columns.append("kind")
    for measure in MEASURES:
        columns.append(measure.name)
        if measure.has_se:
            columns.append(measure.se_name)
        if measure.name == "chest_continuity":
            columns.append(VERDICT_COLUMN)
    return tuple(columns)
