"""What smooth motion does not predict: each sensor's samples against a linear prediction from the samples before.

Body motion is smooth, so a few samples tell the next one; a shock is what they do not tell. The prediction's
coefficients are fitted to the session's own downswings and follow-throughs, sensor by sensor, so they suit its rate,
strap, noise and golfer. (Autoregressive prediction errors have long been used to pick the onset of seismic waves:
Sleeman & van Eck 1999, Phys. Earth Planet. Inter. 113:265, from memory.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.recording.model import BoolArray, IntArray
from imuswing.sensors.columns import median

AXES = 3
"""Channels of one accelerometer or gyroscope."""

CHUNK = 8192
"""So many samples are summed at a time."""


@dataclass(frozen=True, kw_only=True)
class SurpriseSettings:
    """How motion is predicted (common practice, no source; checked on two simulators).

    history_s: the prediction looks back this far, but over `orders` samples at least and at most.
    rows_a_coefficient: with fewer samples to fit than this for each coefficient, fewer are used.
    most_samples: of more than this, only every second, third, … is fitted to: eight coefficients need no more.
    before_s, after_s: samples nearer than this to the arm's return may hold the shock and are not fitted to.
    outlier: residuals beyond this many standard deviations hardly count in the fit.  rounds: of reweighting.
    quietest: least standard deviation of the errors, of an accelerometer (m/s²) and a gyroscope (rad/s). No sensor that
    is worn is quieter (0.1 mg and 0.005 °/s per √Hz over 100 Hz, from memory), so in data without noise the small kinks
    of a smooth movement are no shocks.
    """

    history_s: float = 0.015
    orders: tuple[int, int] = (4, 8)
    rows_a_coefficient: int = 8
    most_samples: int = 8192
    before_s: float = 0.04
    after_s: float = 0.15
    outlier: float = 2.5
    rounds: int = 5
    quietest: tuple[float, float] = (0.01, 0.001)


@dataclass(frozen=True, kw_only=True)
class ShockWindow:
    """One sensor's raw rows around the end of a downswing: they are not resampled, which would smear a shock.

    tracked_point: where it is worn.  time: (M,) s on the common clock, of the rows as they came.
    acc, gyr: (M, 3) m/s² and rad/s, NaN where lost.  acc_full, gyr_full: (M,) rows in which a channel is at its limit.
    clock_se: standard error of the times against the first tracking system's clock, s.
    """

    tracked_point: str
    time: FloatArray
    acc: FloatArray
    gyr: FloatArray
    acc_full: BoolArray
    gyr_full: BoolArray
    clock_se: float


@dataclass(frozen=True, kw_only=True)
class Surprise:
    """Prediction errors of one accelerometer or gyroscope in the S swings that it saw, side by side, M samples each.

    tracked_point: where it is worn.  quantity: `acc` or `gyr`.  step: s between samples.  swing: (S,) numbers of the
    swings.  time: (S, M) s, infinite after a swing's last sample.
    error: (S, M, 3) in standard deviations of the smooth motion's own errors, 0 where a channel was at its limit.
    known: (S, M) false where a sample was lost, or is none.  clock_se: (S,) as of the windows.
    """

    tracked_point: str
    quantity: str
    step: float
    swing: IntArray
    time: FloatArray
    error: FloatArray
    known: BoolArray
    clock_se: FloatArray


def surprises(
    windows: Sequence[Sequence[ShockWindow]], spans: Sequence[tuple[float, float]], *, settings: SurpriseSettings
) -> list[Surprise]:
    """Prediction errors of every accelerometer and gyroscope in the swings of a session.

    windows: for each swing, its sensors.  spans: for each swing, top and return of the arm, s.
    """
    found = []
    for point in dict.fromkeys(w.tracked_point for swing in windows for w in swing):
        held = [(k, w) for k, swing in enumerate(windows) for w in swing if w.tracked_point == point]
        held = [(k, w) for k, w in held if len(w.time) > 2 * settings.orders[1]]
        if not held:
            continue
        swing, seen = np.array([k for k, _ in held]), [w for _, w in held]
        for quantity, quietest in zip(("acc", "gyr"), settings.quietest, strict=True):
            rows = _Rows.of(seen, quantity)
            fitted = _fit(rows, np.array(spans)[swing], settings)
            if fitted is None:
                continue
            coefficients, spread = fitted
            error, known = _errors(rows, coefficients, max(spread, quietest))
            found.append(
                Surprise(
                    tracked_point=point,
                    quantity=quantity,
                    step=rows.step,
                    swing=swing,
                    time=rows.time,
                    error=error,
                    known=known,
                    clock_se=np.array([w.clock_se for w in seen]),
                )
            )
    return found


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """One stream's rows in S swings, padded to M: time (S, M), infinite where padded, values (S, M, 3) with gaps
    bridged by lines, and which were lost, or are none (S, M), or full (S, M, 3)."""

    time: FloatArray
    step: float
    values: FloatArray
    lost: BoolArray
    full: BoolArray

    @classmethod
    def of(cls, windows: Sequence[ShockWindow], quantity: str) -> _Rows:
        count = np.array([len(w.time) for w in windows])
        shape = len(windows), int(count.max())
        time, values, full = np.full(shape, np.inf), np.zeros((*shape, AXES)), np.zeros(shape, np.bool_)
        for k, window in enumerate(windows):
            own = slice(0, count[k])
            time[k, own], values[k, own] = window.time, getattr(window, quantity)
            full[k, own] = getattr(window, f"{quantity}_full")
        gone = ~np.isfinite(values[..., 0] + values[..., 1] + values[..., 2])
        for k in np.flatnonzero(gone.any(axis=1)).tolist():
            values[k, : count[k]] = _bridged(values[k, : count[k]], gone[k, : count[k]])
        return cls(
            time=time,
            step=usual_step(windows),
            values=values,
            lost=gone | np.isinf(time),
            full=_channels_full(values, full),
        )


def usual_step(windows: Sequence[ShockWindow]) -> float:
    """Median step, s, between the rows of windows; NaN where none has two."""
    time = np.concatenate([window.time for window in windows])
    seams = np.cumsum([len(window.time) for window in windows])[:-1]
    steps = np.delete(time[1:] - time[:-1], seams[(seams > 0) & (seams < len(time))] - 1)
    return median(steps) if len(steps) else np.nan


def _channels_full(values: FloatArray, full: BoolArray) -> BoolArray:
    """Channels (S, M, 3) of full rows (S, M) that are at the limit: as large as the largest one of these rows."""
    if not full.any():
        return np.zeros(values.shape, np.bool_)
    size = np.abs(values)
    limit = np.where(full[..., None], size, -np.inf).max(axis=(1, 2))
    return np.asarray(full[..., None] & (size >= 0.97 * limit[:, None, None]))


def _bridged(values: FloatArray, lost: BoolArray) -> FloatArray:
    """Values (M, 3) with straight lines through what was lost (M,); zeros where all was."""
    known, missing = np.flatnonzero(~lost), np.flatnonzero(lost)
    bridged = np.array(values)
    for axis in range(AXES):
        bridged[missing, axis] = np.interp(missing, known, values[known, axis]) if len(known) else 0.0
    return bridged


def _fit(rows: _Rows, spans: FloatArray, settings: SurpriseSettings) -> tuple[FloatArray, float] | None:
    """Coefficients (P,) and the standard deviation of their errors, fitted robustly to all swings' smooth parts.

    spans: (S, 2) top and return of the arm, s.
    """
    order = int(np.clip(round(settings.history_s / rows.step), *settings.orders))
    swing, later = np.nonzero(_smooth(rows, spans, order, settings))
    some = slice(None, None, -(-len(swing) // settings.most_samples) or 1)
    swing, later = swing[some], later[some]
    fewer = min(order, AXES * len(swing) // settings.rows_a_coefficient)
    if fewer < 2:
        return None
    flat, sample = rows.values.reshape(-1, AXES), rows.values.shape[1] * swing + later + order
    now = flat.take(sample, axis=0).ravel()
    past = np.stack([flat.take(sample - back, axis=0).ravel() for back in range(1, fewer + 1)])
    weight: FloatArray = np.ones(len(now))
    ridge = 1e-9 * np.eye(fewer) * float(np.sum(past * past)) / fewer
    spread = 0.0
    coefficients = np.zeros(fewer)
    for _ in range(settings.rounds):
        normal, right = _normal_equations(past, now, weight)
        coefficients = np.asarray(np.linalg.solve(normal + ridge, right), dtype=np.float64)
        residual = now - coefficients @ past
        spread = max(1.4826 * median(np.abs(residual)), 1e-9)
        weight = 1.0 / (1.0 + (residual / (settings.outlier * spread)) ** 2)
    return coefficients, spread


def _normal_equations(past: FloatArray, now: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted sums (P, P) of products of past (P, N) with itself, and (P,) with now (N,), a part at a time that stays
    in the processor's cache."""
    normal, right = np.zeros((len(past), len(past))), np.zeros(len(past))
    for first in range(0, len(now), CHUNK):
        part = slice(first, first + CHUNK)
        weighted = past[:, part] * weight[part]
        normal += weighted @ past[:, part].T
        right += weighted @ now[part]
    return normal, right


def _smooth(rows: _Rows, spans: FloatArray, order: int, settings: SurpriseSettings) -> BoolArray:
    """Samples (S, M - order) of a downswing or follow-through, clear of the shock, with a whole history."""
    top, back = spans[:, :1], spans[:, 1:]
    time = rows.time[:, order:]
    whole = ~_dilated(rows.lost | rows.full.any(axis=2), order)[:, order:]
    return whole & (((time > top) & (time < back - settings.before_s)) | (time > back + settings.after_s))


def _errors(rows: _Rows, coefficients: FloatArray, spread: float) -> tuple[FloatArray, BoolArray]:
    """Errors (S, M, 3) in standard deviations, and which are known (S, M)."""
    order, samples = len(coefficients), rows.time.shape[1]
    error = np.zeros_like(rows.values)
    error[:, order:] = rows.values[:, order:]
    for back, share in enumerate(coefficients.tolist(), start=1):
        error[:, order:] -= share * rows.values[:, order - back : samples - back]
    error /= spread
    known = ~_dilated(rows.lost, order)
    known[:, :order] = False
    if rows.full.any():
        # At its limit a channel would go on outwards: only an error in that direction is a true one, at least so large.
        outwards = np.sign(error) == np.sign(rows.values)
        first = rows.full.copy()
        first[:, 1:] &= ~rows.full[:, :-1]
        spoilt = np.stack([_dilated(rows.full[..., axis], order) for axis in range(AXES)], axis=2)
        error[spoilt & ~(first & outwards)] = 0.0
    return error, known


def _dilated(flags: BoolArray, by: int) -> BoolArray:
    """Flags (S, M) that also cover the `by` samples after each."""
    wide = flags.copy()
    for back in range(1, by + 1):
        wide[:, back:] |= flags[:, :-back]
    return wide
