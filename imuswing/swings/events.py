"""Placing a swing's moments at full rate: address, takeaway, top, impact, finish, each with its standard error."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from imuswing.body.definitions import great_circle
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray
from imuswing.sensors.filters import smooth_parabola
from imuswing.swings.find import Candidate
from imuswing.swings.impact import Impact
from imuswing.swings.moments import (
    FINISH_FRACTION,
    TAKEAWAY_FRACTION,
    address_time,
    crossing,
    finish_time,
    return_time,
    takeaway_time,
    top_time,
    unsettled,
)


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


SKIN_RIPPLE = 1.5
"""What rises over the finish's share by no more than this factor may be the skin's, which rings on after the arm has
settled (assumption)."""


@dataclass(frozen=True, kw_only=True)
class EventSettings:
    """How the moments are looked for.

    speed_error, speed_error_share: what skin and noise do to the long axis's speed, rad/s and share of its maximum
    (assumptions).
    takeaway_error, restless_share: the same where the arm sets off, rad/s, and besides as a share of how fast it moves
    in the quiet before: skin that rides on a restless arm (assumptions, checked by two simulators).
    top_arc_error: what skin and noise do to the arc around the top, rad; top_roll_s: and a long axis that is off, as
    far as the arm rolls in so many s (assumptions, checked by two simulators).
    stand_in_se_s: how far another segment's own moments are from the forearm's where it stands in for it: the trunk
    turns back some hundredths of a second before the arm (Tinmark 2010 for the order; size common practice, no source),
    and the hand goes on cocking as much longer.
    return_se_s: how near to impact the arm's return is.  settle_s: the finish is looked for this long.
    """

    speed_error: float = _rad(1.0)
    speed_error_share: float = 0.01
    takeaway_error: float = _rad(0.5)
    restless_share: float = 0.3
    top_arc_error: float = _rad(0.04)
    top_roll_s: float = 0.04
    stand_in_se_s: float = 0.04
    return_se_s: float = 0.025
    settle_s: float = 3.0
    quiet_s: float = 0.6


@dataclass(frozen=True, kw_only=True)
class Moments:
    """A swing's moments and their standard errors, s on the common clock."""

    address: float
    takeaway: float
    top: float
    impact: float
    finish: float
    takeaway_se: float
    top_se: float
    impact_se: float
    finish_se: float


@dataclass(frozen=True, kw_only=True)
class ArmCurves:
    """The leading segment through one swing: time (M,) s, long axis (M, 3), its speed (M,) and the whole turning rate
    (M,), rad/s, all evenly spaced; chest_rate (M,) rad/s on the same times, zeros where no chest is worn.
    calm_rate, calm_chest_rate: (M,) rad/s, the same two of turning smoothed by `without_ringing`.

    axis_sd: error of the long axis in the sensor, rad.  clock_se: standard error of the times on the common clock, s.
    stands_in: whether another segment (hand, upper arm, chest) stands in for the forearm.  bridged: (M,) samples
    that were missing or clipped, None for none."""

    time: FloatArray
    long_axis: FloatArray
    speed: FloatArray
    rate: FloatArray
    chest_rate: FloatArray
    calm_rate: FloatArray
    calm_chest_rate: FloatArray
    axis_sd: float = 0.0
    clock_se: float = 0.0
    stands_in: bool = False
    bridged: BoolArray | None = None

    def bridged_around(self, begin: float, end: float) -> tuple[float, float]:
        """The stretch between two times, s, with those that were bridged and reach into it: to the samples around."""
        if self.bridged is None:
            return begin, end
        known = self.time[~self.bridged]
        first, last = known.searchsorted(begin, "right") - 1, known.searchsorted(end)
        step = 1.5 * (self.time[1] - self.time[0])
        before, after = known[max(int(first), 0)], known[min(int(last), len(known) - 1)]
        return (float(before) if before < begin - step else begin), (float(after) if after > end + step else end)

    @property
    def roll_rate(self) -> FloatArray:
        """(M,) rad/s: turning about the long axis."""
        return np.asarray(np.sqrt(np.maximum(self.rate**2 - self.speed**2, 0.0)))


RING_S = 0.2
"""Skin and strap ring at 5 to 15 Hz, a body that settles moves below 3 Hz (assumptions): a parabola over so many s
keeps the latter and loses most of the former."""
RINGING_S = 0.5
"""How large the ringing is, is told by so many s before all has settled."""
SET_OFF_S = 0.05
"""So long before the takeaway the arm may have begun to set off (common practice, no source)."""
LULL_S = 0.3
"""Who rests for less has not settled (common practice, no source)."""
PLATEAU_S = 0.4
"""No plateau at the top is looked for earlier (common practice, no source)."""
RIPPLES_S = 2.0
"""So long after the finish small movements may belong to it still (common practice, no source)."""


def without_ringing(omega: FloatArray, *, rate: float) -> FloatArray:
    """Angular velocity (M, 3), rad/s, smoothed so that what rings about its mean counts little."""
    return smooth_parabola(omega, rate=rate, length_s=RING_S)


def return_to_address(arm: ArmCurves, candidate: Candidate) -> float:
    """When the arm comes back nearest to its address direction, s: about when the club comes to the ball."""
    return return_time(arm.time, arm.long_axis, _address_axis(arm, candidate), candidate.top, candidate.back + 0.15)


def place(
    arm: ArmCurves,
    candidate: Candidate,
    back: float,
    struck: Impact | None,
    *,
    lag: float = np.nan,
    settings: EventSettings,
) -> Moments:
    """All moments of one swing.

    back: the arm's return to its address direction, s.  struck: when the ball was struck; None for a practice swing,
    whose impact is the return.  lag: how much later than the forearm another segment that stands in for it comes back,
    s, as the session's shots tell (`judge.Judged.lag`); NaN where they do not.
    """
    impact, impact_se = (struck.time, struck.se) if struck is not None else (back, settings.return_se_s)
    first_axis = _address_axis(arm, candidate)
    since = arm.time >= candidate.start
    top = top_time(arm.time[since], arm.long_axis[since], first_axis, impact)
    quiet = arm.time >= candidate.start - settings.quiet_s
    takeaway = takeaway_time(arm.time[quiet], arm.speed[quiet], top, since=candidate.start)
    address = address_time(arm.time, arm.speed, takeaway)
    address_axis = _at(arm.time, arm.long_axis, address)
    top = top_time(arm.time[since], arm.long_axis[since], address_axis, impact)
    if struck is None:
        impact = return_time(arm.time, arm.long_axis, address_axis, top, candidate.back + 0.2)
        impact_se = float(np.hypot(_return_se(arm, impact, address_axis, settings), _time_se(arm, impact, settings)))
        if arm.stands_in and np.isfinite(lag):
            # A practice swing is swung as a shot is, but slower or faster: half of the stand-in's error is left.
            impact += lag
            impact_se = float(np.hypot(settings.return_se_s, 0.5 * settings.stand_in_se_s))
    finish, finish_se = _finish(arm, impact, settings)
    return Moments(
        address=address,
        takeaway=takeaway,
        top=top,
        impact=impact,
        finish=finish,
        takeaway_se=float(np.hypot(_takeaway_se(arm, takeaway, top, settings), _time_se(arm, takeaway, settings))),
        top_se=float(np.hypot(_top_se(arm, address_axis, top, impact, settings), _clock_se(arm, settings))),
        impact_se=impact_se,
        finish_se=finish_se,
    )


def _address_axis(arm: ArmCurves, candidate: Candidate) -> FloatArray:
    quiet = (arm.time >= candidate.start - 0.3) & (arm.time <= candidate.start)
    axis = arm.long_axis[quiet].mean(axis=0) if np.any(quiet) else _at(arm.time, arm.long_axis, candidate.start)
    return np.asarray(axis / np.linalg.norm(axis))


def _at(time: FloatArray, values: FloatArray, at: float) -> FloatArray:
    """Row of values (M, 3) at a time, straight between samples, at unit length."""
    row = np.array([np.interp(at, time, values[:, k]) for k in range(3)])
    return np.asarray(row / np.linalg.norm(row))


def _finish(arm: ArmCurves, impact: float, settings: EventSettings) -> tuple[float, float]:
    """When the golfer has settled, by the smoothed curves, and its standard error.

    What the curves do besides, before they settle, may be the skin's ringing or true: the finish may be as late as
    where they settle as they are, or as early as where they were last louder than the ringing alone makes them. An even
    chance between has a standard deviation of 0.58 of half the way.
    """
    calm = replace(arm, rate=arm.calm_rate, chest_rate=arm.calm_chest_rate)
    time, rate, chest_rate = _after(calm, impact, settings.settle_s)
    low = ~unsettled(rate, chest_rate)
    if not low[-1]:
        return _between_lulls(time, low, impact)
    finish = finish_time(time, rate, chest_rate, impact)
    late = finish_time(*_after(arm, impact, settings.settle_s), impact)
    share = _share(arm)
    near = np.abs(arm.time - max(late, finish) + 0.5 * RINGING_S) < 0.5 * RINGING_S
    ringing = np.sqrt(2.0) * float(np.std((share - _share(calm))[near]))
    loud = np.flatnonzero((arm.time < max(late, finish)) & (share > FINISH_FRACTION + ringing))
    early = float(arm.time[loud[-1]]) if len(loud) else finish
    either_way = 0.58 * max(finish - early, late - finish, 0.0)
    return finish, float(np.hypot(_finish_se(calm, finish, settings), either_way))


def _between_lulls(time: FloatArray, low: BoolArray, impact: float) -> tuple[float, float]:
    """The finish of who moves on without a rest, and its standard error: in the lulls, wherever these are."""
    lulls = time[low & (time > impact)]
    first, last = (float(lulls[0]), float(lulls[-1])) if len(lulls) else (impact, float(time[-1]))
    return 0.5 * (first + last), (last - first + LULL_S) / float(np.sqrt(12.0))


def _after(arm: ArmCurves, impact: float, length: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Times and rates from the swing's start to `length` s after impact, or to the first new movement after rest.

    What comes after the golfer has settled (walking off) is not this swing's: the curves end where, after both rates
    have been low for 0.3 s, one rises again.
    """
    until = arm.time <= impact + length
    time, rate, chest = arm.time[until], arm.rate[until], arm.chest_rate[until]
    low = ~unsettled(rate, chest)
    step = time[1] - time[0]
    needed = int(LULL_S / step)
    run = np.convolve(low & (time > impact), np.ones(needed), mode="full")[: len(low)] >= needed - 0.5
    settled = np.flatnonzero(run)
    if not len(settled):
        return time, rate, chest
    again = np.flatnonzero(~low[settled[0] :])
    end = settled[0] + (int(again[0]) if len(again) else len(low) - settled[0])
    return time[:end], rate[:end], chest[:end]


def _speed_error(arm: ArmCurves, settings: EventSettings) -> float:
    return float(np.hypot(settings.speed_error, settings.speed_error_share * arm.speed.max()))


def _clock_se(arm: ArmCurves, settings: EventSettings) -> float:
    """Error of a moment that the curve's shape does not tell: its clock, and a segment that stands in."""
    return math.hypot(arm.clock_se, settings.stand_in_se_s if arm.stands_in else 0.0)


def _time_se(arm: ArmCurves, moment: float, settings: EventSettings) -> float:
    """The same of one that, where samples were bridged, may be anywhere among them."""
    first, last = arm.bridged_around(moment, moment)
    return math.hypot(_clock_se(arm, settings), (last - first) / math.sqrt(12.0))


def _takeaway_se(arm: ArmCurves, takeaway: float, top: float, settings: EventSettings) -> float:
    """Error of a crossing: half the time from where the curve crosses a level lower by its error to one as much higher.

    Where a restless arm keeps near the level before it sets off, these lie far apart, as they should.
    """
    inside = (arm.time <= top) & (arm.time >= takeaway)
    fastest = float(arm.speed[inside].max()) if np.any(inside) else float(arm.speed.max())
    level = TAKEAWAY_FRACTION * fastest
    # A long axis that is a little off takes some of the roll for speed: at the crossing, and in the fastest speed, of
    # which the level is a share.
    at_fastest = float(arm.roll_rate[inside][int(np.argmax(arm.speed[inside]))]) if np.any(inside) else 0.0
    roll = float(np.interp(takeaway, arm.time, arm.roll_rate)) - TAKEAWAY_FRACTION * at_fastest
    quiet = arm.speed[(arm.time < takeaway - SET_OFF_S) & (arm.time > takeaway - settings.quiet_s)]
    restless = float(np.sqrt(np.mean(quiet**2))) if len(quiet) else 0.0
    skin = np.hypot(settings.takeaway_error, 0.3 * settings.speed_error_share * fastest)
    error = float(np.sqrt(skin**2 + (arm.axis_sd * roll) ** 2 + (settings.restless_share * restless) ** 2))
    before = (arm.time <= top) & (arm.time >= takeaway - settings.quiet_s)
    until = int(np.argmax(np.where(inside, arm.speed, 0.0)))
    first = int(np.argmax(before))
    low, high = (
        _last_under(arm, first, until, limit)
        for limit in (max(level - error, 0.2 * level), min(level + error, fastest))
    )
    return float(min(0.5 * (high - low), 0.2))


def _last_under(arm: ArmCurves, first: int, until: int, level: float) -> float:
    """Time between samples `first` and `until` at which the speed last rises through a level."""
    under = np.flatnonzero(arm.speed[first:until] < level)
    return crossing(arm.time, arm.speed, first + int(under[-1]), level) if len(under) else float(arm.time[first])


def _top_se(arm: ArmCurves, address_axis: FloatArray, top: float, impact: float, settings: EventSettings) -> float:
    """The true top may be anywhere that the arc is within its error of its greatest: a uniform distribution's standard
    deviation is its length over √12. An arm that pauses or goes on slowly stands on a long plateau."""
    near = (arm.time > top - PLATEAU_S) & (arm.time < impact)
    time, arc = arm.time[near], great_circle(arm.long_axis[near], address_axis)
    roll = float(np.interp(top, arm.time, arm.roll_rate)) * settings.top_roll_s
    level = float(arc.max()) - float(np.hypot(settings.top_arc_error, arm.axis_sd * roll))
    high = np.flatnonzero(arc >= level)
    first, last = int(high[0]), int(high[-1])
    begin = crossing(time, arc, first - 1, level) if first else float(time[0])
    end = crossing(time, arc, last, level) if last + 1 < len(time) else float(time[-1])
    begin, end = arm.bridged_around(begin, end)
    return float((end - begin) / np.sqrt(12.0))


def _return_se(arm: ArmCurves, impact: float, address: FloatArray, settings: EventSettings) -> float:
    """Error of the nearest return: the arc's own error over the speed there."""
    speed = float(np.interp(impact, arm.time, arm.speed))
    arc = float(great_circle(_at(arm.time, arm.long_axis, impact), address))
    error = np.hypot(_rad(0.7), 0.05 * arc)
    return float(min(error / max(speed, 1e-6), 0.1))


def _finish_se(arm: ArmCurves, finish: float, settings: EventSettings) -> float:
    """Error of the settling: the curve falls slowly there, and may soon rise a little again, which 95 % then reach."""
    share = _share(arm)
    higher = np.flatnonzero((arm.time < finish) & (share > 2.0 * FINISH_FRACTION))
    if not len(higher):
        return 0.1
    # As long as it takes to fall from twice the level to the level, times the level's own error.
    fall = min((finish - float(arm.time[higher[-1]])) * _level_error(float(arm.rate.max()), settings), 0.3)
    slower = min(float(rate.max()) for rate in (arm.rate, arm.chest_rate) if rate.any())
    ripple_level = FINISH_FRACTION * (1.0 - min(_level_error(slower, settings), 0.5))
    ripple = max((_last_ripple(arm, finish, ripple_level) - finish) / 1.96, finish - _settled(arm, finish))
    return float(np.hypot(fall, ripple))


def _level_error(fastest: float, settings: EventSettings) -> float:
    """Error of a rate at the finish's level, as a share of that level; fastest: rad/s."""
    return float(np.hypot(settings.speed_error_share, settings.speed_error / fastest) / FINISH_FRACTION)


def _settled(arm: ArmCurves, finish: float) -> float:
    """When the arm or chest had first settled, if all that came until `finish` was hardly over the finish's share: the
    last ripple may be the skin's; else `finish`."""
    share = _share(arm)
    loud = np.flatnonzero((arm.time < finish) & (share > SKIN_RIPPLE * FINISH_FRACTION))
    since = (arm.time > arm.time[loud[-1]]) & (arm.time < finish) if len(loud) else arm.time < finish
    low = np.flatnonzero(since & (share <= FINISH_FRACTION))
    return float(arm.time[low[0]]) if len(low) else finish


def _share(arm: ArmCurves) -> FloatArray:
    """(M,) the larger of the arm's and the chest's rates, each over its fastest."""
    chest = arm.chest_rate / max(float(arm.chest_rate.max()), 1e-9)
    return np.asarray(np.maximum(arm.rate / max(float(arm.rate.max()), 1e-9), chest))


def _last_ripple(arm: ArmCurves, finish: float, level: float) -> float:
    """When the arm or chest last goes on a little after `finish`: over a level near the finish's share of the fastest
    rates, but not over twice that share before it falls again, soon after; else `finish`."""
    share = _share(arm)
    after = (arm.time > finish) & (arm.time < finish + RIPPLES_S)
    moved = np.flatnonzero(after & (share > 2.0 * FINISH_FRACTION))
    if len(moved):
        after &= arm.time < arm.time[moved[0]]
    # What rises on into a new movement is no ripple of this one: it must have fallen again.
    loud = np.flatnonzero(after & (share > level))
    low = np.flatnonzero(after & (share <= level))
    loud = loud[loud < low[-1]] if len(low) else loud[:0]
    return float(arm.time[loud[-1]]) if len(loud) else finish
