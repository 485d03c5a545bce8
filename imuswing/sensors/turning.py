"""Does gravity turn in the sensor as the gyroscope says? A check of units, axes and scale that needs only rests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import exp, inverse, multiply, normalise, rotate
from imuswing.recording.model import FloatArray
from imuswing.sensors.clean import Clean

LONGEST_S = 20.0
"""Between two rests no longer than this is integrated."""

LEAST_TURN_DEG = 20.0
"""Gravity must have turned by this between two rests for the pair to tell anything."""

MOST_PAIRS = 24
STEP_S = 0.01
"""Increments are summed over this before they are chained."""

RAD_PER_DEG = float(np.radians(1.0))
SCALES = (1.0, RAD_PER_DEG, 1.0 / RAD_PER_DEG)
"""As it stands; °/s read as rad/s; rad/s read as °/s."""


@dataclass(frozen=True, kw_only=True)
class Turning:
    """pairs: rests compared.  mismatch_deg: median angle between gravity measured and carried, for each of `SCALES`;
    None without a pair.  gravity_turn_deg: how far gravity turned in the median pair."""

    pairs: int
    mismatch_deg: tuple[float, ...] | None
    gravity_turn_deg: float | None


def check_turning(sensor: Clean) -> Turning:
    """Carry gravity from rest to rest with the gyroscope, at each of the scales that a mistaken unit would need."""
    rests = sensor.rest.stretches
    if len(rests) < 2:
        return Turning(pairs=0, mismatch_deg=None, gravity_turn_deg=None)
    down = rests.acc / np.linalg.norm(rests.acc, axis=1, keepdims=True)
    turned = np.degrees(np.arccos(np.clip(np.sum(down[:-1] * down[1:], axis=1), -1.0, 1.0)))
    first, last = rests.last[:-1], rests.first[1:]
    bad = np.concatenate(([0], np.cumsum(sensor.unusable)))
    fit = (turned >= LEAST_TURN_DEG) & (last - first < LONGEST_S * sensor.rate) & (bad[last] == bad[first])
    chosen = np.flatnonzero(fit)
    chosen = chosen[np.argsort(-turned[chosen])][:MOST_PAIRS]
    if len(chosen) == 0:
        return Turning(pairs=0, mismatch_deg=None, gravity_turn_deg=None)
    steps = [_summed(sensor, int(first[k]) - 1, int(last[k]) + 1) for k in chosen]
    padded = np.zeros((len(steps), max(len(step) for step in steps), 3))
    for row, step in enumerate(steps):
        padded[row, : len(step)] = step
    mismatch = []
    for scale in SCALES:
        carried = rotate(inverse(_chain(exp(scale * padded))), down[chosen])
        cosine = np.clip(np.sum(carried * down[chosen + 1], axis=1), -1.0, 1.0)
        mismatch.append(float(np.degrees(np.median(np.arccos(cosine)))))
    return Turning(pairs=len(chosen), mismatch_deg=tuple(mismatch), gravity_turn_deg=float(np.median(turned[chosen])))


def _summed(sensor: Clean, first: int, last: int) -> FloatArray:
    """Rotation vectors (M, 3) over spans of about STEP_S of samples [first, last)."""
    first = max(first, 0)
    size = max(round(STEP_S * sensor.rate), 1)
    edges = np.arange(first, last, size)
    return np.asarray(np.add.reduceat(sensor.means[:last], edges, axis=0)[: len(edges)] / sensor.rate)


def _chain(quaternions: FloatArray) -> FloatArray:
    """Product q0·q1·… (P, 4) along the second axis of (P, M, 4), by halves."""
    while quaternions.shape[1] > 1:
        if quaternions.shape[1] % 2:
            rest = np.zeros((len(quaternions), 1, 4))
            rest[..., 0] = 1.0
            quaternions = np.concatenate((quaternions, rest), axis=1)
        quaternions = multiply(quaternions[:, ::2], quaternions[:, 1::2])
    return normalise(quaternions[:, 0])
