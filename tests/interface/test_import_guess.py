"""What the columns mean is guessed from names and physics; what is doubtful or wrong is said in a sentence."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from import_for_tests import G, sensor_columns, times, write_text

from imuswing.formats.bring_in import find_maps, read_tables
from imuswing.formats.guess import Guess

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from guess_layouts import judge
from layouts_for_import import draw

DEG = np.pi / 180.0
NAMES = ["time_s", "acc_x", "acc_y", "acc_z", "gyro_x", "gyro_y", "gyro_z"]


@pytest.mark.parametrize("seed", range(7000, 7012))
def test_generated_layouts_are_guessed_right(seed: int, tmp_path: Path) -> None:
    """A dozen of those that scripts/guess_layouts.py counts by the hundred."""
    wrong, doubts = judge(draw(seed, tmp_path))
    assert wrong == [], doubts


def guess_of(folder: Path, columns: np.ndarray, names: list[str] | None = None, **settings: object) -> Guess:
    file = write_text(folder / "chest.csv", names or NAMES, np.column_stack([times(), columns]))
    given = {"map_path": None, "rate": None, "sensors": (), "lead_side": "left", **settings}
    return find_maps(read_tables([file]), **given)


@pytest.mark.parametrize(
    ("acc_unit", "acc_name", "gyr_unit", "gyr_name"),
    [(1.0, "m/s^2", 1.0, "rad/s"), (G, "g", DEG, "deg/s"), (G / 1000.0, "mg", DEG / 1000.0, "mdeg/s")],
)
def test_gravity_and_turning_tell_the_units(
    acc_unit: float, acc_name: str, gyr_unit: float, gyr_name: str, tmp_path: Path
) -> None:
    """The names say nothing of units."""
    guess = guess_of(tmp_path, sensor_columns("chest", acc_unit=acc_unit, gyr_unit=gyr_unit))
    (sensor,) = guess.maps[0].sensors
    assert (sensor.acc_unit, sensor.gyr_unit) == (acc_name, gyr_name)
    assert guess.doubts == ()


@pytest.mark.parametrize("per_dps", [16.4, 14.286, 32.8, 131.0])
def test_raw_counts_get_a_scale_and_a_doubt(per_dps: float, tmp_path: Path) -> None:
    """Counts of common gyroscopes at full scales of 2000, 1000 and 250 deg/s (data sheets, from memory)."""
    counts = np.round(sensor_columns("chest", acc_unit=G / 2048.0, gyr_unit=DEG / per_dps))
    guess = guess_of(tmp_path, counts)
    (sensor,) = guess.maps[0].sensors
    assert sensor.acc_unit == pytest.approx(G / 2048.0)
    assert sensor.gyr_unit == pytest.approx(DEG / per_dps, rel=0.01)
    assert any("raw counts" in doubt for doubt in guess.doubts)


@pytest.mark.parametrize("order", [[1, 0, 2], [1, 2, 0], [2, 1, 0]])
def test_a_gyroscope_with_other_axes_is_noticed(order: list[int], tmp_path: Path) -> None:
    columns = sensor_columns("chest")
    columns[:, 3:] = columns[:, 3:][:, order]
    found = [doubt for doubt in guess_of(tmp_path, columns).doubts if "axes" in doubt]
    back = ", ".join("xyz"[order.index(axis)] for axis in range(3))
    assert found
    assert f"x, y, z were its {back}" in found[0]


@pytest.mark.parametrize("signs", [(1, 1, -1), (-1, -1, -1)])
def test_a_left_handed_frame_is_noticed(signs: tuple[int, int, int], tmp_path: Path) -> None:
    columns = sensor_columns("lead_hand")
    columns[:, 3:] *= signs
    assert any("axes" in doubt for doubt in guess_of(tmp_path, columns).doubts)


def test_a_wrong_unit_in_the_header_is_said_and_put_right(tmp_path: Path) -> None:
    names = ["time_s", *(f"acc_{a} [g]" for a in "xyz"), *(f"gyro_{a} [rad/s]" for a in "xyz")]
    guess = guess_of(tmp_path, sensor_columns("chest", gyr_unit=DEG), names)
    (sensor,) = guess.maps[0].sensors
    assert (sensor.acc_unit, sensor.gyr_unit) == ("m/s^2", "deg/s")
    assert [("header says g" in d, "header says rad/s" in d) for d in guess.doubts] == [(True, False), (False, True)]


def test_exchanged_names_are_said_and_put_right(tmp_path: Path) -> None:
    columns = sensor_columns("chest")[:, [3, 4, 5, 0, 1, 2]]
    guess = guess_of(tmp_path, columns)
    (sensor,) = guess.maps[0].sensors
    assert sensor.acc == ("gyro_x", "gyro_y", "gyro_z")
    assert any("exchanged" in doubt for doubt in guess.doubts)


@pytest.mark.parametrize(("side", "said"), [("left", False), ("right", True)])
def test_a_sensor_on_the_other_arm_is_noticed(side: str, said: bool, tmp_path: Path) -> None:
    file = write_text(tmp_path / "left_wrist.csv", NAMES, np.column_stack([times(), sensor_columns("lead_forearm")]))
    guess = find_maps(read_tables([file]), map_path=None, rate=None, sensors=(), lead_side=side)
    assert any("the lead side is" in doubt for doubt in guess.doubts) is said


def test_acceleration_without_gravity_is_refused(tmp_path: Path) -> None:
    from imuswing.errors import RecordingError

    columns = sensor_columns("chest")
    still = columns - np.nanmean(columns, axis=0)
    rng = np.random.default_rng(1)
    still[:, :3] = 0.02 * rng.normal(size=(len(still), 3)) + 3.0 * (np.abs(columns[:, 3:]) > 1.5)
    with pytest.raises(RecordingError, match="no gravity at rest; export the raw one"):
        guess_of(tmp_path, still)
