"""The calibration routine as a person does it: postures not quite right, movements not quite about one axis.

Sizes of the errors come from `presets.ErrorSizes`; each person's are drawn once a routine. What is true is known: the
segments' axes are those of the body, not those that the routine shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray, to_matrix
from imuswing.recording.model import Event
from imuswing.simulate.anatomy import COORDINATES
from imuswing.simulate.between import stand_around
from imuswing.simulate.golfer import Golfer, address_pose
from imuswing.simulate.kinematics import Body
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.score import Score
from imuswing.simulate.swing import shoulder_angles
from imuswing.simulate.timeline import STEP_S, Timeline, smooth_step
from imuswing.vocabulary import BOW, CLUB_HANG, FOREARM_ROLL, LEAD_FOREARM, LEAD_HAND, STAND, TABLE, WRIST_BEND

STILL_S: Final = (4.0, 6.0)
BOW_DEG: Final = (32.0, 45.0)
WRIST_BEND_DEG: Final = (35.0, 50.0)
ROLL_DEG: Final = (45.0, 65.0)
MARK_ERROR_S: Final = 0.3
"""Sizes of a careful person's steps, and how far off their marks are (assumptions)."""

THUMB_UP_ROLL: Final = np.radians(90.0)
"""Roll of upper arm and forearm together with the palm facing the body: the thumb-up position of a bent elbow."""


TABLE_ACROSS: Final = np.radians(20.0)
"""How far across the body the forearm lies on the table (an assumption)."""


ZERO_DEVIATION: Final = 1.4
"""Error of the wrist's deviation on the table over that of its flexion (an assumption: a table shows only flexion)."""


@dataclass(frozen=True, kw_only=True)
class Care:
    """One person's errors in one routine, drawn once; angles in rad, and other joints' share of a movement.

    stand: lean, side bend, arm forward, arm out, roll.  table: pitch and roll of the forearm.  wrist_zero: flexion and
    deviation there.  bow_axis: share of side bend and turn in a bow.  bend_axis: of deviation, twist and pronation in a
    wrist bend.  roll_axis: of elbow, upper arm's roll, shoulder and wrist in a forearm roll.
    missing: steps that are left out.
    """

    stand: FloatArray
    bow_axis: FloatArray
    table: FloatArray
    wrist_zero: FloatArray
    bend_axis: FloatArray
    roll_axis: FloatArray
    missing: frozenset[str]


def draw_care(sizes: ErrorSizes, rng: np.random.Generator) -> Care:
    """The errors of one routine; the same draws whatever their sizes."""
    posture, axis, zero = (np.radians(size) for size in (sizes.posture_deg, sizes.axis_deg, sizes.zero_deg))
    steps = (STAND, BOW, TABLE, WRIST_BEND, FOREARM_ROLL)
    chance = rng.random(len(steps))
    return Care(
        stand=posture * rng.standard_normal(5),
        bow_axis=axis * rng.standard_normal(2),
        table=posture * rng.standard_normal(2),
        wrist_zero=zero * rng.standard_normal(2) * np.array([1.0, ZERO_DEVIATION]),
        bend_axis=axis * rng.standard_normal(3) * np.array([1.0, 1.0, 0.3]),
        roll_axis=axis * rng.standard_normal(4),
        missing=sizes.left_out
        | {step for step, c in zip(steps, chance, strict=True) if c < sizes.missing_steps / len(steps)},
    )


def stand_pose(golfer: Golfer, care: Care) -> dict[str, float]:
    """Upright, arms hanging, lead palm facing the thigh, each to within the person's care."""
    pose = address_pose(golfer)
    lean, side, forward, out, roll = care.stand
    return pose | {
        "up": 0.97,
        "pelvis_bend": lean,
        "pelvis_side": 0.0,
        "pelvis_turn": 0.0,
        "chest_bend": lean,
        "chest_side": side,
        "chest_turn": 0.0,
        "shoulder_flexion": forward,
        "shoulder_across": out,
        "shoulder_roll": np.radians(30.0),
        "elbow_bend": abs(roll),
        "pronation": THUMB_UP_ROLL - np.radians(30.0) + 2.0 * roll,
        "wrist_flexion": 0.0,
        "wrist_ulnar": 0.0,
    }


def table_pose(golfer: Golfer, care: Care) -> dict[str, float]:
    """Lead forearm and hand flat on a table, palm down, each to within the person's care."""
    pose = stand_pose(golfer, care) | {
        "chest_bend": np.radians(12.0),
        "pelvis_bend": np.radians(8.0),
        "elbow_bend": np.radians(75.0),
        "shoulder_roll": np.radians(25.0),
        "up": 0.75,
    }
    pitch, roll = care.table
    one = {name: np.array([value]) for name, value in pose.items()}
    flexion, across = shoulder_angles(
        (np.cos([pitch]) * np.cos(TABLE_ACROSS), np.sin([pitch]), np.cos([pitch]) * np.sin(TABLE_ACROSS)),
        (one["chest_bend"], one["chest_side"], one["chest_turn"]),
        one["elbow_bend"],
        one["shoulder_roll"],
    )
    pose |= {"shoulder_flexion": float(flexion[0]), "shoulder_across": float(across[0]), "pronation": 0.0}
    pose["pronation"] = _palm_down(golfer, pose) + roll
    return pose | {"wrist_flexion": care.wrist_zero[0], "wrist_ulnar": care.wrist_zero[1], "wrist_twist": 0.0}


def _orientation(golfer: Golfer, pose: dict[str, float], segment: str) -> FloatArray:
    """q_earth_from_segment (4,) of a pose, for a golfer who leads with the left side and faces along X."""
    line = Timeline(dict.fromkeys(COORDINATES, 0.0) | pose)
    line.hold(0.2)
    body = Body(motion=line.finish(), anatomy=golfer.anatomy, lead_side="left")
    return np.asarray(body.segments(np.array([0.1]), segment)[segment].q[0])


def _palm_down(golfer: Golfer, pose: dict[str, float]) -> float:
    """Pronation at which the palm faces down as far as the forearm's direction lets it, from a pose without any."""
    forearm = to_matrix(_orientation(golfer, pose, LEAD_FOREARM))
    return float(np.arctan2(-forearm[2, 2], -forearm[2, 0]))


def play_routine(score: Score, golfer: Golfer, care: Care, rng: np.random.Generator, *, club: bool) -> None:
    """All steps that are not missing, each with its event, with some moving about in between."""
    steps = ((STAND, _stand), (BOW, _bow), (FOREARM_ROLL, _forearm_roll), (TABLE, _table), (WRIST_BEND, _wrist_bend))
    for name, play in steps:
        if name in care.missing:
            continue
        stand_around(score, golfer, rng, duration=float(rng.uniform(1.0, 2.5)))
        start, end = play(score.timeline, golfer, care, rng)
        _mark(score, name, start, end, rng)
    if club:
        start, end = _club_hang(score.timeline, golfer, care, rng)
        _mark(score, CLUB_HANG, start, end, rng)


def _mark(score: Score, name: str, start: float, end: float, rng: np.random.Generator) -> None:
    score.steps.append((name, start, end))
    early, late = rng.uniform(-MARK_ERROR_S, MARK_ERROR_S, 2)
    score.events.append(Event(onset=start + early, duration=end - start + late - early, trial_type=name))


def _stand(line: Timeline, golfer: Golfer, care: Care, rng: np.random.Generator) -> tuple[float, float]:
    line.move(stand_pose(golfer, care), 1.5)
    line.hold(0.5)
    start = line.now
    line.hold(float(rng.uniform(*STILL_S)))
    return start, line.now


def _cycles(count: int, period_s: tuple[float, float], rng: np.random.Generator, *, both: bool) -> FloatArray:
    """Repeated smooth movements from 0 to 1 (and on to −1 with `both`) and back, on the grid, each a bit different."""
    parts = []
    for number in range(count):
        size = 1.0 + 0.08 * rng.standard_normal()
        half = max(round(0.5 * float(rng.uniform(*period_s)) / STEP_S), 20)
        up = smooth_step(np.arange(half) / half)
        if not both:
            parts += [size * up, size * (1.0 - up)]
        elif number == 0:
            parts += [size * up, size * (1.0 - 2.0 * up)]
        elif number < count - 1:
            parts += [size * (2.0 * up - 1.0), size * (1.0 - 2.0 * up)]
        else:
            parts += [size * (2.0 * up - 1.0), size * (1.0 - up)]
    return np.concatenate(parts)


def _bow(line: Timeline, golfer: Golfer, care: Care, rng: np.random.Generator) -> tuple[float, float]:
    line.move(stand_pose(golfer, care), 1.2)
    line.hold(0.6)
    start = line.now
    bend = np.radians(rng.uniform(*BOW_DEG)) * _cycles(int(rng.integers(3, 5)), (3.0, 4.0), rng, both=False)
    pose = line.pose
    line.passage(
        {
            "chest_bend": pose["chest_bend"] + bend,
            "chest_side": pose["chest_side"] + care.bow_axis[0] * bend,
            "chest_turn": care.bow_axis[1] * bend,
            "pelvis_bend": pose["pelvis_bend"] + 0.8 * bend,
            "pelvis_side": 0.5 * care.bow_axis[0] * bend,
            "pelvis_turn": 0.7 * care.bow_axis[1] * bend,
            "shoulder_flexion": pose["shoulder_flexion"] + 0.9 * bend,
            "forward": pose["forward"] - 0.08 * np.sin(bend),
        }
    )
    return start, line.now


def _table(line: Timeline, golfer: Golfer, care: Care, rng: np.random.Generator) -> tuple[float, float]:
    line.move(table_pose(golfer, care), 2.0)
    line.hold(0.6)
    start = line.now
    line.hold(float(rng.uniform(*STILL_S)))
    return start, line.now


def _wrist_bend(line: Timeline, golfer: Golfer, care: Care, rng: np.random.Generator) -> tuple[float, float]:
    pose = table_pose(golfer, care) | {"wrist_flexion": 0.0, "wrist_ulnar": 0.0}
    line.move(pose, 1.5)
    line.hold(0.5)
    start = line.now
    flexion = np.radians(rng.uniform(*WRIST_BEND_DEG)) * _cycles(int(rng.integers(5, 8)), (1.6, 2.2), rng, both=True)
    line.passage(
        {
            "wrist_flexion": flexion,
            "wrist_ulnar": care.bend_axis[0] * flexion,
            "wrist_twist": care.bend_axis[1] * flexion,
            "pronation": pose["pronation"] + care.bend_axis[2] * flexion,
        }
    )
    return start, line.now


def _forearm_roll(line: Timeline, golfer: Golfer, care: Care, rng: np.random.Generator) -> tuple[float, float]:
    pose = stand_pose(golfer, care)
    thumb_up = THUMB_UP_ROLL - pose["shoulder_roll"] + care.stand[4]
    line.move(pose | {"elbow_bend": np.radians(88.0), "pronation": thumb_up, "shoulder_across": np.radians(-4.0)}, 1.5)
    line.hold(0.5)
    start = line.now
    pose = line.pose
    roll = np.radians(rng.uniform(*ROLL_DEG)) * _cycles(int(rng.integers(5, 8)), (1.6, 2.2), rng, both=True)
    line.passage(
        {
            "pronation": pose["pronation"] + roll,
            "elbow_bend": pose["elbow_bend"] + care.roll_axis[0] * roll,
            "shoulder_roll": pose["shoulder_roll"] + care.roll_axis[1] * roll,
            "shoulder_flexion": pose["shoulder_flexion"] + 0.5 * care.roll_axis[2] * roll,
            "wrist_flexion": pose["wrist_flexion"] + care.roll_axis[3] * roll,
        }
    )
    return start, line.now


def _club_hang(line: Timeline, golfer: Golfer, care: Care, rng: np.random.Generator) -> tuple[float, float]:
    """The club hangs from the lead hand, its face straight ahead to within the person's care."""
    pose = stand_pose(golfer, care) | {
        "shoulder_flexion": np.radians(35.0),
        "shoulder_across": np.radians(20.0),
        "elbow_bend": np.radians(50.0),
    }
    off = 2.0 * care.stand[3]
    line.move(pose | _hanging_club(golfer, pose, off), 1.5)
    line.hold(0.6)
    start = line.now
    line.hold(float(rng.uniform(*STILL_S)))
    end = line.now
    line.move(address_pose(golfer), 1.5)
    return start, end


def _hanging_club(golfer: Golfer, pose: dict[str, float], off: float) -> dict[str, float]:
    """The club's angles in the hand that let it hang straight down.

    The club's X axis is opposite to its face, as the palm is at address; `off` is how far the face looks sideways.
    """
    hand = to_matrix(_orientation(golfer, pose, LEAD_HAND))
    cos, sin = np.cos(off), np.sin(off)
    # Columns: X backwards, Y up, Z to the lead side, in an earth frame with X forward, Y to the left, Z up.
    wanted = np.array([[-cos, 0.0, -sin], [-sin, 0.0, cos], [0.0, 1.0, 0.0]])
    m = hand.T @ wanted
    return {
        "club_cock": float(np.arctan2(m[2, 1], m[1, 1])),
        "club_tilt": float(-np.arcsin(np.clip(m[0, 1], -1.0, 1.0))),
        "club_face": float(np.arctan2(m[0, 2], m[0, 0])),
    }
