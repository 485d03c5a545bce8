"""The interactive plots as plain data: what stands always, and what is laid over it when a swing is picked.

Colours are tokens of the palette (`@stalled/0.4`) that the page's script fills in for light or dark; everything else
is plotly's own figure format. The script decides nothing: it joins `base` with `picked[key]`.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.report.palette import MARKS
from imuswing.report.shapes import GRID_STEP_S, SHOWN_S, Hill, Limits, common_scale, even_grid, hill_of, on_grid
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView
from imuswing.report.wording import measure_text

Plot = dict[str, Any]

BAR_WIDTH: Final = 2.0
"""Error bars reach this many standard errors: about 19 of 20 true values lie inside."""


PALE: Final = (0.22, 0.5)
"""Least and greatest opacity of the curves that are not picked."""
OPAQUE_SHOTS: Final = 6.0
"""Opacity falls as this number over the number of shots, so that sixty curves do not drown the picked one."""


def chest_plot(recording: RecordingView, limits: Limits, texts: Texts) -> Plot | None:
    """All swings' chest turn rate around impact; None if no swing has a curve."""
    hills = {swing.key: hill for swing in recording.swings if (hill := hill_of(swing, limits)) is not None}
    if not hills:
        return None
    swings = [swing for swing in recording.swings if swing.key in hills]
    shots = [swing for swing in swings if swing.is_shot]
    opacity = float(np.clip(OPAQUE_SHOTS / max(len(shots), 1), *PALE))
    base = [_pale_line(swing, hills[swing.key], opacity, texts) for swing in swings]
    base += _pale_stretches(shots, hills)
    base += _pale_marks(shots, hills, texts)
    layout = _chest_layout(list(hills.values()), limits, texts)
    picked = {swing.key: _picked_hill(swing, hills[swing.key], limits, texts) for swing in swings}
    return {"base": base, "picked": picked, "layout": layout}


def _pale_line(swing: SwingView, hill: Hill, opacity: float, texts: Texts) -> Plot:
    mark = MARKS[swing.verdict]
    line = {"color": f"@{mark.colour}/{opacity:.2f}", "width": 1.4, "dash": mark.dash}
    if not swing.is_shot:
        line = {"color": "@quiet/0.6", "width": 1.2, "dash": "longdash"}
    return _curve(SHOWN_S[0], GRID_STEP_S, hill.rate_dps) | {
        "meta": {"key": swing.key, "practice": not swing.is_shot},
        "line": line,
        "hovertemplate": _hover(swing, texts),
    }


def _pale_stretches(shots: Sequence[SwingView], hills: dict[str, Hill]) -> list[Plot]:
    x: list[float] = []
    y: list[float] = []
    for shot in shots:
        for start, end in hills[shot.key].stalled_s:
            time, rate = hills[shot.key].between(start, end)
            x += [*time, np.nan]
            y += [*rate, np.nan]
    if not x:
        return []
    line = {"color": "@stalled/0.28", "width": 8}
    return [_path(np.array(x), np.array(y)) | {"line": line, "hoverinfo": "skip"}]


def _pale_marks(shots: Sequence[SwingView], hills: dict[str, Hill], texts: Texts) -> list[Plot]:
    """The slowest moment of every shot, one trace a verdict."""
    traces = []
    for verdict, mark in MARKS.items():
        chosen = [shot for shot in shots if shot.verdict == verdict and hills[shot.key].slowest is not None]
        if not chosen:
            continue
        points = np.array([hills[shot.key].slowest for shot in chosen], dtype=float)
        traces.append(
            _path(points[:, 0], points[:, 1])
            | {
                "mode": "markers",
                "marker": {"symbol": mark.symbol, "size": 8, "color": f"@{mark.colour}/0.75", "line": {"width": 0}},
                "customdata": [shot.key for shot in chosen],
                "text": [texts("chest.hover", swing=shot.number) for shot in chosen],
                "hovertemplate": f"%{{text}}<br>{_rate_and_time(texts)}<extra></extra>",
            }
        )
    return traces


def _picked_hill(swing: SwingView, hill: Hill, limits: Limits, texts: Texts) -> Plot:
    """What is laid over the pale curves: the kept hill, the bite out of it, the stalled stretch, the words."""
    mark = MARKS[swing.verdict]
    colour = mark.colour if swing.is_shot else "quiet"
    time, rate = hill.between(SHOWN_S[0], limits.after_s)
    kept = _path(time, rate) | {"fill": "tozeroy", "fillcolor": f"@{colour}/0.55", "line": {"width": 0}}
    traces = [*_stretch_lines(hill), _level_line(hill, limits, colour)] if _has_level(hill) else []
    traces.append(
        _curve(SHOWN_S[0], GRID_STEP_S, hill.rate_dps)
        | {"line": {"color": f"@{colour}", "width": 3.5}, "hovertemplate": _hover(swing, texts)}
    )
    annotations = []
    if hill.slowest is not None:
        traces.append(_slowest_mark(swing, hill.slowest, mark.symbol, colour))
        annotations.append(_words_at_curve(swing, hill, colour, texts))
    if _has_level(hill):
        annotations.append(_level_words(swing, hill, colour, texts))
    under = [kept | {"hoverinfo": "skip"}, *_bite_traces(hill, limits, colour)]
    return {"under": under, "over": traces, "annotations": annotations}


def _has_level(hill: Hill) -> bool:
    return hill.level_dps is not None and hill.level_dps > 0.0


def _bite_traces(hill: Hill, limits: Limits, colour: str) -> list[Plot]:
    if not _has_level(hill):
        return []
    hatch = {"shape": "/", "fgcolor": f"@{colour}/0.8", "bgcolor": "@sheet/0.6", "size": 9, "solidity": 0.16}
    traces = _between_level(hill, hill.level_from_s, limits.after_s, {"fillpattern": hatch})
    for start, end in hill.stalled_s:
        traces += _between_level(hill, start, end, {"fillcolor": "@stalled/0.2"})
    return traces


def _stretch_lines(hill: Hill) -> list[Plot]:
    """The stalled stretches as a broad line on the curve."""
    line = {"color": "@stalled", "width": 9}
    return [_path(*hill.between(start, end)) | {"line": line, "hoverinfo": "skip"} for start, end in hill.stalled_s]


def _level_line(hill: Hill, limits: Limits, colour: str) -> Plot:
    ends = np.array([hill.level_from_s, limits.after_s])
    level = _path(ends, np.full(2, hill.level_dps))
    return level | {"line": {"color": f"@{colour}", "width": 1.5, "dash": "dot"}, "hoverinfo": "skip"}


def _between_level(hill: Hill, start: float, end: float, fill: Plot) -> list[Plot]:
    """The area between the swing's own fastest rate and its curve, where the curve is below."""
    time, rate = hill.between(start, end)
    if len(time) < 2 or hill.level_dps is None:
        return []
    x = np.concatenate([time, time[::-1]])
    y = np.concatenate([np.minimum(rate, hill.level_dps), np.full(len(time), hill.level_dps)])
    return [_path(x, y) | {"fill": "toself", "line": {"width": 0}, "hoverinfo": "skip", **fill}]


def _slowest_mark(swing: SwingView, slowest: tuple[float, float], symbol: str, colour: str) -> Plot:
    trace = _path(np.array([slowest[0]]), np.array([slowest[1]])) | {
        "mode": "markers",
        "marker": {"symbol": symbol, "size": 13, "color": f"@{colour}", "line": {"color": "@sheet", "width": 2}},
        "hoverinfo": "skip",
    }
    error = swing.values.get("chest_turn_rate_min_dps_se")
    return trace if error is None else trace | {"error_y": _bar([error], colour)}


def _words_at_curve(swing: SwingView, hill: Hill, colour: str, texts: Texts) -> Plot:
    assert hill.slowest is not None
    time, rate = hill.slowest
    key = swing.verdict or ""
    if key == "stalled" and swing.values.get("chest_continuity") is None:
        key = "hardly"
    elif key == "stalled" and rate < 0.0:
        key = "stalled_back"
    low = hill.level_dps is None or rate > 0.6 * hill.level_dps
    text = f"<b>{texts(f'at_curve.{key}')}</b>" if key else texts("verdict.unjudged")
    return {
        "x": time,
        "y": rate,
        "text": text,
        "showarrow": True,
        "arrowhead": 0,
        "arrowwidth": 1.5,
        "arrowcolor": f"@{colour}",
        "standoff": 9,
        "ax": 0,
        "ay": 48 if low else -72,
        "font": {"color": f"@{colour}", "size": 19},
        "bgcolor": "@sheet/0.9",
        "borderpad": 3,
    }


def _level_words(swing: SwingView, hill: Hill, colour: str, texts: Texts) -> Plot:
    fastest = measure_text(swing.values, "chest_turn_rate_peak_dps", texts, se=False)
    return {
        "x": hill.level_from_s,
        "y": hill.level_dps,
        "text": f"{texts('at_curve.own_fastest')} {fastest}",
        "showarrow": False,
        "xanchor": "left",
        "yanchor": "bottom",
        "font": {"color": f"@{colour}", "size": 13},
        "bgcolor": "@sheet/0.75",
    }


def _chest_layout(hills: list[Hill], limits: Limits, texts: Texts) -> Plot:
    low, high = common_scale(hills)
    ticks = [-0.2, -0.1, 0.0, 0.1, 0.2]
    names = [texts("at_curve.ball") if tick == 0.0 else texts.number(tick, 1, sign=True) for tick in ticks]
    band: Plot = {
        "type": "rect",
        "xref": "x",
        "yref": "paper",
        "x0": -limits.before_s,
        "x1": limits.after_s,
        "y0": 0,
        "y1": 1,
    }
    ball: Plot = {"type": "circle", "xref": "x", "yref": "y", "xsizemode": "pixel", "ysizemode": "pixel"}
    ball |= {"xanchor": 0.0, "yanchor": 0.0, "x0": -6, "x1": 6, "y0": -6, "y1": 6}
    impact: Plot = {"type": "line", "xref": "x", "yref": "paper", "x0": 0, "x1": 0, "y0": 0, "y1": 1, "layer": "below"}
    shapes = [
        band | {"fillcolor": "@band", "line": {"width": 0}, "layer": "below"},
        impact | {"line": {"color": "@quiet/0.6", "width": 1}},
        ball | {"fillcolor": "@sheet", "line": {"color": "@ink", "width": 1.5}, "layer": "above"},
    ]
    through: Plot = {
        "x": (limits.after_s - limits.before_s) / 2.0,
        "xref": "x",
        "y": 1.0,
        "yref": "paper",
        "yanchor": "bottom",
    }
    still: Plot = {"x": 1.0, "xref": "paper", "xanchor": "right", "y": 0.0, "yref": "y", "yanchor": "top"}
    quiet: Plot = {"showarrow": False, "font": {"color": "@quiet", "size": 12}}
    return _layout(texts) | {
        "shapes": shapes,
        "annotations": [
            through | quiet | {"text": texts("at_curve.through")},
            still | quiet | {"text": texts("at_curve.still")},
        ],
        "xaxis": _axis() | {"range": list(SHOWN_S), "tickvals": ticks, "ticktext": names},
        "yaxis": _axis() | {"range": [low, high], "zeroline": True, "zerolinecolor": "@ink", "fixedrange": True},
    }


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
            traces.append(_curve(float(grid[0]), WRIST_STEP_S, on_grid(*curve, grid)) | {"yaxis": axis})
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
            point = _path(np.array([time]), np.array([value])) | {"mode": "markers", "marker": marker, "yaxis": axis}
            error = swing.values.get(f"{stem}_{moment}_deg_se")
            bar = {} if error is None else {"error_y": _bar([error], "link")}
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
        curves = [_decoded(trace["y"]) for trace in base if trace["yaxis"] == axis]
        values, names = _ticks_in_words(curves, [texts(f"wrist.{word}") for word in words[axis]], texts.unit("°"))
        axes[f"{axis[0]}axis{axis[1:]}"] = _axis() | {
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
        _layout(texts)
        | axes
        | {
            "margin": {"l": 104, "r": 10, "t": 24, "b": 30},
            "shapes": [impact | {"line": {"color": "@quiet/0.6", "width": 1}}],
            "annotations": [],
            "xaxis": _axis()
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


def _layout(texts: Texts) -> Plot:
    return {
        "separators": f"{texts('number.decimal')} ",
        "autosize": True,
        "margin": {"l": 44, "r": 10, "t": 24, "b": 30},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "system-ui, sans-serif", "size": 13, "color": "@quiet"},
        "hoverlabel": {"bgcolor": "@sheet", "bordercolor": "@rule", "font": {"color": "@ink"}},
        "hovermode": "closest",
        "showlegend": False,
    }


def _axis() -> Plot:
    return {"gridcolor": "@rule/0.6", "zeroline": False, "showline": False, "tickfont": {"color": "@quiet"}}


def _hover(swing: SwingView, texts: Texts) -> str:
    return texts("chest.hover", swing=swing.number) + f"<br>{_rate_and_time(texts)}<extra></extra>"


def _rate_and_time(texts: Texts) -> str:
    """A point's rate and time as plotly fills them in."""
    return f"%{{y:.0f}} {texts.unit('°/s')}<br>%{{x:+.2f}} {texts.unit('s')}"


def _bar(errors: Sequence[float], colour: str) -> Plot:
    bars: Plot = {"type": "data", "array": [BAR_WIDTH * error for error in errors]}
    return bars | {"color": f"@{colour}", "thickness": 2, "width": 5}


def _curve(start: float, step: float, values: FloatArray) -> Plot:
    return {"type": "scatter", "mode": "lines", "x0": round(start, 6), "dx": step, "y": _encoded(values)}


def _path(x: FloatArray, y: FloatArray) -> Plot:
    return {"type": "scatter", "mode": "lines", "x": _encoded(x), "y": _encoded(y)}


def _encoded(values: FloatArray) -> Plot:
    """Numbers as plotly's own compact form: float32, base64."""
    return {"dtype": "f4", "bdata": base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode("ascii")}


def _decoded(encoded: Plot) -> FloatArray:
    decoded: FloatArray = np.frombuffer(base64.b64decode(encoded["bdata"]), dtype="<f4").astype(float)
    return decoded
