"""When did club meet ball? The shocks of a session's shots, weighed with where in the swing this golfer's impacts lie.

Contact lasts half a millisecond, so a sensor sees only the ring-down (`swings.onset`). Within a golfer the ball is met
at nearly the same place of the swing, as the arm's return and the fastest moments of each sensor tell it
(`swings.pace`), so the session's clear shots tell where the unclear ones were struck: soft chips, and fat shots, whose
first shock is the ground's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray
from imuswing.swings.onset import OnsetCurve
from imuswing.vocabulary import CHEST, LEAD_FOREARM


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class ImpactSettings:
    """What is expected of impacts (common practice, no source).

    usual, usual_spread: how far the arm has passed its address direction at impact, as the hands lead the club by a
    little, and its spread, rad, before the session has told: as an angle it is about the same in chips and full swings,
    so the time after the arm's return is the shorter the faster the arm.
    return_s: error of that return.  own_spread, own_weight: spread within a golfer, rad, and how many shots that guess
    is worth.  slowest: an arm is taken to move as fast as this at least, rad/s.
    stand_in_s, trunk_s: the same three, as times, where another segment of the arm stands in for the forearm (a hand
    that is still cocked comes back later), and where the chest alone is worn: it is open at impact, by 10 to 35°
    (common practice, no source), and so comes back sooner.
    clue_weight: spread of how far the impact goes along with a clue, s for s, before the session has told.
    clue_limit_s: a clue farther than this from its usual place counts as if it was there.
    tail: degrees of freedom of the spread: some shots are struck elsewhere.
    ground_first: share of shots that meet the ground first.  ground_noted: the same where the coach noted so.
    ground_gap_s: the ball follows the ground by so much.
    unseen: share of second blows that are not told within the ring of the first.  rounds: of learning from the session.
    model_steps: error of the onset's model, in samples; a ring is not resolved where samples are farther apart than
    coarse_s: there the excess counts as an error, too.  unclear_s: a standard error above this is flagged.
    """

    usual: float = _rad(4.0)
    usual_spread: float = _rad(3.5)
    return_s: float = 0.002
    own_spread: float = _rad(1.0)
    own_weight: float = 4.0
    clue_weight: float = 0.4
    clue_limit_s: float = 0.04
    least_spread_s: float = 0.0025
    tail: float = 6.0
    ground_first: float = 0.1
    ground_noted: float = 0.5
    ground_gap_s: tuple[float, float] = (0.003, 0.035)
    unseen: float = 0.25
    rounds: int = 4
    model_steps: float = 0.25
    coarse_s: float = 0.006
    unclear_s: float = 0.010
    slowest: float = 2.0
    stand_in_s: tuple[float, float, float] = (0.010, 0.025, 0.005)
    trunk_s: tuple[float, float, float] = (0.055, 0.035, 0.015)


@dataclass(frozen=True, kw_only=True)
class Impact:
    """When a ball was struck, its standard error (s), and whether that is unclear."""

    time: float
    se: float
    unclear: bool


def place_impacts(
    curves: Sequence[OnsetCurve | None],
    backs: Sequence[float],
    speeds: FloatArray,
    clues: FloatArray,
    struck: FloatArray,
    ground_noted: BoolArray,
    *,
    lead: str = LEAD_FOREARM,
    settings: ImpactSettings,
) -> list[Impact | None]:
    """The impact in each swing, as if it was a shot; None where no sensor tells.

    backs: (K) the arm's return to its address direction, s.  speeds: (K,) how fast its long axis moves there, rad/s.
    clues: (K, S) moments that may go along with the impact, s after that return, NaN where not told.
    struck: (K,) probability of each being a shot; only likely shots teach the others.
    ground_noted: (K,) the coach noted that the ground was met first.  lead: the segment whose return it is.
    """
    told = [k for k, curve in enumerate(curves) if curve is not None]
    if not told:
        return [None] * len(curves)
    seen = [curve for curve in curves if curve is not None]
    shares = np.where(ground_noted[told], settings.ground_noted, settings.ground_first)
    logs = np.stack([_either_blow(curve, share, settings) for curve, share in zip(seen, shares.tolist(), strict=True)])
    after = np.stack([curve.time for curve in seen]) - np.asarray(backs)[told, None]
    # Everything is learnt in the time that the session's usual speed would take for the same angle.
    if lead != LEAD_FOREARM:
        pace, prior = np.ones(len(curves)), _Prior.of(settings.trunk_s if lead == CHEST else settings.stand_in_s)
    else:
        speeds = np.maximum(np.nan_to_num(speeds), settings.slowest)
        usual_speed = float(np.median(speeds[told]))
        pace, prior = usual_speed / speeds, _Prior.at(usual_speed, settings)
    centre, spread = pace * prior.usual, np.hypot(pace * prior.usual_spread, settings.return_s)
    for _ in range(settings.rounds):
        offset, sd = _posterior(after, logs, centre[told], spread[told], settings)
        good = (struck[told] > 0.5) & (sd < settings.unclear_s)
        teach = np.array(told)[good]
        learnt = _learn(
            offset[good] / pace[teach], sd[good] / pace[teach], clues / pace[:, None], teach.tolist(), prior, settings
        )
        centre, spread = learnt[0] * pace, learnt[1] * pace
    impacts: list[Impact | None] = [None] * len(curves)
    for k, curve, late, error in zip(told, seen, offset.tolist(), sd.tolist(), strict=True):
        model = settings.model_steps * curve.step + max(curve.step - settings.coarse_s, 0.0)
        se = float(np.hypot(error, model))
        impacts[k] = Impact(time=backs[k] + late, se=se, unclear=se > settings.unclear_s)
    return impacts


def _either_blow(curve: OnsetCurve, share: float, settings: ImpactSettings) -> FloatArray:
    """Log likelihood (G,) of the ball at each time: it gave the first blow, or the ground did shortly before."""
    step = float(curve.time[1] - curve.time[0])
    scale = float(curve.first.max())
    density = np.exp(curve.first - scale)
    total = np.concatenate(([0.0], np.cumsum(density)))
    place = np.arange(len(density))
    near, far = (np.maximum(place - round(gap / step), 0) for gap in settings.ground_gap_s)
    earlier = (total[near + 1] - total[far]) / max(round(float(np.diff(settings.ground_gap_s)[0]) / step), 1)
    earlier[near == 0] = 0.0
    second = np.logaddexp(np.log1p(-settings.unseen) + curve.second, np.log(settings.unseen))
    ground = np.log(np.maximum(earlier, 1e-300)) + second
    return np.asarray(np.logaddexp(np.log1p(-share) + curve.first - scale, np.log(share) + ground))


def _posterior(
    time: FloatArray, log: FloatArray, centre: FloatArray, spread: FloatArray, settings: ImpactSettings
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation (K,), s, of log likelihoods at times (K, G) with a Student distribution of the place
    in the swing, of its own centre and spread (K,)."""
    away = (time - centre[:, None]) / spread[:, None]
    log = log - 0.5 * (settings.tail + 1.0) * np.log1p(away * away / settings.tail)
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = np.sum(weight * time, axis=1)
    return mean, np.sqrt(np.sum(weight * (time - mean[:, None]) ** 2, axis=1))


@dataclass(frozen=True, kw_only=True)
class _Prior:
    """What is expected at the session's usual speed, s: settings of the same names, divided by it."""

    usual: float
    usual_spread: float
    own_spread: float

    @classmethod
    def at(cls, speed: float, settings: ImpactSettings) -> _Prior:
        return cls(
            usual=settings.usual / speed,
            usual_spread=settings.usual_spread / speed,
            own_spread=float(np.hypot(settings.own_spread / speed, settings.return_s)),
        )

    @classmethod
    def of(cls, times: tuple[float, float, float]) -> _Prior:
        return cls(usual=times[0], usual_spread=times[1], own_spread=times[2])


def _learn(
    offsets: FloatArray,
    errors: FloatArray,
    clues: FloatArray,
    teach: Sequence[int],
    prior: _Prior,
    settings: ImpactSettings,
) -> tuple[FloatArray, FloatArray]:
    """Where after the arm's return each swing's impact is expected (K,), and how far it spreads (K,), s.

    offsets, errors: (T,) of the shots numbered `teach`. A robust linear fit on the clues, drawn to none at all
    (ridge regression: Hoerl & Kennard 1970, Technometrics 12:55, from memory); its errors are those of each shot when
    the others predict it.
    """
    count = len(offsets)
    if count < 3:
        spread = float(np.hypot(prior.usual_spread, settings.return_s))
        return np.full(len(clues), prior.usual), np.full(len(clues), spread)
    middle = float(np.median(offsets))
    from_usual = np.nan_to_num(clues - _usual(clues[teach]))
    design = np.clip(from_usual, -settings.clue_limit_s, settings.clue_limit_s)
    design = np.concatenate((np.ones((len(clues), 1)), design), axis=1)
    spread = _pooled(offsets - middle, prior, settings)
    trust = np.ones(count)
    for _ in range(settings.rounds):
        ridge = np.full(design.shape[1], (spread / settings.clue_weight) ** 2)
        ridge[0] = 0.0
        rows = design[teach]
        inverse = np.linalg.inv(rows.T @ (rows * trust[:, None]) + np.diag(ridge))
        weights = inverse @ (rows.T @ (trust * (offsets - middle)))
        residual = offsets - middle - rows @ weights
        pull = np.clip(trust * np.sum((rows @ inverse) * rows, axis=1), 0.0, 0.9)
        spread = _pooled(residual / (1.0 - pull), prior, settings)
        away = residual / np.hypot(spread, errors)
        trust = (settings.tail + 1.0) / (settings.tail + away**2) * spread**2 / (spread**2 + errors**2)
    unsure = np.sum((design @ inverse) * design, axis=1)
    return middle + design @ weights, spread * np.sqrt(1.0 + unsure)


def _usual(clues: FloatArray) -> FloatArray:
    """Median of each clue (S,), 0 where it is never told."""
    return np.array([np.median(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in clues.T])


def _pooled(residuals: FloatArray, prior: _Prior, settings: ImpactSettings) -> float:
    """Robust spread of residuals (T,) and the guess, s."""
    away = 1.4826 * float(np.median(np.abs(residuals)))
    count = len(residuals)
    square = (count * away**2 + settings.own_weight * prior.own_spread**2) / (count + settings.own_weight)
    return float(max(np.sqrt(square), settings.least_spread_s))
