"""From prepared sensors to swings cut out of them: oriented, followed at full rate, set right after a slip."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from imuswing.body.alignment import Alignment
from imuswing.body.definitions import Y_AXIS, long_axis, long_axis_speed, trunk_sign, trunk_turn
from imuswing.body.follow import Span, follow_segments
from imuswing.body.segments import ALIGNMENT, SegmentMotion
from imuswing.orientation.coarse import CoarseOrientation, coarse_orientation
from imuswing.orientation.learn import learn_corrections, with_corrections
from imuswing.orientation.quaternion import FloatArray, inverse, length, rotate, slerp
from imuswing.orientation.stretch import SensorCorrection
from imuswing.recording.model import IntArray, Recording
from imuswing.sensors.motion import Motion, Prepared
from imuswing.settings import Settings
from imuswing.swings.backwards import turn_about_vertical
from imuswing.swings.events import ArmCurves, without_ringing
from imuswing.swings.evidence import signature
from imuswing.swings.find import Candidate
from imuswing.swings.judge import Sight
from imuswing.swings.lead import at_rest, leading_axis, makeshift_alignment
from imuswing.swings.surprise import ShockWindow
from imuswing.vocabulary import (
    CHEST,
    LEAD_FOREARM,
    LEAD_HAND,
    LeadSide,
)

BEFORE_ADDRESS_S = 3.0
"""A golfer may stand to the ball this long before the swing: such rests are addresses, not standing about."""
WELL_KNOWN = float(np.deg2rad(15.0))
"""Alignment SD under which a chest's posture may speak for or against a swing."""
FOLLOWED_SD = float(np.deg2rad(10.0))
"""Where no pose shows the long axis, the one that is learnt from the swings is no worse than this (an assumption)."""
MOMENTS_DOWN = 16
"""At so many moments of a downswing its turn is looked at: enough for a sign."""
UP = np.array([0.0, 0.0, 1.0])
SHOCK_POINTS = (LEAD_HAND, LEAD_FOREARM, CHEST)
"""Sensors in which an impact is looked for."""


@dataclass(frozen=True, kw_only=True)
class Oriented:
    """A prepared recording with each sensor's orientation.

    corrections: what was learnt of the sensors and is taken off already, by tracked point; absent where nothing was.
    """

    prepared: Prepared
    coarse: Mapping[str, CoarseOrientation]
    corrections: Mapping[str, SensorCorrection] = field(default_factory=dict)

    @property
    def motions(self) -> Mapping[str, Motion]:
        """By tracked point."""
        return self.prepared.motions


@dataclass(frozen=True, kw_only=True)
class Cut:
    """A candidate followed at full rate: its segments, and what is seen of it."""

    segments: Mapping[str, SegmentMotion]
    sight: Sight


def orient(prepared: Prepared) -> Oriented:
    """Each sensor's orientation over the whole recording."""
    coarse = {
        point: coarse_orientation(motion.increments, motion.acc, rate=motion.rate, unusable=motion.unusable)
        for point, motion in prepared.motions.items()
    }
    return Oriented(prepared=prepared, coarse=coarse)


def learn_and_orient(
    prepared: Prepared, settings: Settings, known: Mapping[str, SensorCorrection] | None = None
) -> Oriented:
    """The same after the sensors' fixed errors were learnt from the whole recording and taken off.

    known: by tracked point, what an earlier part of the recording told already.
    """
    told = {point: found for point, found in (known or {}).items() if found.learnt and point in prepared.motions}
    others = {point: motion for point, motion in prepared.motions.items() if point not in told}
    corrections = told | learn_corrections(replace(prepared, motions=others), settings=settings.learn)
    # Under the same name, so that what was not corrected can be let go of: an hour of it is large.
    prepared = with_corrections(prepared, corrections)
    return replace(orient(prepared), corrections=corrections)


def address_gravity(oriented: Oriented, candidates: Sequence[Candidate]) -> dict[str, FloatArray]:
    """By tracked point, mean direction of gravity in the sensor over the addresses, (3,)."""
    return mean_directions(address_ups(oriented, candidates))


def address_ups(oriented: Oriented, candidates: Sequence[Candidate]) -> dict[str, FloatArray]:
    """By tracked point, gravity's direction in the sensor at each address, (K, 3)."""
    found = {}
    for point, motion in oriented.motions.items():
        at = address_samples(motion, candidates)
        if len(at):
            found[point] = rotate(inverse(oriented.coarse[point][at]), UP)
    return found


def address_samples(motion: Motion, swings: Sequence[Candidate]) -> IntArray:
    """Samples at the addresses that a sensor saw."""
    at = np.searchsorted(motion.time, [swing.start - 0.1 for swing in swings])
    at = at[(at > 0) & (at < len(motion.time))]
    return np.asarray(at[~motion.unusable[at]])


def joined_rows(one: Mapping[str, FloatArray], other: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """By tracked point, the rows of both."""
    points = dict.fromkeys((*one, *other))
    return {point: np.concatenate([each[point] for each in (one, other) if point in each]) for point in points}


def mean_directions(ups: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """By tracked point, the mean of unit vectors (K, 3)."""
    means = {point: np.median(each, axis=0) for point, each in ups.items()}
    return {point: mean / np.linalg.norm(mean) for point, mean in means.items()}


def turns_to_target(oriented: Oriented, swings: Sequence[Candidate], lead_side: LeadSide) -> dict[str, FloatArray]:
    """By tracked point, its turn (K,) about the vertical from each top to the return, rad, positive towards the
    target."""
    span = np.array([(swing.top, swing.back) for swing in swings]).reshape(-1, 2)
    moments = span[:, :1] + np.linspace(0.0, 1.0, MOMENTS_DOWN) * np.diff(span)
    found = {}
    for point, motion in oriented.motions.items():
        at = np.clip(np.searchsorted(motion.time, moments), 0, len(motion.time) - 1)
        turn = turn_about_vertical(oriented.coarse[point][at], motion.gyr[at], np.diff(span)[:, 0])
        found[point] = trunk_sign(lead_side) * turn
    return found


def with_leaders(
    alignments: Mapping[str, Alignment], oriented: Oriented, candidates: Sequence[Candidate]
) -> dict[str, Alignment]:
    """Alignments with a makeshift one for each sensor that shows swings and has none."""
    found = dict(alignments)
    for point, motion in oriented.motions.items():
        if point not in found and any(candidate.lead == point for candidate in candidates):
            found[point] = makeshift_alignment(point, leading_axis(point, at_rest(motion), None))
    return found


def follow_swings(
    recording: Recording,
    oriented: Oriented,
    candidates: Sequence[Candidate],
    alignments: Mapping[str, Alignment],
    settings: Settings,
    *,
    judging: bool = False,
) -> list[Cut]:
    """Candidates at full rate, those left out through which the segment that showed them cannot be followed.

    judging: follow no more than the segments that it takes to judge them; `with_others` follows the others.
    """
    leads = {candidate.lead for candidate in candidates}
    points = [point for point in alignments if not judging or point in (CHEST, *leads)]
    followed = _followed(oriented, points, candidates, alignments, settings)
    signatures = _signatures(oriented, candidates, settings)
    chest_postures = _postures(followed.get(CHEST), candidates, recording.lead_side)
    cuts = []
    for k, candidate in enumerate(candidates):
        segments = {point: found for point, each in followed.items() if (found := each[k]) is not None}
        if (lead := candidate.lead) not in segments:
            continue
        arms = {
            point: _arm_curves(segments, point, alignments[point], oriented.prepared.reports[point].clock_se_s)
            for point in leads
            if point in segments
        }
        bend, turn, turn_down = chest_postures[k].tolist()
        sight = Sight(
            candidate=candidate,
            arm=arms.pop(lead),
            windows=_shock_windows(recording, oriented.prepared, candidate),
            signatures=signatures[k],
            bend=bend,
            turn=turn,
            turn_down=turn_down,
            others=arms,
        )
        cuts.append(Cut(segments=segments, sight=sight))
    return cuts


def with_others(
    cuts: Sequence[Cut], oriented: Oriented, alignments: Mapping[str, Alignment], settings: Settings
) -> list[Cut]:
    """Swings with the segments that were not followed to judge them."""
    points = [point for point in alignments if not any(point in cut.segments for cut in cuts)]
    followed = _followed(oriented, points, [cut.sight.candidate for cut in cuts], alignments, settings)
    found = []
    for k, cut in enumerate(cuts):
        every = {**cut.segments, **{point: each[k] for point, each in followed.items()}}
        segments = {point: segment for point in alignments if (segment := every.get(point)) is not None}
        found.append(replace(cut, segments=segments))
    return found


def without(cut: Cut, points: Collection[str]) -> Cut:
    """A swing without the segments of some tracked points."""
    return replace(cut, segments={point: found for point, found in cut.segments.items() if point not in points})


def _followed(
    oriented: Oriented,
    points: Sequence[str],
    candidates: Sequence[Candidate],
    alignments: Mapping[str, Alignment],
    settings: Settings,
) -> dict[str, list[SegmentMotion | None]]:
    """By tracked point, its segment through each candidate."""
    spans = [Span(start=c.start, end=c.end, address=c.start - 0.1) for c in candidates]
    return {
        point: follow_segments(
            oriented.motions[point],
            oriented.coarse[point],
            alignments[point],
            spans,
            correction=oriented.corrections.get(point),
            settings=settings.segments,
        )
        for point in points
    }


def _signatures(oriented: Oriented, candidates: Sequence[Candidate], settings: Settings) -> list[dict[str, FloatArray]]:
    """For each candidate, by tracked point, what its sensor saw of the movement."""
    found: list[dict[str, FloatArray]] = [{} for _ in candidates]
    ends = np.array([(c.start - 0.1, c.top, c.back) for c in candidates]).reshape(-1, 3)
    times = np.insert(ends, (1, 2), 0.5 * (ends[:, :-1] + ends[:, 1:]), axis=1)
    for point, motion in oriented.motions.items():
        at = np.searchsorted(motion.time, times)
        inside = (at[:, 0] > 0) & (at[:, -1] < len(motion.time))
        inside[inside] &= ~motion.unusable[at[inside][:, ::2]].any(axis=1)
        seen = signature(oriented.coarse[point][at[inside]], settings=settings.judge.evidence)
        for k, saw in zip(np.flatnonzero(inside).tolist(), seen, strict=True):
            found[k][point] = saw
    return found


def _postures(
    chest: Sequence[SegmentMotion | None] | None, candidates: Sequence[Candidate], lead_side: LeadSide
) -> FloatArray:
    """(K, 3) rad, for each candidate: forward bend of the chest at the start, its turn away from the target until the
    top, and its turn towards the target from there to the arm's return; NaN if unknown."""
    found = np.full((len(candidates), 3), np.nan)
    known, q = [], []
    for k, (segment, c) in enumerate(zip(chest or (), candidates, strict=False)):
        if segment is not None and np.sqrt(segment.error_covariance.diagonal()[ALIGNMENT].max()) < WELL_KNOWN:
            known.append(k)
            q.append(slerp(segment.q, segment.time, np.array([c.start, c.top, c.back])))
    if known:
        start, top, back = np.stack(q, axis=1)
        found[known, 0] = np.arccos(np.clip(rotate(start, Y_AXIS)[:, 2], -1.0, 1.0))
        found[known, 1] = -trunk_turn(top, start, lead_side)
        found[known, 2] = trunk_turn(back, top, lead_side)
    return found


def _arm_curves(segments: Mapping[str, SegmentMotion], lead: str, alignment: Alignment, clock_se: float) -> ArmCurves:
    segment = segments[lead]
    axis = segment_axis(segment, lead)
    chest = segments.get(CHEST)
    if chest is None or lead == CHEST:
        chest_rate = calm_chest = np.zeros(len(segment.time))
    else:
        chest_rate = np.interp(segment.time, chest.time, length(chest.omega))
        calm_chest = np.interp(segment.time, chest.time, length(without_ringing(chest.omega, rate=chest.rate)))
    speed = np.hypot(segment.omega[:, 0], segment.omega[:, 1]) if lead == CHEST else long_axis_speed(segment.omega)
    return ArmCurves(
        time=segment.time,
        long_axis=axis,
        speed=speed,
        rate=length(segment.omega),
        chest_rate=chest_rate,
        calm_rate=length(without_ringing(segment.omega, rate=segment.rate)),
        calm_chest_rate=calm_chest,
        axis_sd=min(float(np.sqrt(0.5 * (alignment.covariance[0, 0] + alignment.covariance[2, 2]))), FOLLOWED_SD),
        clock_se=clock_se,
        stands_in=lead != LEAD_FOREARM,
        bridged=segment.bridged,
    )


def segment_axis(segment: SegmentMotion, lead: str) -> FloatArray:
    """Direction (M, 3) in the earth frame of the axis that is followed."""
    return rotate(segment.q, np.array([0.0, 0.0, 1.0])) if lead == CHEST else long_axis(segment.q)


def _shock_windows(recording: Recording, prepared: Prepared, candidate: Candidate) -> list[ShockWindow]:
    """The raw rows of the sensors that may feel a shock: what was resampled for the motion would smear it."""
    windows = []
    for point in SHOCK_POINTS:
        if point not in prepared.motions:
            continue
        stream = prepared.streams.get(point, recording.sensors[point])
        motion, report = prepared.motions[point], prepared.reports[point]
        scale = 1.0 + 1e-6 * report.clock_drift_ppm
        ends = (np.array([candidate.top - 0.1, candidate.back + 0.45]) - report.clock_offset_s) / scale
        first, last = np.searchsorted(stream.time, ends)
        part = slice(int(first), int(last))
        time = report.clock_offset_s + scale * stream.time[part]
        on_grid = np.clip(np.rint((time - motion.time[0]) * motion.rate).astype(int), 0, len(motion.time) - 1)
        # Rows that repeat the one before or hold wrong numbers are lost, too.
        lost = motion.lost[on_grid, None]
        windows.append(
            ShockWindow(
                tracked_point=point,
                time=time,
                acc=np.where(lost, np.nan, stream.acc[part]),
                gyr=np.where(lost, np.nan, stream.gyr[part]),
                acc_full=motion.acc_clipped[on_grid],
                gyr_full=motion.clipped[on_grid],
                clock_se=report.clock_se_s,
            )
        )
    return windows
