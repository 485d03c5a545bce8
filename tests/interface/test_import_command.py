"""`imuswing import`: files of loggers become recordings with the same numbers, in a dataset that stays valid."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from import_for_tests import (
    WHO,
    assert_same_motion,
    bring_in,
    only_recording,
    sensor_columns,
    three_files,
    times,
    write_text,
)

from imuswing.cli import main

VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")


def errors_of(root: Path) -> list[str]:
    """The official validator's errors (bids-validator-deno, BIDS 1.10)."""
    if not VALIDATOR.exists():
        pytest.skip("bids-validator-deno is not installed (pip install .[test])")
    command = [VALIDATOR, root, "--max-rows", "-1", "-r", "--json"]
    result = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    return [i["code"] for i in json.loads(result.stdout)["issues"]["issues"] if i["severity"] == "error"]


def test_three_files_become_one_valid_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = three_files(tmp_path)
    before = [(file.read_bytes(), file.stat().st_mtime_ns) for file in files]
    root = tmp_path / "lessons"
    assert bring_in(files, root) == 0
    assert "doubtful" not in capsys.readouterr().err
    found = only_recording(root)
    assert_same_motion(found)
    assert found.tracking_systems == ("chest", "leadforearm", "leadhand")
    assert errors_of(root) == []
    assert [(file.read_bytes(), file.stat().st_mtime_ns) for file in files] == before


def test_a_saved_map_gives_the_same_again(tmp_path: Path) -> None:
    files = three_files(tmp_path)
    root, again = tmp_path / "lessons", tmp_path / "again"
    assert bring_in(files, root) == 0
    (saved,) = (root / "code" / "import_maps").glob("*.toml")
    assert bring_in(files, again, "--map", str(saved)) == 0
    one, two = only_recording(root), only_recording(again)
    for point, stream in one.sensors.items():
        np.testing.assert_array_equal(two.sensors[point].acc, stream.acc)
        np.testing.assert_array_equal(two.sensors[point].gyr, stream.gyr)


def test_a_map_can_be_saved_changed_and_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files, root, saved = three_files(tmp_path), tmp_path / "lessons", tmp_path / "logger.toml"
    assert bring_in(files, root, "--save-map", str(saved)) == 0
    assert not root.exists()
    turned = saved.read_text().replace('"acc_z [m/s^2]"', '"-acc_z [m/s^2]"')
    saved.write_text(turned.replace('file = "chest.csv"', 'file = "ch*.csv"'))
    assert bring_in(files, root, "--map", str(saved)) == 0
    stream = only_recording(root).sensors["chest"]
    np.testing.assert_allclose(stream.acc[:, 2], -sensor_columns("chest")[:, 2], rtol=1e-6)
    capsys.readouterr()


def test_a_wrong_map_is_noticed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A map whose unit is wrong, or whose axis has another sign, is taken with a doubt."""
    files, saved = three_files(tmp_path), tmp_path / "logger.toml"
    assert bring_in(files, tmp_path / "lessons", "--save-map", str(saved)) == 0
    good = saved.read_text()
    for number, (old, new, says) in enumerate(
        [
            ('acc_unit = "m/s^2"', 'acc_unit = "g"', "gravity"),
            ('gyr_unit = "deg/s"', 'gyr_unit = "rad/s"', "gyroscope"),
            ('"gyro_y [deg/s]"', '"-gyro_y [deg/s]"', "axes"),
        ]
    ):
        saved.write_text(good.replace(old, new))
        assert bring_in(files, tmp_path / f"lessons{number}", "--map", str(saved)) == 0
        assert says in capsys.readouterr().err


def test_a_recording_is_not_overwritten_unless_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = three_files(tmp_path)
    root = tmp_path / "lessons"
    assert bring_in(files, root) == 0
    there = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    assert bring_in(files[:1], root) == 2
    assert "exists already" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in root.rglob("*") if path.is_file()} == there
    assert bring_in(files[:1], root, "--overwrite") == 0
    assert list(only_recording(root).sensors) == ["chest"]
    assert errors_of(root) == []


def test_without_consent_to_the_guess_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    files = three_files(tmp_path)
    options = [word for word in WHO if word != "--yes"]
    assert main(["import", *map(str, files), "--into", str(tmp_path / "lessons"), *options]) == 2
    told = capsys.readouterr()
    assert '[[file.sensor]]\npoint = "chest"' in told.out
    assert not (tmp_path / "lessons").exists()


def test_the_decimal_comma_and_raw_units(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Semicolons, decimal commas, milliseconds, g, a byte-order mark, words above the header."""
    names = ["Zeit (ms)", "AccX (g)", "AccY (g)", "AccZ (g)", "GyroX (°/s)", "GyroY (°/s)", "GyroZ (°/s)"]
    data = sensor_columns("chest", acc_unit=9.80665, gyr_unit=np.pi / 180.0)
    file = write_text(
        tmp_path / "brustbein.csv",
        names,
        np.column_stack([times() * 1000.0, data]),
        separator=";",
        decimal=",",
        before="Logger 3\nserial;17\n",
        form=".9g",
        encoding="utf-8-sig",
    )
    assert bring_in([file], tmp_path / "lessons", "--sensors", "chest") == 0, capsys.readouterr().err
    stream = only_recording(tmp_path / "lessons").sensors["chest"]
    np.testing.assert_allclose(stream.acc, sensor_columns("chest")[:, :3], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(stream.gyr, sensor_columns("chest")[:, 3:], rtol=1e-6, atol=1e-6)
    assert stream.rate == 100.0


def test_the_source_may_be_read_only(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    files = three_files(folder)
    folder.chmod(0o500)
    try:
        assert bring_in(files, tmp_path / "lessons") == 0
    finally:
        folder.chmod(0o700)


def test_what_was_imported_can_be_checked_and_analysed_like_the_original(tmp_path: Path) -> None:
    """Measures of the lesson in memory and of the same lesson through text files of ten digits and a list of marks."""
    from import_for_tests import lesson

    from imuswing.lesson import analyze

    marks = tmp_path / "marks.csv"
    rows = [
        f"{e.onset},{e.duration},{e.trial_type}" + (f": {e.block or e.outcome}" if e.block or e.outcome else "")
        for e in lesson().events
    ]
    marks.write_text("\n".join(["time,duration,label", *rows]) + "\n")
    assert bring_in(three_files(tmp_path), tmp_path / "lessons", "--events", str(marks)) == 0
    assert main(["check", str(tmp_path / "lessons")]) == 0
    found = only_recording(tmp_path / "lessons")
    assert [(e.trial_type, e.block, e.outcome) for e in found.events] == [
        (e.trial_type, e.block, e.outcome) for e in lesson().events
    ]
    one_clock = {point: replace(s, tracking_system="imu") for point, s in found.sensors.items()}
    ours = analyze(replace(found, sensors=one_clock, start_hints={})).swings
    # A text file says neither what a sample means nor the full scale.
    bare = {
        point: replace(s, sample_meaning="instant", gyr_range=None, acc_range=None, tracking_system="imu")
        for point, s in lesson().sensors.items()
    }
    theirs = analyze(replace(lesson(), sensors=bare, start_hints={})).swings
    assert len(ours) == len(theirs) > 0
    for measure in ("impact_s", "chest_turn_rate_impact_dps", "chest_turn_top_deg", "wrist_flexion_impact_deg"):
        np.testing.assert_allclose(ours[measure], theirs[measure], rtol=1e-3, atol=0.01)
