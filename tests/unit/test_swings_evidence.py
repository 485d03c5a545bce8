"""What a chest that turns on with the arm says of a movement."""

from __future__ import annotations

import math

from imuswing.swings.evidence import EvidenceSettings, swing_log_odds
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
