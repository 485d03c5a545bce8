"""The angles of one swing at its moments, with errors propagated linearly from the segments' error models.

Every angle is a function of a few orientations (a segment at a moment). Its gradient with respect to small rotations of
each is taken numerically in one batched call; the error maps of the segments turn that into a gradient with respect
to the shared error parameters, so correlations between moments, and between forearm and hand (their tie), are kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imuswing.body import definitions as define
from imuswing.body.segments import ALIGNMENT, SegmentMotion
from imuswing.body.tie import Tie
from imuswing.orientation.quaternion import FloatArray, exp, inverse, multiply, rotate, slerp
from imuswing.swings.events import Moments
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, LeadSide

MOMENTS = ("address", "top", "impact")
NUDGE = 1e-5
"""rad, step of the numerical gradient."""
TIME_STEP_S = 0.005

Place = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class SoftTissue:
    """SD of the skin's motion against the bone between address and a moment, rad about each segment axis (X, Y, Z).

    Soft tissue adds 2.2 ± 1.5° in walking (Teufl et al. 2018, Sensors 18:1980); the trunk's share is smaller, the
    forearm's roll (Y) is larger: the skin above the wrist follows only part of it. Sizes are assumptions.
    """

    trunk: tuple[float, float, float] = (0.015, 0.015, 0.015)
    forearm: tuple[float, float, float] = (0.015, 0.06, 0.015)
    hand: tuple[float, float, float] = (0.012, 0.035, 0.012)
    at_address: float = 0.5

    def of(self, point: str) -> tuple[float, float, float]:
        """SD for a tracked point."""
        return {LEAD_FOREARM: self.forearm, LEAD_HAND: self.hand}.get(point, self.trunk)


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A value and its standard error, SI."""

    value: float
    se: float


def angles(q: Mapping[Place, FloatArray], lead_side: LeadSide) -> dict[str, FloatArray]:
    """Every angle (...,), rad, that the orientations (..., 4) at hand allow, by measure name without its unit."""
    found: dict[str, FloatArray] = {}
    if (CHEST, "address") in q:
        address, top, impact = (q[CHEST, moment] for moment in MOMENTS)
        line = define.address_line(address, lead_side)
        found["chest_turn_top"] = define.trunk_turn(top, address, lead_side)
        found["chest_turn_impact"] = define.trunk_turn(impact, address, lead_side)
        found["shoulder_tilt_address"] = define.shoulder_tilt(address, lead_side)
        found["shoulder_tilt_impact"] = define.shoulder_tilt(impact, lead_side)
        found["chest_lean_address"] = define.chest_lean(address, line)
        found["chest_lean_impact"] = define.chest_lean(impact, line)
    if (PELVIS, "address") in q:
        address, top, impact = (q[PELVIS, moment] for moment in MOMENTS)
        found["pelvis_turn_top"] = define.trunk_turn(top, address, lead_side)
        found["pelvis_turn_impact"] = define.trunk_turn(impact, address, lead_side)
    if (LEAD_FOREARM, "address") in q:
        address, top = q[LEAD_FOREARM, "address"], q[LEAD_FOREARM, "top"]
        found["backswing_arc"] = define.great_circle(define.long_axis(address), define.long_axis(top))
        found["arm_height_top"] = define.arm_height(top)
    if (LEAD_FOREARM, "address") in q and (LEAD_HAND, "address") in q:
        for moment in MOMENTS:
            flexion, ulnar = define.wrist_angles_free_of_roll(q[LEAD_FOREARM, moment], q[LEAD_HAND, moment], lead_side)
            found[f"wrist_flexion_{moment}"] = flexion
            found[f"wrist_ulnar_{moment}"] = ulnar
    return found


def estimate_angles(
    segments: Mapping[str, SegmentMotion],
    moments: Moments,
    *,
    lead_side: LeadSide,
    tie: Tie | None,
    soft: SoftTissue,
) -> dict[str, Estimate]:
    """Each angle with its standard error; `segments` hold the hand already tied to the forearm, if `tie` is given."""
    used = {point: s for point, s in segments.items() if not (point == LEAD_HAND and tie is None)}
    if not used:
        return {}
    at = {moment: float(getattr(moments, moment)) for moment in MOMENTS}
    places = [(point, moment) for point in used for moment in MOMENTS]
    base, batch = _batch(used, places, at)
    evaluated = angles(batch, lead_side)
    maps, covariance = _joint_errors(used, places, base, at, tie)
    # The address is a quiet moment, not an instant with an error: its time adds nothing.
    time_se = {"address": 0.0, "top": moments.top_se, "impact": moments.impact_se}
    results = {}
    for name, rows in evaluated.items():
        gradients, slopes = _derivatives(rows, len(places))
        gradient = np.einsum("ki,kip->p", gradients, maps)
        variance = float(gradient @ covariance @ gradient)
        for k, (point, moment) in enumerate(places):
            share = soft.at_address if moment == "address" else 1.0
            variance += float(np.sum((gradients[k] * share * np.array(soft.of(point))) ** 2))
        for moment in MOMENTS:
            variance += (slopes[moment] * time_se[moment]) ** 2
        results[name] = Estimate(value=float(rows[0]), se=float(np.sqrt(variance)))
    return results


def _batch(
    segments: Mapping[str, SegmentMotion], places: list[Place], at: Mapping[str, float]
) -> tuple[dict[Place, FloatArray], dict[Place, FloatArray]]:
    """Orientation of every place (4,), and what every angle is evaluated at in one go, (R, 4) each.

    Rows: as it is; six small rotations, + and − about X, Y, Z, of each place in turn; each moment earlier and later.
    """
    rows = 1 + 6 * len(places) + 2 * len(MOMENTS)
    nudges = exp(np.concatenate((NUDGE * np.eye(3), -NUDGE * np.eye(3))))
    base, batch = {}, {}
    for k, place in enumerate(places):
        point, moment = place
        times = at[moment] + np.array([0.0, -TIME_STEP_S, TIME_STEP_S])
        q = slerp(segments[point].q, segments[point].time, times)
        base[place] = q[0]
        all_rows = np.repeat(q[:1], rows, axis=0)
        all_rows[1 + 6 * k : 7 + 6 * k] = multiply(q[0], nudges)
        shifted = 1 + 6 * len(places) + 2 * MOMENTS.index(moment)
        all_rows[shifted : shifted + 2] = q[1:]
        batch[place] = all_rows
    return base, batch


def _derivatives(values: FloatArray, count: int) -> tuple[FloatArray, dict[str, float]]:
    """From an angle at the rows of `_batch`: (K, 3) per rad of each place's small rotation; per s of each moment."""
    nudged = values[1 : 1 + 6 * count].reshape(count, 2, 3)
    shifted = values[1 + 6 * count :].reshape(len(MOMENTS), 2)
    slopes = (shifted[:, 1] - shifted[:, 0]) / (2.0 * TIME_STEP_S)
    return (nudged[:, 0] - nudged[:, 1]) / (2.0 * NUDGE), dict(zip(MOMENTS, slopes.tolist(), strict=True))


def _joint_errors(
    segments: Mapping[str, SegmentMotion],
    places: list[Place],
    base: Mapping[Place, FloatArray],
    at: Mapping[str, float],
    tie: Tie | None,
) -> tuple[FloatArray, FloatArray]:
    """For each place (K, 3, P): its rotation error per joint parameter; and the parameters' covariance (P, P)."""
    offsets, total = {}, 0
    for point, segment in segments.items():
        offsets[point] = total
        total += segment.error_covariance.shape[0]
    covariance = np.zeros((total + 1, total + 1))
    for point, segment in segments.items():
        rows = slice(offsets[point], offsets[point] + len(segment.error_covariance))
        covariance[rows, rows] = segment.error_covariance
    if tie is not None:
        first, second = offsets[LEAD_FOREARM] + ALIGNMENT.start, offsets[LEAD_HAND] + ALIGNMENT.start
        shared = [total, *range(first, first + 3), *range(second, second + 3)]
        covariance[np.ix_(shared, shared)] = tie.covariance
    maps = []
    for place in places:
        point, moment = place
        segment = segments[point]
        index = int(np.clip(np.searchsorted(segment.time, at[moment]), 0, len(segment.time) - 1))
        full = np.zeros((3, total + 1))
        full[:, offsets[point] : offsets[point] + len(segment.error_covariance)] = segment.error_map[index]
        if point == LEAD_HAND and tie is not None:
            # The tie's covariance is of parameters, true minus found; a hand turned too far is an error the other way.
            vertical = rotate(inverse(base[place]), np.array([0.0, 0.0, 1.0]))
            full[:, total] -= vertical
        maps.append(full)
    return np.stack(maps), covariance
