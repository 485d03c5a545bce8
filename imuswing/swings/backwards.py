"""Does a sensor turn towards the target on the way down? Where it turns away in swing after swing, its side is wrong.

Seen from above, chest, arm and hand of a golfer turn towards the target from the top to the ball, whatever the mount
and the calibration. The other way turns a golfer whose lead side is the other one, and a sensor whose accelerometer
reads gravity upside down: to it the world is a mirror's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray, rotate
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS

JUDGED = frozenset((CHEST, PELVIS, LEAD_FOREARM, LEAD_HAND))
"""Tracked points that turn towards the target in everybody's downswing."""


@dataclass(frozen=True, kw_only=True)
class BackwardsSettings:
    """When a sensor turns backwards.

    least_swings: fewer tell nothing.  share: of the swings that turn backwards (common practice, no source).
    least_turn: rad, of the median swing: in 84 simulated lessons none turns less than 8° the right way.
    """

    least_swings: int = 3
    share: float = 0.8
    least_turn: float = float(np.deg2rad(4.0))


def turn_about_vertical(q: FloatArray, gyr: FloatArray, seconds: FloatArray) -> FloatArray:
    """Turn (K,) about the vertical, rad, in K spans of so many seconds (K,).

    q: (K, M, 4) earth from sensor and gyr: (K, M, 3) rad/s at M moments spread evenly over each span.
    """
    return np.asarray(rotate(q, gyr)[..., 2].mean(axis=1) * seconds)


def turned_backwards(turns: Mapping[str, FloatArray], *, settings: BackwardsSettings) -> tuple[str, ...]:
    """Tracked points whose turns (K,) towards the target, rad, from top to return, are backwards in nearly all."""
    return tuple(
        point
        for point, turn in turns.items()
        if point in JUDGED
        and len(turn) >= settings.least_swings
        and np.mean(turn < 0.0) >= settings.share
        and np.median(turn) < -settings.least_turn
    )
