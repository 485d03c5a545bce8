"""Units and axes of real sensors are guessed right: open recordings whose units their authors state.

Two sets with references (BROAD, Laidig et al. 2021, Data 6:72, CC BY 4.0; a joint rig carried by an MIT repository) and
one person's upper body (example data of the library qmt, MIT). Their NPZ copies give m/s^2, rad/s and uT.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from import_for_tests import bring_in, only_recording
from sensors_for_tests import OPEN_DATA

from imuswing.formats.bring_in import find_maps, read_tables
from imuswing.formats.guess import Guess

RECORDINGS = {
    "broad_03_undisturbed_slow_rotation_C": ["chest"],
    "broad_07_undisturbed_fast_rotation_B": ["chest"],
    "broad_18_undisturbed_fast_translation_with_breaks_B": ["chest"],
    "broad_21_undisturbed_fast_combined": ["chest"],
    "broad_24_disturbed_tapping_A": ["chest"],
    "joint_rig_1D_01": ["lead_forearm", "lead_hand"],
    "joint_rig_2D_01": ["lead_forearm", "lead_hand"],
    "joint_rig_2D_03": ["lead_forearm", "lead_hand"],
    "joint_rig_3D_01": ["lead_forearm", "lead_hand"],
    "upper_body_100hz": [],
}
"""By file where its sensors are said to sit; the last one's names tell."""

pytestmark = pytest.mark.skipif(not OPEN_DATA.is_dir(), reason=f"{OPEN_DATA} (open recordings) is missing")


def guess_of(file: Path, points: list[str]) -> Guess:
    return find_maps(read_tables([file]), map_path=None, rate=None, sensors=points, lead_side="left")


@pytest.mark.parametrize("name", RECORDINGS)
def test_units_are_those_that_the_authors_state(name: str) -> None:
    guess = guess_of(OPEN_DATA / f"{name}.npz", RECORDINGS[name])
    sensors = [sensor for one in guess.maps for sensor in one.sensors]
    assert {(sensor.acc_unit, sensor.gyr_unit, sensor.mag_unit) for sensor in sensors} == {("m/s^2", "rad/s", "uT")}
    assert not [doubt for doubt in guess.doubts if "axes" in doubt]


@pytest.mark.parametrize("name", ["broad_03_undisturbed_slow_rotation_C", "joint_rig_3D_01", "joint_rig_2D_03"])
@pytest.mark.parametrize(("order", "signs"), [([1, 0, 2], (1, 1, 1)), ([2, 0, 1], (1, 1, 1)), ([0, 1, 2], (1, -1, 1))])
def test_axes_of_another_frame_are_noticed_on_real_sensors(
    name: str, order: list[int], signs: tuple[int, int, int], tmp_path: Path
) -> None:
    with np.load(OPEN_DATA / f"{name}.npz") as file:
        end = "" if "acc" in file else "1"
        gyr = file[f"gyr{end}"][:, order] * np.array(signs)
        np.savez(tmp_path / "chest.npz", acc=file[f"acc{end}"], gyr=gyr, rate=file["rate"])
    assert any("axes" in doubt for doubt in guess_of(tmp_path / "chest.npz", ["chest"]).doubts)


@pytest.mark.parametrize(
    ("acc", "gyr", "units"), [(9.80665, np.pi / 180, ("g", "deg/s")), (9.80665e-3, np.pi / 180e3, ("mg", "mdeg/s"))]
)
def test_other_units_are_told_from_real_gravity_and_turning(
    acc: float, gyr: float, units: tuple[str, str], tmp_path: Path
) -> None:
    with np.load(OPEN_DATA / "joint_rig_2D_01.npz") as file:
        np.savez(tmp_path / "chest.npz", acc=file["acc1"] / acc, gyr=file["gyr1"] / gyr, rate=file["rate"])
    guess = guess_of(tmp_path / "chest.npz", ["chest"])
    (sensor,) = guess.maps[0].sensors
    assert (sensor.acc_unit, sensor.gyr_unit) == units
    assert guess.doubts == ()


def test_five_real_sensors_go_where_their_names_say(tmp_path: Path) -> None:
    assert bring_in([OPEN_DATA / "upper_body_100hz.npz"], tmp_path / "lessons") == 0
    found = only_recording(tmp_path / "lessons")
    where = {
        "lead_hand": "hand_left",
        "lead_forearm": "forearm_left",
        "lead_upper_arm": "upper_arm_left",
        "chest": "upper_back",
        "pelvis": "hip",
    }
    assert set(found.sensors) == set(where)
    with np.load(OPEN_DATA / "upper_body_100hz.npz") as file:
        for point, name in where.items():
            np.testing.assert_array_equal(found.sensors[point].acc, file[f"{name}_acc"].astype(float))
            np.testing.assert_array_equal(found.sensors[point].gyr, file[f"{name}_gyr"].astype(float))
