"""A map that somebody gave, held against the data: what gravity says of units and axes."""

from __future__ import annotations

from imuswing.formats.guess import axes_doubt, quiet_windows, turning_by_rests
from imuswing.formats.physics import at_rest, turning
from imuswing.recording.model import SensorStream
from imuswing.vocabulary import STANDARD_GRAVITY

NEAR_GRAVITY = 0.15
NEAR_SCALE = 0.25
"""A sensor is within these shares of the truth if its map is right (scales of cheap sensors; common practice)."""
CLEAR_AGREEMENT = 0.6


def held_against_data(stream: SensorStream) -> list[str]:
    """Sentences about units and axes that gravity contradicts; [] where all fits, or nothing can be told."""
    acc, gyr, rate, place = stream.acc, stream.gyr, stream.rate, stream.tracked_point
    rest = at_rest(acc, rate, quiet=quiet_windows(acc, gyr, rate))
    if rest is None or rest.norm <= 0.0:
        return []
    doubts = []
    if abs(rest.norm / STANDARD_GRAVITY - 1.0) > NEAR_GRAVITY:
        doubts.append(
            f"{place}: with the unit of the map gravity at rest is {rest.norm:.3g} m/s^2 and not 9.8: check acc_unit"
        )
    turn = turning(acc, gyr, rate, gravity=rest.norm)
    if turn is None:
        return doubts
    turn = turning_by_rests(turn, acc, gyr, rate, rest)
    if turn.agreement > CLEAR_AGREEMENT and abs(turn.slope - 1.0) > NEAR_SCALE:
        doubts.append(
            f"{place}: with the unit of the map the gyroscope tells {1.0 / turn.slope:.3g} times the turn that gravity "
            "shows: check gyr_unit"
        )
    return doubts + axes_doubt(place, turn)
