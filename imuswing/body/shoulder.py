"""Where the forearm's long axis points, from the lead shoulder whose acceleration chest and forearm both feel.

In a downswing the lead arm is nearly straight, so the way from the forearm's sensor to the shoulder's centre runs along
the forearm, but for the sensor's distance from the bone and for what the elbow is bent. Both chest and forearm show
where that centre is (`joint_centre`): the swings' own motion tells an axis that the routine's postures show only as
well as they were held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.body.definitions import trunk_sign
from imuswing.body.joint_centre import Swing, Ways, fit_joint
from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import LeadSide

WAY_FROM_FOREARM = np.array([0.02, 0.55, 0.0])
WAY_FROM_CHEST = np.array([-0.10, 0.10, 0.18])
"""m, to the lead shoulder's centre from a sensor above the wrist, and from one on the breastbone of who leads with the
right, in segment axes; rough, since the swings tell."""
WAY_SD = np.array([0.10, 0.15, 0.10, 0.15, 0.15, 0.15])
SHORTEST, LONGEST = 0.25, 0.90
"""m; a way of another length is none to a shoulder (common practice, no source)."""
AWAY_FROM_BONE = float(np.deg2rad(4.0))
"""How far the way leans to the forearm's palm side: the sensor sits on its back, some 3.5 cm from the line through the
bones, half a metre from the shoulder (an assumption)."""
ELBOW = float(np.deg2rad(3.0))
"""And to its thumb side: an elbow bent by 6° in the downswing turns the forearm against the line from wrist to shoulder
by half of that (an assumption)."""
SD = float(np.deg2rad(6.0))
"""How far off the axis is after that, each way: elbows bent by 0 to 20°, a shoulder blade that moves on the trunk by
some centimetres, sensors 2 to 5 cm from the bones (an assumption)."""
FOLDS_EARLY_S = 0.03
"""The swing is heard until so long before impact: some lead elbows fold already then, and what the acceleration, at its
greatest there, would show is not the arm of the downswing (an assumption)."""
MOST_SWINGS = 40
"""So many swings tell as much as all of a long lesson."""
STEPS = 8


@dataclass(frozen=True, kw_only=True)
class LongAxisSight:
    """Where the swings show the forearm's long axis: its X and Z parts (2,) in the axes that the routine gave the
    segment, and their covariance (2, 2)."""

    parts: FloatArray
    covariance: FloatArray


def long_axis_from_shoulder(swings: Sequence[Swing], lead_side: LeadSide) -> LongAxisSight | None:
    """The long axis by all swings together; None where none can be used, or the way leads to no shoulder.

    swings: forearm, chest, time of top and of impact, s; the chest on a heading of its own.
    """
    some = [
        (forearm, chest, top, impact - FOLDS_EARLY_S)
        for forearm, chest, top, impact in swings[:: -(-len(swings) // MOST_SWINGS) or 1]
    ]
    from_chest = WAY_FROM_CHEST * np.array([1.0, 1.0, -trunk_sign(lead_side)])
    fitted = fit_joint(some, None, Ways.expected(WAY_FROM_FOREARM, from_chest, WAY_SD), steps=STEPS)
    if fitted is None:
        return None
    way, covariance = fitted.ways.mean[:3], fitted.ways.covariance[:3, :3]
    size = float(np.linalg.norm(way))
    if not SHORTEST < size < LONGEST or way[1] < 0.5 * size:
        return None
    axis = way / size
    to_parts = (np.eye(3) - np.outer(axis, axis))[[0, 2]] / size
    # Thumb side is +Z on a right limb and -Z on a left one.
    leans = np.array([AWAY_FROM_BONE, -trunk_sign(lead_side) * ELBOW])
    return LongAxisSight(
        parts=axis[[0, 2]] - leans,
        covariance=SD**2 * np.eye(2) + to_parts @ covariance @ to_parts.T,
    )
