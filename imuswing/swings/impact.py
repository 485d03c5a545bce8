"""When did club meet ball? The shocks of a session's shots, weighed with where in the swing this golfer's impacts lie.

Contact lasts half a millisecond, so a sensor sees only the ring-down (`swings.onset`). Within a golfer the ball is met
at nearly the same place of the swing, so the session's clear shots tell where the unclear ones were struck: soft chips,
and fat shots, whose first shock is the ground's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray
from imuswing.swings.onset import OnsetCurve


@dataclass(frozen=True, kw_only=True)
class ImpactSettings:
    """What is expected of impacts (common practice, no source).

    usual_s, usual_spread_s: impact after the arm's return to its address direction, and its spread, before the session
    has told.  own_spread_s, own_weight: spread within a golfer, and how many shots that guess is worth.
    tail: degrees of freedom of the spread: some shots are struck elsewhere.
    ground_first: share of shots that meet the ground first.  ground_noted: the same where the coach noted so.
    ground_gap_s: the ball follows the ground by so much.
    unseen: share of second blows that no sensor tells.  rounds: of learning from the session.
    model_steps: error of the onset's model, in samples; a ring is not resolved where samples are farther apart than
    coarse_s: there the excess counts as an error, too.  unclear_s: a standard error above this is flagged.
    """

    usual_s: float = 0.010
    usual_spread_s: float = 0.025
    own_spread_s: float = 0.005
    own_weight: float = 4.0
    least_spread_s: float = 0.0025
    tail: float = 4.0
    ground_first: float = 0.08
    ground_noted: float = 0.7
    ground_gap_s: tuple[float, float] = (0.003, 0.035)
    unseen: float = 0.15
    rounds: int = 4
    model_steps: float = 0.25
    coarse_s: float = 0.006
    unclear_s: float = 0.010


@dataclass(frozen=True, kw_only=True)
class Impact:
    """When a ball was struck, its standard error (s), and whether that is unclear."""

    time: float
    se: float
    unclear: bool


def place_impacts(
    curves: Sequence[OnsetCurve | None],
    backs: Sequence[float],
    struck: FloatArray,
    ground_noted: BoolArray,
    *,
    settings: ImpactSettings,
) -> list[Impact | None]:
    """The impact in each swing, as if it was a shot; None where no sensor tells.

    backs: (K) the arm's return to its address direction, s.  struck: (K,) probability of each being a shot; only likely
    shots teach the others.  ground_noted: (K,) the coach noted that the ground was met first.
    """
    told = [k for k, curve in enumerate(curves) if curve is not None]
    if not told:
        return [None] * len(curves)
    logs = {}
    for k in told:
        curve = curves[k]
        assert curve is not None
        share = settings.ground_noted if ground_noted[k] else settings.ground_first
        logs[k] = _either_blow(curve, share, settings)
    centre, spread = settings.usual_s, settings.usual_spread_s
    found: dict[int, tuple[float, float]] = {}
    for _ in range(settings.rounds):
        for k in told:
            curve = curves[k]
            assert curve is not None
            found[k] = _posterior(curve.time, logs[k], backs[k] + centre, spread, settings)
        teach = [k for k in told if struck[k] > 0.5 and found[k][1] < settings.unclear_s]
        centre, spread = _learn(np.array([found[k][0] - backs[k] for k in teach]), settings)
    impacts: list[Impact | None] = [None] * len(curves)
    for k in told:
        curve = curves[k]
        assert curve is not None
        time, sd = found[k]
        model = settings.model_steps * curve.step + max(curve.step - settings.coarse_s, 0.0)
        se = float(np.hypot(sd, model))
        impacts[k] = Impact(time=time, se=se, unclear=se > settings.unclear_s)
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
    time: FloatArray, log: FloatArray, centre: float, spread: float, settings: ImpactSettings
) -> tuple[float, float]:
    """Mean and standard deviation (s) with a Student distribution of the place in the swing."""
    away = (time - centre) / spread
    log = log - 0.5 * (settings.tail + 1.0) * np.log1p(away * away / settings.tail)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    mean = float(weight @ time)
    return mean, float(np.sqrt(weight @ (time - mean) ** 2))


def _learn(offsets: FloatArray, settings: ImpactSettings) -> tuple[float, float]:
    """Where this golfer's impacts lie after the arm's return, and how far they spread, s."""
    if len(offsets) < 3:
        return settings.usual_s, settings.usual_spread_s
    centre = float(np.median(offsets))
    away = 1.4826 * float(np.median(np.abs(offsets - centre)))
    count = len(offsets)
    pooled = (count * away**2 + settings.own_weight * settings.own_spread_s**2) / (count + settings.own_weight)
    return centre, float(max(np.sqrt(pooled * (1.0 + 1.0 / count)), settings.least_spread_s))
