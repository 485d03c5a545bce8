"""Finding swings: the lead arm goes back from a quiet address, turns round and comes through faster, and goes on.

Works on the direction of the leading segment's long axis at a coarse step, so it needs neither an exact alignment nor
a heading. What is found here is a rough cut; `swings.events` places the moments at full rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.body.definitions import great_circle
from imuswing.orientation.quaternion import FloatArray, cross, length
from imuswing.sensors.columns import median

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
    """A rough swing: times in s, arc in rad, speeds in rad/s, and how quiet it was before (rad/s)."""

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
    found = []
    for peak in _peaks(speed, settings.through_speed, radius=int(0.1 * COARSE_RATE)):
        if time[peak] < since:
            continue
        candidate = _shape(time, axis, turn, speed, peak, settings)
        if candidate is not None:
            found.append(candidate)
    return _settle(found)


def _turning(time: FloatArray, axis: FloatArray) -> FloatArray:
    """Angular velocity (N, 3) of a direction across itself, rad/s."""
    step = time[1] - time[0]
    turn = np.zeros_like(axis)
    turn[1:-1] = cross(axis[:-2], axis[2:]) / (2.0 * step)
    return np.nan_to_num(turn)


def _peaks(speed: FloatArray, level: float, *, radius: int) -> list[int]:
    """Local maxima over ± radius samples that reach `level`."""
    padded = np.pad(speed, radius, constant_values=0.0)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * radius + 1).max(axis=1)
    return [int(k) for k in np.flatnonzero((speed >= level) & (speed >= highest))]


def _shape(
    time: FloatArray, axis: FloatArray, turn: FloatArray, speed: FloatArray, peak: int, settings: FindSettings
) -> Candidate | None:
    """The swing whose fastest point through the ball is sample `peak`, or None."""
    rate = COARSE_RATE
    # The axis turns as it comes through, a hand's most of all: the direction down is that of its last 0.1 s.
    down = turn[max(peak - int(0.1 * rate), 0) : peak + 1].mean(axis=0)
    along = turn[max(peak - int(4.0 * rate), 0) : peak + 1] @ (down / max(float(np.linalg.norm(down)), 1e-9))
    first = peak - len(along) + 1
    top = _last(along <= 0.0)
    if top is None or not _between((peak - first - top) / rate, settings.downswing_s):
        return None
    begin = _backswing_begin(along[: top + 1], settings)
    backwards = -along[begin : top + 1]
    fastest = float(backwards.max())
    if fastest <= 0.0:
        return None
    # The backswing starts where, going backwards in time from its fastest, the arm is slow.
    slow = _last(backwards[: int(np.argmax(backwards)) + 1] < max(SLOW_SHARE * fastest, SLOW_FLOOR))
    if slow is None and begin == 0:
        return None
    start = begin + (slow or 0)
    start, top = first + start, first + top
    top = start + int(np.argmax(great_circle(axis[start : top + 3], axis[start])))
    if not _between((top - start) / rate, settings.backswing_s):
        return None
    return _measure(time, axis, speed, (start, top, peak), settings)


def _backswing_begin(along: FloatArray, settings: FindSettings) -> int:
    """Where the movement that ends at the top, the last sample of `along` (M,), begins at the earliest.

    Followed back in time from the top the arm goes ever farther forwards. Where it turns round for more than a little,
    or has come some way and rests, an earlier movement begins; a rest at the top itself is a pause.
    """
    longest = int(settings.backswing_s[1] * COARSE_RATE) + 1
    speed = -along[::-1][:longest]  # (L,) from the top on, back in time
    gone = np.cumsum(speed) / COARSE_RATE
    most = np.maximum.accumulate(gone)
    turned = most - gone > np.maximum(settings.give_share * most, settings.give_floor)
    fastest = np.maximum.accumulate(speed)
    slow = (speed < np.maximum(SLOW_SHARE * fastest, SLOW_FLOOR)) & (gone > 0.5 * settings.arc)
    count = int(settings.rest_s * COARSE_RATE)
    resting = np.convolve(slow, np.ones(count))[: len(slow)] >= count - 0.5
    ends = np.flatnonzero(turned | resting)
    until = int(ends[0]) if len(ends) else len(gone) - 1
    return len(along) - 1 - int(np.argmax(gone[: until + 1]))


def _measure(
    time: FloatArray, axis: FloatArray, speed: FloatArray, places: tuple[int, int, int], settings: FindSettings
) -> Candidate | None:
    rate = COARSE_RATE
    start, top, peak = places
    quiet = slice(max(start - int(settings.quiet_s * rate), 0), max(start, 1))
    address = axis[quiet].mean(axis=0)
    size = float(length(address))
    if not size > 0.0:  # NaN as well: the arm's direction was lost here
        return None
    address /= size
    ahead = axis[top : top + int((settings.downswing_s[1] + settings.through_s) * rate)]
    distance = great_circle(ahead, address)
    if not np.all(np.isfinite(distance)):
        return None
    arc = float(distance[0])
    reach = int(settings.downswing_s[1] * rate)
    nearest = _first_return(distance[:reach], arc)
    miss = float(distance[nearest])
    if not _comes_back(arc, miss, settings):  # as most movements fail to, so the rest is not worked out for them
        return None
    through = float(great_circle(ahead[nearest : nearest + int(settings.through_s * rate)], ahead[nearest]).max())
    back = top + nearest
    candidate = Candidate(
        start=float(time[start]),
        top=float(time[top]),
        back=float(time[back]),
        end=float(time[min(back + int(settings.through_s * rate), len(time) - 1)]),
        arc=arc,
        miss=miss,
        through=through,
        speed_back=float(speed[start : top + 1].max()),
        speed_down=float(speed[top : max(back, peak) + 1].max()),
        speed_before=median(speed[quiet]),
    )
    return candidate if _is_swing(candidate, settings) else None


def _first_return(distance: FloatArray, arc: float) -> int:
    """Index of the first minimum of the distance from address after the arm has come most of the way back."""
    nearest = int(np.argmin(distance))
    close = np.flatnonzero(distance <= max(0.5 * arc, float(distance[nearest])))
    first = int(close[0])
    rising = np.flatnonzero(np.diff(distance[first:]) > 0.0)
    return first + int(rising[0]) if len(rising) else nearest


def _comes_back(arc: float, miss: float, settings: FindSettings) -> bool:
    return arc >= settings.arc and miss <= max(settings.return_share * arc, settings.return_floor)


def _is_swing(swing: Candidate, settings: FindSettings) -> bool:
    return (
        _comes_back(swing.arc, swing.miss, settings)
        and swing.through >= max(settings.through_share * swing.arc, settings.through_floor)
        and swing.speed_down >= settings.faster_down * swing.speed_back
        and swing.speed_before <= max(settings.quiet_share * swing.speed_down, settings.quiet_floor)
    )


def _settle(found: list[Candidate]) -> list[Candidate]:
    """Of candidates that share time between start and return, the one with the wider arc stays."""
    kept: list[Candidate] = []
    for candidate in sorted(found, key=lambda c: (-c.arc, c.start)):
        if all(candidate.start >= other.back or candidate.back <= other.start for other in kept):
            kept.append(candidate)
    return sorted(kept, key=lambda c: c.start)


def _last(flags: np.ndarray) -> int | None:
    places = np.flatnonzero(flags)
    return int(places[-1]) if len(places) else None


def _between(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]
