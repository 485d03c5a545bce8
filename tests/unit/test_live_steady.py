"""Steady clocks: gaps stay gaps, a clock that jumps or restarts is carried on, late radio is no jump."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from imuswing.live.buffer import Tail
from imuswing.live.model import Chunk, SensorHead, SystemHead
from imuswing.live.steady import JUMP_S, Steady, steadied

HEAD = SystemHead(name="imu", rate=100.0, sensors=(SensorHead(tracked_point="chest"),))


def rows(*times: float) -> np.ndarray:
    made = np.zeros((len(times), HEAD.columns))
    made[:, 0] = times
    return made


def played(*chunks: tuple[float, np.ndarray]) -> tuple[np.ndarray, list[tuple[float, str]]]:
    """Times that come through, and what was said when."""
    clock, times, said = Steady(), [np.zeros(0)], []
    for arrival, part in chunks:
        clock, through, change = steadied(clock, Chunk(system="imu", rows=part, arrival=arrival))
        times.append(through[:, 0])
        said += [(arrival, change)] if change is not None else []
    return np.concatenate(times), said


def even(start: float, end: float, *, own: float = 0.0, late: float = 0.0) -> list[tuple[float, np.ndarray]]:
    """Chunks of 0.1 s between two times by this computer; own: what their clock shows more than that."""
    steps = np.arange(start, end - 1e-9, 0.1)
    return [(t + 0.1 + late, rows(*(t + own + np.arange(10) / 100.0))) for t in steps]


def test_a_dropout_stays_a_gap_of_its_length() -> None:
    times, said = played(*even(0.0, 1.0), *even(4.0, 5.0))
    assert said == []
    np.testing.assert_allclose(times, np.concatenate([np.arange(100), 400 + np.arange(100)]) / 100.0, atol=1e-9)


def test_a_sensor_that_restarts_its_clock_goes_on_after_the_gap() -> None:
    # 3 s by this computer's clock without a sample; then its own clock begins at 0 again.
    times, said = played(*even(0.0, 2.0), *even(5.0, 7.0, own=-5.0))
    assert [change for _, change in said] == ["clock_changed"]
    np.testing.assert_allclose(times, np.concatenate([np.arange(200), 500 + np.arange(200)]) / 100.0, atol=1e-9)


def test_a_clock_that_jumps_ahead_is_put_back_at_once() -> None:
    times, said = played(*even(0.0, 2.0), *even(2.0, 4.0, own=100.0))
    assert [change for _, change in said] == ["clock_changed"]
    assert np.all(np.diff(times) > 0.0)
    assert times[-1] < 4.1


def test_samples_that_the_radio_held_up_are_no_jump() -> None:
    held = [(2.6, part) for _, part in even(2.0, 2.5)]
    times, said = played(*even(0.0, 2.0), *held, *even(2.5, 4.0))
    assert said == []
    np.testing.assert_allclose(times, np.arange(400) / 100.0, atol=1e-9)


def test_a_clock_that_lags_for_good_is_believed_after_a_second() -> None:
    times, said = played(*even(0.0, 2.0), *even(4.0, 8.0, own=-2.0 + 0.005))
    assert [change for _, change in said] == ["clock_changed"]
    assert 4.9 < said[0][0] < 5.4
    assert np.all(np.diff(times) > 0.0)
    assert abs(times[-1] - 7.99) < 0.02


def test_rows_that_repeat_or_go_back_are_left_out() -> None:
    times, _ = played((0.05, rows(0.0, 0.01, 0.01, 0.005, 0.02)), (0.06, rows(0.02, 0.03)))
    np.testing.assert_allclose(times, [0.0, 0.01, 0.02, 0.03])


def test_what_the_radio_sends_twice_or_out_of_order_moves_no_clock() -> None:
    chunks = even(0.0, 2.0)
    twice = (chunks[-1][0] + 0.03, chunks[-1][1])
    overtaken = [(2.3, even(2.1, 2.2)[0][1]), (2.31, even(2.0, 2.1)[0][1])]
    times, said = played(*chunks, twice, *overtaken, *even(2.2, 4.0))
    assert said == []
    # What was overtaken stands nowhere any more: rows are appended in their order.
    np.testing.assert_allclose(times, np.concatenate([np.arange(200), np.arange(210, 400)]) / 100.0, atol=1e-9)


def test_a_first_chunk_with_rows_sent_twice_is_put_in_order_on_the_time_of_the_others() -> None:
    # The others' time began 12 s ago, and this sensor's own clock just now.
    part = rows(0.0, 0.01, 0.02, 0.01, 0.02, 0.03)
    _, through, _ = steadied(Steady(delay=0.0, silent=True), Chunk(system="imu", rows=part, arrival=12.03))
    np.testing.assert_allclose(through[:, 0], [0.0, 12.0, 12.01, 12.02, 12.03])


def test_slow_drift_is_followed_without_a_word() -> None:
    # 200 ppm for ten minutes is 0.12 s; three times the drift of usual crystals, longer than a lesson's pause.
    parts = [(t + 0.1, rows(*((t + np.arange(10) / 100.0) * (1.0 + 2e-4)))) for t in np.arange(0.0, 600.0, 0.1)]
    times, said = played(*parts)
    assert said == []
    assert len(times) == 60000
    assert JUMP_S > 0.12


def test_silence_is_seen_and_its_end_is_said() -> None:
    clock, _, _ = steadied(Steady(), Chunk(system="imu", rows=rows(0.0), arrival=0.0))
    assert not clock.is_silent(0.4)
    assert clock.is_silent(0.6)
    _, _, change = steadied(replace(clock, silent=True), Chunk(system="imu", rows=rows(3.0), arrival=3.0))
    assert change == "came_back"


def test_a_link_that_sends_in_bursts_has_not_dropped_out_between_them() -> None:
    clock = Steady()
    for k in range(10):
        part = rows(*(0.6 * k + np.arange(60) / 100.0))
        silent = clock.is_silent(0.6 * (k + 1) - 0.01)
        clock, _, _ = steadied(clock, Chunk(system="imu", rows=part, arrival=0.6 * (k + 1)))
    assert not silent
    assert clock.is_silent(0.6 * 10 + 1.0)
    # A pause after which samples are missing was a drop-out, and the next one is told as soon as ever.
    clock, _, _ = steadied(Steady(), Chunk(system="imu", rows=rows(0.0, 0.01), arrival=0.01))
    clock, _, _ = steadied(clock, Chunk(system="imu", rows=rows(0.9, 0.91), arrival=0.91))
    assert clock.is_silent(1.5)


def test_the_tail_keeps_what_it_must_and_finds_it_again() -> None:
    tail = Tail(head=HEAD)
    for _, part in even(0.0, 30.0):
        tail = tail.with_rows(part, keep_s=10.0)
    assert 9.99 <= tail.held_s < 12.1
    np.testing.assert_allclose(tail.since(25.0)[:, 0], np.arange(2500, 3000) / 100.0, atol=1e-9)
    np.testing.assert_allclose(tail.since(25.0, 26.0)[:, 0], np.arange(2500, 2601) / 100.0, atol=1e-9)
    assert len(Tail(head=HEAD).since(0.0)) == 0
