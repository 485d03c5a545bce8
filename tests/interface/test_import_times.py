"""Clocks of all kinds: counters that wrap and jump, packets that share a time, dates, gaps, rates that differ."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from import_for_tests import bring_in, only_recording, sensor_columns, write_text

from imuswing.formats.mapping import TimeMap
from imuswing.formats.times import find_wrap, spread, to_times
from imuswing.recording.model import Recording

NAMES = [*(f"acc_{a} [m/s^2]" for a in "xyz"), *(f"gyro_{a} [rad/s]" for a in "xyz")]
COUNT = 6000
EVEN = np.arange(COUNT) / 100.0


def brought_in(folder: Path, head: str, clock: np.ndarray | list[str], *more: str) -> tuple[Recording, list[str]]:
    """A chest sensor of a minute with this clock; the recording and what its sidecar says was done."""
    data = sensor_columns("chest")[:COUNT]
    file = folder / "chest.csv"
    if isinstance(clock, list):
        write_text(file, NAMES, data)
        lines = file.read_text().splitlines()
        lines = [f"{head},{lines[0]}", *(f"{t},{line}" for t, line in zip(clock, lines[1:], strict=True))]
        file.write_text("\n".join(lines) + "\n")
    else:
        write_text(file, [head, *NAMES], np.column_stack([clock, data]), form=".12g")
    assert bring_in([file], folder / "lessons", *more) == 0
    (sidecar,) = (folder / "lessons").rglob("*_motion.json")
    return only_recording(folder / "lessons"), json.loads(sidecar.read_text()).get("ImportNotes", [])


@pytest.mark.parametrize(("wrap", "tick_hz"), [(2**16, 1000.0), (2**16, 32768.0), (2**24, 1e6)])
def test_a_counter_that_starts_anew_is_carried_on(wrap: int, tick_hz: float, tmp_path: Path) -> None:
    ticks = np.round(EVEN * tick_hz + 0.9 * wrap) % wrap
    turns = int(np.count_nonzero(np.diff(ticks) < 0))
    assert turns >= 1
    found, notes = brought_in(tmp_path, "ticks", ticks, "--rate", "100")
    np.testing.assert_allclose(found.sensors["chest"].time, EVEN, atol=1.5 / tick_hz)
    assert any(f"started anew {turns} times and was carried on" in note for note in notes)


def test_a_counter_that_jumps_leaves_a_gap_and_true_times(tmp_path: Path) -> None:
    """A sensor that was out of reach for half a second: the samples behind keep their true times."""
    clock = EVEN.copy()
    clock[3000:] += 0.5
    found, notes = brought_in(tmp_path, "time [s]", clock)
    np.testing.assert_allclose(found.sensors["chest"].time, clock, atol=1e-9)
    assert found.sensors["chest"].rate == 100.0
    assert any("has 1 gaps in time; the samples keep their true times" in note for note in notes)


def test_packets_whose_samples_share_a_time_are_spread(tmp_path: Path) -> None:
    """Radio packets of five samples, stamped with the time of the first."""
    found, notes = brought_in(tmp_path, "timestamp [ms]", np.floor(np.arange(COUNT) / 5) * 50.0)
    np.testing.assert_allclose(found.sensors["chest"].time, EVEN, atol=1e-6)
    assert found.sensors["chest"].rate == 100.0
    assert any("80 % of the rows of file 1 share the time of the row before: spread evenly" in n for n in notes)


@pytest.mark.parametrize("zone", ["", "Z", "+02:00"])
@pytest.mark.parametrize("mark", ["T", " "])
def test_dates_give_times_and_the_date_of_the_recording(zone: str, mark: str, tmp_path: Path) -> None:
    """ISO 8601 with microseconds; the start stands in scans.tsv in UTC."""
    start = np.datetime64("2024-05-31T14:05:09.500000")
    stamps = np.datetime_as_string(start + np.arange(COUNT) * np.timedelta64(10_000, "us")).tolist()
    found, _ = brought_in(tmp_path, "time", [stamp.replace("T", mark) + zone for stamp in stamps])
    np.testing.assert_allclose(found.sensors["chest"].time, EVEN, atol=1e-6)
    (scans,) = tmp_path.rglob("*_scans.tsv")
    hour = "12" if zone == "+02:00" else "14"
    assert f"\t2024-05-31T{hour}:05:09.500000Z" in scans.read_text()


@pytest.mark.parametrize(("head", "unit"), [("t_us", 1e-6), ("Time (ms)", 1e-3), ("unix_time", 1.0), ("time", 1e-9)])
def test_units_of_time(head: str, unit: float, tmp_path: Path) -> None:
    start = 1_717_164_309 if head == "unix_time" else 3
    found, _ = brought_in(tmp_path, head, [f"{(start + t) / unit:.{3 if unit > 1e-4 else 0}f}" for t in EVEN])
    np.testing.assert_allclose(found.sensors["chest"].time, EVEN, atol=1e-6)
    assert found.sensors["chest"].rate == 100.0


def test_no_time_at_all_needs_a_rate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write_text(tmp_path / "chest.csv", NAMES, sensor_columns("chest")[:COUNT])
    assert bring_in([file], tmp_path / "lessons") == 2
    assert "chest.csv has no time column; say how many samples a second it has: --rate HZ" in capsys.readouterr().err
    assert bring_in([file], tmp_path / "lessons", "--rate", "100") == 0
    np.testing.assert_allclose(only_recording(tmp_path / "lessons").sensors["chest"].time, EVEN, atol=1e-9)


def test_files_of_different_rates_keep_their_own_times(tmp_path: Path) -> None:
    """The hand's logger ran at half the rate, and its crystal 200 ppm fast: each is a tracking system of its own."""
    drift = 1.0 + 200e-6
    chest, hand = sensor_columns("chest")[:COUNT], sensor_columns("lead_hand")[:COUNT:2]
    files = [
        write_text(tmp_path / "chest.csv", ["time [s]", *NAMES], np.column_stack([EVEN, chest]), form=".12g"),
        write_text(
            tmp_path / "hand.csv", ["time [s]", *NAMES], np.column_stack([EVEN[::2] * drift, hand]), form=".12g"
        ),
    ]
    assert bring_in(files, tmp_path / "lessons") == 0
    found = only_recording(tmp_path / "lessons")
    assert (found.sensors["chest"].rate, found.sensors["lead_hand"].rate) == (100.0, 50.0)
    np.testing.assert_allclose(found.sensors["lead_hand"].time, EVEN[::2] * drift, atol=1e-9)
    assert found.tracking_systems == ("chest", "leadhand")


@pytest.mark.parametrize(
    ("column", "wrap"),
    [
        ([250, 254, 2, 6], 2.0**8),
        ([65000, 65400, 264, 664], 2.0**16),
        ([5, 6, 7, 8], None),
        ([5, 6, 3, 4], None),
        ([0.5, 0.7, 0.1], None),
        ([1000, 2000, 100, 1100], None),
    ],
)
def test_where_a_counter_starts_anew(column: list[float], wrap: float | None) -> None:
    assert find_wrap(np.array(column, dtype=float)) == wrap


def test_samples_that_share_a_time_by_hand() -> None:
    """Two packets of two samples, 20 ms apart: 0, 10, 20, 30 ms."""
    np.testing.assert_allclose(spread(np.array([0.0, 0.0, 0.02, 0.02])), [0.0, 0.01, 0.02, 0.03])


def test_ticks_by_hand(tmp_path: Path) -> None:
    how = TimeMap(column="n", unit="ticks", tick_hz=50.0, wrap=256.0)
    found = to_times(np.array([254.0, 255.0, 0.0, 1.0]), how, source=tmp_path / "x.csv", rate=None)
    np.testing.assert_allclose(found.time, [0.0, 0.02, 0.04, 0.06])
    assert found.rate == 50.0
