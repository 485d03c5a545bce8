"""Following segments through swings: strapdown from each address, put right by gravity before and after.

All swings of a sensor are worked out together, a few at a time: side by side in arrays (S, M), component by component.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.body.alignment import Alignment
from imuswing.body.segments import (
    ALIGNMENT,
    OWN_SCALE,
    PARAMETERS,
    TILT,
    ErrorMap,
    SegmentMotion,
    SegmentSettings,
    drift_rows,
    drivers,
)
from imuswing.orientation.coarse import CoarseOrientation
from imuswing.orientation.quaternion import FloatArray, exp, inverse, length, multiply, rotate, to_matrix
from imuswing.orientation.strapdown import integrate
from imuswing.orientation.stretch import SensorCorrection, unknown_correction
from imuswing.recording.model import BoolArray, IntArray
from imuswing.sensors.columns import median
from imuswing.sensors.motion import Motion, turn_lost
from imuswing.vocabulary import STANDARD_GRAVITY

TOGETHER = 32
"""So many swings are worked out at a time: enough to pay, few enough to need little memory."""

LEAST_SAMPLES = 8
WORST_BIN = float(np.deg2rad(6.0))
"""Gravity of a bin that is off by more, rad, is not looked at."""


@dataclass(frozen=True, kw_only=True)
class Span:
    """When a swing starts and ends, and a quiet moment at its address, s."""

    start: float
    end: float
    address: float


def follow_segment(
    motion: Motion,
    q_coarse: CoarseOrientation | FloatArray,
    alignment: Alignment,
    *,
    start: float,
    end: float,
    address: float,
    correction: SensorCorrection | None = None,
    settings: SegmentSettings,
) -> SegmentMotion | None:
    """`follow_segments` for one swing."""
    span = Span(start=start, end=end, address=address)
    return follow_segments(motion, q_coarse, alignment, [span], correction=correction, settings=settings)[0]


def follow_segments(
    motion: Motion,
    q_coarse: CoarseOrientation | FloatArray,
    alignment: Alignment,
    spans: Sequence[Span],
    *,
    correction: SensorCorrection | None = None,
    settings: SegmentSettings,
) -> list[SegmentMotion | None]:
    """Orientation of a segment from `before_s` before each start to `after_s` after its end, anchored at the address.

    q_coarse: by sample (4,) earth from sensor of the whole recording: the heading and a first tilt at the address.
    correction: what was learnt of the sensor; it is taken off `motion` already, and its covariance says what is left.
    None where the recording does not hold the stretch.
    """
    found: list[SegmentMotion | None] = [None] * len(spans)
    starts, ends, addresses = (
        np.array([getattr(span, name) for span in spans]) for name in ("start", "end", "address")
    )
    first = np.searchsorted(motion.time, starts - settings.before_s)
    count = np.searchsorted(motion.time, ends + settings.after_s) - first
    anchor = np.clip(np.searchsorted(motion.time, addresses) - first, 0, np.maximum(count - 1, 0))
    held = (count >= LEAST_SAMPLES) & (addresses > motion.time[0]) & (addresses < motion.time[-1])
    tilt_sd = _tilt_sd(motion, addresses, settings)
    # Those of like length together: a batch is as long as its longest.
    order = np.flatnonzero(held)[np.argsort(count[held], kind="stable")]
    for k in range(0, len(order), TOGETHER):
        part = order[k : k + TOGETHER]
        batch = _Batch.of(motion, first[part], count[part], anchor[part], tilt_sd[part], settings=settings)
        segments = _follow(batch, motion, q_coarse, alignment, correction or unknown_correction(), settings)
        for place, segment in zip(part.tolist(), segments, strict=True):
            found[place] = segment
    return found


@dataclass(frozen=True, kw_only=True)
class _Batch:
    """S stretches of one sensor side by side, padded to M samples with zeros after their `count`.

    first, count, anchor: (S,).  gyr, acc: (S, M, 3).  excess: (S, M) rad/s, what bridging adds to the
    gyro's error.  width: samples a bin.  tilt_sd: (S,) rad, of the coarse orientation's tilt at the anchors.
    """

    first: IntArray
    count: IntArray
    anchor: IntArray
    increments: FloatArray
    gyr: FloatArray
    acc: FloatArray
    excess: FloatArray
    doubtful: BoolArray
    width: int
    tilt_sd: FloatArray

    @classmethod
    def of(
        cls,
        motion: Motion,
        first: IntArray,
        count: IntArray,
        anchor: IntArray,
        tilt_sd: FloatArray,
        *,
        settings: SegmentSettings,
    ) -> _Batch:
        width = max(int(settings.bin_s * motion.rate), 1)
        shape = len(first), int(count.max())
        increments, gyr, acc = np.zeros((*shape, 3)), np.zeros((*shape, 3)), np.zeros((*shape, 3))
        excess, doubtful = np.zeros(shape), np.zeros(shape, np.bool_)
        for k, (begin, samples) in enumerate(zip(first.tolist(), count.tolist(), strict=True)):
            part = slice(begin, begin + samples)
            increments[k, :samples], gyr[k, :samples] = motion.increments[part], motion.gyr[part]
            acc[k, :samples] = motion.acc[part]
            excess[k, :samples] = motion.gyr_se[part]
            doubtful[k, :samples] = motion.unusable[part] | motion.acc_clipped[part]
        return cls(
            first=first,
            count=count,
            anchor=anchor,
            increments=increments,
            gyr=gyr,
            acc=acc,
            excess=np.sqrt(np.maximum(excess**2 - motion.gyr_noise**2, 0.0)),
            doubtful=doubtful,
            width=width,
            tilt_sd=tilt_sd,
        )


def _tilt_sd(motion: Motion, times: FloatArray, settings: SegmentSettings) -> FloatArray:
    """(S,) rad, how far the coarse orientation's tilt may be off at times (S,): a turn that bridged samples got wrong
    takes the filter some seconds to mend, before and after."""
    reach = np.array([[-settings.tilt_reach_s], [settings.tilt_reach_s]])
    until, after = turn_lost(motion, times + reach)
    return np.sqrt(settings.tilt_prior**2 + np.minimum(after - until, settings.tilt_lost**2))


def _follow(
    batch: _Batch,
    motion: Motion,
    q_coarse: CoarseOrientation | FloatArray,
    alignment: Alignment,
    correction: SensorCorrection,
    settings: SegmentSettings,
) -> list[SegmentMotion]:
    each = np.arange(len(batch.first))
    q = integrate(batch.increments)
    start = multiply(q_coarse[batch.first + batch.anchor], inverse(q[each, batch.anchor]))
    q = multiply(start[:, None], q)
    matrix = to_matrix(q)
    sums, origin = _drift_sums(batch, matrix, motion.rate)
    estimate, covariance = _update(batch, matrix, sums - origin[:, None], motion, correction, settings)
    wrong = estimate[:, None, 3:6] + batch.gyr @ estimate[:, 6:15].reshape(-1, 3, 3).transpose(0, 2, 1)
    driven = np.cumsum(rotate(q, wrong + batch.excess[..., None] * estimate[:, None, 15:]), axis=1) / motion.rate
    tilted = estimate[:, None, :3] + driven - driven[each, batch.anchor][:, None]
    turned = multiply(exp(-tilted), multiply(q, alignment.q_sensor_from_segment))
    sensor_from_segment = to_matrix(alignment.q_sensor_from_segment)
    omega, acc = (batch.gyr - wrong) @ sensor_from_segment, batch.acc @ sensor_from_segment
    full = np.zeros((len(each), PARAMETERS, PARAMETERS))
    full[:, ALIGNMENT, ALIGNMENT] = alignment.covariance
    full[:, ALIGNMENT.stop :, ALIGNMENT.stop :] = covariance
    full[:, TILT, TILT] += _tilt_by_accelerometer(matrix[each, batch.anchor], correction)
    segments = []
    for k, (first, count) in enumerate(zip(batch.first.tolist(), batch.count.tolist(), strict=True)):
        part, bins = slice(first, first + count), max(count // batch.width, 1)
        error_map = ErrorMap(
            rate=motion.rate,
            width=batch.width,
            q=q[k, :count],
            gyr=motion.gyr[part],
            excess=batch.excess[k, :count],
            sums=sums[k, :bins],
            origin=origin[k],
            sensor_from_segment=sensor_from_segment,
        )
        segments.append(
            SegmentMotion(
                tracked_point=motion.tracked_point,
                rate=motion.rate,
                time=motion.time[part],
                q=turned[k, :count],
                omega=omega[k, :count],
                acc=acc[k, :count],
                error_map=error_map,
                error_covariance=full[k],
                bridged=motion.lost[part] | motion.clipped[part],
                unusable=motion.unusable[part],
                gyr_noise=motion.gyr_noise,
            )
        )
    return segments


def _drift_sums(batch: _Batch, matrix: FloatArray, rate: float) -> tuple[FloatArray, FloatArray]:
    """(S, K, 9, 5) sums at the knots and (S, 9, 5) at the anchors; see `ErrorMap`."""
    swings, samples = matrix.shape[:2]
    width, bins = batch.width, samples // batch.width
    turning = matrix.reshape(swings, samples, 9)
    driving = drivers(batch.gyr, batch.excess, rate=rate)
    head = min(width // 2 + 1, samples)
    tail = head + max(bins - 1, 0) * width
    begin = turning[:, :head].transpose(0, 2, 1) @ driving[:, :head]
    blocks = turning[:, head:tail].reshape(swings, -1, width, 9).transpose(0, 1, 3, 2) @ driving[:, head:tail].reshape(
        swings, -1, width, 5
    )
    sums = np.cumsum(np.concatenate((begin[:, None], blocks), axis=1), axis=1)
    origin = np.empty((swings, 9, 5))
    for k, anchor in enumerate(batch.anchor.tolist()):
        knot = min((anchor - width // 2) // width, sums.shape[1] - 1)
        rest = slice(0 if knot < 0 else head + width * knot, anchor + 1)
        origin[k] = turning[k, rest].T @ driving[k, rest] + (0.0 if knot < 0 else sums[k, knot])
    return sums, origin


def _prior(motion: Motion, tilt_sd: FloatArray, correction: SensorCorrection, settings: SegmentSettings) -> FloatArray:
    """(S, 18, 18) covariance of tilt, heading, bias, scale and bridge before gravity is looked at."""
    bias = float(np.hypot(motion.bias_se, settings.bias_floor))
    own = np.diag(np.concatenate((np.zeros(2), [1e-9], [bias] * 3, np.zeros(9), np.ones(3))) ** 2)
    own[OWN_SCALE, OWN_SCALE] = correction.gyro_matrix_covariance
    prior = np.repeat(own[None], len(tilt_sd), axis=0)
    prior[:, [0, 1], [0, 1]] = tilt_sd[:, None] ** 2
    return prior


def _tilt_by_accelerometer(matrix: FloatArray, correction: SensorCorrection) -> FloatArray:
    """(S, 2, 2) rad²: how the accelerometer's own errors tilt gravity, about earth's X and Y, in poses (S, 3, 3)."""
    error = correction.acc_covariance(matrix[:, 2] * STANDARD_GRAVITY)
    # Gravity is seen off by (psi_y, -psi_x).
    across = np.stack((-matrix[:, 1], matrix[:, 0]), axis=1) / STANDARD_GRAVITY
    return np.asarray(across @ error @ across.transpose(0, 2, 1))


def _update(
    batch: _Batch,
    matrix: FloatArray,
    drift: FloatArray,
    motion: Motion,
    correction: SensorCorrection,
    settings: SegmentSettings,
) -> tuple[FloatArray, FloatArray]:
    """Parameters (S, 18) and their covariance (S, 18, 18) after gravity in the quiet bins around each swing.

    matrix: (S, M, 3, 3) earth from sensor.  drift: (S, K, 9, 5) sums since the anchor at the middles of the bins.
    """
    prior = _prior(motion, batch.tilt_sd, correction, settings)
    swings, width = len(matrix), batch.width
    bins = matrix.shape[1] // width
    if bins == 0:
        return np.zeros((swings, 18)), prior
    cut = bins * width
    # Axes first, so that the sums run along contiguous memory.
    felt = np.stack([np.einsum("smj,smj->sm", matrix[:, :cut, axis], batch.acc[:, :cut]) for axis in range(3)])
    felt = felt.reshape(3, swings, bins, width)
    mean = felt.mean(axis=3)
    spread = np.sqrt(np.sum(np.mean((felt - mean[..., None]) ** 2, axis=3), axis=0))
    size = np.sqrt(np.sum(mean**2, axis=0))
    turning = length(batch.gyr[:, :cut]).reshape(swings, bins, width).mean(axis=2)
    own = np.arange(bins) < (batch.count // width)[:, None]
    bad = ~own | batch.doubtful[:, :cut].reshape(swings, bins, width).any(axis=2)
    gravity = np.array([median(row[mine]) if mine.any() else 1.0 for row, mine in zip(size, own, strict=True)])
    off = (size - gravity[:, None]) / gravity[:, None]
    sd = np.sqrt(
        settings.bin_floor**2
        + (spread / gravity[:, None]) ** 2
        + (off * 3.0) ** 2
        + (settings.bin_turn_s * turning) ** 2
    )
    weight = np.where(~bad & (sd < WORST_BIN), 1.0 / sd**2, 0.0)
    rows = drift_rows(drift)
    # Gravity seen in earth axes is z + psi x z: its horizontal parts are (psi_y, -psi_x).
    design = np.concatenate((rows[:, :, 1], -rows[:, :, 0]), axis=1)
    share = 1.0 / np.maximum(size, 1e-9)
    observed = np.concatenate((mean[0] * share, mean[1] * share), axis=1)
    weighted = design.transpose(0, 2, 1) * np.concatenate((weight, weight), axis=1)[:, None]
    fitted = np.ones(18, dtype=np.bool_)
    # These very swings taught the gyro's matrix: they must not narrow it a second time.
    fitted[OWN_SCALE] = not correction.learnt
    return _fit(prior, weighted @ design, (weighted @ observed[..., None])[..., 0], fitted)


def _fit(prior: FloatArray, normal: FloatArray, right: FloatArray, fitted: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Least squares with a prior covariance (S, n, n): parameters (S, n) and their covariance (S, n, n).

    normal: (S, n, n).  right: (S, n). What is not `fitted` (n,) keeps its prior, and the others' covariance follows it
    (a Schmidt filter's "considered" parameters: Schmidt 1966, Adv Control Syst 3:293, from memory).
    """
    own, kept = np.flatnonzero(fitted), np.flatnonzero(~fitted)
    among = normal[:, own[:, None], own]
    inner = np.linalg.inv(np.linalg.inv(prior[:, own[:, None], own]) + among)
    share = np.zeros((len(normal), prior.shape[-1], len(kept)))
    share[:, own], share[:, kept] = -inner @ normal[:, own[:, None], kept], np.eye(len(kept))
    covariance = share @ prior[:, kept[:, None], kept] @ share.transpose(0, 2, 1)
    covariance[:, own[:, None], own] += inner
    estimate = np.zeros(right.shape)
    estimate[:, own] = (inner @ right[:, own, None])[..., 0]
    return estimate, covariance
