"""Which way a sensor turns on the way down, against scipy's Rotation and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from imuswing.swings.backwards import BackwardsSettings, turn_about_vertical, turned_backwards

SETTINGS = BackwardsSettings()


def test_a_turn_about_the_vertical_is_seen_in_any_mount() -> None:
    """A turntable by 50° in half a second, the sensor on it strapped on anyhow: scipy turns it."""
    angle = np.radians(50.0) * np.linspace(0.0, 1.0, 9)
    mounts = Rotation.random(5, random_state=4)
    q, gyr = [], []
    for mount in mounts:
        q.append((Rotation.from_rotvec(np.outer(angle, [0.0, 0.0, 1.0])) * mount).as_quat()[:, [3, 0, 1, 2]])
        gyr.append(np.tile(mount.inv().apply([0.0, 0.0, np.radians(100.0)]), (9, 1)))
    found = turn_about_vertical(np.array(q), np.array(gyr), np.full(5, 0.5))
    np.testing.assert_allclose(np.degrees(found), 50.0, rtol=1e-9)


def test_a_turn_about_a_level_axis_is_none_about_the_vertical() -> None:
    angle = np.linspace(0.0, 1.0, 9)
    q = Rotation.from_rotvec(np.outer(angle, [1.0, 0.0, 0.0])).as_quat()[:, [3, 0, 1, 2]]
    gyr = np.tile([2.0, 0.0, 0.0], (9, 1))
    assert turn_about_vertical(q[None], gyr[None], np.array([0.5]))[0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("turns_deg", "backwards"),
    [
        ([-20.0, -25.0, -15.0, -22.0], True),
        ([20.0, 25.0, 15.0, 22.0], False),
        ([-20.0, -25.0], False),  # too few
        ([-3.0, -2.0, -1.0, -2.0], False),  # too little
        ([-20.0, -25.0, 15.0, -22.0], False),  # not nearly all
        ([-20.0, -25.0, 15.0, -22.0, -20.0, -21.0], True),
    ],
)
def test_nearly_all_swings_must_turn_backwards_by_enough(turns_deg: list[float], backwards: bool) -> None:
    turns = {"chest": np.radians(turns_deg), "lead_hand": np.radians(np.abs(turns_deg))}
    assert turned_backwards(turns, settings=SETTINGS) == (("chest",) if backwards else ())


def test_a_club_and_an_upper_arm_are_not_judged() -> None:
    assert turned_backwards({"club": np.full(5, -1.0), "lead_upper_arm": np.full(5, -1.0)}, settings=SETTINGS) == ()
