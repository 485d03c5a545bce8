"""The *sensor* reference: the recorded samples with true mount, bias and event times, integrated from the address.

What is left is noise, scale, clipping, lost samples, shocks, and the soft tissue. Inclination at address is that of the
mean acceleration while the golfer stands still; heading there is true.
"""

from __future__ import annotations

import numpy as np

from bench import plain
from imuswing.orientation.quaternion import FloatArray, multiply, rotate
from imuswing.recording.model import Recording
from imuswing.simulate.kinematics import SegmentMotion
from imuswing.simulate.lesson import Truth
from imuswing.simulate.measured import MeasuredSwing, Moments, measure
from imuswing.simulate.truth import Mark
from imuswing.vocabulary import CHEST, LEAD_UPPER_ARM

STILL_S = 0.7
"""Acceleration is averaged at most this long before and after the address, while the golfer stands still."""

BEFORE_TAKEAWAY_S = 0.08
"""What the slow beginning of a backswing takes before the takeaway is left out."""

MARGIN_S = 0.1


class Strapdown:
    """One sensor through one swing: orientation and rates of its segment on the sensor's own even grid."""

    def __init__(self, recording: Recording, truth: Truth, point: str, mark: Mark, when: Moments) -> None:
        stream, setup = recording.sensors[point], truth.setups[point]
        clock, rate = setup.clock, setup.clock.rate
        own = clock.own_time(np.array([mark.still - MARGIN_S, mark.end]))
        grid = np.arange(np.ceil(own[0] * rate), np.floor(own[1] * rate)) / rate
        near = (stream.time > grid[0] - 0.5) & (stream.time < grid[-1] + 0.5)
        mount = setup.strap.q_segment_from_sensor
        self.time = clock.true_time(grid)
        gyr = plain.filled(stream.time[near], stream.gyr[near], grid) - setup.flaws.bias_at(self.time)
        acc = plain.filled(stream.time[near], stream.acc[near], grid)
        first, last = max(mark.still, when.address - STILL_S), min(when.takeaway - BEFORE_TAKEAWAY_S, mark.start)
        still = (self.time >= first) & (self.time <= last)
        up = rotate(mount, acc[still].mean(axis=0))
        mean = setup.meaning == "mean"
        turned = plain.integrated(rotate(mount, gyr), rate, mean=mean)
        true_start = truth.body.segments(np.array([when.address]), point)[point].q[0]
        start = plain.at_times(turned, self.time, np.array([when.address]))[0]
        level = plain.levelled(true_start, up)
        self.q = multiply(multiply(level, start * np.array([1.0, -1.0, -1.0, -1.0])), turned)
        self.omega = plain.smoothed(rotate(mount, gyr), rate)
        # An average belongs to the middle of its interval.
        self.rate_time = self.time - (0.5 / rate if mean else 0.0)

    def at(self, wanted: FloatArray) -> SegmentMotion:
        """Orientation and rates (M) at wanted times."""
        omega = np.stack([np.interp(wanted, self.rate_time, self.omega[:, axis]) for axis in range(3)], axis=1)
        nothing = np.zeros_like(omega)
        return SegmentMotion(q=plain.at_times(self.q, self.time, wanted), omega=omega, alpha=nothing, force=nothing)


def sensor_swings(recording: Recording, truth: Truth) -> list[dict[str, float]]:
    """Measures of every swing of a recording at the true event times."""
    rows = []
    points = [point for point in truth.setups if point != LEAD_UPPER_ARM]
    for mark, when in zip(truth.marks, truth.moments, strict=True):
        through = {point: Strapdown(recording, truth, point, mark, when) for point in points}
        swing = MeasuredSwing(
            lead_side=truth.body.lead_side,
            time=through[CHEST].rate_time,
            chest_omega=through[CHEST].omega,
            at={point: through[point].at(when.of_postures) for point in points},
        )
        rows.append(measure(swing, when))
    return rows
