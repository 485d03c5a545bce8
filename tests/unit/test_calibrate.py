"""The routine read step by step, on routines made by hand whose axes are known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motions_for_tests import (
    HANGING,
    ORDER,
    THUMB_UP,
    UPRIGHT_TRUNK,
    Routine,
    angle_deg,
    make_motion,
    rotation_from_columns,
    rotation_of,
)
from scipy.spatial.transform import Rotation

from imuswing.body.calibrate import Calibration, calibrate
from imuswing.body.priors import CarePriors
from imuswing.recording.model import Event
from imuswing.vocabulary import LeadSide

POINTS = ("chest", "lead_forearm", "lead_hand")
SIDES: tuple[LeadSide, ...] = ("left", "right")


def mounts(seed: int = 1) -> dict[str, Rotation]:
    """Segment from sensor, at random: strapped on in any orientation."""
    return dict(zip(POINTS, Rotation.random(len(POINTS), random_state=seed), strict=True))


def misaligned_deg(calibration: Calibration, mounted: dict[str, Rotation]) -> dict[str, float]:
    return {
        point: angle_deg(rotation_of(fitted.q_sensor_from_segment), mounted[point].inv())
        for point, fitted in calibration.alignments.items()
    }


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("seed", range(4))
def test_a_perfect_routine_gives_every_mount(side: LeadSide, seed: int) -> None:
    mounted = mounts(seed)
    routine = Routine(side)
    calibration = calibrate(routine.motions(mounted), routine.events, lead_side=side)
    errors = misaligned_deg(calibration, mounted)
    assert set(errors) == set(POINTS)
    # Nothing is wrong but the numerical derivatives of the test's motion.
    assert max(errors.values()) < 0.1
    assert all(calibration.steps[step].found for step in ORDER)
    assert "club_hang" not in calibration.steps  # no club sensor is worn
    assert calibration.source == "this recording"


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("missing", ORDER)
def test_each_step_may_be_missing(side: LeadSide, missing: str) -> None:
    # The contract of the routine: a missing step costs accuracy; here all that is left is perfect, so nothing but the
    # stated accuracy changes. Without a bow the chest's second axis is not seen; gravity before a bow serves for stand.
    mounted = mounts(3)
    whole, part = Routine(side), Routine(side, steps=tuple(step for step in ORDER if step != missing))
    calibration = calibrate(part.motions(mounted), part.events, lead_side=side)
    complete = calibrate(whole.motions(mounted), whole.events, lead_side=side)
    errors = misaligned_deg(calibration, mounted)
    assert set(errors) == set(POINTS) - ({"chest"} if missing == "bow" else set())
    assert max(errors.values()) < 0.1
    for point in errors:
        lost = calibration.alignments[point].sd - complete.alignments[point].sd
        assert np.all(lost > -1e-12)
    assert not calibration.steps[missing].found


@pytest.mark.parametrize("shift_s", [-0.9, 0.9])
def test_marks_may_be_off_by_a_second(shift_s: float) -> None:
    # Common practice, no source: marks are set by hand.
    mounted = mounts(4)
    routine = Routine("left")
    late = tuple(replace(event, onset=event.onset + shift_s) for event in routine.events)
    errors = misaligned_deg(calibrate(routine.motions(mounted), late, lead_side="left"), mounted)
    assert max(errors.values()) < 3.0


@pytest.mark.parametrize("side", SIDES)
def test_turning_the_wrong_way_first_does_not_flip_an_arms_axis(side: LeadSide) -> None:
    # Postures sign the arm's axes: the hanging arm the roll axis, hanging arm and table together the bending axis.
    mounted = mounts(5)
    routine = Routine(side)
    backwards = Routine("right" if side == "left" else "left")  # whose roll goes the other way
    calibration = calibrate(routine.motions(mounted), routine.events, lead_side=side)
    assert max(misaligned_deg(calibration, mounted).values()) < 0.1
    parts = {point: rotations.as_quat() for point, rotations in routine.rotations.items()}
    roll = next(event for event in routine.events if event.trial_type == "forearm_roll")
    first, last = round(roll.onset * routine.rate), round(roll.end * routine.rate)
    for point in ("lead_forearm", "lead_hand"):
        way = (THUMB_UP[backwards.side].inv() * backwards.rotations[point][first:last]).as_rotvec()
        parts[point][first:last] = (THUMB_UP[side] * Rotation.from_rotvec(way)).as_quat()
    motions = {
        point: make_motion(point, Rotation.from_quat(quaternions) * mounted[point], rate=routine.rate)
        for point, quaternions in parts.items()
    }
    assert max(misaligned_deg(calibrate(motions, routine.events, lead_side=side), mounted).values()) < 0.1


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("share", [-0.2, 0.2])
def test_a_shoulder_that_turns_while_the_forearm_rolls_does_not_tilt_its_axis(side: LeadSide, share: float) -> None:
    # By hand: a turn about the vertical leaves gravity in the sensor as it was. The gyro's own main axis is off by
    # about atan(0.2) = 11°.
    mounted = mounts(8)
    routine = Routine(side)
    roll = next(event for event in routine.events if event.trial_type == "forearm_roll")
    first, last = round(roll.onset * routine.rate), round(roll.end * routine.rate)
    rotations = routine.rotations["lead_forearm"]
    angle = (THUMB_UP[side].inv() * rotations[first:last]).as_rotvec()[:, 1]
    quaternions = rotations.as_quat()
    about_vertical = Rotation.from_rotvec(share * angle[:, None] * np.array([0.0, 0.0, 1.0]))
    quaternions[first:last] = (about_vertical * rotations[first:last]).as_quat()
    motions = routine.motions(mounted)
    motions["lead_forearm"] = make_motion(
        "lead_forearm", Rotation.from_quat(quaternions) * mounted["lead_forearm"], rate=routine.rate
    )
    assert misaligned_deg(calibrate(motions, routine.events, lead_side=side), mounted)["lead_forearm"] < 0.2


def test_without_a_table_the_edge_signs_the_bending_axis() -> None:
    # Marked late, the bend seems to begin upwards; the palm that faced down before it tells which way it went.
    mounted = mounts(9)
    routine = Routine("right", steps=("stand", "wrist_bend", "forearm_roll"))
    late = tuple(
        replace(event, onset=event.onset + 0.9) if event.trial_type == "wrist_bend" else event
        for event in routine.events
    )
    calibration = calibrate(routine.motions(mounted), late, lead_side="right")
    assert misaligned_deg(calibration, mounted)["lead_hand"] < 3.0


def test_nothing_marked_gives_no_axes_and_says_so() -> None:
    routine = Routine("left")
    calibration = calibrate(routine.motions(mounts()), (), lead_side="left")
    assert calibration.alignments == {}
    text = "neither marked nor found in the data"
    assert all(not step.found and step.text == text for step in calibration.steps.values())


def test_a_marked_step_that_does_not_show_is_told() -> None:
    # A wrist bend marked over the movement into the next posture: forearm still nowhere, no turning to and fro.
    routine = Routine("left", steps=("stand",))
    marked = (*routine.events, Event(onset=2.0, duration=3.0, trial_type="wrist_bend"))
    calibration = calibrate(routine.motions(mounts()), marked, lead_side="left")
    assert "wrist_bend" not in {step for a in calibration.alignments.values() for step in a.steps}
    assert calibration.steps["stand"].found


def test_the_table_interval_lies_within_the_step() -> None:
    routine = Routine("left")
    calibration = calibrate(routine.motions(mounts()), routine.events, lead_side="left")
    table = next(event for event in routine.events if event.trial_type == "table")
    assert calibration.table_interval is not None
    start, end = calibration.table_interval
    assert table.onset <= start < end <= table.end + 0.01


def test_a_table_pose_stands_though_forearm_and_hand_were_not_still_at_once() -> None:
    # By hand: the hand is still for the first half of the pose, the forearm for the second; the pose is one.
    routine = Routine("left")
    table = next(event for event in routine.events if event.trial_type == "table")
    motions = routine.motions(mounts())
    for point, part in (("lead_hand", (0.0, 0.45)), ("lead_forearm", (0.55, 1.0))):
        share = (motions[point].time - table.onset) / table.duration
        held = (share > part[0]) & (share < part[1])
        moving = (share > -1.0) & (share < 2.0) & ~held
        motions[point] = replace(motions[point], still=motions[point].still & ~moving)
    calibration = calibrate(motions, routine.events, lead_side="left")
    assert calibration.table_interval is not None
    middle = 0.5 * sum(calibration.table_interval)
    assert middle == pytest.approx(table.onset + 0.5 * table.duration, abs=0.05)


FAULTLESS = np.sqrt(3.0 * 0.75 / 4.0) * 2.7764 / 1.96
"""Two axes that agree leave one number over: χ² = 0 with one degree of freedom, and three around 0.75 beforehand; t of
four at 97.5 % is 2.776 (any table of Student's t)."""
UNTESTED = np.sqrt(0.75) * 3.1824 / 1.96
"""The bend's axis is square to gravity as it is made: then nothing is over, and t of three at 97.5 % is 3.182."""


def test_the_pelvis_is_aligned_as_the_chest_is() -> None:
    # The contract of the routine: bow and stand serve the pelvis too.
    routine = Routine("right")
    mounted = mounts(6)
    motion = make_motion("pelvis", routine.rotations["chest"] * mounted["chest"], rate=routine.rate)
    calibration = calibrate({"pelvis": motion}, routine.events, lead_side="right")
    assert misaligned_deg(calibration, {"pelvis": mounted["chest"]})["pelvis"] < 0.1


@pytest.mark.parametrize("side", SIDES)
def test_without_a_bow_the_address_completes_the_chest(side: LeadSide) -> None:
    # By hand: at address the trunk is bent 35° forward; up stands then at cos 35° Y + sin 35° (−X) … forward bending
    # turns about −Z, so up moves from Y towards −X in the trunk.
    mounted = mounts(7)
    routine = Routine(side, steps=("stand",))
    bent = Rotation.from_rotvec(np.radians(35.0) * np.array([0.0, 0.0, -1.0]))
    up = mounted["chest"].inv().apply(bent.inv().apply([0.0, 1.0, 0.0]))
    chest = {"chest": routine.motions(mounted)["chest"]}
    calibration = calibrate(chest, routine.events, lead_side=side, addresses={"chest": up})
    assert misaligned_deg(calibration, mounted)["chest"] < 0.1
    sd = calibration.alignments["chest"].sd / UNTESTED
    # What is known less well is the turn about the trunk's long axis: as well as the golf posture bends straight.
    assert np.degrees(sd[1]) == pytest.approx(np.degrees(CarePriors().address_bend), rel=0.02)


def test_the_care_of_people_stands_in_the_alignment() -> None:
    # By hand: stand tells the trunk's X and Z to 2.5°, the bow Y to 4° (`CarePriors`); the reading adds nothing.
    routine = Routine("left")
    chest = {"chest": routine.motions(mounts())["chest"]}
    calibration = calibrate(chest, routine.events, lead_side="left")
    sd = calibration.alignments["chest"].sd / FAULTLESS
    np.testing.assert_allclose(np.degrees(sd), [2.5, 4.0, 2.5], rtol=0.01)


@pytest.mark.parametrize("twist_deg", [-8.0, 5.0, 12.0])
def test_who_twists_while_bowing_is_careless_but_not_misaligned(twist_deg: float) -> None:
    # By hand: bows about an axis that is turned out of the horizontal, in the plane across the trunk's X, tell forward
    # as well as straight ones. The twist counts as a misfit, in units of the 4° of `CarePriors`.
    routine = Routine("left", steps=("stand",))
    twist = np.radians(twist_deg)
    routine._move("bow", chest=((0.0, float(np.sin(twist)), -float(np.cos(twist))), 40.0))
    mounted = mounts()
    chest = {"chest": routine.motions(mounted)["chest"]}
    calibration = calibrate(chest, routine.events, lead_side="left")
    assert misaligned_deg(calibration, mounted)["chest"] < 0.2
    misfit = (np.sin(twist) / CarePriors().bow_axis) ** 2
    assert calibration.alignments["chest"].misfit == pytest.approx(misfit, rel=0.03)
    told = calibration.steps["bow"].residual
    assert told is not None
    assert np.degrees(told) == pytest.approx(abs(twist_deg), abs=0.2)
    # What is told to be done again, from 8° on, is not told to fit as well.
    if twist_deg == 12.0:
        assert (
            calibration.steps["bow"].text
            == f"used, though its axes do not fit the others: off by {np.degrees(told):.1f}°"
        )
    elif twist_deg == 5.0:
        assert calibration.steps["bow"].text == f"used; its axes fit the others to {np.degrees(told):.1f}°"


def test_the_club_hangs_from_the_grip() -> None:
    # One axis alone leaves the face open: no alignment then, rather than a wrong one.
    hanging = rotation_from_columns((1, 0, 0), (0, 0, 1), (0, -1, 0))
    motion = make_motion("club", Rotation.concatenate([hanging] * 500), rate=100.0)
    marked = (Event(onset=0.5, duration=4.0, trial_type="club_hang"),)
    calibration = calibrate({"club": motion}, marked, lead_side="left")
    assert calibration.steps["club_hang"].found


def test_a_posture_that_nobody_marked_shows_arms_only_roughly_without_a_roll() -> None:
    # A club that rests in the hands looks like hanging arms. A marked stand counts in full.
    routine = Routine("left", steps=("stand", "table", "wrist_bend"))
    found = tuple(
        replace(event, note="found in the data") if event.trial_type == "stand" else event for event in routine.events
    )
    motions = routine.motions(mounts())
    marked_sd, found_sd = (
        calibrate(motions, events, lead_side="left").alignments["lead_forearm"].sd for events in (routine.events, found)
    )
    assert np.degrees(marked_sd[0]) < 7.0
    assert np.degrees(found_sd[0]) > 15.0


def test_the_hand_shares_the_forearms_error_of_posture() -> None:
    # By hand: an arm that hangs 10° aside, wrist straight, misleads both sensors alike; all else is right. Forearm:
    # stand (4°) against roll (2.5°), 10° · 2.5² / (2.5² + 4²) = 2.81°. The hand is told that the arm hung 7.19° aside,
    # and its bending axis (3°) that it is right: 2.81° · 3² / (3² + 4²) = 1.01°. Told nothing it would be off by 3.6°.
    mounted = mounts(10)
    routine = Routine("left")
    stand = next(event for event in routine.events if event.trial_type == "stand")
    first, last = round((stand.onset - 0.5) * routine.rate), round((stand.end + 0.5) * routine.rate)
    leaning = Rotation.from_rotvec(np.radians(10.0) * np.array([0.0, 1.0, 0.0]))
    motions = routine.motions(mounted)
    for point in ("lead_forearm", "lead_hand"):
        quaternions = routine.rotations[point].as_quat()
        quaternions[first:last] = (leaning * routine.rotations[point][first:last]).as_quat()
        motions[point] = make_motion(point, Rotation.from_quat(quaternions) * mounted[point], rate=routine.rate)
    calibration = calibrate(motions, routine.events, lead_side="left")
    errors = misaligned_deg(calibration, mounted)
    assert errors["lead_forearm"] == pytest.approx(2.81, abs=0.05)
    assert errors["lead_hand"] == pytest.approx(1.01, abs=0.05)


@pytest.mark.parametrize("side", SIDES)
def test_a_forearm_seen_hanging_only_has_its_long_axis_and_says_that_no_more_is_known(side: LeadSide) -> None:
    # By geometry: gravity of an arm that hangs straight down is its long axis; the turn about it shows nowhere.
    mounted = mounts(5)
    routine = Routine(side, steps=("stand", "bow"))
    calibration = calibrate(routine.motions(mounted), routine.events, lead_side=side)
    fitted = calibration.alignments["lead_forearm"]
    assert not fitted.whole
    along = rotation_of(fitted.q_sensor_from_segment).apply([0.0, 1.0, 0.0])
    np.testing.assert_allclose(along, mounted["lead_forearm"].inv().apply([0.0, 1.0, 0.0]), atol=2e-3)
    assert set(fitted.residuals) == {"stand"}
    assert fitted.freedom == 0
    assert np.all(np.degrees(fitted.sd[[0, 2]]) < 15.0)
    assert np.degrees(fitted.sd[1]) > 60.0
    assert "lead_hand" not in calibration.alignments


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("short_deg", [0.0, 30.0])
def test_an_elbow_that_bends_with_the_roll_is_allowed_for_wherever_the_roll_has_its_middle(
    side: LeadSide, short_deg: float
) -> None:
    # By hand: the elbow's axis lies level and square to the forearm, along X with the thumb up and turned from it about
    # Y by as much as the thumb is short of up. Along it the roll tells the long axis to 4°, square to it to 2.5°; the
    # table tells its own axis to 2.2°.
    mounted = mounts(11)
    routine = Routine(side, steps=("table", "forearm_roll"))
    roll = next(event for event in routine.events if event.trial_type == "forearm_roll")
    first, last = round((roll.onset - 0.4) * routine.rate), round((roll.end + 0.4) * routine.rate)
    quaternions = routine.rotations["lead_forearm"].as_quat()
    short = Rotation.from_rotvec(np.radians(short_deg) * np.array([0.0, 1.0, 0.0]))
    quaternions[first:last] = (routine.rotations["lead_forearm"][first:last] * short).as_quat()
    motion = make_motion("lead_forearm", Rotation.from_quat(quaternions) * mounted["lead_forearm"], rate=routine.rate)
    calibration = calibrate({"lead_forearm": motion}, routine.events, lead_side=side)
    assert misaligned_deg(calibration, mounted)["lead_forearm"] < 0.1
    # The elbow's axis in the forearm is X turned back; errors of the long axis along it are turns square to it.
    loose = short.inv().apply([1.0, 0.0, 0.0])
    tight = np.cross(loose, [0.0, 1.0, 0.0])
    along, across = np.outer(loose, loose), np.outer(tight, tight)
    told = along / np.radians(2.5) ** 2 + across / np.radians(4.0) ** 2
    table = np.diag([0.0, 1.0, 1.0]) / np.radians(2.2) ** 2
    covariance = np.linalg.inv(told + table) * FAULTLESS**2
    np.testing.assert_allclose(calibration.alignments["lead_forearm"].covariance, covariance, rtol=0.02, atol=1e-5)


class Crossed(Routine):
    """Bows with the arms crossed before the chest."""

    def _bow(self) -> None:
        self._go(UPRIGHT_TRUNK, THUMB_UP[self.side], 1.0)
        super()._bow()


@pytest.mark.parametrize("side", SIDES)
def test_arms_that_hang_before_the_bows_serve_where_stand_is_missing(side: LeadSide) -> None:
    # By hand: without `stand` the arms' length is known from the roll, and from gravity before the bows where they
    # hang then; each is perfect here, so that only the stated accuracy gains. Arms that are crossed tell nothing.
    steps = tuple(step for step in ORDER if step != "stand")
    mounted = mounts(5)
    hung, crossed, whole = (
        calibrate(routine.motions(mounted), routine.events, lead_side=side)
        for routine in (Routine(side, steps=steps), Crossed(side, steps=steps), Crossed(side))
    )
    for calibration in (hung, crossed, whole):
        assert max(misaligned_deg(calibration, mounted).values()) < 0.1
    for point in ("lead_forearm", "lead_hand"):
        assert "bow" in hung.alignments[point].steps
        assert "bow" not in crossed.alignments[point].steps
        assert "bow" not in whole.alignments[point].steps
        # About Z, where the roll is not exact; and standing as asked is worth more than standing by the way.
        sds = [calibration.alignments[point].sd[2] for calibration in (whole, hung, crossed)]
        assert sds[0] < sds[1] < sds[2]


@pytest.mark.parametrize("side", SIDES)
def test_arms_that_hang_before_the_bows_serve_where_stand_and_roll_are_missing(side: LeadSide) -> None:
    # By geometry: an arm that hangs and lies on the table shows two axes. One that is crossed before the chest there is
    # far from as it hangs at address, which then serves instead.
    mounted = mounts(5)
    address = {"lead_forearm": mounted["lead_forearm"].inv().apply([0.0, np.cos(0.5), np.sin(0.5)])}
    for routine, step in (
        (Routine(side, steps=("bow", "table", "wrist_bend")), "bow"),
        (Crossed(side, steps=("bow", "table", "wrist_bend")), "address"),
    ):
        calibration = calibrate(routine.motions(mounted), routine.events, lead_side=side, addresses=address)
        assert set(calibration.alignments["lead_forearm"].steps) == {"table", step}
        if step == "bow":
            assert max(misaligned_deg(calibration, mounted).values()) < 0.1


class Marked(Routine):
    """`stand` is marked where the golfer bends down."""

    def _stand(self) -> None:
        bent = UPRIGHT_TRUNK * Rotation.from_euler("z", -40, degrees=True)
        self._go(bent, THUMB_UP[self.side], 1.0)
        super()._stand()
        self._go(UPRIGHT_TRUNK, HANGING[self.side], 1.0)


@pytest.mark.parametrize("side", SIDES)
def test_a_stand_that_is_not_as_before_the_bows_is_not_used(side: LeadSide) -> None:
    # The contract of the routine: bows start upright. Here the trunk is bent by 40° and the arm level where `stand` is
    # marked: all is as if that step was missing.
    mounted = mounts(6)
    routine = Marked(side)
    calibration = calibrate(routine.motions(mounted), routine.events, lead_side=side)
    assert max(misaligned_deg(calibration, mounted).values()) < 0.1
    assert not calibration.steps["stand"].found
    assert calibration.steps["bow"].found
