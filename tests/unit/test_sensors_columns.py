"""Sums, medians and windows over arrays against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from imuswing.sensors.columns import (
    CHUNK_ROWS,
    block_sums,
    extremes,
    greatest_size,
    magnitude,
    median,
    span_sums,
    windows,
)

VALUES = np.random.default_rng(3).normal(size=(40, 3))


@pytest.mark.parametrize("spans", [[(0, 5)], [(3, 4), (4, 9), (20, 40)], [(0, 40)], []])
def test_span_sums_are_those_of_slices(spans: list[tuple[int, int]]) -> None:
    first, last = np.array(spans, dtype=np.intp).reshape(-1, 2).T
    found = span_sums(VALUES, first, last)
    assert found.shape == (len(spans), 3)
    for row, (i, j) in zip(found, spans, strict=True):
        np.testing.assert_allclose(row, VALUES[i:j].sum(axis=0), rtol=1e-12)


@pytest.mark.parametrize("count", [1, 2, 7, 40])
def test_median_is_numpys(count: int) -> None:
    assert median(VALUES[:count, 0]) == np.median(VALUES[:count, 0])


def test_windows_are_numpys() -> None:
    np.testing.assert_array_equal(
        windows(VALUES, 4), np.lib.stride_tricks.sliding_window_view(VALUES, 4, axis=0).swapaxes(1, 2)
    )


def test_greatest_size_leaves_nan_out() -> None:
    assert greatest_size(np.array([[1.0, -7.0, np.nan], [np.nan, 2.0, 3.0]])) == 7.0
    assert greatest_size(np.full((2, 3), np.nan)) == 0.0


@pytest.mark.parametrize("count", [0, 1, 63, 64, 65, 300])
def test_extremes_are_those_of_each_column_with_nan_left_out(count: int) -> None:
    values = np.random.default_rng(count).normal(size=(count, 3))
    values[::7, 1] = np.nan
    with_zero = np.nan_to_num(np.concatenate((values, np.zeros((1, 3)))))
    low, high = extremes(values)
    np.testing.assert_array_equal(low, with_zero.min(axis=0))
    np.testing.assert_array_equal(high, with_zero.max(axis=0))


@pytest.mark.parametrize("count", [0, 1, 50, CHUNK_ROWS + 3])
def test_magnitude_is_numpys_norm(count: int) -> None:
    values = np.random.default_rng(5).normal(size=(count, 3))
    np.testing.assert_allclose(magnitude(values), np.linalg.norm(values, axis=1), rtol=1e-14)


@pytest.mark.parametrize(("count", "size"), [(7, 10), (20, 10), (29, 10), (5, 1)])
@pytest.mark.parametrize("columns", [1, 3])
def test_block_sums_are_those_of_slices(count: int, size: int, columns: int) -> None:
    values = np.random.default_rng(6).normal(size=(count, columns))
    expected = [values[k * size : (k + 1) * size].sum(axis=0) for k in range(count // size)]
    np.testing.assert_allclose(block_sums(values, size), np.reshape(expected, (-1, columns)), atol=1e-13)
