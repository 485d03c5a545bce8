"""Drawings that stand in the page before any script runs: verdict marks, one small hill a swing, the arm's arc."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.report.markup import Html, join, tag
from imuswing.report.palette import MARKS
from imuswing.report.shapes import SHOWN_S, Hill, Limits
from imuswing.report.texts import Texts
from imuswing.report.views import SwingView

TILE_SIZE: Final = (120.0, 64.0)
LARGE_SIZE: Final = (640.0, 340.0)
_LOW, _HIGH = -0.22, 1.16
"""Ends of the small picture's scale, as shares of the swing's own fastest rate."""


def verdict_mark(verdict: str | None) -> Html:
    """The verdict's shape, to stand beside its words."""
    mark = MARKS[verdict]
    return tag(
        "svg",
        tag("path", d=mark.path, fill="currentColor"),
        class_=f"mark {mark.colour}",
        viewBox="0 0 16 16",
        aria_hidden="true",
    )


def hatches() -> Html:
    """The hatch patterns of the page, one a verdict; they stand once in the page and all pictures use them."""
    patterns = [
        tag(
            "pattern",
            tag("path", d="M-1 7L7 -1M-1 1L1 -1M5 7L7 5", stroke=f"var(--{mark.colour})", stroke_width="1.5"),
            id=f"hatch-{mark.colour}",
            width=6,
            height=6,
            patternUnits="userSpaceOnUse",
        )
        for mark in MARKS.values()
    ]
    return tag("svg", tag("defs", patterns), class_="defs", width=0, height=0, aria_hidden="true")


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """From seconds and shares of the own fastest rate to the picture's units."""

    width: float
    height: float
    unit_dps: float

    def x(self, time: float) -> float:
        start, end = SHOWN_S
        return (time - start) / (end - start) * self.width

    def y(self, rate_dps: float) -> float:
        share = float(np.clip(rate_dps / self.unit_dps, _LOW, _HIGH))
        return (_HIGH - share) / (_HIGH - _LOW) * self.height

    def path(self, time: FloatArray, rate: FloatArray) -> str:
        return "L".join(f"{self.x(t):.1f} {self.y(r):.1f}" for t, r in zip(time, rate, strict=True))


def hill_picture(hill: Hill, verdict: str | None, limits: Limits, *, size: tuple[float, float] = TILE_SIZE) -> Html:
    """One swing's hill with the bite it lost through the ball, scaled to its own fastest rate."""
    colour = MARKS[verdict].colour
    width, height = size
    frame = _Frame(width=width, height=height, unit_dps=max(hill.level_dps or 0.0, _largest(hill), 1.0))
    zero = frame.y(0.0)
    band = tag(
        "rect",
        x=f"{frame.x(-limits.before_s):.1f}",
        y=0,
        width=f"{frame.x(limits.after_s) - frame.x(-limits.before_s):.1f}",
        height=height,
        class_="band",
    )
    time, rate = hill.between(*SHOWN_S)
    until_time, until_rate = hill.between(SHOWN_S[0], limits.after_s)
    parts = [
        band,
        _filled(frame, until_time, until_rate, zero, class_=f"kept {colour}"),
        _bite(frame, hill, limits, colour),
        tag("path", d=f"M0 {zero:.1f}H{width:.0f}", class_="zero"),
        tag("path", d=f"M{frame.path(time, rate)}", class_=f"curve {colour}"),
        tag("circle", cx=f"{frame.x(0.0):.1f}", cy=f"{zero:.1f}", r=f"{min(height / 20.0, 7.0):.1f}", class_="ball"),
    ]
    return tag("svg", parts, class_="hill", viewBox=f"0 0 {width:.0f} {height:.0f}", aria_hidden="true")


def _bite(frame: _Frame, hill: Hill, limits: Limits, colour: str) -> Html:
    if hill.level_dps is None or hill.level_dps <= 0.0:
        return Html("")
    time, rate = hill.between(hill.level_from_s, limits.after_s)
    if len(time) < 2:
        return Html("")
    level = frame.y(hill.level_dps)
    fallen = np.minimum(rate, hill.level_dps)
    pieces = [_filled(frame, time, fallen, level, fill=f"url(#hatch-{colour})")]
    for start, end in hill.stalled_s:
        piece_time, piece_rate = hill.between(start, end)
        if len(piece_time) > 1:
            pieces.append(_filled(frame, piece_time, piece_rate, level, class_="stall"))
    line = f"M{frame.x(hill.level_from_s):.1f} {level:.1f}H{frame.x(limits.after_s):.1f}"
    pieces.append(tag("path", d=line, class_=f"level {colour}"))
    return join(pieces)


def _filled(frame: _Frame, time: FloatArray, rate: FloatArray, base: float, **attributes: str) -> Html:
    if len(time) < 2:
        return Html("")
    outline = f"M{frame.x(time[0]):.1f} {base:.1f}L{frame.path(time, rate)}L{frame.x(time[-1]):.1f} {base:.1f}Z"
    return tag("path", d=outline, **attributes)


def _largest(hill: Hill) -> float:
    return float(np.max(hill.between(-0.15, SHOWN_S[1])[1], initial=0.0)) / 1.05


_PIVOT: Final = (238.0, 112.0)
_ARM: Final = 100.0
_SIZE: Final = (400.0, 252.0)
_SHOULDERS: Final = 46.0
_FIGURE_HEIGHT: Final = 128.0


@dataclass(frozen=True, kw_only=True)
class ArmArc:
    """Angles of the drawn arm from straight down towards the backswing, °: where it started and where it stopped."""

    address_deg: float
    top_deg: float


def arm_arc(swing: SwingView) -> ArmArc | None:
    """The drawn arc of a swing: the top at its height, the address one arc before it; None without both numbers."""
    arc, height = swing.values.get("backswing_arc_deg"), swing.values.get("arm_height_top_deg")
    if arc is None or height is None:
        return None
    return ArmArc(address_deg=90.0 + height - arc, top_deg=90.0 + height)


def arm_picture(
    swings: Sequence[SwingView],
    *,
    picked: str | None,
    lead_side: str,
    texts: Texts,
    alt: str,
    zone: tuple[float, float] | None = None,
    alone: bool = False,
) -> Html:
    """The lead arm's arc seen from in front of the golfer; every shot's top is a tick on the rim.

    One group a swing carries `data-for`, so that the page shows the picked one; `alone` leaves the others out.
    zone: where the top should lie, as angles of the drawn arm from straight down, °. Lead side right is the mirror
    image.
    """
    side = 1.0 if lead_side != "right" else -1.0
    arcs = [(swing, arc) for swing in swings if (arc := arm_arc(swing)) is not None]
    ticks = [_tick(arc.top_deg, side) for swing, arc in arcs if swing.is_shot]
    shown = [(swing, arc) for swing, arc in arcs if not alone or swing.key == picked]
    groups = [_arm_group(swing, arc, side, picked, texts) for swing, arc in shown]
    return tag(
        "svg",
        tag("title", alt),
        _figure(side),
        _parallel(side, texts),
        None if zone is None else _zone(zone, side),
        ticks,
        groups,
        _target(side, texts),
        class_="arm",
        role="img",
        viewBox=f"0 0 {_SIZE[0]:.0f} {_SIZE[1]:.0f}",
    )


def _arm_group(swing: SwingView, arc: ArmArc, side: float, picked: str | None, texts: Texts) -> Html:
    centre, start, end = _at(0.0, 0.0, side), _at(arc.address_deg, _ARM, side), _at(arc.top_deg, _ARM, side)
    span = arc.top_deg - arc.address_deg
    curve = f"A{_ARM:.0f} {_ARM:.0f} 0 {int(span > 180.0)} {1 if side > 0 else 0} {_point(end)}"
    middle = _at(arc.address_deg + span / 2.0, 0.56 * _ARM, side)
    return tag(
        "g",
        tag("path", d=f"M{_point(centre)}L{_point(start)}{curve}Z", class_="sector"),
        tag("path", d=f"M{_point(centre)}L{_point(start)}", class_="arm-address"),
        tag("path", d=f"M{_point(centre)}L{_point(end)}", class_="arm-top"),
        tag("circle", cx=f"{end[0]:.1f}", cy=f"{end[1]:.1f}", r=6, class_="hand"),
        _text(f"{span:.0f}°", middle, class_="span"),
        _text(texts("backswing.address"), _at(arc.address_deg, _ARM + 13.0, side)),
        _text(texts("backswing.top"), _at(arc.top_deg + 13.0, _ARM + 4.0, side)),
        data_for=swing.key,
        hidden=swing.key != picked,
    )


def _zone(zone: tuple[float, float], side: float) -> Html:
    """A stretch of the rim."""
    inner, outer, (low, high) = _ARM + 6.0, _ARM + 23.0, zone
    large, sweep = int(high - low > 180.0), 1 if side > 0 else 0
    there = f"A{outer:.0f} {outer:.0f} 0 {large} {sweep} {_point(_at(high, outer, side))}"
    back = f"A{inner:.0f} {inner:.0f} 0 {large} {1 - sweep} {_point(_at(low, inner, side))}"
    start, turn = _point(_at(low, outer, side)), _point(_at(high, inner, side))
    return tag("path", d=f"M{start}{there}L{turn}{back}Z", class_="goalzone")


def _tick(angle: float, side: float) -> Html:
    line = f"M{_point(_at(angle, _ARM + 9.0, side))}L{_point(_at(angle, _ARM + 20.0, side))}"
    return tag("path", d=line, class_="tick")


def _parallel(side: float, texts: Texts) -> list[Html]:
    """The level of the arm parallel to the ground, with its name under the line's far end."""
    far = _at(90.0, _PIVOT[0] - 6.0, side)
    anchor = "start" if side > 0 else "end"
    name = tag("text", texts("backswing.parallel"), x=f"{far[0]:.1f}", y=far[1] + 15.0, text_anchor=anchor)
    return [tag("path", d=f"M{_point(_at(90.0, 0.0, side))}L{_point(far)}", class_="parallel"), name]


def _figure(side: float) -> Html:
    """A pale figure behind the arc: head, trunk, legs."""
    lead, trail = _x(4, side), _x(-_SHOULDERS - 4, side)
    middle, y = (lead + trail) / 2.0, _PIVOT[1]
    hips, feet = y + 62.0, y + _FIGURE_HEIGHT
    trunk = f"M{trail} {y}H{lead}L{middle + 15 * side} {hips}H{middle - 15 * side}Z"
    legs = f"M{middle - 12} {hips}L{middle - 22} {feet}M{middle + 12} {hips}L{middle + 22} {feet}"
    parts = [tag("circle", cx=middle, cy=y - 32, r=16), tag("path", d=trunk), tag("path", d=legs)]
    return tag("g", parts, class_="figure", aria_hidden="true")


def _target(side: float, texts: Texts) -> Html:
    y = _PIVOT[1] + _FIGURE_HEIGHT
    start, end = _x(84, side), _x(136, side)
    arrow = f"M{start} {y}H{end}M{end - 7 * side} {y - 6}L{end} {y}L{end - 7 * side} {y + 6}"
    words = _text(texts("backswing.target"), ((start + end) / 2.0, y - 13.0))
    return tag("g", tag("path", d=arrow, class_="target"), words)


def _text(text: str, at: tuple[float, float], class_: str | None = None) -> Html:
    return tag("text", text, x=f"{at[0]:.1f}", y=f"{at[1] + 4:.1f}", text_anchor="middle", class_=class_)


def _point(at: tuple[float, float]) -> str:
    return f"{at[0]:.1f} {at[1]:.1f}"


def _at(angle_deg: float, radius: float, side: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return _x(-radius * math.sin(angle), side), _PIVOT[1] + radius * math.cos(angle)


def _x(towards_target: float, side: float) -> float:
    """Horizontal place of a distance from the pivot; the target is on the right for lead side left."""
    middle = _SIZE[0] / 2.0
    return middle + side * (_PIVOT[0] - middle + towards_target)
