"""OpenSim's storage of orientations, read and solved by OpenSim itself (package `opensim`, in a Python of its own).

The path of that Python is in IMUSWING_OPENSIM_PYTHON; without it the files are held against the description of the
format only: OpenSim documentation, "OpenSense - Kinematics with IMU Data" (header DataRate, DataType=Quaternion,
version, OpenSimVersion, endheader; then tab-separated time and quaternions as w,x,y,z).
"""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_for_tests import UPRIGHT, made_up_swing
from scipy.spatial.transform import Rotation

from imuswing.export.joined import on_recording_clock
from imuswing.export.sto import neutral_text, sto_text

PYTHON = os.environ.get("IMUSWING_OPENSIM_PYTHON", "")
SOLVER = Path(__file__).resolve().parents[1] / "opensim_arm.py"
POINTS = ("chest", "lead_forearm", "lead_hand")
NAMES = {"left": ["torso_imu", "radius_l_imu", "hand_l_imu"], "right": ["torso_imu", "radius_r_imu", "hand_r_imu"]}
NINE_DIGITS = 1e-9
SOLVED_DEG = 0.01
"""OpenSim's solver stops at an accuracy of its own (1e-5 in the squared errors' gradient, from memory)."""


def solved(motion: str, neutral: str, folder: Path) -> dict[str, Any]:
    if not PYTHON:
        pytest.skip("IMUSWING_OPENSIM_PYTHON names no Python with the package opensim")
    (folder / "motion.sto").write_text(motion)
    (folder / "neutral.sto").write_text(neutral)
    command = [PYTHON, SOLVER, folder / "neutral.sto", folder / "motion.sto", folder]
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    # OpenSim writes a log where it stands.
    result = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=120, check=False
    )
    assert result.returncode == 0, result.stderr[-2000:]
    told: dict[str, Any] = json.loads((folder / "angles.json").read_text())
    return told


def degrees_between(p: np.ndarray, q: np.ndarray) -> np.ndarray:
    return np.rad2deg(
        (Rotation.from_quat(p, scalar_first=True).inv() * Rotation.from_quat(q, scalar_first=True)).magnitude()
    )


@pytest.mark.parametrize("side", ["left", "right"])
def test_opensim_reads_equal_quaternions(tmp_path: Path, side: str) -> None:
    swing = made_up_swing(lead_side=side)
    told = solved(sto_text(swing), neutral_text(POINTS, swing.lead_side), tmp_path)
    assert told["labels"] == NAMES[side]
    assert float(told["rate"]) == 100.0
    np.testing.assert_allclose(told["time"], swing.time, atol=NINE_DIGITS)
    read = np.array(told["quaternions"])
    for number, point in enumerate(POINTS):
        expected = (UPRIGHT[side].inv() * Rotation.from_quat(swing.q[point], scalar_first=True)).as_quat(
            scalar_first=True
        )
        # Only the sign of a quaternion is free.
        expected *= np.sign(np.sum(expected * read[:, number], axis=1))[:, None]
        np.testing.assert_allclose(read[:, number], expected, atol=2 * NINE_DIGITS)


@pytest.mark.parametrize("side", ["left", "right"])
def test_opensims_inverse_kinematics_gives_the_angles_of_the_segments(tmp_path: Path, side: str) -> None:
    """Against SciPy's Cardan angles Z-X-Y of the trunk in the ground and of the hand in the forearm."""
    swing = made_up_swing(lead_side=side)
    told = solved(sto_text(swing), neutral_text(POINTS, swing.lead_side), tmp_path)
    np.testing.assert_allclose(told["solved_time"], swing.time, atol=1e-6)
    turns = {point: Rotation.from_quat(q, scalar_first=True) for point, q in swing.q.items()}
    pairs = (
        ("torso", UPRIGHT[side].inv() * turns["chest"]),
        (f"radius_{side[0]}", turns["chest"].inv() * turns["lead_forearm"]),
        (f"hand_{side[0]}", turns["lead_forearm"].inv() * turns["lead_hand"]),
    )
    for body, expected in pairs:
        angles = np.deg2rad([told["angles_deg"][f"{body}_{letter}"] for letter in "zxy"]).T
        error = (Rotation.from_euler("ZXY", angles).inv() * expected).magnitude()
        assert np.rad2deg(error.max()) < SOLVED_DEG, body


def test_swings_of_a_whole_recording_solve_at_their_own_times(tmp_path: Path) -> None:
    first = made_up_swing(seed=1)
    second = made_up_swing(seed=2, impact_s=31.0, keys=first.keys | {"swing": 2})
    both = on_recording_clock([first, second])
    told = solved(sto_text(both), neutral_text(POINTS, "left"), tmp_path)
    np.testing.assert_allclose(told["solved_time"], both.time, atol=1e-6)
    chest = UPRIGHT["left"].inv() * Rotation.from_quat(both.q["chest"], scalar_first=True)
    angles = np.deg2rad([told["angles_deg"][f"torso_{letter}"] for letter in "zxy"]).T
    assert np.rad2deg((Rotation.from_euler("ZXY", angles).inv() * chest).magnitude().max()) < SOLVED_DEG


@pytest.mark.parametrize("side", ["left", "right"])
def test_files_are_as_the_format_is_described(side: str) -> None:
    swing = made_up_swing(lead_side=side)
    head, _, body = sto_text(swing).partition("endheader\n")
    told = dict(line.split("=", 1) for line in head.splitlines())
    assert told["DataType"] == "Quaternion"
    assert float(told["DataRate"]) == 100.0
    assert {"version", "OpenSimVersion"} <= set(told)
    names, *rows = [line.split("\t") for line in body.splitlines()]
    assert names == ["time", *NAMES[side]]
    np.testing.assert_allclose([float(row[0]) for row in rows], swing.time, atol=NINE_DIGITS)
    for number, point in enumerate(POINTS, start=1):
        q = np.array([[float(part) for part in row[number].split(",")] for row in rows])
        in_earth = (UPRIGHT[side] * Rotation.from_quat(q, scalar_first=True)).as_quat(scalar_first=True)
        assert degrees_between(in_earth, swing.q[point]).max() < 1e-6


def test_the_neutral_pose_is_every_segment_along_the_ground() -> None:
    rows = neutral_text(POINTS, "right").split("endheader\n")[1].splitlines()
    assert rows[0].split("\t")[1:] == NAMES["right"]
    assert [cell.split(",") for cell in rows[1].split("\t")[1:]] == [["1.000000000", *["0.000000000"] * 3]] * 3
