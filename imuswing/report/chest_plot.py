"""The interactive plot of the chest's turn rate as plain data.

`base` stands always, `picked[key]` is laid over it when a swing is picked; the page's script joins them and decides
nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from imuswing.report.palette import MARKS
from imuswing.report.plot_parts import Plot, base_layout, error_bar, line_through, plain_axis, stepped_line
from imuswing.report.shapes import GRID_STEP_S, SHOWN_S, Hill, Limits, common_scale, hill_of
from imuswing.report.texts import Texts
from imuswing.report.views import RecordingView, SwingView
from imuswing.report.wording import measure_text

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
    return stepped_line(SHOWN_S[0], GRID_STEP_S, hill.rate_dps) | {
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
    return [line_through(np.array(x), np.array(y)) | {"line": line, "hoverinfo": "skip"}]


def _pale_marks(shots: Sequence[SwingView], hills: dict[str, Hill], texts: Texts) -> list[Plot]:
    """The slowest moment of every shot, one trace a verdict."""
    traces = []
    for verdict, mark in MARKS.items():
        chosen = [shot for shot in shots if shot.verdict == verdict and hills[shot.key].slowest is not None]
        if not chosen:
            continue
        points = np.array([hills[shot.key].slowest for shot in chosen], dtype=float)
        traces.append(
            line_through(points[:, 0], points[:, 1])
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
    kept = line_through(time, rate) | {"fill": "tozeroy", "fillcolor": f"@{colour}/0.55", "line": {"width": 0}}
    traces = [*_stretch_lines(hill), _level_line(hill, limits, colour)] if _has_level(hill) else []
    traces.append(
        stepped_line(SHOWN_S[0], GRID_STEP_S, hill.rate_dps)
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
    return [
        line_through(*hill.between(start, end)) | {"line": line, "hoverinfo": "skip"} for start, end in hill.stalled_s
    ]


def _level_line(hill: Hill, limits: Limits, colour: str) -> Plot:
    ends = np.array([hill.level_from_s, limits.after_s])
    level = line_through(ends, np.full(2, hill.level_dps))
    return level | {"line": {"color": f"@{colour}", "width": 1.5, "dash": "dot"}, "hoverinfo": "skip"}


def _between_level(hill: Hill, start: float, end: float, fill: Plot) -> list[Plot]:
    """The area between the swing's own fastest rate and its curve, where the curve is below."""
    time, rate = hill.between(start, end)
    if len(time) < 2 or hill.level_dps is None:
        return []
    x = np.concatenate([time, time[::-1]])
    y = np.concatenate([np.minimum(rate, hill.level_dps), np.full(len(time), hill.level_dps)])
    return [line_through(x, y) | {"fill": "toself", "line": {"width": 0}, "hoverinfo": "skip", **fill}]


def _slowest_mark(swing: SwingView, slowest: tuple[float, float], symbol: str, colour: str) -> Plot:
    trace = line_through(np.array([slowest[0]]), np.array([slowest[1]])) | {
        "mode": "markers",
        "marker": {"symbol": symbol, "size": 13, "color": f"@{colour}", "line": {"color": "@sheet", "width": 2}},
        "hoverinfo": "skip",
    }
    error = swing.values.get("chest_turn_rate_min_dps_se")
    return trace if error is None else trace | {"error_y": error_bar([error], colour)}


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
    return base_layout(texts) | {
        "shapes": shapes,
        "annotations": [
            through | quiet | {"text": texts("at_curve.through")},
            still | quiet | {"text": texts("at_curve.still")},
        ],
        "xaxis": plain_axis() | {"range": list(SHOWN_S), "tickvals": ticks, "ticktext": names},
        "yaxis": plain_axis() | {"range": [low, high], "zeroline": True, "zerolinecolor": "@ink", "fixedrange": True},
    }


def _hover(swing: SwingView, texts: Texts) -> str:
    return texts("chest.hover", swing=swing.number) + f"<br>{_rate_and_time(texts)}<extra></extra>"


def _rate_and_time(texts: Texts) -> str:
    """A point's rate and time as plotly fills them in."""
    return f"%{{y:.0f}} {texts.unit('°/s')}<br>%{{x:+.2f}} {texts.unit('s')}"
