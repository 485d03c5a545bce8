"""Who swings: the habits of one simulated golfer, and the kinds of shots.

Ranges follow published studies where there are any (named beside them); the rest are assumptions of this simulator.
No real person is behind any of them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from imuswing.errors import require_one_of
from imuswing.simulate.anatomy import BETWEEN_SHOULDER_BLADES, COORDINATES, Anatomy
from imuswing.simulate.swing import direction, shoulder_angles
from imuswing.vocabulary import CHEST, LeadSide

Range = tuple[float, float]
"""Mean and standard deviation over golfers."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """What a kind of shot looks like, °, s.

    extent: share of a full swing's secondary movements (hips, posture).  arm_top, arm_finish: angle of the lead
    forearm in its swing plane, from the plane's lowest direction.  roll_back: how far the arm rolls in the backswing.
    shock: median peak of the impact shock at the hand, m/s².
    """

    extent: float
    backswing_s: Range
    downswing_s: Range
    arm_top: Range
    arm_finish: Range
    elbow_finish: float
    chest_turn_top: Range
    chest_turn_impact: Range
    chest_turn_finish: Range
    chest_side_impact: Range
    pelvis_turn_top: Range
    pelvis_turn_impact: Range
    ulnar_top: Range
    ulnar_impact: Range
    flexion_top: Range
    flexion_impact: Range
    roll_back: Range
    release_s: Range
    shock: float


# Full swing: 0.80 s back and 0.27 s down (Grober & Cholewicki; the plan's backswing is longer by the slow start before
# the takeaway), trunk turn 60 ± 7° at the top (Zheng 2008). Chip: angle of forearm and shaft at address, top and impact
# (Int J Exerc Sci conference vol. 2 no. 5, no. 76). The rest: common practice and assumptions, no source.
TASKS: Final[dict[str, Task]] = {
    "chip": Task(
        extent=0.2, backswing_s=(0.66, 0.07), downswing_s=(0.30, 0.03),
        arm_top=(46.0, 6.0), arm_finish=(-36.0, 6.0), elbow_finish=14.0,
        chest_turn_top=(-20.0, 5.0), chest_turn_impact=(9.0, 4.0), chest_turn_finish=(30.0, 7.0),
        chest_side_impact=(6.0, 3.0), pelvis_turn_top=(-7.0, 3.0), pelvis_turn_impact=(9.0, 4.0),
        ulnar_top=(-12.0, 6.0), ulnar_impact=(9.0, 3.5), flexion_top=(-24.0, 7.0), flexion_impact=(-5.0, 6.0),
        roll_back=(12.0, 6.0), release_s=(0.12, 0.02), shock=40.0,
    ),
    "pitch": Task(
        extent=0.55, backswing_s=(0.82, 0.07), downswing_s=(0.29, 0.025),
        arm_top=(83.0, 7.0), arm_finish=(-80.0, 8.0), elbow_finish=30.0,
        chest_turn_top=(-42.0, 6.0), chest_turn_impact=(14.0, 5.0), chest_turn_finish=(58.0, 8.0),
        chest_side_impact=(10.0, 4.0), pelvis_turn_top=(-20.0, 5.0), pelvis_turn_impact=(20.0, 6.0),
        ulnar_top=(-18.0, 5.0), ulnar_impact=(10.0, 3.5), flexion_top=(-16.0, 9.0), flexion_impact=(-4.0, 7.0),
        roll_back=(28.0, 8.0), release_s=(0.085, 0.01), shock=90.0,
    ),
    "full": Task(
        extent=1.0, backswing_s=(0.94, 0.07), downswing_s=(0.26, 0.018),
        arm_top=(118.0, 6.0), arm_finish=(-112.0, 8.0), elbow_finish=75.0,
        chest_turn_top=(-66.0, 6.0), chest_turn_impact=(17.0, 5.0), chest_turn_finish=(85.0, 8.0),
        chest_side_impact=(15.0, 5.0), pelvis_turn_top=(-36.0, 6.0), pelvis_turn_impact=(34.0, 8.0),
        ulnar_top=(-27.0, 4.0), ulnar_impact=(14.0, 3.5), flexion_top=(-8.0, 12.0), flexion_impact=(-3.0, 7.0),
        roll_back=(42.0, 8.0), release_s=(0.05, 0.004), shock=190.0,
    ),
}  # fmt: skip

TRAITS: Final = tuple(item.name for item in fields(Task) if isinstance(getattr(TASKS["full"], item.name), tuple))
"""Quantities in which golfers differ."""

ON_THE_BACK_SHARE: Final = 0.35
"""Share of golfers who wear the chest's sensor on the upper back (an assumption)."""

STANCE: Final = ("forward", "right", "heading")
"""Coordinates that say where a golfer stands and faces: no part of a pose."""

ADDRESS_SPREAD_DEG: Final[dict[str, float]] = {
    "pelvis_bend": 0.7,
    "chest_bend": 0.8,
    "chest_side": 0.7,
    "chest_turn": 1.0,
    "pelvis_turn": 1.0,
    "shoulder_roll": 0.8,
    "pronation": 1.2,
    "wrist_flexion": 1.5,
    "wrist_ulnar": 1.0,
    "elbow_bend": 0.7,
    "club_cock": 0.5,
    "club_tilt": 0.5,
    "arm_angle": 0.8,
}
"""How an address differs from the golfer's usual one, ° (an assumption)."""


def task_of(name: str) -> Task:
    """The ranges of a task; an unknown name is an error that lists the legal ones."""
    require_one_of("task", name, TASKS)
    return TASKS[name]


@dataclass(frozen=True, kw_only=True)
class Golfer:
    """Habits that stay the same from shot to shot; angles in rad.

    traits: standard normal numbers by name of the quantity.  posture: the address pose without the shoulder's angles.
    arm_depth: angle of the arm's swing plane below the horizontal.  arm_address: forearm's angle in it at address.
    forward_s: how far ahead of its address angle the forearm is at impact.  lift: out of the plane at top and impact.
    continuity: the golfer's habitual slowest chest rate through the ball over the fastest.
    tilts: whether the side tilt grows where the turn stalls.  holds_finish_s: how long the finish is held.
    """

    lead_side: LeadSide
    anatomy: Anatomy
    traits: dict[str, float]
    posture: dict[str, float]
    arm_depth: float
    arm_address: float
    arm_forward: float
    lift_top: float
    lift_impact: float
    continuity: float
    tilts: bool
    holds_finish_s: float
    waggles: int
    strength: float


def draw_golfer(rng: np.random.Generator, lead_side: LeadSide) -> Golfer:
    """A golfer; sizes of postures are assumptions, no source."""

    def deg(mean: float, spread: float) -> float:
        return float(np.radians(mean + spread * np.clip(rng.normal(), -2.2, 2.2)))

    posture = dict.fromkeys(COORDINATES, 0.0)
    posture.update(
        up=0.92,
        pelvis_bend=deg(22.0, 4.0),
        pelvis_side=deg(1.0, 1.0),
        pelvis_turn=deg(2.0, 3.0),
        chest_bend=deg(38.0, 4.0),
        chest_side=deg(5.0, 2.0),
        chest_turn=deg(2.0, 3.0),
        shoulder_roll=deg(35.0, 5.0),
        elbow_bend=deg(9.0, 3.0),
        pronation=deg(53.0, 6.0),
        wrist_flexion=deg(-13.0, 6.0),
        wrist_ulnar=deg(16.0, 4.0),
        wrist_twist=deg(0.0, 1.0),
        club_cock=deg(52.0, 3.0),
        club_tilt=deg(2.0, 2.0),
        club_face=deg(0.0, 3.0),
    )
    return Golfer(
        lead_side=lead_side,
        anatomy=_anatomy(rng),
        traits={name: float(np.clip(rng.normal(), -1.8, 1.8)) for name in TRAITS},
        posture=posture,
        arm_depth=deg(80.0, 3.0),
        arm_address=deg(14.0, 3.0),
        arm_forward=deg(5.0, 2.0),
        lift_top=deg(0.0, 5.0),
        lift_impact=deg(3.0, 2.0),
        continuity=float(rng.uniform(-0.1, 0.95)),
        tilts=bool(rng.random() < 0.5),
        holds_finish_s=float(rng.uniform(0.3, 1.6)),
        waggles=int(rng.integers(0, 4)),
        strength=float(rng.lognormal(0.0, 0.2)),
    )


def _anatomy(rng: np.random.Generator) -> Anatomy:
    """A body of some size, with sensors about where they belong."""
    size = float(rng.normal(1.0, 0.05))
    plain = Anatomy()
    sensors = {point: place + rng.normal(0.0, 0.01, 3) for point, place in plain.sensors.items()}
    if rng.random() < ON_THE_BACK_SHARE:
        sensors[CHEST] = BETWEEN_SHOULDER_BLADES + rng.normal(0.0, 0.01, 3)
    return Anatomy(
        lumbar=plain.lumbar * size,
        proximal={segment: place * size for segment, place in plain.proximal.items()},
        sensors=sensors,
    )


def address_pose(golfer: Golfer, rng: np.random.Generator | None = None) -> dict[str, float]:
    """The golfer's pose at address: the usual one, or one of many where `rng` is given.

    Besides the body's coordinates it holds `arm_angle`, the forearm's angle in its swing plane.
    """
    pose = {name: value for name, value in golfer.posture.items() if name not in STANCE}
    pose["arm_angle"] = golfer.arm_address
    if rng is not None:
        for name, spread in ADDRESS_SPREAD_DEG.items():
            pose[name] += float(np.radians(rng.normal(0.0, spread)))
    one = {name: np.array([value]) for name, value in pose.items()}
    flexion, across = shoulder_angles(
        direction(golfer.arm_depth, one["arm_angle"], np.zeros(1)),
        (one["chest_bend"], one["chest_side"], one["chest_turn"]),
        one["elbow_bend"],
        one["shoulder_roll"],
    )
    return pose | {"shoulder_flexion": float(flexion[0]), "shoulder_across": float(across[0])}


def resting_pose(golfer: Golfer) -> dict[str, float]:
    """Standing at ease with the club in the hand."""
    return address_pose(golfer) | {
        "pelvis_bend": np.radians(4.0),
        "chest_bend": np.radians(3.0),
        "chest_side": 0.0,
        "shoulder_flexion": np.radians(12.0),
        "shoulder_across": np.radians(-8.0),
        "shoulder_roll": np.radians(20.0),
        "elbow_bend": np.radians(25.0),
        "up": 0.96,
    }
