"""Impacts placed among swings whose shocks are written down by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from imuswing.orientation.quaternion import FloatArray
from imuswing.swings.impact import ImpactSettings, place_impacts
from imuswing.swings.judge import on_common_clock
from imuswing.swings.onset import OnsetCurve, OnsetSettings, onset_curves
from imuswing.swings.pace import PaceSettings, clues
from imuswing.swings.surprise import ShockWindow, SurpriseSettings, surprises, usual_step

BACK = 10.0
GRID = np.arange(BACK - 0.1, BACK + 0.1, 0.0005)


def _curve(*blows: tuple[float, float], width: float = 0.001) -> OnsetCurve:
    """Likelihood with normal bumps: (time after BACK in s, log height)."""
    first = np.full(len(GRID), -30.0)
    for at, height in blows:
        first = np.logaddexp(first, height - 0.5 * ((GRID - BACK - at) / width) ** 2)
    return OnsetCurve(time=GRID, first=first, second=np.zeros(len(GRID)), step=0.0025, sizes={})


def _placed(curves: list[OnsetCurve], told: FloatArray) -> FloatArray:
    count = len(curves)
    found = place_impacts(
        curves,
        [BACK] * count,
        np.full(count, 7.0),
        told,
        np.ones(count),
        np.zeros(count, np.bool_),
        settings=ImpactSettings(),
    )
    return np.array([impact.time - BACK if impact is not None else np.nan for impact in found])


def test_clear_shocks_stand_where_they_are() -> None:
    at = np.array([0.012, 0.010, 0.014, 0.009, 0.011])
    assert _placed([_curve((t, 0.0)) for t in at], np.zeros((5, 0))) == pytest.approx(at, abs=0.0008)


def test_of_two_blows_the_one_that_goes_with_the_clues_is_the_ball() -> None:
    rng = np.random.default_rng(0)
    clue = rng.normal(0.0, 0.010, 16)
    at = 0.01 + 0.9 * clue
    curves = [_curve((t, 0.0)) for t in at[:15]]
    # The last shot met the ground, which is the stronger blow, 15 ms before the ball.
    curves.append(_curve((at[15] - 0.015, 2.0), (at[15], 0.0)))
    assert _placed(curves, clue[:, None])[15] == pytest.approx(at[15], abs=0.002)


def test_clues_that_tell_nothing_do_no_harm() -> None:
    rng = np.random.default_rng(1)
    at = rng.normal(0.01, 0.002, 12)
    noise = rng.normal(0.0, 0.02, (12, 4))
    noise[3] = np.nan
    curves = [_curve((t, 0.0)) for t in at]
    assert _placed(curves, noise) == pytest.approx(_placed(curves, np.zeros((12, 0))), abs=0.0001)


def test_standard_errors_grow_where_the_shock_is_hardly_seen() -> None:
    curves = [_curve((0.01, 0.0)) for _ in range(8)] + [_curve((0.01, 0.0), width=0.01)]
    found = place_impacts(
        curves,
        [BACK] * 9,
        np.full(9, 7.0),
        np.zeros((9, 0)),
        np.ones(9),
        np.zeros(9, np.bool_),
        settings=ImpactSettings(),
    )
    errors = [impact.se for impact in found if impact is not None]
    assert errors[-1] > 1.5 * max(errors[:-1])


def test_where_no_shock_is_seen_the_arm_has_passed_its_address_direction_by_a_usual_angle() -> None:
    """A faster arm passes it sooner, and the error is the smaller."""
    unseen = OnsetCurve(time=GRID, first=np.zeros(len(GRID)), second=np.zeros(len(GRID)), step=0.0025, sizes={})
    settings = ImpactSettings()
    found = [
        place_impacts(
            [unseen], [BACK], np.array([speed]), np.zeros((1, 0)), np.ones(1), np.zeros(1, np.bool_), settings=settings
        )[0]
        for speed in (3.0, 12.0)
    ]
    slow, fast = (impact for impact in found if impact is not None)
    assert fast.time - BACK == pytest.approx(settings.usual / 12.0, abs=0.0005)
    assert slow.time - BACK == pytest.approx(settings.usual / 3.0, abs=0.002)
    assert slow.se > 2.0 * fast.se


def test_from_the_chest_alone_a_ball_is_met_long_after_its_return_and_the_error_says_how_roughly() -> None:
    """Golfers are open by 10 to 35° at impact (common practice, no source), and turn at some 200 to 500 °/s."""
    unseen = OnsetCurve(time=GRID, first=np.zeros(len(GRID)), second=np.zeros(len(GRID)), step=0.0025, sizes={})
    found = place_impacts(
        [unseen] * 4,
        [BACK] * 4,
        np.full(4, 5.0),
        np.zeros((4, 0)),
        np.ones(4),
        np.zeros(4, np.bool_),
        lead="chest",
        settings=ImpactSettings(),
    )
    for impact in found:
        assert impact is not None
        assert 10.0 / 500.0 < impact.time - BACK < 35.0 / 200.0
        assert impact.se > 0.02
        assert impact.unclear


def _window(
    rate: float, fastest: float, *, ring_at: float | None = None, lost: tuple[float, float] = (0.0, 0.0)
) -> ShockWindow:
    """A hand that turns at 10 rad/s times a normal bump of 0.1 s around `fastest`, and rings after a blow."""
    time = np.arange(BACK - 0.6, BACK + 0.45, 1.0 / rate)
    bump = 10.0 * np.exp(-0.5 * ((time - fastest) / 0.1) ** 2)
    gyr = np.outer(bump, [0.6, 0.0, 0.8])
    acc = np.outer(np.gradient(bump, time), [0.0, 0.3, 0.1]) + np.outer(bump**2, [0.3, 0.1, 0.0])
    if ring_at is not None:
        x = time - ring_at
        ring = np.where(x >= 0.0, np.exp(-np.maximum(x, 0.0) / 0.012) * np.cos(2.0 * np.pi * 80.0 * x), 0.0)
        acc, gyr = acc + 60.0 * np.outer(ring, [0.5, -0.7, 0.5]), gyr + 1.0 * np.outer(ring, [0.7, 0.7, 0.1])
    rng = np.random.default_rng(int(1000 * fastest) + int(rate))
    acc, gyr = acc + rng.normal(0.0, 0.05, acc.shape), gyr + rng.normal(0.0, 0.003, gyr.shape)
    gone = (time > lost[0]) & (time < lost[1])
    acc[gone], gyr[gone] = np.nan, np.nan
    full = np.zeros(len(time), np.bool_)
    return ShockWindow(
        tracked_point="lead_hand", time=time, acc=acc, gyr=gyr, acc_full=full, gyr_full=full, clock_se=0.0
    )


@pytest.mark.parametrize("rate", [50.0, 100.0, 200.0, 1000.0])
def test_the_fastest_moment_is_found_at_any_rate(rate: float) -> None:
    found = clues([[_window(rate, BACK + 0.013)]], [BACK], settings=PaceSettings())
    assert found[0, 0] == pytest.approx(0.013, abs=0.003)


def test_a_gap_at_the_fastest_moment_is_told_as_unknown() -> None:
    window = _window(200.0, BACK, lost=(BACK - 0.03, BACK + 0.03))
    assert np.isnan(clues([[window]], [BACK], settings=PaceSettings())[0, 0])


@pytest.mark.parametrize("rate", [1000.0, 400.0, 200.0, 100.0])
def test_a_blow_is_placed_within_a_sample(rate: float) -> None:
    """It lies between the sample that shows it first and the one before; 0.5 ms more for its way to the hand."""
    at = BACK + 0.01 + np.linspace(-0.005, 0.005, 11)
    swings = [[_window(rate, t - 0.01, ring_at=t)] for t in at]
    errors = surprises(swings, [(BACK - 0.5, BACK)] * 11, settings=SurpriseSettings())
    curves = onset_curves(errors, [BACK] * 11, settings=OnsetSettings())
    found = place_impacts(
        curves,
        [BACK] * 11,
        np.full(11, 7.0),
        np.zeros((11, 0)),
        np.ones(11),
        np.zeros(11, np.bool_),
        settings=ImpactSettings(),
    )
    times = np.array([impact.time for impact in found if impact is not None])
    assert len(times) == 11
    assert np.abs(times - at).max() < 1.0 / rate + 0.0005


def test_a_sensor_that_feels_something_else_does_not_rule_a_blow_out() -> None:
    """By hand: each of four streams has the likelihood 1 where it saw its blow, and e⁻⁴ at least anywhere, since any
    may be wrong. The forearm's two feel only a knock 70 ms later: where the hand's blow was, e⁻⁸ is left, and nearly
    as much after the blur of a sample; where neither felt anything, e⁻¹⁶."""
    at = BACK + 0.01 + np.linspace(-0.003, 0.003, 7)
    swings = [
        [
            _window(400.0, t - 0.01, ring_at=t),
            replace(_window(400.0, t - 0.012, ring_at=t + 0.07), tracked_point="lead_forearm"),
        ]
        for t in at
    ]
    errors = surprises(swings, [(BACK - 0.5, BACK)] * len(at), settings=SurpriseSettings())
    for t, curve in zip(at, onset_curves(errors, [BACK] * len(at), settings=OnsetSettings()), strict=True):
        assert curve is not None
        near, elsewhere = np.abs(curve.time - t) < 1.0 / 400.0, np.abs(curve.time - BACK + 0.05) < 0.02
        assert curve.first[near].max() == pytest.approx(-8.0, abs=0.7)
        assert curve.first[elsewhere].max() == pytest.approx(-16.0, abs=0.7)


def _felt(rng: np.random.Generator, point: str, late: float, clock_se: float) -> ShockWindow:
    """A smooth movement and a ring from 0.6 s on, seen by a clock that is `late`; the chest feels next to nothing."""
    time = rng.uniform(0.0, 0.005) + np.arange(0.0, 1.2, 0.005)
    after = np.maximum(time - late - 0.6, 0.0)
    ring = np.where(after > 0.0, np.exp(-after / 0.02) * np.cos(2.0 * np.pi * 70.0 * after), 0.0)
    size = np.array([60.0, -40.0, 25.0]) * (0.002 if point == "chest" else 1.0)
    bend = np.sin(2.0 * np.pi * 0.8 * (time - late))[:, None] * [4.0, 2.0, -3.0]
    acc = [0.0, 0.0, 9.8] + bend + ring[:, None] * size + rng.normal(scale=0.05, size=(len(time), 3))
    gyr = 0.2 * bend + 0.02 * ring[:, None] * size + rng.normal(scale=0.003, size=(len(time), 3))
    full = np.zeros(len(time), np.bool_)
    return ShockWindow(
        tracked_point=point, time=time, acc=acc, gyr=gyr, acc_full=full, gyr_full=full, clock_se=clock_se
    )


def test_a_clock_that_the_whole_arm_shares_is_told_no_better_by_more_sensors_and_more_shots() -> None:
    """Forearm and hand agree with each other; against the chest both are off by the same, in every shot (Monte Carlo).

    So the errors of a session's impacts hardly differ, and are as large as the clock's.
    """
    rng = np.random.default_rng(8)
    sessions, shots, clock_se = 30, 6, 0.005
    errors, told = np.empty((sessions, shots)), np.empty((sessions, shots))
    for k in range(sessions):
        late = clock_se * rng.normal()
        windows = [
            [
                _felt(rng, "chest", 0.0, 0.0),
                _felt(rng, "lead_forearm", late, clock_se),
                _felt(rng, "lead_hand", late, float(np.hypot(clock_se, 0.0005))),
            ]
            for _ in range(shots)
        ]
        backs = [0.6 + late - 0.01 + 0.001 * rng.normal() for _ in range(shots)]
        curves = onset_curves(
            surprises(windows, [(0.2, back) for back in backs], settings=SurpriseSettings()),
            backs,
            settings=OnsetSettings(),
        )
        found = place_impacts(
            curves,
            backs,
            np.full(shots, 7.0),
            np.zeros((shots, 0)),
            np.ones(shots),
            np.zeros(shots, np.bool_),
            settings=ImpactSettings(),
        )
        for j, impact in enumerate(found):
            placed = on_common_clock(impact, windows[j])
            assert placed is not None
            errors[k, j], told[k, j] = placed.time - 0.6, placed.se
    assert np.std(errors - errors.mean(axis=1, keepdims=True)) < 0.0015
    assert 0.7 < np.sqrt(np.mean((errors / told) ** 2)) < 1.3
    assert np.mean(np.abs(errors) < 1.96 * told) > 0.9


def _still(time: FloatArray) -> ShockWindow:
    """A hand that does nothing at these times."""
    nothing, full = np.zeros((len(time), 3)), np.zeros(len(time), np.bool_)
    return ShockWindow(
        tracked_point="lead_hand", time=time, acc=nothing, gyr=nothing, acc_full=full, gyr_full=full, clock_se=0.0
    )


def test_the_usual_step_knows_no_step_from_one_swing_to_the_next() -> None:
    # By hand: steps of 10 and 20 ms within windows that lie seconds apart, one of them a single row, one empty.
    times = ([0.0, 0.01], [5.0, 5.02], [9.0], [])
    assert usual_step([_still(np.array(time)) for time in times]) == pytest.approx(0.015)
    assert np.isnan(usual_step([_still(np.array([3.0]))]))


def test_smooth_motion_is_predicted_by_its_recurrence_and_a_step_is_not() -> None:
    # A sinusoid obeys x[k] = 2 cos(w) x[k-1] - x[k-2] (any text on linear prediction): what is left is noise, of one
    # standard deviation. A step of 40 of them stands out by as much, in windows of different lengths.
    rng, rate, noise = np.random.default_rng(0), 200.0, 0.05
    windows, spans = [], []
    for number in range(40):
        time = 10.0 * number + np.arange(150 + number) / rate
        wave = np.stack([5.0 * np.sin(9.0 * time + phase) for phase in (0.0, 1.0, 2.0)], axis=1)
        acc = wave + noise * rng.standard_normal(wave.shape)
        acc[100] += 40.0 * noise
        windows.append([replace(_still(time), acc=acc, gyr=acc)])
        spans.append((float(time[0]), float(time[100])))
    acceleration = surprises(windows, spans, settings=SurpriseSettings())[0]
    quiet = np.isfinite(acceleration.time) & acceleration.known
    quiet[:, 95:110] = False
    # The prediction adds noise of its own to that of the sample, the same in all: errors are told in their sum.
    assert float(np.std(acceleration.error[quiet])) == pytest.approx(1.0, abs=0.05)
    assert float(np.median(acceleration.error[:, 100, 0])) > 20.0
    assert quiet.sum(axis=1).tolist() == [150 + number - 4 - 15 for number in range(40)]
