"""Slips of a mount: rotations put into made-up postures are found where they were put, and by how much."""

from __future__ import annotations

import numpy as np
import pytest
from motions_for_tests import make_segment
from scipy.spatial.transform import Rotation

from imuswing.body.alignment import Alignment
from imuswing.body.slip import Slip, SlipSettings, find_slip, set_right
from imuswing.orientation.quaternion import FloatArray
from imuswing.quality import slip_warning
from imuswing.report.said import said
from imuswing.report.texts import load_texts

SETTINGS = SlipSettings()
UP = np.array([0.0, 1.0, 0.0])
BENT = Rotation.from_rotvec([0.0, 0.0, np.radians(-35.0)])
"""A golf posture's bend against standing, in sensor axes."""
TURN = Rotation.from_rotvec(np.radians([3.0, 8.0, -9.0]))
"""Sensor after the slip from sensor before it."""


def postures(rng: np.random.Generator, count: int, mean: FloatArray, spread_deg: float) -> FloatArray:
    return Rotation.from_rotvec(np.radians(spread_deg) * rng.standard_normal((count, 3))).apply(mean)


def found(
    *, seed: int, swings: int, after: int, point: str = "chest", rests_too: bool = True, turn: Rotation = TURN
) -> Slip | None:
    """What is found where swings from number `after` on come after a slip; one address a minute and two rests."""
    rng = np.random.default_rng(seed)
    times = 60.0 * np.arange(1, swings + 1)
    rest_times = np.sort(np.concatenate((times - 40.0, times - 25.0)))
    address, rest = postures(rng, swings, BENT.apply(UP), 0.8), postures(rng, 2 * swings, UP, 2.0)
    address[after:] = turn.apply(address[after:])
    if rests_too:
        rest[2 * after :] = turn.apply(rest[2 * after :])
    return find_slip(point, times, address, rest_times, rest, settings=SETTINGS)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("after", [2, 3, 4, 6, 8])
def test_a_slip_is_found_between_the_swings_where_it_was(seed: int, after: int) -> None:
    slip = found(seed=seed, swings=10, after=after)
    assert slip is not None
    assert slip.turn is not None
    # Half-way between the addresses of the swings on either side.
    assert slip.time == 60.0 * after + 30.0
    # Two directions 35° apart tell a rotation, with an error of which the covariance is to know.
    error = (Rotation.from_quat(slip.turn, scalar_first=True) * TURN.inv()).as_rotvec()
    assert error @ np.linalg.solve(slip.covariance, error) < 16.27  # chi-squared with 3 degrees, 0.999: from memory
    assert slip.angle == pytest.approx(Rotation.from_quat(slip.turn, scalar_first=True).magnitude(), abs=1e-9)


def test_a_golfer_who_stands_differently_has_mostly_not_slipped() -> None:
    # A step of the rests counts that one in twenty passes by chance (Rayleigh's law; here the errors are known less
    # well). A slip about the vertical, which rests hardly show, looks the same.
    slips = [found(seed=seed, swings=10, after=5, rests_too=False) for seed in range(40)]
    assert sum(slip is not None for slip in slips) <= 5


@pytest.mark.parametrize("seed", range(8))
def test_nothing_is_found_where_nothing_was(seed: int) -> None:
    assert found(seed=seed, swings=10, after=5, turn=Rotation.identity()) is None


@pytest.mark.parametrize(
    ("turn", "told"),
    [
        (Rotation.from_rotvec(np.radians(25.0) * UP), True),
        (Rotation.from_rotvec(np.radians(8.0) * UP), False),
        (Rotation.from_rotvec([0.0, 0.0, np.radians(-14.0)]), False),
    ],
)
def test_a_band_that_turned_about_the_upright_trunk_is_told_but_not_taken_off(turn: Rotation, told: bool) -> None:
    # By geometry: 25° about the vertical move gravity in a trunk bent by 35° by 2·asin(sin 35° · sin 12.5°) = 14.3°,
    # and the upright trunk's by nothing. 8° move it by 4.6°, as people tilt; bending 14° deeper is the golfer's.
    slips = [found(seed=seed, swings=10, after=5, rests_too=told, turn=turn) for seed in range(20)]
    if told:
        # Where the rests' scatter happens to agree, one time in twenty, it is taken off.
        angles = [slip.angle for slip in slips if slip is not None and slip.turn is None]
        assert all(slip is not None for slip in slips)
        assert len(angles) >= 16
        assert np.degrees(np.median(angles)) == pytest.approx(14.3, abs=1.0)
    else:
        assert sum(slip is not None for slip in slips) <= 2  # rests' chance of one in twenty


def test_one_odd_address_is_no_slip() -> None:
    assert found(seed=1, swings=10, after=9) is None


def test_a_slip_of_the_arm_is_told_but_not_taken_off() -> None:
    # Arms rest anyhow: the rests tell nothing there.
    slip = found(seed=2, swings=10, after=4, point="lead_forearm", rests_too=False)
    assert slip is not None
    assert slip.turn is None
    assert slip.time == 60.0 * 4 + 30.0
    moved = np.degrees(np.arccos(TURN.apply(BENT.apply(UP)) @ BENT.apply(UP)))
    assert np.degrees(slip.angle) == pytest.approx(moved, abs=1.5)


def test_a_mount_that_may_have_shifted_is_less_sure_by_an_even_chance_of_the_step() -> None:
    # By hand: a step of 8° that is a slip or not with even chances: the expected square is 32 °².
    segment = make_segment("lead_hand", Rotation.from_rotvec(np.zeros((50, 3))))
    alignment = Alignment(
        tracked_point="lead_hand", q_sensor_from_segment=np.array([1.0, 0.0, 0.0, 0.0]), covariance=np.eye(3) * 1e-3
    )
    moved = set_right(segment, alignment, Slip(time=0.0, angle=float(np.radians(8.0))))
    assert np.degrees(np.sqrt(moved.mount_variance)) == pytest.approx(np.sqrt(32.0))
    np.testing.assert_array_equal(moved.q, segment.q)


@pytest.mark.parametrize(("point", "grips"), [("chest", False), ("lead_forearm", True), ("lead_hand", True)])
def test_only_what_a_grip_turns_is_told_to_be_held_by_a_new_one(point: str, grips: bool) -> None:
    told = slip_warning(point, Slip(time=90.0, angle=np.radians(9.0)))["text"]
    assert "From minute 1.5 on" in told
    assert f"at address: {'a new grip or posture' if grips else 'a new posture'}, or a strap that slipped;" in told
    assert said(told, load_texts("de")) is not None
