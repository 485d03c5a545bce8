"""Writing: what stands in the files, read back with pandas and json instead of our own reader."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from recordings_for_tests import make_recording, make_stream

from imuswing.errors import SettingsError
from imuswing.recording.model import Event
from imuswing.recording.read import read
from imuswing.recording.write import add_participant, start_dataset, write_events, write_recording

START = datetime(2024, 5, 1, 10, 0, 0)
STEM = "sub-01/ses-01/motion/sub-01_ses-01_task-chip_"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    start_dataset(tmp_path / "dataset", name="Generated", description="Random numbers for a test.")
    return tmp_path / "dataset"


def table(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)


def test_motion_table_channels_and_sidecar(root: Path) -> None:
    stream = make_stream(with_mag=True, gyr_range=35.0, acc_range=157.0, sample_meaning="mean")
    (path,) = write_recording(make_recording(stream), root, acq_time=START)
    assert path == root / f"{STEM}tracksys-imu_motion.tsv"
    numbers = pd.read_csv(path, sep="\t", header=None, na_values="n/a").to_numpy()
    assert stream.mag is not None
    np.testing.assert_array_equal(numbers, np.hstack((stream.acc, stream.gyr, stream.mag)))
    channels = table(root / f"{STEM}tracksys-imu_channels.tsv")
    assert list(channels.columns) == ["name", "component", "type", "tracked_point", "units"]
    assert list(channels["type"]) == ["ACCEL"] * 3 + ["GYRO"] * 3 + ["MAGN"] * 3
    assert list(channels["units"]) == ["m/s^2"] * 3 + ["rad/s"] * 3 + ["uT"] * 3
    assert list(channels["component"]) == list("xyz") * 3
    sidecar = json.loads(path.with_suffix(".json").read_text())
    assert sidecar["TaskName"] == "chip"
    assert sidecar["SamplingFrequency"] == 200.0
    assert sidecar["SampleMeaning"] == "mean"
    assert (sidecar["GyroRange"], sidecar["GyroRangeUnits"]) == (35.0, "rad/s")
    assert (sidecar["AccelRange"], sidecar["AccelRangeUnits"]) == (157.0, "m/s^2")


@pytest.mark.parametrize(("shift", "expected"), [(0.9e-6, False), (1.1e-6, True)])
def test_latency_where_times_are_uneven(shift: float, expected: bool, root: Path) -> None:
    time = np.arange(30) / 200.0
    time[7] += shift
    (path,) = write_recording(make_recording(make_stream(time=time)), root, acq_time=START)
    kinds = list(table(root / f"{STEM}tracksys-imu_channels.tsv")["type"])
    assert ("LATENCY" in kinds) is expected
    if expected:
        np.testing.assert_array_equal(np.loadtxt(path, usecols=0), time)


def test_rounded_numbers_stay_short(root: Path) -> None:
    """Numbers that the caller rounded are written with their few digits, so that small recordings stay small."""
    exact = make_stream()
    stream = make_stream(gyr_range=35.0)
    object.__setattr__(stream, "gyr", np.round(exact.gyr, 4))
    object.__setattr__(stream, "acc", np.round(exact.acc, 3))
    (path,) = write_recording(make_recording(stream), root, acq_time=START)
    cells = [cell for line in path.read_text().splitlines() for cell in line.split("\t")]
    assert max(len(cell.lstrip("-")) for cell in cells) <= 7


def test_scans_and_events(root: Path) -> None:
    streams = (make_stream("chest", tracking_system="a"), make_stream("lead_hand", tracking_system="b"))
    events = (
        Event(onset=1e-5, duration=0.05, trial_type="stand"),
        Event(onset=0.1, duration=0.0, trial_type="shot", outcome="a\tbit  thin\n"),
    )
    recording = make_recording(*streams, events=events, start_hints={"b": 0.125})
    write_recording(recording, root, acq_time=START)
    scans = table(root / "sub-01/ses-01/sub-01_ses-01_scans.tsv")
    assert list(scans["filename"]) == [f"{STEM[14:]}tracksys-{system}_motion.tsv" for system in "ab"]
    assert list(scans["acq_time"]) == ["2024-05-01T10:00:00.000000", "2024-05-01T10:00:00.125000"]
    told = table(root / f"{STEM}tracksys-a_events.tsv")
    assert told.to_dict("list") == {
        "onset": ["0.00001", "0.1"],
        "duration": ["0.05", "0"],
        "trial_type": ["stand", "shot"],
        "outcome": ["n/a", "a bit thin"],
    }
    described = json.loads((root / f"{STEM}tracksys-a_events.json").read_text())
    assert list(described) == list(told.columns)
    assert not (root / f"{STEM}tracksys-b_events.tsv").exists()


def test_times_with_a_zone_become_utc(root: Path) -> None:
    write_recording(make_recording(), root, acq_time=START.replace(tzinfo=UTC))
    assert list(table(root / "sub-01/ses-01/sub-01_ses-01_scans.tsv")["acq_time"]) == ["2024-05-01T10:00:00.000000Z"]


def test_participants(root: Path) -> None:
    add_participant(root, participant="02", lead_side="right", columns={"goals": "stop stalling"})
    add_participant(root, participant="02", lead_side="right")
    write_recording(make_recording(), root, acq_time=START)
    assert table(root / "participants.tsv").to_dict("list") == {
        "participant_id": ["sub-02", "sub-01"],
        "lead_side": ["right", "left"],
        "goals": ["stop stalling", "n/a"],
    }
    assert list(json.loads((root / "participants.json").read_text())) == ["participant_id", "lead_side", "goals"]
    with pytest.raises(SettingsError, match="sub-02 stands there already, with other values"):
        add_participant(root, participant="02", lead_side="left")
    add_participant(root, participant="02", lead_side="left", overwrite=True)
    assert list(table(root / "participants.tsv")["lead_side"]) == ["left", "left"]


def test_an_existing_recording_is_not_overwritten_unless_told(root: Path) -> None:
    old = make_recording(make_stream("chest", tracking_system="a"), make_stream("lead_hand", tracking_system="b"))
    paths = write_recording(old.with_events((Event(onset=0, duration=0, trial_type="tap"),)), root, acq_time=START)
    new = make_recording(make_stream("chest", tracking_system="b", seed=9))
    before = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    with pytest.raises(SettingsError, match=r"tracksys-a_motion\.tsv exists already"):
        write_recording(new, root, acq_time=START)
    assert {path: path.read_bytes() for path in root.rglob("*") if path.is_file()} == before
    written = write_recording(new, root, acq_time=START, overwrite=True)
    assert written == [paths[1]]
    assert sorted(path.name for path in paths[0].parent.iterdir()) == [
        f"{Path(STEM).name}tracksys-b_{suffix}" for suffix in ("channels.tsv", "motion.json", "motion.tsv")
    ]
    assert len(table(root / "sub-01/ses-01/sub-01_ses-01_scans.tsv")) == 1
    np.testing.assert_array_equal(read(paths[1]).sensors["chest"].gyr, new.sensors["chest"].gyr)


def test_nothing_is_left_where_writing_fails(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: object, target: object) -> None:
        raise OSError("disk full")

    add_participant(root, participant="01", lead_side="left")
    before = sorted(path for path in root.rglob("*") if path.is_file())
    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="disk full"):
        write_recording(make_recording(), root, acq_time=START)
    assert sorted(path for path in root.rglob("*") if path.is_file()) == before


@pytest.mark.parametrize(
    ("labels", "message"),
    [
        ({"participant": "J. Doe"}, "participant is 'J. Doe'; a label is made of letters and digits only"),
        ({"session": "1-a"}, "session is '1-a'"),
        ({"task": "full swing"}, "task is 'full swing'"),
        ({"run": "two"}, "run is 'two'; it must be a number"),
        ({"task": None}, "the recording has no task; name it"),
    ],
)
def test_labels_that_bids_does_not_allow(labels: dict[str, str], message: str, root: Path) -> None:
    with pytest.raises(SettingsError, match=message):
        write_recording(make_recording(**labels), root, acq_time=START)
    assert not list(root.rglob("*_motion.tsv"))


@pytest.mark.parametrize(
    ("time", "message"),
    [
        (np.array([0.1, 0.2]), "must start at 0 s and increase"),
        (np.array([0.0, 0.0]), "must start at 0 s and increase"),
        (np.array([0.0, np.nan]), "must start at 0 s and increase"),
        (np.array([]), "has no sample"),
    ],
)
def test_times_that_cannot_be_read_back(time: np.ndarray, message: str, root: Path) -> None:
    with pytest.raises(SettingsError, match=message):
        write_recording(make_recording(make_stream(time=time)), root, acq_time=START)


def test_sensors_that_do_not_share_a_clock(root: Path) -> None:
    streams = (make_stream("chest"), make_stream("lead_hand", count=41))
    with pytest.raises(SettingsError, match="chest and lead_hand differ in rate or times; give each a tracking system"):
        write_recording(make_recording(*streams), root, acq_time=START)


def test_infinite_samples(root: Path) -> None:
    stream = make_stream()
    object.__setattr__(stream, "gyr", np.full((40, 3), np.inf))
    with pytest.raises(SettingsError, match="a sample of chest is infinite; lost samples are NaN"):
        write_recording(make_recording(stream), root, acq_time=START)


def test_only_a_started_dataset_is_written_to(root: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"is no dataset \(it has no dataset_description\.json\); start one first"):
        write_recording(make_recording(), tmp_path, acq_time=START)
    with pytest.raises(SettingsError, match="is a dataset already"):
        start_dataset(root, name="Again", description="x")


@pytest.mark.filterwarnings("ignore::imuswing.recording.read.RecordingWarning")
def test_events_are_changed_in_place_and_other_rows_stay(root: Path) -> None:
    (path,) = write_recording(make_recording(), root, acq_time=START)
    own = root / f"{STEM}tracksys-imu_events.tsv"
    shared = root / f"{STEM}events.tsv"
    own.write_text("onset\tduration\ttrial_type\tvalue\n0.1\t0\tshot\t7\n0.15\t1\tdoorbell\t8\n")
    shared.write_text("onset\tduration\ttrial_type\n0.01\t0.02\tstand\n")
    recording = read(path)
    stand, shot = recording.events
    bow = Event(onset=0.05, duration=0.02, trial_type="bow", note="slow")
    assert write_events(recording.with_events((shot, bow))) == own
    assert table(own).to_dict("list") == {
        "onset": ["0.05", "0.1", "0.15"],
        "duration": ["0.02", "0", "1"],
        "trial_type": ["bow", "shot", "doorbell"],
        "note": ["slow", "n/a", "n/a"],
        "value": ["n/a", "7", "8"],
    }
    assert not shared.exists()
    assert stand not in read(path).events
    assert read(path).events == (bow, shot)


def test_events_of_a_recording_in_memory_have_no_file() -> None:
    with pytest.raises(SettingsError, match="was made in memory"):
        write_events(make_recording())
