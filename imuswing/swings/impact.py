"""When did club meet ball? The shocks of a session's shots, weighed with where in the swing this golfer's impacts lie.

Contact lasts half a millisecond, so a sensor sees only the ring-down (`swings.onset`). Within a golfer the ball is met
at nearly the same place of the swing, as the arm's return and the fastest moments of each sensor tell it
(`swings.pace`), so the session's shots tell each other where they were struck (`swings.habit`): soft chips, and fat
shots, whose first shock is the ground's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray
from imuswing.swings.habit import Expected, place_in_swing
from imuswing.swings.onset import OnsetCurve
from imuswing.vocabulary import CHEST, LEAD_FOREARM


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class ImpactSettings:
    """What is expected of impacts (common practice, no source).

    usual, usual_spread: how far the arm has passed its address direction at impact, as the hands lead the club by a
    little, and its spread between golfers, rad: as an angle it is about the same in chips and full swings, so the time
    after the arm's return is the shorter the faster the arm.
    return_s: error of that return.  own_spread, own_doubt: spread of that angle within a golfer, rad, and how far off
    this guess may be itself: SD of its natural logarithm.
    slowest: an arm is taken to move as fast as this at least, rad/s.
    stand_in_s, trunk_s: usual, usual_spread and own_spread as times, where another segment of the arm stands in for the
    forearm (a hand that is still cocked comes back later), and where the chest alone is worn: it is open at impact, by
    10 to 35° (common practice, no source), and so comes back sooner.
    clue_limit_s: a clue farther than this from its usual place counts as if it was there.
    tail: degrees of freedom of the spreads: some shots are struck elsewhere.
    ground_first: share of shots that meet the ground first.  ground_noted: the same where the coach noted so,
    of another shot or mistaken one time in ten.
    ground_gap_s: the ball follows the ground by so much.
    unseen: share of second blows that are not told within the ring of the first: of simulated ones that are sampled at
    200 Hz and over, 40 of 43 were not.
    model_steps: error of the onset's model, in samples; a ring is not resolved where samples are farther apart than
    coarse_s: there the excess counts as an error, too.  unclear_s: a standard error above this is flagged.
    """

    usual: float = _rad(4.0)
    usual_spread: float = _rad(3.5)
    return_s: float = 0.002
    own_spread: float = _rad(1.0)
    own_doubt: float = 0.6
    clue_limit_s: float = 0.04
    tail: float = 6.0
    ground_first: float = 0.1
    ground_noted: float = 0.9
    ground_gap_s: tuple[float, float] = (0.003, 0.035)
    unseen: float = 0.75
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
    pace, times = np.ones(len(told)), settings.trunk_s if lead == CHEST else settings.stand_in_s
    if lead == LEAD_FOREARM:
        speeds = np.maximum(np.nan_to_num(speeds[told]), settings.slowest)
        usual_speed = float(np.median(speeds))
        pace = usual_speed / speeds
        times = (
            settings.usual / usual_speed,
            settings.usual_spread / usual_speed,
            settings.own_spread / usual_speed,
        )
    model = np.array([_model_error(curve.step, settings) for curve in seen])
    expected = _expected(times, float(np.median(model)), settings)
    teach = struck[told] > 0.5
    offset, sd = place_in_swing(after, logs, pace, _from_usual(clues[told], teach, settings), teach, expected)
    impacts: list[Impact | None] = [None] * len(curves)
    for k, late, se in zip(told, offset.tolist(), sd.tolist(), strict=True):
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


def _model_error(step: float, settings: ImpactSettings) -> float:
    """What the onset's model is off by where samples are `step` apart, s."""
    return settings.model_steps * step + max(step - settings.coarse_s, 0.0)


def _expected(times: tuple[float, float, float], shared: float, settings: ImpactSettings) -> Expected:
    """What is expected at the session's usual speed. times: the impact after the return, its spread between golfers,
    and within one, s.  shared: error that all shocks of the session may share, s: swings are alike, so what the
    onset's model takes for a shock in one of them it takes for it in the next."""
    usual, usual_spread, own_spread = times
    return Expected(
        usual=usual,
        usual_spread=float(np.hypot(usual_spread, settings.return_s)),
        own_spread=float(np.hypot(own_spread, settings.return_s)),
        own_doubt=settings.own_doubt,
        tail=settings.tail,
        shared=shared,
    )


def _from_usual(clues: FloatArray, teach: BoolArray, settings: ImpactSettings) -> FloatArray:
    """Each clue (K, S) from its median over the swings that teach (K,), s, 0 where it is not told."""
    usual = [np.median(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in clues[teach].T]
    return np.clip(np.nan_to_num(clues - np.array(usual)), -settings.clue_limit_s, settings.clue_limit_s)
