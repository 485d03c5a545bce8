"""How wrong sensors, straps, clocks and people are: every size of error in one frozen settings object.

Sizes come from the literature where they are known (named beside them); the rest are assumptions of this simulator,
chosen as typical of consumer sensors, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from imuswing.errors import require_one_of

Preset = Literal["ideal", "realistic", "hard"]
PRESETS: Final[tuple[str, ...]] = ("ideal", "realistic", "hard")


@dataclass(frozen=True, kw_only=True)
class ErrorSizes:
    """Sizes of all errors; standard deviations unless said otherwise. Zero switches an error off.

    gyro_noise, acc_noise: white noise density, °/s/√Hz and m/s²/√Hz.  gyro_bias_dps: turn-on bias an axis.
    gyro_drift_dps: change of the bias over ten minutes.  gyro_scale, acc_scale, gyro_cross, acc_cross: share of the
    reading.  acc_bias: m/s².  gyro_range_dps, acc_range_g: full scale.  low_range_share: share of golfers with half
    the range.
    lost_share: share of single samples lost.  bursts: bursts of lost samples a minute; burst_s: their mean length.
    clock_offset_s: half-range of the starts of sensors with clocks of their own.  clock_drift_ppm: half-range.
    jitter_s: of sample times, which LATENCY tells.  mount_turned: whether sensors are strapped on at random.
    soft_tissue: factor on the wobble of skin and straps.  skin_share: mean share of the forearm's roll that the skin
    does not follow.  strap_slip_deg: size of the slip of one sensor in mid-session.
    shock: factor on impact shocks; with 0 taps and knocks are not felt either.
    posture_deg: of standing and table postures.  axis_deg: of the direction of functional axes.  zero_deg: of the wrist
    in the table pose (of its deviation a bit more).  missing_steps: mean number of missing calibration steps; left_out:
    those that nobody does.
    stillness: factor on sway and tremor.  tap_note_s: of the noted time of taps.
    """

    gyro_noise: float = 0.0
    acc_noise: float = 0.0
    gyro_bias_dps: float = 0.0
    gyro_drift_dps: float = 0.0
    gyro_scale: float = 0.0
    acc_scale: float = 0.0
    gyro_cross: float = 0.0
    acc_cross: float = 0.0
    acc_bias: float = 0.0
    gyro_range_dps: float = 1e6
    acc_range_g: float = 1e6
    low_range_share: float = 0.0
    lost_share: float = 0.0
    bursts: float = 0.0
    burst_s: float = 0.0
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    jitter_s: float = 0.0
    mount_turned: bool = False
    soft_tissue: float = 0.0
    skin_share: float = 0.0
    strap_slip_deg: float = 0.0
    shock: float = 1.0
    posture_deg: float = 0.0
    axis_deg: float = 0.0
    zero_deg: float = 0.0
    missing_steps: float = 0.0
    left_out: frozenset[str] = frozenset()
    stillness: float = 0.0
    tap_note_s: float = 0.0


IDEAL: Final = ErrorSizes()
"""Ideal sensors in line with their segments, an ideal routine; the golfer swings as in the other presets."""

# posture_deg and zero_deg, axis_deg: examiners vary by 0.2–2.9° in flexion, and by 1.6–7.3° axially (Picerno 2008).
REALISTIC: Final = ErrorSizes(
    gyro_noise=0.01,
    acc_noise=0.003,
    gyro_bias_dps=0.5,
    gyro_drift_dps=0.1,
    gyro_scale=0.004,
    acc_scale=0.003,
    gyro_cross=0.004,
    acc_cross=0.003,
    acc_bias=0.04,
    gyro_range_dps=2000.0,
    acc_range_g=16.0,
    lost_share=0.0005,
    bursts=0.15,
    burst_s=0.02,
    clock_offset_s=2.0,
    clock_drift_ppm=50.0,
    jitter_s=0.0,
    mount_turned=True,
    soft_tissue=1.0,
    skin_share=0.12,
    posture_deg=2.0,
    axis_deg=3.0,
    zero_deg=2.0,
    stillness=1.0,
    tap_note_s=0.3,
)
"""A good consumer sensor and a careful person."""

HARD: Final = ErrorSizes(
    gyro_noise=0.02,
    acc_noise=0.006,
    gyro_bias_dps=1.0,
    gyro_drift_dps=0.25,
    gyro_scale=0.008,
    acc_scale=0.006,
    gyro_cross=0.008,
    acc_cross=0.006,
    acc_bias=0.08,
    gyro_range_dps=2000.0,
    acc_range_g=16.0,
    low_range_share=0.25,
    lost_share=0.001,
    bursts=1.0,
    burst_s=0.04,
    clock_offset_s=4.0,
    clock_drift_ppm=50.0,
    jitter_s=0.0003,
    mount_turned=True,
    soft_tissue=2.0,
    skin_share=0.22,
    strap_slip_deg=10.0,
    shock=0.6,
    posture_deg=4.0,
    axis_deg=6.0,
    zero_deg=4.0,
    missing_steps=0.8,
    stillness=2.0,
    tap_note_s=0.5,
)
"""About double, with missing steps, slipping straps, clipping and bursts of lost samples."""


def errors_of(preset: str, **changes: float | bool | frozenset[str]) -> ErrorSizes:
    """The sizes of a preset, with some changed; an unknown preset is an error that lists the legal ones."""
    require_one_of("preset", preset, PRESETS)
    return replace({"ideal": IDEAL, "realistic": REALISTIC, "hard": HARD}[preset], **changes)  # type: ignore[arg-type]
