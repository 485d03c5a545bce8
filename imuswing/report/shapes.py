"""What the pictures show, as plain numbers: the hill, its level, the bite and the stalled stretches of one swing.

The picture's idea: from its own fastest moment on the way down, a chest that keeps turning stays near that level
through the ball. What the curve falls short of the level is drawn as a bite out of the hill. Nothing here is a measure:
levels, verdicts and limits come from the tables and the settings; curves are only laid on an even grid and cut.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from imuswing.measures.rates import RateSettings
from imuswing.orientation.quaternion import FloatArray
from imuswing.report.views import SwingView

CHEST_RATE: Final = "chest_turn_rate_dps"
GRID_STEP_S: Final = 0.005
"""Step of the curves on the page: finer than a screen shows of half a second, and it divides the window's ends."""
SHOWN_S: Final = (-0.30, 0.30)
"""Stretch of time that the pictures of the chest show: most of a downswing, and as much after the ball."""


@dataclass(frozen=True, kw_only=True)
class Limits:
    """The verdict's own settings, for drawing where it looked and where its limits lie.

    before_s, after_s: the stretch through the ball, s before and after impact.  turning, stalled: limits of continuity.
    """

    before_s: float
    after_s: float
    turning: float
    stalled: float


def limits_from(quality: Mapping[str, Any]) -> Limits:
    """Limits as the quality record's settings state them, else those that the measures use unless told otherwise."""
    told = [quality.get("settings"), *(record.get("settings") for record in quality.get("recordings") or ())]
    settings = asdict(RateSettings()) | next((dict(found) for part in told if (found := _rate_settings(part))), {})
    return Limits(
        before_s=float(settings["before_s"]),
        after_s=float(settings["after_s"]),
        turning=float(settings["turning_from"]),
        stalled=float(settings["slowing_from"]),
    )


@dataclass(frozen=True, kw_only=True)
class Hill:
    """One swing's chest turn rate around impact.

    time_s, rate_dps: (N,) on the even grid, NaN where the curve is not known.  level_dps: its fastest on the way down.
    level_from_s: when it reached that.  stalled_s: stretches (start, end) through the ball under the stalled limit.
    slowest: (time s, rate °/s) of the slowest moment through the ball.
    """

    time_s: FloatArray
    rate_dps: FloatArray
    level_dps: float | None
    level_from_s: float
    stalled_s: tuple[tuple[float, float], ...]
    slowest: tuple[float, float] | None

    def between(self, start: float, end: float) -> tuple[FloatArray, FloatArray]:
        """The known part of the curve from `start` to `end`, s."""
        inside = (self.time_s >= start - 1e-9) & (self.time_s <= end + 1e-9) & np.isfinite(self.rate_dps)
        return self.time_s[inside], self.rate_dps[inside]


def hill_of(swing: SwingView, limits: Limits) -> Hill | None:
    """The hill of a swing; None without a curve around impact."""
    curve = swing.curve_of(CHEST_RATE)
    if curve is None:
        return None
    time = even_grid(*SHOWN_S, GRID_STEP_S)
    rate = on_grid(*curve, time)
    window = (time >= -limits.before_s - 1e-9) & (time <= limits.after_s + 1e-9)
    if not np.isfinite(rate[window]).any():
        return None
    level = swing.values.get("chest_turn_rate_peak_dps")
    lowest = int(np.nanargmin(np.where(window, rate, np.nan)))
    slowest = swing.values.get("chest_turn_rate_min_dps")
    return Hill(
        time_s=time,
        rate_dps=rate,
        level_dps=level,
        level_from_s=_fastest_at(time, rate, swing.since_impact("top_s")),
        stalled_s=_stalled_stretches(swing, time, rate, window, limits),
        slowest=(float(time[lowest]), float(rate[lowest]) if slowest is None else slowest),
    )


def common_scale(hills: list[Hill]) -> tuple[float, float]:
    """Lowest and highest rate, °/s, that a picture of all these hills shows."""
    tops = [hill.level_dps or 0.0 for hill in hills]
    tops += [float(np.max(hill.between(-0.15, SHOWN_S[1])[1], initial=0.0)) for hill in hills]
    lows = [float(np.min(hill.between(-0.05, SHOWN_S[1])[1], initial=0.0)) for hill in hills]
    high = max([60.0, *tops])
    return min([-0.07 * high, *lows]) - 0.02 * high, 1.14 * high


def even_grid(start: float, end: float, step: float) -> FloatArray:
    """Times from `start` to `end` in whole steps counted from 0, s."""
    first, last = round(start / step), round(end / step)
    return np.asarray(np.arange(first, last + 1) * step, dtype=np.float64)


def on_grid(time: FloatArray, values: FloatArray, grid: FloatArray) -> FloatArray:
    """Values on the grid by straight lines between samples; NaN outside the curve and beside unknown samples."""
    return np.asarray(np.interp(grid, time, values, left=np.nan, right=np.nan), dtype=np.float64)


def _fastest_at(time: FloatArray, rate: FloatArray, top: float | None) -> float:
    start = SHOWN_S[0] if top is None else max(top, SHOWN_S[0])
    down = (time >= start) & (time <= 0.0) & np.isfinite(rate)
    return float(time[np.argmax(np.where(down, rate, -np.inf))]) if down.any() else 0.0


def _stalled_stretches(
    swing: SwingView, time: FloatArray, rate: FloatArray, window: np.ndarray, limits: Limits
) -> tuple[tuple[float, float], ...]:
    """Where a stalled swing's curve lies under the stalled limit; the whole window if the chest hardly turned."""
    if swing.verdict != "stalled":
        return ()
    level, continuity = swing.values.get("chest_turn_rate_peak_dps"), swing.values.get("chest_continuity")
    if level is None or continuity is None:
        return ((-limits.before_s, limits.after_s),)
    under = window & (np.nan_to_num(rate, nan=np.inf) < limits.stalled * level)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], under, [False]]).astype(int)))
    return tuple(
        (float(time[start]), float(time[stop - 1])) for start, stop in zip(edges[::2], edges[1::2], strict=True)
    )


def _rate_settings(settings: Any) -> Mapping[str, Any]:
    """The table of settings that holds the verdict's limits, wherever it stands among the others; {} if none does."""
    if not isinstance(settings, Mapping):
        return {}
    if "turning_from" in settings:
        return settings
    return next((found for inner in settings.values() if (found := _rate_settings(inner))), {})
