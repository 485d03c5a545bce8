"""The main job, from a recording to a lesson: prepare, orient, align, find swings, measure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from imuswing.body.calibrate import Calibration
from imuswing.body.slip import Postures, Slip, joined_postures, slip_flag
from imuswing.cutting import (
    Cut,
    Oriented,
    address_ups,
    joined_rows,
    mean_directions,
    turns_to_target,
    with_others,
    without,
)
from imuswing.errors import RecordingError
from imuswing.judged import judged_swings
from imuswing.measures.dictionary import KEY_COLUMNS
from imuswing.measures.orientations import STEP_S, orientations_table, swing_orientations
from imuswing.measures.pose import SwingMotion
from imuswing.measures.swing import measure_swings
from imuswing.measures.tables import curves_table, swings_table
from imuswing.measures.top_position import with_top_position
from imuswing.orientation.quaternion import FloatArray
from imuswing.parts import around, joined
from imuswing.recording.model import Event, Recording
from imuswing.rough import rough_swings
from imuswing.rounds import Round, rounds_of
from imuswing.routine import Reader, calibration_of, first_routine
from imuswing.sensors.motion import Prepared
from imuswing.settings import Settings
from imuswing.shifts import after_slips, find_slips, postures
from imuswing.swings.backwards import JUDGED, turned_backwards
from imuswing.swings.corrections import lost_warnings
from imuswing.swings.event_doubts import doubled_warnings, event_warnings, marked_once, refuse_other_times
from imuswing.swings.events import Moments, place
from imuswing.swings.judge import Judged
from imuswing.swings.kind import match_notes
from imuswing.swings.lead import leading_points
from imuswing.vocabulary import (
    BLOCK,
    CLUB,
    KIND_PRACTICE,
    KIND_SHOT,
    LEAD_FOREARM,
    LEAD_HAND,
    SHOT,
)
from imuswing.wrist import tie_swings, tied_swing

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Lesson", "Settings", "analyze"]

WRIST_CONTRADICTS = "wrist_contradicts_calibration"
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
    settings = settings or Settings()
    lasts = max((stream.duration_s for stream in recording.sensors.values()), default=0.0)
    if lasts < LEAST_RECORDING_S:
        raise RecordingError(
            recording.source, f"lasts only {lasts:.1f} s", "record the routine and the shots in one go"
        )
    refuse_other_times(recording)
    events, doubled = marked_once(recording.events)
    recording = recording.with_events(events)
    found = list(_walk(recording, settings, orientation_step_s if orientations else None))
    rows = [row for part in found for row in part.rows]
    curves = [curve for part in found for curve in part.curves]
    turned = [turns for part in found for turns in part.turned]
    _number(recording, rows, curves, settings)
    for turns, row in zip(turned, rows, strict=False):
        turns.update({name: row[name] for name in KEY_COLUMNS})
    quality = _quality(recording, found, rows, settings)
    quality["recordings"][0]["warnings"] += doubled_warnings(doubled)
    return Lesson(
        swings=with_top_position(swings_table(rows), full_top_height_deg=settings.measures.full_top_height_deg),
        curves=curves_table(curves),
        quality=quality,
        orientations=orientations_table(turned) if orientations else None,
    )


@dataclass(frozen=True, kw_only=True)
class _Found:
    """What one part of a recording gives; nothing of it grows with the samples.

    begin: of the part, s.  since: from when on its calibration counts, s.  home: whether it holds the routine.
    slips: of this part and those before, by the same calibration.  backwards: points that turn backwards, by the same.
    contradicted: whether the swings contradict what the calibration says of the wrist's sensors.
    lost: corrections that fit nothing.
    """

    begin: float
    since: float
    home: bool
    prepared: Prepared
    calibration: Calibration
    slips: Mapping[str, Slip]
    backwards: tuple[str, ...]
    contradicted: bool
    lost: Sequence[Event]
    rows: list[dict[str, Any]]
    curves: list[dict[str, Any]]
    turned: list[dict[str, Any]]


@dataclass(kw_only=True)
class _SoFar:
    """What parts hand on: gravity at all addresses up to now, how the sensors stood then and in between, and how far
    they turned in the downswings."""

    ups: Mapping[str, FloatArray] = field(default_factory=dict)
    postures: Mapping[str, Postures] = field(default_factory=dict)
    turns: Mapping[str, FloatArray] = field(default_factory=dict)


def _walk(recording: Recording, settings: Settings, step_s: float | None) -> Iterator[_Found]:
    """Part after part of a recording; one of ordinary length is one part."""
    reader = Reader(recording, settings)
    shown, leads = first_routine(reader), False
    if shown is not None and len(reader.parts) > 1:
        # Of the part that shows the routine no more is kept than that.
        shown = shown[0], replace(shown[1], motions=around(shown[1].motions, shown[1].steps, settings.parts))
    rounds = [(each, _SoFar()) for each in rounds_of(shown[1], settings)] if shown is not None else []
    for k in range(len(reader.parts)):
        oriented = reader.oriented(k)
        if oriented is None or shown is None or not leading_points(oriented.motions):
            continue
        leads = True
        found = []
        for each, so_far in rounds:
            if each.span.meets(reader.parts[k]):
                routine = replace(each.routine, here=each.routine.here and k == shown[0])
                found.append(_in_part(reader, k, oriented, replace(each, routine=routine), so_far, step_s))
        oriented = None
        reader.let_go()
        yield from found
    if not leads:
        raise RecordingError(
            recording.source, "it has no sensor on chest, lead forearm or lead hand", "wear at least the chest sensor"
        )


def _in_part(reader: Reader, k: int, oriented: Oriented, own: Round, so_far: _SoFar, step_s: float | None) -> _Found:
    """The swings of one part that a round of its calibration serves; step_s: of orientations, None for none."""
    recording, routine, settings = reader.seen(k), own.routine, reader.settings
    recording = recording.with_events(tuple(event for event in recording.events if own.span.holds(event.onset)))
    calibration = calibration_of(routine, oriented, settings, addresses=None)
    candidates = [
        c
        for c in rough_swings(oriented, calibration, settings)
        if reader.parts[k].holds(c.back) and own.span.holds(c.back)
    ]
    so_far.ups = joined_rows(so_far.ups, address_ups(oriented, candidates))
    calibration = calibration_of(routine, oriented, settings, addresses=mean_directions(so_far.ups))
    swings = judged_swings(recording, oriented, calibration, candidates, settings)
    alignments, judged, kept = swings.alignments, swings.judged, swings.candidates
    cuts = with_others(swings.cuts, oriented, alignments, settings)
    so_far.turns = joined_rows(so_far.turns, turns_to_target(oriented, kept, recording.lead_side))
    so_far.postures = joined_postures(so_far.postures, postures(oriented, kept))
    slips = find_slips(so_far.postures, alignments, recording, settings, earlier=routine.stood)
    cuts = [after_slips(cut, alignments, slips) for cut in cuts]
    placed = [placed_cut(cut, verdict, settings) for cut, verdict in zip(cuts, judged, strict=True)]
    backwards = turned_backwards(so_far.turns, settings=settings.backwards)
    if backwards and JUDGED & set(oriented.motions) == set(backwards):
        raise RecordingError(
            recording.source,
            f"every downswing turns away from the target, if the golfer's lead side is the {recording.lead_side} one",
            "correct `lead_side` in participants.tsv, or the accelerometers' signs if they read -9.8 m/s² upwards",
        )
    cuts = [without(cut, backwards) for cut in cuts]
    ties = tie_swings(oriented, calibration, cuts, placed, recording.lead_side, settings)
    contradicted = any(tie is not None and tie.contradicts for tie in ties)
    tied = [tied_swing(cut, moments, tie) for cut, moments, tie in zip(cuts, placed, ties, strict=True)]
    rows, curves, turned = [], [], []
    for swing, (row, curve) in zip(tied, measure_cuts(recording, tied, judged, settings), strict=True):
        impact = swing.moments.impact
        row["flags"] += [slip_flag(point, slip) for point, slip in slips.items() if slip.time < impact]
        row["flags"] += flags_of_all(oriented.prepared, backwards)
        row["flags"] += [WRIST_CONTRADICTS] * contradicted
        rows.append(row)
        curves.append(curve)
        if step_s is not None:
            turned.append(dict(swing_orientations(swing, lead_side=recording.lead_side, step_s=step_s)))
    return _Found(
        begin=reader.parts[k].begin,
        since=own.span.begin,
        home=routine.here,
        prepared=replace(oriented.prepared, motions={}),
        calibration=calibration,
        slips=slips,
        backwards=backwards,
        contradicted=contradicted,
        lost=swings.lost,
        rows=rows,
        curves=curves,
        turned=turned,
    )


def _quality(
    recording: Recording, found: Sequence[_Found], rows: Sequence[dict[str, Any]], settings: Settings
) -> dict[str, Any]:
    from imuswing.quality import quality_record, wrist_contradicts_warning

    parts = {part.begin: part.prepared for part in found}
    prepared = joined(recording, list(parts.values()), list(parts))
    # The last part of each round knows of its slips, and the one that holds the routine how good it is.
    rounds = {part.since: part for part in found}
    told = (*reversed(found), *(part for part in found if part.home))
    calibrations = dict(sorted({part.since: part.calibration for part in told}.items()))
    slips = [each for part in rounds.values() for each in part.slips.items()]
    backwards = sorted({point for part in rounds.values() for point in part.backwards})
    quality = quality_record(recording, prepared, calibrations, slips, backwards, rows, asdict(settings))
    warnings = quality["recordings"][0]["warnings"]
    if any(part.contradicted for part in found):
        warnings.append(wrist_contradicts_warning())
    warnings += lost_warnings([event for part in found for event in part.lost])
    warnings += event_warnings(recording, [row["impact_s"] for row in rows], settings=settings.judge.kind)
    return quality


def placed_cut(cut: Cut, judged: Judged, settings: Settings, *, as_shot: bool = False) -> Moments:
    """All moments of one swing, by what is thought of it; as_shot: as if a ball was struck, whatever is thought."""
    return place(
        cut.sight.arm,
        cut.sight.candidate,
        judged.back,
        judged.impact if judged.struck or as_shot else None,
        lag=judged.lag,
        settings=settings.events,
    )


def measure_cuts(
    recording: Recording, swings: Sequence[SwingMotion], judged: Sequence[Judged], settings: Settings
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Row and curves of each swing, without its keys; flags say what is null and why."""
    measured = measure_swings(swings, lead_side=recording.lead_side, settings=settings.measures)
    found = []
    for swing, verdict, told in zip(swings, judged, measured, strict=True):
        row: dict[str, Any] = {
            "flags": [*_flags(recording, swing, verdict), *told.flags],
            "kind": KIND_SHOT if verdict.struck else KIND_PRACTICE,
            **_moment_columns(swing.moments),
            **told.row,
        }
        found.append((row, dict(told.curves)))
    return found


def _flags(recording: Recording, swing: SwingMotion, judged: Judged) -> list[str]:
    flags = list(judged.flags)
    if LEAD_HAND in swing.segments and LEAD_FOREARM in swing.segments and swing.tie is None:
        flags.append("wrist_heading_lost")
    if CLUB in recording.sensors:
        # Hanging, the club shows its axis but not which way it faces in the chest's heading; no joint tells either.
        flags.append("shaft_heading_not_tied")
    return flags


def flags_of_all(prepared: Prepared, backwards: Sequence[str]) -> list[str]:
    """The flags that every swing of a recording has, for sensors that cannot be used."""
    left_out = [f"{point}_left_out" for point in prepared.left_out]
    return [*left_out, *(f"{point}_turns_backwards" for point in backwards)]


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
