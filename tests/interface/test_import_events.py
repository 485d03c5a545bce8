"""`imuswing import --events`: times and labels of many shapes become events; what cannot be is said."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from import_for_tests import bring_in, only_recording, sensor_columns, write_text

from imuswing.recording.model import Event

NAMES = ["time", *(f"acc_{a} [m/s^2]" for a in "xyz"), *(f"gyro_{a} [rad/s]" for a in "xyz")]
COUNT = 6000


def events_of(folder: Path, content: str, *, start: float = 0.0, ending: str = "csv") -> tuple[Event, ...]:
    """The events of a minute's recording whose clock begins at `start`."""
    times = start + np.arange(COUNT) / 100.0
    data = sensor_columns("chest")[:COUNT]
    file = write_text(folder / "chest.csv", NAMES, np.column_stack([times, data]), form=".14g")
    marks = folder / f"marks.{ending}"
    marks.write_text(content)
    assert bring_in([file], folder / "lessons", "--events", str(marks)) == 0
    return only_recording(folder / "lessons").events


def told(events: tuple[Event, ...]) -> list[tuple[float, float, str]]:
    return [(event.onset, event.duration, event.trial_type) for event in events]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_times_lengths_and_labels(separator: str, tmp_path: Path) -> None:
    rows = [("time", "duration", "label"), ("2", "4", "stand"), ("10.5", "12", "bow"), ("50", "0", "shot: thin")]
    events = events_of(tmp_path, "\n".join(separator.join(row) for row in rows))
    assert told(events) == [(2.0, 4.0, "stand"), (10.5, 12.0, "bow"), (50.0, 0.0, "shot")]
    assert events[2].outcome == "thin"


def test_without_a_header_and_with_other_spellings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    events = events_of(tmp_path, "2,Stand\n8,Wrist bend\n30,block: drill\n50,shots\n55,what was that\n")
    assert [event.trial_type for event in events] == ["stand", "wrist_bend", "block", "shot", "shot"]
    assert events[2].block == "drill"
    assert events[2].duration == 20.0
    assert events[4].note == "what was that"
    said = capsys.readouterr().err
    assert "the label 'shots' is taken for shot" in said
    assert "the label 'what was that' is none of" in said
    assert "stand has no length: taken for 3.0 s" in said


def test_the_columns_of_our_own_events_files(tmp_path: Path) -> None:
    rows = (
        "onset\tduration\ttrial_type\tblock\tintent\toutcome\n"
        "20\t30\tblock\tdrill\thold\tn/a\n40\t0\tshot\tn/a\tn/a\tfat\n"
    )
    block, shot = events_of(tmp_path, rows, ending="tsv")
    assert (block.block, block.intent, shot.outcome) == ("drill", "hold", "fat")


def test_times_on_the_clock_of_the_recording(tmp_path: Path) -> None:
    """A logger that counts from its own start; the marks were noted on that clock."""
    assert told(events_of(tmp_path, "time,label\n812.5,tap\n840,shot\n", start=800.0)) == [
        (12.5, 0.0, "tap"),
        (40.0, 0.0, "shot"),
    ]


def test_dates_beside_a_recording_that_has_dates(tmp_path: Path) -> None:
    """2024-05-31T14:05:09Z is 1717164309 s after 1970 (by hand: 19874 days and 50709 s)."""
    assert 19874 * 86400 + 50709 == 1717164309
    events = events_of(tmp_path, "time,label\n2024-05-31T14:05:29.5Z,shot\n", start=1717164309.0)
    assert told(events) == [(20.5, 0.0, "shot")]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "is empty; write one row an event"),
        ("a,b\n1,2\n", "has no column of times and labels|has the time 'a'"),
        ("time,label\nsoon,shot\n", "row 2 has the time 'soon'; write seconds, or a date like"),
        ("time,label\n9000,shot\n", "has events outside of the recording of 60 s; write seconds"),
        ("time,label\n2024-05-31T14:05:29.5Z,shot\n", "tells dates, but the recording's clock does not"),
        ("time,label,duration\n5,stand,-2\n", "stand has the length -2; write seconds from 0 on"),
        ("time,label\n5\n", "row 2 has 1 cell; write time and label in each row"),
    ],
)
def test_wrong_marks_are_refused_and_nothing_is_written(
    content: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = np.column_stack([np.arange(COUNT) / 100.0, sensor_columns("chest")[:COUNT]])
    file = write_text(tmp_path / "chest.csv", NAMES, data)
    marks = tmp_path / "marks.csv"
    marks.write_text(content)
    assert bring_in([file], tmp_path / "lessons", "--events", str(marks)) == 1
    message = capsys.readouterr().err.strip().splitlines()[-1]
    assert message.startswith(str(marks))
    assert re.search(says, message)
    assert not (tmp_path / "lessons").exists()
