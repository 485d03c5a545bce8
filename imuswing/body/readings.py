"""What the calibration routine's steps show each sensor: gravity where it is still, the axis where it turns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.body.steps import (
    SEARCH_MARGIN_S,
    StillReading,
    TurningReading,
    read_still,
    read_turning,
    step_interval,
)
from imuswing.recording.model import Event
from imuswing.sensors.motion import Motion
from imuswing.vocabulary import BOW, CALIBRATION_STEPS, CLUB_HANG, FOREARM_ROLL, STAND, TABLE, TRUNK_POINTS

LEAST_UPRIGHT = float(np.cos(np.deg2rad(20.0)))
"""A trunk that stands farther from as it does before bowing does not stand upright (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Everything that the steps showed, by step and tracked point."""

    still: Mapping[tuple[str, str], StillReading]
    turning: Mapping[tuple[str, str], TurningReading]


def read_steps(motions: Mapping[str, Motion], events: Sequence[Event]) -> Readings:
    """Read every calibration step in the events for every sensor; of a step done twice the later reading counts."""
    still: dict[tuple[str, str], StillReading] = {}
    turning: dict[tuple[str, str], TurningReading] = {}
    for event in events:
        if event.trial_type not in CALIBRATION_STEPS:
            continue
        start, end = step_interval(event)
        for point, motion in motions.items():
            key = (event.trial_type, point)
            if event.trial_type in (STAND, TABLE, CLUB_HANG):
                reading = read_still(motion, start, end) or read_still(
                    motion, start - SEARCH_MARGIN_S, end + SEARCH_MARGIN_S
                )
                if reading is not None:
                    still[key] = reading
            else:
                turned = read_turning(motion, start, end, free_about_vertical=event.trial_type == FOREARM_ROLL)
                if turned is not None:
                    turning[key] = turned
                # A repeated movement starts from stillness: gravity there tells which way it went.
                before = read_still(motion, start - 2 * SEARCH_MARGIN_S, start + SEARCH_MARGIN_S)
                if before is not None:
                    still[key] = before
    if any(_not_upright(still, point) for point in TRUNK_POINTS):
        still = {key: reading for key, reading in still.items() if key[0] != STAND}
    return Readings(still=still, turning=turning)


def _not_upright(still: Mapping[tuple[str, str], StillReading], point: str) -> bool:
    """Whether a trunk stands far from as it does before the bows, which start upright: the mark is somewhere else."""
    stand, before = still.get((STAND, point)), still.get((BOW, point))
    return stand is not None and before is not None and float(stand.up @ before.up) < LEAST_UPRIGHT
