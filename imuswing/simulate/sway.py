"""Nobody stands still: sway, breathing and tremor, all the time."""

from __future__ import annotations

from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.score import Score
from imuswing.simulate.timeline import STEP_S

SWAY: Final[dict[str, tuple[float, float, float]]] = {
    "forward": (0.002, 0.0, 0.0),
    "right": (0.002, 0.0, 0.0),
    "up": (0.0005, 0.0005, 0.0),
    "heading": (0.15, 0.0, 0.0),
    "pelvis_bend": (0.15, 0.05, 0.0),
    "pelvis_side": (0.10, 0.0, 0.0),
    "pelvis_turn": (0.15, 0.0, 0.0),
    "chest_bend": (0.15, 0.25, 0.0),
    "chest_side": (0.12, 0.0, 0.0),
    "chest_turn": (0.20, 0.0, 0.0),
    "shoulder_flexion": (0.20, 0.10, 0.008),
    "shoulder_across": (0.20, 0.05, 0.008),
    "shoulder_roll": (0.20, 0.0, 0.01),
    "elbow_bend": (0.15, 0.0, 0.01),
    "pronation": (0.25, 0.0, 0.015),
    "wrist_flexion": (0.25, 0.0, 0.02),
    "wrist_ulnar": (0.20, 0.0, 0.02),
}
"""Sway (0.1–0.8 Hz), breathing (0.25 Hz) and tremor (8–11 Hz) of a careful person: standard deviations, ° or m
(assumptions)."""


def _band(count: int, low: float, high: float, rng: np.random.Generator) -> FloatArray:
    """Noise (count,) of unit variance between two frequencies, Hz, without sharp band edges."""
    frequency = np.fft.rfftfreq(count, STEP_S)
    middle, width = np.sqrt(low * high), np.log(high / low) / 2.0
    with np.errstate(divide="ignore"):
        shape = np.exp(-0.5 * (np.log(frequency / middle) / width) ** 2)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * shape, count)
    return np.asarray(noise / np.std(noise))


def add_sway(score: Score, rng: np.random.Generator, *, factor: float) -> None:
    """Add sway, breathing and tremor to all that was played so far, `factor` times a careful person's."""
    count = round(score.timeline.now / STEP_S)
    padded = 1 << int(np.ceil(np.log2(count)))
    breath = _band(padded, 0.22, 0.30, rng)[:count]
    for name, (slow, breathing, tremor) in SWAY.items():
        unit = 1.0 if name in ("forward", "right", "up") else np.radians(1.0)
        values = slow * _band(padded, 0.1, 0.8, rng)[:count] + breathing * breath
        if tremor:
            values = values + tremor * _band(padded, 8.0, 11.0, rng)[:count]
        score.timeline.add_layer(name, 0.0, factor * unit * values)
