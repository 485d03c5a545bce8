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
        tag("circle", cx=f"{frame.x(0.0):.1f}", cy=f"{zero:.1f}", r=f"{height / 20:.1f}", class_="ball"),
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


_PIVOT: Final = (214.0, 112.0)
_ARM: Final = 92.0
_SIZE: Final = (360.0, 250.0)


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


def arm_picture(swings: Sequence[SwingView], *, picked: str | None, lead_side: str, texts: Texts, alt: str) -> Html:
    """The lead arm's arc seen from in front of the golfer; every shot's top is a tick on the rim.

    One group a swing carries `data-for`, so that the page shows the picked one. Lead side right is the mirror image.
    """
    side = 1.0 if lead_side != "right" else -1.0
    arcs = [(swing, arc) for swing in swings if (arc := arm_arc(swing)) is not None]
    ticks = [_tick(arc.top_deg, side) for swing, arc in arcs if swing.is_shot]
    groups = [_arm_group(swing, arc, side, picked, texts) for swing, arc in arcs]
    parallel_end = _at(90.0, _ARM + 24.0, side)
    parallel = [
        tag("path", d=f"M{_x(0, side):.0f} {_PIVOT[1]}H{parallel_end[0]:.1f}", class_="parallel"),
        _label(texts("backswing.parallel"), *_at(90.0, _ARM + 26.0, side), side, dy=-7, outward=-1),
    ]
    return tag(
        "svg",
        tag("title", alt),
        _figure(side),
        parallel,
        ticks,
        groups,
        _target(side, texts),
        class_="arm",
        role="img",
        viewBox=f"0 0 {_SIZE[0]:.0f} {_SIZE[1]:.0f}",
    )


def _arm_group(swing: SwingView, arc: ArmArc, side: float, picked: str | None, texts: Texts) -> Html:
    start, end = _at(arc.address_deg, _ARM, side), _at(arc.top_deg, _ARM, side)
    large = int(arc.top_deg - arc.address_deg > 180.0)
    sweep = 1 if side > 0 else 0
    centre = (_x(0, side), _PIVOT[1])
    sector = (
        f"M{centre[0]:.1f} {centre[1]:.1f}L{start[0]:.1f} {start[1]:.1f}"
        f"A{_ARM:.0f} {_ARM:.0f} 0 {large} {sweep} {end[0]:.1f} {end[1]:.1f}Z"
    )
    return tag(
        "g",
        tag("path", d=sector, class_="sector"),
        tag("path", d=f"M{centre[0]:.1f} {centre[1]:.1f}L{start[0]:.1f} {start[1]:.1f}", class_="arm-address"),
        tag("path", d=f"M{centre[0]:.1f} {centre[1]:.1f}L{end[0]:.1f} {end[1]:.1f}", class_="arm-top"),
        tag("circle", cx=f"{end[0]:.1f}", cy=f"{end[1]:.1f}", r=6, class_="hand"),
        _label(texts("backswing.address"), *_at(arc.address_deg, _ARM + 14.0, side), side, outward=1),
        _label(texts("backswing.top"), *_at(arc.top_deg, _ARM + 18.0, side), side, outward=-1),
        data_for=swing.key,
        hidden=swing.key != picked,
    )


def _tick(angle: float, side: float) -> Html:
    (x1, y1), (x2, y2) = _at(angle, _ARM + 2.0, side), _at(angle, _ARM + 11.0, side)
    return tag("path", d=f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}", class_="tick")


def _figure(side: float) -> Html:
    """A pale figure behind the arc: head, shoulders, trunk, legs."""
    lead, trail = _x(0, side), _x(-44, side)
    middle = (lead + trail) / 2.0
    y = _PIVOT[1]
    body = f"M{trail} {y}H{lead}M{middle} {y}V{y + 66}M{middle - 18} {y + 66}H{middle + 18}"
    legs = f"M{middle - 18} {y + 66}L{middle - 26} {y + 126}M{middle + 18} {y + 66}L{middle + 26} {y + 126}"
    return tag(
        "g", tag("circle", cx=middle, cy=y - 30, r=17), tag("path", d=body + legs), class_="figure", aria_hidden="true"
    )


def _target(side: float, texts: Texts) -> Html:
    y = _SIZE[1] - 12.0
    start, end = _x(52, side), _x(96, side)
    head = f"M{end - 6 * side} {y - 5}L{end} {y}L{end - 6 * side} {y + 5}"
    return tag(
        "g",
        tag("path", d=f"M{start} {y}H{end}{head}", class_="target"),
        tag("text", texts("backswing.target"), x=(start + end) / 2.0, y=y - 9, text_anchor="middle"),
    )


def _label(text: str, x: float, y: float, side: float, *, outward: int, dy: float = 4) -> Html:
    """Text that starts at a point and runs away from it: outward +1 to the target, -1 away from it."""
    anchor = "start" if outward * side > 0 else "end"
    return tag("text", text, x=f"{x:.1f}", y=f"{y + dy:.1f}", text_anchor=anchor)


def _at(angle_deg: float, radius: float, side: float) -> tuple[float, float]:
    angle = math.radians(angle_deg)
    return _x(-radius * math.sin(angle), side), _PIVOT[1] + radius * math.cos(angle)


def _x(towards_target: float, side: float) -> float:
    """Horizontal place of a distance from the pivot; the target is on the right for lead side left."""
    middle = _SIZE[0] / 2.0
    return middle + side * (_PIVOT[0] - middle + towards_target)
