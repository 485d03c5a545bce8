"""The routine guided live, and sensors that drop out, come back and restart their clocks in mid-lesson."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from live_for_tests import SHIPPED, cut, short_lesson, told_by, without_routine

import imuswing
from imuswing.body.segments import ALIGNMENT
from imuswing.live.arrive import take
from imuswing.live.coach import obey
from imuswing.live.engine import begin, step
from imuswing.live.hub import Hub
from imuswing.live.learn import Known, frame_of, recalibrated, recording_of
from imuswing.live.messages import Levels, Message, Notice, Routine, Shot, Step, StepCommand, Undone
from imuswing.live.model import TIME_COLUMN, Arrival, Session
from imuswing.live.replay import Replay
from imuswing.live.session import Live
from imuswing.live.settings import LiveSettings
from imuswing.live.shots import Past, look, realigned
from imuswing.live.state import Pending, State
from imuswing.orientation.quaternion import exp, inverse, multiply
from imuswing.recording.dataset import start_dataset
from imuswing.recording.model import Event, Recording
from imuswing.recording.read import read
from imuswing.routine import earlier_routine
from imuswing.vocabulary import CALIBRATION_STEPS, LEAD_FOREARM, LEAD_HAND

NAMED = Session(participant="P1", session="02", task="chip", lead_side="left")


@pytest.fixture(scope="module")
def guided() -> list[Message]:
    """The routine of a lesson, its steps started and ended on the page; `bow` is first tried while standing."""
    lesson = cut(short_lesson(), 80.0)
    steps = [event for event in lesson.events if event.trial_type in CALIBRATION_STEPS]
    stand = next(event for event in steps if event.trial_type == "stand")
    todo = [(stand.onset + 0.5, StepCommand(action="start", step="bow"))]
    todo += [(stand.end - 0.5, StepCommand(action="end", step="bow"))]
    for event in steps:
        first = StepCommand(action="redo" if event.trial_type == "bow" else "start", step=event.trial_type)
        if event.trial_type != "stand":
            todo += [(event.onset, first), (event.end, StepCommand(action="end", step=event.trial_type))]
    source = Replay(replace(lesson, events=()), speed=math.inf)
    state, told, settings = begin(NAMED, source.heads), [], LiveSettings()
    for arrival in source.arrivals({}):
        state, _, messages = take(state, arrival, settings)
        while todo and todo[0][0] <= state.now:
            state, _, more = obey(state, todo.pop(0)[1])
            messages += more
        state, now = step(state, settings)
        told += [*messages, *now]
    return told


def test_each_step_shows_a_sign_that_grows_to_enough(guided: list[Message]) -> None:
    for name in ("bow", "table", "wrist_bend", "forearm_roll"):
        doing = [message for message in guided if isinstance(message, Step) and message.step == name]
        shares = [message.share for message in doing]
        assert max(shares) == 1.0, name
        assert doing[-1].sign in ("enough", "too_fast")
        assert min(shares) < 0.5


def test_a_step_that_was_not_done_is_to_be_done_again_and_then_good(guided: list[Message]) -> None:
    states = [
        next(one.state for one in message.steps if one.step == "bow")
        for message in guided
        if isinstance(message, Routine)
    ]
    assert states[0] == "redo"
    assert states[-1] == "good"


def test_at_its_end_the_routine_is_good_and_the_axes_are_known(guided: list[Message]) -> None:
    last = [message for message in guided if isinstance(message, Routine)][-1]
    done = {one.step: one.state for one in last.steps}
    assert [done[name] for name in ("bow", "table", "wrist_bend", "forearm_roll")] == ["good"] * 4
    assert last.calibrated == "this recording"


def test_levels_come_often_and_say_how_lively_a_sensor_is(guided: list[Message]) -> None:
    levels = [message for message in guided if isinstance(message, Levels)]
    assert 3.0 < len(levels) / levels[-1].time < 6.0
    # One sensor's clock ends before the others'.
    chest = [one for message in levels for one in message.sensors if one.point == "chest" and message.time < 78.0]
    assert {one.state for one in chest[20:]} == {"ok"}
    assert np.median([one.rate_hz for one in chest[20:] if one.rate_hz]) == pytest.approx(200.0, rel=0.01)
    lesson = short_lesson().sensors["chest"]
    fastest = np.degrees(np.linalg.norm(np.nan_to_num(lesson.gyr[lesson.time < 78.0]), axis=1).max())
    assert max(one.turning_dps or 0.0 for one in chest) == pytest.approx(fastest, rel=0.2)


AWAY_S, BACK_S = 88.0, 92.0
"""Between two shots of the lesson the hand's sensor is away."""


class Faulty(Replay):
    """A replay whose hand sensor goes away, and comes back with its clock at 0."""

    def arrivals(self, after: dict[str, float]) -> Iterator[Arrival]:
        began = None
        for arrival in super().arrivals(after):
            chunks = []
            for chunk in arrival.chunks:
                if chunk.system == "leadhand" and arrival.now > AWAY_S:
                    if arrival.now < BACK_S:
                        continue
                    rows = np.array(chunk.rows)
                    began = rows[0, TIME_COLUMN] if began is None else began
                    rows[:, TIME_COLUMN] -= began
                    chunk = replace(chunk, rows=rows)
                chunks.append(chunk)
            yield replace(arrival, chunks=tuple(chunks))


def test_a_sensor_that_goes_and_comes_back_with_another_clock_is_said_recorded_and_used_again(tmp_path: Path) -> None:
    into = tmp_path / "into"
    start_dataset(into, name="Into", description="Simulated.", simulated=True)
    told: list[Message] = []
    arrived: list[float] = []

    def say(message: Message) -> None:
        told.append(message)
        if isinstance(message, Notice):
            arrived.append(live.state.arrived)

    live = Live(into, NAMED, Faulty(short_lesson(), speed=math.inf), hub=Hub(), say=say)
    finished = live.run()
    notices = [(message.kind, message.point, message.time) for message in told if isinstance(message, Notice)]
    # At the very end some sensors' streams end before the others'.
    kinds = [(kind, point) for kind, point, time in notices if point == "lead_hand" and time < 113.0]
    assert kinds == [("dropped_out", "lead_hand"), ("clock_changed", "lead_hand")]
    # Said within a second of the last sample.
    assert AWAY_S < arrived[0] < AWAY_S + 1.0
    held = imuswing.read(finished.path)
    gap = np.diff(held.sensors["lead_hand"].time)
    assert gap.max() == pytest.approx(BACK_S - AWAY_S, abs=0.1)
    assert (gap > 0.1).sum() == 1
    shots = [
        message for message in told if isinstance(message, Shot) and not message.revised and message.kind == "shot"
    ]
    offline = imuswing.analyze(held).swings
    offline = offline[offline["kind"] == "shot"]
    assert len(offline) == 4
    np.testing.assert_allclose([shot.impact_s for shot in shots], offline["impact_s"], atol=0.015)
    assert [shot.verdict for shot in shots] == list(offline["chest_verdict"])


def test_headings_last_from_swing_to_swing_without_a_table_pose_too() -> None:
    # Nothing on a body tells a heading that was lost, so all ties of a lesson rest on headings that go on; a second
    # recording of a visit has no table pose, and between its blocks more time passes than a window holds.
    whole = read(SHIPPED)
    settings = LiveSettings()
    lesson = without_routine(cut(whole, 140.0), 76.0)
    source = Replay(lesson, speed=math.inf, turn_s=0.1)
    state = begin(NAMED, source.heads)
    state = replace(state, earlier=earlier_routine(cut(whole, 80.0), settings.analysis))
    frames = set()
    for arrival in source.arrivals({}):
        state, _, _ = take(state, arrival, settings)
        state, _ = step(state, settings)
        if state.past:
            frames |= {state.past[-1].frame, frame_of(state.known.headings)}
    impacts = np.diff([one.sight.candidate.back for one in state.past])
    assert max(impacts) > settings.window_s
    assert state.known.table is None
    assert len(frames) == 1


def test_what_was_measured_on_a_heading_that_was_lost_is_not_compared_with() -> None:
    # A heading begun anew differs from the one before by any angle, so that none of it may move the next swing's tie.
    whole = read(SHIPPED)
    settings = LiveSettings()
    source = Replay(cut(whole, 104.5), speed=math.inf, turn_s=0.1)
    state = begin(NAMED, source.heads)
    for arrival in source.arrivals({}):
        state, _, _ = take(state, arrival, settings)
        state, _ = step(state, settings)
    past, known = state.past[:-1], state.known
    back = state.past[-1].sight.candidate.back
    window = recording_of(state.session, state.tails, known, since=state.now - settings.window_s)
    assert window is not None

    def wrist(known: Known, past: Sequence[Past]) -> float:
        found = look(window, known, past, near=(back - 0.2, back + 0.2), settings=settings).seen
        assert found
        seen = found[0]
        assert seen.row is not None
        return float(seen.row["wrist_flexion_impact_deg"])

    lost = replace(known, headings={})
    without = wrist(replace(lost, table=None), [replace(one, wrist=None) for one in past])
    assert wrist(lost, past) == pytest.approx(without, abs=1e-6)
    assert wrist(lost, past) == pytest.approx(wrist(known, past), abs=5.0)


def test_the_first_shot_has_a_verdict_where_nobody_bowed() -> None:
    # Then the chest is aligned by how the golfer stands to the ball; the verdict is the offline analysis's.
    lesson = cut(short_lesson(), 90.0)
    bow = next(event for event in lesson.events if event.trial_type == "bow")
    sensors = {}
    for point, stream in lesson.sensors.items():
        moved = (stream.time > bow.onset - 1.0) & (stream.time < bow.end + 1.0)
        stood = stream.acc[(stream.time > bow.onset - 2.0) & (stream.time < bow.onset - 1.0)].mean(axis=0)
        acc, gyr = np.array(stream.acc), np.array(stream.gyr)
        acc[moved], gyr[moved] = stood, 0.0
        sensors[point] = replace(stream, acc=acc, gyr=gyr)
    lesson = replace(lesson, sensors=sensors, events=tuple(event for event in lesson.events if event is not bow))
    offline = imuswing.analyze(lesson)
    assert not offline.quality["recordings"][0]["calibration"]["steps"]["bow"]["found"]
    messages = told_by(lesson)
    # What a step of the routine looked like before its mark came is taken back.
    gone = {message.number for message in messages if isinstance(message, Undone)}
    told = [message for message in messages if isinstance(message, Shot) and message.number not in gone]
    np.testing.assert_allclose(told[0].impact_s, offline.swings["impact_s"].iloc[0], atol=0.015)
    assert told[0].verdict == offline.swings["chest_verdict"].iloc[0]
    assert told[0].verdict is not None


def test_what_is_no_swing_after_all_is_taken_back() -> None:
    # A first look saw a swing where the whole of it shows none: here one is put in by hand, at a quiet moment.
    lesson = cut(short_lesson(), 87.0)
    source = Replay(lesson, speed=math.inf)
    state, settings, told = begin(NAMED, source.heads), LiveSettings(), []
    for arrival in source.arrivals({}):
        state, _, _ = take(state, arrival, settings)
        if state.now > 84.0 and 7 not in state.shots and not any(isinstance(one, Undone) for one in told):
            wrong = replace(state.shots[max(state.shots)], number=7, impact_s=79.0)
            pending = Pending(back=79.0, due=state.now, number=7)
            state = replace(state, shots={**state.shots, 7: wrong}, pending=(*state.pending, pending))
        state, messages = step(state, settings)
        told += messages
    assert [message.number for message in told if isinstance(message, Undone)] == [7]
    assert set(state.shots) == {1}


def test_while_a_step_is_done_nothing_in_it_is_told_as_a_swing() -> None:
    # The coach has a step begun at the address and ended after the shot: offline no swing is looked for in it.
    source = Replay(replace(cut(short_lesson(), 87.0), events=()), speed=math.inf)
    state, settings, told = begin(NAMED, source.heads), LiveSettings(), []
    todo = [(79.0, "start"), (85.0, "end")]
    for arrival in source.arrivals({}):
        state, _, _ = take(state, arrival, settings)
        while todo and todo[0][0] <= state.now:
            state, _, _ = obey(state, StepCommand(action=todo.pop(0)[1], step="bow"))
        state, messages = step(state, settings)
        told += messages
    assert not [message for message in told if isinstance(message, Shot)]


def played(lesson: Recording) -> tuple[State, list[Message]]:
    """The engine's state at the end and all that it told."""
    source = Replay(lesson, speed=math.inf)
    state, settings, told = begin(NAMED, source.heads), LiveSettings(), []
    for arrival in source.arrivals({}):
        state, _, messages = take(state, arrival, settings)
        state, now = step(state, settings)
        told += [*messages, *now]
    return state, told


def test_a_swing_that_a_step_held_is_taken_back_when_its_mark_comes() -> None:
    # Marks come when a step has ended, as in a recording that is played: this one was begun before the first shot.
    lesson = cut(short_lesson(), 89.0)
    late = Event(onset=79.5, duration=5.0, trial_type="stand")
    state, told = played(replace(lesson, events=(*lesson.events, late)))
    numbers = [message.number for message in told if isinstance(message, Shot)]
    assert numbers
    assert {message.number for message in told if isinstance(message, Undone)} == set(numbers)
    assert not state.shots
    assert not state.past


def test_by_other_alignments_earlier_swings_and_the_table_pose_are_still_what_the_sensors_saw() -> None:
    # Where the sensors pointed does not depend on what is thought of how they are worn.
    state, _ = played(cut(short_lesson(), 87.0))
    known, past = state.known, state.past[-1]
    turn, sd = exp(np.array([0.1, -0.2, 0.05])), np.diag([0.01, 0.02, 0.03])
    turned = {
        point: replace(one, q_sensor_from_segment=multiply(one.q_sensor_from_segment, turn), covariance=sd**2)
        for point, one in known.calibration.alignments.items()
    }
    other = replace(known.calibration, alignments=turned)
    (again,) = realigned([past], known.calibration, other)
    fitted = recalibrated(replace(known, calibration=other), {}, LiveSettings())
    assert past.wrist is not None
    assert again.wrist is not None
    assert known.table is not None
    assert fitted.table is not None
    for point, name in ((LEAD_FOREARM, "forearm"), (LEAD_HAND, "hand")):
        before, after = getattr(past.wrist, name), getattr(again.wrist, name)
        worn, thought = (one.alignments[point].q_sensor_from_segment for one in (known.calibration, other))
        np.testing.assert_allclose(multiply(after.q, inverse(thought)), multiply(before.q, inverse(worn)), atol=1e-9)
        np.testing.assert_allclose(after.error_covariance[ALIGNMENT, ALIGNMENT], sd**2)
        # The pose was read by `other` here, and is fitted anew without addresses.
        held, kept = getattr(known.table, f"q_{name}"), getattr(fitted.table, f"q_{name}")
        anew = fitted.calibration.alignments[point].q_sensor_from_segment
        assert not np.allclose(anew, thought)
        np.testing.assert_allclose(multiply(kept, inverse(anew)), multiply(held, inverse(thought)), atol=1e-9)


def test_a_sensor_that_the_routine_did_not_align_is_looked_at_again_between_swings() -> None:
    # As if the chest had not been still enough when the routine was read: its motion is taken out of it.
    source = Replay(short_lesson(), speed=math.inf, turn_s=0.1)
    state, settings, stripped = begin(NAMED, source.heads), LiveSettings(), False
    for arrival in source.arrivals({}):
        state, _, _ = take(state, arrival, settings)
        state, _ = step(state, settings)
        if not stripped and state.now > 79.0:
            known = state.known
            assert known.routine is not None
            motions = {point: motion for point, motion in known.routine.motions.items() if point != "chest"}
            fitted = {point: one for point, one in known.calibration.alignments.items() if point != "chest"}
            calibration = replace(known.calibration, alignments=fitted)
            known = replace(known, routine=replace(known.routine, motions=motions), calibration=calibration)
            state, stripped = replace(state, known=known), True
    assert "chest" in state.known.calibration.alignments
    assert state.shots[max(state.shots)].verdict is not None


def test_a_routine_that_nobody_marks_is_found_after_swings_too() -> None:
    # Some swings to warm up, then the routine, then the lesson.
    lesson = replace(short_lesson(), events=())
    swings = without_routine(lesson, 78.0)
    pieces = (swings, cut(lesson, 78.0), swings)
    sensors = {}
    for point, stream in lesson.sensors.items():
        parts = [piece.sensors[point] for piece in pieces]
        acc, gyr = (np.concatenate([getattr(part, name) for part in parts]) for name in ("acc", "gyr"))
        sensors[point] = replace(stream, acc=acc, gyr=gyr, mag=None, time=np.arange(len(acc)) / stream.rate)
    told = told_by(replace(lesson, sensors=sensors))
    shots = [one for one in told if isinstance(one, Shot)]
    before, after = ([one for one in shots if (one.impact_s > 116.0) == late] for late in (False, True))
    assert before
    assert after
    calibrated = [message.calibrated for message in told if isinstance(message, Routine)]
    assert calibrated[-1] == "found in the data"
    # What needs the axes of the routine can be told from then on.
    assert after[-1].measures["wrist_flexion_impact_deg"].value is not None
