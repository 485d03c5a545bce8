"""The routine found without marks: on perfect routines made by hand, and not in what only resembles one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from motions_for_tests import ORDER, PALM_DOWN, THUMB_UP, UPRIGHT_TRUNK, Routine, angle_deg, rotation_of
from scipy.spatial.transform import Rotation

from imuswing.body.calibrate import FOUND_IN_DATA, calibrate
from imuswing.body.find_routine import FINDABLE, find_routine
from imuswing.lesson import analyze
from imuswing.recording.model import Event
from imuswing.results import analyze_path
from imuswing.simulate import simulate_recording
from imuswing.simulate.dataset import make_visit, write_visit
from imuswing.vocabulary import CALIBRATION_STEPS, LeadSide

POINTS = ("chest", "lead_forearm", "lead_hand")
SIDES: tuple[LeadSide, ...] = ("left", "right")


def mounts(seed: int = 2) -> dict[str, Rotation]:
    return dict(zip(POINTS, Rotation.random(len(POINTS), random_state=seed), strict=True))


def found_in(routine: Routine, points: tuple[str, ...] = POINTS, seed: int = 2) -> tuple[Event, ...]:
    motions = routine.motions(mounts(seed))
    return find_routine({point: motions[point] for point in points})


def names(events: tuple[Event, ...]) -> set[str]:
    return {event.trial_type for event in events}


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("seed", range(3))
def test_every_step_of_a_routine_is_found_where_it_is(side: LeadSide, seed: int) -> None:
    routine = Routine(side)
    events = found_in(routine, seed=seed)
    assert names(events) == FINDABLE
    for event in events:
        true = next(e for e in routine.events if e.trial_type == event.trial_type)
        # A still posture is as long as nobody moves, half a second and more before its mark here.
        assert event.onset == pytest.approx(true.onset, abs=1.6)
        assert event.end == pytest.approx(true.end, abs=1.6)
        assert event.note == FOUND_IN_DATA


@pytest.mark.parametrize("side", SIDES)
def test_what_is_found_aligns_the_sensors(side: LeadSide) -> None:
    routine, mounted = Routine(side), mounts(4)
    motions = routine.motions(mounted)
    calibration = calibrate(motions, find_routine(motions), lead_side=side)
    for point, fitted in calibration.alignments.items():
        assert angle_deg(rotation_of(fitted.q_sensor_from_segment), mounted[point].inv()) < 0.2
    assert len(calibration.alignments) == 3
    assert "found in the data" in calibration.steps["bow"].text
    assert "club_hang" not in calibration.steps  # no club sensor is worn


@pytest.mark.parametrize("order", [ORDER[::-1], ("bow", "table", "forearm_roll", "stand", "wrist_bend")])
def test_the_order_of_the_steps_does_not_matter(order: tuple[str, ...]) -> None:
    assert names(found_in(Routine("left", steps=order))) == FINDABLE


@pytest.mark.parametrize("missing", ORDER)
def test_a_step_that_was_not_done_is_not_found(missing: str) -> None:
    events = found_in(Routine("right", steps=tuple(step for step in ORDER if step != missing)))
    # Without a stand step the arms still hang between the others, but never for long.
    assert names(events) == FINDABLE - {missing}


@pytest.mark.parametrize(
    ("points", "wanted"),
    [
        (("chest",), {"bow", "stand"}),
        (("lead_forearm",), {"forearm_roll", "stand", "table"}),
        (("lead_hand",), set()),
        (("chest", "lead_forearm"), {"bow", "forearm_roll", "stand", "table"}),
        (("lead_forearm", "lead_hand"), {"forearm_roll", "wrist_bend", "stand", "table"}),
    ],
    ids=lambda value: "+".join(sorted(value)),
)
def test_with_fewer_sensors_what_they_can_tell_is_found(points: tuple[str, ...], wanted: set[str]) -> None:
    assert names(found_in(Routine("left"), points)) == wanted


class StraightFromTheTable(Routine):
    """The arm goes from palm down on the table to the thumb-up start without hanging in between."""

    def _forearm_roll(self) -> None:
        self._go(UPRIGHT_TRUNK, PALM_DOWN[self.side], 1.5)
        super()._forearm_roll()


@pytest.mark.parametrize("side", SIDES)
def test_the_turn_that_leads_to_a_rolls_start_is_no_part_of_it(side: LeadSide) -> None:
    routine, mounted = StraightFromTheTable(side), mounts(4)
    motions = routine.motions(mounted)
    events = find_routine(motions)
    assert names(events) == FINDABLE
    roll, true = (next(e for e in of if e.trial_type == "forearm_roll") for of in (events, routine.events))
    assert roll.onset == pytest.approx(true.onset, abs=0.6)
    calibration = calibrate(motions, events, lead_side=side)
    for point, fitted in calibration.alignments.items():
        assert angle_deg(rotation_of(fitted.q_sensor_from_segment), mounted[point].inv()) < 0.2


class Lookalikes(Routine):
    """Movements that resemble the steps and are none."""

    def _sway(self) -> None:
        """Turning the trunk to and fro about its long axis, as people do to warm up."""
        self._move("bow", chest=((0.0, 1.0, 0.0), 40.0))

    def _side_bends(self) -> None:
        """Bending to both sides."""
        self._move("wrist_bend", chest=((1.0, 0.0, 0.0), 25.0))

    def _hanging_roll(self) -> None:
        """Turning a hanging forearm in and out."""
        self._move("forearm_roll", lead_forearm=((0.0, 1.0, 0.0), 50.0), lead_hand=((0.0, 1.0, 0.0), 50.0))

    def _swings(self) -> None:
        """Arm and chest swinging to and fro together, swing after swing."""
        arm = ((0.0, 0.0, 1.0), 60.0)
        self._move("forearm_roll", chest=((0.0, 1.0, 0.0), 45.0), lead_forearm=arm, lead_hand=arm)

    def _wave(self) -> None:
        """Waving the hand over an upright forearm."""
        self._go(UPRIGHT_TRUNK, Rotation.from_rotvec([np.pi, 0.0, 0.0]) * PALM_DOWN[self.side], 1.5)
        self._go(UPRIGHT_TRUNK, Rotation.from_euler("y", -90.0, degrees=True) * PALM_DOWN[self.side], 1.5)
        self._move("wrist_bend", lead_hand=((1.0, 0.0, 0.0), 30.0))

    def _hinge(self) -> None:
        """Cocking the wrist of a level forearm with the thumb up, as golfers rehearse it."""
        self._go(UPRIGHT_TRUNK, THUMB_UP[self.side], 1.5)
        self._move("wrist_bend", lead_hand=((1.0, 0.0, 0.0), 25.0))

    def _few_bows(self) -> None:
        """One deep bow, as for a ball."""
        first = len(self._parts["chest"])
        self._move("bow", chest=((0.0, 0.0, -1.0), 60.0))
        for parts in self._parts.values():
            parts[first:] = [Rotation.concatenate(parts[first:])[: round(3.0 * self.rate)]]


@pytest.mark.parametrize("step", ["sway", "side_bends", "hanging_roll", "swings", "wave", "few_bows"])
def test_what_only_resembles_a_step_is_none(step: str) -> None:
    assert found_in(Lookalikes("left", steps=(step,))) == ()


def test_a_rehearsed_hinge_beside_a_roll_is_no_wrist_bend() -> None:
    # The roll's start tells where the thumb is: it was up while the wrist was cocked.
    events = found_in(Lookalikes("right", steps=("stand", "bow", "forearm_roll", "hinge")))
    assert "wrist_bend" not in names(events)
    assert {"bow", "forearm_roll", "stand"} <= names(events)


def test_one_sided_side_bends_are_left_out_when_the_golf_posture_disagrees() -> None:
    # Bends to one side only look like bows to a sensor; the address, bent forward by 35°, tells that they were none.
    class OneSide(Routine):
        def _bow(self) -> None:
            self._move("bow", chest=((1.0, 0.0, 0.0), 30.0))

    routine, mounted = OneSide("left", steps=("stand", "bow")), mounts(6)
    motions = routine.motions(mounted)
    events = find_routine({"chest": motions["chest"]})
    assert "bow" in names(events)
    bent = Rotation.from_rotvec(np.radians(35.0) * np.array([0.0, 0.0, -1.0]))
    address = {"chest": mounted["chest"].inv().apply(bent.inv().apply([0.0, 1.0, 0.0]))}
    fitted = calibrate({"chest": motions["chest"]}, events, lead_side="left", addresses=address).alignments["chest"]
    assert angle_deg(rotation_of(fitted.q_sensor_from_segment), mounted["chest"].inv()) < 0.5


@pytest.mark.parametrize("preset", ["realistic", "hard"])
def test_a_lesson_without_a_routine_has_none(preset: str) -> None:
    recording, _ = simulate_recording(seed=41, shots=4, preset=preset, routine=False)
    lesson = analyze(recording)
    calibration = lesson.quality["recordings"][0]["calibration"]
    assert calibration["source"] == "nothing: no step is marked or found"
    assert not any(step["found"] for step in calibration["steps"].values())
    assert lesson.swings["wrist_flexion_impact_deg"].isna().all()


def test_a_lesson_without_marks_gives_what_marks_give() -> None:
    # The steps' marks are off by up to 0.3 s, the found ones by as much: the measures may differ by what the care of
    # the person differs within a step, far less than their standard errors.
    recording, _ = simulate_recording(seed=40, shots=3, preset="realistic")
    bare = recording.with_events(tuple(e for e in recording.events if e.trial_type not in CALIBRATION_STEPS))
    marked, found = analyze(recording), analyze(bare)
    entry = found.quality["recordings"][0]
    assert entry["calibration"]["source"] == "found in the data"
    assert any("found in the data" in warning["text"] for warning in entry["warnings"])
    assert len(marked.swings) == len(found.swings) > 0
    for name in ("chest_turn_top_deg", "wrist_flexion_impact_deg", "arm_height_top_deg", "shoulder_tilt_impact_deg"):
        off = np.abs(marked.swings[name] - found.swings[name])
        assert np.all(off < 0.5 * marked.swings[f"{name}_se"]), name


def test_a_step_without_a_mark_is_added_to_marked_ones() -> None:
    # The contract of the routine: without `stand`, still stretches are looked for.
    recording, _ = simulate_recording(seed=40, shots=2, preset="realistic")
    bare = recording.with_events(tuple(e for e in recording.events if e.trial_type != "stand"))
    calibration = analyze(bare).quality["recordings"][0]["calibration"]
    assert calibration["source"] == "this recording"
    assert calibration["steps"]["stand"]["found"]
    assert calibration["steps"]["stand"]["text"].startswith("found in the data")


def test_a_visit_without_any_mark_uses_the_routine_that_its_first_recording_shows(tmp_path: Path) -> None:
    visit, made = make_visit(0, seed=40, shots=4, preset="realistic", tasks=("chip", "full"), rate=200.0)
    bare = [(recording.with_events(()), truth) for recording, truth in made]
    write_visit(tmp_path, visit, bare, seed=40, index=0)
    lesson, failures = analyze_path(tmp_path)
    assert failures == []
    first, later = (entry["calibration"] for entry in lesson.quality["recordings"])
    assert first["source"] == "found in the data"
    assert later["source"].startswith(f"sub-{visit.participant}_ses-{visit.session}_task-chip")
    assert later["steps"]["table"]["found"]
    assert lesson.swings.loc[lesson.swings["task"] == "full", "wrist_flexion_impact_deg"].notna().all()


def test_nothing_worn_or_nothing_recorded_gives_no_steps() -> None:
    assert find_routine({}) == ()
    motions = Routine("left", steps=()).motions(mounts())
    assert find_routine(motions) == ()
