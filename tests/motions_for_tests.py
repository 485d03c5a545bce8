"""Sensors in motion made by hand: rotations in, the motion of an ideal (or knowingly wrong) sensor out."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from imuswing.body.segments import PARAMETERS, SegmentMotion
from imuswing.orientation.quaternion import FloatArray, from_matrix
from imuswing.recording.model import Event
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import LeadSide

GRAVITY = np.array([0.0, 0.0, 9.81])


def scalar_first(rotation: Rotation) -> FloatArray:
    """(..., 4) of a scipy rotation."""
    return np.asarray(rotation.as_quat(scalar_first=True))


def rotation_of(q: FloatArray) -> Rotation:
    """The scipy rotation of (..., 4)."""
    return Rotation.from_quat(q, scalar_first=True)


def rotation_from_columns(*columns: tuple[float, float, float]) -> Rotation:
    """Earth from segment, by where the segment's X, Y and Z point in the earth."""
    return rotation_of(from_matrix(np.stack([np.array(c, dtype=float) for c in columns], axis=1)))


def angle_deg(first: Rotation, second: Rotation) -> float:
    """Largest angle between two rotations, or series of them, in degrees."""
    return float(np.degrees(np.max((first.inv() * second).magnitude())))


def make_motion(
    tracked_point: str,
    rotations: Rotation,
    *,
    rate: float = 200.0,
    start: float = 0.0,
    acc: FloatArray | None = None,
    bias: FloatArray | None = None,
    scale: FloatArray | None = None,
    bias_se: float = 1e-5,
    gyr_noise: float = 1e-6,
    **changes: Any,
) -> Motion:
    """What a sensor sees whose axes stand as `rotations` (earth from sensor) at even times.

    acc: (N, 3) m/s² in sensor axes; gravity alone if None.  bias (3,) rad/s and scale (3, 3) spoil the gyroscope.
    """
    count = len(rotations)
    steps = (rotations[:-1].inv() * rotations[1:]).as_rotvec()
    rates = np.gradient(np.concatenate((np.zeros((1, 3)), np.cumsum(steps, axis=0))), 1.0 / rate, axis=0)
    wrong = np.zeros(3) if bias is None else bias
    matrix = np.eye(3) if scale is None else np.eye(3) + scale
    nothing = np.zeros(count, dtype=bool)
    given = {
        "still": np.linalg.norm(rates, axis=1) < np.radians(0.5),
        "lost": nothing,
        "clipped": nothing,
        "acc_clipped": nothing,
        "unusable": nothing,
        "gyr_se": np.full(count, gyr_noise),
    } | changes
    return Motion(
        tracked_point=tracked_point,
        rate=rate,
        time=start + np.arange(count) / rate,
        gyr=rates @ matrix.T + wrong,
        acc=rotations.inv().apply(GRAVITY) if acc is None else acc,
        mag=None,
        increments=np.concatenate((np.zeros((1, 3)), steps @ matrix.T + wrong / rate)),
        gyr_noise=gyr_noise,
        acc_noise=1e-3,
        bias=np.zeros(3),
        bias_se=bias_se,
        **given,
    )


def make_segment(
    tracked_point: str,
    rotations: Rotation,
    *,
    rate: float = 200.0,
    start: float = 0.0,
    error_map: FloatArray | None = None,
    error_covariance: FloatArray | None = None,
    acc: FloatArray | None = None,
    omega: FloatArray | None = None,
    **changes: Any,
) -> SegmentMotion:
    """A segment in motion, without errors unless they are given; omega from the rotations."""
    count = len(rotations)
    if omega is None:
        steps = (rotations[:-1].inv() * rotations[1:]).as_rotvec() * rate
        omega = np.concatenate((steps[:1], 0.5 * (steps[1:] + steps[:-1]), steps[-1:]))
    given = {"bridged": np.zeros(count, dtype=bool), "unusable": np.zeros(count, dtype=bool), "gyr_noise": 0.0}
    return SegmentMotion(
        tracked_point=tracked_point,
        rate=rate,
        time=start + np.arange(count) / rate,
        q=scalar_first(rotations),
        omega=omega,
        acc=rotations.inv().apply(GRAVITY) if acc is None else acc,
        error_map=np.zeros((count, 3, PARAMETERS)) if error_map is None else error_map,
        error_covariance=np.zeros((PARAMETERS, PARAMETERS)) if error_covariance is None else error_covariance,
        **(given | changes),
    )


# Postures of a golfer who faces earth's x axis, as the directions of a segment's X, Y, Z; by hand, from the axes of
# Wu et al. 2005. A lead arm hanging with its palm to the thigh: X palmar points to the body's middle, Y proximal up.
UPRIGHT_TRUNK = rotation_from_columns((1, 0, 0), (0, 0, 1), (0, -1, 0))
HANGING = {
    "left": rotation_from_columns((0, -1, 0), (0, 0, 1), (-1, 0, 0)),
    "right": rotation_from_columns((0, 1, 0), (0, 0, 1), (1, 0, 0)),
}
PALM_DOWN = {
    "left": rotation_from_columns((0, 0, -1), (-1, 0, 0), (0, 1, 0)),
    "right": rotation_from_columns((0, 0, -1), (-1, 0, 0), (0, 1, 0)),
}
THUMB_UP = {
    "left": rotation_from_columns((0, -1, 0), (-1, 0, 0), (0, 0, -1)),
    "right": rotation_from_columns((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
}

STEP_S = {"stand": 4.0, "bow": 12.0, "table": 4.0, "wrist_bend": 10.0, "forearm_roll": 10.0}
ORDER = ("stand", "bow", "table", "wrist_bend", "forearm_roll")


def _smooth(share: FloatArray) -> FloatArray:
    return np.asarray(share**3 * (10.0 - 15.0 * share + 6.0 * share**2))


class Routine:
    """A perfect calibration routine: every segment's rotation (earth from segment) and the events, step after step."""

    def __init__(self, lead_side: LeadSide, *, steps: tuple[str, ...] = ORDER, rate: float = 100.0) -> None:
        self.rate, self.side = rate, lead_side
        self.events: list[Event] = []
        self._parts: dict[str, list[Rotation]] = {"chest": [], "lead_forearm": [], "lead_hand": []}
        self._go(UPRIGHT_TRUNK, HANGING[lead_side], 1.0)
        for step in steps:
            getattr(self, f"_{step}")()
            self._go(UPRIGHT_TRUNK, HANGING[lead_side], 1.0)

    @property
    def rotations(self) -> dict[str, Rotation]:
        """By tracked point, (N,)."""
        return {point: Rotation.concatenate(parts) for point, parts in self._parts.items()}

    def motions(self, mounts: dict[str, Rotation]) -> dict[str, Motion]:
        """What sensors see that are mounted as `mounts` say (segment from sensor)."""
        return {
            point: make_motion(point, self.rotations[point] * mount, rate=self.rate) for point, mount in mounts.items()
        }

    @property
    def _now(self) -> float:
        return sum(len(part) for part in self._parts["chest"]) / self.rate

    def _go(self, chest: Rotation, arm: Rotation, seconds: float) -> None:
        """Move smoothly into a posture, and be still in it for half a second."""
        share = _smooth(np.linspace(0.0, 1.0, round(seconds * self.rate), endpoint=False))
        for point, goal in (("chest", chest), ("lead_forearm", arm), ("lead_hand", arm)):
            parts = self._parts[point]
            last = parts[-1][-1] if parts else goal
            way = (last.inv() * goal).as_rotvec()
            parts.append(last * Rotation.from_rotvec(share[:, None] * way))
            parts.append(Rotation.concatenate([goal] * round(0.5 * self.rate)))

    def _move(self, step: str, **turns: tuple[tuple[float, float, float], float]) -> None:
        """A step: turns about an axis of the segment by an angle (°) to and fro; the others hold still."""
        seconds = STEP_S[step]
        time = np.arange(round(seconds * self.rate)) / self.rate
        self.events.append(Event(onset=self._now, duration=seconds, trial_type=step))
        for point, parts in self._parts.items():
            axis, size = turns.get(point, ((0.0, 0.0, 1.0), 0.0))
            both = step != "bow"
            wave = np.sin(np.pi * time) if both else 0.5 * (1.0 - np.cos(2.0 * np.pi * time / 3.0))
            parts.append(parts[-1][-1] * Rotation.from_rotvec(np.radians(size) * wave[:, None] * np.array(axis)))

    def _stand(self) -> None:
        self._move("stand")

    def _bow(self) -> None:
        # Bending forward turns the trunk about the axis to its left, which is −Z.
        self._move("bow", chest=((0.0, 0.0, -1.0), 40.0))

    def _table(self) -> None:
        self._go(UPRIGHT_TRUNK, PALM_DOWN[self.side], 1.5)
        self._move("table")

    def _wrist_bend(self) -> None:
        self._go(UPRIGHT_TRUNK, PALM_DOWN[self.side], 1.5)
        # Flexion is positive about Z (Wu et al. 2005), on both sides of the body as the axes are mirrored.
        self._move("wrist_bend", lead_hand=((0.0, 0.0, 1.0), 40.0))

    def _forearm_roll(self) -> None:
        self._go(UPRIGHT_TRUNK, THUMB_UP[self.side], 1.5)
        # Turning the palm down: pronation, positive about Y on a right limb (Wu et al. 2005), negative on a left one.
        sign = 1.0 if self.side == "right" else -1.0
        roll = ((0.0, sign, 0.0), 55.0)
        self._move("forearm_roll", lead_forearm=roll, lead_hand=roll)
