"""Sensors that are worn in each other's places, or named so: the farther out on the arm, the more it moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imuswing.recording.model import FloatArray
from imuswing.sensors.checks import named
from imuswing.sensors.columns import magnitude
from imuswing.sensors.motion import Motion, Warning
from imuswing.sensors.settings import SensorSettings
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND

STRETCH_S = 5.0
"""A sensor in somebody's hands is fast in a few stretches of this length, a limb in many (common practice, no
source)."""
LEAST_SURE_S = 30.0
"""In less (a window of a live recording) somebody may well hold the arms still and turn (common practice, no
source)."""
BLOCK_S = 0.2
"""Turning and rest are told apart over so long: clocks agree to less."""


@dataclass(frozen=True, kw_only=True)
class Swap:
    """Two sensors in each other's places.  sure: so clearly that nothing of either can be told."""

    points: tuple[str, str]
    sure: bool
    warning: Warning


def find_swap(motions: Mapping[str, Motion], *, settings: SensorSettings) -> Swap | None:
    """The first pair of sensors that seem swapped; motions: by tracked point, on one clock."""
    outers = [point for point in (LEAD_HAND, LEAD_FOREARM) if point in motions]
    if CHEST in motions and outers:
        chest = _fast(motions[CHEST])
        for outer in outers:
            arm = _fast(motions[outer])
            if chest[0] > settings.swapped_ratio * arm[0]:
                text = f"the {CHEST} sensor moves faster than the {named(outer)} sensor"
                long = motions[CHEST].time[-1] - motions[CHEST].time[0] > LEAST_SURE_S
                return _swap(CHEST, outer, text, sure=bool(long) and chest[1] > arm[1])
    if LEAD_FOREARM in motions and LEAD_HAND in motions:
        forearm_alone, hand_alone = _alone_s(motions[LEAD_FOREARM], motions[LEAD_HAND], settings)
        if forearm_alone > max(settings.swapped_rest_s, settings.swapped_rest_share * hand_alone):
            text = "the lead forearm sensor turns while the lead hand sensor rests, which no arm does"
            return _swap(LEAD_FOREARM, LEAD_HAND, text, sure=True)
    return None


def _swap(one: str, other: str, text: str, *, sure: bool) -> Swap:
    swapped = f"{named(one)} and {named(other)} are swapped, on the body or in `tracked_point`"
    do = f"check whether {swapped}; both are left out until then" if sure else f"check whether {swapped}"
    return Swap(points=(one, other), sure=sure, warning=Warning(level="problem", text=text, do=do, tracked_point=other))


def _fast(motion: Motion) -> tuple[float, float]:
    """Speeds in rad/s that the sensor passes in half a percent of its time, and in a quarter of its stretches."""
    speed = magnitude(motion.gyr)
    size = max(round(STRETCH_S * motion.rate), 1)
    peaks = np.maximum.reduceat(speed, np.arange(0, len(speed), size))
    return float(np.quantile(speed, 0.995)), float(np.quantile(peaks, 0.75))


def _alone_s(forearm: Motion, hand: Motion, settings: SensorSettings) -> tuple[float, float]:
    """How long the forearm turns while the hand rests, and the other way round, s."""
    first = max(forearm.time[0], hand.time[0])
    last = min(forearm.time[-1], hand.time[-1])
    edges = np.arange(first, last, BLOCK_S)
    if len(edges) < 2:
        return 0.0, 0.0
    one, other = _mean_speeds(forearm, edges), _mean_speeds(hand, edges)
    least, ratio = np.radians(settings.swapped_rest_dps), settings.swapped_rest_ratio
    alone = [np.count_nonzero((a > least) & (a > ratio * b)) for a, b in ((one, other), (other, one))]
    return BLOCK_S * float(alone[0]), BLOCK_S * float(alone[1])


def _mean_speeds(motion: Motion, edges: FloatArray) -> FloatArray:
    """Mean speed (B - 1,) in rad/s between edges (B,) in s."""
    at = np.searchsorted(motion.time, edges)
    running = np.concatenate(([0.0], np.cumsum(magnitude(motion.gyr))))
    return np.asarray((running[at[1:]] - running[at[:-1]]) / np.maximum(np.diff(at), 1))
