"""From poses to bones in space: hips, trunk, lead arm, hand; the other side is the mirror image."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from independent.paths import RATE_HZ, Floats
from independent.timeline import Chunk

# Upright trunk in the world of the sketch: X forward, Y up, Z to the right (-y).
UPRIGHT = Rotation.from_matrix(np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]))
MIRROR_EARTH = np.diag([1.0, -1.0, 1.0])
MIRROR_BONE = np.diag([1.0, 1.0, -1.0])


@dataclass(frozen=True, kw_only=True)
class Bone:
    """Axes in the earth over time and the place of its origin, m."""

    axes: Rotation
    origin: Floats


def bones(chunk: Chunk, height_m: float) -> dict[str, Bone]:
    """Chest (origin between the hips), lead forearm and lead hand (origin in the wrist), lead side right.

    Lengths are shares of the height (Winter, Biomechanics and Motor Control: upper arm .186, forearm .146, from memory;
    the girdle's are assumptions).
    """
    feet = Rotation.from_rotvec(np.outer(np.radians(chunk["heading"]), [0, 0, 1.0]))
    chest = feet * UPRIGHT * Rotation.from_euler("ZXY", -chunk["trunk"], degrees=True)
    forearm = feet * Rotation.from_quat(chunk["quat"])
    hand = forearm * Rotation.from_euler("ZX", chunk["wrist"], degrees=True)
    upper = feet.apply(chunk["upper"] / np.linalg.norm(chunk["upper"], axis=1, keepdims=True))
    # The shoulder girdle goes with an arm that crosses the chest, by some 4 cm (assumption).
    inward = -chest.inv().apply(upper)[:, 2]
    at_chest = np.column_stack([0.04 * inward, np.full(len(upper), 0.28 * height_m), 0.10 * height_m - 0.03 * inward])
    shoulder = chunk["hip"] + chest.apply(at_chest)
    wrist = shoulder + 0.186 * height_m * upper - 0.146 * height_m * forearm.apply([0.0, 1.0, 0.0])
    return {
        "chest": Bone(axes=chest, origin=chunk["hip"]),
        "lead_forearm": Bone(axes=forearm, origin=wrist),
        "lead_hand": Bone(axes=hand, origin=wrist),
    }


def mirrored(axes: Rotation, origin: Floats) -> tuple[Rotation, Floats]:
    """The same movement on the other side."""
    return Rotation.from_matrix(MIRROR_EARTH @ axes.as_matrix() @ MIRROR_BONE), origin @ MIRROR_EARTH


def body_rate(axes: Rotation) -> Floats:
    """Angular velocity in the turning axes, rad/s (N, 3): central differences."""
    turned = (axes[:-2].inv() * axes[2:]).as_rotvec() * (RATE_HZ / 2.0)
    return np.concatenate([turned[:1], turned, turned[-1:]])


def second_difference(place: Floats) -> Floats:
    """Acceleration of a place, m/s^2 (N, 3)."""
    a = (place[2:] - 2.0 * place[1:-1] + place[:-2]) * RATE_HZ**2
    return np.concatenate([a[:1], a, a[-1:]])
