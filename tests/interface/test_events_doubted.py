"""Events that do not belong to their recording, and files cut short, are told; what rests on them is not.

The lesson is the one that ships with the project. What is right is what the same lesson gives with its own events.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from imuswing.commands.check import usable
from imuswing.errors import RecordingError
from imuswing.lesson import Lesson, analyze
from imuswing.recording.model import Event, Recording, SensorStream
from imuswing.recording.read import read
from imuswing.routine import earlier_routine
from imuswing.settings import Settings
from imuswing.vocabulary import CALIBRATION_STEPS, SHOT

LESSON = sorted((Path(__file__).parents[2] / "recordings").glob("**/*_motion.tsv"))[0]


@cache
def shipped() -> Recording:
    return read(LESSON)


@cache
def right() -> Lesson:
    return analyze(shipped())


def with_events(change: Callable[[Event], Event | None]) -> Lesson:
    events = tuple(new for event in shipped().events if (new := change(event)) is not None)
    return analyze(replace(shipped(), events=events))


def problems(lesson: Lesson) -> str:
    told = lesson.quality["recordings"][0]["warnings"]
    return " ".join(f"{warning['text']} {warning['do']}" for warning in told if warning["level"] == "problem")


def test_the_lesson_as_it_is_has_no_problem() -> None:
    assert problems(right()) == ""


@pytest.mark.parametrize("late_s", [-10.0, 40.0])
def test_marks_of_another_clock_are_not_believed(late_s: float) -> None:
    lesson = with_events(lambda event: replace(event, onset=event.onset + late_s))
    assert "contradict each other" in problems(lesson)
    assert "events' times" in problems(lesson)
    # The steps are in the data, and give what the marks in their places give (to a tenth of the standard errors).
    one, other = right().swings, lesson.swings
    assert len(one) == len(other)
    for name in ("arm_height_top_deg", "wrist_flexion_address_deg", "shoulder_tilt_address_deg"):
        assert np.all(np.abs(one[name] - other[name]) < 0.1 * one[f"{name}_se"] + 0.05), name


def test_where_the_data_show_no_steps_either_nothing_is_told_by_wrong_ones() -> None:
    # Everything before the first shot is gone but the marks, which now lie within the shots.
    first = min(event.onset for event in shipped().of_type(SHOT)) - 12.0
    sensors = {}
    for point, stream in shipped().sensors.items():
        kept = stream.time > first
        sensors[point] = replace(
            stream, time=stream.time[kept] - stream.time[kept][0], gyr=stream.gyr[kept], acc=stream.acc[kept]
        )
    moved = tuple(
        replace(event, onset=event.onset - (0.0 if event.trial_type in CALIBRATION_STEPS else first))
        for event in shipped().events
    )
    lesson = analyze(replace(shipped(), sensors=sensors, events=moved))
    told = lesson.quality["recordings"][0]["calibration"]
    believed = [step["residual_deg"] for step in told["steps"].values() if step["residual_deg"] is not None]
    assert max(believed, default=0.0) < 30.0


def test_events_outside_the_recording_are_counted() -> None:
    half = {
        point: replace(s, time=s.time[: len(s.time) // 2], gyr=s.gyr[: len(s.gyr) // 2], acc=s.acc[: len(s.acc) // 2])
        for point, s in shipped().sensors.items()
    }
    end = min(float(s.time[-1]) for s in half.values())
    late = [event for event in shipped().events if event.onset > end + 10.0]
    lesson = analyze(replace(shipped(), sensors=half))
    assert f"{len(late)} of {len(shipped().events)} events lie outside the recording" in problems(lesson)
    early = with_events(lambda e: replace(e, onset=-5.0) if e.trial_type == "tap" else e)
    assert "lie outside the recording" in problems(early)


def test_a_recorder_that_stopped_early_is_no_other_unit() -> None:
    """Empty after a quarter of the lesson: what was recorded is measured, whatever else the coach noted."""
    end = 0.25 * max(float(s.time[-1]) for s in shipped().sensors.values())
    quarter = {}
    for point, s in shipped().sensors.items():
        kept = s.time < end
        quarter[point] = replace(s, time=s.time[kept], gyr=s.gyr[kept], acc=s.acc[kept], mag=None)
    noted = [replace(event, onset=3.0 * event.onset) for event in shipped().events if event.onset > end]
    events = (*(event for event in shipped().events if event.onset <= end), *noted)
    lesson = analyze(replace(shipped(), sensors=quarter, events=events))
    assert f"{len(noted)} of {len(events)} events lie outside the recording" in problems(lesson)
    assert lesson.quality["recordings"][0]["calibration"]["steps"]["stand"]["found"]


@pytest.mark.parametrize(
    ("factor", "unit"), [(1e3, "looks like milliseconds"), (200.0, "looks like samples at 200 Hz"), (1e6, "micro")]
)
def test_events_in_another_unit_are_refused_with_the_unit(factor: float, unit: str) -> None:
    # By hand: the last knock of the shipped lesson begins at 260.185 s, in milliseconds at 260185, at 200 Hz at 52037.
    assert shipped().sensors["chest"].rate == 200.0
    with pytest.raises(RecordingError, match="events lie outside the recording") as error:
        with_events(lambda event: replace(event, onset=factor * event.onset))
    assert unit in str(error.value)
    assert f"end at {factor * 260.185:.0f}" in str(error.value)
    assert "_events.tsv" in str(error.value)


def test_events_told_as_times_of_day_are_refused_and_a_late_note_is_not() -> None:
    # A clock time in seconds since 1970, as recorders write it.
    with pytest.raises(RecordingError, match="22 of 22 events lie outside"):
        with_events(lambda event: replace(event, onset=1.7e9 + event.onset))
    late = Event(onset=300.0, duration=0.0, trial_type=SHOT)
    assert "1 of 1 events lie outside" in problems(analyze(replace(shipped(), events=(late,))))


def test_a_mark_made_twice_counts_once_with_the_words_of_both() -> None:
    twice = [
        replace(event, onset=event.onset + 0.1, outcome=None)
        for event in shipped().events
        if event.trial_type in (SHOT, "bow")
    ]
    lesson = analyze(replace(shipped(), events=(*shipped().events, *twice)))
    # What is right is the lesson with each mark once.
    assert lesson.swings["outcome"].tolist() == right().swings["outcome"].tolist()
    assert lesson.swings["chest_continuity"].tolist() == right().swings["chest_continuity"].tolist()
    told = [warning["text"] for warning in lesson.quality["recordings"][0]["warnings"]]
    assert any(text.startswith(f"{len(twice)} mark(s) stand twice and count once: bow at") for text in told)
    assert not any("twice" in warning["text"] for warning in right().quality["recordings"][0]["warnings"])


def test_shots_noted_where_nobody_swung_are_told() -> None:
    count = len(shipped().of_type(SHOT))
    lesson = with_events(lambda e: replace(e, onset=1.0 + 40.0 * e.onset / 300.0) if e.trial_type == SHOT else e)
    assert f"{count} of {count} noted shots have no swing" in problems(lesson)
    # Less than half of them are slips of the finger.
    lost = {event.onset for event in shipped().of_type(SHOT)[: count // 2 - 1]}
    some = with_events(lambda e: replace(e, onset=1.0) if e.trial_type == SHOT and e.onset in lost else e)
    assert "noted shots" not in problems(some)


def test_a_table_shorter_than_its_sidecar_tells_is_said_to_be_cut(tmp_path: Path) -> None:
    shutil.copytree(LESSON.parents[3], tmp_path / "dataset")
    table = sorted((tmp_path / "dataset").glob("**/*_motion.tsv"))[0]
    lines = table.read_bytes().splitlines(keepends=True)
    table.write_bytes(b"".join(lines[: len(lines) // 2]))
    told = json.loads(table.with_suffix(".json").read_text(encoding="utf-8"))["RecordingDuration"]
    with pytest.warns(UserWarning, match=f"RecordingDuration {told:.0f} s, but {told / 2:.0f} s are there"):
        read(table)


def test_a_recording_of_the_routine_alone_expects_no_swing() -> None:
    until = max(event.end for event in shipped().of_type(*CALIBRATION_STEPS)) + 2.0
    sensors = {}
    for point, stream in shipped().sensors.items():
        kept = stream.time < until
        sensors[point] = replace(stream, time=stream.time[kept], gyr=stream.gyr[kept], acc=stream.acc[kept])
    steps = shipped().of_type(*CALIBRATION_STEPS)
    alone = analyze(replace(shipped(), task="calibration", sensors=sensors, events=steps))
    assert len(alone.swings) == 0
    assert usable(alone.quality["recordings"][0])
    assert problems(alone) == ""
    shot = Event(onset=until, duration=0.0, trial_type=SHOT)
    noted = analyze(replace(shipped(), task="calibration", sensors=sensors, events=(*steps, shot)))
    assert not usable(noted.quality["recordings"][0])
    assert "No swing was found" in problems(analyze(replace(shipped(), sensors=sensors, events=steps)))


@pytest.mark.parametrize(("factor", "unit"), [(9.80665, "m/s^2 and not g"), (1.0 / 9.80665, "probably g")])
def test_an_accelerometer_in_another_unit_is_refused_though_it_never_rests(factor: float, unit: str) -> None:
    def restless(stream: SensorStream) -> SensorStream:
        # By hand: a shaking of 3 m/s² at some 4 Hz leaves no rest and hardly changes the median length.
        shake = 3.0 * np.sin(25.0 * stream.time)[:, None] * [1.0, 0.0, 0.0]
        return replace(
            stream, acc=factor * (stream.acc + shake), gyr=stream.gyr + 0.3 * np.cos(25.0 * stream.time)[:, None]
        )

    sensors = dict(shipped().sensors)
    sensors["lead_hand"] = restless(sensors["lead_hand"])
    with pytest.raises(RecordingError, match="accelerometer of lead hand") as error:
        analyze(replace(shipped(), sensors=sensors))
    assert unit in str(error.value)


def test_an_earlier_recordings_marks_are_believed_no_more_than_ones_own() -> None:
    late = tuple(replace(event, onset=event.onset + 40.0) for event in shipped().events)
    routine = earlier_routine(replace(shipped(), events=late), Settings())
    assert routine.steps
    assert not set(routine.steps) & set(late)
