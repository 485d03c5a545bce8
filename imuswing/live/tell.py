"""What is told of a swing and of the routine, from what the analysis found."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from imuswing.body.calibrate import FITS_DEG, Calibration
from imuswing.live.feedback import in_bands, is_shown, is_summed_up, summary
from imuswing.live.guide import lacking, notice
from imuswing.live.messages import Estimate, Message, Notice, NoticeKind, Routine, Shot, Step
from imuswing.live.shots import Seen
from imuswing.live.state import State
from imuswing.measures.curves import RESTING_ON
from imuswing.measures.dictionary import MEASURES
from imuswing.vocabulary import CALIBRATION_STEPS, CHEST, CLUB, CLUB_HANG, KIND_SHOT

KEPT_SHOTS = 50
"""Told shots that are kept in memory."""
CURVE_STEP_S = 0.01
"""Curves are told at this step: a page's canvas shows no more."""


def told_shot(state: State, seen: Seen, number: int, *, revised: bool) -> tuple[State, list[Message]]:
    """The message about a swing, and a summary where one is due; nothing where a revision changes nothing."""
    assert seen.row is not None
    assert seen.curve is not None
    row = seen.row
    measures = {
        measure.name: Estimate(value=_number(row.get(measure.name)), se=_number(row.get(measure.se_name)))
        for measure in MEASURES
        if measure.name in row and not isinstance(row[measure.name], str)
    }
    inside = in_bands(measures, state.bands)
    struck = row["kind"] == KIND_SHOT
    # One that was taken for a practice swing at first counts when it turns out to be a shot.
    new = struck and (not revised or (number in state.shots and state.shots[number].kind != KIND_SHOT))
    likely = struck or "kind_uncertain" in row["flags"]
    count = state.in_block + new
    before = state.shots.get(number)
    shown = (
        before.shown
        if before is not None
        else is_shown(state.feedback, count=count, verdict=row.get("chest_verdict"), inside=inside)
    )
    shot = Shot(
        number=number,
        impact_s=float(row["impact_s"]),
        kind=str(row["kind"]),
        verdict=row.get("chest_verdict"),
        stall_probability=_number(row.get("chest_stall_probability")),
        measures=measures,
        curves=_curves(seen.curve),
        in_band=inside,
        block=state.block.name if state.block else None,
        intent=state.block.intent if state.block else None,
        flags=tuple(row["flags"]),
        shown=shown,
        sound=shown and likely and not revised,
        revised=revised,
        shown_after_s=None,
    )
    about = _about_sensors(shot, state)
    backwards = {one.point for one in about if one.kind == TURNS_BACKWARDS}
    again = [_told_without(one, backwards) for other, one in state.shots.items() if backwards and other != number]
    shots = {**state.shots, **{one.number: one for one in again}, number: shot}
    for old in sorted(shots)[:-KEPT_SHOTS]:
        del shots[old]
    state = replace(state, shots=shots, in_block=count)
    messages: list[Message] = [shot, *again, *about]
    if new and is_summed_up(state.feedback, count):
        struck_shots = [one for _, one in sorted(shots.items()) if one.kind == KIND_SHOT]
        messages.append(summary(struck_shots[-state.feedback.every :]))
    return state, messages


def _told_without(shot: Shot, points: Collection[str]) -> Shot:
    """A swing told before without what sensors told of it that turn backwards, which only several swings show."""
    gone = {measure.name for measure in MEASURES if set(measure.needs) & set(points)}
    curves = {curve for point in points for curve in RESTING_ON.get(point, ())}
    return replace(
        shot,
        verdict=None if CHEST in points else shot.verdict,
        stall_probability=None if CHEST in points else shot.stall_probability,
        measures={name: Estimate(value=None) if name in gone else told for name, told in shot.measures.items()},
        curves={name: [None] * len(told) if name in curves else told for name, told in shot.curves.items()},
        in_band={name: inside for name, inside in shot.in_band.items() if name not in gone},
        flags=(*shot.flags, *(f"{point}_{TURNS_BACKWARDS}" for point in points)),
        sound=False,
        revised=True,
    )


def _about_sensors(shot: Shot, before: State) -> list[Notice]:
    """A notice of each sensor that cannot be used, with the first swing that says so."""
    known = {flag for one in before.shots.values() for flag in one.flags}
    return [
        notice(flag.removesuffix(f"_{kind}"), kind, before.now, text)
        for flag in shot.flags
        for kind, text in UNUSABLE.items()
        if flag.endswith(f"_{kind}") and flag not in known
    ]


TURNS_BACKWARDS: NoticeKind = "turns_backwards"
UNUSABLE: Mapping[NoticeKind, str] = {
    "left_out": "is left out: no samples, wrong axes or scale, or swapped with another.",
    TURNS_BACKWARDS: "turns away from the target on the way down, so what it told before is taken back: check the "
    "lead side and its accelerometer.",
}
"""By a flag's ending, what is said of the sensor."""


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _curves(curve: Mapping[str, Any]) -> dict[str, Sequence[float | None]]:
    time = np.asarray(curve["time_s"])
    every = max(round(CURVE_STEP_S / float(time[1] - time[0])), 1) if len(time) > 1 else 1
    # Counted from impact, which stays on the grid.
    kept = (
        np.flatnonzero(np.rint(time / (time[1] - time[0])).astype(int) % every == 0)
        if len(time) > 1
        else np.arange(len(time))
    )
    return {name: np.round(np.asarray(values, dtype=float)[kept], 3).tolist() for name, values in curve.items()}


def told_steps(state: State) -> list[Message]:
    """How the routine stands, from the calibration."""
    known = state.known
    worn = {sensor.tracked_point for tail in state.tails.values() for sensor in tail.head.sensors}
    steps = [step for step in CALIBRATION_STEPS if step != CLUB_HANG or CLUB in worn]
    source = known.calibration.source if known.calibration.alignments else None
    marked = {event.trial_type: event for event in state.events}
    routine = known.routine
    wrong = {
        step: lacking(routine.motions, marked[step])
        for step in steps
        if step in marked and routine is not None and routine.here
    }
    told = tuple(_step(known.calibration, step, tried=step in marked, wrong=wrong.get(step)) for step in steps)
    return [Routine(steps=told, calibrated=source)]


def _step(calibration: Calibration, step: str, *, tried: bool, wrong: str | None) -> Step:
    result = calibration.steps.get(step)
    if result is None or not (result.found or tried):
        return Step(step=step, state="next")
    if tried and wrong is not None:
        return Step(step=step, state="redo", reason=wrong)
    if not result.found:
        return Step(step=step, state="redo", reason="not_seen")
    off = None if result.residual is None else math.degrees(result.residual)
    if off is not None and off > FITS_DEG:
        return Step(step=step, state="redo", sign="enough", share=1.0, off_deg=off, reason="does_not_fit")
    return Step(step=step, state="good", sign="enough", share=1.0, off_deg=off)
