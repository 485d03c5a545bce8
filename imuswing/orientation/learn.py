"""A session's own movements calibrate its sensors: fixed errors are learnt from its busiest stretches and taken off.

Side by side on simulated golfers (`scripts/orientation_accuracy`) this halves the tilt errors within swings that the
offline filter, strapdown from the address or a least-squares fit of gravity around each swing leave, and a smoother
between rests with the same learnt matrix is no better; it costs nothing per swing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.orientation.sensor_correction import estimate_correction
from imuswing.orientation.stretch import SensorCorrection, SmoothSettings, stretch_of
from imuswing.sensors.columns import CHUNK_ROWS, magnitude
from imuswing.sensors.motion import Motion, Prepared


@dataclass(frozen=True, kw_only=True)
class LearnSettings:
    """From which stretches a sensor's fixed errors are learnt (common practice, no source; checked by simulation).

    stretch_s: length of a stretch.  most: so many of the busiest are used.  search_share: a stretch's ends are moved to
    the quietest second within this share of its length, so that rests stand at both ends.  least_turn: rad turned in
    all by a stretch that is worth using.
    smoothing: the sizes that the fit assumes; longer blocks than a single swing needs, since only sums count.
    """

    stretch_s: float = 12.0
    most: int = 8
    search_share: float = 0.3
    least_turn: float = 2.0 * np.pi
    smoothing: SmoothSettings = field(default_factory=lambda: SmoothSettings(block_s=0.1))


def learn_corrections(prepared: Prepared, *, settings: LearnSettings) -> dict[str, SensorCorrection]:
    """By tracked point, what the recording's own movements tell of each sensor's fixed errors."""
    return {point: learn_correction(motion, settings=settings) for point, motion in prepared.motions.items()}


def learn_correction(motion: Motion, *, settings: LearnSettings) -> SensorCorrection:
    """A sensor's fixed errors from its busiest stretches; the settings' prior where it hardly moved."""
    stretches = [stretch_of(motion, first, last) for first, last in busiest_stretches(motion, settings=settings)]
    return estimate_correction(stretches, settings=settings.smoothing)


def busiest_stretches(motion: Motion, *, settings: LearnSettings) -> list[tuple[int, int]]:
    """First and one-past-last sample of the stretches in which the sensor turned most, in order.

    A stretch with samples that are not to be believed is left out.
    """
    speed = magnitude(motion.gyr)
    step, second = int(settings.stretch_s * motion.rate), max(int(motion.rate), 1)
    if len(speed) < second:
        return []
    # Running sums: the turn until each sample, and how much is turned within a second around it.
    turned = np.concatenate(([0.0], np.cumsum(speed))) / motion.rate
    reach = int(settings.search_share * step)
    edges = [0]
    for edge in range(step, len(speed) - step // 2, step):
        around = np.arange(edge - reach, min(edge + reach, len(speed) - second))
        edges.append(int(around[np.argmin(turned[around + second] - turned[around])]) + second // 2)
    edges.append(len(speed))
    spans = [
        (first, last)
        for first, last in pairwise(edges)
        if last - first >= second and turned[last] - turned[first] >= settings.least_turn
        if not motion.unusable[first:last].any()
    ]
    return sorted(sorted(spans, key=lambda span: turned[span[0]] - turned[span[1]])[: settings.most])


def with_corrections(prepared: Prepared, corrections: Mapping[str, SensorCorrection]) -> Prepared:
    """The same recording with what was learnt of its sensors taken off."""
    motions = {
        point: corrected(motion, corrections[point]) if point in corrections else motion
        for point, motion in prepared.motions.items()
    }
    return replace(prepared, motions=motions)


def corrected(motion: Motion, correction: SensorCorrection) -> Motion:
    """The same motion with a sensor's fixed errors taken off: true rate = (1 + M)·reading, and so on."""
    if not correction.learnt:
        return motion
    gyro = np.eye(3) + correction.gyro_matrix.T
    acc = np.eye(3) - correction.acc_matrix.T
    return replace(
        motion,
        gyr=_mapped(motion.gyr, gyro, np.zeros(3)),
        increments=_mapped(motion.increments, gyro, np.zeros(3)),
        acc=_mapped(motion.acc, acc, correction.acc_bias),
    )


def _mapped(values: FloatArray, matrix: FloatArray, offset: FloatArray) -> FloatArray:
    """values (N, 3) @ matrix (3, 3) - offset (3,), a part at a time that stays in the processor's cache."""
    out = np.empty_like(values)
    for first in range(0, len(values), CHUNK_ROWS):
        part = out[first : first + CHUNK_ROWS]
        np.matmul(values[first : first + CHUNK_ROWS], matrix, out=part)
        part -= offset
    return out
