"""The stick figure of exports: where its points are, and that its sizes are those of the coach's page."""

from __future__ import annotations

import re
from importlib.resources import files

import numpy as np
import pytest
from export_for_tests import UPRIGHT, made_up_swing, scalar_first
from scipy.spatial.transform import Rotation

from imuswing.export.figure import FigureSizes, figure_points, in_ground
from imuswing.orientation.quaternion import to_matrix

SIZES = FigureSizes()


def still(side: str, turn: Rotation) -> dict[str, np.ndarray]:
    """The figure with every segment upright and square, turned by `turn` in the earth."""
    q = np.tile(scalar_first(turn * UPRIGHT[side]), (2, 1))
    swing = made_up_swing(
        lead_side=side, time=np.array([0.0, 0.01]), q={"chest": q, "lead_forearm": q, "lead_hand": q}, count=2
    )
    return {name: place[0] for name, place in figure_points(swing, sizes=SIZES).items()}


@pytest.mark.parametrize(("side", "ahead"), [("left", -1.0), ("right", 1.0)])
def test_an_upright_figure_stands_where_arithmetic_puts_it(side: str, ahead: float) -> None:
    points = still(side, Rotation.identity())
    np.testing.assert_allclose(points["hips"], [0, 0, 0.92], atol=1e-12)
    np.testing.assert_allclose(points["neck_base"], [0, 0, 0.92 + 0.46], atol=1e-12)
    # The earth's X runs to the lead side on either hand; ahead of the golfer is across it.
    np.testing.assert_allclose(points["lead_shoulder"], [0.19, 0, 1.38], atol=1e-12)
    np.testing.assert_allclose(points["trail_shoulder"], [-0.19, 0, 1.38], atol=1e-12)
    np.testing.assert_allclose(points["head"], [0, ahead * 0.03, 1.38 + 0.19], atol=1e-12)
    np.testing.assert_allclose(points["lead_elbow"], [0.19, 0, 1.38 - 0.52 * 0.56], atol=1e-12)
    np.testing.assert_allclose(points["lead_wrist"], [0.19, 0, 1.38 - 0.56], atol=1e-12)
    np.testing.assert_allclose(points["lead_grip"], [0.19, 0, 1.38 - 0.56 - 0.08], atol=1e-12)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_ground_of_an_upright_square_golfer_is_his_own_axes(side: str) -> None:
    turned = in_ground(scalar_first(UPRIGHT[side]), side)  # type: ignore[arg-type]
    np.testing.assert_allclose(to_matrix(turned), np.eye(3), atol=1e-12)


def test_a_turn_of_everything_turns_the_figure_about_its_hips() -> None:
    turn = Rotation.from_rotvec([0.3, -0.8, 1.1])
    hips = np.array([0.0, 0.0, SIZES.hips])
    before, after = still("left", Rotation.identity()), still("left", turn)
    for name, place in after.items():
        np.testing.assert_allclose(place - hips, turn.apply(before[name] - hips), atol=1e-12)


def test_without_a_chest_sensor_the_arm_hangs_from_an_upright_trunk_that_is_not_shown() -> None:
    swing = made_up_swing()
    points = figure_points(made_up_swing(q={point: q for point, q in swing.q.items() if point != "chest"}), sizes=SIZES)
    assert set(points) == {"hips", "lead_shoulder", "lead_elbow", "lead_wrist", "lead_grip"}
    np.testing.assert_allclose(points["lead_shoulder"], np.tile([0.19, 0, 1.38], (41, 1)), atol=1e-12)


def test_sizes_are_those_of_the_figure_on_the_coachs_page() -> None:
    script = (files("imuswing.report") / "assets" / "coach_figure.js").read_text(encoding="utf-8")
    drawn = {name: float(value) for name, value in re.findall(r"\b([A-Z_]{3,}) = ([\d.]+)[,;]", script)}
    sizes = {
        "TRUNK": SIZES.trunk,
        "HALF_SHOULDERS": SIZES.half_shoulders,
        "NECK": SIZES.neck,
        "HEAD": SIZES.head,
        "ARM": SIZES.arm,
        "HAND": SIZES.hand,
        "HIPS": SIZES.hips,
    }
    assert {name: drawn[name] for name in sizes} == sizes
    assert f"{SIZES.elbow_share} * ARM" in script
    assert f"[{SIZES.head_forward}, NECK + HEAD, 0]" in script
