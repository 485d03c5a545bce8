"""The calibration routine, done with a person's care.

A pose is off by 3 deg (one standard deviation an axis) at size 1: examiners of functional axes vary by 0.2 to 7.3 deg
(Picerno 2008, J Biomech). Movements run about an axis that is off by as much.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from independent.timeline import Pose, Timeline, forearm_frame

POSE_DEG = 3.0
STEPS = ("stand", "bow", "table", "wrist_bend", "forearm_roll")
Marks = list[tuple[float, float, str]]  # onset and duration in seconds, name


def _off(rng: np.random.Generator, size: float) -> Rotation:
    return Rotation.from_rotvec(np.radians(POSE_DEG * size) * rng.standard_normal(3))


def routine(line: Timeline, rng: np.random.Generator, pose_size: float, left_out: tuple[str, ...]) -> Marks:
    """Does the steps; returns when each was done. All times in seconds of the timeline."""
    marks: Marks = []
    # Hanging arms stand off from the body by some 6 deg (assumption); with perfect poses they hang plumb.
    aside = 0.1 * min(pose_size, 1.0)
    rested = replace(line.pose, forearm=forearm_frame([0.3 * aside, -aside, -1.0], [0.0, 1.0, 0.0]))
    for name in STEPS:
        line.move(rng.uniform(1.2, 2.5), **_ready(name, rested, rng, pose_size))
        line.move(rng.uniform(0.8, 1.5))
        if name in left_out:
            continue
        start = line.now_s
        DO[name](line, rng, pose_size)
        marks.append((start, line.now_s - start, name))
        line.move(rng.uniform(0.5, 1.0))
    line.move(1.8, **_ready("stand", rested, rng, pose_size))
    return marks


def _ready(name: str, rested: Pose, rng: np.random.Generator, size: float) -> dict[str, object]:
    """The pose in which a step starts."""
    trunk = POSE_DEG * size * rng.standard_normal(3) * [1, 0.6, 1]
    wrist = POSE_DEG * size * rng.standard_normal(2)
    if name in ("stand", "bow"):
        spread = 1.0 if name == "stand" else 3.0  # nothing asks for the arm's pose while bowing
        forearm = rested.forearm * _off(rng, size * spread)
        return {"trunk": trunk, "forearm": forearm, "upper": rested.upper, "wrist": wrist, "pron": 0.0}
    upper = np.array([0.35, -0.15, -1.0]) if name != "forearm_roll" else np.array([0.0, -0.1, -1.0])
    palm = [0, 0, -1] if name != "forearm_roll" else [0, 1, 0]
    forearm = forearm_frame([1, 0, 0], palm) * _off(rng, size)
    return {
        "trunk": trunk + np.array([12.0, 0, 0]),
        "forearm": forearm,
        "upper": upper,
        "wrist": wrist,
        "pron": 75.0 if name != "forearm_roll" else 0.0,
    }


def _still(line: Timeline, rng: np.random.Generator, size: float) -> None:
    line.move(rng.uniform(3.2, 5.0))


def _bow(line: Timeline, rng: np.random.Generator, size: float) -> None:
    start = line.pose.trunk
    sideways = rng.normal(0, np.radians(POSE_DEG) * size, 2)  # bend and turn that go with the bow, rad a rad
    for _ in range(rng.integers(3, 6)):
        deep = rng.uniform(35, 60)
        half = rng.uniform(0.9, 1.5)
        line.move(half, trunk=start + deep * np.array([1.0, *sideways]))
        line.move(half, trunk=start)


def _wrist_bend(line: Timeline, rng: np.random.Generator, size: float) -> None:
    start = line.pose.wrist
    coupled = rng.normal(0, 1.6 * np.radians(POSE_DEG)) * size  # the wrist's path is oblique: some ulnar deviation
    for _ in range(rng.integers(5, 8)):
        for bend in (rng.uniform(35, 60), -rng.uniform(30, 50)):
            line.move(rng.uniform(0.5, 0.9), wrist=start + bend * np.array([1.0, coupled]))
    line.move(0.6, wrist=start)


def _forearm_roll(line: Timeline, rng: np.random.Generator, size: float) -> None:
    start = line.pose.forearm
    tilt = rng.normal(0, np.radians(POSE_DEG) * size, 2)
    axis = np.array([tilt[0], 1.0, tilt[1]]) / np.hypot(1.0, np.hypot(*tilt))
    for _ in range(rng.integers(5, 8)):
        for angle in (rng.uniform(50, 75), -rng.uniform(40, 70)):
            turned = start * Rotation.from_rotvec(np.radians(angle) * axis)
            line.move(rng.uniform(0.5, 0.9), forearm=turned, pron=angle)
    line.move(0.7, forearm=start, pron=0.0)


DO = {"stand": _still, "bow": _bow, "table": _still, "wrist_bend": _wrist_bend, "forearm_roll": _forearm_roll}
