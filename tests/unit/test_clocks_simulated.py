"""All cues together, on simulated lessons with clocks of their own: offsets of seconds and drifts to 50 ppm."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from imuswing.recording.model import Recording
from imuswing.sensors.prepare import prepare
from imuswing.simulate import simulate_recording
from imuswing.simulate.dataset import make_visit
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


def test_swings_that_all_fit_a_wrong_offset_do_not_outweigh_what_fits_well() -> None:
    """Few full swings, in which the arm lags the chest by some 60 ms: taken for a joint, they place the clocks so."""
    _, made = make_visit(13, seed=911, shots=6, preset="hard", tasks=None, rate=None)
    recording, truth = made[1]
    for noted in (recording, replace(recording, events=tuple(e for e in recording.events if e.trial_type != "tap"))):
        errors = clock_errors(noted, truth)
        assert len(errors) == 3
        for _, size, se in errors:
            assert se < 6.0
            assert size < 2.0 * se


def one_lesson() -> tuple[Recording, Truth]:
    return several_clocks(1, 200.0)[0]


def told(recording: Recording, point: str, own: np.ndarray) -> tuple[np.ndarray, float, str]:
    report = prepare(recording).reports[point]
    return report.clock_offset_s + (1.0 + 1e-6 * report.clock_drift_ppm) * own, report.clock_se_s, report.clock_source


def other_clock(recording: Recording) -> str:
    """A tracked point that is not on the first clock."""
    first = recording.tracking_systems[0]
    return next(point for point, stream in recording.sensors.items() if stream.tracking_system != first)


def test_a_rate_that_is_wrong_in_one_file_is_told_and_not_hidden() -> None:
    """Times counted at 1 % too low a rate are those of no clock: no alignment is better than a wrong one."""
    recording, _ = one_lesson()
    point = other_clock(recording)
    system = recording.sensors[point].tracking_system
    slow = {
        name: replace(stream, time=stream.time * 1.01) if stream.tracking_system == system else stream
        for name, stream in recording.sensors.items()
    }
    _, se, _ = told(replace(recording, sensors=slow), point, np.zeros(1))
    assert se > 0.05
    assert any("could not be aligned" in w.text for w in prepare(replace(recording, sensors=slow)).warnings)


def cut(recording: Recording, point: str, end: float) -> Recording:
    system = recording.sensors[point].tracking_system

    def shortened(stream):
        keep = stream.time < end
        return replace(stream, time=stream.time[keep], gyr=stream.gyr[keep], acc=stream.acc[keep])

    sensors = {n: shortened(s) if s.tracking_system == system else s for n, s in recording.sensors.items()}
    return replace(recording, sensors=sensors)


def test_a_clock_with_nothing_in_common_falls_back_on_its_hint() -> None:
    """The sensor that stops after three seconds: the start times in the files are all there is."""
    recording, _ = one_lesson()
    point = other_clock(recording)
    system = recording.sensors[point].tracking_system
    short = cut(recording, point, 3.0)
    _, se, source = told(short, point, np.zeros(1))
    assert source == "none"
    assert se > 10.0
    assert any("could not be aligned" in w.text and w.level == "problem" for w in prepare(short).warnings)
    times, se, source = told(replace(short, start_hints={system: 1.5}), point, np.zeros(1))
    assert source == "start times in the files"
    assert times[0] == 1.5
    assert se == 0.5


def test_hints_to_the_second_or_wrong_by_hours_do_no_harm() -> None:
    recording, truth = one_lesson()
    point = other_clock(recording)
    clock = truth.setups[point].clock
    own = np.array([10.0, 110.0])
    true = clock.start - truth.start + (1.0 + clock.drift) * own
    for hint in (float(np.floor(clock.start - truth.start)), 3600.0, -7200.0):
        hinted = replace(recording, start_hints={clock.name: hint, recording.tracking_systems[0]: 0.0})
        times, se, _ = told(hinted, point, own)
        np.testing.assert_allclose(times, true, atol=0.008)
        assert se < 0.01


def test_without_the_first_clock_times_can_only_be_told_by_hints() -> None:
    """Events stand on the first system's clock; if its sensors are dead, what is left is not tied to it."""
    recording, _ = one_lesson()
    first = recording.tracking_systems[0]
    dead = {
        name: replace(stream, gyr=np.zeros_like(stream.gyr)) if stream.tracking_system == first else stream
        for name, stream in recording.sensors.items()
    }
    prepared = prepare(replace(recording, sensors=dead))
    assert prepared.motions
    assert all(report.clock_se_s > 10.0 for report in prepared.reports.values())
    assert any("could not be aligned" in w.text for w in prepared.warnings)


def test_clocks_tied_only_to_each_other_are_not_told_as_aligned() -> None:
    """The chest does not move: forearm and hand are tied by their joint, and to it by the start times only."""
    recording, truth = next(
        lesson for lesson in several_clocks(3, 200.0) if len(lesson[0].tracking_systems) == len(lesson[0].sensors)
    )
    starts = {setup.clock.name: setup.clock.start for setup in truth.setups.values()}
    still = recording.sensors["chest"]
    noise = np.random.default_rng(0).standard_normal((2, *still.gyr.shape))
    still = replace(still, gyr=0.002 * noise[0], acc=np.array([0.0, 9.81, 0.0]) + 0.02 * noise[1])
    sensors = dict(recording.sensors) | {"chest": still}
    hints = {name: float(np.floor(start)) for name, start in starts.items()}
    prepared = prepare(replace(recording, sensors=sensors, start_hints=hints))
    forearm, hand = prepared.reports["lead_forearm"], prepared.reports["lead_hand"]
    assert forearm.clock_source == hand.clock_source == "start times in the files"
    assert forearm.clock_se_s == hand.clock_se_s == 0.5
    assert any("could not be aligned" in w.text and w.level == "problem" for w in prepared.warnings)
    apart = truth.setups["lead_hand"].clock.start - truth.setups["lead_forearm"].clock.start
    assert hand.clock_offset_s - forearm.clock_offset_s == pytest.approx(apart, abs=0.005)
