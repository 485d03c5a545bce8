"""Which segment leads: the one whose long axis tells a swing's moments."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from imuswing.body.alignment import UNKNOWN_SD, Alignment, any_across
from imuswing.body.definitions import Y_AXIS, Z_AXIS
from imuswing.orientation.quaternion import FloatArray, from_matrix, rotate
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM

LEADERS = (LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM, CHEST)
"""In order of preference; from the chest alone, its side-to-side axis serves."""


def leading_points(motions: Mapping[str, Motion]) -> list[str]:
    """The tracked points that swings can be found with: the first leads, the next stands in where it is lost."""
    return [point for point in LEADERS if point in motions]


def leading_axis(point: str, acc: FloatArray, alignment: Alignment | None) -> FloatArray:
    """Unit vector (3,) in the sensor along the axis that is followed.

    acc: (N, 3) what the accelerometer reads, mostly at rest; NaN where lost.  Without an alignment an arm's long axis
    is taken to hang down when at rest, the chest's side-to-side axis is any one across its vertical.
    """
    if alignment is not None:
        axis = Z_AXIS if point == CHEST else -Y_AXIS
        return rotate(alignment.q_sensor_from_segment, axis)
    up = np.nanmedian(acc, axis=0)
    up = up / np.linalg.norm(up)
    if point != CHEST:
        return np.asarray(-up)
    return any_across(up)


def at_rest(motion: Motion) -> FloatArray:
    """What a sensor's accelerometer reads while still, (N, 3); all of it where it never is."""
    return motion.acc[motion.still] if np.any(motion.still) else motion.acc


def makeshift_alignment(point: str, axis: FloatArray) -> Alignment:
    """An alignment that knows its followed axis roughly and nothing else, so that moments can still be had.

    Its covariance is that of an unknown direction: every angle that rests on it comes out too uncertain to be told.
    """
    other = any_across(axis)
    y, z = (other, axis) if point == CHEST else (-axis, other)
    matrix = np.stack((np.cross(y, z), y, z), axis=1)
    return Alignment(
        tracked_point=point,
        q_sensor_from_segment=from_matrix(matrix),
        covariance=np.eye(3) * UNKNOWN_SD**2,
        whole=False,
    )
