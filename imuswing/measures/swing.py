"""Rows and curves of swings from their segments in motion and their moments."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from imuswing.body.segments import SegmentMotion
from imuswing.measures import rates as trunk
from imuswing.measures.curves import Curves, swing_curves
from imuswing.measures.pose import Estimate, SoftTissue, SwingMotion, estimate_all, left_out
from imuswing.measures.rates import RateSettings, TrunkRates
from imuswing.swings.events import Moments
from imuswing.vocabulary import CHEST, LEAD_FOREARM, PELVIS, LeadSide

TOGETHER = 32
"""Curves of so many swings are worked out at a time: enough to pay, few enough for the processor's cache."""
UNKNOWN = Estimate(value=math.nan, se=math.nan)
"""What cannot be measured."""


@dataclass(frozen=True, kw_only=True)
class MeasureSettings:
    """Everything that turns a swing in motion into numbers.

    full_top_height_deg: the student's arm height at a full top; None takes it from their own full shots.
    worst_angle, worst_rate: standard errors (rad, rad/s) past which a measure is null: it would mislead.
    """

    rates: RateSettings = field(default_factory=RateSettings)
    soft: SoftTissue = field(default_factory=SoftTissue)
    full_top_height_deg: float | None = None
    worst_angle: float = float(np.deg2rad(15.0))
    worst_rate: float = float(np.deg2rad(60.0))


def trunk_rates(swing: SwingMotion, *, lead_side: LeadSide, settings: MeasureSettings) -> dict[str, TrunkRates]:
    """Smoothed rates of chest and pelvis, by tracked point."""
    return {
        point: trunk.smooth_rates(swing.segments[point], lead_side=lead_side, settings=settings.rates)
        for point in (CHEST, PELVIS)
        if point in swing.segments
    }


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Result columns of section "measures" of one swing (degrees and seconds), the flags that explain what is null, and
    its curves."""

    row: dict[str, float | str | None]
    flags: list[str]
    curves: Curves


def measure_swings(swings: Sequence[SwingMotion], *, lead_side: LeadSide, settings: MeasureSettings) -> list[Measured]:
    """All that is measured of each swing; what can be is worked out for all of them together."""
    angles = estimate_all(swings, lead_side=lead_side, soft=settings.soft)
    rates = [trunk_rates(swing, lead_side=lead_side, settings=settings) for swing in swings]
    tilts = _tilt_rates(swings, rates, lead_side, settings)
    told = [_measured(swing, angles[k], rates[k], tilts.get(k), settings) for k, swing in enumerate(swings)]
    curves: list[Curves] = []
    for first in range(0, len(swings), TOGETHER):
        part = slice(first, first + TOGETHER)
        curves += swing_curves(swings[part], rates[part], lead_side=lead_side)
    return [Measured(row=row, flags=flags, curves=curve) for (row, flags), curve in zip(told, curves, strict=True)]


def _tilt_rates(
    swings: Sequence[SwingMotion],
    rates: Sequence[Mapping[str, TrunkRates]],
    lead_side: LeadSide,
    settings: MeasureSettings,
) -> dict[int, Estimate]:
    """By the swing's number, the shoulder tilt's rate at impact, of those with a chest."""
    held = [k for k, swing in enumerate(swings) if CHEST in swing.segments]
    if not held:
        return {}
    found = trunk.tilt_rates_at_impact(
        [swings[k].segments[CHEST] for k in held],
        [rates[k][CHEST] for k in held],
        [swings[k].moments for k in held],
        lead_side=lead_side,
        settings=settings.rates,
    )
    return dict(zip(held, found, strict=True))


def _measured(
    swing: SwingMotion,
    angles: Mapping[str, Estimate],
    rates: Mapping[str, TrunkRates],
    tilt_rate: Estimate | None,
    settings: MeasureSettings,
) -> tuple[dict[str, float | str | None], list[str]]:
    row: dict[str, float | str | None] = {}
    flags: list[str] = []
    for name, estimate in angles.items():
        if not _put(row, f"{name}_deg", estimate, math.degrees(1.0), settings.worst_angle):
            flags.append(f"{name}_too_uncertain")
    flags += [f"{name}_too_uncertain" for name in left_out(swing, angles)]
    for point, smoothed in rates.items():
        _put_trunk_rates(row, flags, point, swing, smoothed, settings)
    if tilt_rate is not None:
        tilt_rate = UNKNOWN if _at_impact_spoilt(swing, CHEST, settings) else tilt_rate
        _put(row, "shoulder_tilt_rate_impact_dps", tilt_rate, math.degrees(1.0), settings.worst_rate)
    if LEAD_FOREARM in swing.segments:
        _put_tempo(row, swing.moments)
    flags += _sample_flags(swing)
    return row, flags


def _put(
    row: dict[str, float | str | None], name: str, estimate: Estimate, factor: float, worst: float = math.inf
) -> bool:
    """Write value and standard error; null both where the error is past `worst` or not a number."""
    good = math.isfinite(estimate.value) and math.isfinite(estimate.se) and estimate.se <= worst
    row[name] = estimate.value * factor if good else None
    row[f"{name}_se"] = estimate.se * factor if good else None
    return good


def _put_trunk_rates(
    row: dict[str, float | str | None],
    flags: list[str],
    point: str,
    swing: SwingMotion,
    rates: TrunkRates,
    settings: MeasureSettings,
) -> None:
    segment, moments, to_deg = swing.segments[point], swing.moments, math.degrees(1.0)
    worst, impact = settings.worst_rate, moments.impact
    at_impact = UNKNOWN
    if not _at_impact_spoilt(swing, point, settings):
        at_impact = trunk.turn_rate_at_impact(segment, rates, moments, settings=settings.rates)
    if not _put(row, f"{point}_turn_rate_impact_dps", at_impact, to_deg, worst):
        flags.append(f"{point}_turn_rate_too_uncertain")
    if point == PELVIS:
        return
    fastest, slowest = UNKNOWN, UNKNOWN
    if not _spoilt(segment, moments.top, impact):
        fastest = trunk.fastest_before(segment, rates, moments, settings=settings.rates)
    if not _spoilt(segment, impact - settings.rates.before_s, impact + settings.rates.after_s):
        slowest = trunk.slowest_through(segment, rates, moments, settings=settings.rates)
    _put(row, "chest_turn_rate_peak_dps", fastest, to_deg, worst)
    _put(row, "chest_turn_rate_min_dps", slowest, to_deg, worst)
    if fastest is UNKNOWN or slowest is UNKNOWN:
        return
    ratio = trunk.continuity(slowest, fastest, settings=settings.rates)
    if ratio is None:
        flags.append("chest_hardly_turned")
    else:
        _put(row, "chest_continuity", ratio, 1.0)
    row["chest_verdict"] = trunk.verdict(ratio, settings=settings.rates)
    row["chest_stall_probability"] = trunk.stall_probability(slowest, fastest, settings=settings.rates)


def _spoilt(segment: SegmentMotion, start: float, end: float) -> bool:
    """Whether samples that are not to be believed lie between two times, s."""
    first, last = segment.time.searchsorted((start, end)).tolist()
    return bool(segment.unusable[max(first - 1, 0) : last + 1].any())


def _at_impact_spoilt(swing: SwingMotion, point: str, settings: MeasureSettings) -> bool:
    """The same, so near to impact that a rate there rests on them."""
    reach, impact = 2.0 * settings.rates.smoothing_s, swing.moments.impact
    return _spoilt(swing.segments[point], impact - reach, impact + reach)


def _put_tempo(row: dict[str, float | str | None], moments: Moments) -> None:
    back, down = moments.top - moments.takeaway, moments.impact - moments.top
    back_se = math.hypot(moments.top_se, moments.takeaway_se)
    down_se = math.hypot(moments.impact_se, moments.top_se)
    _put(row, "backswing_s", Estimate(value=back, se=back_se), 1.0)
    _put(row, "downswing_s", Estimate(value=down, se=down_se), 1.0)
    if down <= 0.0:
        return
    ratio = back / down
    # The top is in both: its error moves them in opposite ways.
    by_top = (1.0 + ratio) * moments.top_se
    se = math.sqrt(moments.takeaway_se**2 + by_top**2 + (ratio * moments.impact_se) ** 2) / down
    _put(row, "tempo_ratio", Estimate(value=ratio, se=se), 1.0)


def _sample_flags(swing: SwingMotion) -> list[str]:
    flags = []
    for point, segment in swing.segments.items():
        first = segment.time.searchsorted(swing.moments.address)
        during = slice(first, segment.time.searchsorted(swing.moments.impact + 0.15, "right"))
        if segment.unusable[during].any():
            flags.append(f"{point}_samples_unusable")
        elif segment.bridged[during].any():
            flags.append(f"{point}_samples_bridged")
    return flags
