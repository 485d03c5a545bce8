"""Made-up swings frame by frame for the tests of exports."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from imuswing.export.frames import SwingFrames
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

UPRIGHT = {
    "left": Rotation.from_matrix([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    "right": Rotation.from_matrix([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
}
"""Earth from a segment that stands upright and square: X ahead, Y up, Z to the right. The earth's X runs to the lead
side, which is to the left of a golfer who leads with the left."""


def scalar_first(rotation: Rotation) -> np.ndarray:
    return rotation.as_quat(scalar_first=True)


def made_up_swing(
    *, lead_side: str = "left", seed: int = 3, count: int = 41, rate: float = 100.0, **given: Any
) -> SwingFrames:
    """Segments that turn smoothly through random orientations."""
    random = np.random.default_rng(seed)
    time = (np.arange(count) - count // 2) / rate
    knots = np.linspace(time[0], time[-1], 5)
    q = {}
    for point in (CHEST, LEAD_FOREARM, LEAD_HAND):
        turns = Rotation.from_rotvec(random.normal(scale=0.8, size=(5, 3)))
        q[point] = scalar_first(UPRIGHT[lead_side] * Slerp(knots, turns)(time))
    told: dict[str, Any] = {
        "keys": {"participant": "S01", "session": "01", "task": "chip", "acq": None, "run": None, "swing": 1},
        "lead_side": lead_side,
        "rate": rate,
        "time": time,
        "q": q,
        "angles": {"chest_turn_deg": 10.0 * time},
        "moments": (("top", -0.1), ("impact", 0.0), ("finish", 0.15)),
        "impact_s": 20.0,
        "kind": "shot",
    }
    return SwingFrames(**(told | given))
