"""What the interactive plots share: layout, axes, lines, error bars, numbers in plotly's compact form.

Colours are tokens of the palette (`@stalled/0.4`) that the page's script fills in for light or dark; everything else
is plotly's own figure format.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.report.texts import Texts

Plot = dict[str, Any]

BAR_WIDTH: Final = 2.0
"""Error bars reach this many standard errors: about 19 of 20 true values lie inside."""


def base_layout(texts: Texts) -> Plot:
    """What all plots of the page have alike."""
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


def plain_axis() -> Plot:
    """How an axis looks."""
    return {"gridcolor": "@rule/0.6", "zeroline": False, "showline": False, "tickfont": {"color": "@quiet"}}


def error_bar(errors: Sequence[float], colour: str) -> Plot:
    """Error bars that reach `BAR_WIDTH` standard errors to either side."""
    bars: Plot = {"type": "data", "array": [BAR_WIDTH * error for error in errors]}
    return bars | {"color": f"@{colour}", "thickness": 2, "width": 5}


def stepped_line(start: float, step: float, values: FloatArray) -> Plot:
    """A line over even steps from `start` on."""
    return {"type": "scatter", "mode": "lines", "x0": round(start, 6), "dx": step, "y": encoded(values)}


def line_through(x: FloatArray, y: FloatArray) -> Plot:
    """A line through points (N,), (N,)."""
    return {"type": "scatter", "mode": "lines", "x": encoded(x), "y": encoded(y)}


def encoded(values: FloatArray) -> Plot:
    """Numbers as plotly's own compact form: float32, base64."""
    return {"dtype": "f4", "bdata": base64.b64encode(np.asarray(values, dtype="<f4").tobytes()).decode("ascii")}


def decoded(encoded: Plot) -> FloatArray:
    """The numbers (N,) of `encoded`."""
    decoded: FloatArray = np.frombuffer(base64.b64decode(encoded["bdata"]), dtype="<f4").astype(float)
    return decoded
