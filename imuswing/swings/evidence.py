"""Is a movement with the shape of a swing one? Walking arms, gestures and the bend to the ball share parts of it.

First by itself: each trait adds log odds between two limits, so that no single one decides: a quiet start, a downswing
clearly faster than the backswing and no slower than a fall, an arm that goes on after the ball, the golf posture's
forward bend, a chest that turns back with the arm, a struck ball. Then by likeness: a golfer returns to the same
posture and makes the same movement time and again, and whatever else happens in a lesson is unlike it. Likeness is seen
in the sensors' own axes, so no calibration is needed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray, inverse, length, log, multiply, rotate
from imuswing.swings.find import Candidate


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class Trait:
    """Log odds that a trait adds: `at_low` at `low` and below, `at_high` at `high` and above, straight between."""

    low: float
    high: float
    at_low: float
    at_high: float

    def odds(self, value: float) -> float:
        """Log odds at a value; a trait that could not be seen (NaN) adds nothing."""
        if not math.isfinite(value):
            return 0.0
        share = min(max((value - self.low) / (self.high - self.low), 0.0), 1.0)
        return self.at_low + share * (self.at_high - self.at_low)


@dataclass(frozen=True, kw_only=True)
class EvidenceSettings:
    """Limits and weights (common practice, no source: a golfer starts from rest, bent forward, and turns the chest).

    slow_down: of the time from top to return, s. An arm that hangs free with a club is a pendulum of about 1 m between
    pivot and middle of swing, with a period of 2 s; it falls from the top to the ball in a quarter of that (a sum on
    Galilei's law). What comes down slower is held back, and is no swing.
    turn_down: of the chest's turn towards the target from top to return. A swing turns the chest back; who walks off
    while the body turns round turns on the same way.
    through: of the way on after the return, over the arc.  stoop: of the forward bend: golfers bend about 40° to the
    ball, and nobody swings as deep as one picks it up (common practice, no source).
    alike: from the natural log of the likeness to the session's swings, over that of the one most like the others.
    alike_address, alike_turn: two addresses, or two turns, that differ by this angle (rad) or share are little alike.
    least_turn: smaller turns (rad) have no direction of their own.
    alike_weight: the session's own likeness counts in full only when many more swings than this were seen.
    """

    restless: Trait = Trait(low=_rad(4.0), high=_rad(14.0), at_low=1.5, at_high=-2.0)
    faster: Trait = Trait(low=1.15, high=1.5, at_low=-1.5, at_high=1.0)
    slow_down: Trait = Trait(low=0.5, high=0.8, at_low=0.5, at_high=-2.5)
    through: Trait = Trait(low=0.1, high=0.3, at_low=-2.0, at_high=0.0)
    stoop: Trait = Trait(low=_rad(58.0), high=_rad(72.0), at_low=0.0, at_high=-2.5)
    bend: Trait = Trait(low=_rad(6.0), high=_rad(18.0), at_low=-2.0, at_high=1.0)
    turn: Trait = Trait(low=_rad(1.0), high=_rad(8.0), at_low=-1.5, at_high=1.0)
    turn_down: Trait = Trait(low=_rad(-3.0), high=_rad(1.0), at_low=-3.0, at_high=0.0)
    struck: Trait = Trait(low=2.5, high=4.0, at_low=0.0, at_high=2.5)
    alike: Trait = Trait(low=-3.0, high=-1.0, at_low=-6.5, at_high=2.5)
    alike_address: float = _rad(8.0)
    alike_turn: float = 0.35
    least_turn: float = _rad(15.0)
    alike_weight: float = 2.0
    rounds: int = 4
    accept: float = 0.0


def swing_log_odds(
    candidate: Candidate,
    *,
    bend: float,
    turn: float,
    turn_down: float = np.nan,
    sizes: Mapping[str, float],
    settings: EvidenceSettings,
) -> float:
    """Log odds that a candidate is a swing, by itself.

    bend: forward bend of the chest at the start; turn: chest turn away from the target between start and top;
    turn_down: towards it from there to the return, rad; sizes: by stream, log of the shock's size near the arm's
    return. NaN where the chest, or its axes, are not known.
    """
    return (
        settings.restless.odds(candidate.speed_before)
        + settings.faster.odds(candidate.speed_down / max(candidate.speed_back, 1e-9))
        + settings.slow_down.odds(candidate.back - candidate.top)
        + settings.through.odds(candidate.through / max(candidate.arc, 1e-9))
        + settings.bend.odds(bend)
        + settings.stoop.odds(bend)
        + settings.turn.odds(turn)
        + settings.turn_down.odds(turn_down)
        + settings.struck.odds(max(sizes.values(), default=np.nan))
    )


def signature(q: FloatArray, *, settings: EvidenceSettings) -> FloatArray:
    """What one sensor saw of movements, (..., 3, 3), in its own axes: up at address, and the turns back and down.

    q: (..., 5, 4) earth from sensor at address, half way back in time, at the top, half way down, and at the return.
    Turns are rotation vectors of unit length, shorter if small.
    """
    up = rotate(inverse(q[..., :1, :]), np.array([0.0, 0.0, 1.0]))
    turns = _long_way(log(_turns(q[..., ::2, :])), log(_turns(q)))
    size = np.maximum(length(turns), settings.least_turn)
    return np.concatenate((up, turns / size[..., None]), axis=-2)


def _turns(q: FloatArray) -> FloatArray:
    """(..., n - 1, 4) from each of (..., n, 4) to the next, in the axes of the former."""
    return multiply(inverse(q[..., :-1, :]), q[..., 1:, :])


def _long_way(turns: FloatArray, halves: FloatArray) -> FloatArray:
    """Rotation vectors (..., n, 3), the long way round where those of both halves (..., 2n, 3) went that way: a hand
    may turn by more than half a turn on the way down, where the short way is the other."""
    along = halves[..., ::2, :] + halves[..., 1::2, :]
    size = length(turns)[..., None]
    other = turns * (1.0 - 2.0 * np.pi / np.maximum(size, 1e-9))
    return np.where(np.sum(turns * along, axis=-1, keepdims=True) < 0.0, other, turns)


def with_likeness(
    odds: Sequence[float], signatures: Sequence[Mapping[str, FloatArray]], *, settings: EvidenceSettings
) -> FloatArray:
    """Log odds (K,) that each candidate is a swing, by itself and by its likeness to the session's other swings.

    signatures: for each candidate, by tracked point, what `signature` gives.
    """
    alone = np.asarray(odds, dtype=np.float64)
    if len(alone) < 2:
        return alone
    alike = _alike(signatures, settings)
    together = alone
    for _ in range(settings.rounds):
        chance = 1.0 / (1.0 + np.exp(-together))
        support = alike @ chance
        seen = chance.sum() - chance
        trust = seen / (seen + settings.alike_weight)
        relative = np.log(np.maximum(support / max(float(support.max()), 1e-9), 1e-9))
        together = alone + trust * np.array([settings.alike.odds(value) for value in relative.tolist()])
    return together


def _alike(signatures: Sequence[Mapping[str, FloatArray]], settings: EvidenceSettings) -> FloatArray:
    """Likeness (K, K) of every two candidates, 0 to 1, 0 on the diagonal: by the sensors that saw both."""
    count = len(signatures)
    square, shared = np.zeros((count, count)), np.zeros((count, count))
    # Root mean square of three vectors' differences, each over its scale.
    scale = np.sqrt(3.0) * np.array([settings.alike_address, settings.alike_turn, settings.alike_turn])
    for point in sorted({point for seen in signatures for point in seen}):
        table = np.array([seen.get(point, np.full((3, 3), np.nan)) for seen in signatures]) / scale[:, None]
        told = np.isfinite(table).all(axis=(1, 2))
        rows = np.where(told[:, None], table.reshape(count, 9), 0.0)
        # |a − b|² = |a|² + |b|² − 2 a·b: of hundreds of candidates every two, without an array of their differences.
        size = np.sum(rows**2, axis=1)
        both = told[:, None] & told
        square += np.where(both, np.maximum(size[:, None] + size - 2.0 * (rows @ rows.T), 0.0), 0.0)
        shared += both
    alike = np.where(shared > 0, np.exp(-0.5 * square / np.maximum(shared, 1)), 0.0)
    np.fill_diagonal(alike, 0.0)
    return alike
