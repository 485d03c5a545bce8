"""Ways to orient a sensor within swings, side by side on simulated golfers: part of `scripts/orientation_accuracy`.

Truth is the sensor's own orientation (skin and mount included), so that no calibration is in the figures.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from imuswing.body.alignment import Alignment
from imuswing.body.follow import follow_segment
from imuswing.body.segments import SegmentSettings
from imuswing.orientation import estimate_quaternions
from imuswing.orientation.learn import LearnSettings, corrected, learn_correction
from imuswing.orientation.quaternion import angle_between, inverse, multiply, rotate, slerp
from imuswing.orientation.smooth import smooth_swing, stretch_of
from imuswing.orientation.strapdown import integrate, tilt_from_up
from imuswing.orientation.stretch import SensorCorrection
from imuswing.sensors.motion import Motion
from imuswing.sensors.prepare import prepare
from imuswing.simulate.lesson import Truth, simulate_recording
from imuswing.simulate.presets import ErrorSizes, errors_of
from imuswing.simulate.sensors import skin_motion

SEED = 31
SHOTS = 8
TASKS = ("chip", "pitch", "full")
RATES = (100.0, 200.0, 400.0)
BEFORE_S, AFTER_S = 2.0, 1.5
ON_SENSOR = np.array([1.0, 0.0, 0.0, 0.0])

CIRCUMSTANCES: dict[str, ErrorSizes] = {
    "realistic": errors_of("realistic"),
    "realistic, shocks three times as hard": errors_of("realistic", shock=3.0),
    "realistic, range 1000 °/s and 8 g": errors_of("realistic", gyro_range_dps=1000.0, acc_range_g=8.0),
    "realistic, ten bursts of 40 ms a minute": errors_of("realistic", bursts=10.0, burst_s=0.04),
    "hard": errors_of("hard"),
}


@dataclass(frozen=True, kw_only=True)
class Swing:
    """One swing of one sensor: address, takeaway, top, impact, finish in s, its samples [first, last), and the truth
    (3, 4) of address, top and impact.
    """

    moments: np.ndarray
    first: int
    last: int
    truth: np.ndarray


def swings_of(motion: Motion, truth: Truth) -> Iterator[Swing]:
    point = motion.tracked_point
    strap = truth.setups[point].strap
    for when in truth.moments:
        body = np.array([when.address, when.takeaway, when.top, when.impact, when.finish])
        moments = body - truth.start
        first, last = np.searchsorted(motion.time, [moments[1] - BEFORE_S, moments[4] + AFTER_S])
        skin = skin_motion(truth.body, point, strap, body[[0, 2, 3]]).q
        yield Swing(
            moments=moments, first=int(first), last=int(last), truth=multiply(skin, strap.q_segment_from_sensor)
        )


def from_address(motion: Motion, swing: Swing) -> np.ndarray:
    """Strapdown (N, 4) whose tilt is that of the mean acceleration over the half second before the address."""
    part = slice(swing.first, swing.last)
    bare = integrate(motion.increments[part])
    rest = (motion.time[part] >= swing.moments[0] - 0.5) & (motion.time[part] <= swing.moments[0])
    return multiply(tilt_from_up(rotate(bare[rest], motion.acc[part][rest]).mean(axis=0)), bare)


def fitted(motion: Motion, coarse: np.ndarray, swing: Swing, correction: SensorCorrection | None) -> np.ndarray:
    """Strapdown closed by gravity around the swing (`body.segments`), for a segment that is the sensor itself."""
    alignment = Alignment(tracked_point=motion.tracked_point, q_sensor_from_segment=ON_SENSOR, covariance=np.eye(3))
    address, takeaway, _, _, finish = swing.moments
    segment = follow_segment(
        motion,
        coarse,
        alignment,
        start=takeaway,
        end=finish,
        address=address,
        correction=correction,
        settings=SegmentSettings(),
    )
    assert segment is not None
    return np.asarray(slerp(segment.q, segment.time, swing.moments[[0, 2, 3]]))


def errors_deg(q: np.ndarray, truth: np.ndarray) -> list[float]:
    """Tilt at address, top, impact; turn from address to top and to impact."""
    off = multiply(q, inverse(truth))
    tilts = 2.0 * np.arccos(np.clip(np.hypot(off[:, 0], off[:, 3]), 0.0, 1.0))
    turns = [float(angle_between(multiply(inverse(q[0]), q[k]), multiply(inverse(truth[0]), truth[k]))) for k in (1, 2)]
    return np.degrees([*tilts, *turns]).tolist()


def sensor_errors(motion: Motion, truth: Truth) -> dict[str, list[list[float]]]:
    """By method, the errors of every swing of one sensor."""
    correction = learn_correction(motion, settings=LearnSettings())
    right = corrected(motion, correction)
    coarse, right_coarse = (estimate_quaternions(m.increments * m.rate, m.acc, rate=m.rate) for m in (motion, right))
    forward = estimate_quaternions(motion.increments * motion.rate, motion.acc, rate=motion.rate, method="vqf")
    errors: dict[str, list[list[float]]] = defaultdict(list)
    for swing in swings_of(motion, truth):
        at, part = swing.moments[[0, 2, 3]], slice(swing.first, swing.last)
        stretch, time = stretch_of(motion, swing.first, swing.last), motion.time[part]
        reference = int(np.searchsorted(time, swing.moments[0]))
        smoother = {
            name: slerp(smooth_swing(stretch, reference=reference, correction=known).q, time, at)
            for name, known in (("smoother between rests", None), ("smoother, sensor learnt", correction))
        }
        found = {
            "filter, forward": slerp(forward, motion.time, at),
            "filter, offline": slerp(coarse, motion.time, at),
            "strapdown from the address": slerp(from_address(motion, swing), time, at),
            "strapdown closed by gravity": fitted(motion, coarse, swing, None),
            **smoother,
            "filter, offline, sensor learnt": slerp(right_coarse, motion.time, at),
            "closed by gravity, sensor learnt": fitted(right, right_coarse, swing, correction),
        }
        for name, q in found.items():
            errors[name].append(errors_deg(q, swing.truth))
    return errors


def print_golfers(golfers: int) -> None:
    """Chest, forearm and hand of some golfers in each circumstance; the last method is the default."""
    print(f"\nSimulated golfers, {golfers} of {SHOTS} shots, chest, forearm and hand together.")
    print("Root mean square over swings, and median, degrees.")
    print(f"{'':36}{'tilt at':>24}{'turn from address to':>28}{'median of the same':>40}")
    print(f"{'':36}{'address':>8}{'top':>8}{'impact':>8}{'top':>14}{'impact':>14}")
    for name, sizes in CIRCUMSTANCES.items():
        errors: dict[str, list[list[float]]] = defaultdict(list)
        for k in range(golfers):
            recording, truth = simulate_recording(
                seed=SEED + k,
                task=TASKS[k % len(TASKS)],
                shots=SHOTS,
                rate=RATES[k // len(TASKS) % len(RATES)],
                errors=replace(sizes, strap_slip_deg=0.0),
            )
            for motion in prepare(recording).motions.values():
                for method, rows in sensor_errors(motion, truth).items():
                    errors[method] += rows
        print(name)
        for method, rows in errors.items():
            root, middle = np.sqrt(np.mean(np.square(rows), axis=0)), np.median(rows, axis=0)
            print(
                f"  {method:34}{root[0]:8.2f}{root[1]:8.2f}{root[2]:8.2f}{root[3]:14.2f}{root[4]:14.2f}"
                f"{'':4}{''.join(f'{value:7.2f}' for value in middle)}"
            )
