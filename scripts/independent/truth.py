"""What was true of the bones, by the contract's definitions (section 5), in the world of the sketch: lead side right.

The address is the planned start of the swing: the last moment before anything moves.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from independent.paths import RATE_HZ, Floats
from independent.skeleton import Bone, body_rate
from independent.swing import Stroke

MOMENTS = ("takeaway", "top", "impact", "finish")
HARDLY_TURNED_DPS = 30.0
QUIET_SHARE = 0.05  # of the fastest speed: takeaway and finish


def true_row(bones: dict[str, Bone], stroke: Stroke) -> dict[str, float | str]:
    """One swing's moments (seconds of the timeline) and measures."""
    here = slice(stroke.start, stroke.end)
    chest, forearm, hand = (bones[p].axes[here] for p in ("chest", "lead_forearm", "lead_hand"))
    arm = -forearm.as_matrix()[:, :, 1]  # elbow to wrist
    at = _moments(arm, stroke)
    at |= {"finish": _finish(chest, forearm, at["impact"])}
    row: dict[str, float | str] = {f"{name}_s": (stroke.start + at[name]) / RATE_HZ for name in MOMENTS}
    row["kind"] = stroke.shape.kind
    row |= _chest(chest, at["top"], at["impact"]) | _wrist(forearm, hand, at)
    row["backswing_arc_deg"] = float(np.degrees(_angle(arm, arm[0])[at["top"]]))
    row["arm_height_top_deg"] = float(np.degrees(np.arcsin(arm[at["top"], 2])))
    row["backswing_s"] = (at["top"] - at["takeaway"]) / RATE_HZ
    row["downswing_s"] = (at["impact"] - at["top"]) / RATE_HZ
    row["tempo_ratio"] = float(row["backswing_s"]) / float(row["downswing_s"])
    return row


def _angle(directions: Floats, first: Floats) -> Floats:
    """Great-circle angle, rad; by the chord, which is exact for small angles too."""
    return np.asarray(2.0 * np.arcsin(np.clip(np.linalg.norm(directions - first, axis=1) / 2.0, 0, 1)))


def _moments(arm: Floats, stroke: Stroke) -> dict[str, int]:
    away = _angle(arm, arm[0])
    planned = stroke.impact - stroke.start
    top = int(np.argmax(away[:planned]))
    impact = planned
    if stroke.shape.kind == "practice":
        later = away[top : planned + round(0.15 * RATE_HZ)]
        impact = top + int(np.argmin(later))
    speed = np.linalg.norm(np.gradient(arm, axis=0), axis=1)
    fastest = int(np.argmax(speed[:top]))
    under = np.flatnonzero(speed[:fastest] < QUIET_SHARE * speed[fastest])
    return {"address": 0, "takeaway": int(under[-1]) + 1 if len(under) else 0, "top": top, "impact": impact}


def _finish(chest: Rotation, forearm: Rotation, impact: int) -> int:
    loud = np.zeros(len(chest), bool)
    for axes in (chest, forearm):
        rate = np.linalg.norm(body_rate(axes), axis=1)
        loud |= rate > QUIET_SHARE * rate.max()
    last = np.flatnonzero(loud[impact:])
    return impact + (int(last[-1]) + 1 if len(last) else 0)


def _chest(chest: Rotation, top: int, impact: int) -> dict[str, float]:
    turn_rate = -np.degrees(body_rate(chest)[:, 1])  # about the long axis; the target is to the right
    peak = float(turn_rate[top : impact + 1].max())
    window = slice(impact - round(0.05 * RATE_HZ), impact + round(0.15 * RATE_HZ) + 1)
    slowest = float(turn_rate[window].min())
    turned = -(chest[0].inv() * chest).as_euler("ZXY", degrees=True)[:, 2]
    axes = chest.as_matrix()
    tilt = np.degrees(np.arcsin(axes[:, 2, 2]))
    line = axes[0, :, 2] * [1, 1, 0]
    lean = np.degrees(np.arcsin(axes[:, :, 1] @ (line / np.linalg.norm(line))))
    return {
        "chest_turn_rate_impact_dps": float(turn_rate[impact]),
        "chest_turn_rate_peak_dps": peak,
        "chest_turn_rate_min_dps": slowest,
        "chest_continuity": slowest / peak if peak >= HARDLY_TURNED_DPS else np.nan,
        "chest_turn_top_deg": float(turned[top]),
        "chest_turn_impact_deg": float(turned[impact]),
        "shoulder_tilt_address_deg": float(tilt[0]),
        "shoulder_tilt_impact_deg": float(tilt[impact]),
        "shoulder_tilt_rate_impact_dps": float(np.gradient(tilt, 1 / RATE_HZ)[impact]),
        "chest_lean_address_deg": float(lean[0]),
        "chest_lean_impact_deg": float(lean[impact]),
    }


def _wrist(forearm: Rotation, hand: Rotation, at: dict[str, int]) -> dict[str, float]:
    angles = (forearm.inv() * hand).as_euler("ZXY", degrees=True)
    row = {}
    for name in ("address", "top", "impact"):
        row[f"wrist_flexion_{name}_deg"] = float(angles[at[name], 0])
        row[f"wrist_ulnar_{name}_deg"] = float(angles[at[name], 1])
    return row
