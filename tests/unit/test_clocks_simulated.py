"""All cues together, on simulated lessons with clocks of their own: offsets of seconds and drifts to 50 ppm."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from imuswing.recording.model import Recording
from imuswing.sensors.prepare import prepare
from imuswing.simulate import simulate_recording
from imuswing.simulate.lesson import Truth


def clock_errors(recording: Recording, truth: Truth) -> list[tuple[str, float, float]]:
    """Tracked point, root mean square error over the recording and standard error, ms."""
    out = []
    prepared = prepare(recording)
    for point, stream in recording.sensors.items():
        report, clock = prepared.reports[point], truth.setups[point].clock
        if report.clock_source == "reference":
            continue
        own = np.linspace(stream.time[0], stream.time[-1], 20)
        true = clock.start - truth.start + (1.0 + clock.drift) * own
        told = report.clock_offset_s + (1.0 + 1e-6 * report.clock_drift_ppm) * own
        out.append((point, 1e3 * float(np.sqrt(np.mean((told - true) ** 2))), 1e3 * report.clock_se_s))
        motion = prepared.motions[point]
        np.testing.assert_allclose(np.diff(motion.time), 1.0 / motion.rate, rtol=1e-6)
    return out


def several_clocks(count: int, rate: float) -> list[tuple[Recording, Truth]]:
    lessons = (
        simulate_recording(seed=seed, shots=4, rate=rate, preset="realistic", task="chip") for seed in range(100, 140)
    )
    chosen = []
    for recording, truth in lessons:
        if len(recording.tracking_systems) > 1:
            chosen.append((replace(recording, start_hints={}), truth))
        if len(chosen) == count:
            return chosen
    raise AssertionError("the simulator made too few lessons with several clocks")


@pytest.mark.parametrize("rate", [100.0, 200.0])
def test_clocks_agree_to_three_milliseconds(rate: float) -> None:
    errors = [error for lesson in several_clocks(3, rate) for error in clock_errors(*lesson)]
    sizes = np.array([size for _, size, _ in errors])
    ses = np.array([se for *_, se in errors])
    assert np.sqrt(np.mean(sizes**2)) < 3.0
    assert np.sqrt(np.mean((sizes / ses) ** 2)) < 1.6
