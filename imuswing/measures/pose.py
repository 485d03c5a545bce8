"""The angles of swings at their moments, with errors propagated linearly from the segments' error models.

Every angle is a function of a few orientations (a segment at a moment). Its gradient with respect to small rotations of
each is taken numerically in one batched call; the error maps of the segments turn that into a gradient with respect
to the shared error parameters, so correlations between moments, and between forearm and hand (their tie), are kept.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.body import definitions as define
from imuswing.body.care import student_95
from imuswing.body.segments import ALIGNMENT, PARAMETERS, ErrorMap, SegmentMotion, error_maps
from imuswing.body.tie import Tie
from imuswing.orientation.quaternion import FloatArray, between, bracket, exp, inverse, length, log, multiply, rotate
from imuswing.recording.model import BoolArray
from imuswing.swings.events import Moments
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, TRUNK_POINTS, LeadSide

MOMENTS = ("address", "top", "impact")
MOVING = np.array([False, True, True])
"""Of these, where the arm moves."""
MOST_BRIDGED = float(np.deg2rad(20.0))
"""Where samples that cannot be bridged leave the turn since the address open by more, rad, nothing after them is told:
their error is no small rotation, and gravity after the swing, which would seem to tell it, is looked at linearly."""
NOT_KNOWN = 1e3
"""rad: a standard error past every limit."""
NUDGE = 1e-5
"""rad, step of the numerical gradient."""
TIME_STEP_S = 0.005
TOGETHER = 256
"""So many swings are worked out at a time: enough to pay, few enough to need little memory."""

Place = tuple[str, str]

BETWEEN_WEARERS = student_95(4) / 1.96
"""A trunk's soft tissue differs between wearers, and no reading of one sensor tells it from the bone's own motion. With
a scale of their own for each, known beforehand with four degrees of freedom, errors follow Student's t, and ± 1.96
standard errors hold 95 % where these are so many times the usual wearer's. An assumption: of how wearers differ no
study was found."""


@dataclass(frozen=True, kw_only=True)
class SoftTissue:
    """SD of the skin's motion against the bone between address and a moment, rad about each segment axis (X, Y, Z).

    Soft tissue adds 2.2 ± 1.5° in walking (Teufl et al. 2018, Sensors 18:1980); the trunk's share is smaller, the
    forearm's roll (Y) is larger: the skin above the wrist follows only part of it. Sizes are assumptions.
    trunk, trunk_share: of a usual wearer; the latter the SD of the share of a turn since address that the skin does not
    follow, besides. Sensors on torso and pelvis differ from optical markers by 0.6 to 1.7° in the mean of a swing (Kim
    et al. 2023, Sensors 23:8433, abstract): 1 to 3 % of the 60° that a chest turns (Zheng et al. 2008, Int J Sports Med
    29:487).
    """

    trunk: tuple[float, float, float] = (0.009, 0.009, 0.009)
    trunk_share: float = 0.015
    forearm: tuple[float, float, float] = (0.015, 0.06, 0.015)
    hand: tuple[float, float, float] = (0.012, 0.035, 0.012)
    at_address: float = 0.5

    def of(self, point: str) -> tuple[float, float, float]:
        """SD for a tracked point."""
        return {LEAD_FOREARM: self.forearm, LEAD_HAND: self.hand}.get(point, self.trunk)

    def variance(self, place: Place, q: FloatArray, q_address: FloatArray) -> FloatArray:
        """(S, 3) rad² at a place with orientations q (S, 4), from those at address (S, 4)."""
        point, moment = place
        own = (np.array(self.of(point)) * (self.at_address if moment == "address" else 1.0)) ** 2
        if point not in TRUNK_POINTS:
            return np.broadcast_to(own, (len(q), 3))
        turned = length(log(multiply(inverse(q_address), q)))
        return np.asarray(BETWEEN_WEARERS**2 * (own + (self.trunk_share * turned[:, None]) ** 2))


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


ANGLES_OF = {
    CHEST: (
        "chest_turn_top",
        "chest_turn_impact",
        "shoulder_tilt_address",
        "shoulder_tilt_impact",
        "chest_lean_address",
        "chest_lean_impact",
    ),
    PELVIS: ("pelvis_turn_top", "pelvis_turn_impact"),
    LEAD_FOREARM: ("backswing_arc", "arm_height_top"),
}
"""What one segment alone shows."""


@dataclass(frozen=True, kw_only=True)
class SwingMotion:
    """All that is known of one swing: segments by tracked point (hand tied to forearm where `tie` is given)."""

    segments: Mapping[str, SegmentMotion]
    moments: Moments
    tie: Tie | None


def estimate_angles(
    segments: Mapping[str, SegmentMotion],
    moments: Moments,
    *,
    lead_side: LeadSide,
    tie: Tie | None,
    soft: SoftTissue,
) -> dict[str, Estimate]:
    """Each angle of one swing with its standard error."""
    swing = SwingMotion(segments=segments, moments=moments, tie=tie)
    return estimate_all([swing], lead_side=lead_side, soft=soft)[0]


def estimate_all(swings: Sequence[SwingMotion], *, lead_side: LeadSide, soft: SoftTissue) -> list[dict[str, Estimate]]:
    """Each angle of every swing with its standard error; swings with the same segments are worked out together."""
    groups: dict[tuple[str, ...], list[int]] = {}
    for k, swing in enumerate(swings):
        used = tuple(
            point
            for point, segment in swing.segments.items()
            if _axes_known(segment) and not (point == LEAD_HAND and swing.tie is None)
        )
        groups.setdefault(used, []).append(k)
    results: list[dict[str, Estimate]] = [{} for _ in swings]
    for used, members in groups.items():
        for first in range(0, len(members) if used else 0, TOGETHER):
            part = members[first : first + TOGETHER]
            for k, found in zip(part, _estimate([swings[k] for k in part], used, lead_side, soft), strict=True):
                results[k] = found
    return results


def _axes_known(segment: SegmentMotion) -> bool:
    """Whether the axes that the angles rest on are; the arm's angles do not ask how it is turned about its length."""
    known = segment.axes_known
    return bool(np.all(known[[0, 2]] if segment.tracked_point == LEAD_FOREARM else known))


def left_out(swing: SwingMotion, told: Collection[str]) -> list[str]:
    """Angles that a worn segment shows by itself and that are not among the told ones."""
    asked = [name for point, names in ANGLES_OF.items() if point in swing.segments for name in names]
    return [name for name in asked if name not in told]


def _estimate(
    swings: Sequence[SwingMotion], points: tuple[str, ...], lead_side: LeadSide, soft: SoftTissue
) -> list[dict[str, Estimate]]:
    """The angles of S swings with the same segments, K places each."""
    places = [(point, moment) for point in points for moment in MOMENTS]
    base, batch = _batch(swings, points)
    evaluated = angles(batch, lead_side)
    if not evaluated:
        return [{} for _ in swings]
    values = np.stack(list(evaluated.values()), axis=1)
    gradients, slopes = _derivatives(values, len(places))
    maps, covariance = _joint_errors(swings, points, base)
    by_parameter = gradients.reshape(*gradients.shape[:2], -1) @ maps
    variance = np.sum((by_parameter @ covariance) * by_parameter, axis=-1)
    skin = np.stack([soft.variance(place, base[place], base[place[0], "address"]) for place in places], axis=1)
    skin[_lost(swings, points)] += NOT_KNOWN**2
    variance += np.sum(gradients**2 * skin[:, None], axis=(-2, -1))
    # The address is a quiet moment, not an instant with an error: its time adds nothing.
    time_se = np.array([(0.0, swing.moments.top_se, swing.moments.impact_se) for swing in swings])
    variance += np.sum((slopes * time_se[:, None]) ** 2, axis=-1)
    told, errors = values[..., 0].tolist(), np.sqrt(variance).tolist()
    return [
        {name: Estimate(value=value, se=se) for name, value, se in zip(evaluated, row, row_errors, strict=True)}
        for row, row_errors in zip(told, errors, strict=True)
    ]


def _lost(swings: Sequence[SwingMotion], points: tuple[str, ...]) -> BoolArray:
    """(S, K) places that cannot be told: unusable samples part them from the address by more than is linear, or they
    lie in such a stretch while the arm moves: gravity after the swing tells how far it turned in all, not by when."""
    lost = np.zeros((len(swings), len(points), len(MOMENTS)), dtype=np.bool_)
    for k, swing in enumerate(swings):
        times = np.array([getattr(swing.moments, moment) for moment in MOMENTS])
        for p, point in enumerate(points):
            segment = swing.segments[point]
            if segment.unusable.any() and isinstance(segment.error_map, ErrorMap):
                turned = np.concatenate(([0.0], np.cumsum(segment.error_map.excess))) / segment.rate
                at = np.minimum(segment.time.searchsorted(times), len(segment.time) - 1)
                since = turned[at]
                lost[k, p] = (np.abs(since - since[0]) > MOST_BRIDGED) | (segment.unusable[at] & MOVING)
    return lost.reshape(len(swings), -1)


def _batch(
    swings: Sequence[SwingMotion], points: tuple[str, ...]
) -> tuple[dict[Place, FloatArray], dict[Place, FloatArray]]:
    """Orientation of every place (S, 4), and what every angle is evaluated at in one go, (S, R, 4) each.

    Rows: as it is; six small rotations, + and − about X, Y, Z, of each place in turn; each moment earlier and later.
    """
    count = len(points) * len(MOMENTS)
    rows = 1 + 6 * count + 2 * len(MOMENTS)
    nudges = exp(np.concatenate((NUDGE * np.eye(3), -NUDGE * np.eye(3))))
    shifts = np.array([0.0, -TIME_STEP_S, TIME_STEP_S])
    times = np.array([[getattr(s.moments, moment) for moment in MOMENTS] for s in swings])[..., None] + shifts
    base, batch = {}, {}
    for p, point in enumerate(points):
        brackets = [bracket(s.segments[point].time, at) for s, at in zip(swings, times, strict=True)]
        before = np.stack([s.segments[point].q[index] for s, (index, _) in zip(swings, brackets, strict=True)])
        after = np.stack([s.segments[point].q[index + 1] for s, (index, _) in zip(swings, brackets, strict=True)])
        q = between(before, after, np.stack([fraction for _, fraction in brackets]))
        for m, moment in enumerate(MOMENTS):
            here, k = q[:, m, 0], p * len(MOMENTS) + m
            all_rows = np.repeat(here[:, None], rows, axis=1)
            all_rows[:, 1 + 6 * k : 7 + 6 * k] = multiply(here[:, None], nudges)
            shifted = 1 + 6 * count + 2 * m
            all_rows[:, shifted : shifted + 2] = q[:, m, 1:]
            base[point, moment], batch[point, moment] = here, all_rows
    return base, batch


def _derivatives(values: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """From angles (S, A, R) at the rows of `_batch`: (S, A, K, 3) per rad of each place's small rotation, and
    (S, A, moments) per s of each moment."""
    lead = values.shape[:2]
    nudged = values[..., 1 : 1 + 6 * count].reshape(*lead, count, 2, 3)
    shifted = values[..., 1 + 6 * count :].reshape(*lead, len(MOMENTS), 2)
    slopes = (shifted[..., 1] - shifted[..., 0]) / (2.0 * TIME_STEP_S)
    return (nudged[..., 0, :] - nudged[..., 1, :]) / (2.0 * NUDGE), slopes


def _joint_errors(
    swings: Sequence[SwingMotion], points: tuple[str, ...], base: Mapping[Place, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """(S, 3·K, P): the rotation error of each place per joint parameter; and the parameters' covariance (S, P, P)."""
    total = len(points) * PARAMETERS
    maps = np.zeros((len(swings), len(points) * len(MOMENTS), 3, total + 1))
    covariance = np.zeros((len(swings), total + 1, total + 1))
    for p, point in enumerate(points):
        own = slice(p * PARAMETERS, (p + 1) * PARAMETERS)
        at = np.empty((len(swings), len(MOMENTS)), dtype=np.intp)
        for k, swing in enumerate(swings):
            segment = swing.segments[point]
            covariance[k, own, own] = segment.error_covariance
            times = [getattr(swing.moments, moment) for moment in MOMENTS]
            at[k] = np.minimum(segment.time.searchsorted(times), len(segment.time) - 1)
        places = slice(p * len(MOMENTS), (p + 1) * len(MOMENTS))
        maps[:, places, :, own] = error_maps([swing.segments[point] for swing in swings], at)
    if LEAD_FOREARM in points and LEAD_HAND in points:
        first, second = (points.index(point) * PARAMETERS + ALIGNMENT.start for point in (LEAD_FOREARM, LEAD_HAND))
        shared = [total, *range(first, first + 3), *range(second, second + 3)]
        for k, swing in enumerate(swings):
            if swing.tie is not None:
                covariance[k][np.ix_(shared, shared)] = swing.tie.covariance
        for m, moment in enumerate(MOMENTS):
            # The tie's covariance is of parameters, true minus found; a hand turned too far is an error the other way.
            vertical = rotate(inverse(base[LEAD_HAND, moment]), np.array([0.0, 0.0, 1.0]))
            maps[:, points.index(LEAD_HAND) * len(MOMENTS) + m, :, total] -= vertical
    for p, point in enumerate(points):
        turned = np.arange(p * PARAMETERS, (p + 1) * PARAMETERS)[ALIGNMENT]
        covariance[:, turned, turned] += np.array([[swing.segments[point].mount_variance] for swing in swings])
    return maps.reshape(len(swings), -1, total + 1), covariance
