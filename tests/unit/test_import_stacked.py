"""Tables with the rows of several sensors below one another are taken apart by the column that names the sensor."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from imuswing.errors import RecordingError
from imuswing.formats.bring_in import read_tables

HEAD = "Device ID,time_ms,acc_x_g,acc_y_g,acc_z_g,gyr_x_dps,gyr_y_dps,gyr_z_dps"


def rows(names: list[str], count: int = 30) -> list[str]:
    """Rows of the sensors in turn, each with numbers of its own."""
    return [
        f"{name},{10 * k},{number},0.5,{k}.25,1,2,{number}.5" for k in range(count) for number, name in enumerate(names)
    ]


def written(path: Path, lines: list[str], head: str = HEAD) -> Path:
    path.write_text("\n".join([head, *lines]) + "\n")
    return path


def test_rows_that_take_turns_become_a_table_a_sensor(tmp_path: Path) -> None:
    tables = read_tables([written(tmp_path / "log.csv", rows(["chest", '"left hand"']))])
    assert [table.name for table in tables] == ["chest", "left hand"]
    for number, table in enumerate(tables):
        np.testing.assert_array_equal(table.columns["time_ms"], 10.0 * np.arange(30))
        np.testing.assert_array_equal(table.columns["acc_x_g"], np.full(30, float(number)))
        np.testing.assert_array_equal(table.columns["acc_z_g"], np.arange(30) + 0.25)
    # One column of time counts one clock.
    assert len({table.shared_clock for table in tables}) == 1
    assert tables[0].shared_clock is not None


def test_sensors_of_one_clock_stand_side_by_side(tmp_path: Path) -> None:
    head = "tracked_point,tracking_system,time_s,acc_x_mps2,acc_y_mps2,acc_z_mps2,gyr_x_radps,gyr_y_radps,gyr_z_radps"
    lines = [
        f"{point},{system},{k / 100},{k},2,3,4,5,6"
        for point, system in (("chest", "a"), ("lead_hand", "b"), ("pelvis", "a"))
        for k in range(20)
    ]
    tables = read_tables([written(tmp_path / "log.csv", lines, head)])
    assert [table.name for table in tables] == ["chest-pelvis", "lead_hand"]
    assert list(tables[0].columns)[:2] == ["time_s", "chest_acc_x_mps2"]
    assert len(tables[0].columns) == 13
    assert {table.shared_clock for table in tables} == {None}


def test_a_row_of_nobody_is_said(tmp_path: Path) -> None:
    lines = rows(["chest", "hand"])
    lines[7] = lines[7].removeprefix("hand")
    with pytest.raises(RecordingError, match="does not say whose row 8 is"):
        read_tables([written(tmp_path / "log.csv", lines)])


def test_a_column_of_other_words_takes_nothing_apart(tmp_path: Path) -> None:
    other = written(tmp_path / "log.csv", rows(["a", "b"]), HEAD.replace("Device ID", "remark"))
    assert [table.count for table in read_tables([other])] == [60]
    many = written(tmp_path / "many.csv", rows([f"id-{k}" for k in range(40)], count=3))
    assert [table.count for table in read_tables([many])] == [120]
