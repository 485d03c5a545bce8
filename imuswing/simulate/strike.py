"""The club meets ball or turf: the shock, and what the coach notes.

Sizes, frequencies and shares are assumptions: the shock's size and spectrum at hand and wrist were not found.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from imuswing.recording.model import Event
from imuswing.simulate.golfer import Golfer, Task
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.score import Score, Shock
from imuswing.simulate.truth import Mark
from imuswing.vocabulary import SHOT

OUTCOMES: Final[dict[str, float]] = {
    "pure": 0.45,
    "thin": 0.15,
    "fat": 0.12,
    "toe": 0.08,
    "heel": 0.08,
    "push": 0.06,
    "pull": 0.06,
}
"""Words of the coach and how often they fit."""

TOLD_SHARE: Final = 0.7
NOTED_AFTER_S: Final = (1.0, 4.0)
SIZE_SPREAD: Final = 0.45
"""Spread of the shock's size from shot to shot, of its logarithm."""

SOFT_SHARE, SOFT_SIZE = 0.1, 0.15
"""Share of shots that are hit very softly, and the size of their shock over the usual one."""

BALL_HZ, BALL_DECAY_S = (60.0, 120.0), (0.010, 0.020)
TURF_HZ, TURF_DECAY_S = (25.0, 50.0), 0.025
TURF_BEFORE_BALL_S, TURF_SIZE, BALL_AFTER_TURF = (0.006, 0.025), (0.6, 1.2), 0.4
"""A fat shot: how long before the ball the club meets the ground, how hard, and what is left for the ball."""

BRUSH_SHARE, BRUSH_SIZE, BRUSH_HZ, BRUSH_DECAY_S = 0.5, (0.5, 4.0), (20.0, 40.0), 0.03
"""Practice swings that brush the grass: how many, how hard (m/s² at the hand), and how."""


def strike(score: Score, golfer: Golfer, task: Task, rng: np.random.Generator, mark: Mark, sizes: ErrorSizes) -> Mark:
    """Add a shot's shocks and the coach's row; the mark with its outcome and the size of the ball's shock."""
    outcome = str(rng.choice(list(OUTCOMES), p=list(OUTCOMES.values())))
    size = task.shock * golfer.strength * float(rng.lognormal(0.0, SIZE_SPREAD)) * sizes.shock
    size *= SOFT_SIZE if rng.random() < SOFT_SHARE else 1.0
    frequency = float(rng.uniform(*BALL_HZ)) * (1.2 if outcome == "thin" else 1.0)
    early, turf_hz = float(rng.uniform(*TURF_BEFORE_BALL_S)), float(rng.uniform(*TURF_HZ))
    turf, decay = size * float(rng.uniform(*TURF_SIZE)), float(rng.uniform(*BALL_DECAY_S))
    told = outcome if rng.random() < TOLD_SHARE else None
    noted = mark.impact + float(rng.uniform(*NOTED_AFTER_S))
    score.events.append(Event(onset=noted, duration=0.0, trial_type=SHOT, outcome=told))
    if not sizes.shock:
        return replace(mark, outcome=told)
    if outcome == "fat":
        score.shocks.append(Shock(time=mark.impact - early, size=turf, frequency=turf_hz, decay_s=TURF_DECAY_S))
        size *= BALL_AFTER_TURF
    score.shocks.append(Shock(time=mark.impact, size=size, frequency=frequency, decay_s=decay))
    return replace(mark, outcome=told, peak_shock=size)


def brush(score: Score, golfer: Golfer, rng: np.random.Generator, mark: Mark, sizes: ErrorSizes) -> None:
    """Let a practice swing brush the grass, or not."""
    chance, size, frequency = rng.random(), float(rng.uniform(*BRUSH_SIZE)), float(rng.uniform(*BRUSH_HZ))
    if chance < BRUSH_SHARE and sizes.shock:
        score.shocks.append(
            Shock(time=mark.impact, size=size * golfer.strength, frequency=frequency, decay_s=BRUSH_DECAY_S)
        )
