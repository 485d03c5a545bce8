"""The main job, from a recording to a lesson: prepare, orient, align, find swings, measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from imuswing.body.calibrate import FOUND_IN_DATA, Calibration, calibrate
from imuswing.body.find_routine import FINDABLE, find_routine
from imuswing.body.slip import slip_flag
from imuswing.body.tie import TablePose, Tie, WristSwing, tie_headings
from imuswing.cutting import (
    Cut,
    Oriented,
    address_gravity,
    after_slips,
    find_slips,
    follow_swings,
    learn_and_orient,
    rough_swings,
)
from imuswing.errors import RecordingError
from imuswing.measures.dictionary import KEY_COLUMNS
from imuswing.measures.orientations import STEP_S, orientations_table, swing_orientations
from imuswing.measures.pose import Estimate, SwingMotion, estimate_all
from imuswing.measures.swing import measure_swing, swing_curves, trunk_rates
from imuswing.measures.tables import curves_table, swings_table
from imuswing.measures.top_position import with_top_position
from imuswing.orientation.learn import learn_corrections, with_corrections
from imuswing.orientation.quaternion import FloatArray, multiply
from imuswing.recording.model import Event, Recording
from imuswing.sensors.motion import Motion
from imuswing.sensors.prepare import prepare
from imuswing.settings import Settings
from imuswing.swings.corrections import apply_corrections, lost_warnings, without_denied
from imuswing.swings.events import Moments, place
from imuswing.swings.judge import Judged, judge
from imuswing.swings.kind import match_notes
from imuswing.swings.lead import leading_axis, leading_point, makeshift_alignment
from imuswing.vocabulary import (
    BLOCK,
    CALIBRATION_STEPS,
    CLUB,
    CORRECTION,
    KIND_PRACTICE,
    KIND_SHOT,
    LEAD_FOREARM,
    LEAD_HAND,
    SHOT,
    LeadSide,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Lesson", "Settings", "analyze"]

LEAST_RECORDING_S = 4.0
"""Nothing shorter holds a swing with its address and finish (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """What an analysis gives: one row a swing, the curves, the quality record, and orientations where asked for."""

    swings: pd.DataFrame
    curves: pd.DataFrame
    quality: dict[str, Any]
    orientations: pd.DataFrame | None = None


def analyze(
    recording: Recording,
    *,
    settings: Settings | None = None,
    orientations: bool = False,
    orientation_step_s: float = STEP_S,
) -> Lesson:
    """Every swing of a recording with its measures and standard errors.

    orientations: also give those of chest, forearm and hand (`measures.orientations`), for figures in space, one each
    `orientation_step_s`.
    Raises `RecordingError` where the recording cannot be used. Swings that cannot be measured in part have null
    measures with flags; a recording without swings gives empty tables and says so in its quality record.
    """
    from imuswing.quality import quality_record

    settings = settings or Settings()
    lasts = max((stream.duration_s for stream in recording.sensors.values()), default=0.0)
    if lasts < LEAST_RECORDING_S:
        raise RecordingError(
            recording.source, f"lasts only {lasts:.1f} s", "record the routine and the shots in one go"
        )
    oriented = learn_and_orient(prepare(recording, settings=settings.sensors), settings)
    lead = leading_point(oriented.motions)
    if lead is None:
        raise RecordingError(
            recording.source, "it has no sensor on chest, lead forearm or lead hand", "wear at least the chest sensor"
        )
    routine = routine_of(recording, oriented, settings)
    calibration = calibration_of(routine, oriented, settings, addresses=None)
    candidates = rough_swings(oriented, lead, calibration, settings)
    addresses = address_gravity(oriented, candidates)
    calibration = calibration_of(routine, oriented, settings, addresses=addresses)
    alignments = dict(calibration.alignments)
    if lead not in alignments:
        alignments[lead] = makeshift_alignment(lead, leading_axis(lead, oriented.motions[lead], None))
    cuts = follow_swings(recording, oriented, candidates, lead, alignments, settings)
    notes = recording.of_type(SHOT)
    judged = judge([cut.sight for cut in cuts], notes, events=settings.events, settings=settings.judge)
    candidates = [cut.sight.candidate for cut in cuts]
    judged, lost = apply_corrections(candidates, judged, recording.of_type(CORRECTION))
    swings = [k for k, verdict in enumerate(judged) if verdict.swing_odds > settings.judge.evidence.accept]
    cuts, judged = [cuts[k] for k in swings], [judged[k] for k in swings]
    slips = find_slips(oriented, [cut.sight.candidate for cut in cuts], settings)
    cuts = [after_slips(cut, alignments, slips) for cut in cuts]
    placed = [
        place(
            cut.sight.arm,
            cut.sight.candidate,
            verdict.back,
            verdict.impact if verdict.struck else None,
            lag=verdict.lag,
            settings=settings.events,
        )
        for cut, verdict in zip(cuts, judged, strict=True)
    ]
    ties = tie_swings(oriented, calibration, cuts, placed, settings)
    tied = [tied_swing(cut, moments, tie) for cut, moments, tie in zip(cuts, placed, ties, strict=True)]
    angles = estimate_all(tied, lead_side=recording.lead_side, soft=settings.measures.soft)
    rows, curves, turned = [], [], []
    for swing, verdict, estimates in zip(tied, judged, angles, strict=True):
        row, curve = measure_cut(recording, swing, verdict, lead, settings, angles=estimates)
        impact = swing.moments.impact
        row["flags"] += [slip_flag(point, slip) for point, slip in slips.items() if slip.time < impact]
        rows.append(row)
        curves.append(curve)
        if orientations:
            lead_side = recording.lead_side
            turned.append(dict(swing_orientations(swing, lead_side=lead_side, step_s=orientation_step_s)))
    _number(recording, rows, curves, settings)
    for turns, row in zip(turned, rows, strict=False):
        turns.update({name: row[name] for name in KEY_COLUMNS})
    quality = quality_record(recording, oriented.prepared, calibration, slips, rows, asdict(settings))
    quality["recordings"][0]["warnings"] += lost_warnings(lost)
    return Lesson(
        swings=with_top_position(swings_table(rows), full_top_height_deg=settings.measures.full_top_height_deg),
        curves=curves_table(curves),
        quality=quality,
        orientations=orientations_table(turned) if orientations else None,
    )


@dataclass(frozen=True, kw_only=True)
class Routine:
    """The calibration steps that serve a recording, and the motion that they stand in.

    source: in words.  here: whether they stand in the recording itself.
    """

    motions: Mapping[str, Motion]
    steps: Sequence[Event]
    lead_side: LeadSide
    source: str = "this recording"
    here: bool = True

    @property
    def found(self) -> bool:
        """Whether none of its steps was marked by anybody."""
        return self.source == FOUND_IN_DATA


def routine_of(recording: Recording, oriented: Oriented, settings: Settings) -> Routine:
    """This recording's marked steps; else the newest earlier one's of the same visit; else what the data show.

    Steps that were done and not marked are taken from the data too; where nothing is marked in the whole visit and this
    recording shows none, from the newest earlier recording that shows some.
    """
    marked = recording.of_type(*CALIBRATION_STEPS)
    if not marked and recording.source is not None:
        from imuswing.recording.read import calibration_recording, read

        path = calibration_recording(recording.source)
        if path is not None:
            return earlier_routine(read(path), settings)
    steps = _with_found(recording, oriented.motions, settings)
    if not steps and recording.source is not None:
        shown = _shown_earlier(recording.source, settings)
        if shown is not None:
            return shown
    source = "this recording" if marked else FOUND_IN_DATA if steps else "nothing: no step is marked or found"
    return Routine(motions=oriented.motions, steps=steps, lead_side=recording.lead_side, source=source)


def _shown_earlier(path: Path, settings: Settings) -> Routine | None:
    """The routine that the newest earlier recording of the visit shows without a mark; None where none does.

    An earlier recording that cannot be used shows none; it is told of where it is analyzed itself.
    """
    from imuswing.recording.find import earlier_recordings
    from imuswing.recording.read import read

    for earlier in earlier_recordings(path):
        try:
            routine = earlier_routine(read(earlier), settings)
        except RecordingError:
            continue
        if routine.steps:
            return routine
    return None


def earlier_routine(earlier: Recording, settings: Settings) -> Routine:
    """The routine of an earlier recording of the same visit."""
    prepared = prepare(earlier, settings=settings.sensors)
    motions = with_corrections(prepared, learn_corrections(prepared, settings=settings.learn)).motions
    steps, source = _with_found(earlier, motions, settings), earlier.source
    name = source.name if source is not None else "an earlier recording"
    return Routine(motions=motions, steps=steps, lead_side=earlier.lead_side, source=name, here=False)


def _with_found(recording: Recording, motions: Mapping[str, Motion], settings: Settings) -> tuple[Event, ...]:
    """The marked steps, and of those without a mark the ones that the data show and nobody denies."""
    marked = recording.of_type(*CALIBRATION_STEPS)
    there = {event.trial_type for event in marked}
    if there >= FINDABLE:
        return marked
    found = without_denied(find_routine(motions, settings=settings.routine), recording.of_type(CORRECTION))
    return (*marked, *(event for event in found if event.trial_type not in there))


def calibration_of(
    routine: Routine, oriented: Oriented | None, settings: Settings, *, addresses: Mapping[str, FloatArray] | None
) -> Calibration:
    """Alignments by the routine and by the addresses, if given; oriented: what is worn here, None where all is."""
    found = calibrate(
        routine.motions, routine.steps, lead_side=routine.lead_side, addresses=addresses, priors=settings.care
    )
    if routine.here:
        return replace(found, source=routine.source)
    worn = {p: fitted for p, fitted in found.alignments.items() if oriented is None or p in oriented.motions}
    return replace(found, alignments=worn, table_interval=None, spans=(), source=routine.source)


def tied_swing(cut: Cut, moments: Moments, tie: Tie | None) -> SwingMotion:
    """The swing's segments, forearm and hand on one heading where there is a tie."""
    segments = dict(cut.segments)
    if tie is not None:
        segments[LEAD_FOREARM] = segments[LEAD_FOREARM].realigned(tie.forearm_error)
        segments[LEAD_HAND] = segments[LEAD_HAND].turned_about_vertical(tie.angle).realigned(tie.hand_error)
    return SwingMotion(segments=segments, moments=moments, tie=tie)


def measure_cut(
    recording: Recording,
    swing: SwingMotion,
    judged: Judged,
    lead: str,
    settings: Settings,
    *,
    angles: Mapping[str, Estimate] | None = None,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Row and curves of one swing, without its keys; flags say what is null and why.

    angles: of this swing, by `estimate_all`, where they are at hand already.
    """
    flags = list(judged.flags)
    if lead != LEAD_FOREARM:
        flags.append(f"events_from_{lead.removeprefix('lead_')}")
    if LEAD_HAND in swing.segments and LEAD_FOREARM in swing.segments and swing.tie is None:
        flags.append("wrist_heading_lost")
    if CLUB in recording.sensors:
        # Hanging, the club shows its axis but not which way it faces in the chest's heading; no joint tells either.
        flags.append("shaft_heading_not_tied")
    lead_side, chosen = recording.lead_side, settings.measures
    rates = trunk_rates(swing, lead_side=lead_side, settings=chosen)
    measured, found_flags = measure_swing(swing, lead_side=lead_side, settings=chosen, angles=angles, rates=rates)
    row: dict[str, Any] = {
        "flags": flags + found_flags,
        "kind": KIND_SHOT if judged.struck else KIND_PRACTICE,
        **_moment_columns(swing.moments),
        **measured,
    }
    curve: dict[str, Any] = dict(swing_curves(swing, lead_side=lead_side, settings=chosen, rates=rates))
    return row, curve


def tie_swings(
    oriented: Oriented,
    calibration: Calibration,
    cuts: Sequence[Cut],
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
        with_wrist, tie_headings(swings, table_pose(oriented, calibration), settings=settings.tie), strict=True
    ):
        ties[k] = tie
    return ties


def table_pose(oriented: Oriented, calibration: Calibration) -> TablePose | None:
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
