"""Which recordings are found, in which order, and which one is taken for the calibration."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from recordings_for_tests import make_recording, make_stream

from imuswing.recording.find import calibration_recording, find_recordings
from imuswing.recording.model import Event
from imuswing.recording.write import start_dataset, write_recording

STAND = (Event(onset=0.0, duration=0.1, trial_type="stand"),)
SHOT = (Event(onset=0.1, duration=0.0, trial_type="shot"),)
START = datetime(2024, 5, 1, 10, 0, 0)


def add(root: Path, *, minute: float | None, events: Iterable[Event] = SHOT, **labels: str) -> Path:
    acq_time = None if minute is None else START + timedelta(minutes=minute)
    return write_recording(make_recording(events=events, **labels), root, acq_time=acq_time)[0]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    start_dataset(tmp_path / "dataset", name="Generated", description="Random numbers for a test.")
    return tmp_path / "dataset"


def test_order_is_participant_session_time(root: Path) -> None:
    late = add(root, minute=5, task="chip", run="1")
    early = add(root, minute=1, task="full", run="2")
    second_session = add(root, minute=0, session="02")
    other = add(root, minute=-9, participant="002")
    assert find_recordings(root) == [early, late, second_session, other]
    assert find_recordings(str(early.parent.parent)) == [early, late]
    assert find_recordings(late) == [late]


def test_without_times_numbers_in_names_count(root: Path) -> None:
    paths = [add(root, minute=None, run=run) for run in ("10", "2", "1")]
    assert find_recordings(root) == paths[::-1]


def test_one_unknown_time_makes_the_session_go_by_name(root: Path) -> None:
    first = add(root, minute=9, run="1")
    second = add(root, minute=None, run="2")
    third = add(root, minute=1, run="3")
    assert find_recordings(root) == [first, second, third]


def test_a_recording_of_several_systems_is_one(root: Path) -> None:
    streams = (make_stream("chest", tracking_system="b"), make_stream("lead_hand", tracking_system="a"))
    paths = write_recording(make_recording(*streams), root, acq_time=START)
    assert [path.name.split("_")[3] for path in paths] == ["tracksys-a", "tracksys-b"]
    assert find_recordings(root) == find_recordings(paths[1]) == [paths[0]]


def test_other_folders_of_a_dataset_are_left_alone(root: Path) -> None:
    path = add(root, minute=0)
    for folder in ("derivatives/imuswing-tables", "sourcedata", "code", ".cache"):
        (root / folder).mkdir(parents=True)
        (root / folder / path.name).write_text("not a recording")
    assert find_recordings(root) == [path]


def test_a_wrong_name_or_scans_file_does_not_hide_the_others(root: Path) -> None:
    path = add(root, minute=0)
    wrong = path.with_name("sub-01_motion.tsv")
    wrong.write_text("1\n")
    next(root.rglob("*_scans.tsv")).write_text("file\n")
    assert sorted(find_recordings(root)) == sorted([path, wrong])


def test_newest_earlier_calibration_by_time(root: Path) -> None:
    first = add(root, minute=0, task="calibration", run="1", events=STAND)
    shots = add(root, minute=1, task="chip")
    again = add(root, minute=2, task="calibration", run="2", events=STAND)
    later = add(root, minute=3, task="full")
    add(root, minute=4, task="calibration", run="3", events=STAND)
    assert calibration_recording(first) is None
    assert calibration_recording(shots) == first
    assert calibration_recording(again) == first
    assert calibration_recording(later) == again


def test_another_session_or_participant_does_not_serve(root: Path) -> None:
    add(root, minute=0, session="01", events=STAND)
    add(root, minute=1, participant="02", session="02", events=STAND)
    assert calibration_recording(add(root, minute=2, session="02")) is None


def test_calibration_without_times_goes_by_name_calibration_task_first(root: Path) -> None:
    bunker = add(root, minute=None, task="bunker")
    calibration = add(root, minute=None, task="calibration", events=STAND)
    assert calibration_recording(bunker) == calibration
    assert calibration_recording(calibration) is None
    second = add(root, minute=None, task="chip", run="2", events=STAND)
    tenth = add(root, minute=None, task="chip", run="10")
    assert calibration_recording(tenth) == second
