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
from imuswing.recording.model import BoolArray
from imuswing.sensors.columns import finite_rows, median, windows

AXES = 3
"""Channels of one accelerometer or gyroscope."""


@dataclass(frozen=True, kw_only=True)
class SurpriseSettings:
    """How motion is predicted (common practice, no source; checked on two simulators).

    history_s: the prediction looks back this far, but over `orders` samples at least and at most.
    rows_a_coefficient: with fewer samples to fit than this for each coefficient, fewer are used.
    before_s, after_s: samples nearer than this to the arm's return may hold the shock and are not fitted to.
    outlier: residuals beyond this many standard deviations hardly count in the fit.  rounds: of reweighting.
    quietest: least standard deviation of the errors, of an accelerometer (m/s²) and a gyroscope (rad/s). No sensor that
    is worn is quieter (0.1 mg and 0.005 °/s per √Hz over 100 Hz, from memory), so in data without noise the small kinks
    of a smooth movement are no shocks.
    """

    history_s: float = 0.015
    orders: tuple[int, int] = (4, 8)
    rows_a_coefficient: int = 8
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
    """Prediction errors of one accelerometer or gyroscope in one swing.

    tracked_point: where it is worn.  quantity: `acc` or `gyr`.  step: s between samples.  time: (M,) s.
    error: (M, 3) in standard deviations of the smooth motion's own errors, 0 where a channel was at its limit.
    known: (M,) false where a sample was lost.  clock_se: as of the window.
    """

    tracked_point: str
    quantity: str
    step: float
    time: FloatArray
    error: FloatArray
    known: BoolArray
    clock_se: float


def surprises(
    windows: Sequence[Sequence[ShockWindow]], spans: Sequence[tuple[float, float]], *, settings: SurpriseSettings
) -> list[list[Surprise]]:
    """Prediction errors of every sensor in every swing of a session, swing by swing.

    windows: for each swing, its sensors.  spans: for each swing, top and return of the arm, s.
    """
    found: list[list[Surprise]] = [[] for _ in windows]
    for point in dict.fromkeys(w.tracked_point for swing in windows for w in swing):
        held = [(k, w) for k, swing in enumerate(windows) for w in swing if w.tracked_point == point]
        held = [(k, w) for k, w in held if len(w.time) > 2 * settings.orders[1]]
        for (values, full), quietest in zip((("acc", "acc_full"), ("gyr", "gyr_full")), settings.quietest, strict=True):
            streams = [_Rows.of(w.time, getattr(w, values), getattr(w, full)) for _, w in held]
            fitted = _fit(streams, [spans[k] for k, _ in held], settings)
            if fitted is None:
                continue
            coefficients, spread = fitted
            for (k, window), rows in zip(held, streams, strict=True):
                found[k].append(_errors(window, values, rows, coefficients, max(spread, quietest)))
    return found


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """Rows of one stream: values (M, 3) with gaps bridged by lines, and which were lost (M,) or full (M, 3)."""

    time: FloatArray
    step: float
    values: FloatArray
    lost: BoolArray
    full: BoolArray

    @classmethod
    def of(cls, time: FloatArray, raw: FloatArray, full: BoolArray) -> _Rows:
        lost = ~finite_rows(raw)
        values = np.array(raw)
        if lost.any():
            known = np.flatnonzero(~lost)
            for axis in range(AXES):
                values[lost, axis] = np.interp(np.flatnonzero(lost), known, raw[known, axis]) if len(known) else 0.0
        # Which channels are at the limit: those as large as the largest one of the full rows.
        limit = float(np.abs(values[full]).max()) if full.any() else np.inf
        return cls(
            time=time,
            step=median(np.diff(time)),
            values=values,
            lost=lost,
            full=full[:, None] & (np.abs(values) >= 0.97 * limit),
        )


def _history(values: FloatArray, order: int) -> FloatArray:
    """The `order` samples (M - order, 3, order) before each sample from number `order` on, newest first."""
    return windows(values[:-1], order)[:, ::-1].swapaxes(1, 2)


def _fit(
    streams: Sequence[_Rows], spans: Sequence[tuple[float, float]], settings: SurpriseSettings
) -> tuple[FloatArray, float] | None:
    """Coefficients (P,) and the standard deviation of their errors, fitted robustly to all swings' smooth parts."""
    if not streams:
        return None
    order = int(np.clip(round(settings.history_s / streams[0].step), *settings.orders))
    smooth = [_smooth(rows, span, order, settings) for rows, span in zip(streams, spans, strict=True)]
    count = AXES * sum(int(m.sum()) for m in smooth)
    fewer = min(order, count // settings.rows_a_coefficient)
    if fewer < 2:
        return None
    past = np.concatenate(
        [_history(r.values, order)[m, :, :fewer].reshape(-1, fewer) for r, m in zip(streams, smooth, strict=True)]
    )
    now = np.concatenate([r.values[order:][m].ravel() for r, m in zip(streams, smooth, strict=True)])
    weight = np.ones(len(now))
    ridge = 1e-9 * np.eye(fewer) * float(np.sum(past * past)) / fewer
    spread = 0.0
    coefficients = np.zeros(fewer)
    for _ in range(settings.rounds):
        coefficients = np.linalg.solve(past.T @ (past * weight[:, None]) + ridge, past.T @ (weight * now))
        residual = now - past @ coefficients
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-9)
        weight = 1.0 / (1.0 + (residual / (settings.outlier * spread)) ** 2)
    return coefficients, spread


def _smooth(rows: _Rows, span: tuple[float, float], order: int, settings: SurpriseSettings) -> BoolArray:
    """Samples (M - order,) of a downswing or follow-through, clear of the shock, with a whole history."""
    top, back = span
    time = rows.time[order:]
    bad = np.concatenate(([0], np.cumsum(rows.lost | rows.full.any(axis=1))))
    whole = bad[order + 1 :] == bad[: -order - 1]
    return np.asarray(whole & (((time > top) & (time < back - settings.before_s)) | (time > back + settings.after_s)))


def _errors(window: ShockWindow, quantity: str, rows: _Rows, coefficients: FloatArray, spread: float) -> Surprise:
    order = len(coefficients)
    error = np.zeros_like(rows.values)
    error[order:] = (rows.values[order:] - _history(rows.values, order) @ coefficients) / spread
    known = ~_dilated(rows.lost, order)
    known[:order] = False
    if rows.full.any():
        # At its limit a channel would go on outwards: only an error in that direction is a true one, at least so large.
        outwards = np.sign(error) == np.sign(rows.values)
        first = rows.full & ~np.concatenate((np.zeros((1, AXES), np.bool_), rows.full[:-1]))
        spoilt = np.stack([_dilated(rows.full[:, axis], order) for axis in range(AXES)], axis=1)
        error[spoilt & ~(first & outwards)] = 0.0
    return Surprise(
        tracked_point=window.tracked_point,
        quantity=quantity,
        step=rows.step,
        time=rows.time,
        error=error,
        known=known,
        clock_se=window.clock_se,
    )


def _dilated(flags: BoolArray, by: int) -> BoolArray:
    """Flags (M,) that also cover the `by` samples after each."""
    if not flags.any():
        return flags
    run: FloatArray = np.cumsum(np.concatenate((np.zeros(by + 1), flags)))
    return np.asarray(run[by + 1 :] > run[: -by - 1])
