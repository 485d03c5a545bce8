"""The main job, from a recording to a lesson: prepare, orient, align, find swings, measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from imuswing.body.alignment import Alignment
from imuswing.body.calibrate import Calibration, calibrate
from imuswing.body.definitions import Y_AXIS, long_axis, long_axis_speed, trunk_turn
from imuswing.body.priors import CarePriors
from imuswing.body.segments import ALIGNMENT, SegmentMotion, SegmentSettings, follow_segment
from imuswing.body.slip import Slip, SlipSettings, find_slip, rest_samples, set_right, slip_flag
from imuswing.body.tie import TablePose, Tie, TieSettings, WristSwing, tie_headings
from imuswing.errors import RecordingError
from imuswing.measures.swing import MeasureSettings, SwingMotion, measure_swing, swing_curves
from imuswing.measures.tables import curves_table, swings_table
from imuswing.measures.top_position import with_top_position
from imuswing.orientation.filters import estimate_quaternions
from imuswing.orientation.quaternion import FloatArray, inverse, multiply, rotate, slerp
from imuswing.recording.model import Event, Recording
from imuswing.sensors.motion import Motion, Prepared
from imuswing.sensors.prepare import SensorSettings, prepare
from imuswing.swings.events import ArmCurves, EventSettings, Moments, place
from imuswing.swings.evidence import signature
from imuswing.swings.find import COARSE_RATE, Candidate, FindSettings, find_candidates
from imuswing.swings.judge import Judged, JudgeSettings, Sight, judge
from imuswing.swings.kind import match_notes
from imuswing.swings.lead import leading_axis, leading_point, makeshift_alignment
from imuswing.swings.surprise import ShockWindow
from imuswing.vocabulary import (
    BLOCK,
    CALIBRATION_STEPS,
    CHEST,
    KIND_PRACTICE,
    KIND_SHOT,
    LEAD_FOREARM,
    LEAD_HAND,
    SHOT,
    LeadSide,
)

if TYPE_CHECKING:
    import pandas as pd


BEFORE_ADDRESS_S = 3.0
"""A golfer may stand to the ball this long before the swing: such rests are addresses, not standing about."""
WELL_KNOWN = float(np.deg2rad(15.0))
"""Alignment SD under which a chest's posture may speak for or against a swing."""
SHOCK_POINTS = (LEAD_HAND, LEAD_FOREARM, CHEST)
"""Sensors in which an impact is looked for."""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of an analysis, step by step."""

    sensors: SensorSettings = field(default_factory=SensorSettings)
    care: CarePriors = field(default_factory=CarePriors)
    find: FindSettings = field(default_factory=FindSettings)
    events: EventSettings = field(default_factory=EventSettings)
    judge: JudgeSettings = field(default_factory=JudgeSettings)
    segments: SegmentSettings = field(default_factory=SegmentSettings)
    slip: SlipSettings = field(default_factory=SlipSettings)
    tie: TieSettings = field(default_factory=TieSettings)
    measures: MeasureSettings = field(default_factory=MeasureSettings)


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """What an analysis gives: one row a swing, the curves, and the quality record."""

    swings: pd.DataFrame
    curves: pd.DataFrame
    quality: dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class _Oriented:
    """A prepared recording with each sensor's orientation (N, 4), earth from sensor."""

    prepared: Prepared
    coarse: Mapping[str, FloatArray]

    @property
    def motions(self) -> Mapping[str, Motion]:
        return self.prepared.motions


@dataclass(frozen=True, kw_only=True)
class _Cut:
    """A candidate followed at full rate: its segments, and what is seen of it."""

    segments: Mapping[str, SegmentMotion]
    sight: Sight


def analyze(recording: Recording, *, settings: Settings | None = None) -> Lesson:
    """Every swing of a recording with its measures and standard errors.

    Raises `RecordingError` where the recording cannot be used. Swings that cannot be measured in part have null
    measures with flags; a recording without swings gives empty tables and says so in its quality record.
    """
    from imuswing.quality import quality_record

    settings = settings or Settings()
    oriented = _orient(prepare(recording, settings=settings.sensors))
    lead = leading_point(oriented.motions)
    if lead is None:
        raise RecordingError(
            recording.source, "it has no sensor on chest, lead forearm or lead hand", "wear at least the chest sensor"
        )
    calibration = _calibration(recording, oriented, settings, addresses=None)
    candidates = _candidates(oriented, lead, calibration, settings)
    addresses = _address_gravity(oriented, candidates)
    calibration = _calibration(recording, oriented, settings, addresses=addresses)
    alignments = dict(calibration.alignments)
    if lead not in alignments:
        alignments[lead] = makeshift_alignment(lead, leading_axis(lead, oriented.motions[lead], None))
    followed = (_follow(recording, oriented, c, lead, alignments, settings) for c in candidates)
    cuts = [cut for cut in followed if cut is not None]
    notes = recording.of_type(SHOT)
    judged = judge([cut.sight for cut in cuts], notes, events=settings.events, settings=settings.judge)
    swings = [k for k, verdict in enumerate(judged) if verdict.swing_odds > settings.judge.evidence.accept]
    cuts, judged = [cuts[k] for k in swings], [judged[k] for k in swings]
    slips = _slips(oriented, [cut.sight.candidate for cut in cuts], settings)
    cuts = [_after_slips(cut, alignments, slips) for cut in cuts]
    placed = [
        place(
            cut.sight.arm,
            cut.sight.candidate,
            verdict.back,
            verdict.impact if verdict.struck else None,
            settings=settings.events,
        )
        for cut, verdict in zip(cuts, judged, strict=True)
    ]
    ties = _ties(oriented, calibration, cuts, placed, settings)
    rows, curves = [], []
    for cut, moments, tie, verdict in zip(cuts, placed, ties, judged, strict=True):
        row, curve = _measure(recording, cut, moments, tie, verdict, lead, settings)
        row["flags"] += [slip_flag(point, slip) for point, slip in slips.items() if slip.time < moments.impact]
        rows.append(row)
        curves.append(curve)
    _number(recording, rows, curves, settings)
    return Lesson(
        swings=with_top_position(swings_table(rows), full_top_height_deg=settings.measures.full_top_height_deg),
        curves=curves_table(curves),
        quality=quality_record(recording, oriented.prepared, calibration, slips, rows, asdict(settings)),
    )


def _orient(prepared: Prepared) -> _Oriented:
    coarse = {
        point: estimate_quaternions(motion.increments * motion.rate, motion.acc, rate=motion.rate)
        for point, motion in prepared.motions.items()
    }
    return _Oriented(prepared=prepared, coarse=coarse)


def _calibration(
    recording: Recording, oriented: _Oriented, settings: Settings, *, addresses: Mapping[str, FloatArray] | None
) -> Calibration:
    """From this recording's own steps, else from the newest earlier recording of the same visit that has some."""
    if recording.of_type(*CALIBRATION_STEPS) or recording.source is None:
        return calibrate(
            oriented.motions, recording.events, lead_side=recording.lead_side, addresses=addresses, priors=settings.care
        )
    from imuswing.recording.read import calibration_recording, read

    path = calibration_recording(recording.source)
    if path is None:
        return calibrate(oriented.motions, (), lead_side=recording.lead_side, addresses=addresses, priors=settings.care)
    earlier = read(path)
    motions = prepare(earlier, settings=settings.sensors).motions
    found = calibrate(motions, earlier.events, lead_side=earlier.lead_side, addresses=addresses, priors=settings.care)
    worn = {point: fitted for point, fitted in found.alignments.items() if point in oriented.motions}
    return replace(found, alignments=worn, table_interval=None, source=path.name)


def _candidates(oriented: _Oriented, lead: str, calibration: Calibration, settings: Settings) -> list[Candidate]:
    motion = oriented.motions[lead]
    axis = leading_axis(lead, motion, calibration.alignments.get(lead))
    index = np.arange(0.0, len(motion.time) - 1.0, motion.rate / COARSE_RATE).astype(int)
    directions = rotate(oriented.coarse[lead][index], axis)
    directions[motion.unusable[index]] = np.nan
    time = motion.time[0] + np.arange(len(index)) / COARSE_RATE
    return find_candidates(time, directions, settings=settings.find)


def _address_gravity(oriented: _Oriented, candidates: Sequence[Candidate]) -> dict[str, FloatArray]:
    """By tracked point, mean direction of gravity in the sensor over the addresses, (3,)."""
    found = {}
    for point, motion in oriented.motions.items():
        at = np.searchsorted(motion.time, [c.start - 0.1 for c in candidates])
        at = at[(at > 0) & (at < len(motion.time))]
        if len(at):
            up = rotate(oriented.coarse[point][at] * np.array([1.0, -1.0, -1.0, -1.0]), np.array([0.0, 0.0, 1.0]))
            mean = np.median(up, axis=0)
            found[point] = mean / np.linalg.norm(mean)
    return found


def _slips(oriented: _Oriented, swings: Sequence[Candidate], settings: Settings) -> dict[str, Slip]:
    """By tracked point, the shift of its mount in mid-session, where one is clear."""
    starts = np.array([swing.start for swing in swings])
    found = {}
    for point, motion in oriented.motions.items():
        up = np.array([0.0, 0.0, 1.0])
        address = np.clip(np.searchsorted(motion.time, starts - 0.1), 0, len(motion.time) - 1)
        rests = rest_samples(motion, [(swing.start - BEFORE_ADDRESS_S, swing.end) for swing in swings])
        slip = find_slip(
            point,
            motion.time[address],
            rotate(inverse(oriented.coarse[point][address]), up),
            motion.time[rests],
            rotate(inverse(oriented.coarse[point][rests]), up),
            settings=settings.slip,
        )
        if slip is not None:
            found[point] = slip
    return found


def _after_slips(cut: _Cut, alignments: Mapping[str, Alignment], slips: Mapping[str, Slip]) -> _Cut:
    """A swing with the segments of sensors that had slipped before it set right."""
    if not any(slip.time < cut.sight.candidate.start for slip in slips.values()):
        return cut
    segments = {
        point: set_right(segment, alignments[point], slips[point])
        if point in slips and slips[point].time < cut.sight.candidate.start
        else segment
        for point, segment in cut.segments.items()
    }
    return replace(cut, segments=segments)


def _follow(
    recording: Recording,
    oriented: _Oriented,
    candidate: Candidate,
    lead: str,
    alignments: Mapping[str, Alignment],
    settings: Settings,
) -> _Cut | None:
    segments = {}
    for point, alignment in alignments.items():
        segment = follow_segment(
            oriented.motions[point],
            oriented.coarse[point],
            alignment,
            start=candidate.start,
            end=candidate.end,
            address=candidate.start - 0.1,
            settings=settings.segments,
        )
        if segment is not None:
            segments[point] = segment
    if lead not in segments:
        return None
    bend, turn = _posture(segments.get(CHEST), candidate, recording.lead_side)
    sight = Sight(
        candidate=candidate,
        arm=_arm_curves(segments, lead),
        windows=_shock_windows(recording, oriented.prepared, candidate),
        signatures=_signatures(oriented, candidate, settings),
        bend=bend,
        turn=turn,
    )
    return _Cut(segments=segments, sight=sight)


def _signatures(oriented: _Oriented, candidate: Candidate, settings: Settings) -> dict[str, FloatArray]:
    found = {}
    for point, motion in oriented.motions.items():
        at = np.searchsorted(motion.time, [candidate.start - 0.1, candidate.top, candidate.back])
        if at[0] > 0 and at[-1] < len(motion.time) and not motion.unusable[at].any():
            found[point] = signature(oriented.coarse[point][at], settings=settings.judge.evidence)
    return found


def _posture(chest: SegmentMotion | None, candidate: Candidate, lead_side: LeadSide) -> tuple[float, float]:
    """Forward bend of the chest at the start and its turn away from the target until the top, rad; NaN if unknown."""
    if chest is None or np.sqrt(np.max(np.diag(chest.error_covariance[ALIGNMENT, ALIGNMENT]))) >= WELL_KNOWN:
        return np.nan, np.nan
    q = slerp(chest.q, chest.time, np.array([candidate.start, candidate.top]))
    bend = float(np.arccos(np.clip(rotate(q[0], Y_AXIS)[2], -1.0, 1.0)))
    return bend, -float(trunk_turn(q[1], q[0], lead_side))


def _arm_curves(segments: Mapping[str, SegmentMotion], lead: str) -> ArmCurves:
    segment = segments[lead]
    axis = segment_axis(segment, lead)
    chest = segments.get(CHEST)
    if chest is None or lead == CHEST:
        chest_rate = np.zeros(len(segment.time))
    else:
        chest_rate = np.interp(segment.time, chest.time, np.linalg.norm(chest.omega, axis=1))
    speed = np.hypot(segment.omega[:, 0], segment.omega[:, 1]) if lead == CHEST else long_axis_speed(segment.omega)
    return ArmCurves(
        time=segment.time,
        long_axis=axis,
        speed=speed,
        rate=np.linalg.norm(segment.omega, axis=1),
        chest_rate=chest_rate,
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
        stream, motion, report = recording.sensors[point], prepared.motions[point], prepared.reports[point]
        scale = 1.0 + 1e-6 * report.clock_drift_ppm
        ends = (np.array([candidate.top - 0.1, candidate.back + 0.45]) - report.clock_offset_s) / scale
        first, last = np.searchsorted(stream.time, ends)
        part = slice(int(first), int(last))
        time = report.clock_offset_s + scale * stream.time[part]
        on_grid = np.clip(np.rint((time - motion.time[0]) * motion.rate).astype(int), 0, len(motion.time) - 1)
        windows.append(
            ShockWindow(
                tracked_point=point,
                time=time,
                acc=stream.acc[part],
                gyr=stream.gyr[part],
                acc_full=motion.acc_clipped[on_grid],
                gyr_full=motion.clipped[on_grid],
                clock_se=report.clock_se_s,
            )
        )
    return windows


def _measure(
    recording: Recording,
    cut: _Cut,
    moments: Moments,
    tie: Tie | None,
    judged: Judged,
    lead: str,
    settings: Settings,
) -> tuple[dict[str, Any], dict[str, Any]]:
    segments = dict(cut.segments)
    if tie is not None:
        segments[LEAD_FOREARM] = segments[LEAD_FOREARM].realigned(tie.forearm_error)
        segments[LEAD_HAND] = segments[LEAD_HAND].turned_about_vertical(tie.angle).realigned(tie.hand_error)
    flags = [] if lead == LEAD_FOREARM else [f"events_from_{lead.removeprefix('lead_')}"]
    if LEAD_HAND in segments and LEAD_FOREARM in segments and tie is None:
        flags.append("wrist_heading_lost")
    swing = SwingMotion(segments=segments, moments=moments, tie=tie)
    measured, found_flags = measure_swing(swing, lead_side=recording.lead_side, settings=settings.measures)
    row: dict[str, Any] = {
        "flags": flags + found_flags,
        "kind": KIND_SHOT if judged.struck else KIND_PRACTICE,
        **_moment_columns(moments),
        **measured,
    }
    curve: dict[str, Any] = dict(swing_curves(swing, lead_side=recording.lead_side, settings=settings.measures))
    return row, curve


def _ties(
    oriented: _Oriented,
    calibration: Calibration,
    cuts: Sequence[_Cut],
    placed: Sequence[Moments],
    settings: Settings,
) -> list[Tie | None]:
    """For each swing the tie of the hand's heading to the forearm's; None where there is no wrist or no tie."""
    with_wrist = [k for k, cut in enumerate(cuts) if LEAD_FOREARM in cut.segments and LEAD_HAND in cut.segments]
    ties: list[Tie | None] = [None] * len(cuts)
    swings = [
        WristSwing(
            forearm=cuts[k].segments[LEAD_FOREARM],
            hand=cuts[k].segments[LEAD_HAND],
            address=placed[k].address,
            top=placed[k].top,
            impact=placed[k].impact,
        )
        for k in with_wrist
    ]
    for k, tie in zip(
        with_wrist, tie_headings(swings, _table_pose(oriented, calibration), settings=settings.tie), strict=True
    ):
        ties[k] = tie
    return ties


def _table_pose(oriented: _Oriented, calibration: Calibration) -> TablePose | None:
    """Where this recording's own `table` step left forearm and hand; None without it."""
    if calibration.table_interval is None:
        return None
    middle = 0.5 * sum(calibration.table_interval)
    q = {}
    for point in (LEAD_FOREARM, LEAD_HAND):
        fitted = calibration.alignments.get(point)
        if fitted is None:
            return None
        motion = oriented.motions[point]
        index = int(np.clip(np.searchsorted(motion.time, middle), 0, len(motion.time) - 1))
        q[point] = multiply(oriented.coarse[point][index], fitted.q_sensor_from_segment)
    return TablePose(q_forearm=q[LEAD_FOREARM], q_hand=q[LEAD_HAND], time=middle)


def _moment_columns(moments: Moments) -> dict[str, float]:
    columns = {}
    for name in ("takeaway", "top", "impact", "finish"):
        columns[f"{name}_s"] = float(getattr(moments, name))
        columns[f"{name}_s_se"] = float(getattr(moments, f"{name}_se"))
    return columns


def _number(recording: Recording, rows: list[dict[str, Any]], curves: list[dict[str, Any]], settings: Settings) -> None:
    """Keys, blocks, intentions and outcomes; rows and curves of one swing get the same number."""
    shots = recording.of_type(SHOT)
    struck = [k for k, row in enumerate(rows) if row["kind"] == KIND_SHOT]
    impacts = np.array([rows[k]["impact_s"] for k in struck])
    matched = match_notes(impacts, [event.onset for event in shots], settings=settings.judge.kind)
    outcomes = {k: shots[m].outcome for k, m in zip(struck, matched, strict=True) if m >= 0}
    for number, (row, curve) in enumerate(zip(rows, curves, strict=True), start=1):
        keys = {name: getattr(recording, name) for name in ("participant", "session", "task", "acq", "run")}
        block = _block_at(recording.of_type(BLOCK), row["impact_s"])
        row.update(keys, swing=number, block=block and block.block, intent=block and block.intent)
        row["outcome"] = outcomes.get(number - 1)
        curve.update(keys, swing=number)


def _block_at(blocks: Sequence[Event], time: float) -> Event | None:
    """The block that holds a time; of overlapping ones the later started. A block without duration runs to the next."""
    holding = None
    for index, block in enumerate(blocks):
        end = block.end if block.duration > 0 else (blocks[index + 1].onset if index + 1 < len(blocks) else np.inf)
        if block.onset <= time < end:
            holding = block
    return holding
