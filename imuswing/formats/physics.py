"""What numbers are, told by physics: gravity is what an accelerometer at rest shows, and turning moves it.

At rest the norm of an accelerometer is that of gravity whatever the mount, so it tells the unit. In slow movement
gravity turns in the sensor as d(a)/dt = −ω × a, so the slope of the left side on the right tells the gyroscope's unit,
and how well both agree tells whether the axes of the two belong together. Both follow from the kinematics of a turning
frame; nothing is assumed about the person.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.recording.model import FloatArray
from imuswing.sensors.turning import SIGNED_AXES, axes_in_words
from imuswing.vocabulary import STANDARD_GRAVITY

WINDOW_S: Final = 0.2
QUIET_SHARE: Final = 0.2
"""The quietest fifth of all windows is taken as rest (a lesson is mostly standing about; common practice)."""
MOST_WINDOWS: Final = 40_000
NEAR_GRAVITY: Final = 0.1
"""Windows whose norm is within this share of gravity are slow movement."""
CLEAR_AGREEMENT: Final = 0.5
CLEARLY_BETTER: Final = 0.03
"""On 48 simulated sensors no other order of axes agreed better than the true one; wrong ones agreed less by 0.04."""
SURE_AGREEMENT: Final = 0.8
SURELY_BETTER: Final = 0.15
"""Without rests to confirm it: on 14 open recordings of real sensors that never rest, no true order fails this."""


@dataclass(frozen=True, kw_only=True)
class Turning:
    """How gyroscope and accelerometer agree.  slope: rad/s in one unit of the gyroscope.  agreement: correlation.

    better: signs and order of the gyroscope's axes that would agree better, None where there are none; sure: so much
    better that nothing else needs to confirm it.
    """

    slope: float
    agreement: float
    better: str | None = None
    sure: bool = False


def windows(values: FloatArray, rate: float) -> FloatArray:
    """(M, 3) means over windows of WINDOW_S; those with lost samples NaN."""
    width = max(round(WINDOW_S * rate), 1)
    count = min(len(values) // width, MOST_WINDOWS)
    means: FloatArray = values[: count * width].reshape(count, width, 3).mean(axis=1)
    return means


@dataclass(frozen=True, kw_only=True)
class Rest:
    """A triad at rest.  norm: median of its norm.  spread: of its norm over rest, as a share.  peak: largest norm."""

    norm: float
    spread: float
    peak: float


def at_rest(values: FloatArray, rate: float, *, quiet: FloatArray | None = None) -> Rest | None:
    """How large a triad is in the quietest windows; None where there are too few.

    quiet: (M,) size of the movement by window; without it the triad's own change from window to window.
    """
    means = windows(values, rate)
    if len(means) < 10:
        return None
    moving = change(means) if quiet is None else quiet[: len(means)]
    good = np.flatnonzero(np.isfinite(moving) & np.isfinite(means).all(axis=1))
    if len(good) < 10:
        return None
    chosen = good[np.argsort(moving[good])[: max(int(QUIET_SHARE * len(good)), 10)]]
    norms = np.linalg.norm(means[chosen], axis=1)
    middle = float(np.median(norms))
    spread = float(np.subtract(*np.percentile(norms, [90, 10])))
    peak = float(np.nanmax(np.linalg.norm(values, axis=1)))
    return Rest(norm=middle, spread=spread / middle if middle > 0 else math.inf, peak=peak)


def change(means: FloatArray) -> FloatArray:
    """(M,) change of a triad around each window."""
    steps = np.linalg.norm(np.diff(means, axis=0, prepend=means[:1]), axis=1)
    around: FloatArray = np.maximum(steps, np.append(steps[1:], steps[-1:]))
    return around


def turning(acc: FloatArray, gyr: FloatArray, rate: float, *, gravity: float, axes: bool = True) -> Turning | None:
    """The kinematics of gravity in a turning sensor; None where there is too little slow movement to tell.

    acc, gyr: (N, 3) in their own units.  gravity: norm of acc at rest in its unit.
    axes: try the other orders of axes too.
    """
    a, w = windows(acc, rate) / gravity, windows(gyr, rate)
    step = max(round(WINDOW_S * rate), 1) / rate
    if len(a) < 20:
        return None
    derivative = (a[2:] - a[:-2]) / (2.0 * step)
    middle = (a[2:] + a[1:-1] + a[:-2]) / 3.0
    rates = (w[2:] + w[1:-1] * 2.0 + w[:-2]) / 4.0
    near = np.abs(np.linalg.norm(a, axis=1) - 1.0) < NEAR_GRAVITY
    with np.errstate(invalid="ignore"):
        slow = near[2:] & near[1:-1] & near[:-2] & (np.linalg.norm(derivative, axis=1) < 3.0)
    finite = np.isfinite(derivative).all(axis=1) & np.isfinite(rates).all(axis=1) & np.isfinite(middle).all(axis=1)
    chosen = slow & finite
    if np.count_nonzero(chosen) < 20:
        return None
    y, a0, w0 = derivative[chosen], middle[chosen], rates[chosen]
    w0 = w0 - np.median(w0, axis=0)
    slope, agreement = _agreement(y, a0, w0)
    if not axes:
        return Turning(slope=slope, agreement=agreement)
    agreements = np.array([_agreement(y, a0, w0 @ rotation.T)[1] for rotation in SIGNED_AXES])
    plain = next(k for k, rotation in enumerate(SIGNED_AXES) if np.array_equal(rotation, np.eye(3)))
    best = int(np.argmax(agreements))
    gain = agreements[best] - agreements[plain]
    much = agreements[best] > CLEAR_AGREEMENT and gain > CLEARLY_BETTER
    sure = bool(agreements[best] > SURE_AGREEMENT and gain > SURELY_BETTER)
    return Turning(
        slope=slope, agreement=agreement, better=axes_in_words(SIGNED_AXES[best]) if much else None, sure=sure
    )


def _agreement(y: FloatArray, a: FloatArray, w: FloatArray) -> tuple[float, float]:
    x = -np.cross(w, a)
    xx, xy, yy = float(np.sum(x * x)), float(np.sum(x * y)), float(np.sum(y * y))
    if xx == 0.0 or yy == 0.0:
        return 0.0, 0.0
    # Least squares: the gyroscope is nearly exact, the acceleration also shows the sensor's own way through space.
    return xy / xx, xy / math.sqrt(xx * yy)


def acc_unit(norm: float) -> tuple[str | float, bool]:
    """The unit of an accelerometer that shows `norm` at rest, and whether that is sure; a factor for raw counts."""
    for unit, size in (("m/s^2", STANDARD_GRAVITY), ("g", 1.0), ("mg", 1000.0)):
        if abs(norm / size - 1.0) < 0.15:
            return unit, True
    return STANDARD_GRAVITY / norm, False


def mag_unit(values: FloatArray) -> str | None:
    """The unit in which a magnetometer shows a field of the earth's size, None where none does.

    The field is 22 to 67 µT strong anywhere on the earth (IGRF, from memory); iron nearby changes it by some tens.
    """
    norm = float(np.nanmedian(np.linalg.norm(values, axis=1))) if np.isfinite(values).any() else 0.0
    for unit, size in (("uT", 1.0), ("mgauss", 10.0), ("gauss", 0.01), ("mT", 1e-3), ("T", 1e-6)):
        if 15.0 < norm / size < 120.0:
            return unit
    return None


def gyr_unit(turn: Turning | None, peak: float) -> tuple[str | float, bool]:
    """The unit of a gyroscope, and whether that is sure: from its turning gravity, else from its largest rate.

    No person turns a segment faster than 60 rad/s; a lesson without any movement over 60 deg/s would be no lesson.
    """
    if turn is not None and turn.agreement > 0.6:
        for unit, size in (("rad/s", 1.0), ("deg/s", math.pi / 180.0), ("mdeg/s", math.pi / 180e3)):
            if 0.6 < turn.slope / size < 1.67:
                return unit, True
        return float(turn.slope), False
    if peak > 60.0:
        return "deg/s", turn is not None and turn.agreement > 0.3 and 0.3 < math.degrees(turn.slope) < 3.0
    return "rad/s", turn is not None and turn.agreement > 0.3 and 0.3 < turn.slope < 3.0
