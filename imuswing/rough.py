"""Where swings are, roughly: found with the leading sensor, or where that was lost, with the next one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from imuswing.body.calibrate import Calibration
from imuswing.cutting import Oriented
from imuswing.orientation.quaternion import rotate
from imuswing.recording.model import BoolArray
from imuswing.sensors.columns import runs
from imuswing.sensors.motion import Motion
from imuswing.settings import Settings
from imuswing.swings.find import COARSE_RATE, Candidate, find_candidates
from imuswing.swings.lead import at_rest, leading_axis, leading_points
from imuswing.vocabulary import LEAD_HAND

LONGEST_FILLED_S = 0.2
"""Over a shorter stretch without samples a swing goes on as it did, so that it can be found (common practice, no
source); what rests on the stretch is null."""


def rough_swings(oriented: Oriented, calibration: Calibration, settings: Settings) -> list[Candidate]:
    """Every movement with the shape of a swing, found with the leading sensor; with the next one where it was lost."""
    found: list[Candidate] = []
    lost: list[list[tuple[float, float]]] = []
    for point in leading_points(oriented.motions):
        seen = _seen_by(point, oriented, calibration, settings)
        found += [c for c in seen if not _shares_time(c, found) and all(_falls_in(c, each, settings) for each in lost)]
        lost.append(_lost_stretches(point, oriented))
        if not lost[-1]:
            break
    return sorted(found, key=lambda c: c.start)


def _shares_time(candidate: Candidate, found: Sequence[Candidate]) -> bool:
    return any(candidate.start < other.back and other.start < candidate.back for other in found)


def _falls_in(candidate: Candidate, stretches: Sequence[tuple[float, float]], settings: Settings) -> bool:
    """Whether one of the stretches hides part of a swing, or of the rest before it."""
    begin = candidate.start - settings.find.quiet_s
    return any(first < candidate.end and begin < last for first, last in stretches)


def _lost_stretches(point: str, oriented: Oriented) -> list[tuple[float, float]]:
    """From when to when, s, a sensor does not show the arm while others still run."""
    motion = oriented.motions[point]
    begin = min(float(other.time[0]) for other in oriented.motions.values())
    end = max(float(other.time[-1]) for other in oriented.motions.values())
    first, last = runs(_long_lost(motion))
    ends = np.minimum(last, len(motion.time) - 1)
    lost = [*zip(motion.time[first].tolist(), motion.time[ends].tolist(), strict=True)]
    around = [(begin, float(motion.time[0])), (float(motion.time[-1]), end)]
    return lost + [(first, last) for first, last in around if last - first > LONGEST_FILLED_S]


def _seen_by(lead: str, oriented: Oriented, calibration: Calibration, settings: Settings) -> list[Candidate]:
    """Every movement with the shape of a swing that one sensor shows."""
    motion = oriented.motions[lead]
    axis = leading_axis(lead, at_rest(motion), calibration.alignments.get(lead))
    index = np.arange(0.0, len(motion.time) - 1.0, motion.rate / COARSE_RATE).astype(int)
    directions = rotate(oriented.coarse[lead][index], axis)
    directions[_long_lost(motion)[index]] = np.nan
    time = motion.time[0] + np.arange(len(index)) / COARSE_RATE
    find = settings.find
    if lead == LEAD_HAND:
        find = replace(find, return_share=find.hand_return_share)
    found = find_candidates(time, directions, settings=find)
    # A wrist that is bent again and again looks like swings to the hand.
    return [replace(c, lead=lead) for c in found if not any(start <= c.top <= end for start, end in calibration.spans)]


def _long_lost(motion: Motion) -> BoolArray:
    """(N,) samples in unusable stretches so long that what fills them does not show even a swing's shape."""
    lost = np.zeros(len(motion.time), dtype=np.bool_)
    for first, last in zip(*(edge.tolist() for edge in runs(motion.unusable)), strict=True):
        lost[first:last] = last - first > LONGEST_FILLED_S * motion.rate
    return lost
