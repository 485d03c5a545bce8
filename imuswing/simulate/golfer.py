"""Who swings: habits of one simulated golfer, and the plan of each swing with its shot-to-shot variation.

Ranges follow published studies where there are any (named beside them); the rest are assumptions of this simulator.
No real person is behind any of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.errors import require_one_of
from imuswing.simulate.anatomy import COORDINATES, Anatomy
from imuswing.simulate.swing import Direction, Key, SwingPlan, shoulder_angles
from imuswing.vocabulary import LeadSide

Range = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Task:
    """Mean and standard deviation over golfers of what a kind of shot looks like; °, s.

    arm_*: elevation and azimuth of the lead forearm.  shock: median peak of the impact shock at the hand, m/s².
    """

    backswing_s: Range
    downswing_s: Range
    finish_s: Range
    arm_top_elevation: Range
    arm_top_azimuth: Range
    arm_finish: tuple[float, float]
    elbow_finish: float
    chest_turn_top: Range
    chest_turn_impact: Range
    chest_turn_finish: Range
    chest_side_impact: Range
    pelvis_turn_top: Range
    pelvis_turn_impact: Range
    ulnar_top: Range
    flexion_top: Range
    roll_back: Range
    release_s: Range
    shock: float


# Full swing: 0.80 s back and 0.27 s down (Grober & Cholewicki), trunk turn 60 ± 7° at the top (Zheng 2008); chip: wrist
# angles of Int J Exerc Sci conference vol. 2 no. 5, no. 76. The rest: common practice and assumptions, no source.
TASKS: Final[dict[str, Task]] = {
    "chip": Task(
        backswing_s=(0.66, 0.07), downswing_s=(0.30, 0.03), finish_s=(0.55, 0.06),
        arm_top_elevation=(-36.0, 6.0), arm_top_azimuth=(52.0, 7.0), arm_finish=(-34.0, -45.0), elbow_finish=14.0,
        chest_turn_top=(-20.0, 5.0), chest_turn_impact=(9.0, 4.0), chest_turn_finish=(30.0, 7.0),
        chest_side_impact=(7.0, 3.0),
        pelvis_turn_top=(-7.0, 3.0), pelvis_turn_impact=(9.0, 4.0),
        ulnar_top=(-8.0, 6.0), flexion_top=(-24.0, 7.0), roll_back=(10.0, 6.0), release_s=(0.12, 0.02), shock=40.0,
    ),
    "pitch": Task(
        backswing_s=(0.82, 0.07), downswing_s=(0.29, 0.025), finish_s=(0.6, 0.06),
        arm_top_elevation=(-6.0, 8.0), arm_top_azimuth=(78.0, 7.0), arm_finish=(5.0, -75.0), elbow_finish=30.0,
        chest_turn_top=(-42.0, 6.0), chest_turn_impact=(14.0, 5.0), chest_turn_finish=(58.0, 8.0),
        chest_side_impact=(11.0, 4.0),
        pelvis_turn_top=(-20.0, 5.0), pelvis_turn_impact=(20.0, 6.0),
        ulnar_top=(-17.0, 5.0), flexion_top=(-16.0, 9.0), roll_back=(25.0, 8.0), release_s=(0.09, 0.01), shock=90.0,
    ),
    "full": Task(
        backswing_s=(0.94, 0.07), downswing_s=(0.27, 0.02), finish_s=(0.65, 0.06),
        arm_top_elevation=(30.0, 8.0), arm_top_azimuth=(98.0, 7.0), arm_finish=(35.0, -95.0), elbow_finish=75.0,
        chest_turn_top=(-66.0, 6.0), chest_turn_impact=(20.0, 6.0), chest_turn_finish=(85.0, 8.0),
        chest_side_impact=(17.0, 5.0),
        pelvis_turn_top=(-36.0, 6.0), pelvis_turn_impact=(34.0, 8.0),
        ulnar_top=(-24.0, 4.0), flexion_top=(-8.0, 12.0), roll_back=(40.0, 8.0), release_s=(0.055, 0.005), shock=190.0,
    ),
}  # fmt: skip

SHOT_TO_SHOT: Final = 0.3
"""Variation from shot to shot over the spread between golfers (an assumption)."""


STANCE: Final = ("forward", "right", "heading")
"""Coordinates that say where a golfer stands and faces."""


def task_of(name: str) -> Task:
    """The ranges of a task; an unknown name is an error that lists the legal ones."""
    require_one_of("task", name, TASKS)
    return TASKS[name]


@dataclass(frozen=True, kw_only=True)
class Golfer:
    """Habits that stay the same from shot to shot; traits in units of the spread between golfers, angles in rad.

    traits: standard normal numbers by name of the quantity.  posture: the address pose without the shoulder's angles.
    continuity: the golfer's habitual slowest chest rate through the ball over the fastest.
    tilts: whether the side tilt grows where the turn stalls.  holds_finish_s: how long the finish is held.
    """

    lead_side: LeadSide
    anatomy: Anatomy
    traits: dict[str, float]
    posture: dict[str, float]
    arm_address: Direction
    arm_impact: Direction
    continuity: float
    tilts: bool
    holds_finish_s: float
    waggles: int
    strength: float


def draw_golfer(rng: np.random.Generator, lead_side: LeadSide) -> Golfer:
    """A golfer; sizes of postures are assumptions, no source."""

    def deg(mean: float, spread: float) -> float:
        return float(np.radians(rng.normal(mean, spread)))

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
        pronation=deg(52.0, 6.0),
        wrist_flexion=deg(-13.0, 6.0),
        wrist_ulnar=deg(17.0, 4.0),
        wrist_twist=deg(0.0, 1.0),
        club_cock=deg(50.0, 3.0),
        club_tilt=deg(4.0, 3.0),
        club_face=deg(0.0, 3.0),
    )
    names = [name for name in Task.__dataclass_fields__ if isinstance(getattr(TASKS["full"], name), tuple)]
    lengths = float(rng.normal(1.0, 0.05))
    plain = Anatomy()
    anatomy = Anatomy(
        lumbar=plain.lumbar * lengths,
        proximal={segment: place * lengths for segment, place in plain.proximal.items()},
        sensors={point: place + rng.normal(0.0, 0.01, 3) for point, place in plain.sensors.items()},
    )
    return Golfer(
        lead_side=lead_side,
        anatomy=anatomy,
        traits={name: float(np.clip(rng.normal(), -2.0, 2.0)) for name in (*names, "flexion_impact", "ulnar_impact")},
        posture=posture,
        arm_address=Direction(elevation=deg(-60.0, 3.0), azimuth=deg(12.0, 3.0)),
        arm_impact=Direction(elevation=deg(-58.0, 2.0), azimuth=deg(4.0, 3.0)),
        continuity=float(rng.uniform(-0.1, 0.95)),
        tilts=bool(rng.random() < 0.5),
        holds_finish_s=float(rng.uniform(0.5, 2.0)),
        waggles=int(rng.integers(0, 4)),
        strength=float(rng.lognormal(0.0, 0.2)),
    )


def address_pose(golfer: Golfer) -> dict[str, float]:
    """The golfer's pose at address, with the shoulder pointing the forearm where the plan has it.

    Where the golfer stands and faces is not part of a pose.
    """
    pose = {name: value for name, value in golfer.posture.items() if name not in STANCE}
    one = {name: np.array([pose[name]]) for name in pose}
    flexion, across = shoulder_angles(
        (np.array([golfer.arm_address.elevation]), np.array([golfer.arm_address.azimuth])),
        (one["chest_bend"], one["chest_side"], one["chest_turn"]),
        one["elbow_bend"],
        one["shoulder_roll"],
    )
    pose["shoulder_flexion"], pose["shoulder_across"] = float(flexion[0]), float(across[0])
    return pose


def resting_pose(golfer: Golfer) -> dict[str, float]:
    """Standing at ease with the club in the hand."""
    pose = address_pose(golfer)
    return pose | {
        "pelvis_bend": np.radians(4.0),
        "chest_bend": np.radians(3.0),
        "chest_side": 0.0,
        "shoulder_flexion": np.radians(12.0),
        "shoulder_across": np.radians(-8.0),
        "shoulder_roll": np.radians(20.0),
        "elbow_bend": np.radians(25.0),
        "up": 0.96,
    }


def draw_plan(
    golfer: Golfer, task: Task, rng: np.random.Generator, *, effort: float = 1.0, change: float = 0.0
) -> SwingPlan:
    """One swing's plan.

    effort: share of the usual speed (practice swings are slower).  change: how far a drill moves the golfer's
    continuity up.
    """

    def draw(name: str, low: float = -np.inf, high: float = np.inf) -> float:
        mean, spread = getattr(task, name)
        value = mean + spread * (golfer.traits[name] + SHOT_TO_SHOT * rng.normal())
        return float(np.clip(value, low, high))

    def deg(name: str) -> float:
        return float(np.radians(draw(name)))

    def near(spread: float) -> float:
        return float(np.radians(rng.normal(0.0, spread)))

    pose = address_pose(golfer)
    here = {name: pose[name] for name in pose}
    backswing, downswing = draw("backswing_s", 0.35) / effort, draw("downswing_s", 0.2) / effort
    continuity = float(np.clip(golfer.continuity + change + 0.10 * rng.normal(), -0.25, 0.98))
    side_impact = np.radians(draw("chest_side_impact")) + (
        np.radians(8.0) * (1.0 - continuity) if golfer.tilts else 0.0
    )
    roll_back = deg("roll_back")
    full = float(np.clip((task.chest_turn_top[0] + 10.0) / -56.0, 0.15, 1.0))

    def key(name: str, top: float, impact: float, after: float, finish: float) -> Key:
        return Key(address=here[name], top=top, impact=impact, after=after, finish=finish)

    flexion_impact = np.radians(-4.0 + 7.0 * golfer.traits["flexion_impact"]) + near(2.0)
    ulnar_impact = np.radians(8.0 + 4.0 * full + 4.0 * golfer.traits["ulnar_impact"]) + near(1.5)
    roll, pron = here["shoulder_roll"], here["pronation"]
    bend, side = here["chest_bend"], here["chest_side"]
    hip, hip_side, hip_turn = here["pelvis_bend"], here["pelvis_side"], here["pelvis_turn"]
    d = np.radians
    keys = {
        "chest_bend": key("chest_bend", bend + near(2.0) - d(2.0) * full, bend - d(4.0) * full + near(2.0),
                          bend - d(9.0) * full, bend - d(25.0) * full),
        "chest_side": key("chest_side", side - d(4.0) * full + near(1.5), side + side_impact,
                          side + side_impact * 1.15, d(6.0) * full),
        "pelvis_bend": key("pelvis_bend", hip + near(1.0), hip - d(6.0) * full, hip - d(10.0) * full, hip - d(18.0) * full),
        "pelvis_side": key("pelvis_side", hip_side - d(4.0) * full, hip_side + d(6.0) * full, hip_side + d(7.0) * full,
                           hip_side),
        "pelvis_turn": key("pelvis_turn", hip_turn + deg("pelvis_turn_top"), hip_turn + deg("pelvis_turn_impact"),
                           hip_turn + deg("pelvis_turn_impact") + d(25.0) * full + d(4.0),
                           hip_turn + deg("pelvis_turn_impact") + d(55.0) * full + d(8.0)),
        "shoulder_roll": key("shoulder_roll", roll + 0.5 * roll_back, roll + near(1.5), roll - 0.45 * roll_back - d(6.0),
                             roll - 0.5 * roll_back - d(10.0)),
        "pronation": key("pronation", pron + 0.5 * roll_back, pron + near(2.0), pron - 0.9 * roll_back - d(8.0),
                         pron - 1.0 * roll_back - d(12.0)),
        "elbow_bend": key("elbow_bend", here["elbow_bend"] + d(4.0) * full, here["elbow_bend"] - d(2.0),
                          here["elbow_bend"], d(task.elbow_finish)),
        "wrist_flexion": key("wrist_flexion", deg("flexion_top"), flexion_impact, flexion_impact - d(8.0 + 12.0 * full),
                             d(-15.0)),
        "wrist_ulnar": key("wrist_ulnar", deg("ulnar_top"), ulnar_impact, ulnar_impact + d(5.0 + 11.0 * full), d(-4.0 - 12.0 * full)),
        "wrist_twist": key("wrist_twist", near(2.0), near(2.0), near(2.0), near(2.0)),
        "right": Key(address=0.0, top=0.03 * full, impact=-0.07 * full, after=-0.09 * full, finish=-0.12 * full),
        "up": Key(address=0.92, top=0.915, impact=0.92 + 0.015 * full, after=0.925 + 0.02 * full, finish=0.93),
    }  # fmt: skip
    return SwingPlan(
        backswing_s=backswing,
        downswing_s=downswing,
        finish_s=draw("finish_s", 0.4) / effort,
        arm_address=golfer.arm_address,
        arm_top=Direction(elevation=deg("arm_top_elevation"), azimuth=deg("arm_top_azimuth")),
        arm_impact=Direction(
            elevation=golfer.arm_impact.elevation + near(0.8), azimuth=golfer.arm_impact.azimuth + near(1.0)
        ),
        arm_finish=Direction(
            elevation=float(np.radians(task.arm_finish[0])) + near(4.0),
            azimuth=float(np.radians(task.arm_finish[1])) + near(4.0),
        ),
        chest_turn_address=here["chest_turn"],
        chest_turn_top=deg("chest_turn_top"),
        chest_turn_impact=deg("chest_turn_impact"),
        chest_turn_finish=deg("chest_turn_finish"),
        chest_lead_s=float(rng.uniform(0.01, 0.05)),
        peak_before_s=float(rng.uniform(0.025, 0.08)),
        continuity=continuity,
        sag_after_s=float(rng.uniform(0.02, 0.09)),
        sag_s=float(rng.uniform(0.03, 0.10)),
        recovery=float(np.clip(max(continuity, 0.25) * rng.uniform(0.55, 0.95), 0.15, 0.7)),
        release_s=draw("release_s", 0.04) / effort,
        keys=keys,
    )
