"""The one palette: colours for light and dark, and the shape, dash and hatch that tell verdicts apart without colour.

Chosen for this project: blue, ochre and plum keep their distance for the three kinds of colour blindness and every
text colour reaches the AA contrast of WCAG 2.2 on its ground (both are tested). Colour is never the only sign.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

LIGHT: Final[dict[str, str]] = {
    "ground": "#f6f3ec",
    "sheet": "#fffdf8",
    "ink": "#1d2430",
    "quiet": "#565f6e",
    "rule": "#d9d3c5",
    "band": "#ece6d8",
    "link": "#0d5673",
    "turning": "#0c56bd",
    "slowing": "#7a5c00",
    "stalled": "#a11259",
    "unjudged": "#5d6470",
    "problem": "#a11259",
}
DARK: Final[dict[str, str]] = {
    "ground": "#12161d",
    "sheet": "#1a2029",
    "ink": "#ece9e1",
    "quiet": "#a9b1bd",
    "rule": "#353d4a",
    "band": "#262d38",
    "link": "#7fd0ea",
    "turning": "#6aaaff",
    "slowing": "#eccb5a",
    "stalled": "#fb7193",
    "unjudged": "#a0a8b5",
    "problem": "#fb7193",
}
"""Names are the same in both; the page uses them as CSS variables and the plots as tokens such as `@ink/0.5`."""

TEXT_COLOURS: Final = ("ink", "quiet", "link", "turning", "slowing", "stalled", "unjudged", "problem")
GROUNDS: Final = ("ground", "sheet")


@dataclass(frozen=True, kw_only=True)
class VerdictMark:
    """How a verdict looks apart from its colour.

    colour: name in the palette.  symbol: marker in the plots.  path: the same shape for an SVG viewBox of 0 0 16 16.
    dash: line style of a pale curve.
    """

    colour: str
    symbol: str
    path: str
    dash: str


MARKS: Final[dict[str | None, VerdictMark]] = {
    "turning": VerdictMark(colour="turning", symbol="circle", path="M8 1.5a6.5 6.5 0 1 0 .01 0z", dash="solid"),
    "slowing": VerdictMark(colour="slowing", symbol="diamond", path="M8 .8L15.2 8 8 15.2.8 8z", dash="dash"),
    "stalled": VerdictMark(colour="stalled", symbol="square", path="M2 2h12v12H2z", dash="dot"),
    None: VerdictMark(colour="unjudged", symbol="cross-thin-open", path="M7 1h2v6h6v2H9v6H7V9H1V7h6z", dash="dashdot"),
}
"""By verdict; None is a swing whose chest rotation could not be judged."""


def css_variables() -> str:
    """The palette as CSS: light by default and on paper, dark where the reader's system asks for it."""
    light = _declarations(LIGHT)
    dark = _declarations(DARK)
    return f":root{{color-scheme:light dark;{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"


def _declarations(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())
