"""The curves of swings, those of all swings worked out together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from imuswing.body import definitions as define
from imuswing.body.segments import orientations_at
from imuswing.measures.pose import SwingMotion
from imuswing.measures.rates import TrunkRates
from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, LeadSide

CURVE_MARGIN_S = 0.5
"""Curves run from this long before takeaway to this long after finish."""

WRIST = frozenset(("wrist_flexion_deg", "wrist_ulnar_deg"))
RESTING_ON = {
    CHEST: frozenset(("chest_turn_deg", "chest_turn_rate_dps", "shoulder_tilt_deg", "chest_lean_deg")),
    PELVIS: frozenset(("pelvis_turn_deg", "pelvis_turn_rate_dps")),
    LEAD_FOREARM: WRIST | {"arm_height_deg"},
    LEAD_HAND: WRIST,
}
"""The curves that rest on each segment."""

Curves = dict[str, FloatArray]


def swing_curves(
    swings: Sequence[SwingMotion], rates: Sequence[Mapping[str, TrunkRates]], *, lead_side: LeadSide
) -> list[Curves]:
    """Curves of each swing on even steps, `time_s` 0 at impact, from 0.5 s before takeaway to 0.5 s after finish, in
    degrees; those of segments that a swing has not are left out.

    rates: of each swing's trunk, by tracked point.
    """
    found: list[Curves] = [{"time_s": _since_impact(swing)} for swing in swings]
    for point, prefix in ((CHEST, "chest"), (PELVIS, "pelvis")):
        held = [k for k, swing in enumerate(swings) if point in swing.segments]
        if held:
            _put_trunk(found, held, swings, rates, point, prefix, lead_side)
    arms = [k for k, swing in enumerate(swings) if LEAD_FOREARM in swing.segments]
    if arms:
        q_forearm = _through(swings, arms, LEAD_FOREARM, found)
        _put(found, arms, "arm_height_deg", define.arm_height(q_forearm))
    wrists = [k for k in arms if LEAD_HAND in swings[k].segments and swings[k].tie is not None]
    if wrists:
        if wrists != arms:
            q_forearm = _through(swings, wrists, LEAD_FOREARM, found)
        q_hand = _through(swings, wrists, LEAD_HAND, found)
        flexion, ulnar = define.wrist_angles_free_of_roll(q_forearm, q_hand, lead_side)
        _put(found, wrists, "wrist_flexion_deg", flexion)
        _put(found, wrists, "wrist_ulnar_deg", ulnar)
    for swing, curves in zip(swings, found, strict=True):
        _take_out_spoilt(swing, curves)
    return found


def _since_impact(swing: SwingMotion) -> FloatArray:
    """Even steps (N,), s, at the rate of the leading segment; none without a segment."""
    moments, segments = swing.moments, swing.segments
    if not segments:
        return np.zeros(0)
    rate = (segments.get(LEAD_FOREARM) or next(iter(segments.values()))).rate
    first = max(moments.takeaway - CURVE_MARGIN_S, *(s.time[0] for s in segments.values()))
    last = min(moments.finish + CURVE_MARGIN_S, *(s.time[-1] for s in segments.values()))
    steps = np.arange(math.ceil((first - moments.impact) * rate), int((last - moments.impact) * rate) + 1)
    return np.asarray(steps / rate)


def _through(swings: Sequence[SwingMotion], which: Sequence[int], point: str, found: Sequence[Curves]) -> FloatArray:
    """Orientations (N, 4) of a segment at the steps of these swings, one swing after the other."""
    times = [swings[k].moments.impact + found[k]["time_s"] for k in which]
    return orientations_at([swings[k].segments[point] for k in which], times)


def _put(found: Sequence[Curves], which: Sequence[int], name: str, angle: FloatArray) -> None:
    """Give each of these swings its part of an angle (N,), rad, in degrees."""
    ends = np.cumsum([len(found[k]["time_s"]) for k in which])
    for k, part in zip(which, np.split(np.rad2deg(angle), ends[:-1]), strict=True):
        found[k][name] = part


def _take_out_spoilt(swing: SwingMotion, curves: Curves) -> None:
    """No value of a curve where samples that it rests on are not to be believed."""
    for point, segment in swing.segments.items():
        if point in RESTING_ON and segment.unusable.any():
            at = np.searchsorted(segment.time, swing.moments.impact + curves["time_s"])
            spoilt = segment.unusable[np.clip(at, 0, len(segment.time) - 1)]
            for name in curves.keys() & RESTING_ON[point]:
                curves[name] = np.where(spoilt, np.nan, curves[name])


def _put_trunk(
    found: Sequence[Curves],
    which: Sequence[int],
    swings: Sequence[SwingMotion],
    rates: Sequence[Mapping[str, TrunkRates]],
    point: str,
    prefix: str,
    lead_side: LeadSide,
) -> None:
    q = _through(swings, which, point, found)
    at_address = [np.array([swings[k].moments.address]) for k in which]
    address = orientations_at([swings[k].segments[point] for k in which], at_address)
    counts = [len(found[k]["time_s"]) for k in which]
    _put(found, which, f"{prefix}_turn_deg", define.trunk_turn(q, np.repeat(address, counts, axis=0), lead_side))
    for k in which:
        smoothed, curves = rates[k][point], found[k]
        turn_rate = np.interp(swings[k].moments.impact + curves["time_s"], smoothed.time, smoothed.turn_rate)
        curves[f"{prefix}_turn_rate_dps"] = np.rad2deg(turn_rate)
        curves[f"{prefix}_turn_deg"] = np.unwrap(curves[f"{prefix}_turn_deg"], period=360.0)
    if point == CHEST:
        line = np.repeat(define.address_line(address, lead_side), counts, axis=0)
        _put(found, which, "shoulder_tilt_deg", define.shoulder_tilt(q, lead_side))
        _put(found, which, "chest_lean_deg", define.chest_lean(q, line))
