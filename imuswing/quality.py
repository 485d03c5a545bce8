"""The quality record: what was worn, how well it was calibrated, and what to do about what is not good."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

import imuswing
from imuswing.body.calibrate import ARM_POINTS, FITS_DEG, FOUND_IN_DATA, NEEDED_BY, Calibration
from imuswing.body.slip import Slip
from imuswing.recording.find import CALIBRATION_TASK
from imuswing.recording.model import Recording
from imuswing.routine import CONTRADICTED, MOST_APART
from imuswing.sensors.motion import Prepared
from imuswing.swings.event_doubts import CHECK
from imuswing.vocabulary import (
    BOW,
    CHEST,
    FOREARM_ROLL,
    GRIP_POINTS,
    KIND_SHOT,
    LEAD_FOREARM,
    LEAD_HAND,
    SHOT,
    TABLE,
    TRUNK_POINTS,
    WRIST_BEND,
)

LACK_COSTS = {
    BOW: "shoulder tilt at impact 4.8° rather than 2.1°",
    FOREARM_ROLL: "arm height at the top 2.3° rather than 1.3°",
}
"""What lacking one step alone does to the angle that it moves most (docs/sensitivity.md; nothing beyond chance was seen
for `table` and `wrist_bend`)."""


def quality_record(
    recording: Recording,
    prepared: Prepared,
    calibrations: Mapping[float, Calibration],
    slips: Sequence[tuple[str, Slip]],
    backwards: Sequence[str],
    rows: Sequence[Mapping[str, Any]],
    settings: Mapping[str, Any],
) -> dict[str, Any]:
    """Plain data for `quality.json` and the report: one recording's entry under `recordings`.

    calibrations: by the time, s, from which on each counts, in order.
    """
    (_, calibration), *later = calibrations.items()
    warnings = [{"level": w.level, "text": w.text, "do": w.do} for w in prepared.warnings]
    for note in recording.notes:
        warnings.append({"level": "advice", "text": _by_name(note, recording), "do": "Check the recorder's export."})
    for note in recording.strange_events:
        do = "Correct what was meant as one of these; what another program wrote may stay."
        warnings.append({"level": "advice", "text": _by_name(note, recording), "do": do})
    warnings += [_backwards_warning(point) for point in backwards]
    left_out = {*prepared.left_out, *backwards}
    warnings += _calibration_warnings([p for p in recording.sensors if p not in left_out], calibration)
    warnings += [slip_warning(point, slip) for point, slip in slips]
    warnings += [_anew_warning(since) for since, _ in later]
    # Who records the routine by itself, and says so, expects no swing.
    expected = recording.task != CALIBRATION_TASK or bool(recording.of_type(SHOT))
    if not rows and expected:
        warnings.append(
            {
                "level": "problem",
                "text": "No swing was found.",
                "do": "Check that the sensors were on and that the recording holds swings from a quiet address.",
            }
        )
    entry = {
        "recording": {
            "participant": recording.participant,
            "session": recording.session,
            "task": recording.task,
            "acq": recording.acq,
            "run": recording.run,
            "lead_side": recording.lead_side,
            "file": recording.source.name if recording.source else None,
            "simulated": recording.simulated,
        },
        "worn": list(recording.sensors),
        "sensors": {point: _sensor(prepared, point) for point in prepared.reports},
        "calibration": {
            **_calibration(calibration),
            "anew": [{"since_s": round(since, 2), **_calibration(each)} for since, each in later],
        },
        "swings": {
            "found": len(rows),
            "shots": sum(row["kind"] == KIND_SHOT for row in rows),
            "expected": expected,
        },
        "warnings": warnings,
        "settings": settings,
    }
    return {"imuswing": imuswing.__version__, "recordings": [entry]}


def _by_name(note: str, recording: Recording) -> str:
    """A sentence about a file by the file's name: where it stands on this computer is nobody's business."""
    if recording.source is None:
        return note
    folder = recording.source.parent
    return note.removeprefix(f"{folder}{os.sep}").removeprefix(f"{folder.resolve()}{os.sep}")


def _sensor(prepared: Prepared, point: str) -> dict[str, Any]:
    numbers = asdict(prepared.reports[point])
    clock = {
        "offset_s": numbers.pop("clock_offset_s"),
        "drift_ppm": numbers.pop("clock_drift_ppm"),
        "drift_se_ppm": numbers.pop("clock_drift_se_ppm"),
        "se_s": numbers.pop("clock_se_s"),
        "source": numbers.pop("clock_source"),
    }
    return {**{name: _plain(value) for name, value in numbers.items()}, "clock": clock}


def _calibration(calibration: Calibration) -> dict[str, Any]:
    return {
        "source": calibration.source,
        "steps": {
            name: {
                "found": step.found,
                "marked": step.marked,
                "residual_deg": None if step.residual is None else round(float(np.rad2deg(step.residual)), 2),
                "text": step.text,
            }
            for name, step in calibration.steps.items()
        },
        "axes_se_deg": {
            point: [round(float(v), 2) for v in np.rad2deg(fitted.sd)]
            for point, fitted in calibration.alignments.items()
        },
    }


def _plain(value: Any) -> Any:
    """Numbers as JSON can hold them: a quantity that is not known is null, never NaN."""
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def slip_warning(point: str, slip: Slip) -> dict[str, str]:
    """A shift of a sensor's mount in words."""
    name, minutes = point.replace("_", " "), slip.time / 60.0
    if slip.against != "before":
        return _shifted_warning(name, slip)
    if slip.turn is None:
        why = "a new grip or posture" if point in GRIP_POINTS else "a new posture"
        text = (
            f"From minute {minutes:.1f} on the {name} is held about {np.rad2deg(slip.angle):.0f}° differently at "
            f"address: {why}, or a strap that slipped; the swings after it are marked."
        )
        return {"level": "advice", "text": text, "do": "If nothing was changed on purpose, calibrate again."}
    text = (
        f"The {name} sensor turned by about {np.rad2deg(slip.angle):.0f}° under its strap at minute {minutes:.1f}; the "
        f"swings after it are corrected and marked."
    )
    return {"level": "advice", "text": text, "do": "Tighten the strap and repeat the calibration routine."}


def _shifted_warning(name: str, slip: Slip) -> dict[str, str]:
    """A sensor that does not sit as it did when the routine was done."""
    angle = f"{np.rad2deg(slip.angle):.0f}°"
    do = "If sensors were moved or taken off after the routine, do the routine again and record on."
    if slip.against == "usual":
        text = (
            f"By its calibration the {name} stands {angle} from where it usually does at address: the sensor was moved "
            f"after the routine, or a step of the routine was not what its mark says. The swings are marked."
        )
        return {"level": "problem", "text": text, "do": do}
    if slip.turn is not None:
        text = (
            f"The {name} sensor sits {angle} otherwise than in the recording whose routine serves here; the swings are "
            f"corrected and marked."
        )
        return {"level": "advice", "text": text, "do": do}
    text = (
        f"At address the {name} is held {angle} otherwise than in the recording whose routine serves here: the sensor "
        f"was moved, or club, grip or posture are others. The swings are marked."
    )
    return {"level": "advice", "text": text, "do": do}


def wrist_contradicts_warning() -> dict[str, str]:
    """Forearm and hand cannot sit as the routine says."""
    text = (
        "The swings contradict what the routine says of how forearm and hand sensors sit: one was moved after it, or a "
        "step was not what its mark says. The wrist is left out; the arm's height and arc may be off as well."
    )
    do = "If sensors were moved or taken off after the routine, do the routine again and record on."
    return {"level": "problem", "text": text, "do": do}


def _anew_warning(since: float) -> dict[str, str]:
    text = f"The routine was done anew at minute {since / 60.0:.1f}; from there on swings rest on that one."
    do = "Read a difference between swings before and after it as one between two visits: the sensors sit anew."
    return {"level": "advice", "text": text, "do": do}


def _backwards_warning(point: str) -> dict[str, str]:
    name = point.replace("_", " ")
    text = (
        f"The {name} sensor turns away from the target on the way down, where another turns towards it: its measures "
        f"are left out."
    )
    do = "Check that its accelerometer reads +9.8 m/s² upwards at rest, and the signs of all its axes."
    return {"level": "problem", "text": text, "do": do}


def _calibration_warnings(worn: Sequence[str], calibration: Calibration) -> list[dict[str, str]]:
    warnings = []
    redo = "Do the calibration routine at the start of the recording and mark its steps."
    if calibration.source == FOUND_IN_DATA:
        found = ", ".join(name.replace("_", " ") for name, step in calibration.steps.items() if step.found)
        warnings.append(
            {
                "level": "advice",
                "text": f"No calibration step is marked; these were found in the data: {found}.",
                "do": "Look whether they are right, and mark them.",
            }
        )
    if calibration.source == CONTRADICTED:
        found = ", ".join(name.replace("_", " ") for name, step in calibration.steps.items() if step.found)
        most = np.rad2deg(MOST_APART)
        text = (
            f"The marked calibration steps contradict each other by more than {most:.0f}°, so they are not used; found "
            f"in the data instead: {found}."
            if found
            else f"The marked calibration steps contradict each other by more than {most:.0f}°, so they are not used, "
            "and none was found in the data."
        )
        warnings.append({"level": "problem", "text": text, "do": CHECK})
    for point in worn:
        fitted = calibration.alignments.get(point)
        if point not in (CHEST, LEAD_FOREARM, LEAD_HAND) or (fitted is not None and fitted.whole):
            continue
        name = point.replace("_", " ")
        text = f"The {name} sensor's axes are not known: its measures are left out."
        if fitted is not None:
            text = (
                "How the lead forearm sensor is turned about the arm is not known: the wrist's measures are left out."
            )
        warnings.append({"level": "problem", "text": text, "do": redo})
    lacking = _lacking_steps(worn, calibration)
    if lacking:
        told = ", ".join(step.replace("_", " ") for step in lacking)
        cost = (
            "the trunk's angles are"
            if lacking == [BOW]
            else "the wrist's angles are"
            if BOW not in lacking
            else "the angles of trunk and wrist are"
        )
        base = f"Of these calibration steps nothing could be used: {told}. Without them {cost} less exact."
        sizes = " and ".join(LACK_COSTS[step] for step in lacking if step in LACK_COSTS)
        text = f"{base} Errors in simulation (RMS): {sizes}." if sizes else base
        do = (  # a step marked here would count instead of another recording's routine, not with it
            "Check their marks, or do them before the student goes home, even after the last swing, and mark them."
            if calibration.spans
            else "Check their marks there, or do and mark the whole routine within this recording before the student "
            "goes home."
        )
        warnings.append({"level": "advice", "text": text, "do": do})
    for name, step in calibration.steps.items():
        if step.found and step.residual is not None and step.residual > np.deg2rad(FITS_DEG):
            warnings.append(
                {
                    "level": "advice",
                    "text": f"The calibration step '{name}' does not fit the others "
                    f"(off by {np.rad2deg(step.residual):.1f}°).",
                    "do": "Repeat it slowly; check that the sensor has not slipped.",
                }
            )
    return warnings


def _lacking_steps(worn: Sequence[str], calibration: Calibration) -> list[str]:
    """Steps that would make measures of worn sensors more exact, and gave nothing.

    The arm's steps serve the wrist, which takes both of its sensors. Sensors without known axes are told by themselves.
    """
    known = {p: fitted for p in worn if (fitted := calibration.alignments.get(p)) is not None and fitted.whole}
    wanted = [BOW] if any(point in known for point in TRUNK_POINTS) else []
    if all(point in known for point in ARM_POINTS):
        wanted += [TABLE, WRIST_BEND, FOREARM_ROLL]
    return [s for s in wanted if not any(s in known[point].residuals for point in NEEDED_BY[s] if point in known)]
