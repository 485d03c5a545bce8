"""The picture of progress: every stage's shots as dots, their means as a line, the band of what compare can tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.measures.dictionary import Measure
from imuswing.report.change import Change, Row, Stage
from imuswing.report.markup import Child, Html, tag
from imuswing.report.plan_view import GoalView
from imuswing.report.texts import Texts
from imuswing.report.wording import plain_text

SIZE: Final = (440.0, 260.0)
LEFT, RIGHT, ABOVE, BELOW = 58.0, 10.0, 14.0, 46.0
SPREAD: Final = 0.32
"""Shots of a stage stand side by side within this share of its room to either side."""
TICKS: Final = 5


@dataclass(frozen=True, kw_only=True)
class Trend:
    """A measure over the stages: mean of each (None without shots) and, for later ones, the 95 % band of the change.

    Bands are around the first stage's mean plus the difference, as `compare` gives it: where a band leaves out the
    first mean, the stage differs from the first.
    """

    means: tuple[float | None, ...]
    bands: tuple[tuple[float, float] | None, ...]


def trend_of(change: Change, name: str) -> Trend:
    """The trend of a measure from `compare`'s rows."""
    rows = [change.row(name, stage) for stage in change.stages[1:]]
    first = next((_known(row, "mean_a") for row in rows if row is not None), None)
    means: list[float | None] = [first]
    bands: list[tuple[float, float] | None] = [None if first is None else (first, first)]
    for row in rows:
        means.append(None if row is None else _known(row, "mean_b"))
        low, high = (None if row is None else _known(row, f"difference_{end}") for end in ("low", "high"))
        bands.append(None if first is None or low is None or high is None else (first + low, first + high))
    return Trend(means=tuple(means), bands=tuple(bands))


def trend_picture(
    change: Change, measure: Measure, names: Sequence[str], texts: Texts, alt: str, *, goal: GoalView | None = None
) -> Html:
    """One measure over all stages; a goal's band is shaded, shots of a drill are squares, others circles."""
    trend = trend_of(change, measure.name)
    shots = [_values(stage, measure.name) for stage in change.stages]
    low, high, ticks = _scale(shots, trend, goal)

    def x(place: float) -> float:
        return LEFT + (place + 0.5) / len(change.stages) * (SIZE[0] - LEFT - RIGHT)

    def y(value: float) -> float:
        return ABOVE + (high - min(max(value, low), high)) / (high - low) * (SIZE[1] - ABOVE - BELOW)

    parts: list[Child] = [tag("title", alt), _goal(goal, y, low, high)]
    for tick in ticks:
        parts.append(tag("path", d=f"M{LEFT} {y(tick):.1f}H{SIZE[0] - RIGHT}", class_="grid"))
        label = tick_text(measure, tick, texts)
        parts.append(tag("text", label, x=LEFT - 8, y=f"{y(tick) + 4:.1f}", text_anchor="end", class_="tickname"))
    known = [(k, band) for k, band in enumerate(trend.bands) if band is not None]
    if len(known) > 1:
        over = "L".join(f"{x(k):.1f} {y(band[1]):.1f}" for k, band in known)
        under = "L".join(f"{x(k):.1f} {y(band[0]):.1f}" for k, band in reversed(known))
        parts.append(tag("path", d=f"M{over}L{under}Z", class_="errors"))
        parts += [tag("path", d=f"M{x(k):.1f} {y(b[0]):.1f}V{y(b[1]):.1f}", class_="bar") for k, b in known[1:]]
    for k, stage in enumerate(shots):
        parts += [_dot(x(k + place), y(value), drill) for place, value, drill in stage]
    line = [f"{x(k):.1f} {y(mean):.1f}" for k, mean in enumerate(trend.means) if mean is not None]
    parts.append(tag("path", d=f"M{'L'.join(line)}", class_="line") if len(line) > 1 else None)
    for k, mean in enumerate(trend.means):
        parts.append(None if mean is None else tag("circle", cx=f"{x(k):.1f}", cy=f"{y(mean):.1f}", r=7, class_="dot"))
    for k, name in enumerate(names):
        parts.append(tag("text", name, x=f"{x(k):.1f}", y=SIZE[1] - 26, text_anchor="middle", class_="stagename"))
        if any(drill for _, _, drill in shots[k]):
            drilled = texts("progress.drill")
            parts.append(tag("text", drilled, x=f"{x(k):.1f}", y=SIZE[1] - 8, text_anchor="middle"))
    return tag("svg", parts, class_="drawing trend", role="img", viewBox=f"0 0 {SIZE[0]:.0f} {SIZE[1]:.0f}")


def tick_text(measure: Measure, value: float, texts: Texts) -> str:
    """A number at the axis: continuity as a share, others with their sign and unit."""
    if measure.name == "chest_continuity":
        return plain_text(measure, value, texts)
    decimals = max(measure.decimals, 0 if float(value).is_integer() else 1)
    return texts.quantity(texts.number(value, decimals), measure.unit)


def is_drill(intent: str | None) -> bool:
    """Whether a block with this intention is a drill: it aims at something."""
    return intent is not None


_Shot = tuple[float, float, bool]
"""Place beside the middle of the stage, value, whether it was a drill's."""


def _values(stage: Stage, name: str) -> list[_Shot]:
    known = [(shot, value) for shot in stage.shots if (value := shot.values.get(name)) is not None]
    places = np.linspace(-SPREAD, SPREAD, len(known)) if len(known) > 1 else np.zeros(len(known))
    return [(float(p), value, is_drill(shot.intent)) for p, (shot, value) in zip(places, known, strict=True)]


def _scale(shots: Sequence[Sequence[_Shot]], trend: Trend, goal: GoalView | None) -> tuple[float, float, list[float]]:
    """Ends of the axis and round ticks between them; bands that reach far out are cut at a range beyond the shots."""
    values = [value for stage in shots for _, value, _ in stage] + [mean for mean in trend.means if mean is not None]
    least, most = (min(values), max(values)) if values else (0.0, 1.0)
    for end in _ends_shown(goal, least, most):
        least, most = min(least, end), max(most, end)
    room = max(most - least, 1e-3)
    ends = [end for band in trend.bands if band is not None for end in band]
    least, most = max(min([least, *ends]), least - room), min(max([most, *ends]), most + room)
    step = _round_step((most - least) / TICKS)
    low, high = np.floor(least / step) * step, np.ceil(most / step) * step
    ticks = [float(tick) for tick in np.arange(low, high + step / 2.0, step)]
    return float(low), float(high), ticks


def _ends_shown(goal: GoalView | None, least: float, most: float) -> list[float]:
    """The ends of a goal's band that belong into the picture: of one still to be reached all, else those near.

    One that all shots have long passed would only flatten the picture.
    """
    if goal is None:
        return []
    ends = [end for end in (goal.low, goal.high) if end is not None]
    missed = (goal.low is not None and goal.low > most) or (goal.high is not None and goal.high < least)
    room = most - least
    return [end for end in ends if missed or least - room < end < most + room]


def _round_step(least: float) -> float:
    size = 10.0 ** np.floor(np.log10(max(least, 1e-6)))
    return float(next(size * factor for factor in (1.0, 2.0, 5.0, 10.0) if size * factor >= least))


def _goal(goal: GoalView | None, y: object, low: float, high: float) -> Html | None:
    if goal is None or not callable(y):
        return None
    top, bottom = y(high if goal.high is None else goal.high), y(low if goal.low is None else goal.low)
    width = SIZE[0] - LEFT - RIGHT
    return tag("rect", x=LEFT, y=f"{top:.1f}", width=width, height=f"{max(bottom - top, 1.0):.1f}", class_="goal")


def _dot(x: float, y: float, drill: bool) -> Html:
    if drill:
        return tag("rect", x=f"{x - 3.5:.1f}", y=f"{y - 3.5:.1f}", width=7, height=7, class_="shot")
    return tag("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=3.5, class_="shot")


def _known(row: Row | Mapping[str, object], name: str) -> float | None:
    value = row[name]
    return None if value is None or value != value else float(str(value))
