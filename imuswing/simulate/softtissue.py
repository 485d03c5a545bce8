"""How sensors move on their segments: wobble of skin and strap, skin that lags the forearm's roll, slipping straps.

Wobble is the answer of a damped oscillator (the sensor's mass on soft tissue) to the segment's own acceleration, plus
a slow part that follows posture. Skin over the forearm follows only part of its roll. All sizes are assumptions,
chosen so that a swing's error is about what soft tissue adds elsewhere (2.2 ± 1.5°, Teufl 2018).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from imuswing.orientation.quaternion import FloatArray
from imuswing.simulate.anatomy import INDEX
from imuswing.simulate.kinematics import Body
from imuswing.simulate.presets import ErrorSizes
from imuswing.simulate.splines import UniformSpline
from imuswing.simulate.timeline import smooth_step
from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM, PELVIS


@dataclass(frozen=True, kw_only=True)
class Tissue:
    """The soft tissue under a sensor.

    resonance: Hz.  damping: share of critical.  per_acc: tilt for acceleration, ° per 10 m/s².  per_alpha: turn against
    angular acceleration, ° per 100 rad/s².  posture_deg: slow turn for a radian of posture.
    shift_mm: shift for acceleration, per 10 m/s².
    """

    resonance: float
    damping: float
    per_acc: float
    per_alpha: float
    posture_deg: float
    shift_mm: float


TISSUES: Final[dict[str, Tissue]] = {
    PELVIS: Tissue(resonance=7.0, damping=0.4, per_acc=0.5, per_alpha=0.5, posture_deg=1.2, shift_mm=1.5),
    CHEST: Tissue(resonance=8.0, damping=0.4, per_acc=0.4, per_alpha=0.5, posture_deg=1.2, shift_mm=1.5),
    LEAD_UPPER_ARM: Tissue(resonance=8.0, damping=0.35, per_acc=0.2, per_alpha=0.4, posture_deg=1.5, shift_mm=1.0),
    LEAD_FOREARM: Tissue(resonance=11.0, damping=0.4, per_acc=0.12, per_alpha=0.15, posture_deg=0.7, shift_mm=0.4),
    LEAD_HAND: Tissue(resonance=13.0, damping=0.5, per_acc=0.06, per_alpha=0.08, posture_deg=0.5, shift_mm=0.2),
    CLUB: Tissue(resonance=15.0, damping=0.5, per_acc=0.0, per_alpha=0.0, posture_deg=0.0, shift_mm=0.0),
}

POSTURES: Final[dict[str, tuple[str, ...]]] = {
    PELVIS: ("pelvis_bend", "pelvis_turn", "chest_turn"),
    CHEST: ("chest_bend", "shoulder_flexion", "shoulder_across"),
    LEAD_UPPER_ARM: ("shoulder_flexion", "shoulder_across", "elbow_bend"),
    LEAD_FOREARM: ("elbow_bend", "wrist_flexion", "wrist_ulnar"),
    LEAD_HAND: ("wrist_flexion", "wrist_ulnar", "pronation"),
    CLUB: (),
}
"""Which coordinates move the skin under each sensor."""

SKIN_ZERO: Final = np.radians(60.0)
"""Pronation at which the forearm's skin is not twisted: between the table pose and a golf grip."""

SLIP_S: Final = 0.3
"""How long a strap takes to slip, s (an assumption)."""


@dataclass(frozen=True, kw_only=True)
class Wobble:
    """What is random about one sensor's soft tissue: (3, 3) mixing matrices and a share of roll not followed."""

    acc: FloatArray
    alpha: FloatArray
    posture: FloatArray
    skin: float


def draw_wobble(sizes: ErrorSizes, rng: np.random.Generator) -> Wobble:
    """The soft tissue of one strap."""
    return Wobble(
        acc=rng.normal(0.0, 0.6, (3, 3)),
        alpha=rng.normal(1.0, 0.25, 3),
        posture=rng.normal(0.0, 0.7, (3, 3)),
        skin=float(np.clip(sizes.skin_share * rng.normal(1.0, 0.3), 0.0, 0.6)),
    )


def soft_motion(
    body: Body,
    point: str,
    offset: FloatArray,
    wobble: Wobble,
    sizes: ErrorSizes,
    *,
    slip: tuple[float, FloatArray] | None = None,
) -> UniformSpline | None:
    """Rotations (rows 0–2, rad) and shifts (rows 3–5, m) of a sensor on its segment; None where nothing moves.

    body: must lead with the left side; the result is mirrored with the golfer.  slip: when a strap slips, s, and its
    rotation vector (3,), rad.
    """  # fmt: skip
    if sizes.soft_tissue == 0.0 and sizes.skin_share == 0.0 and slip is None:
        return None
    count = body.motion.coefficients.shape[1]
    rows = np.zeros((6, count))
    if sizes.soft_tissue > 0.0:
        rows += sizes.soft_tissue * _wobble(body, point, offset, wobble)
    if point == LEAD_FOREARM:
        # The skin stays behind when the forearm pronates, which is a turn about −Y on a left limb.
        rows[2] += wobble.skin * (body.motion.coefficients[INDEX["pronation"]] - SKIN_ZERO)
    if slip is not None:
        when, turn = slip
        share = smooth_step((body.motion.start + body.motion.step * np.arange(count, dtype=np.float64) - when) / SLIP_S)
        rows[:3] += turn[[2, 0, 1], None] * share
    return UniformSpline(start=body.motion.start, step=body.motion.step, coefficients=rows)


def _wobble(body: Body, point: str, offset: FloatArray, wobble: Wobble) -> FloatArray:
    tissue = TISSUES[point]
    time = body.motion.start + body.motion.step * np.arange(body.motion.coefficients.shape[1], dtype=np.float64)
    motion = body.segments(time, point)[point]
    gravity_and_motion = (
        motion.force + np.cross(motion.alpha, offset) + np.cross(motion.omega, np.cross(motion.omega, offset))
    )
    acc = _oscillator(gravity_and_motion, tissue, body.motion.step)
    alpha = _oscillator(motion.alpha, tissue, body.motion.step)
    turn = np.radians(tissue.per_acc / 10.0) * acc @ wobble.acc.T
    turn -= np.radians(tissue.per_alpha / 100.0) * alpha * wobble.alpha
    postures = POSTURES[point]
    if postures:
        values = body.motion.coefficients[[INDEX[name] for name in postures]].T
        turn += np.radians(tissue.posture_deg) * (values - values[0]) @ wobble.posture[:, : len(postures)].T
    shift = -1e-3 * tissue.shift_mm / 10.0 * (acc - acc[0])
    return np.concatenate((turn[:, [2, 0, 1]], shift), axis=1).T


def _oscillator(drive: FloatArray, tissue: Tissue, step: float) -> FloatArray:
    """Answer (N, 3) of a damped oscillator with unit gain at rest (bilinear transform)."""
    from scipy.signal import bilinear, lfilter, lfilter_zi

    pulsation = 2.0 * np.pi * tissue.resonance
    b, a = bilinear([pulsation**2], [1.0, 2.0 * tissue.damping * pulsation, pulsation**2], fs=1.0 / step)
    start = lfilter_zi(b, a)[:, None] * drive[0]
    return np.asarray(lfilter(b, a, drive, axis=0, zi=start)[0])
