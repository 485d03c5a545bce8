"""The interactive plot of the lead wrist's angles as plain data.

`base` stands always, `picked[key]` is laid over it when a swing is picked; the page's script joins them and decides
nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.report.plot_parts import Plot, base_layout, decoded, error_bar, line_through, plain_axis, stepped_line
from imuswing.report.shapes import even_grid, on_grid
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView

WRIST_STEP_S: Final = 0.01
WRIST_BEFORE_TAKEAWAY_S: Final = 0.15
WRIST_AFTER_IMPACT_S: Final = 0.35
USUAL_TAKEAWAY_S: Final = -1.1
"""Takeaway before impact of a full swing: 0.80 s back and 0.27 s down (Grober & Cholewicki), rounded up."""
MOMENTS: Final = (
    ("address", "takeaway_s", "circle-open"),
    ("top", "top_s", "triangle-up"),
    ("impact", None, "star-diamond"),
)
"""Moments marked on the wrist's curves: name, column of its time (None: 0), marker."""
WRIST_ANGLES: Final = (("flexion", "wrist_flexion", "y"), ("deviation", "wrist_ulnar", "y2"))


def wrist_plot(recording: RecordingView, texts: Texts) -> Plot | None:
    """Lead-wrist flexion above, deviation below, all swings over one another; None if no swing has a curve."""
    swings = [swing for swing in recording.swings if swing.curve_of("wrist_flexion_deg") is not None]
    if not swings:
        return None
    base, picked = [], {}
    for swing in swings:
        line = {"color": "@ink/0.28" if swing.is_shot else "@quiet/0.3", "width": 1.2}
        line |= {} if swing.is_shot else {"dash": "longdash"}
        meta = {"key": swing.key, "practice": not swing.is_shot}
        hover = {"hovertemplate": texts("chest.hover", swing=swing.number) + "<extra></extra>"}
        base += [trace | {"line": line, "meta": meta} | hover for trace in _wrist_curves(swing)]
        picked[swing.key] = _picked_wrist(swing, texts)
    shots = [swing for swing in swings if swing.is_shot]
    start = min(_wrist_start(swing) for swing in shots or swings)
    return {"base": base, "picked": picked, "layout": _wrist_layout(base, start, texts)}


def _wrist_start(swing: SwingView) -> float:
    """Where the picture of a swing's wrist begins, s from impact; a takeaway that is not known is taken as usual."""
    takeaway = swing.since_impact("takeaway_s")
    return (USUAL_TAKEAWAY_S if takeaway is None else takeaway) - WRIST_BEFORE_TAKEAWAY_S


def _wrist_curves(swing: SwingView) -> list[Plot]:
    grid = even_grid(_wrist_start(swing), WRIST_AFTER_IMPACT_S, WRIST_STEP_S)
    traces = []
    for _, stem, axis in WRIST_ANGLES:
        curve = swing.curve_of(f"{stem}_deg")
        if curve is not None:
            traces.append(stepped_line(float(grid[0]), WRIST_STEP_S, on_grid(*curve, grid)) | {"yaxis": axis})
    return traces


def _picked_wrist(swing: SwingView, texts: Texts) -> Plot:
    traces = [trace | {"line": {"color": "@link", "width": 3.5}, "hoverinfo": "skip"} for trace in _wrist_curves(swing)]
    annotations = []
    for _, stem, axis in WRIST_ANGLES:
        for moment, column, symbol in MOMENTS:
            value = swing.values.get(f"{stem}_{moment}_deg")
            time = 0.0 if column is None else swing.since_impact(column)
            if value is None or time is None:
                continue
            marker = {"symbol": symbol, "size": 12, "color": "@link", "line": {"color": "@sheet", "width": 1.5}}
            if symbol.endswith("open"):
                marker["line"] = {"color": "@link", "width": 3}
            point = line_through(np.array([time]), np.array([value])) | {
                "mode": "markers",
                "marker": marker,
                "yaxis": axis,
            }
            error = swing.values.get(f"{stem}_{moment}_deg_se")
            bar = {} if error is None else {"error_y": error_bar([error], "link")}
            traces.append(point | {"hoverinfo": "skip"} | bar)
            if axis == "y":
                annotations.append(_moment_words(time, texts(f"wrist.{moment}")))
    return {"under": [], "over": traces, "annotations": annotations}


def _moment_words(time: float, text: str) -> Plot:
    place: Plot = {"x": time, "xref": "x", "y": 1.0, "yref": "paper", "yanchor": "bottom", "showarrow": False}
    return place | {"text": text, "font": {"color": "@ink", "size": 12}}


def _wrist_layout(base: list[Plot], start: float, texts: Texts) -> Plot:
    words = {"y": ("flexed", "extended", "flat"), "y2": ("little_finger", "thumb", "straight")}
    axes = {}
    for axis, domain in (("y", [0.54, 1.0]), ("y2", [0.0, 0.46])):
        curves = [decoded(trace["y"]) for trace in base if trace["yaxis"] == axis]
        values, names = _ticks_in_words(curves, [texts(f"wrist.{word}") for word in words[axis]], texts.unit("°"))
        axes[f"{axis[0]}axis{axis[1:]}"] = plain_axis() | {
            "domain": domain,
            "range": [values[0] - 6.0, values[-1] + 6.0],
            "tickvals": values,
            "ticktext": names,
            "zeroline": True,
            "zerolinecolor": "@ink",
            "fixedrange": True,
        }
    impact: Plot = {"type": "line", "xref": "x", "yref": "paper", "x0": 0, "x1": 0, "y0": 0, "y1": 1, "layer": "below"}
    return (
        base_layout(texts)
        | axes
        | {
            "margin": {"l": 104, "r": 10, "t": 24, "b": 30},
            "shapes": [impact | {"line": {"color": "@quiet/0.6", "width": 1}}],
            "annotations": [],
            "xaxis": plain_axis()
            | {
                "range": [start, WRIST_AFTER_IMPACT_S],
                "ticksuffix": f" {texts.unit('s')}",
                "dtick": 0.4,
                "anchor": "y2",
            },
        }
    )


def _ticks_in_words(curves: Iterable[FloatArray], words: Sequence[str], degree: str) -> tuple[list[float], list[str]]:
    """Ticks every 20° (40° where that would be more than seven) with words in place of signs."""
    known = np.concatenate([*(curve[np.isfinite(curve)] for curve in curves), np.array([-20.0, 20.0])])
    step = 20.0 if np.ptp(known) <= 120.0 else 40.0
    values = np.arange(np.floor(known.min() / step), np.ceil(known.max() / step) + 1) * step
    positive, negative, zero = words
    names = [
        zero if value == 0 else f"{abs(value):.0f}{degree} {positive if value > 0 else negative}" for value in values
    ]
    return [float(value) for value in values], names
