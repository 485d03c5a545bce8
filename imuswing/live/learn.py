"""What is known of sensors and golfer so far: clocks, biases, routine, alignments; learnt by the offline steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from imuswing.body.calibrate import Calibration
from imuswing.body.find_routine import FINDABLE
from imuswing.body.tie import TablePose
from imuswing.cutting import Oriented, orient
from imuswing.errors import RecordingError
from imuswing.live.buffer import Tail
from imuswing.live.model import Session, recording_named
from imuswing.live.settings import LiveSettings
from imuswing.orientation.quaternion import inverse, multiply
from imuswing.parts import around
from imuswing.recording.model import Event, FloatArray, Recording
from imuswing.rounds import rounds_of
from imuswing.routine import Routine, calibration_of, routine_of
from imuswing.sensors.clocks import ClockLine
from imuswing.sensors.motion import Motion, SensorReport, turn_lost
from imuswing.sensors.prepare import prepare
from imuswing.vocabulary import CALIBRATION_STEPS, LEAD_FOREARM, LEAD_HAND
from imuswing.wrist import table_pose


@dataclass(frozen=True, kw_only=True)
class Heading:
    """Where a sensor's coarse orientation (4,) stood at a time, s: later windows are turned to agree with it.

    since: when this heading began, s: where a window cannot be turned, one begins that has nothing to do with the last.
    turn_lost: rad², what bridged stretches took from knowing it, from its beginning to `time`.
    """

    time: float
    q: FloatArray
    since: float
    turn_lost: float


Frame = tuple[float | None, float | None]
"""Since when forearm and hand have been on their headings, s; what was measured on others cannot be compared."""


def frame_of(headings: Mapping[str, Heading]) -> Frame:
    """The headings' frame; None for a sensor without one."""
    forearm, hand = headings.get(LEAD_FOREARM), headings.get(LEAD_HAND)
    return None if forearm is None else forearm.since, None if hand is None else hand.since


@dataclass(frozen=True, kw_only=True)
class Known:
    """clocks: by system.  told_on: by system, from when to when its clock was told by motion, common time; absent where
    it was not.  bias: by tracked point, rad/s (3,).  routine, calibration: as offline, None before they are
    read.  table: the `table` pose, on the headings of `table_frame`.  at: common time when it was learnt.
    """

    clocks: Mapping[str, ClockLine] = field(default_factory=lambda: MappingProxyType({}))
    told_on: Mapping[str, tuple[float, float]] = field(default_factory=lambda: MappingProxyType({}))
    bias: Mapping[str, FloatArray] = field(default_factory=lambda: MappingProxyType({}))
    routine: Routine | None = None
    calibration: Calibration = field(default_factory=lambda: Calibration(alignments={}, source="nothing so far"))
    table: TablePose | None = None
    table_frame: Frame = (None, None)
    headings: Mapping[str, Heading] = field(default_factory=lambda: MappingProxyType({}))
    at: float = -np.inf


def recording_of(
    session: Session,
    tails: Mapping[str, Tail],
    known: Known,
    *,
    since: float,
    until: float = np.inf,
    events: Sequence[Event] = (),
) -> Recording | None:
    """The newest rows from common time `since` on as a recording, known biases taken off; None without any."""
    sensors = {}
    for name, tail in tails.items():
        clock = known.clocks.get(name)
        if clock is None:
            continue
        own = [(limit - clock.offset) / (1.0 + clock.drift) for limit in (since, until)]
        rows = tail.since(*own)
        if len(rows) < LEAST_ROWS:
            continue
        for point, stream in tail.head.streams(rows).items():
            bias = known.bias.get(point)
            sensors[point] = stream if bias is None else replace(stream, gyr=stream.gyr - bias)
    if not sensors:
        return None
    return recording_named(session, sensors, events, {name: clock.offset for name, clock in known.clocks.items()})


LEAST_ROWS = 8
"""Of a sensor's window; one with fewer has dropped out."""


def learn(
    session: Session,
    tails: Mapping[str, Tail],
    known: Known,
    *,
    events: Sequence[Event],
    now: float,
    earlier: Routine | None,
    settings: LiveSettings,
    opening: bool,
    only_if_more: bool = False,
) -> Known:
    """Known anew from all rows that are kept, by the offline steps.

    opening: also read the routine, marked or found in the data; else clocks and biases only.  only_if_more: the routine
    that was read stays where no further step is found and no further sensor aligned (a longer recording shows better
    what counts as still).  earlier: the routine of an earlier recording of the visit, used where this one has none
    marked.  What cannot be learnt stays as it was.
    """
    unbiased = replace(known, bias=MappingProxyType({}))
    whole = recording_of(session, tails, unbiased, since=-np.inf, events=events)
    if whole is None:
        return known
    try:
        prepared = prepare(whole, settings=settings.analysis.sensors)
    except RecordingError:
        return known
    found = replace(
        _with_better_clocks(known, whole, prepared.reports, now),
        bias={
            point: motion.bias
            for point, motion in prepared.motions.items()
            if prepared.reports[point].gyro_bias_dps is not None
        }
        | {point: bias for point, bias in known.bias.items() if point not in prepared.motions},
        at=now,
    )
    if not opening:
        return found
    oriented = orient(prepared)
    routine = routine_of(whole, oriented, settings.analysis)
    if routine.here and known.routine is not None and known.routine.here:
        routine = replace(routine, motions=_with_earlier(routine, known.routine, settings))
    # Swings from now on are measured by the last time that the routine was done.
    routine = rounds_of(routine, settings.analysis)[-1].routine
    if earlier is not None and (not routine.steps or routine.found):
        routine = earlier
    calibration = calibration_of(routine, oriented, settings.analysis, addresses=None)
    before = known.routine
    if only_if_more and before is not None:
        begins = now - max(stream.duration_s for stream in whole.sensors.values())
        left = any(event.onset < begins for event in steps_marked(events))
        more = len(routine.steps) > len(before.steps) or len(calibration.alignments) > len(known.calibration.alignments)
        # What has left the rows that are kept can be read no more.
        if left or len(routine.steps) < len(before.steps) or not more:
            return found
    headings = _headings(oriented, now)
    return replace(
        found,
        routine=routine,
        calibration=calibration,
        table=table_pose(oriented, calibration) if _holds_table(oriented, calibration) else None,
        table_frame=frame_of(headings),
        headings=headings,
    )


def _with_earlier(routine: Routine, before: Routine, settings: LiveSettings) -> dict[str, Motion]:
    """The motions of a routine with what has left the rows that are kept of steps that were read before."""
    found = dict(routine.motions)
    for point, motion in around(before.motions, before.steps, settings.analysis.parts).items():
        left = motion.time < found[point].time[0] if point in found else np.zeros(0, dtype=bool)
        if left.any():
            found[point] = _joined(motion, int(left.sum()), found[point])
    return found


def _joined(earlier: Motion, count: int, later: Motion) -> Motion:
    """The first samples of one motion before another one of the same sensor."""
    names = ["time", "gyr", "acc", "increments", "lost", "clipped", "acc_clipped", "unusable", "still", "gyr_se"]
    both: dict[str, Any] = {
        name: np.concatenate((getattr(earlier, name)[:count], getattr(later, name))) for name in names
    }
    return replace(later, **{**both, "mag": None})


def _holds_table(oriented: Oriented, calibration: Calibration) -> bool:
    """Whether the `table` pose stands in the rows that are kept, where it tells the headings."""
    interval = calibration.table_interval
    hand = oriented.motions.get(LEAD_HAND)
    return interval is not None and hand is not None and bool(hand.time[0] <= interval[0])


def steps_marked(events: Sequence[Event]) -> list[Event]:
    """The calibration steps that somebody marked."""
    return [event for event in events if event.trial_type in CALIBRATION_STEPS]


def all_found(routine: Routine | None) -> bool:
    """Whether there is no step left to look for in the data."""
    return routine is not None and {event.trial_type for event in routine.steps} >= FINDABLE


def recalibrated(known: Known, addresses: Mapping[str, FloatArray], settings: LiveSettings) -> Known:
    """The alignments with the golfer's addresses so far; (3,) mean direction of gravity by tracked point."""
    if known.routine is None:
        return known
    fitted = calibration_of(known.routine, None, settings.analysis, addresses=addresses)
    changes = alignment_changes(known.calibration, fitted)
    table = known.table
    if table is not None:
        # Both were aligned when the pose was read, and what the routine showed is not lost by further addresses.
        table = replace(
            table,
            q_forearm=multiply(table.q_forearm, changes[LEAD_FOREARM]),
            q_hand=multiply(table.q_hand, changes[LEAD_HAND]),
        )
    return replace(known, calibration=fitted, table=table)


def alignment_changes(old: Calibration, new: Calibration) -> dict[str, FloatArray]:
    """By tracked point that both align, rotation (4,) from the segment's axes by the new one to those by the old."""
    return {
        point: multiply(inverse(before.q_sensor_from_segment), new.alignments[point].q_sensor_from_segment)
        for point, before in old.alignments.items()
        if point in new.alignments
    }


def _with_better_clocks(known: Known, whole: Recording, reports: Mapping[str, SensorReport], now: float) -> Known:
    """Each clock by the line that tells the time now best, of the one that was known and the new one."""
    clocks, told_on = dict(known.clocks), dict(known.told_on)
    for point, report in reports.items():
        stream, line = whole.sensors[point], report.clock
        system, stretch = stream.tracking_system, (now - stream.duration_s, now)
        before = clocks.get(system)
        if before is None or error_at(before, told_on.get(system), now) >= error_at(line, stretch, now):
            clocks[system], told_on[system] = line, stretch
    return replace(known, clocks=clocks, told_on=told_on)


def without_clock(known: Known, system: str, settings: LiveSettings) -> Known:
    """After a system's clock has jumped: it goes on by when samples arrive."""
    clocks, told_on = dict(known.clocks), dict(known.told_on)
    told_on.pop(system, None)
    if system in clocks:
        clocks[system] = replace(clocks[system], se=settings.arrival_se_s)
    return replace(known, clocks=clocks, told_on=told_on)


def error_at(line: ClockLine, told_on: tuple[float, float] | None, time: float) -> float:
    """Standard error of a line at a time, s: a straight line's grows from the middle of the stretch it was told on."""
    if told_on is None:
        return line.se
    begin, end = told_on
    beyond = (time - 0.5 * (begin + end)) ** 2 - (end - begin) ** 2 / 12.0
    return float(np.sqrt(max(line.se**2 + line.drift_se**2 * beyond, 0.0)))


def _headings(oriented: Oriented, now: float) -> dict[str, Heading]:
    """Coarse orientations a little before now, where the offline filter has settled."""
    found = {}
    for point, motion in oriented.motions.items():
        index = int(np.clip(np.searchsorted(motion.time, now - HEADING_BACK_S), 0, len(motion.time) - 1))
        time = float(motion.time[index])
        lost = float(turn_lost(motion, np.array([time]))[0])
        found[point] = Heading(time=time, q=oriented.coarse[point][index], since=time, turn_lost=lost)
    return found


HEADING_BACK_S = 2.0
"""Headings are handed from window to window at this long before their end."""
