"""Accelerometer and gyroscope in files or streams of their own become one sensor, at the times of the faster one."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from import_for_tests import bring_in, only_recording, sensor_columns, times, write_text
from xdf_for_tests import stream, write_xdf


def notes_of(dataset: Path) -> list[str]:
    (sidecar,) = dataset.rglob("*_motion.json")
    return json.loads(sidecar.read_text()).get("ImportNotes", [])


def test_a_phone_that_writes_a_file_for_each_sensor(tmp_path: Path) -> None:
    """Columns x, y, z in both; the accelerometer at half the rate, its times between those of the gyroscope."""
    data, clock = sensor_columns("chest"), times()
    between = clock[:-2:2] + 0.005
    smooth = np.column_stack([np.interp(between, clock, data[:, k]) for k in range(3)])
    names = ["time", "x", "y", "z"]
    files = [
        write_text(tmp_path / "Accelerometer.csv", names, np.column_stack([between, smooth]), form=".12g"),
        write_text(tmp_path / "Gyroscope.csv", names, np.column_stack([clock, data[:, 3:]]), form=".12g"),
    ]
    assert bring_in(files, tmp_path / "lessons", "--sensors", "chest") == 0
    found = only_recording(tmp_path / "lessons").sensors["chest"]
    np.testing.assert_allclose(found.time, clock, atol=1e-9)
    np.testing.assert_allclose(found.gyr, data[:, 3:], rtol=1e-9, atol=1e-9)
    # By hand: sample 1002 at 10.020 s lies three quarters of the way from 10.005 to 10.025 s.
    np.testing.assert_allclose(between[[500, 501]], [10.005, 10.025])
    np.testing.assert_allclose(found.acc[1002], 0.25 * smooth[500] + 0.75 * smooth[501], rtol=1e-6)
    assert any("was interpolated to the times of Gyroscope" in note for note in notes_of(tmp_path / "lessons"))


def test_streams_of_one_quantity_each(tmp_path: Path) -> None:
    pytest.importorskip("pyxdf", reason="pip install .[formats]")
    data = sensor_columns("lead_hand")
    file = write_xdf(
        tmp_path / "lab.xdf",
        stream(1, "hand acc", times(), data[:, :3], rate=100.0, channels=[(a, "m/s^2") for a in "xyz"]),
        stream(2, "hand gyro", times(), data[:, 3:], rate=100.0, channels=[(a, "rad/s") for a in "xyz"]),
    )
    assert bring_in([file], tmp_path / "lessons") == 0
    found = only_recording(tmp_path / "lessons").sensors["lead_hand"]
    np.testing.assert_allclose(found.acc, data[:, :3], rtol=1e-12)
    np.testing.assert_allclose(found.gyr, data[:, 3:], rtol=1e-12)


def test_halves_of_different_times_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = sensor_columns("chest")
    names = ["time", "x", "y", "z"]
    files = [
        write_text(tmp_path / "chest_acc.csv", names, np.column_stack([times(), data[:, :3]])),
        write_text(tmp_path / "chest_gyr.csv", names, np.column_stack([times() + 900.0, data[:, 3:]])),
    ]
    assert bring_in(files, tmp_path / "lessons") == 1
    assert "was not recorded at the time of its other half" in capsys.readouterr().err
    assert not (tmp_path / "lessons").exists()


def test_a_half_without_its_other_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = ["time", "x", "y", "z"]
    file = write_text(tmp_path / "chest_acc.csv", names, np.column_stack([times(), sensor_columns("chest")[:, :3]]))
    assert bring_in([file], tmp_path / "lessons") == 1
    assert "no columns of an accelerometer and a gyroscope were found" in capsys.readouterr().err
