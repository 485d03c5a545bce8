"""The calibration routine read step by step: each worn sensor's alignment to its segment.

Every step gives observed axes with the care that people take over it (`CarePriors`) and the reading's own scatter;
they are matched together, weighted (`alignment.align`), so that a missing step costs accuracy and nothing else.
Directions are signed by gravity wherever a posture fixes them (a person cannot bow backwards; arms hang), which is
safer than by the first movement.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from imuswing.body.alignment import UNKNOWN_SD, Alignment, AxisObservation, align, align_along, following
from imuswing.body.care import with_own_care
from imuswing.body.definitions import X_AXIS, Y_AXIS, Z_AXIS, trunk_sign
from imuswing.body.priors import CarePriors
from imuswing.body.readings import Readings, read_steps
from imuswing.body.steps import StillReading, step_interval
from imuswing.orientation.quaternion import FloatArray, inverse, rotate
from imuswing.recording.model import Event
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import (
    BOW,
    CALIBRATION_STEPS,
    CLUB,
    CLUB_HANG,
    FOREARM_ROLL,
    LEAD_FOREARM,
    LEAD_HAND,
    LEAD_UPPER_ARM,
    STAND,
    TABLE,
    TRUNK_POINTS,
    WRIST_BEND,
    LeadSide,
)

ARM_POINTS = (LEAD_FOREARM, LEAD_HAND)
LEAST_BEND = float(np.sin(np.deg2rad(10.0)))
MOST_ASIDE = float(np.cos(np.deg2rad(45.0)))
"""A golf posture that bends less tells nothing; bows that go more to the side of it are no bows (common practice, no
source)."""
LEAST_HANGING, LEAST_ALIKE = float(np.cos(np.deg2rad(25.0))), float(np.cos(np.deg2rad(45.0)))
"""Before bowing, a forearm whose roll axis is farther from vertical does not hang; nor, where the roll is missing, one
that is farther from as it is at address (common practice, no source)."""
FITS_DEG = 8.0
"""A step that does not fit the others to this is to be done again (common practice, no source)."""
NEEDED_BY = {
    STAND: (*TRUNK_POINTS, *ARM_POINTS, LEAD_UPPER_ARM),
    BOW: TRUNK_POINTS,
    TABLE: ARM_POINTS,
    WRIST_BEND: (LEAD_HAND,),
    FOREARM_ROLL: (LEAD_FOREARM,),
    CLUB_HANG: (CLUB,),
}
"""The tracked points whose axes each step is done for."""
FOUND_IN_DATA = "found in the data"
"""The note of an event that nobody marked."""
MOST_BETWEEN_S = 3.0
"""Still stretches of two sensors farther apart are not of one pose (common practice, no source)."""
MOST_ALONG = float(np.sin(np.deg2rad(30.0)))
"""A forearm steeper than this was not level before a wrist bend or a roll (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class StepResult:
    """What one step gave: whether it was found and used, whether a person marked it, the largest misfit of its axes,
    and a sentence."""

    step: str
    found: bool
    marked: bool = False
    residual: float | None = None
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Alignments by tracked point, what each step gave, and where the `table` pose stood (for the headings' tie).

    spans: start and end in s of each step in this recording, where no swing is looked for.
    """

    alignments: Mapping[str, Alignment]
    steps: Mapping[str, StepResult] = field(default_factory=dict)
    table_interval: tuple[float, float] | None = None
    spans: tuple[tuple[float, float], ...] = ()
    source: str = "this recording"


def calibrate(
    motions: Mapping[str, Motion],
    events: Sequence[Event],
    *,
    lead_side: LeadSide,
    addresses: Mapping[str, FloatArray] | None = None,
    priors: CarePriors | None = None,
) -> Calibration:
    """Align every worn sensor from the steps in `events`.

    addresses: by tracked point, mean direction of gravity (3,) in the sensor over the swings' addresses, which signs
    and completes what missing steps leave open; None before swings are known.
    """
    priors = priors or CarePriors()
    readings = read_steps(motions, events)
    addresses = addresses or {}
    guessed = any(event.trial_type == STAND and event.note == FOUND_IN_DATA for event in events)
    if guessed and (FOREARM_ROLL, LEAD_FOREARM) not in readings.turning:
        # Nothing vouches for arms that hang straight in a stillness that nobody marked: a club may rest in the hands.
        priors = replace(priors, stand_arm=priors.address_arm)
    alignments: dict[str, Alignment] = {}
    # The forearm first: it shows how the arm stood in the poses, which the hand then shares.
    for point in sorted(motions, key=lambda worn: worn == LEAD_HAND):
        address = addresses.get(point)
        if point in TRUNK_POINTS:
            seen = _trunk_observations(readings, point, address, priors)
        elif point == LEAD_FOREARM:
            seen = _forearm_observations(readings, address, lead_side, priors)
        elif point == LEAD_HAND:
            forearm = alignments.get(LEAD_FOREARM)
            forearm = forearm if forearm and forearm.whole else None
            seen = _hand_observations(readings, address, priors, forearm)
        elif point == CLUB:
            seen = _club_observations(readings, priors)
        else:
            seen = _hanging(readings, LEAD_UPPER_ARM, STAND, priors.stand_arm)
        fitted = align(point, seen)
        if fitted is None and point == LEAD_FOREARM:
            # Its long axis is enough for the backswing's arc and the arm's height.
            fitted = align_along(point, seen)
        if fitted is not None:
            if point in TRUNK_POINTS:
                fitted = _with_twist(fitted, seen)
            elif point == LEAD_HAND and forearm is not None:
                fitted = following(fitted, forearm)
            alignments[point] = fitted
    return Calibration(
        alignments=with_own_care(alignments),
        steps=_step_results(events, readings, alignments, worn=motions),
        table_interval=_table_interval(readings),
        spans=tuple(step_interval(event) for event in events if event.trial_type in CALIBRATION_STEPS),
    )


def _sd(care: float, se: float) -> float:
    return float(np.hypot(care, se))


def _trunk_observations(
    readings: Readings, point: str, address: FloatArray | None, priors: CarePriors
) -> list[AxisObservation]:
    seen = []
    stand = readings.still.get((STAND, point)) or readings.still.get((BOW, point))
    if stand is not None:
        seen.append(
            AxisObservation(sensor_axis=stand.up, segment_axis=Y_AXIS, sd=_sd(priors.stand_trunk, stand.se), step=STAND)
        )
    forward = _forward_bend(stand, address)
    bow = readings.turning.get((BOW, point))
    if bow is not None:
        # Bending forward turns the trunk about -Z. A late mark may miss the first movement, but nobody bows backwards:
        # gravity over the bows has moved from where it was upright towards -X, a turn about Z.
        axis = bow.axis
        if stand is not None and np.cross(stand.up, bow.up) @ axis > 0:
            axis = -axis
        if forward is None or -axis @ forward > MOST_ASIDE:
            # A person bows about a horizontal axis, the hips', however the trunk leans to the side meanwhile: how that
            # leant, along Y, only gravity tells.
            bowed = AxisObservation(
                sensor_axis=axis,
                segment_axis=-Z_AXIS,
                sd=_sd(priors.bow_axis, bow.se),
                step=BOW,
                loose=Y_AXIS,
                loose_sd=UNKNOWN_SD,
            )
            return [*seen, bowed]
    if forward is not None:
        seen.append(
            AxisObservation(sensor_axis=forward, segment_axis=Z_AXIS, sd=priors.address_bend, step="address", numbers=1)
        )
    return seen


def _with_twist(fitted: Alignment, seen: Sequence[AxisObservation]) -> Alignment:
    """A trunk's alignment whose misfit holds how far the bows' axis was from horizontal.

    Who twists while bowing tilts it. That says nothing of the trunk's axes, but how careful the person is.
    """
    upright, bowed = (next((o for o in seen if o.step == step), None) for step in (STAND, BOW))
    if upright is None or bowed is None:
        return fitted
    twist = float(bowed.sensor_axis @ upright.sensor_axis) / bowed.sd
    return replace(fitted, misfit=fitted.misfit + twist**2)


def _forward_bend(stand: StillReading | None, address: FloatArray | None) -> FloatArray | None:
    """Z (3,) of the trunk in the sensor: the golf posture bends forward, gravity has moved from Y towards -X."""
    if stand is None or address is None:
        return None
    bend = np.cross(stand.up, address)
    size = float(np.linalg.norm(bend))
    return bend / size if size > LEAST_BEND else None


def _up_when_hanging(readings: Readings, point: str, address: FloatArray | None) -> FloatArray | None:
    stand = readings.still.get((STAND, point))
    return stand.up if stand is not None else address


def _forearm_observations(
    readings: Readings, address: FloatArray | None, lead_side: LeadSide, priors: CarePriors
) -> list[AxisObservation]:
    hanging = _hanging(readings, LEAD_FOREARM, STAND, priors.stand_arm)
    across = _across_observations(readings, lead_side, priors)
    seen = [*hanging, *across]
    roll = readings.turning.get((FOREARM_ROLL, LEAD_FOREARM))
    if roll is not None:
        # Turning the palm down is positive about Y on a right limb, negative on a left one.
        axis = -trunk_sign(lead_side) * roll.axis
        up = _up_when_hanging(readings, LEAD_FOREARM, address)
        if up is not None and axis @ up < 0:
            axis = -axis
        reading = AxisObservation(
            sensor_axis=axis, segment_axis=Y_AXIS, sd=_sd(priors.roll_axis, roll.se), step=FOREARM_ROLL
        )
        if not hanging:
            seen += _hanging_before_bowing(readings, axis, priors)
        seen.append(
            replace(reading, loose=_elbow_axis(reading, across, roll.up), loose_sd=_sd(priors.roll_aside, roll.se))
        )
    elif not hanging:
        seen += _long_axis_otherwise(readings, address, priors)
    return seen


def _long_axis_otherwise(readings: Readings, address: FloatArray | None, priors: CarePriors) -> list[AxisObservation]:
    """Where neither `stand` nor the roll shows the forearm's long axis: the arm before bowing, if it hangs as it does
    at address, else the address."""
    bowing = _hanging(readings, LEAD_FOREARM, BOW, priors.bow_arm_alone)
    if bowing and (address is None or float(bowing[0].sensor_axis @ address) > LEAST_ALIKE):
        return bowing
    if address is None:
        return []
    return [AxisObservation(sensor_axis=address, segment_axis=Y_AXIS, sd=priors.address_arm, step="address")]


def _elbow_axis(roll: AxisObservation, across: Sequence[AxisObservation], up: FloatArray) -> FloatArray:
    """Where the elbow's axis lies in the forearm (3,) while it rolls; up: (3,) mean direction of gravity in the sensor.

    Gravity says how steep the forearm stood, but an elbow that bends with the roll tilts its axis aside: along its own
    axis, which lies level and square to the forearm, as the upper arm hangs. With the thumb up that is X.
    """
    rough = align(LEAD_FOREARM, [roll, *across]) if across else None
    if rough is None:
        return X_AXIS
    level = np.cross(Y_AXIS, rotate(inverse(rough.q_sensor_from_segment), up))
    size = float(np.linalg.norm(level))
    return level / size if size > LEAST_BEND else X_AXIS


def _across_observations(readings: Readings, lead_side: LeadSide, priors: CarePriors) -> list[AxisObservation]:
    """An axis across the forearm's long one: from `table`, else from the stillness before a wrist bend or a roll."""
    stand = readings.still.get((STAND, LEAD_FOREARM))
    roll = readings.turning.get((FOREARM_ROLL, LEAD_FOREARM))
    along = stand.up if stand is not None else roll.axis if roll is not None else None
    # The wrist is bent from the table's posture; the roll starts thumb up: Z on a right limb, -Z on a left one.
    sources = (
        (TABLE, -X_AXIS, priors.table),
        (WRIST_BEND, -X_AXIS, priors.edge),
        (FOREARM_ROLL, -trunk_sign(lead_side) * Z_AXIS, priors.thumb_up),
    )
    for step, axis, care in sources:
        still = readings.still.get((step, LEAD_FOREARM))
        if still is None:
            continue
        level = along is None or abs(float(along @ still.up)) < MOST_ALONG
        if step == TABLE or level:
            return [AxisObservation(sensor_axis=still.up, segment_axis=axis, sd=_sd(care, still.se), step=step)]
    return []


def _hand_observations(
    readings: Readings, address: FloatArray | None, priors: CarePriors, forearm: Alignment | None
) -> list[AxisObservation]:
    """As the forearm's; a straight wrist shares the forearm's error of posture, as far as its alignment knows it."""
    seen = _hanging(readings, LEAD_HAND, STAND, priors.stand_arm)
    if not seen and forearm is not None and BOW in forearm.steps:
        seen = _hanging(readings, LEAD_HAND, BOW, priors.bow_arm)
    seen = [_as_the_forearm(readings, o, forearm) for o in seen]
    # The wrist is bent from the table's posture, less well laid down.
    step, care = (TABLE, priors.table) if (TABLE, LEAD_HAND) in readings.still else (WRIST_BEND, priors.edge)
    flat = readings.still.get((step, LEAD_HAND))
    up = _up_when_hanging(readings, LEAD_HAND, address)
    if flat is not None and step != TABLE and up is not None and abs(float(up @ flat.up)) > MOST_ALONG:
        flat = None
    if flat is not None:
        plain = AxisObservation(sensor_axis=flat.up, segment_axis=-X_AXIS, sd=_sd(care, flat.se), step=step)
        seen.append(_as_the_forearm(readings, plain, forearm))
    bend = readings.turning.get((WRIST_BEND, LEAD_HAND))
    if bend is not None:
        axis = bend.axis
        if up is not None and flat is not None and np.cross(axis, -flat.up) @ up < 0:
            axis = -axis
        seen.append(
            AxisObservation(sensor_axis=axis, segment_axis=Z_AXIS, sd=_sd(priors.bend_axis, bend.se), step=WRIST_BEND)
        )
    return seen


def _as_the_forearm(readings: Readings, seen: AxisObservation, forearm: Alignment | None) -> AxisObservation:
    """With the axis where gravity lay in the forearm in that pose, by its alignment; as it is where that is unknown."""
    still = readings.still.get((seen.step, LEAD_FOREARM))
    if still is None or forearm is None or seen.step not in forearm.steps:
        return seen
    return replace(seen, segment_axis=rotate(inverse(forearm.q_sensor_from_segment), still.up), followed=True)


def _hanging(readings: Readings, point: str, step: str, care: float) -> list[AxisObservation]:
    still = readings.still.get((step, point))
    if still is None:
        return []
    return [AxisObservation(sensor_axis=still.up, segment_axis=Y_AXIS, sd=_sd(care, still.se), step=step)]


def _hanging_before_bowing(readings: Readings, roll: FloatArray, priors: CarePriors) -> list[AxisObservation]:
    """The hanging forearm where `stand` is missing: who bows starts upright, with arms that mostly hang.

    Nobody asks them to, so it counts only where it lies near `roll` (3,), the forearm's long axis as the roll shows it.
    """
    seen = _hanging(readings, LEAD_FOREARM, BOW, priors.bow_arm)
    return [o for o in seen if o.sensor_axis @ roll > LEAST_HANGING]


def _club_observations(readings: Readings, priors: CarePriors) -> list[AxisObservation]:
    hang = readings.still.get((CLUB_HANG, CLUB))
    if hang is None:
        return []
    return [AxisObservation(sensor_axis=hang.up, segment_axis=Y_AXIS, sd=_sd(priors.hang, hang.se), step=CLUB_HANG)]


def _table_interval(readings: Readings) -> tuple[float, float] | None:
    pair = [readings.still.get((TABLE, point)) for point in ARM_POINTS]
    first, second = pair
    if first is None or second is None:
        return None
    if max(first.start, second.start) - min(first.end, second.end) > MOST_BETWEEN_S:
        return None
    # Each was read where it was stillest; both are of one pose, and where they do not overlap it lay between them.
    start, end = sorted((max(first.start, second.start), min(first.end, second.end)))
    return start, end


def _step_results(
    events: Sequence[Event], readings: Readings, alignments: Mapping[str, Alignment], worn: Collection[str]
) -> dict[str, StepResult]:
    marked = {event.trial_type: event.note != FOUND_IN_DATA for event in events}
    served = {key[0] for key in (*readings.still, *readings.turning)}
    results = {}
    for step in CALIBRATION_STEPS:
        if step == CLUB_HANG and CLUB not in worn and step not in marked:
            continue
        misfits = [a.residuals[step] for a in alignments.values() if step in a.residuals]
        residual = max(misfits) if misfits else None
        how = "" if marked.get(step, True) else "found in the data; "
        if step not in marked:
            text = "neither marked nor found in the data"
        elif step not in served:
            text = "marked, but the movement or the stillness was not found there"
        elif residual is None and any(point in worn for point in NEEDED_BY[step]):
            text = f"{how or 'found, '}but nothing of it could be used"
        elif residual is None:
            text = f"{how or 'found, '}not needed by the sensors worn"
        elif (off_deg := float(np.rad2deg(residual))) > FITS_DEG:
            text = f"{how}used, though its axes do not fit the others: off by {off_deg:.1f}°"
        else:
            text = f"{how}used; its axes fit the others to {off_deg:.1f}°"
        results[step] = StepResult(
            step=step,
            found=step in marked and step in served,
            marked=marked.get(step, False),
            residual=residual,
            text=text,
        )
    return results
