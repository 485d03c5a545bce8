"""One swing as samples: the arm on a plane, the chest by its rate, wrist and forearm through a few knots."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from independent.golfer import Golfer, Shape
from independent.paths import RATE_HZ, Floats, integral, monotone, quintic
from independent.timeline import Chunk, Pose, Timeline, forearm_frame

TO_TARGET = np.array([0.0, -1.0, 0.0])


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """Where a swing lies in the timeline, in samples, and what it was."""

    start: int
    top: int  # as planned; the truth is taken from the movement
    impact: int
    end: int  # of the hold after it
    shape: Shape


def address(golfer: Golfer, shape: Shape, at: Pose) -> Pose:
    """The pose over the ball."""
    forward = np.radians(golfer.arm_forward_deg)
    to_wrist = np.array([np.sin(forward), 0.28, -np.cos(forward)])
    palm = Rotation.from_rotvec(np.radians([0, 0, golfer.grip_roll_deg])).apply([0.0, 1.0, 0.0])
    return replace(
        at,
        trunk=np.array([shape.flex_deg[0], shape.bend_deg[0], 0.0]),
        forearm=forearm_frame(to_wrist, palm),
        upper=_upper(to_wrist / np.linalg.norm(to_wrist), golfer.elbow_bend_deg),
        wrist=np.array([shape.wrist_flexion_deg[0], shape.wrist_ulnar_deg[0]]),
        pron=0.0,
    )


def _upper(to_wrist: Floats, bend_deg: float) -> Floats:
    """Shoulder to elbow: the lead arm is not quite straight; the elbow stays outside of the line to the wrist."""
    return np.asarray(to_wrist + np.tan(np.radians(bend_deg)) * np.array([0.0, -1.0, 0.0]))


def swing(line: Timeline, golfer: Golfer, shape: Shape, hold_s: float) -> Stroke:
    """Swings from the pose at address and holds the finish."""
    first = line.pose
    t1 = shape.backswing_s
    t2 = t1 + shape.downswing_s
    speed = 1.9 * (shape.arc_deg + shape.arm_impact_deg) / shape.downswing_s
    follow_s = 2.3 * shape.follow_deg / speed
    t_arm = t2 + follow_s
    rate, t_chest = _chest_rate(golfer, shape)
    t_end = max(t_arm, t_chest) + hold_s
    t = np.arange(round(t_end * RATE_HZ)) / RATE_HZ
    arm = _arm(shape, speed, max(-shape.chest_starts_s, 0.0), t1, t2, t_arm, t)
    wrist, roll = _wrist_and_roll(shape, t1, t2, t)
    to_wrist = -first.forearm.as_matrix()[:, 1]
    normal = np.cross(to_wrist, TO_TARGET)
    normal /= np.linalg.norm(normal)
    shift = quintic([0, t1, t1 + 0.5 * (t2 - t1), t2], [[0, 0, 0], [1, 0, 0], [-0.3, 0, 0], [0, 0, 0]], t)
    plane = Rotation.from_rotvec(np.outer(np.radians(shape.plane_shift_deg * shift), TO_TARGET))
    along = Rotation.from_rotvec(np.outer(np.radians(arm), normal))
    twist = Rotation.from_rotvec(np.outer(np.radians(roll), [0.0, 1.0, 0.0]))
    forearm = plane * along * first.forearm * twist
    trunk = _trunk(shape, integral(rate(t)), t1, t2, t_chest, t)
    elbow = golfer.elbow_bend_deg + 25.0 * quintic([t2, t_arm], [[0, 0, 0], [1, 0, 0]], t)  # folds after impact
    upper = (plane * along).apply(_upper(to_wrist, 0.0)) + np.tan(np.radians(elbow))[:, None] * [0.0, -1.0, 0.0]
    hip_shift = quintic([0, t1, t2, t_chest], [[0, 0, 0], [-0.5, 0, 0], [1, 3.0, 0], [1.6, 0, 0]], t)
    n = len(t)
    chunk: Chunk = {
        "heading": np.full(n, first.heading),
        "hip": first.hip + shape.shift_m * np.outer(hip_shift, _earth(first, TO_TARGET)),
        "trunk": trunk,
        "quat": forearm.as_quat(),
        "upper": upper,
        "wrist": wrist,
        "pron": 0.6 * roll,  # the shoulder turns the rest
    }
    start = line.count
    line.add(chunk, Pose(**{k: v[-1] for k, v in chunk.items() if k != "quat"}, forearm=forearm[-1]))
    index = [start + round(s * RATE_HZ) for s in (t1, t2)]
    return Stroke(start=start, top=index[0], impact=index[1], end=start + n, shape=shape)


def _earth(pose: Pose, vector: Floats) -> Floats:
    return np.asarray(Rotation.from_rotvec([0, 0, np.radians(pose.heading)]).apply(vector))


def _arm(shape: Shape, speed: float, t0: float, t1: float, t2: float, t_arm: float, t: Floats) -> Floats:
    """The arm's angle on its plane, deg: back, down with the greatest speed a little before impact, through."""
    # Above 6 arcs / t1^2 the quintic would set out slowly, below 3 arcs / (t2 - t1)^2 it comes down without a bump.
    pull = shape.arm_top_pull * shape.arc_deg * min(3.0 / (t2 - t1) ** 2, 6.0 / (t1 - t0) ** 2)
    return quintic(
        [t0, t1, t2, t_arm],
        [
            [0, 0, 0],
            [-shape.arc_deg, 0, pull],
            [shape.arm_impact_deg, speed, -0.8 * speed / (t2 - t1)],
            [shape.arm_impact_deg + shape.follow_deg, 0, 0],
        ],
        t,
    )


def _chest_rate(golfer: Golfer, shape: Shape) -> tuple[ChestRate, float]:
    """The chest's turn rate over time, deg/s towards the target; its hills are as large as the turns ask."""
    t1, t2 = shape.backswing_s, shape.backswing_s + shape.downswing_s
    change = t1 - shape.chest_leads_s
    if golfer.late_peak:
        after = [(t2, 0.95), (t2 + 0.05, 1.0), (t2 + 0.15, 0.6 + 0.4 * shape.continuity), (t2 + 0.6, 0.0)]
    else:
        peak = change + shape.chest_peak_at * (t2 - change)
        slow = max(t2 + shape.slowest_after_s, peak + 0.09)
        after = [
            (peak, 1.0),
            (slow, shape.continuity),
            (slow + 0.12, min(0.95, shape.continuity + shape.recovery)),
            (slow + 0.55, 0.0),
        ]
    starts = max(shape.chest_starts_s, 0.005)
    times = [0.0, starts, starts + 0.5 * (change - starts), change, *(s for s, _ in after)]
    rates = [0.0, 0.0, -1.0, 0.0, *(r for _, r in after)]
    return ChestRate(times, rates, change, t2, shape.chest_top_deg, shape.chest_impact_deg), times[-1]


class ChestRate:
    """A curve through points whose two halves are scaled so that the turns at the top and at impact come out."""

    def __init__(
        self, times: list[float], rates: list[float], change: float, impact: float, top_deg: float, impact_deg: float
    ) -> None:
        self.times, self.rates, self.change = times, rates, change
        t = np.arange(0.0, impact, 1.0 / RATE_HZ)
        raw = monotone(times, rates, t)
        back = t < change
        self.back = top_deg / (raw[back].sum() / RATE_HZ)
        self.down = (impact_deg - top_deg) / (raw[~back].sum() / RATE_HZ)

    def __call__(self, t: Floats) -> Floats:
        return np.asarray(monotone(self.times, self.rates, t) * np.where(t < self.change, self.back, self.down))


def _trunk(shape: Shape, turn: Floats, t1: float, t2: float, t_end: float, t: Floats) -> Floats:
    columns = []
    for (a, b, c), last in ((shape.flex_deg, 12.0), (shape.bend_deg, 2.0)):
        slope = 0.6 * (c - b) / (t2 - t1)
        columns.append(quintic([0, t1, t2, t_end], [[a, 0, 0], [b, 0, 0], [c, slope, 0], [last, 0, 0]], t))
    return np.column_stack([*columns, turn])


def _wrist_and_roll(shape: Shape, t1: float, t2: float, t: Floats) -> tuple[Floats, Floats]:
    """Cocked until late in the downswing, released through the ball, deg."""
    down = t2 - t1
    out = []
    rolls = (0.0, shape.roll_top_deg, shape.roll_impact_deg)
    for (a, b, c), late in ((shape.wrist_flexion_deg, 0.4), (shape.wrist_ulnar_deg, 0.35), (rolls, 0.5)):
        slope = 1.3 * (c - b) / (late * down)
        knots = [[a, 0, 0], [b, 0, 0], [b + 0.1 * (b - c), 0, 0], [c, slope, 0], [c + 0.07 * slope, 0, 0]]
        out.append(quintic([0, t1, t2 - late * down, t2, t2 + 0.16], knots, t))
    return np.column_stack(out[:2]), out[2]


def waggle(line: Timeline, rng: np.random.Generator) -> None:
    """Two to four small movements of club and arm over the ball, then quiet."""
    first = line.pose
    for _ in range(rng.integers(2, 5)):
        size = rng.uniform(4, 14)
        arm = first.forearm * Rotation.from_rotvec(np.radians(rng.normal(0, 4, 3)))
        line.move(rng.uniform(0.3, 0.5), wrist=first.wrist + size * rng.uniform(-1, 1, 2), forearm=arm)
        line.move(rng.uniform(0.3, 0.5), wrist=first.wrist, forearm=first.forearm)


def false_start(line: Timeline, rng: np.random.Generator) -> None:
    """Takes the club back a little, slowly, and returns: no swing."""
    first = line.pose
    arm = Rotation.from_rotvec(np.radians([-rng.uniform(12, 25), 0, 0])) * first.forearm
    line.move(rng.uniform(0.9, 1.4), forearm=arm)
    line.move(rng.uniform(0.9, 1.4), forearm=first.forearm)
