"""A stick figure turned by the segments' orientations: points in space for tools that know points only.

Orientations are measured, lengths are not: the sizes are those of the figure on the coach's page, the hips stay where
they are and the lead arm is straight. Angles between the figure's parts are therefore results, distances are drawing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.export.frames import SwingFrames
from imuswing.orientation.quaternion import FloatArray, from_matrix, inverse, multiply, rotate
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, LeadSide


@dataclass(frozen=True, kw_only=True)
class FigureSizes:
    """Sizes in m, for drawing only (common practice, no source). hips: height of the hips above the ground."""

    hips: float = 0.92
    trunk: float = 0.46
    half_shoulders: float = 0.19
    neck: float = 0.09
    head: float = 0.1
    head_forward: float = 0.03
    arm: float = 0.56
    elbow_share: float = 0.52
    hand: float = 0.08


ORIGINS: Final = {CHEST: "neck_base", LEAD_FOREARM: "lead_wrist", LEAD_HAND: "lead_grip"}
"""By segment the point of the figure that its axes are drawn at."""


def facing(lead_side: LeadSide) -> FloatArray:
    """(4,) earth from ground, where the ground's X is the way the golfer faces at address, Y up, Z to the right.

    The earth frame has Z up and X along the address line, which runs to the golfer's left for lead side left.
    """
    right = np.array([-1.0, 0.0, 0.0]) if lead_side == "left" else np.array([1.0, 0.0, 0.0])
    up = np.array([0.0, 0.0, 1.0])
    return from_matrix(np.stack([np.cross(up, right), up, right], axis=-1))


def in_ground(q: FloatArray, lead_side: LeadSide) -> FloatArray:
    """Orientations (..., 4) earth from segment as ground from segment, in the frame of `facing`."""
    return multiply(inverse(facing(lead_side)), q)


def figure_points(swing: SwingFrames, *, sizes: FigureSizes) -> dict[str, FloatArray]:
    """Points of the figure by name, each (N, 3) m in the earth frame; Z is the height above the ground.

    The trunk stands upright and square where no chest sensor was worn; then only the shoulder that the arm hangs from
    is given. Without a forearm the hand's orientation carries the arm.
    """
    count = len(swing.time)
    side = -1.0 if swing.lead_side == "left" else 1.0
    chest = swing.q.get(CHEST)
    q = np.broadcast_to(facing(swing.lead_side), (count, 4)) if chest is None else chest
    hips = np.broadcast_to(np.array([0.0, 0.0, sizes.hips]), (count, 3))
    top = hips + rotate(q, np.array([0.0, sizes.trunk, 0.0]))
    points: dict[str, FloatArray] = {"hips": hips}
    if chest is not None:
        points["neck_base"] = top
        points["head"] = top + rotate(q, np.array([sizes.head_forward, sizes.neck + sizes.head, 0.0]))
        points["trail_shoulder"] = top + rotate(q, np.array([0.0, 0.0, -side * sizes.half_shoulders]))
    points["lead_shoulder"] = top + rotate(q, np.array([0.0, 0.0, side * sizes.half_shoulders]))
    return points | _arm(swing.q, points["lead_shoulder"], sizes)


def _arm(q: Mapping[str, FloatArray], shoulder: FloatArray, sizes: FigureSizes) -> dict[str, FloatArray]:
    forearm, hand = q.get(LEAD_FOREARM), q.get(LEAD_HAND)
    carrying = forearm if forearm is not None else hand
    if carrying is None:
        return {}
    down = np.array([0.0, -1.0, 0.0])
    along = rotate(carrying, down)
    wrist = shoulder + sizes.arm * along
    points = {"lead_elbow": shoulder + sizes.elbow_share * sizes.arm * along, "lead_wrist": wrist}
    if hand is not None:
        points["lead_grip"] = wrist + sizes.hand * rotate(hand, down)
    return points
