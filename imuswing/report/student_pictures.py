"""Drawings of the student's page: two hills side by side, the wrist's curve with its error band, the own best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.report.markup import Child, Html, tag
from imuswing.report.palette import MARKS
from imuswing.report.pictures import hill_picture
from imuswing.report.plan_view import GoalView
from imuswing.report.shapes import SHOWN_S, Hill, Limits, even_grid, on_grid
from imuswing.report.texts import Texts
from imuswing.report.views import SwingView

HILL_SIZE: Final = (240.0, 132.0)
WRIST_SIZE: Final = (420.0, 250.0)
BEST_SIZE: Final = (420.0, 200.0)
CERTAIN: Final = 1.96
"""Standard errors to either side that hold 95 of 100 true values."""
WRIST_STEP_S: Final = 0.02
AFTER_IMPACT_S: Final = 0.25
MOMENTS: Final = (("address", "takeaway_s"), ("top", "top_s"), ("impact", "impact_s"))
LEFT, RIGHT, ABOVE, BELOW = 12.0, 12.0, 26.0, 30.0


def big_hill(hill: Hill, verdict: str | None, limits: Limits, alt: str) -> Html:
    """One shot's hill, told in words for those who do not see it."""
    return tag("div", hill_picture(hill, verdict, limits, size=HILL_SIZE), role="img", aria_label=alt, class_="hillbox")


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """From seconds and a value to a picture's units, inside its margins."""

    size: tuple[float, float]
    start: float
    end: float
    low: float
    high: float

    def x(self, time: float) -> float:
        return LEFT + (time - self.start) / (self.end - self.start) * (self.size[0] - LEFT - RIGHT)

    def y(self, value: float) -> float:
        return ABOVE + (self.high - value) / (self.high - self.low) * (self.size[1] - ABOVE - BELOW)

    def path(self, time: FloatArray, values: FloatArray) -> str:
        known = np.isfinite(values)
        points = [f"{self.x(t):.1f} {self.y(v):.1f}" for t, v in zip(time[known], values[known], strict=True)]
        return f"M{'L'.join(points)}" if points else ""


def wrist_picture(swing: SwingView, texts: Texts, alt: str, *, band: GoalView | None = None) -> Html | None:
    """The lead wrist's bend from before address until after impact; None without its curve and moments.

    The band is ±1.96 standard errors at the three moments and straight lines between them.
    """
    curve = swing.curve_of("wrist_flexion_deg")
    marks = _moments(swing)
    if curve is None or len(marks) < len(MOMENTS):
        return None
    grid = even_grid(marks[0][1] - 0.1, AFTER_IMPACT_S, WRIST_STEP_S)
    values = on_grid(*curve, grid)
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    widest = max(CERTAIN * mark[3] for mark in marks)
    low, high = min(-15.0, float(known.min()) - widest), max(15.0, float(known.max()) + widest)
    frame = _Frame(size=WRIST_SIZE, start=float(grid[0]), end=AFTER_IMPACT_S, low=low, high=high)
    parts: list[Child] = [
        tag("title", alt),
        _wanted(frame, band),
        _zero(frame, texts),
        _error_band(frame, marks, curve),
        tag("path", d=frame.path(grid, values), class_="line"),
        [_moment(frame, mark, texts) for mark in marks],
        _label(texts("student.bent_palm"), LEFT + 2.0, ABOVE + 4.0),
        _label(texts("student.bent_back"), LEFT + 2.0, WRIST_SIZE[1] - BELOW - 5.0),
    ]
    return _svg(parts, WRIST_SIZE)


def best_picture(today: tuple[Hill, str | None], best: Hill, limits: Limits, texts: Texts, alt: str) -> Html:
    """Today's shot as a filled hill, the own best as a dashed line over it, on one scale in °/s."""
    hill, verdict = today
    highest = max(_peak(hill), _peak(best), 60.0)
    lowest = min(0.0, _lowest(hill, limits), _lowest(best, limits))
    frame = _Frame(size=BEST_SIZE, start=SHOWN_S[0], end=SHOWN_S[1], low=lowest - 0.08 * highest, high=1.06 * highest)
    time, rate = hill.between(*SHOWN_S)
    rate = np.maximum(rate, frame.low)
    best_time, best_rate = best.between(*SHOWN_S)
    zero = frame.y(0.0)
    filled = f"M{frame.x(time[0]):.1f} {zero:.1f}L{frame.path(time, rate)[1:]}L{frame.x(time[-1]):.1f} {zero:.1f}Z"
    from_x, to_x = frame.x(-limits.before_s), frame.x(limits.after_s)
    height = BEST_SIZE[1] - ABOVE - BELOW
    parts: list[Child] = [
        tag("title", alt),
        tag("rect", x=f"{from_x:.1f}", y=ABOVE, width=f"{to_x - from_x:.1f}", height=height, class_="band"),
        tag("path", d=filled, class_=f"kept {MARKS[verdict].colour}"),
        tag("path", d=f"M{LEFT} {zero:.1f}H{BEST_SIZE[0] - RIGHT}", class_="zero"),
        tag("path", d=frame.path(best_time, np.maximum(best_rate, frame.low)), class_="bestline"),
        tag("circle", cx=f"{frame.x(0.0):.1f}", cy=f"{zero:.1f}", r=6, class_="ball"),
        _label(texts("at_curve.through"), frame.x((limits.after_s - limits.before_s) / 2.0), ABOVE - 8.0, "middle"),
        _label(texts("at_curve.ball"), frame.x(0.0), zero + 22.0, "middle"),
    ]
    return _svg(parts, BEST_SIZE)


def _peak(hill: Hill) -> float:
    return float(np.max(hill.between(*SHOWN_S)[1], initial=0.0))


def _lowest(hill: Hill, limits: Limits) -> float:
    return float(np.min(hill.between(-limits.before_s, limits.after_s)[1], initial=0.0))


_Mark = tuple[str, float, float, float]
"""Name, time s from impact, value and standard error °."""


def _moments(swing: SwingView) -> list[_Mark]:
    marks = []
    for name, column in MOMENTS:
        value, time = swing.values.get(f"wrist_flexion_{name}_deg"), swing.since_impact(column)
        if value is not None and time is not None:
            marks.append((name, time, value, swing.values.get(f"wrist_flexion_{name}_deg_se") or 0.0))
    return marks


def _error_band(frame: _Frame, marks: Sequence[_Mark], curve: tuple[FloatArray, FloatArray]) -> Html:
    """From address to impact: the curve ± 1.96 standard errors, which run in straight lines between the moments."""
    times = even_grid(marks[0][1], marks[-1][1], WRIST_STEP_S)
    errors = CERTAIN * np.interp(times, [mark[1] for mark in marks], [mark[3] for mark in marks])
    values = on_grid(*curve, times)
    over, under = frame.path(times, values + errors), frame.path(times[::-1], (values - errors)[::-1])
    return tag("path", d=f"{over}L{under[1:]}Z", class_="errors") if over and under else Html("")


def _wanted(frame: _Frame, band: GoalView | None) -> Html | None:
    """The goal's band as a bar at impact, where the goal is about the wrist at impact."""
    if band is None or band.measure != "wrist_flexion_impact_deg":
        return None
    low, high = (frame.low if band.low is None else band.low), (frame.high if band.high is None else band.high)
    top, bottom = frame.y(min(high, frame.high)), frame.y(max(low, frame.low))
    return tag(
        "rect", x=f"{frame.x(0.0) - 9:.1f}", y=f"{top:.1f}", width=18, height=f"{bottom - top:.1f}", class_="goal"
    )


def _zero(frame: _Frame, texts: Texts) -> list[Html]:
    y = frame.y(0.0)
    line = tag("path", d=f"M{LEFT} {y:.1f}H{frame.size[0] - RIGHT}", class_="zero")
    return [line, _label(texts("student.flat"), frame.size[0] - RIGHT, y - 5.0, "end")]


def _moment(frame: _Frame, mark: _Mark, texts: Texts) -> list[Html]:
    name, time, value, error = mark
    x, y = frame.x(time), frame.y(value)
    bar = f"M{x:.1f} {frame.y(value - CERTAIN * error):.1f}V{frame.y(value + CERTAIN * error):.1f}"
    line = f"M{x:.1f} {ABOVE}V{frame.size[1] - BELOW}"
    anchor = {"address": "start", "impact": "end"}.get(name, "middle")
    shift = {"address": -4.0, "impact": 14.0}.get(name, 0.0)
    return [
        tag("path", d=line, class_="guide"),
        tag("path", d=bar, class_="bar"),
        tag("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=6, class_="dot"),
        _label(texts(f"wrist.{name}"), x + shift, frame.size[1] - 10.0, anchor),
    ]


def _label(text: str, x: float, y: float, anchor: str = "start") -> Html:
    return tag("text", text, x=f"{x:.1f}", y=f"{y:.1f}", text_anchor=anchor)


def _svg(parts: Child, size: tuple[float, float]) -> Html:
    return tag("svg", parts, class_="drawing", role="img", viewBox=f"0 0 {size[0]:.0f} {size[1]:.0f}")
