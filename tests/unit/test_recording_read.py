"""Reading: hand-written files (BIDS specification 1.10, Motion) against the numbers that stand in them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from recordings_for_tests import IMU_CHANNELS, hand_written_dataset

from imuswing.errors import RecordingError
from imuswing.recording import motion_table
from imuswing.recording.model import Event
from imuswing.recording.read import RecordingWarning, find_recordings, read, read_all

HEADER = "name\tcomponent\ttype\ttracked_point\tunits\n"
TIMED = IMU_CHANNELS + "\nt\tn/a\tLATENCY\tn/a\ts\n"
EVENTS = "onset\tduration\ttrial_type\toutcome\n"


def test_columns_stand_where_channels_say(tmp_path: Path) -> None:
    recording = read(hand_written_dataset(tmp_path))
    chest = recording.sensors["chest"]
    np.testing.assert_array_equal(chest.acc, [[1, 2, 3], [7, 8, 9], [13, 14, 15]])
    np.testing.assert_array_equal(chest.gyr, [[4, 5, 6], [10, 11, 12], [16, 17, 18]])
    np.testing.assert_array_equal(chest.time, [0.0, 0.01, 0.02])
    assert chest.mag is None
    assert (chest.rate, chest.sample_meaning, chest.gyr_range, chest.acc_range) == (100.0, "instant", None, None)
    assert (recording.participant, recording.session, recording.task) == ("01", "01", "chip")
    assert (recording.acq, recording.run, recording.lead_side, recording.events) == (None, None, "left", ())
    assert dict(recording.start_hints) == {}


def test_any_order_of_columns_several_points_and_channels_of_other_types(tmp_path: Path) -> None:
    names = [(kind, axis, point) for point in ("lead_hand", "chest") for kind in ("GYRO", "ACCEL") for axis in "zxy"]
    rows = [
        f"c{i}\t{axis}\t{kind}\t{point}\t{'rad/s' if kind == 'GYRO' else 'm/s^2'}\n"
        for i, (kind, axis, point) in enumerate(names)
    ]
    rows.insert(3, "battery\tn/a\tMISC\tn/a\tV\n")
    rows.insert(0, "ball\tx\tPOS\tball\tm\n")
    numbers = [str(number) for number in range(12)]
    numbers.insert(3, "low")
    numbers.insert(0, "?")
    recording = read(hand_written_dataset(tmp_path, channels=HEADER + "".join(rows), motion="\t".join(numbers) + "\n"))
    assert list(recording.sensors) == ["chest", "lead_hand"]
    np.testing.assert_array_equal(recording.sensors["lead_hand"].gyr, [[1, 2, 0]])
    np.testing.assert_array_equal(recording.sensors["lead_hand"].acc, [[4, 5, 3]])
    np.testing.assert_array_equal(recording.sensors["chest"].gyr, [[7, 8, 6]])
    np.testing.assert_array_equal(recording.sensors["chest"].acc, [[10, 11, 9]])


def test_units_become_si(tmp_path: Path) -> None:
    """Standard gravity 9.80665 m/s² (3rd CGPM 1901, from memory); 180° = π rad; 1 T = 10⁶ µT (SI)."""
    kinds = (("ACCEL", "g"), ("GYRO", "deg/s"), ("MAGN", "T"))
    rows = "".join(f"{kind}{axis}\t{axis}\t{kind}\tclub\t{unit}\n" for kind, unit in kinds for axis in "xyz")
    motion = "1\t0\t-2\t180\t90\t-360\t50e-6\t0\t1e-6\n"
    club = read(hand_written_dataset(tmp_path, channels=HEADER + rows, motion=motion)).sensors["club"]
    np.testing.assert_allclose(club.acc, [[9.80665, 0.0, -19.6133]], rtol=1e-15)
    np.testing.assert_allclose(club.gyr, [[math.pi, math.pi / 2, -2 * math.pi]], rtol=1e-15)
    assert club.mag is not None
    np.testing.assert_allclose(club.mag, [[50.0, 0.0, 1.0]], rtol=1e-15)


def test_lost_samples_are_nan(tmp_path: Path) -> None:
    motion = "1\t2\t3\t4\t5\t6\nn/a\tn/a\tn/a\tn/a\tn/a\tn/a\n1\tn/a\t3\t4\t5\tn/a\n"
    chest = read(hand_written_dataset(tmp_path, motion=motion)).sensors["chest"]
    nan = np.nan
    np.testing.assert_array_equal(chest.acc, [[1, 2, 3], [nan] * 3, [1, nan, 3]])
    np.testing.assert_array_equal(chest.gyr, [[4, 5, 6], [nan] * 3, [4, 5, nan]])


@pytest.mark.parametrize(
    "text", ["\ufeff1\t2\t3\t4\t5\t6\n", "1\t2\t3\t4\t5\t6\r\n", "1\t2\t3\t4\t5\t6", "+1\t2.\t3\t4e0\t5\t6\n"]
)
def test_marks_line_ends_and_number_forms(text: str, tmp_path: Path) -> None:
    chest = read(hand_written_dataset(tmp_path, motion=text)).sensors["chest"]
    np.testing.assert_array_equal(np.hstack((chest.acc, chest.gyr)), [[1, 2, 3, 4, 5, 6]])


def lines(*times: str, data: str = "1\t2\t3\t4\t5\t6") -> str:
    return "".join(f"{data}\t{time}\n" for time in times)


def test_latency_is_counted_from_the_first_sample(tmp_path: Path) -> None:
    chest = read(hand_written_dataset(tmp_path, channels=TIMED, motion=lines("2.5", "2.509", "2.531"))).sensors["chest"]
    np.testing.assert_allclose(chest.time, [0.0, 0.009, 0.031], atol=1e-12)


def test_a_line_without_time_and_data_is_a_gap(tmp_path: Path) -> None:
    motion = lines("0", "0.01") + lines("n/a", data="\t".join(["n/a"] * 6)) + lines("0.03")
    chest = read(hand_written_dataset(tmp_path, channels=TIMED, motion=motion)).sensors["chest"]
    np.testing.assert_array_equal(chest.time, [0.0, 0.01, 0.03])
    assert len(chest.gyr) == 3


def test_an_exact_copy_of_a_line_is_left_out_and_told(tmp_path: Path) -> None:
    path = hand_written_dataset(tmp_path, channels=TIMED, motion=lines("0", "0.01", "0.01", "0.01", "0.02"))
    with pytest.warns(RecordingWarning, match=r"motion\.tsv: 2 line\(s\) left out that repeat the one before"):
        chest = read(path).sensors["chest"]
    np.testing.assert_array_equal(chest.time, [0.0, 0.01, 0.02])


def test_a_sensor_without_a_sample_is_left_out_and_told(tmp_path: Path) -> None:
    dead = IMU_CHANNELS.replace("chest", "lead_hand").split("\n", 1)[1]
    motion = ("1\t2\t3\t4\t5\t6" + "\tn/a" * 6 + "\n") * 3
    path = hand_written_dataset(tmp_path, channels=f"{IMU_CHANNELS}\n{dead}\n", motion=motion)
    with pytest.warns(RecordingWarning, match="lead_hand is left out: its ACCEL and GYRO samples are all n/a"):
        assert list(read(path).sensors) == ["chest"]


@pytest.mark.parametrize(
    ("unit", "told", "expected"),
    [
        # The unit that is named; else that of the channels, if a sensor can have such a range and the data fit into it.
        ("rad/s", '"GyroRange": 2000, "GyroRangeUnits": "deg/s"', math.radians(2000)),
        ("rad/s", '"GyroRange": 35', 35.0),
        ("rad/s", '"GyroRange": 2000', math.radians(2000)),
        ("deg/s", '"GyroRange": 2000', math.radians(2000)),
        ("rad/s", '"GyroRange": {"chest": 35, "club": 70}', 35.0),
        ("rad/s", '"GyroRange": {"club": 70}', None),
        ("rad/s", '"GyroRange": 1e9', None),
        ("rad/s", '"GyroRange": 10', math.nan),
    ],
)
def test_gyroscope_range(unit: str, told: str, expected: float | None, tmp_path: Path) -> None:
    """The data reach 18 in the unit of the channels, so a range of 10 rad/s cannot be true; 10 °/s no sensor has."""
    sidecar = '{"SamplingFrequency": 100, ' + told + "}"
    path = hand_written_dataset(tmp_path, channels=IMU_CHANNELS.replace("rad/s", unit) + "\n", sidecar=sidecar)
    found = read(path).sensors["chest"].gyr_range
    if expected is None or math.isnan(expected):
        assert found is None
    else:
        assert found == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "told", "expected"),
    [("m/s^2", 157.0, 157.0), ("m/s^2", 16, 16 * 9.80665), ("g", 16, 16 * 9.80665), ("g", 200, 200 * 9.80665)],
)
def test_accelerometer_range(unit: str, told: float, expected: float, tmp_path: Path) -> None:
    """No accelerometer has 16 m/s² (1.6 g) as its full scale (common practice, no source)."""
    sidecar = f'{{"SamplingFrequency": 100, "AccelRange": {told}}}'
    path = hand_written_dataset(tmp_path, channels=IMU_CHANNELS.replace("m/s^2", unit) + "\n", sidecar=sidecar)
    assert read(path).sensors["chest"].acc_range == pytest.approx(expected, rel=1e-12)


def test_sample_meaning(tmp_path: Path) -> None:
    path = hand_written_dataset(tmp_path, sidecar='{"SamplingFrequency": 100, "SampleMeaning": "mean"}')
    assert read(path).sensors["chest"].sample_meaning == "mean"


def test_sidecar_and_channels_may_stand_higher_up(tmp_path: Path) -> None:
    """BIDS 1.10, "The Inheritance Principle": the nearer file wins, key by key in JSON."""
    path = hand_written_dataset(tmp_path, sidecar='{"TaskName": "chip", "SampleMeaning": "mean"}')
    (tmp_path / "task-chip_motion.json").write_text('{"SamplingFrequency": 50, "SampleMeaning": "instant"}')
    (tmp_path / "task-full_motion.json").write_text('{"SamplingFrequency": 1}')
    channels = path.with_name(path.name.replace("motion.tsv", "channels.tsv"))
    channels.rename(tmp_path / "sub-01" / "sub-01_tracksys-imu_channels.tsv")
    chest = read(path).sensors["chest"]
    assert (chest.rate, chest.sample_meaning) == (50.0, "mean")


def test_events_of_both_files_without_those_of_others(tmp_path: Path) -> None:
    text = EVENTS + "9\tn/a\tshot\tfat\n1.5\t3\tstand\tn/a\nn/a\tn/a\tdoorbell\tn/a\n"
    path = hand_written_dataset(tmp_path, events=text)
    shared = path.with_name("sub-01_ses-01_task-chip_events.tsv")
    shared.write_text(
        'onset\tduration\ttrial_type\tblock\tnote\n4\t20\tblock\tdrill\t"two\twords"\n1.5\t3\tstand\tn/a\tn/a\n'
    )
    with pytest.warns(RecordingWarning, match="doorbell"):
        recording = read(path)
    assert recording.events == (
        Event(onset=1.5, duration=3.0, trial_type="stand"),
        Event(onset=4.0, duration=20.0, trial_type="block", block="drill", note="two\twords"),
        Event(onset=9.0, duration=0.0, trial_type="shot", outcome="fat"),
    )


def test_event_words_that_are_not_known_are_told_once_together(tmp_path: Path) -> None:
    """`warmup` is like none of our words, `cue` another program's; BIDS 1.10 has n/a for no value, and 9 types are one
    more than are named."""
    rows = ["warmup", "cue", "cue", "n/a", "shot"]
    path = hand_written_dataset(
        tmp_path, events=EVENTS + "".join(f"{i}\t0\t{row}\tn/a\n" for i, row in enumerate(rows))
    )
    file = path.name.replace("_motion", "_events")
    with pytest.warns(RecordingWarning) as caught:
        recording = read(path)
    (told,) = recording.strange_events
    assert [str(warning.message) for warning in caught] == [told]
    assert f"{file}: 3 row(s) passed over whose trial_type is not known: 'warmup', 'cue'. Known are 'stand'," in told
    assert [event.trial_type for event in recording.events] == ["shot"]
    many = "".join(f"{i}\t0\tcue {i}\tn/a\n" for i in range(9))
    path.with_name(file).write_text(EVENTS + many)
    with pytest.warns(RecordingWarning, match="'cue 7' and 1 more"):
        read(path)


def two_systems(root: Path, *, scans: str | None = None) -> Path:
    hand = IMU_CHANNELS.replace("chest", "lead_hand") + "\n"
    hand_written_dataset(
        root, system="b", channels=hand, sidecar='{"SamplingFrequency": 50}', motion="1\t2\t3\t4\t5\t6\n"
    )
    return hand_written_dataset(root, system="a", scans=scans)


def test_tracking_systems_of_a_recording_are_read_along(tmp_path: Path) -> None:
    first = two_systems(tmp_path)
    for path in (first, first.with_name(first.name.replace("tracksys-a", "tracksys-b"))):
        recording = read(path)
        assert {point: stream.tracking_system for point, stream in recording.sensors.items()} == {
            "chest": "a",
            "lead_hand": "b",
        }
        assert [stream.rate for stream in recording.sensors.values()] == [100.0, 50.0]
        assert recording.source == first


@pytest.mark.parametrize(
    ("start_a", "start_b", "expected"),
    [
        ("2024-05-01T10:00:00", "2024-05-01T10:00:02", {"a": 0.0, "b": 2.0}),
        ("2024-05-01T10:00:00.250000", "2024-05-01T10:00:00", {"a": 0.0, "b": -0.25}),
        ("2024-05-01T10:00:00Z", "2024-05-01T12:00:00.5+02:00", {"a": 0.0, "b": 0.5}),
        ("2024-05-01T10:00:00", "n/a", {"a": 0.0}),
        ("n/a", "2024-05-01T10:00:00", {}),
    ],
)
def test_start_hints(start_a: str, start_b: str, expected: dict[str, float], tmp_path: Path) -> None:
    stem = "motion/sub-01_ses-01_task-chip_tracksys-"
    scans = f"filename\tacq_time\n{stem}b_motion.tsv\t{start_b}\n{stem}a_motion.tsv\t{start_a}\n"
    assert dict(read(two_systems(tmp_path, scans=scans)).start_hints) == expected


SCANS_OF_TWO = "filename\tacq_time\n" + "".join(
    f"motion/sub-01_ses-01_task-chip_tracksys-{system}_motion.tsv\tn/a\n" for system in "ab"
)


@pytest.mark.parametrize(
    ("lost", "left", "told"), [("b", "chest", "left out$"), ("a", "lead_hand", "stands for its clock")]
)
def test_a_lost_table_costs_its_own_sensors_only(lost: str, left: str, told: str, tmp_path: Path) -> None:
    """scans.tsv lists every recording of a session (BIDS specification 1.10, "Scans file"), so a lost one shows."""
    path = two_systems(tmp_path, scans=SCANS_OF_TWO)
    path.with_name(path.name.replace("tracksys-a", f"tracksys-{lost}")).unlink()
    kept = path.with_name(path.name.replace("tracksys-a", "tracksys-b" if lost == "a" else "tracksys-a"))
    with pytest.warns(RecordingWarning, match=told) as caught:
        recording = read(kept)
    assert list(recording.sensors) == [left]
    assert len(caught) == 1
    assert f"tracksys-{lost}_motion.tsv" in recording.notes[0]


def test_events_told_on_a_lost_clock_are_left_out_and_told_of(tmp_path: Path) -> None:
    path = two_systems(tmp_path, scans=SCANS_OF_TWO)
    events = path.with_name(path.name.replace("motion.tsv", "events.tsv"))
    events.write_text("onset\tduration\ttrial_type\n1\t3\tstand\n")
    path.unlink()
    with pytest.warns(RecordingWarning, match=f"so is {events.name}"):
        recording = read(path.with_name(path.name.replace("tracksys-a", "tracksys-b")))
    assert recording.events == ()


def test_an_unfinished_part_beside_a_missing_table_refuses_the_recording(tmp_path: Path) -> None:
    path = two_systems(tmp_path, scans=SCANS_OF_TWO)
    lost = path.with_name(path.name.replace("tracksys-a", "tracksys-b"))
    lost.rename(lost.with_name(f".{lost.name}.part"))
    with pytest.raises(RecordingError, match="was not written to its end"):
        read(path)


def test_a_system_without_inertial_channels_is_left_alone(tmp_path: Path) -> None:
    """A camera that comes first by name: events without a system would be told on its clock, so they cannot be used."""
    path = hand_written_dataset(tmp_path)
    camera = HEADER + "px\tx\tPOS\tball\tm\n"
    hand_written_dataset(tmp_path, system="camera", channels=camera, motion="far\n", sidecar="{}")
    recording = read(find_recordings(tmp_path)[0])
    assert (list(recording.sensors), recording.source) == (["chest"], path)
    path.with_name("sub-01_ses-01_task-chip_events.tsv").write_text(EVENTS + "1\t2\tstand\tn/a\n")
    with pytest.raises(Exception, match="on another clock than that of the tracking system imu"):
        read(path)


def test_read_all_gives_one_after_the_other(tmp_path: Path) -> None:
    path = hand_written_dataset(tmp_path)
    recordings = read_all(path.parent.parent)
    assert next(recordings).source == path
    assert next(recordings, None) is None


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_a_large_file_read_by_blocks_gives_the_same(
    line_end: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both ways of reading against the numbers that were written; 3 MB are several of the parser's blocks (1 MB)."""
    rng = np.random.default_rng(3)
    numbers = rng.normal(size=(60_000, 6)).round(6)
    lost = rng.random(numbers.shape) < 0.01
    cells = np.where(lost, "n/a", np.char.mod("%.6f", numbers))
    rows = ["\t".join(row) for row in cells]
    path = hand_written_dataset(tmp_path, motion=line_end.join(rows) + line_end)
    numbers[lost] = np.nan
    for large in (motion_table.LARGE_FILE, 0):
        monkeypatch.setattr(motion_table, "LARGE_FILE", large)
        chest = read(path).sensors["chest"]
        np.testing.assert_array_equal(np.hstack((chest.acc, chest.gyr)), numbers)
