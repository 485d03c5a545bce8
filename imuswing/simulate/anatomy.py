"""The simulated body: its chain of segments, the coordinates that move it, and where sensors sit.

Everything is written for a golfer who leads with the left side (target to the left); a golfer who leads with the right
is the mirror image in the sagittal plane: rotations about X and Y and offsets along Z change sign.

The root frame has X forward, Y up, Z to the right of the golfer's first stance. Coordinates carry anatomical names and
signs; `CHAIN` says about which segment axis each one turns, and with which sign on a left limb.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM, PELVIS

X, Y, Z = 0, 1, 2
SEGMENTS: Final = (PELVIS, CHEST, LEAD_UPPER_ARM, LEAD_FOREARM, LEAD_HAND, CLUB)

ROOT: Final = ("forward", "up", "right")
"""Position of the pelvis, m."""

HEADING: Final = (("heading", Y, 1.0),)

CHAIN: Final[dict[str, tuple[tuple[str, int, float], ...]]] = {
    PELVIS: (("pelvis_bend", Z, -1.0), ("pelvis_side", X, 1.0), ("pelvis_turn", Y, 1.0)),
    CHEST: (("chest_bend", Z, -1.0), ("chest_side", X, 1.0), ("chest_turn", Y, 1.0)),
    LEAD_UPPER_ARM: (("shoulder_flexion", Z, 1.0), ("shoulder_across", X, -1.0), ("shoulder_roll", Y, -1.0)),
    LEAD_FOREARM: (("elbow_bend", Z, 1.0), ("pronation", Y, -1.0)),
    LEAD_HAND: (("wrist_flexion", Z, 1.0), ("wrist_ulnar", X, -1.0), ("wrist_twist", Y, 1.0)),
    CLUB: (("club_cock", X, 1.0), ("club_tilt", Z, 1.0), ("club_face", Y, 1.0)),
}
"""Elementary rotations of each segment, in order: (coordinate, axis, sign on a golfer who leads with the left side).

Bends are positive forwards; turns towards the target; `chest_side` and `pelvis_side` with the lead side higher;
`shoulder_across` across the chest; rolls of the upper arm inwards; pelvis and chest both turn from the heading frame.
"""

COORDINATES: Final[tuple[str, ...]] = (*ROOT, "heading", *(name for turns in CHAIN.values() for name, _, _ in turns))
INDEX: Final[dict[str, int]] = {name: row for row, name in enumerate(COORDINATES)}


def _vector(*values: float) -> FloatArray:
    return np.array(values, dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Anatomy:
    """Lengths and places in segment axes, m (a body of about 1.75 m; from memory).

    lumbar: from the pelvis to the joint that carries the chest, in pelvis axes.
    proximal: from each segment's proximal joint to the next one, in that segment's axes.
    sensors: from each segment's proximal joint to its sensor.
    """

    lumbar: FloatArray = field(default_factory=lambda: _vector(0.0, 0.12, 0.0))
    proximal: dict[str, FloatArray] = field(
        default_factory=lambda: {
            CHEST: _vector(0.0, 0.36, -0.17),
            LEAD_UPPER_ARM: _vector(0.0, -0.30, 0.0),
            LEAD_FOREARM: _vector(0.0, -0.26, 0.0),
            LEAD_HAND: _vector(0.02, -0.08, 0.0),
        }
    )
    sensors: dict[str, FloatArray] = field(
        default_factory=lambda: {
            PELVIS: _vector(-0.11, 0.03, 0.0),
            CHEST: _vector(0.11, 0.24, 0.0),
            LEAD_UPPER_ARM: _vector(0.0, -0.20, -0.05),
            LEAD_FOREARM: _vector(-0.03, -0.21, 0.0),
            LEAD_HAND: _vector(-0.025, -0.05, 0.0),
            CLUB: _vector(0.0, -0.20, 0.0),
        }
    )


BETWEEN_SHOULDER_BLADES: Final[FloatArray] = _vector(-0.12, 0.30, 0.0)
"""Where a chest sensor sits on the upper back, m from the joint that carries the chest."""


MIRROR: Final[FloatArray] = np.array([1.0, 1.0, -1.0])
"""What a place in segment axes is multiplied by for a golfer who leads with the right side."""
