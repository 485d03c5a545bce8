"""True values of every measure, from the true motion and the definitions of `body.definitions` and `swings.moments`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from imuswing.body import definitions as body
from imuswing.measures.dictionary import swing_columns
from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.anatomy import SEGMENTS
from imuswing.simulate.kinematics import Body, SegmentMotion
from imuswing.swings import moments
from imuswing.vocabulary import CHEST, CLUB, KIND_PRACTICE, KIND_SHOT, LEAD_FOREARM, LEAD_HAND, PELVIS, SwingKind

if TYPE_CHECKING:
    import pandas as pd

TRUTH_STEP_S: Final = 0.001
"""Step at which curves are searched for their moments and extremes, s; orientations are evaluated at the moments."""

PEAK_FLOOR_DPS: Final = 30.0
STALLED_BELOW: Final = 0.4
TURNING_FROM: Final = 0.7
"""The contract's limits of the verdict (common practice, no source)."""

QUIET_SEARCH_S: Final = 0.5
"""How long before the takeaway the quietest moment is looked for, s."""

QUIET_MEAN_S: Final = 0.1
"""The quietest moment is the middle of the quietest stretch of this length, s."""


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Where a swing stands in the timeline, s.

    Still from `still` to `start`, where it begins; calm again from about the finish to `end`.

    impact: when the club meets the ball; for a practice swing, about where it would.
    """

    still: float
    start: float
    impact: float
    end: float
    kind: SwingKind
    block: str | None = None
    intent: str | None = None
    outcome: str | None = None
    peak_shock: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Moments:
    """The moments of one swing, s on the timeline."""

    address: float
    takeaway: float
    top: float
    impact: float
    finish: float


def address_time(time: FloatArray, forearm_rate: FloatArray, chest_rate: FloatArray, takeaway: float) -> float:
    """The quietest moment of forearm and chest shortly before the takeaway."""
    width = round(QUIET_MEAN_S / TRUTH_STEP_S)
    mean = np.convolve(forearm_rate**2 + chest_rate**2, np.ones(width) / width, mode="same")
    first, last = np.searchsorted(time, [takeaway - QUIET_SEARCH_S, takeaway])
    first, last = max(int(first), width), max(int(last) - width // 2, width + 1)
    return float(time[first + int(np.argmin(mean[first:last]))])


def find_moments(motion: dict[str, SegmentMotion], time: FloatArray, mark: Mark) -> Moments:
    """All moments of a swing from its dense true motion."""
    forearm, chest = motion[LEAD_FOREARM], motion[CHEST]
    axis, speed = body.long_axis(forearm.q), body.long_axis_speed(forearm.omega)
    forearm_rate, chest_rate = np.linalg.norm(forearm.omega, axis=1), np.linalg.norm(chest.omega, axis=1)
    address = mark.start
    for _ in range(2):
        address_axis = axis[np.searchsorted(time, address)]
        top = moments.top_time(time, axis, address_axis, mark.impact)
        takeaway = moments.takeaway_time(time, speed, top)
        address = address_time(time, forearm_rate, chest_rate, takeaway)
    address_axis = axis[np.searchsorted(time, address)]
    impact = mark.impact
    if mark.kind == KIND_PRACTICE:
        impact = moments.return_time(time, axis, address_axis, top, mark.end)
    top = moments.top_time(time, axis, address_axis, impact)
    return Moments(
        address=address,
        takeaway=moments.takeaway_time(time, speed, top),
        top=top,
        impact=impact,
        finish=moments.finish_time(time, forearm_rate, chest_rate, impact),
    )


def _verdict(continuity: float, peak_dps: float) -> str:
    if peak_dps < PEAK_FLOOR_DPS or continuity < STALLED_BELOW:
        return "stalled"
    return "turning" if continuity >= TURNING_FROM else "slowing"


def _trunk(
    golfer: Body,
    at: dict[str, SegmentMotion],
    motion: dict[str, SegmentMotion],
    time: FloatArray,
    when: Moments,
) -> dict[str, float]:
    """Measures of chest and pelvis; `at` holds address, top and impact in rows 0, 1, 2."""
    side, chest, pelvis = golfer.lead_side, at[CHEST], at[PELVIS]
    rate = np.degrees(body.trunk_turn_rate(motion[CHEST].omega, side))
    first, last = np.searchsorted(time, [when.top, when.impact])
    low, high = np.searchsorted(time, [when.impact - 0.05, when.impact + 0.15])
    peak, slowest = float(np.max(rate[first : last + 1])), float(np.min(rate[low : high + 1]))
    line = body.address_line(chest.q[0], side)
    turn, tilt = body.trunk_turn(chest.q, chest.q[0], side), body.shoulder_tilt(chest.q, side)
    lean = body.chest_lean(chest.q, line)
    pelvis_turn = body.trunk_turn(pelvis.q, pelvis.q[0], side)
    return {
        "chest_turn_rate_impact_dps": np.degrees(body.trunk_turn_rate(chest.omega, side)[2]),
        "chest_turn_rate_peak_dps": peak,
        "chest_turn_rate_min_dps": slowest,
        "chest_continuity": slowest / peak if peak >= PEAK_FLOOR_DPS else np.nan,
        "chest_turn_top_deg": np.degrees(turn[1]),
        "chest_turn_impact_deg": np.degrees(turn[2]),
        "shoulder_tilt_address_deg": np.degrees(tilt[0]),
        "shoulder_tilt_impact_deg": np.degrees(tilt[2]),
        "shoulder_tilt_rate_impact_dps": np.degrees(body.shoulder_tilt_rate(chest.q, chest.omega, side)[2]),
        "chest_lean_address_deg": np.degrees(lean[0]),
        "chest_lean_impact_deg": np.degrees(lean[2]),
        "pelvis_turn_top_deg": np.degrees(pelvis_turn[1]),
        "pelvis_turn_impact_deg": np.degrees(pelvis_turn[2]),
        "pelvis_turn_rate_impact_dps": np.degrees(body.trunk_turn_rate(pelvis.omega, side)[2]),
        "shaft_lean_address_deg": np.degrees(body.shaft_lean(at[CLUB].q, line)[0]),
        "shaft_lean_impact_deg": np.degrees(body.shaft_lean(at[CLUB].q, line)[2]),
    }


def _arm(golfer: Body, at: dict[str, SegmentMotion], when: Moments) -> dict[str, float]:
    flexion, ulnar = body.wrist_angles(at[LEAD_FOREARM].q, at[LEAD_HAND].q, golfer.lead_side)
    axis = body.long_axis(at[LEAD_FOREARM].q)
    row: dict[str, float] = {}
    for index, moment in enumerate(("address", "top", "impact")):
        row[f"wrist_flexion_{moment}_deg"] = float(np.degrees(flexion[index]))
        row[f"wrist_ulnar_{moment}_deg"] = float(np.degrees(ulnar[index]))
    row["backswing_arc_deg"] = float(np.degrees(body.great_circle(axis[0], axis[1])))
    row["arm_height_top_deg"] = float(np.degrees(body.arm_height(at[LEAD_FOREARM].q)[1]))
    row["backswing_s"] = when.top - when.takeaway
    row["downswing_s"] = when.impact - when.top
    row["tempo_ratio"] = row["backswing_s"] / row["downswing_s"]
    return row


def true_swing(golfer: Body, mark: Mark) -> tuple[Moments, dict[str, Any]]:
    """The moments of one swing (timeline) and its true measures by column."""
    time = np.arange(mark.still, mark.end, TRUTH_STEP_S)
    motion = golfer.segments(time, CHEST, LEAD_FOREARM)
    when = find_moments(motion, time, mark)
    at = golfer.segments(np.array([when.address, when.top, when.impact]), *SEGMENTS)
    row: dict[str, Any] = {"kind": mark.kind, "block": mark.block, "intent": mark.intent, "outcome": mark.outcome}
    row |= _trunk(golfer, at, motion, time, when) | _arm(golfer, at, when)
    row["chest_verdict"] = _verdict(row["chest_continuity"], row["chest_turn_rate_peak_dps"])
    row["chest_stall_probability"] = float(row["chest_verdict"] == "stalled")
    row["flags"] = ["chest_hardly_turned"] if row["chest_turn_rate_peak_dps"] < PEAK_FLOOR_DPS else []
    return when, row


def truth_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows of true values as a table with the columns of a table of swings; standard errors are null."""
    import pandas as pd

    table = pd.DataFrame(rows, columns=list(swing_columns()))
    full = (table["task"] == "full") & (table["block"] == "baseline") & (table["kind"] == KIND_SHOT)
    reference = table[full].groupby("participant")["arm_height_top_deg"].mean()
    height = table["arm_height_top_deg"].astype(float)
    position = 3.0 + height / table["participant"].map(reference).astype(float)
    table["top_position"] = position.where(height >= 0.0)
    return table
