"""Each kind of unusable recording gives one sentence that names the file, what is wrong and what to do."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from recordings_for_tests import IMU_CHANNELS, hand_written_dataset

from imuswing.errors import RecordingError
from imuswing.recording.find import calibration_recording
from imuswing.recording.read import find_recordings, read

STEM = "sub-01_ses-01_task-chip_tracksys-imu_"
MOTION, CHANNELS, SIDECAR, EVENTS = (
    STEM + suffix for suffix in ("motion.tsv", "channels.tsv", "motion.json", "events.tsv")
)
ROW = "1\t2\t3\t4\t5\t6\n"
LATENCY = "t\tn/a\tLATENCY\tn/a\ts\n"
TIMED = IMU_CHANNELS + "\n" + LATENCY
SCANS = f"filename\tacq_time\nmotion/{MOTION}\t"
EVENT_HEADER = "onset\tduration\ttrial_type\n"


def timed(*times: str) -> str:
    """A motion table whose data differ from line to line, with these sample times."""
    return "".join(f"{number}\t2\t3\t4\t5\t6\t{time}\n" for number, time in enumerate(times))


def channels(old: str, new: str, count: int = -1) -> str:
    """The usual channels with a text replaced."""
    changed = IMU_CHANNELS.replace(old, new, count) + "\n"
    assert changed != IMU_CHANNELS + "\n"
    return changed


BAD_INPUTS: dict[str, tuple[dict[str, str], str, str, str]] = {
    # what is written by hand, file that the message names, what is wrong, what to do
    "empty": ({"motion": ""}, MOTION, "is empty", "record again"),
    "blank": ({"motion": "\n\n"}, MOTION, "is empty", "record again"),
    "header": ({"motion": "ax\tay\taz\tgx\tgy\tgz\n" + ROW}, MOTION, "has a header row", "delete its first line"),
    "text": ({"motion": ROW + "1\t2\tx\t4\t5\t6\n"}, MOTION, "line 2 holds 'x' where az needs a number", "n/a"),
    "comma": ({"motion": "1,5\t2\t3\t4\t5\t6\n"}, MOTION, "line 1 holds '1,5'", "decimal point"),
    "all commas": ({"motion": "1,5\t2,5\t3,5\t4,5\t5,5\t6,5\n"}, MOTION, "line 1 holds '1,5'", "decimal point"),
    "nan": ({"motion": ROW + ROW + "1\tnan\t3\t4\t5\t6\n"}, MOTION, "line 3 holds 'nan'", "n/a for a lost sample"),
    "first line nan": ({"motion": "\t".join(["NaN"] * 6) + "\n"}, MOTION, "line 1 holds 'NaN'", "n/a"),
    "infinite": ({"motion": ROW + "1\t2\t3\t4\t5\tinf\n"}, MOTION, "line 2 holds 'inf'", "write numbers"),
    "too large": ({"motion": ROW + "1\t2\t3\t4\t5\t1e999\n"}, MOTION, "line 2 holds '1e999'", "write numbers"),
    "empty cell": ({"motion": ROW + "1\t2\t\t4\t5\t6\n"}, MOTION, "line 2 holds ''", "n/a for a lost sample"),
    "ragged, short": ({"motion": ROW + "1\n" + ROW}, MOTION, "line 2 has 1 cell instead of 6", "one cell for each"),
    "cut short": (
        {"motion": ROW + "1\t2\t3"},
        MOTION,
        "line 2, the last one, stops after 3 cells of 6",
        "copy it again",
    ),
    "ragged events": ({"events": EVENT_HEADER + "1\n"}, EVENTS, "line 2 has 1 cell instead of 3", "one cell for each"),
    "ragged, long": ({"motion": ROW * 2 + ROW[:-1] + "\t7\n"}, MOTION, "line 3 has 7 cells", "one cell for each"),
    "ragged, late": (
        {"motion": ROW * 5000 + "1\t2\n"},
        MOTION,
        "line 5001, the last one, stops after 2 cells",
        "copy it",
    ),
    "empty line": ({"motion": ROW + "\n" + ROW}, MOTION, "line 2 is empty", "delete the line"),
    "blanks for tabs": ({"motion": ROW.replace("\t", " ")}, MOTION, "has 1 column but", "by tabs"),
    "column too many": ({"motion": ROW[:-1] + "\t7\n"}, MOTION, f"has 7 columns but {CHANNELS} describes 6", "order"),
    "NUL in table": ({"motion": ROW + "1\t2\0\t3\t4\t5\t6\n"}, MOTION, "holds NUL bytes (line 2)", "copy it again"),
    "all lost": ({"motion": "n/a\tn/a\tn/a\tn/a\tn/a\tn/a\n" * 3}, MOTION, "holds no sample", "record again"),
    "time back": (
        {"motion": timed("0", "0.01", "0.005"), "channels": TIMED},
        MOTION,
        "line 3 has the time 0.005 s after 0.01 s on line 2",
        "later than the one before",
    ),
    "time twice": ({"motion": timed("0", "0.01", "0.01"), "channels": TIMED}, MOTION, "line 3", "delete the line"),
    "no time": ({"motion": timed("0", "n/a", "0.02"), "channels": TIMED}, MOTION, "line 2 has no time", "LATENCY"),
    "time in ms": (
        {"motion": timed("0", "10", "20"), "channels": TIMED},
        MOTION,
        "has LATENCY steps of 10 s",
        "LATENCY in seconds",
    ),
    "unit of time": (
        {"motion": timed("0", "10"), "channels": TIMED.replace("n/a\ts", "n/a\tms")},
        CHANNELS,
        "LATENCY in 'ms'",
        "tell LATENCY in s",
    ),
    "two clocks": (
        {"motion": "1\t2\t3\t4\t5\t6\t0\t0\n", "channels": TIMED + LATENCY},
        CHANNELS,
        "second LATENCY channel",
        "keep one",
    ),
    "channels empty": ({"channels": ""}, CHANNELS, "is empty", "one row for each column"),
    "no channel": ({"channels": IMU_CHANNELS.split("\n")[0] + "\n"}, CHANNELS, "describes no channel", "one row"),
    "no units": ({"channels": channels("units", "unit", 1)}, CHANNELS, "has no column 'units'", "give it a header"),
    "ragged channels": ({"channels": channels("ax\t", "", 1)}, CHANNELS, "line 2 has 4 cells instead of 5", "one cell"),
    "NUL in channels": ({"channels": channels("ax", "a\0", 1)}, CHANNELS, "holds NUL bytes (line 2)", "UTF-8"),
    "open quote": ({"channels": channels("ax", '"ax', 1)}, CHANNELS, "cannot be taken apart", "double quotes"),
    "unknown unit": ({"channels": channels("m/s^2", "mg")}, CHANNELS, "gives ACCEL in 'mg'", "m/s^2 or g"),
    "wrong unit": ({"channels": channels("rad/s", "m/s^2")}, CHANNELS, "gives GYRO in 'm/s^2'", "rad/s or deg/s"),
    "no unit": ({"channels": channels("rad/s", "n/a")}, CHANNELS, "gives GYRO in 'n/a'", "rad/s or deg/s"),
    "lower case": ({"channels": channels("GYRO", "gyro")}, CHANNELS, "has the type 'gyro'", "write GYRO"),
    "no gyroscope": (
        {"channels": channels("GYRO", "MISC")},
        CHANNELS,
        "no GYRO x, y, z channel for chest",
        "ACCEL and",
    ),
    "no inertial channel": (
        {"channels": channels("GYRO", "MISC").replace("ACCEL", "MISC")},
        MOTION,
        "has no ACCEL and GYRO channels",
        "add them",
    ),
    "one axis missing": (
        {"channels": channels("z\tGYRO", "n/a\tMISC")},
        CHANNELS,
        "no GYRO z channel for chest",
        "give each sensor",
    ),
    "axis twice": (
        {"channels": channels("y\tGYRO", "x\tGYRO")},
        CHANNELS,
        "has the GYRO x channel of chest twice (lines 5 and 6)",
        "keep one",
    ),
    "unknown component": ({"channels": channels("x\tGYRO", "w\tGYRO")}, CHANNELS, "component 'w'", "one of x, y, z"),
    "unknown point": (
        {"channels": channels("chest", "lead_hnad")},
        CHANNELS,
        "tracked_point 'lead_hnad'",
        "did you mean lead_hand? It must be one of chest, lead_forearm, lead_hand, pelvis, lead_upper_arm, club",
    ),
    "no point": ({"channels": channels("chest", "n/a")}, CHANNELS, "tracked_point 'n/a'", "one of chest"),
    "no rate": ({"sidecar": '{"TaskName": "chip"}'}, SIDECAR, "has no SamplingFrequency", "in Hz"),
    "rate as text": ({"sidecar": '{"SamplingFrequency": "100"}'}, SIDECAR, "SamplingFrequency: '100'", "as a number"),
    "rate zero": ({"sidecar": '{"SamplingFrequency": 0}'}, SIDECAR, "SamplingFrequency: 0", "above 0"),
    "rate nan": ({"sidecar": '{"SamplingFrequency": NaN}'}, SIDECAR, "SamplingFrequency: nan", "as a number"),
    "broken JSON": ({"sidecar": '{"SamplingFrequency": 100,'}, SIDECAR, "is not valid JSON (line 1", "correct it"),
    "JSON list": ({"sidecar": "[100]"}, SIDECAR, "holds no JSON object", "between { and }"),
    "meaning": (
        {"sidecar": '{"SamplingFrequency": 100, "SampleMeaning": "average"}'},
        SIDECAR,
        "SampleMeaning: 'average'",
        "one of instant, mean",
    ),
    "range": (
        {"sidecar": '{"SamplingFrequency": 100, "GyroRange": "2000"}'},
        SIDECAR,
        "GyroRange: '2000'",
        "a positive",
    ),
    "range unit": (
        {"sidecar": '{"SamplingFrequency": 100, "GyroRange": 2000, "GyroRangeUnits": "dps"}'},
        SIDECAR,
        "GyroRangeUnits: 'dps'",
        "one of rad/s, deg/s",
    ),
    "no side": ({"participants": "participant_id\nsub-01\n"}, "participants.tsv", "no column 'lead_side'", "header"),
    "side n/a": (
        {"participants": "participant_id\tlead_side\nsub-01\tn/a\n"},
        "participants.tsv",
        "'n/a'",
        "write left",
    ),
    "side unknown": (
        {"participants": "participant_id\tlead_side\nsub-01\tL\n"},
        "participants.tsv",
        "'L'",
        "write left",
    ),
    "no participant": ({"participants": "participant_id\tlead_side\n"}, "participants.tsv", "no row for sub-01", "add"),
    "participant twice": (
        {"participants": "participant_id\tlead_side\nsub-01\tleft\nsub-01\tright\n"},
        "participants.tsv",
        "has 2 rows for sub-01",
        "keep one",
    ),
    "acq_time": ({"scans": SCANS + "yesterday\n"}, "sub-01_ses-01_scans.tsv", "acq_time 'yesterday'", "write it as"),
    "events emptied": ({"events": ""}, EVENTS, "is empty", "copy it again if it held events, or delete it"),
    "events blank": ({"events": "\n\n"}, EVENTS, "is empty", "or delete it and mark them with `imuswing mark`"),
    "event misspelt": ({"events": EVENT_HEADER + "1\t2\tstands\n"}, EVENTS, "trial_type 'stands'", "write stand"),
    "event spelt otherwise": (
        {"events": EVENT_HEADER + "1\t2\tWrist-Bend\n"},
        EVENTS,
        "line 2 has the trial_type 'Wrist-Bend'",
        "write wrist_bend",
    ),
    "event onset": ({"events": EVENT_HEADER + "n/a\t2\tstand\n"}, EVENTS, "(stand) has the onset 'n/a'", "as a number"),
    "event onset text": ({"events": EVENT_HEADER + "1:20\t2\tbow\n"}, EVENTS, "the onset '1:20'", "as a number"),
    "event duration": ({"events": EVENT_HEADER + "1\tn/a\tblock\n"}, EVENTS, "the duration 'n/a'", "as a number"),
    "event backwards": ({"events": EVENT_HEADER + "1\t-2\tstand\n"}, EVENTS, "the duration '-2'", "from 0 on"),
    "events without onset": ({"events": "duration\ttrial_type\n"}, EVENTS, "no column 'onset'", "header"),
    "events column twice": ({"events": "onset\tonset\tduration\n"}, EVENTS, "has the column 'onset' twice", "rename"),
}


@pytest.mark.parametrize("case", BAD_INPUTS)
def test_bad_content(case: str, tmp_path: Path) -> None:
    files, file, wrong, do = BAD_INPUTS[case]
    check_sentence(lambda: read(hand_written_dataset(tmp_path, **files)), file, wrong, do)


def remove(file: str) -> Callable[[Path], None]:
    return lambda root: next(root.rglob(file)).unlink()


def rename(new: str) -> Callable[[Path], None]:
    def change(root: Path) -> None:
        path = next(root.rglob(MOTION))
        path.rename(path.with_name(new))

    return change


def spoil(file: str) -> Callable[[Path], None]:
    """Put a byte that UTF-8 does not know at the end of a file."""

    def change(root: Path) -> None:
        path = next(root.rglob(file))
        path.write_bytes(path.read_bytes() + b"\xff")

    return change


def to_utf16(file: str) -> Callable[[Path], None]:
    def change(root: Path) -> None:
        path = next(root.rglob(file))
        path.write_bytes(path.read_text().encode("utf-16"))

    return change


def second_system(*, events: str | None = None) -> Callable[[Path], None]:
    """A second tracking system, later by name, that tracks the chest too."""
    return lambda root: void(hand_written_dataset(root, system="later", events=events))


def void(_: object) -> None:
    """Nothing."""


BAD_FILES: dict[str, tuple[Callable[[Path], None], str, str, str]] = {
    "no channels file": (remove(CHANNELS), CHANNELS, "does not exist", "one row for each column"),
    "no sidecar": (remove(SIDECAR), SIDECAR, "does not exist", "SamplingFrequency in Hz"),
    "no participants": (remove("participants.tsv"), "participants.tsv", "does not exist", "lead_side"),
    "motion not UTF-8": (spoil(MOTION), MOTION, "is not UTF-8 text (line 4)", "save it as UTF-8"),
    "motion UTF-16": (to_utf16(MOTION), MOTION, "holds NUL bytes (line 1)", "save it as UTF-8"),
    "channels not UTF-8": (spoil(CHANNELS), CHANNELS, "is not UTF-8 text", "save it as UTF-8"),
    "sidecar not UTF-8": (spoil(SIDECAR), SIDECAR, "is not UTF-8 text", "save it as UTF-8"),
    "no tracking system": (
        rename("sub-01_ses-01_task-chip_motion.tsv"),
        "sub-01_ses-01_task-chip_motion.tsv",
        "has no tracksys-… in its name",
        "name it sub-…",
    ),
    "unknown entity": (
        rename("sub-01_task-chip_tracksys-imu_take-1_motion.tsv"),
        "take-1_motion.tsv",
        "has 'take-1' in its name",
        "name it sub-…",
    ),
    "other participant": (
        rename("sub-02_task-chip_tracksys-imu_motion.tsv"),
        "sub-02_task-chip_tracksys-imu_motion.tsv",
        "does not stand in a folder sub-02",
        "put it at DATASET/sub-02/motion/",
    ),
    "point on two systems": (
        second_system(),
        "tracksys-later_motion.tsv",
        f"has the tracked point chest, as {MOTION} has",
        "its own tracked_point",
    ),
    "events on another clock": (
        second_system(events=EVENT_HEADER + "1\t2\tstand\n"),
        "tracksys-later_events.tsv",
        "on another clock than that of the tracking system imu",
        f"name the file {EVENTS}",
    ),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_bad_files(case: str, tmp_path: Path) -> None:
    change, file, wrong, do = BAD_FILES[case]
    hand_written_dataset(tmp_path)
    change(tmp_path)
    if case == "events on another clock":
        path = next(tmp_path.rglob("*tracksys-later_channels.tsv"))
        path.write_text(path.read_text().replace("chest", "lead_hand"))
    check_sentence(lambda: read(find_recordings(tmp_path)[0]), file, wrong, do)


def test_paths_that_hold_no_recording(tmp_path: Path) -> None:
    motion = hand_written_dataset(tmp_path / "data")
    (tmp_path / "nothing").mkdir()
    check_sentence(lambda: read(tmp_path / MOTION), MOTION, "does not exist", "check the path")
    check_sentence(lambda: read(motion.with_name(CHANNELS)), CHANNELS, "is not a motion table", "point to a file")
    check_sentence(lambda: read(motion.parent), "motion", "is not a motion table", "point to a file")
    check_sentence(lambda: find_recordings(tmp_path / "nothing"), "nothing", "holds no recording", "point to a dataset")
    check_sentence(lambda: find_recordings(tmp_path / "no"), "no", "does not exist", "check the path")
    check_sentence(lambda: calibration_recording(tmp_path / MOTION), MOTION, "does not exist", "check the path")


def check_sentence(act: Callable[[], object], file: str, wrong: str, do: str) -> None:
    """The error is one sentence: the file's path, what is wrong, what to do."""
    with pytest.raises(RecordingError) as caught:
        act()
    message = str(caught.value)
    place, _, rest = message.partition(": ")
    assert place.endswith(file)
    assert Path(place).is_absolute()
    what, _, remedy = rest.rpartition("; ")
    assert wrong in what
    assert do in remedy
    assert "\n" not in message
    assert re.search(r"[^.]\.$", message)
