"""Definitions of a swing's moments on ideal curves: takeaway, top, a practice swing's impact, finish.

Each takes times (N,) in s and curves sampled at them, and returns a time in s, placed between samples where the
definition is a crossing or an extremum. They hold for truth and estimate alike.
"""

from __future__ import annotations

import numpy as np

from imuswing.body.definitions import great_circle
from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray

TAKEAWAY_FRACTION = 0.05
"""Share of the backswing's fastest long-axis speed at which the takeaway is set (the contract of the measures)."""

FINISH_FRACTION = 0.05
"""Share of the swing's fastest rates under which forearm and chest stay from the finish on (the same)."""


ADDRESS_SEARCH_S = 0.3
"""The quiet moment at address lies at most this long before the takeaway (a choice of this project)."""


def parabola_vertex(time: FloatArray, values: FloatArray, index: int) -> float:
    """Time of the extremum of a parabola through the samples around `index` of a curve with even steps."""
    if index <= 0 or index >= len(values) - 1:
        return float(time[index])
    before, here, after = values[index - 1 : index + 2]
    bend = before - 2.0 * here + after
    if bend == 0.0:
        return float(time[index])
    shift = float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))
    return float(time[index] + shift * (time[index + 1] - time[index]))


def crossing(time: FloatArray, values: FloatArray, index: int, level: float) -> float:
    """Time between samples `index` and `index + 1` at which a straight line reaches `level`."""
    rise = values[index + 1] - values[index]
    fraction = 0.5 if rise == 0.0 else (level - values[index]) / rise
    return float(time[index] + np.clip(fraction, 0.0, 1.0) * (time[index + 1] - time[index]))


def takeaway_time(time: FloatArray, speed: FloatArray, top: float, *, since: float = -np.inf) -> float:
    """The last rise of the long axis's speed through 5 % of its maximum before `top` on the way to that maximum.

    `time` must start in the quiet before the swing; if the speed is never under the level, the first time is returned.
    since: the backswing begins about then; a waggle before it may be faster than the backswing itself.
    """
    until = max(int(np.searchsorted(time, top)), 1)
    first = min(int(np.searchsorted(time, since)), until - 1)
    peak = first + int(np.argmax(speed[first:until]))
    level = TAKEAWAY_FRACTION * speed[peak]
    under = np.flatnonzero(speed[:peak] < level)
    return crossing(time, speed, int(under[-1]), level) if len(under) else float(time[0])


def address_time(time: FloatArray, speed: FloatArray, takeaway: float) -> float:
    """The last quiet moment before the takeaway: where the long axis is slowest within 0.3 s before it."""
    first, last = np.searchsorted(time, [takeaway - ADDRESS_SEARCH_S, takeaway])
    if last <= first:
        return float(takeaway)
    # Of equal samples the last one counts.
    return float(time[last - 1 - int(np.argmin(speed[first:last][::-1]))])


def top_time(time: FloatArray, long_axis: FloatArray, address_axis: FloatArray, impact: float) -> float:
    """When the long axis (N, 3) is farthest from its address direction (3,) before `impact`."""
    until = max(int(np.searchsorted(time, impact)), 1)
    arc = great_circle(long_axis[: until + 1], address_axis)
    return parabola_vertex(time[: until + 1], arc, int(np.argmax(arc[:until])))


def return_time(time: FloatArray, long_axis: FloatArray, address_axis: FloatArray, top: float, until: float) -> float:
    """When the long axis comes back nearest to its address direction between `top` and `until`: a practice impact."""
    first, last = np.searchsorted(time, [top, until])
    last = max(last, first + 1)
    around = slice(max(first - 1, 0), last + 1)
    arc = great_circle(long_axis[around], address_axis)
    before = int(first) - around.start
    index = before + int(np.argmin(arc[before : last - around.start]))
    # Squared, the curve is a parabola near its minimum; the arc itself has a corner where it touches zero.
    return parabola_vertex(time[around], arc**2, index)


def unsettled(forearm_rate: FloatArray, chest_rate: FloatArray) -> BoolArray:
    """(N,) where either of both rates (N,), rad/s, is over the finish's share of its fastest."""
    arm = forearm_rate > FINISH_FRACTION * np.max(forearm_rate)
    return np.asarray(arm | (chest_rate > FINISH_FRACTION * np.max(chest_rate)))


def finish_time(time: FloatArray, forearm_rate: FloatArray, chest_rate: FloatArray, impact: float) -> float:
    """From when forearm and chest rates (N,), rad/s, both stay under 5 % of their fastest to the end of `time`.

    `time` must end where the stillness after the swing ends; its last sample is returned if they never settle.
    """
    after = np.flatnonzero(unsettled(forearm_rate, chest_rate))
    last = int(after[-1]) + 1 if len(after) else 0
    return float(max(time[min(last, len(time) - 1)], impact))
