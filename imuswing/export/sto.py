"""OpenSim's storage of orientations: a header, then one row a frame with a quaternion `w,x,y,z` for each segment.

Format: OpenSim documentation, "OpenSense - Kinematics with IMU Data" and "Storage (.sto) Files"; the tests read the
files with OpenSim itself and solve inverse kinematics from them.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from imuswing.export.figure import in_ground
from imuswing.export.frames import SwingFrames
from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, LeadSide

BODIES: Final = {CHEST: "torso", LEAD_FOREARM: "radius", LEAD_HAND: "hand"}
"""By segment the body of common OpenSim models that it is, without its side."""
DIGITS: Final = 9
"""Digits after the point: a billionth is far less than any sensor tells, and keeps a row readable."""


def imu_name(point: str, lead_side: LeadSide) -> str:
    """The name under which OpenSim looks for a segment's orientation: its body, the side of a limb, and `_imu`."""
    side = "" if point == CHEST else f"_{lead_side[0]}"
    return f"{BODIES[point]}{side}_imu"


def sto_text(swing: SwingFrames) -> str:
    """A swing's orientations as a storage file; time is the swing's own.

    The frame is OpenSim's own ground: Y up, X the way the golfer faces when square at address, Z to the right; so
    `sensor_to_opensim_rotations` is 0 0 0. The columns are segments in ISB axes, not sensors.
    """
    turned = {imu_name(point, swing.lead_side): in_ground(q, swing.lead_side) for point, q in swing.q.items()}
    numbers = range(1, len(swing.moments) + 1)
    about = [f"event_{k}={name} at {at:.6f}" for k, (name, at) in zip(numbers, swing.moments, strict=True)]
    return _text(swing.time, turned, rate=swing.rate, about=about)


def neutral_text(points: tuple[str, ...], lead_side: LeadSide) -> str:
    """One row with every segment in the anatomical position: the pose in which OpenSim's IMU placer takes the model.

    The axes of the segments then lie along those of the ground (Wu et al. 2005), so that each has the identity.
    """
    identity = {imu_name(point, lead_side): np.array([[1.0, 0.0, 0.0, 0.0]]) for point in points}
    return _text(np.zeros(1), identity, rate=1.0, about=["pose=anatomical"])


def _text(time: FloatArray, turned: dict[str, FloatArray], *, rate: float, about: list[str]) -> str:
    head = [
        f"DataRate={rate:.6f}",
        "DataType=Quaternion",
        "version=3",
        "OpenSimVersion=4.1",
        "frame=Y up, X the way the golfer faces when square at address, Z to the golfer's right",
        *about,
        "endheader",
        "\t".join(["time", *turned]),
    ]
    cells = [[f"{at:.{DIGITS}f}" for at in time]]
    cells += [[",".join(f"{part:.{DIGITS}f}" for part in row) for row in q] for q in turned.values()]
    return "\n".join([*head, *("\t".join(row) for row in zip(*cells, strict=True))]) + "\n"
