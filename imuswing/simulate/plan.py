"""From habits to one swing: the plan of each swing, with its variation from shot to shot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.simulate.golfer import Golfer, Task
from imuswing.simulate.swing import Key, SwingPlan

SHOT_TO_SHOT: Final = 0.3
"""Variation from shot to shot over the spread between golfers (an assumption)."""

CONTINUITY_SPREAD: Final = 0.10
"""Standard deviation of the planned continuity from shot to shot (an assumption)."""

CONTINUITY_LIMITS: Final = (-0.25, 0.98)

TILT_OF_A_STALL: Final = np.radians(8.0)
"""Side bend that a full stall adds at impact in golfers who tilt instead of turning (an assumption)."""

PRACTICE_EFFORT: Final = (0.75, 1.0)
"""Speed of a practice swing over that of a shot (an assumption)."""


@dataclass(frozen=True, kw_only=True)
class Draw:
    """Draws one swing's values around the golfer's own."""

    golfer: Golfer
    task: Task
    rng: np.random.Generator

    def value(self, name: str, low: float = -np.inf) -> float:
        """A quantity of the task, in its unit."""
        mean, spread = getattr(self.task, name)
        return float(max(mean + spread * (self.golfer.traits[name] + SHOT_TO_SHOT * self.rng.normal()), low))

    def angle(self, name: str) -> float:
        """The same in rad, from °."""
        return float(np.radians(self.value(name)))

    def near(self, spread_deg: float) -> float:
        """A deviation in rad."""
        return float(np.radians(self.rng.normal(0.0, spread_deg)))


def _trunk_keys(draw: Draw, pose: dict[str, float], continuity: float) -> dict[str, Key]:
    """Posture and sway of chest and pelvis; the chest's turn is planned by its rate."""
    share, d = draw.task.extent, np.radians
    bend, side, hip = pose["chest_bend"], pose["chest_side"], pose["pelvis_bend"]
    hip_side, hip_turn = pose["pelvis_side"], pose["pelvis_turn"]
    side_impact = draw.angle("chest_side_impact") + (TILT_OF_A_STALL * (1.0 - continuity) * draw.golfer.tilts)
    turn = hip_turn + draw.angle("pelvis_turn_impact")
    return {
        "chest_bend": Key(
            address=bend,
            top=bend - d(2.0) * share + draw.near(1.5),
            impact=bend - d(4.0) * share + draw.near(1.5),
            after=bend - d(9.0) * share,
            finish=bend - d(25.0) * share,
        ),
        "chest_side": Key(
            address=side,
            top=side - d(4.0) * share + draw.near(1.0),
            impact=side + side_impact,
            after=side + 1.15 * side_impact,
            finish=side * (1.0 - share) + d(6.0) * share,
        ),
        "pelvis_bend": Key(
            address=hip,
            top=hip + draw.near(0.8),
            impact=hip - d(6.0) * share,
            after=hip - d(10.0) * share,
            finish=hip - d(18.0) * share,
        ),
        "pelvis_side": Key(
            address=hip_side,
            top=hip_side - d(4.0) * share,
            impact=hip_side + d(6.0) * share,
            after=hip_side + d(7.0) * share,
            finish=hip_side,
        ),
        "pelvis_turn": Key(
            address=hip_turn,
            top=hip_turn + draw.angle("pelvis_turn_top"),
            impact=turn,
            after=turn + d(15.0) * share + d(2.0),
            finish=turn + d(55.0) * share + d(8.0),
        ),
        "right": Key(address=0.0, top=0.03 * share, impact=-0.07 * share, after=-0.09 * share, finish=-0.12 * share),
        "up": Key(
            address=pose["up"],
            top=pose["up"] - 0.005,
            impact=pose["up"] + 0.015 * share,
            after=pose["up"] + 0.025 * share,
            finish=pose["up"] + 0.02 * share,
        ),
    }


def _arm_keys(draw: Draw, pose: dict[str, float]) -> dict[str, Key]:
    """Rolls of the arm, elbow and wrist."""
    share, d = draw.task.extent, np.radians
    back = draw.angle("roll_back")
    roll, pronation, elbow = pose["shoulder_roll"], pose["pronation"], pose["elbow_bend"]
    flexion, ulnar = draw.angle("flexion_impact"), draw.angle("ulnar_impact")
    return {
        "shoulder_roll": Key(
            address=roll,
            top=roll + 0.5 * back,
            impact=roll + draw.near(1.0),
            after=roll - 0.3 * back - d(3.0),
            finish=roll - 0.5 * back - d(8.0),
        ),
        "pronation": Key(
            address=pronation,
            top=pronation + 0.5 * back,
            impact=pronation + draw.near(1.5),
            after=pronation - 0.6 * back - d(5.0),
            finish=pronation - back - d(10.0),
        ),
        "elbow_bend": Key(
            address=elbow,
            top=elbow + d(4.0) * share,
            impact=elbow - d(2.0),
            after=elbow,
            finish=d(draw.task.elbow_finish),
        ),
        "wrist_flexion": Key(
            address=pose["wrist_flexion"],
            top=draw.angle("flexion_top"),
            impact=flexion,
            after=flexion - d(4.0 + 8.0 * share),
            finish=d(-15.0),
        ),
        "wrist_ulnar": Key(
            address=pose["wrist_ulnar"],
            top=draw.angle("ulnar_top"),
            impact=ulnar,
            after=ulnar + d(4.0 + 14.0 * share),
            finish=d(-4.0 - 12.0 * share),
        ),
        "wrist_twist": Key(
            address=pose["wrist_twist"],
            top=draw.near(2.0),
            impact=draw.near(1.5),
            after=draw.near(2.0),
            finish=draw.near(2.0),
        ),
    }


def draw_plan(
    golfer: Golfer, task: Task, pose: dict[str, float], rng: np.random.Generator, *, practice: bool, change: float
) -> SwingPlan:
    """One swing's plan from the address pose.

    practice: practice swings are a little slower.  change: how far a drill moves the golfer's continuity up.
    """
    draw = Draw(golfer=golfer, task=task, rng=rng)
    effort = float(rng.uniform(*PRACTICE_EFFORT)) if practice else 1.0
    continuity = float(np.clip(golfer.continuity + change + CONTINUITY_SPREAD * rng.normal(), *CONTINUITY_LIMITS))
    impact = golfer.arm_address - golfer.arm_forward + draw.near(1.0)
    lift_impact = golfer.lift_impact + draw.near(0.7)
    return SwingPlan(
        backswing_s=draw.value("backswing_s", 0.4) / effort,
        downswing_s=draw.value("downswing_s", 0.2) / effort,
        arm_depth=golfer.arm_depth,
        arm_angle=Key(
            address=pose["arm_angle"],
            top=draw.angle("arm_top"),
            impact=impact,
            after=impact,
            finish=draw.angle("arm_finish"),
        ),
        arm_lift=Key(
            address=0.0,
            top=golfer.lift_top + draw.near(1.0),
            impact=lift_impact,
            after=lift_impact + draw.near(1.0),
            finish=golfer.lift_top + draw.near(4.0),
        ),
        chest_turn_address=pose["chest_turn"],
        chest_turn_top=draw.angle("chest_turn_top"),
        chest_turn_impact=draw.angle("chest_turn_impact"),
        chest_turn_finish=draw.angle("chest_turn_finish"),
        chest_lead_s=float(rng.uniform(0.01, 0.05)),
        peak_before_s=float(rng.uniform(0.025, 0.08)),
        continuity=continuity,
        sag_after_s=float(rng.uniform(0.02, 0.09)),
        sag_s=float(rng.uniform(0.03, 0.10)),
        recovery=float(np.clip(max(continuity, 0.25) * rng.uniform(0.55, 0.95), 0.15 + 0.25 * task.extent, 0.7)),
        release_s=draw.value("release_s", 0.04) / effort,
        keys=_trunk_keys(draw, pose, continuity) | _arm_keys(draw, pose),
    )
