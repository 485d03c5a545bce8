"""Every threshold of the sensor step in one place, each with its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class SensorSettings:
    """Thresholds of `sensors.prepare`. Where no source is named: common practice, no source.

    Stillness:
    still_shortest_s: a stretch must last this long.
    still_gyr_sd_dps, still_acc_sd_mps2: a sensor on a person who stands quietly stays under these standard deviations
        within a window.
    still_floor_factor: or under this many times what the calmest twentieth of the recording shows, if that is more,
    still_gyr_most_dps, still_acc_most_mps2: but never over these.
    still_turn_dps: once the bias is known, a stretch that turns steadily faster than this is not still.

    Bias:
    bias_unknown_dps: standard error where the sensor is never still (what small sensors show after calibration).
    sway_time_s, sway_angle_deg: a person's sway while still is alike for so long and adds up to no more than this.

    Rows:
    frozen_moving_dps: a row that repeats the one before counts as lost if the sensor turns faster than this,
    frozen_jump_dps, frozen_jump_mps2: or if such a jump follows,
    frozen_end_s: or if it goes on to the end for so long;
    frozen_rare: the latter only if other repeats are rarer than this share.
    glitch_dps, glitch_agree: a row off its neighbours' curve by so much is wrong, if they agree to this share of it.

    Missing and clipped stretches (figures: `bridge`, tried on hand-like peaks with an impact in them):
    bridge_scale_s, clip_scale_s: time scale of the covariance of a fast arm's angular velocity; a clipped stretch is
        known to be one hump, which is smoother.
    bridge_flank_s, clip_flank_s: how much is looked at on either side.
    bridge_reach_s: within this of a stretch the local speed is taken.
    bridge_longest_s, clip_longest_s: a longer missing or clipped stretch is not bridged.
    clip_highest: no bridge rises beyond this many times the limit.
    shock_longest_s: a shorter clipped stretch of the accelerometer is a shock, and left as it is.
    bridge_worst_deg: a bridge whose angle has a larger standard error is not to be used.

    Findings in words:
    least_rate_hz, good_rate_hz: below the first a swing is too coarse, below the second impact is blurred.
    rate_differs: share by which true and written rate may differ without a word.
    lost_advice, lost_problem: shares of lost samples.
    bias_se_dps, gravity_error, turn_mismatch_deg: larger values are told.
    clock_advice_s, clock_problem_s: standard errors of a clock's alignment above which it is told.
    clock_drift: share by which two good clocks may differ.
    shortest_recording_s: nothing shorter holds a swing with the quiet around it.
    stops_early_s, stops_early_share: a sensor that ends so much before the last one has stopped; one that begins so
    much after the first has started late.
    scale_told: a scale off by this factor is told.
    misread_scale: a gyroscope whose scale is off by this factor or more is not used; less is learnt and taken off (with
        0.8 and 1.25 a forearm's and a hand's measures keep within their standard errors, with 0.5 and 2 they do not).
    swapped_ratio: the chest is never so many times faster than the arm (on 84 simulated lessons the arm is 1.45 times
        faster or more).
    swapped_rest_dps, swapped_rest_ratio, swapped_rest_s: a hand turns while the forearm rests, as the wrist is bent; a
        forearm never turns faster than this, and by this factor faster than the hand, for so long in all (on 85
        simulated lessons 0.6 s or less, a hand up to 12 s),
    swapped_rest_share: and this many times as long as the hand does.
    """

    still_shortest_s: float = 0.3
    still_gyr_sd_dps: float = 2.5
    still_acc_sd_mps2: float = 0.20
    still_floor_factor: float = 1.8
    still_gyr_most_dps: float = 7.0
    still_acc_most_mps2: float = 1.2
    still_turn_dps: float = 4.0
    bias_unknown_dps: float = 1.0
    sway_time_s: float = 0.35
    sway_angle_deg: float = 0.4
    frozen_moving_dps: float = 30.0
    frozen_jump_dps: float = 10.0
    frozen_jump_mps2: float = 1.0
    frozen_end_s: float = 1.0
    frozen_rare: float = 0.01
    glitch_dps: float = 150.0
    glitch_agree: float = 0.1
    bridge_scale_s: float = 0.04
    bridge_flank_s: float = 0.025
    clip_scale_s: float = 0.05
    clip_flank_s: float = 0.03
    bridge_reach_s: float = 0.25
    bridge_longest_s: float = 0.3
    clip_longest_s: float = 0.11
    clip_highest: float = 2.0
    shock_longest_s: float = 0.02
    bridge_worst_deg: float = 6.0
    least_rate_hz: float = 50.0
    good_rate_hz: float = 100.0
    rate_differs: float = 0.002
    lost_advice: float = 0.005
    lost_problem: float = 0.10
    bias_se_dps: float = 0.3
    gravity_error: float = 0.03
    turn_mismatch_deg: float = 12.0
    clock_advice_s: float = 0.006
    clock_problem_s: float = 0.05
    clock_drift: float = 2e-4
    shortest_recording_s: float = 5.0
    stops_early_s: float = 5.0
    stops_early_share: float = 0.05
    scale_told: float = 1.15
    misread_scale: float = 1.3
    swapped_ratio: float = 1.3
    swapped_rest_dps: float = 30.0
    swapped_rest_ratio: float = 6.0
    swapped_rest_s: float = 2.0
    swapped_rest_share: float = 3.0


DEFAULT_SETTINGS = SensorSettings()
