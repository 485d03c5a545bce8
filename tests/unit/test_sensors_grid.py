"""Even grids from uneven rows: true rate, missing rows, jitter of the samples or only of their stamps."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.sensors.grid import even_grid, resample, resample_means, true_jitter

RATE = 200.0


def stamps(count: int, rate: float, *, jitter_s: float = 0.0, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    time = np.arange(count) / rate
    time[1:] += np.clip(rng.normal(0.0, jitter_s, count - 1), -0.3 / rate, 0.3 / rate)
    return time


def test_a_rate_that_is_one_percent_off_is_found() -> None:
    grid = even_grid(stamps(5000, 1.01 * RATE), nominal_rate=RATE)
    assert grid.rate == pytest.approx(1.01 * RATE, rel=1e-9)
    assert grid.late is None
    np.testing.assert_array_equal(grid.index, np.arange(5000))


@pytest.mark.parametrize("decimals", [3, 4])
@pytest.mark.parametrize("rate", [225.0, 333.3, 119.88])
def test_rounded_stamps_give_the_rate(rate: float, decimals: int) -> None:
    """The median step of times in whole milliseconds would be wrong by up to 10 %; what is left is one rounding over
    the whole recording."""
    grid = even_grid(np.round(np.arange(4000) / rate, decimals), nominal_rate=rate)
    assert grid.rate == pytest.approx(rate, rel=10.0**-decimals / (4000 / rate))
    assert grid.count == 4000


def test_missing_rows_leave_holes() -> None:
    rng = np.random.default_rng(1)
    time = stamps(4000, RATE, jitter_s=0.0003)
    kept = np.ones(4000, bool)
    kept[1:-1] = rng.random(3998) > 0.03
    kept[1000:1040] = kept[2000:2003] = False
    grid = even_grid(time[kept], nominal_rate=RATE)
    assert grid.count == 4000
    np.testing.assert_array_equal(grid.index, np.flatnonzero(kept))
    placed = grid.place(np.column_stack([time[kept]] * 3))
    np.testing.assert_array_equal(np.isnan(placed[:, 0]), ~kept)


def test_late_arrival_is_no_lost_row() -> None:
    """Rows that a radio delivers late, some by more than a sample, and one true loss of three rows."""
    rng = np.random.default_rng(2)
    kept = np.ones(3000, bool)
    kept[1500:1503] = False
    time = (np.arange(3000) / RATE)[kept]
    time = np.maximum.accumulate(time + np.where(rng.random(len(time)) < 0.05, rng.exponential(0.004, len(time)), 0.0))
    time += np.arange(len(time)) * 1e-9
    grid = even_grid(time, nominal_rate=RATE)
    assert grid.count == 3000
    assert grid.rate == pytest.approx(RATE, rel=1e-4)
    assert np.mean(grid.index == np.flatnonzero(kept)) > 0.995


def test_a_pause_keeps_the_time() -> None:
    time = np.concatenate((np.arange(1000), np.arange(3000, 5000))) / RATE
    grid = even_grid(time, nominal_rate=RATE)
    assert grid.count == 5000
    assert grid.time[-1] == pytest.approx(time[-1])


def motion(time: np.ndarray) -> np.ndarray:
    """Three sines up to 6 Hz, as a fast arm's turn rate may have."""
    return np.column_stack([10.0 * np.sin(2.0 * np.pi * f * time + f) for f in (1.0, 3.0, 6.0)])


def motion_means(time: np.ndarray) -> np.ndarray:
    before = np.concatenate(([2.0 * time[0] - time[1]], time[:-1]))
    columns = []
    for f in (1.0, 3.0, 6.0):
        w = 2.0 * np.pi * f
        columns.append(10.0 / w * (np.cos(w * before + f) - np.cos(w * time + f)) / (time - before))
    return np.column_stack(columns)


def test_samples_taken_at_uneven_times_are_put_on_the_grid() -> None:
    time = stamps(2000, RATE, jitter_s=0.0008)
    grid = even_grid(time, nominal_rate=RATE)
    assert grid.late is not None
    values = motion(time)
    assert true_jitter(values, grid.late)
    worst = np.abs(values - motion(grid.time))[5:-5].max()
    assert worst > 0.3
    assert np.abs(resample(values, grid.late) - motion(grid.time))[5:-5].max() < 0.002


def test_means_taken_at_uneven_times_are_put_on_the_grid() -> None:
    time = stamps(2000, RATE, jitter_s=0.0008)
    grid = even_grid(time, nominal_rate=RATE)
    assert grid.late is not None
    got = resample_means(motion_means(time), grid.late)
    assert np.abs(got - motion_means(grid.time))[5:-5].max() < 0.01


def test_even_samples_with_uneven_stamps_are_left_alone() -> None:
    time = stamps(2000, RATE, jitter_s=0.0008)
    grid = even_grid(time, nominal_rate=RATE)
    assert grid.late is not None
    assert not true_jitter(motion(np.arange(2000) / RATE), grid.late)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4])
def test_very_few_rows(count: int) -> None:
    grid = even_grid(np.arange(count) / RATE, nominal_rate=RATE)
    assert grid.count == count
    assert grid.place(np.zeros((count, 3))).shape == (count, 3)


@pytest.mark.parametrize("rate", [50.0, 100.0, 128.0, 200.0, 400.0])
def test_an_even_rate_is_exact_whatever_the_last_digits_of_the_times_are(rate: float) -> None:
    # Sums in another order move a mean's last digits; a rest of so many samples must not be a sample longer for it.
    rng = np.random.default_rng(3)
    for count in (1000, 20011, 30000):
        time = np.arange(count) / rate + 17.0
        time += rng.normal(size=count) * 1e-12
        assert even_grid(time, nominal_rate=rate).rate == rate
