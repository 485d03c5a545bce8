"""Is a movement with the shape of a swing one? Walking arms, gestures and the bend to the ball share parts of it.

Each trait adds log odds between two limits, so that no single one decides: a quiet start, a downswing clearly faster
than the backswing, the golf posture's forward bend, a chest that turns back with the arm, a struck ball.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imuswing.swings.find import Candidate


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class Trait:
    """Log odds that a trait adds: `against` at `low` and below, `in_favour` at `high` and above, straight between."""

    low: float
    high: float
    against: float
    in_favour: float

    def odds(self, value: float) -> float:
        """Log odds at a value; a trait that could not be seen (NaN) adds nothing."""
        if not np.isfinite(value):
            return 0.0
        return float(np.interp(value, (self.low, self.high), (self.against, self.in_favour)))


@dataclass(frozen=True, kw_only=True)
class EvidenceSettings:
    """Limits and weights (common practice, no source: a golfer starts from rest, bent forward, and turns the chest)."""

    restless: Trait = Trait(low=_rad(4.0), high=_rad(14.0), against=1.5, in_favour=-2.0)
    faster: Trait = Trait(low=1.15, high=1.5, against=-1.5, in_favour=1.0)
    bend: Trait = Trait(low=_rad(6.0), high=_rad(18.0), against=-2.0, in_favour=1.0)
    turn: Trait = Trait(low=_rad(1.0), high=_rad(8.0), against=-1.5, in_favour=1.0)
    struck: Trait = Trait(low=2.0, high=3.2, against=0.0, in_favour=2.5)
    accept: float = 0.0


def swing_log_odds(
    candidate: Candidate, *, bend: float, turn: float, sizes: Mapping[str, float], settings: EvidenceSettings
) -> float:
    """Log odds that a candidate is a swing.

    bend: forward bend of the chest at the start, rad; turn: chest turn away from the target between start and top, rad;
    sizes: by stream, log of the shock's size near the arm's return. NaN where the chest, or its axes, are not known.
    """
    return (
        settings.restless.odds(candidate.speed_before)
        + settings.faster.odds(candidate.speed_down / max(candidate.speed_back, 1e-9))
        + settings.bend.odds(bend)
        + settings.turn.odds(turn)
        + settings.struck.odds(max(sizes.values(), default=np.nan))
    )
