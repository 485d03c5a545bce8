"""The newest swings out of the last seconds: prepared, oriented, cut, judged and measured by the offline functions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from imuswing.body.calibrate import Calibration
from imuswing.body.tie import WristSwing, tie_headings
from imuswing.cutting import (
    Cut,
    Oriented,
    address_gravity,
    follow_swings,
    orient,
    turns_to_target,
    with_leaders,
    without,
)
from imuswing.errors import RecordingError
from imuswing.lesson import flags_of_all, measure_cuts, placed_cut
from imuswing.live.learn import HEADING_BACK_S, Frame, Heading, Known, alignment_changes, frame_of, recalibrated
from imuswing.live.settings import LiveSettings
from imuswing.orientation.quaternion import FloatArray, inverse, multiply
from imuswing.recording.model import Recording
from imuswing.rough import rough_swings
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.motion import turn_lost
from imuswing.sensors.prepare import prepare
from imuswing.swings.backwards import turned_backwards
from imuswing.swings.find import Candidate
from imuswing.swings.judge import Sight, judge
from imuswing.swings.lead import leading_points
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, SHOT
from imuswing.wrist import arm_errors, tied_swing, wrist_of

RUN_IN_S = 3.0
"""The orientation filter's start is not compared with what was before."""

SAME_SWING_S = 0.2
"""Two looks at one swing place the arm's return nearer to each other than this."""


@dataclass(frozen=True, kw_only=True)
class Past:
    """A swing, or what looked like one, that the judgement of later ones rests on.

    wrist: for the heading's tie, on the headings of `frame`; None without a wrist.  ups: gravity in each sensor at
    address.  clocks: by tracked point, on which its times stand.  turns: of each sensor, as `cutting.turns_to_target`,
    none of what is no swing.
    """

    sight: Sight
    wrist: WristSwing | None
    frame: Frame
    ups: Mapping[str, FloatArray]
    clocks: Mapping[str, ClockLine]
    turns: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One look at a candidate. row, curve: as offline, None where it is not taken for a swing."""

    past: Past
    row: Mapping[str, Any] | None
    curve: Mapping[str, Any] | None

    @property
    def candidate(self) -> Candidate:
        """The rough cut."""
        return self.past.sight.candidate


@dataclass(frozen=True, kw_only=True)
class Looked:
    """What a look found, oldest first, and the headings to go on with. seen: None where nothing could be looked at."""

    seen: tuple[Seen, ...] | None = None
    headings: Mapping[str, Heading] = field(default_factory=lambda: MappingProxyType({}))


def look(
    window: Recording, known: Known, past: Sequence[Past], *, near: tuple[float, float], settings: LiveSettings
) -> Looked:
    """The swings of a window whose arm came back between two common times, s.

    window: the newest seconds (`learn.recording_of`).  past: the swings before, oldest first.
    """
    analysis = settings.analysis
    try:
        prepared = prepare(window, settings=analysis.sensors, clocks=known.clocks)
    except RecordingError:
        return Looked(headings=known.headings)
    oriented, frame, headings = _on_headings(orient(prepared), known.headings)
    if not leading_points(oriented.motions):
        return Looked(headings=headings)
    candidates = rough_swings(oriented, known.calibration, analysis)
    fresh = [candidate for candidate in candidates if near[0] < candidate.back <= near[1]]
    fitted = known.calibration.alignments
    if fresh and CHEST in oriented.motions and CHEST not in fitted:
        # Without bows the chest is aligned by how the golfer stands to the ball: a first swing has its own address.
        fitted = {**recalibrated(known, address_gravity(oriented, fresh), settings).calibration.alignments, **fitted}
    alignments = {point: alignment for point, alignment in fitted.items() if point in oriented.motions}
    alignments = with_leaders(alignments, oriented, fresh)
    seen: list[Seen] = []
    for cut in follow_swings(window, oriented, fresh, alignments, analysis):
        before = [*past, *(earlier.past for earlier in seen)]
        seen.append(_seen(window, oriented, frame, headings, cut, known, before, settings))
    return Looked(seen=tuple(seen), headings=headings)


def _on_headings(oriented: Oriented, headings: Mapping[str, Heading]) -> tuple[Oriented, Frame, dict[str, Heading]]:
    """Coarse orientations turned about the vertical to go on where the window before left off, and their frame."""
    coarse, carried, here = {}, dict(headings), {}
    for point, motion in oriented.motions.items():
        course, time, held = oriented.coarse[point], motion.time, headings.get(point)
        since, before = float(time[0]), 0.0
        if held is not None and time[0] + RUN_IN_S <= held.time <= time[-1]:
            since, before = held.since, held.turn_lost - float(turn_lost(motion, np.array([held.time]))[0])
            at = int(np.searchsorted(time, held.time))
            difference = multiply(held.q, inverse(course[at]))
            angle = 2.0 * float(np.arctan2(difference[3], difference[0]))
            course = course.turned_about_vertical(angle)
        coarse[point] = course
        end = int(np.searchsorted(time, time[-1] - HEADING_BACK_S))
        lost = before + float(turn_lost(motion, time[end : end + 1])[0])
        here[point] = Heading(time=float(time[end]), q=course[end], since=since, turn_lost=lost)
        if time[end] >= time[0] + RUN_IN_S:
            carried[point] = here[point]
    return replace(oriented, coarse=coarse), frame_of(here), carried


def _wrist_turn_lost(oriented: Oriented, headings: Mapping[str, Heading], time: float) -> float:
    """rad² at a time s, as `lesson.wrist_turn_lost`, since the headings began."""
    lost = 0.0
    for point in (LEAD_FOREARM, LEAD_HAND):
        if point in oriented.motions and point in headings:
            then, now = turn_lost(oriented.motions[point], np.array([headings[point].time, time])).tolist()
            lost += headings[point].turn_lost + now - then
    return lost


def _seen(
    window: Recording,
    oriented: Oriented,
    frame: Frame,
    headings: Mapping[str, Heading],
    cut: Cut,
    known: Known,
    past: Sequence[Past],
    settings: LiveSettings,
) -> Seen:
    analysis = settings.analysis
    clocks = {point: known.clocks[stream.tracking_system] for point, stream in window.sensors.items()}
    sights = [*(retimed(earlier, clocks) for earlier in past[-settings.past :]), cut.sight]
    until = max(float(motion.time[-1]) for motion in oriented.motions.values())
    verdict = judge(sights, window.of_type(SHOT), events=analysis.events, settings=analysis.judge, noted_until=until)[
        -1
    ]
    ups = address_gravity(oriented, [cut.sight.candidate])
    if verdict.swing_odds <= analysis.judge.evidence.accept:
        return Seen(past=Past(sight=cut.sight, wrist=None, frame=frame, ups=ups, clocks=clocks), row=None, curve=None)
    # No sensor feels a soft ball. Until the coach can have noted it, impact is looked for where this golfer's balls are
    # met: nothing hangs on the verdict of a swing without one.
    as_shot = until <= noted_by(cut.sight.candidate.back, settings)
    moments = placed_cut(cut, verdict, analysis, as_shot=as_shot)
    turned = turns_to_target(oriented, [cut.sight.candidate], window.lead_side)
    turns = {point: float(turn[0]) for point, turn in turned.items()}
    backwards = _backwards(turns, past, settings)
    cut = without(cut, backwards)
    wrist = wrist_of(cut, moments, turn_lost=_wrist_turn_lost(oriented, headings, moments.address))
    wrists = [earlier.wrist for earlier in past if earlier.wrist is not None and earlier.frame == frame]
    table = known.table if known.table_frame == frame else None
    arm = arm_errors(known.calibration)
    tie = None
    if wrist is not None and arm is not None:
        last = [*wrists[-settings.ties :], wrist]
        tie = tie_headings(last, table, arm, lead_side=window.lead_side, settings=analysis.tie)[-1]
    row, curve = measure_cuts(window, [tied_swing(cut, moments, tie)], [verdict], analysis)[0]
    row["flags"] += flags_of_all(oriented.prepared, backwards)
    here = Past(sight=cut.sight, wrist=wrist, frame=frame, ups=ups, clocks=clocks, turns=turns)
    return Seen(past=here, row=row, curve=curve)


def _backwards(turns: Mapping[str, float], past: Sequence[Past], settings: LiveSettings) -> tuple[str, ...]:
    """Points that turn backwards in this swing and those before; offline a recording in which all do is refused."""
    told = {point: np.array([*(p.turns[point] for p in past if point in p.turns), turns[point]]) for point in turns}
    return turned_backwards(told, settings=settings.analysis.backwards)


def retimed(past: Past, clocks: Mapping[str, ClockLine]) -> Sight:
    """What was seen of a swing, on the clocks as they are known now, by tracked point.

    What tells where a golfer's impacts lie are milliseconds between sensors, and clocks learnt early are off by more.
    """
    sight, here = past.sight, past.sight.candidate
    arm_time, start, top, back, end = (
        _on_new_clock(past, clocks, here.lead, np.asarray(times))
        for times in (sight.arm.time, here.start, here.top, here.back, here.end)
    )
    return replace(
        sight,
        candidate=replace(here, start=float(start), top=float(top), back=float(back), end=float(end)),
        arm=replace(sight.arm, time=arm_time),
        windows=[replace(w, time=_on_new_clock(past, clocks, w.tracked_point, w.time)) for w in sight.windows],
    )


def _on_new_clock(past: Past, clocks: Mapping[str, ClockLine], point: str, times: FloatArray) -> FloatArray:
    """Times of a sensor on its clock as it is known now; as they were, where it is not worn any longer."""
    before, now = past.clocks.get(point), clocks.get(point)
    if before is None or now is None or now == before:
        return times
    return now((times - before.offset) / (1.0 + before.drift))


def noted_by(back: float, settings: LiveSettings) -> float:
    """Until when a swing whose arm came back at `back` may still be noted as a shot, s."""
    return back + settings.analysis.judge.kind.note_after_s


def mean_up(past: Sequence[Past]) -> dict[str, FloatArray]:
    """By tracked point, direction of gravity over the addresses of swings: as `cutting.address_gravity` over all."""
    found: dict[str, FloatArray] = {}
    for point in {point for swing in past for point in swing.ups}:
        middle = np.median([swing.ups[point] for swing in past if point in swing.ups], axis=0)
        found[point] = middle / np.linalg.norm(middle)
    return found


def realigned(past: Sequence[Past], old: Calibration, new: Calibration) -> tuple[Past, ...]:
    """Swings with their wrists by the new alignments, as those of later swings are."""
    changes = alignment_changes(old, new)
    return tuple(replace(swing, wrist=swing.wrist and _refitted(swing.wrist, changes, new)) for swing in past)


def _refitted(wrist: WristSwing, changes: Mapping[str, FloatArray], new: Calibration) -> WristSwing | None:
    if not {LEAD_FOREARM, LEAD_HAND} <= changes.keys():
        return None
    forearm, hand = (
        segment.refitted(changes[point], new.alignments[point].covariance)
        for point, segment in ((LEAD_FOREARM, wrist.forearm), (LEAD_HAND, wrist.hand))
    )
    return replace(wrist, forearm=forearm, hand=hand)


def carry_headings(window: Recording, known: Known, settings: LiveSettings) -> Mapping[str, Heading]:
    """The headings of forearm and hand at the end of a window in which no swing need be looked for."""
    wrist = {point: stream for point, stream in window.sensors.items() if point in (LEAD_FOREARM, LEAD_HAND)}
    if not wrist:
        return known.headings
    try:
        prepared = prepare(replace(window, sensors=wrist), settings=settings.analysis.sensors, clocks=known.clocks)
    except RecordingError:
        return known.headings
    return _on_headings(orient(prepared), known.headings)[2]
