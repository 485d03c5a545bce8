"""Does gravity turn in the sensor as the gyroscope says? A check of units, axes and scale that needs only rests."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import exp, inverse, multiply, normalise, rotate
from imuswing.recording.model import FloatArray, IntArray
from imuswing.sensors.clean import Clean
from imuswing.sensors.columns import magnitude

LONGEST_S = 20.0
"""Between two rests no longer than this is integrated."""

LEAST_TURN_DEG, LEAST_PATH_DEG = 20.0, 60.0
"""Between two rests gravity must have turned by the first, or the sensor in all by the second, for the pair to tell
anything: a swing ends near where it began, and yet has turned by much on the way."""

MOST_PAIRS, LEAST_PAIRS = 24, 3
STEP_S = 0.01
"""Increments are summed over this before they are chained."""

RAD_PER_DEG = float(np.radians(1.0))

LOOKED_INTO_DEG = 6.0
"""A smaller mean mismatch is not looked into. Of 180 sensors of 60 simulated lessons, half of them with large errors,
none has more than 4.0°; of all other orders of their axes, 8460, one has less than 6°."""
CLEARLY_BETTER = 2.5
"""Another reading of the rows must leave so much less of the mismatch (common practice, no source): in 72 sensors of
the second simulator, whose worst has 8.5°, none does."""

SIGNED_AXES = tuple(
    np.array(np.diag(signs) @ np.eye(3)[list(order)])
    for order in itertools.permutations(range(3))
    for signs in itertools.product((1.0, -1.0), repeat=3)
)
"""All 48 ways to order and turn three axes."""

SCALES = (RAD_PER_DEG, 1.0 / RAD_PER_DEG, *np.exp2(np.arange(-24, 25) / 12.0).tolist())
"""°/s read as rad/s; rad/s read as °/s; a range, a unit of the last digit or a rate that is wrong by up to four
times."""


def axes_in_words(axes: FloatArray) -> str:
    """Signed axes (3, 3) as what stands for x, y and z."""
    largest = np.argmax(np.abs(axes), axis=1).tolist()
    return ", ".join(("-" if axes[row, k] < 0 else "") + "xyz"[k] for row, k in enumerate(largest))


@dataclass(frozen=True, kw_only=True)
class Misread:
    """What the gyroscope's rows would have to be for gravity to turn as it does: other axes, or another scale.

    axes: what should stand for x, y, z; None where only the scale is wrong.  scale: true rate over what is read.
    mismatch_deg: mean of what would remain.
    """

    axes: str | None
    scale: float
    mismatch_deg: float


@dataclass(frozen=True, kw_only=True)
class Turning:
    """pairs: rests compared.  mismatch_deg: median angle between gravity measured and carried, None without a pair.
    misread: what is wrong with the rows, None where nothing is or it cannot be told."""

    pairs: int
    mismatch_deg: float | None
    misread: Misread | None = None


@dataclass(frozen=True, kw_only=True)
class _Pairs:
    """Pairs of rests. before, after: (P, 3) gravity's direction.  steps: (P, M, 3) rotation vectors between them."""

    before: FloatArray
    after: FloatArray
    steps: FloatArray

    def mismatch_deg(self, change: FloatArray) -> FloatArray:
        """(P,) angles between gravity measured and carried, with the rows changed by (3, 3)."""
        carried = rotate(inverse(_chain(exp(self.steps @ change.T))), self.before)
        return np.degrees(np.arccos(np.clip(np.sum(carried * self.after, axis=1), -1.0, 1.0)))


def check_turning(sensor: Clean) -> Turning:
    """Carry gravity from rest to rest with the gyroscope; where that fails, look for axes or a scale with which it does
    not."""
    pairs = _pairs(sensor)
    if pairs is None:
        return Turning(pairs=0, mismatch_deg=None)
    as_read = pairs.mismatch_deg(np.eye(3))
    mean, count = float(np.mean(as_read)), len(as_read)
    misread = None
    if count >= LEAST_PAIRS and mean > LOOKED_INTO_DEG:
        best = min(_other_readings(pairs), key=lambda other: other.mismatch_deg)
        misread = best if mean > CLEARLY_BETTER * best.mismatch_deg else None
    return Turning(pairs=count, mismatch_deg=float(np.median(as_read)), misread=misread)


def _other_readings(pairs: _Pairs) -> Iterable[Misread]:
    for axes in SIGNED_AXES:
        left = float(np.mean(pairs.mismatch_deg(axes)))
        yield Misread(axes=axes_in_words(axes), scale=1.0, mismatch_deg=left)
    for scale in SCALES:
        left = float(np.mean(pairs.mismatch_deg(scale * np.eye(3))))
        yield Misread(axes=None, scale=scale, mismatch_deg=left)


def _pairs(sensor: Clean) -> _Pairs | None:
    """The pairs of successive rests that tell most."""
    rests = sensor.rest.stretches
    if len(rests) < 2:
        return None
    down = rests.acc / np.linalg.norm(rests.acc, axis=1, keepdims=True)
    turned = np.degrees(np.arccos(np.clip(np.sum(down[:-1] * down[1:], axis=1), -1.0, 1.0)))
    first, last = rests.last[:-1], rests.first[1:]
    path = np.degrees(_running(magnitude(sensor.means)) / sensor.rate)
    path = path[last] - path[first]
    bad = _running(sensor.unusable)
    fit = (turned >= LEAST_TURN_DEG) | (path >= LEAST_PATH_DEG)
    fit &= (last - first < LONGEST_S * sensor.rate) & (bad[last] == bad[first])
    chosen = np.flatnonzero(fit)
    chosen = chosen[np.argsort(-np.maximum(turned, path)[chosen])][:MOST_PAIRS]
    if len(chosen) == 0:
        return None
    return _Pairs(before=down[chosen], after=down[chosen + 1], steps=_between(sensor, first[chosen], last[chosen]))


def _running(values: FloatArray | np.ndarray) -> FloatArray:
    return np.concatenate(([0.0], np.cumsum(values)))


def _between(sensor: Clean, first: IntArray, last: IntArray) -> FloatArray:
    """(P, M, 3) rotation vectors over spans of about STEP_S between samples (P,), zeros after a span's end."""
    steps = [_summed(sensor, start - 1, end + 1) for start, end in zip(first.tolist(), last.tolist(), strict=True)]
    padded = np.zeros((len(steps), max(len(step) for step in steps), 3))
    for row, step in enumerate(steps):
        padded[row, : len(step)] = step
    return padded


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
