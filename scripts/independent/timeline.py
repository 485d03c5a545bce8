"""A session as a row of movements, each from one pose to the next, sampled at `paths.RATE_HZ`.

World of the sketch: x forward (to the ball), y left, z up, and the lead side is the RIGHT one, so the target is at -y
and forearm and hand axes are those of Wu et al. 2005 for a right limb as they stand. `skeleton` mirrors the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from independent.paths import RATE_HZ, Floats, blend, wander


def forearm_frame(to_wrist: ArrayLike, palm: ArrayLike) -> Rotation:
    """Forearm axes (X palmar, Y proximal, Z radial) from the directions elbow to wrist and out of the palm."""
    y = -np.asarray(to_wrist, float) / np.linalg.norm(np.asarray(to_wrist, float))
    x = np.asarray(palm, float)
    x = x - y * np.dot(x, y)
    x /= np.linalg.norm(x)
    return Rotation.from_matrix(np.column_stack([x, y, np.cross(x, y)]))


@dataclass(frozen=True, kw_only=True)
class Pose:
    """Where everything is. Angles in degrees; trunk: bent forward, lead shoulder up, turned to the target."""

    heading: float = 0.0  # the feet's, about z
    hip: Floats = field(default_factory=lambda: np.array([0.0, 0.0, 0.95]))  # m
    trunk: Floats = field(default_factory=lambda: np.zeros(3))
    forearm: Rotation = field(default_factory=lambda: forearm_frame([0.06, -0.12, -1.0], [0.0, 1.0, 0.0]))
    upper: Floats = field(default_factory=lambda: np.array([0.0, -0.12, -1.0]))  # shoulder to elbow
    wrist: Floats = field(default_factory=lambda: np.zeros(2))  # flexion, ulnar deviation
    pron: float = 0.0  # of the forearm against the elbow, 0 with the thumb up


CHANNELS = ("heading", "hip", "trunk", "quat", "upper", "wrist", "pron")
Chunk = dict[str, Floats]


@dataclass
class Timeline:
    """Movements one after the other; `pose` is the last one."""

    pose: Pose = field(default_factory=Pose)
    chunks: list[Chunk] = field(default_factory=list)
    count: int = 0

    @property
    def now_s(self) -> float:
        return self.count / RATE_HZ

    def add(self, chunk: Chunk, end: Pose) -> None:
        self.chunks.append(chunk)
        self.count += len(chunk["heading"])
        self.pose = end

    def move(self, seconds: float, **changes: object) -> None:
        """From the pose to one that differs in some channels, with the least jerk; without changes a rest."""
        target = replace(self.pose, **changes)  # type: ignore[arg-type]
        self.add(between(self.pose, target, seconds), target)

    def sampled(self) -> Chunk:
        return {name: np.concatenate([c[name] for c in self.chunks]) for name in CHANNELS}


def between(a: Pose, b: Pose, seconds: float) -> Chunk:
    """The samples from pose a to pose b."""
    s = blend(max(2, round(seconds * RATE_HZ)))
    turn = (a.forearm.inv() * b.forearm).as_rotvec()

    def mix(p: ArrayLike, q: ArrayLike) -> Floats:
        return np.asarray(np.multiply.outer(1 - s, np.asarray(p)) + np.multiply.outer(s, np.asarray(q)))

    return {
        "heading": mix(a.heading, b.heading),
        "hip": mix(a.hip, b.hip),
        "trunk": mix(a.trunk, b.trunk),
        "quat": (a.forearm * Rotation.from_rotvec(np.outer(s, turn))).as_quat(),
        "upper": mix(a.upper, b.upper),
        "wrist": mix(a.wrist, b.wrist),
        "pron": mix(a.pron, b.pron),
    }


def walk(line: Timeline, rng: np.random.Generator, seconds: float) -> None:
    """Some steps to another place, turning: two steps a second, 2 cm up and down, the arm swings (from memory)."""
    step = rng.normal(0, 0.4, 2)
    goal = replace(
        line.pose, heading=line.pose.heading + rng.uniform(-40, 40), hip=line.pose.hip + np.array([*step, 0.0])
    )
    chunk = between(line.pose, goal, seconds)
    t = np.arange(len(chunk["heading"])) / RATE_HZ
    window = np.sin(np.pi * t / t[-1]) ** 2
    chunk["hip"] = chunk["hip"] + np.outer(0.02 * window * np.sin(2 * np.pi * 1.9 * t), [0, 0, 1])
    swing = Rotation.from_rotvec(np.outer(np.radians(14) * window * np.sin(2 * np.pi * 0.95 * t), [0, 1, 0]))
    chunk["quat"] = (swing * Rotation.from_quat(chunk["quat"])).as_quat()
    chunk["upper"] = swing.apply(chunk["upper"])
    line.add(chunk, goal)


def place_ball(line: Timeline, rng: np.random.Generator) -> None:
    """Bends down, moves the ball about with the lead hand, comes up."""
    first = line.pose
    down = np.array([rng.uniform(55, 80), rng.uniform(-10, 5), rng.uniform(-20, 20)])
    reach = forearm_frame([0.4, 0.1, -1.0], [0.3, 0.5, -0.6])
    line.move(rng.uniform(0.8, 1.4), trunk=down, forearm=reach, pron=45.0)
    for _ in range(rng.integers(1, 4)):
        nudge = Rotation.from_rotvec(np.radians(rng.normal(0, 8, 3)))
        line.move(rng.uniform(0.2, 0.4), forearm=nudge * reach, wrist=rng.normal(0, 12, 2))
    line.move(rng.uniform(0.8, 1.4), trunk=first.trunk, forearm=first.forearm, wrist=first.wrist, pron=first.pron)


def wipe(line: Timeline, rng: np.random.Generator) -> None:
    """The lead hand to the forehead and back, briskly: fast, but no swing."""
    first = line.pose
    up = forearm_frame([0.2, 0.5, 1.0], [-1.0, 0.2, 0.2])
    line.move(rng.uniform(0.5, 0.8), forearm=up, upper=np.array([0.6, 0.1, -0.7]), pron=30.0)
    line.move(rng.uniform(0.2, 0.6), wrist=rng.normal(0, 15, 2))
    line.move(rng.uniform(0.5, 0.8), forearm=first.forearm, upper=first.upper, wrist=first.wrist, pron=first.pron)


def add_sway(chunk: Chunk, rng: np.random.Generator, size: float) -> None:
    """Nobody is still: trunk 0.3 deg of sway below 0.4 Hz, breathing 0.4 deg, arm and wrist 0.25 deg, tremor of some
    0.02 deg at 6 to 11 Hz (physiological tremor 8 to 12 Hz, from memory; sizes are assumptions)."""
    if size == 0.0:
        return
    n = len(chunk["heading"])
    t = np.arange(n) / RATE_HZ
    breath = 0.4 * np.sin(2 * np.pi * rng.uniform(0.2, 0.3) * t)
    chunk["trunk"] = chunk["trunk"] + size * 0.3 * wander(rng, n, 0.4, 3)
    chunk["trunk"][:, 0] += size * breath
    tremor = 0.015 * (wander(rng, n, 11.0, 3) - wander(rng, n, 6.0, 3))
    arm = size * (0.25 * wander(rng, n, 0.8, 3) + tremor)
    chunk["quat"] = (Rotation.from_quat(chunk["quat"]) * Rotation.from_rotvec(np.radians(arm))).as_quat()
    chunk["wrist"] = chunk["wrist"] + size * 0.25 * wander(rng, n, 0.8, 2)
