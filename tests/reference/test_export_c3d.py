"""C3D files read back by the reference library ezc3d (Michaud & Begon 2021, J Open Source Softw 6:2911, from memory).

The format keeps float32, so numbers agree to its 24 bits: 1500 mm to 1.2e-4 mm, matrices to 6e-8.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_for_tests import made_up_swing
from scipy.spatial.transform import Rotation

from imuswing.errors import SettingsError
from imuswing.export.c3d import write_c3d
from imuswing.export.figure import FigureSizes, figure_points
from imuswing.export.frames import SwingFrames
from imuswing.export.joined import on_even_grid

ezc3d = pytest.importorskip("ezc3d")
SIZES = FigureSizes()
MM_OF_FLOAT32 = 1.3e-4


def read_back(swing: SwingFrames, path: Path) -> Any:
    write_c3d(swing, path, sizes=SIZES)
    assert [file.name for file in path.parent.iterdir()] == [path.name]
    return ezc3d.c3d(str(path))


@pytest.mark.parametrize("side", ["left", "right"])
def test_points_rotations_and_events_read_back_equal(tmp_path: Path, side: str) -> None:
    swing = made_up_swing(lead_side=side)
    file = read_back(swing, tmp_path / "x.c3d")
    points = figure_points(swing, sizes=SIZES)
    told = file["parameters"]["POINT"]
    assert told["UNITS"]["value"] == ["mm"]
    assert told["LABELS"]["value"] == list(points)
    assert told["RATE"]["value"][0] == 100.0
    for number, place in enumerate(points.values()):
        np.testing.assert_allclose(file["data"]["points"][:3, number].T, 1000.0 * place, atol=MM_OF_FLOAT32, rtol=0)
    rotations = file["data"]["rotations"]
    assert file["parameters"]["ROTATION"]["LABELS"]["value"] == list(swing.q)
    for number, q in enumerate(swing.q.values()):
        expected = Rotation.from_quat(q, scalar_first=True).as_matrix()
        np.testing.assert_allclose(np.moveaxis(rotations[:3, :3, number], -1, 0), expected, atol=1.2e-7, rtol=0)
    np.testing.assert_allclose(rotations[:3, 3, 1].T, 1000.0 * points["lead_wrist"], atol=MM_OF_FLOAT32, rtol=0)
    np.testing.assert_array_equal(rotations[3, 3], 1.0)
    events = file["parameters"]["EVENT"]
    assert events["LABELS"]["value"] == ["top", "impact", "finish"]
    np.testing.assert_allclose(events["TIMES"]["value"], [[0, 0, 0], [0.1, 0.2, 0.35]], atol=1e-6)
    assert file["parameters"]["SUBJECTS"]["NAMES"]["value"] == ["S01"]


def test_the_forearm_points_from_elbow_to_wrist_as_its_rotation_says(tmp_path: Path) -> None:
    """ISB axes (Wu et al. 2005): Y proximal, so elbow minus wrist lies along the matrix's second column."""
    file = read_back(made_up_swing(), tmp_path / "x.c3d")
    names = file["parameters"]["POINT"]["LABELS"]["value"]
    places = dict(zip(names, np.moveaxis(file["data"]["points"], 1, 0), strict=True))
    along = (places["lead_elbow"] - places["lead_wrist"])[:3]
    axis = file["data"]["rotations"][:3, 1, 1]
    np.testing.assert_allclose(along / np.linalg.norm(along, axis=0), axis, atol=1e-5)


def test_frames_between_swings_are_missing_points(tmp_path: Path) -> None:
    first = made_up_swing(seed=1)
    second = made_up_swing(seed=2, impact_s=21.0, keys=first.keys | {"swing": 2})
    file = read_back(on_even_grid([first, second]), tmp_path / "x.c3d")
    points, residuals = file["data"]["points"], file["data"]["meta_points"]["residuals"]
    assert np.isnan(points[0, 1:, 50:90]).all()
    assert (residuals[0, 1:, 50:90] < 0.0).all()
    assert np.isfinite(points[:3, :, :41]).all()
    assert (residuals[0, :, :41] == 0.0).all()
    np.testing.assert_allclose(
        file["parameters"]["EVENT"]["TIMES"]["value"][1], [0.1, 0.2, 0.35, 1.1, 1.2, 1.35], atol=1e-6
    )


def test_more_than_the_format_holds_is_refused(tmp_path: Path) -> None:
    first = made_up_swing()
    late = made_up_swing(impact_s=20.0 + 700.0, keys=first.keys | {"swing": 2})
    with pytest.raises(SettingsError, match="at most 65535 frames, here are 700"):
        write_c3d(on_even_grid([first, late]), tmp_path / "x.c3d", sizes=SIZES)
    many = made_up_swing(moments=tuple(("top", 0.0) for _ in range(256)))
    with pytest.raises(SettingsError, match="at most 255 events"):
        write_c3d(many, tmp_path / "x.c3d", sizes=SIZES)
    assert list(tmp_path.iterdir()) == []


def test_as_many_as_the_format_holds_read_back(tmp_path: Path) -> None:
    swing = made_up_swing(count=65_535, rate=1000.0, moments=tuple(("top", 0.0) for _ in range(255)))
    file = read_back(swing, tmp_path / "x.c3d")
    assert file["data"]["points"].shape[2] == 65_535
    assert len(file["parameters"]["EVENT"]["LABELS"]["value"]) == 255
