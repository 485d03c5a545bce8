"""What a chest that turns on with the arm says of a movement."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from imuswing.swings.evidence import EvidenceSettings, signature, swing_log_odds, with_likeness
from imuswing.swings.find import Candidate

SMALL = Candidate(
    start=0.0,
    top=0.5,
    back=0.75,
    end=1.0,
    arc=0.25,
    miss=0.0,
    through=0.2,
    speed_back=1.0,
    speed_down=2.0,
    speed_before=0.02,
)
"""A quick movement of the arm by 14°, as of a small chip, or of a step while the body turns round."""


def _odds(turn_down_deg: float) -> float:
    return swing_log_odds(
        SMALL,
        bend=math.radians(25.0),
        turn=math.radians(8.0),
        turn_down=math.radians(turn_down_deg),
        sizes={},
        settings=EvidenceSettings(),
    )


def test_a_chest_that_turns_on_away_from_the_target_speaks_against_a_swing() -> None:
    # A swing's chest turns back to the ball (common practice, no source): by how much tells nothing more.
    assert _odds(-8.0) < _odds(8.0) - 2.0
    assert _odds(3.0) == _odds(30.0)


def test_a_chest_that_is_not_known_speaks_neither_way() -> None:
    assert _odds(math.nan) == _odds(8.0)


def test_likeness_is_a_bell_curve_of_how_far_two_movements_are_apart() -> None:
    # scipy's distances: root mean square of three vectors' differences, each over its scale, of the sensors that saw
    # both movements. One round of likeness among three by hand: a swing like the others gains, one unlike them loses.
    settings = EvidenceSettings(rounds=1)
    rng = np.random.default_rng(5)
    address, turns = rng.normal(size=3), rng.normal(size=(2, 3))
    near = np.vstack((address, turns))
    seen = [
        {"chest": near, "lead_hand": near},
        {"chest": near + 0.2 * rng.normal(size=(3, 3))},
        {"chest": near + 0.05 * rng.normal(size=(3, 3)), "lead_hand": near + 0.05 * rng.normal(size=(3, 3))},
    ]
    scale = np.array([settings.alike_address, settings.alike_turn, settings.alike_turn])[:, None]
    squares, shared = np.zeros((3, 3)), np.zeros((3, 3))
    for point in ("chest", "lead_hand"):
        who = [k for k, one in enumerate(seen) if point in one]
        rows = np.array([(seen[k][point] / scale).ravel() for k in who])
        squares[np.ix_(who, who)] += cdist(rows, rows, "sqeuclidean") / 3.0
        shared[np.ix_(who, who)] += 1.0
    alike = np.exp(-0.5 * squares / shared) * (1.0 - np.eye(3))
    odds = np.array([2.0, 1.0, -1.0])
    chance = 1.0 / (1.0 + np.exp(-odds))
    support, others = alike @ chance, chance.sum() - chance
    gain = [settings.alike.odds(value) for value in np.log(np.maximum(support / support.max(), 1e-9)).tolist()]
    assert sum(settings.alike.at_low < value < settings.alike.at_high for value in gain) >= 1
    expected = odds + others / (others + settings.alike_weight) * np.array(gain)
    assert with_likeness(odds.tolist(), seen, settings=settings) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("degrees", [20.0, 90.0, 175.0, 185.0, 270.0])
def test_a_turn_of_more_than_half_a_turn_goes_its_own_way_round(degrees: float) -> None:
    # scipy's rotations: about one axis, back and then down by as much; a hand that rolls over turns past 180°.
    axis = np.array([2.0, -1.0, 2.0]) / 3.0
    start = Rotation.from_euler("ZYX", [40.0, 20.0, -70.0], degrees=True)
    at = np.radians(degrees) * np.array([0.0, 0.5, 1.0, 0.5, 0.0])
    q = (start * Rotation.from_rotvec(at[:, None] * axis)).as_quat(scalar_first=True)
    settings = EvidenceSettings()
    up, back, down = signature(q, settings=settings)
    np.testing.assert_allclose(up, start.inv().apply([0.0, 0.0, 1.0]), atol=1e-12)
    np.testing.assert_allclose(back, axis, atol=1e-9)
    np.testing.assert_allclose(down, -axis, atol=1e-9)
