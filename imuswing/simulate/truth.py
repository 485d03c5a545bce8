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
from imuswing.simulate.measured import MeasuredSwing, Moments, measure, verdict
from imuswing.swings import moments
from imuswing.vocabulary import CHEST, KIND_PRACTICE, KIND_SHOT, LEAD_FOREARM, SwingKind

if TYPE_CHECKING:
    import pandas as pd

TRUTH_STEP_S: Final = 0.001
"""Step at which curves are searched for their moments and extremes, s; orientations are evaluated at the moments."""

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


def address_time(time: FloatArray, forearm_rate: FloatArray, chest_rate: FloatArray, takeaway: float) -> float:
    """The quietest moment of forearm and chest shortly before the takeaway."""
    width = round(QUIET_MEAN_S / TRUTH_STEP_S)
    mean = np.convolve(forearm_rate**2 + chest_rate**2, np.ones(width) / width, mode="same")
    first, last = np.searchsorted(time, [takeaway - QUIET_SEARCH_S, takeaway])
    first, last = max(int(first), width), max(int(last) - width // 2, width + 1)
    return float(time[first + int(np.argmin(mean[first:last]))])


def find_moments(forearm: SegmentMotion, chest: SegmentMotion, time: FloatArray, mark: Mark) -> Moments:
    """All moments of a swing from the dense motion (N) of forearm and chest at times (N,)."""
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


def true_swing(golfer: Body, mark: Mark) -> tuple[Moments, dict[str, Any]]:
    """The moments of one swing (timeline) and its true measures by column."""
    time = np.arange(mark.still, mark.end, TRUTH_STEP_S)
    motion = golfer.segments(time, CHEST, LEAD_FOREARM)
    when = find_moments(motion[LEAD_FOREARM], motion[CHEST], time, mark)
    at = golfer.segments(when.of_postures, *SEGMENTS)
    swing = MeasuredSwing(lead_side=golfer.lead_side, time=time, chest_omega=motion[CHEST].omega, at=at)
    row: dict[str, Any] = {"kind": mark.kind, "block": mark.block, "intent": mark.intent, "outcome": mark.outcome}
    row |= measure(swing, when)
    row["chest_verdict"] = verdict(row["chest_continuity"])
    row["chest_stall_probability"] = float(row["chest_verdict"] == "stalled")
    row["flags"] = ["chest_hardly_turned"] if np.isnan(row["chest_continuity"]) else []
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
