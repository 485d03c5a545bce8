"""Reductions over the three columns of long arrays: by column they take a tenth of the time along the short axis."""

from __future__ import annotations

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray, IntArray


def finite_rows(values: FloatArray) -> BoolArray:
    """(N,) rows of (N, 3) without NaN."""
    return np.asarray(np.isfinite(values[:, 0] + values[:, 1] + values[:, 2]))


def any_column(masks: BoolArray) -> BoolArray:
    """(N,) rows of (N, 3) with a true value."""
    return np.asarray(masks[:, 0] | masks[:, 1] | masks[:, 2])


def magnitude(values: FloatArray) -> FloatArray:
    """(N,) lengths of (N, 3)."""
    return np.asarray(np.sqrt(np.einsum("nc,nc->n", values, values)))


def block_sums(values: FloatArray, size: int) -> FloatArray:
    """(N // size, 3) sums over blocks of (N, 3); a tail that fills no block is left out."""
    blocks = len(values) // size
    return np.asarray(np.einsum("bsc->bc", values[: blocks * size].reshape(blocks, size, values.shape[1])))


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """First and one-past-last index of each run of true values in (N,)."""
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    if len(mask) and mask[0]:
        edges = np.concatenate(([0], edges))
    if len(edges) % 2:
        edges = np.concatenate((edges, [len(mask)]))
    return edges[::2], edges[1::2]
