"""How tracked points hang together, and what that does to the cues that align their clocks."""

from __future__ import annotations

from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM, PELVIS

CHAIN = (PELVIS, CHEST, LEAD_UPPER_ARM, LEAD_FOREARM, LEAD_HAND, CLUB)
"""Segments in the order in which joints connect them."""

JOINT_BIAS_S = {1: 0.001, 2: 0.003, 3: 0.004}
TRUNK_JOINT_BIAS_S = {1: 0.004, 2: 0.004, 3: 0.010}
"""Standard deviation of the bias of an offset told by the joint, by the number of joints in between (three also stands
for more), and where the shoulder or the spine is among them; s. In one open recording of a walking person forearm and
hand agreed to 1 ms, back and hip to 3 ms, back and forearm to 3 to 6 ms, back and upper arm to 6 ms, back or hip and
hand to 7 to 15 ms; in simulated lessons with moving skin to 0.4 ms, chest and forearm to 1.3 ms, chest and hand to 1.9
ms (root mean square)."""

TRAVEL_S = {1: 0.001, 2: 0.002, 3: 0.003}
TRUNK_TRAVEL_S = 0.006
"""The same for shocks, which take time to travel; s. Within the arm an assumption; in the same recording heel strikes
reached the back 8 ms after the hip."""


def joints_between(one: str, other: str) -> int:
    """How many joints lie between two tracked points."""
    return abs(CHAIN.index(one) - CHAIN.index(other))


def _through_trunk(one: str, other: str) -> bool:
    return one != other and bool({one, other} & {PELVIS, CHEST})


def joint_bias(one: str, other: str) -> float:
    """Standard deviation of the bias of an offset that the joint between two tracked points tells, s."""
    bias = TRUNK_JOINT_BIAS_S if _through_trunk(one, other) else JOINT_BIAS_S
    return bias[min(max(joints_between(one, other), 1), 3)]


def travel_bias(one: str, other: str) -> float:
    """Standard deviation of the time that a shock takes from one tracked point to another, s."""
    bias = TRAVEL_S[min(max(joints_between(one, other), 1), 3)]
    return max(bias, TRUNK_TRAVEL_S) if _through_trunk(one, other) else bias
