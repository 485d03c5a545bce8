"""Reductions over the three columns of long arrays: by column they take a tenth of the time along the short axis."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray

FOLD = 64
"""Rows that a reduction over long columns takes side by side."""

CHUNK_ROWS = 16384
"""So many rows are worked on at a time, so that what is between stays in the processor's cache."""


def finite_rows(values: FloatArray) -> BoolArray:
    """(N,) rows of (N, 3) without NaN."""
    return np.asarray(np.isfinite(values[:, 0] + values[:, 1] + values[:, 2]))


def any_column(masks: BoolArray) -> BoolArray:
    """(N,) rows of (N, 3) with a true value."""
    return np.asarray(masks[:, 0] | masks[:, 1] | masks[:, 2])


def magnitude(values: FloatArray) -> FloatArray:
    """(N,) lengths of (N, 3)."""
    out = np.empty(len(values))
    for first in range(0, len(values), CHUNK_ROWS):
        square = values[first : first + CHUNK_ROWS] ** 2
        np.sqrt(square[:, 0] + square[:, 1] + square[:, 2], out=out[first : first + CHUNK_ROWS])
    return out


def block_sums(values: FloatArray, size: int) -> FloatArray:
    """(N // size, M) sums over blocks of (N, M); a tail that fills no block is left out."""
    blocks, columns = len(values) // size, values.shape[1]
    # As a product with ones and zeros they take a third of the time.
    return np.asarray(values[: blocks * size].reshape(blocks, size * columns) @ _each_column(size, columns))


@lru_cache(maxsize=64)
def _each_column(size: int, columns: int) -> FloatArray:
    """(size · M, M), read-only: what sums each column of `size` rows that stand one after the other."""
    ones = np.tile(np.eye(columns), (size, 1))
    ones.flags.writeable = False
    return ones


def span_sums(values: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Sums (S, ...) of rows [first, last) of (N, ...); spans are not empty, in order, and do not overlap."""
    if len(first) == 0:
        return np.zeros((0, *values.shape[1:]))
    edges = np.column_stack((first, last)).ravel()
    # The sums between spans are left out; so is the end of the last one where it is the end of all.
    edges = edges[: len(edges) - int(edges[-1] == len(values))]
    return np.asarray(np.add.reduceat(values, edges, axis=0)[::2])


def greatest_size(values: FloatArray) -> float:
    """The largest absolute value of (N, M), NaN left out; 0 where there is none."""
    flat = np.ravel(values)
    return float(max(np.fmax.reduce(flat, initial=0.0), -np.fmin.reduce(flat, initial=0.0)))


def extremes(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least and greatest (M,) of each column of (N, M), NaN left out, 0 among them."""
    count = len(values) // FOLD
    # So many rows side by side first: along long rows a reduction takes a tenth of the time.
    folded = values[: count * FOLD].reshape(count, FOLD * values.shape[1])
    found = []
    for pick in (np.fmin, np.fmax):
        some = pick.reduce(folded, axis=0, initial=0.0).reshape(-1, values.shape[1])
        rest = pick.reduce(values[count * FOLD :], axis=0, initial=0.0)
        found.append(np.asarray(pick(pick.reduce(some, axis=0, initial=0.0), rest)))
    return found[0], found[1]


def median(values: FloatArray) -> float:
    """Of (N,), N ≥ 1: `numpy.median` at a fraction of its overhead on short arrays."""
    ordered = np.sort(values)
    return float(0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]))


def windows(values: FloatArray, width: int) -> FloatArray:
    """(N - width + 1, width, ...) every `width` successive rows of (N, ...), copied: quicker than a view when short."""
    return np.asarray(values[np.arange(len(values) - width + 1)[:, None] + np.arange(width)])


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First and one-past-last index of each run of true values in (N,)."""
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    if len(mask) and mask[0]:
        edges = np.concatenate(([0], edges))
    if len(edges) % 2:
        edges = np.concatenate((edges, [len(mask)]))
    return edges[::2], edges[1::2]
