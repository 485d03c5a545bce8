"""The gyroscope's scale from turns between rests: it must carry gravity from where it was to where it is."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from imuswing.recording.model import FloatArray

REST_STEP_S: Final = 0.04
STILL_RAD_S: Final = 0.35
"""Slower than this a segment rests (20 deg/s; common practice, no source)."""
LONGEST_TURN_S: Final = 6.0
MOST_TURNS: Final = 100
LEAST_TURN: Final = 0.3
"""Gravity must have moved by this share (17 deg)."""


def scale_between_rests(
    acc: FloatArray, gyr: FloatArray, rate: float, *, gravity: float, guess: float
) -> tuple[float, float] | None:
    """Rad/s in one unit of a gyroscope, and how far off gravity then comes out (rad); None with too few turns.

    acc, gyr: (N, 3) in their own units.  gravity: norm of acc at rest.  guess: rad/s in one unit, within 1.6 times.
    Unlike in `physics.turning`, how the sensor moves through space during a turn does not matter: on simulated lessons
    the scale comes out within 3 %, that of the sensors' own errors.
    """
    step = max(round(REST_STEP_S * rate), 1)
    count = len(acc) // step
    a = acc[: count * step].reshape(count, step, 3).mean(axis=1) / gravity
    w = gyr[: count * step].reshape(count, step, 3).mean(axis=1)
    pairs = _turns(a, w * guess, step / rate)
    if pairs is None:
        return None
    first, last, still = pairs
    chosen = np.unique(np.linspace(0, len(first) - 1, MOST_TURNS).astype(int))
    first, last = first[chosen], last[chosen]
    w = np.nan_to_num(w - np.median(w[still], axis=0))
    scales = guess * np.geomspace(1 / 1.6, 1.6, 65)
    g = np.repeat(_unit(_around(a, first))[:, None, :], len(scales), axis=1)
    for k in range(int((last - first).max())):
        now = first + k
        turn = np.where((now < last)[:, None], w[np.minimum(now, count - 1)], 0.0)
        g = _turned(g, -turn[:, None, :] * scales[None, :, None] * (step / rate))
    off = np.linalg.norm(g - _unit(_around(a, last))[:, None, :], axis=2)
    # A turn during which something else happened (a slip, a lost sample) must not rule: the middle of all turns.
    cost = np.median(off, axis=0)
    best = int(np.argmin(cost))
    return float(scales[best]), float(cost[best])


def _turns(a: FloatArray, w: FloatArray, dt: float) -> tuple[Any, Any, Any] | None:
    """Indices of the last rest before and the first rest after each turn, and which steps are at rest."""
    norm, speed = np.linalg.norm(a, axis=1), np.linalg.norm(w - np.nanmedian(w, axis=0), axis=1)
    with np.errstate(invalid="ignore"):
        quiet = (speed < STILL_RAD_S) & (np.abs(norm - 1.0) < 0.05)
    width = max(round(0.4 / dt), 1)
    still = np.convolve(quiet, np.ones(2 * width + 1), mode="same") > 2 * width + 0.5
    edges = np.flatnonzero(np.diff(still.astype(np.int8)))
    if len(edges) < 3:
        return None
    ends = edges[:-1][still[edges[:-1]]]
    starts = edges[1:][still[edges[:-1]]] + 1
    near = (starts - ends) * dt < LONGEST_TURN_S
    first, last = ends[near], starts[near]
    moved = np.linalg.norm(_around(a, last) - _around(a, first), axis=1) > LEAST_TURN
    return (first[moved], last[moved], still) if np.count_nonzero(moved) >= 3 else None


def _around(a: FloatArray, index: Any) -> FloatArray:
    """Means over five steps around each index."""
    places = np.clip(index[:, None] + np.arange(-2, 3), 0, len(a) - 1)
    means: FloatArray = a[places].mean(axis=1)
    return means


def _unit(vectors: FloatArray) -> FloatArray:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def _turned(vectors: FloatArray, by: FloatArray) -> FloatArray:
    """Vectors turned by rotation vectors (Rodrigues)."""
    angle = np.linalg.norm(by, axis=-1, keepdims=True)
    axis = by / np.where(angle > 0, angle, 1.0)
    along = np.sum(axis * vectors, axis=-1, keepdims=True) * axis
    turned: FloatArray = (
        along + (vectors - along) * np.cos(angle) + np.cross(axis, np.broadcast_to(vectors, axis.shape)) * np.sin(angle)
    )
    return turned
