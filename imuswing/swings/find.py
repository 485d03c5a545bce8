"""Finding swings: the lead arm goes back from a quiet address, turns round and comes through faster, and goes on.

Works on the direction of the leading segment's long axis at a coarse step, so it needs neither an exact alignment nor
a heading. What is found here is a rough cut; `swings.events` places the moments at full rate.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from imuswing.body.definitions import great_circle
from imuswing.orientation.quaternion import FloatArray, IntArray, cross, length
from imuswing.recording.model import BoolArray
from imuswing.sensors.columns import median
from imuswing.vocabulary import LEAD_FOREARM

COARSE_RATE = 50.0
"""Hz of the coarse step: a downswing of 0.2 s still has ten samples."""


def _rad(value: float) -> float:
    return float(np.deg2rad(value))


SLOW_SHARE, SLOW_FLOOR = 0.08, _rad(3.0)
"""An arm is slow under this share of the backswing's fastest, or under so many rad/s (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class FindSettings:
    """Shape of a swing, as wide as chips to full swings need (common practice, no source).

    give_share, give_floor: before a backswing the arm may have come forwards by this share of it, or rad, and more is
    a movement of its own: a waggle, or coming to the address.
    rest_s: before a backswing the arm rests at the address; a halt that is shorter belongs to the backswing.
    return_share, return_floor: how far from its address direction the arm may pass, over the arc or in rad.
    hand_return_share: the same for a hand that leads: a wrist that is bent towards the target takes it off by 20°.
    through_share, through_floor: the arm goes on after the ball, though a punched chip is all but stopped there.
    """

    through_speed: float = _rad(50.0)
    backswing_s: tuple[float, float] = (0.2, 2.5)
    downswing_s: tuple[float, float] = (0.1, 1.2)
    arc: float = _rad(8.0)
    give_share: float = 0.15
    give_floor: float = _rad(3.0)
    rest_s: float = 0.3
    return_share: float = 0.45
    hand_return_share: float = 0.6
    return_floor: float = _rad(12.0)
    through_share: float = 0.08
    through_floor: float = _rad(3.0)
    through_s: float = 0.7
    faster_down: float = 1.1
    quiet_s: float = 0.35
    quiet_share: float = 0.2
    quiet_floor: float = _rad(8.0)


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A rough swing: times in s, arc in rad, speeds in rad/s, and how quiet it was before (rad/s).

    lead: the tracked point whose direction showed it.
    """

    start: float
    top: float
    back: float
    end: float
    arc: float
    miss: float
    through: float
    speed_back: float
    speed_down: float
    speed_before: float
    lead: str = LEAD_FOREARM


def find_candidates(
    time: FloatArray, axis: FloatArray, *, settings: FindSettings, since: float = -np.inf
) -> list[Candidate]:
    """Every movement with the shape of a swing in `axis` (N, 3), unit vectors at evenly spaced `time` (N,), in order.

    since: s; only those that were fastest after it are looked for.
    Overlapping ones are settled for the wider arc. NaN rows (a lost stretch) never belong to a swing.
    """
    if len(time) < int(2 * COARSE_RATE):
        return []
    turn = _turning(time, axis)
    speed = length(turn)
    peaks = _peaks(speed, settings.through_speed, radius=int(0.1 * COARSE_RATE))
    peaks = peaks[time[peaks] >= since]
    start, top, peak = _backswings(axis, turn, peaks, settings)
    return _settle(_measured(time, axis, speed, start, top, peak, settings))


def _turning(time: FloatArray, axis: FloatArray) -> FloatArray:
    """Angular velocity (N, 3) of a direction across itself, rad/s."""
    step = time[1] - time[0]
    turn = np.zeros_like(axis)
    turn[1:-1] = cross(axis[:-2], axis[2:]) / (2.0 * step)
    return np.nan_to_num(turn)


def _peaks(speed: FloatArray, level: float, *, radius: int) -> IntArray:
    """Local maxima over ± radius samples that reach `level`."""
    padded = np.pad(speed, radius, constant_values=0.0)
    highest = speed.copy()
    for k in range(2 * radius + 1):
        np.maximum(highest, padded[k : k + len(speed)], out=highest)
    return np.flatnonzero((speed >= level) & (speed >= highest))


def _backswings(
    axis: FloatArray, turn: FloatArray, peak: IntArray, settings: FindSettings
) -> tuple[IntArray, IntArray, IntArray]:
    """Start and top (K,) of the backswings before those fastest points through a ball, samples (P,), that have one, and
    these points (K,)."""
    # The axis turns as it comes through, a hand's most of all: the direction down is that of its last 0.1 s.
    down = _before(turn, peak, int(0.1 * COARSE_RATE) + 1)
    known = np.isfinite(down[..., :1])
    down = np.where(known, down, 0.0).sum(axis=1) / known.sum(axis=1)
    down /= np.maximum(length(down), 1e-9)[:, None]
    lately = _before(turn, peak, int(settings.downswing_s[1] * COARSE_RATE) + 2)
    forwards = np.einsum("pkc,pc->pk", lately, down) <= 0.0
    since_top = np.argmax(forwards, axis=1)
    there = forwards.any(axis=1) & _between(since_top / COARSE_RATE, settings.downswing_s)
    peak, down, top = peak[there], down[there], (peak - since_top)[there]
    # (K, L) rad/s away from the ball, from the top on, back in time; NaN before the recording begins.
    speed = -np.einsum("pkc,pc->pk", _before(turn, top, int(settings.backswing_s[1] * COARSE_RATE) + 1), down)
    earliest = _backswing_begin(speed, settings)
    place = np.arange(speed.shape[1])
    own = np.where(place <= earliest[:, None], speed, -np.inf)
    fastest = own.max(axis=1)
    # The backswing starts where, going backwards in time from its fastest, the arm is slow.
    slow = (own < np.maximum(SLOW_SHARE * fastest, SLOW_FLOOR)[:, None]) & (place >= np.argmax(own, axis=1)[:, None])
    slow &= place <= earliest[:, None]
    stops = slow.any(axis=1)
    start = top - np.where(stops, np.argmax(slow, axis=1), earliest)
    # What goes on to the recording's first sample may have begun before it.
    good = (fastest > 0.0) & (stops | (start > 0))
    start, top, peak = start[good], top[good], peak[good]
    length_most = int(np.max(top - start, initial=0)) + 3
    arm = _after(axis, start, np.minimum(top + 3, len(axis)) - start, length_most)
    away = arm - arm[:, :1]
    farthest = np.einsum("pkc,pkc->pk", away, away)
    farthest[np.arange(length_most) >= (top + 3 - start)[:, None]] = -np.inf
    farthest[np.isnan(farthest)] = np.inf  # a lost stretch is no backswing, as is seen further on
    top = start + np.argmax(farthest, axis=1)
    good = _between((top - start) / COARSE_RATE, settings.backswing_s)
    return start[good], top[good], peak[good]


def _before(values: FloatArray, at: IntArray, count: int) -> FloatArray:
    """(P, count, 3) rows of (N, 3) at samples (P,) and before, back in time; NaN before the first."""
    index = at[:, None] - np.arange(count)
    rows: FloatArray = values[np.maximum(index, 0)]
    rows[index < 0] = np.nan
    return rows


def _after(values: FloatArray, at: IntArray, own: IntArray, count: int) -> FloatArray:
    """(P, count, 3) rows of (N, 3) from samples (P,) on, of which each has so many of its `own`; others are any."""
    return np.asarray(values[at[:, None] + np.minimum(np.arange(count), own[:, None] - 1)])


def _backswing_begin(speed: FloatArray, settings: FindSettings) -> IntArray:
    """How many samples before its top (K,) each movement begins at the earliest.

    speed: (K, L) rad/s away from the ball, from the top on, back in time. Followed so the arm goes ever farther
    forwards. Where it turns round for more than a little, or has come some way and rests, an earlier movement begins; a
    rest at the top itself is a pause.
    """
    gone = np.cumsum(speed, axis=1) / COARSE_RATE
    most = np.maximum.accumulate(gone, axis=1)
    turned = most - gone > np.maximum(settings.give_share * most, settings.give_floor)
    fastest = np.maximum.accumulate(speed, axis=1)
    slow = (speed < np.maximum(SLOW_SHARE * fastest, SLOW_FLOOR)) & (gone > 0.5 * settings.arc)
    count = int(settings.rest_s * COARSE_RATE)
    so_far = np.cumsum(slow, axis=1)
    turned[:, count - 1] |= so_far[:, count - 1] == count
    turned[:, count:] |= so_far[:, count:] - so_far[:, :-count] == count
    until = np.where(turned.any(axis=1), np.argmax(turned, axis=1), speed.shape[1] - 1)
    reached = np.isfinite(gone) & (np.arange(speed.shape[1]) <= until[:, None])
    return np.argmax(np.where(reached, gone, -np.inf), axis=1)


def _measured(
    time: FloatArray,
    axis: FloatArray,
    speed: FloatArray,
    start: IntArray,
    top: IntArray,
    peak: IntArray,
    settings: FindSettings,
) -> list[Candidate]:
    """Those of the movements with samples (K,) start, top and fastest point that come back as a swing does."""
    quiet = int(settings.quiet_s * COARSE_RATE)
    # At the very beginning the first sample is the address.
    before = _before(axis, np.maximum(start - 1, 0), quiet)
    held = np.arange(quiet) < np.maximum(np.minimum(start, quiet), 1)[:, None]
    address = np.where(held[..., None], before, 0.0).sum(axis=1)
    size = length(address)
    ok = size > 0.0  # not NaN: the arm's direction was lost there
    address, start, top, peak = address[ok] / size[ok, None], start[ok], top[ok], peak[ok]
    reach, through = int(settings.downswing_s[1] * COARSE_RATE), int(settings.through_s * COARSE_RATE)
    own = np.minimum(len(axis) - top, reach + through)
    ahead = _after(axis, top, own, reach + through)
    distance = great_circle(ahead, address[:, None])
    arc = distance[:, 0]
    known = np.isfinite(distance)
    # What is lost later than the way on after the return is no matter.
    until = np.where(known.all(axis=1), reach + through, np.argmin(known, axis=1))
    nearest = _first_return(np.where(known, distance, np.pi)[:, :reach], arc)
    miss = distance[np.arange(len(top)), nearest]
    ok = (until >= np.minimum(nearest + through, own)) & _comes_back(arc, miss, settings)
    found = []
    for k in np.flatnonzero(ok).tolist():  # few of all movements
        onward = ahead[k, nearest[k] : min(int(nearest[k]) + through, int(own[k]))]
        back = int(top[k] + nearest[k])
        candidate = Candidate(
            start=float(time[start[k]]),
            top=float(time[top[k]]),
            back=float(time[back]),
            end=float(time[min(back + through, len(time) - 1)]),
            arc=float(arc[k]),
            miss=float(miss[k]),
            through=float(great_circle(onward, onward[0]).max()),
            speed_back=float(speed[start[k] : top[k] + 1].max()),
            speed_down=float(speed[top[k] : max(back, int(peak[k])) + 1].max()),
            speed_before=median(speed[max(int(start[k]) - quiet, 0) : max(int(start[k]), 1)]),
        )
        if _is_swing(candidate, settings):
            found.append(candidate)
    return found


def _first_return(distance: FloatArray, arc: FloatArray) -> IntArray:
    """(K,) index of the first minimum of the distance from address (K, L) after the arm has come most of the way
    back."""
    nearest = np.argmin(distance, axis=1)
    least = distance[np.arange(len(distance)), nearest]
    first = np.argmax(distance <= np.maximum(0.5 * arc, least)[:, None], axis=1)
    rising = (np.diff(distance, axis=1) > 0.0) & (np.arange(distance.shape[1] - 1) >= first[:, None])
    return np.where(rising.any(axis=1), np.argmax(rising, axis=1), nearest)


def _comes_back(arc: FloatArray, miss: FloatArray, settings: FindSettings) -> BoolArray:
    return np.asarray(
        (arc >= settings.arc) & (miss <= np.maximum(settings.return_share * arc, settings.return_floor)), np.bool_
    )


def _is_swing(swing: Candidate, settings: FindSettings) -> bool:
    return (
        swing.through >= max(settings.through_share * swing.arc, settings.through_floor)
        and swing.speed_down >= settings.faster_down * swing.speed_back
        and swing.speed_before <= max(settings.quiet_share * swing.speed_down, settings.quiet_floor)
    )


def _settle(found: list[Candidate]) -> list[Candidate]:
    """Of candidates that share time between start and return, the one with the wider arc stays."""
    kept: list[Candidate] = []
    for candidate in sorted(found, key=lambda c: (-c.arc, c.start)):
        # Those kept share no time, so that neighbours are all that need be asked.
        place = bisect_right(kept, candidate.start, key=lambda c: c.start)
        if (place == 0 or kept[place - 1].back <= candidate.start) and (
            place == len(kept) or candidate.back <= kept[place].start
        ):
            kept.insert(place, candidate)
    return kept


def _between(values: FloatArray, limits: tuple[float, float]) -> BoolArray:
    return np.asarray((limits[0] <= values) & (values <= limits[1]), np.bool_)
