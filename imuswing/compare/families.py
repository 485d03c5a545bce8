"""Many measures tested at once: adjusted p-values of one family, with more weight for the measures worked on."""

from __future__ import annotations

import numpy as np

from imuswing.recording.model import BoolArray, FloatArray


def weights(is_goal: BoolArray, *, goal_share: float) -> FloatArray:
    """Weights (M,) that sum to 1: goals share `goal_share` evenly, the others the rest; one kind alone takes all."""
    goals, others = int(is_goal.sum()), int((~is_goal).sum())
    if not goals or not others:
        return np.full(len(is_goal), 1.0 / max(len(is_goal), 1))
    return np.where(is_goal, goal_share / goals, (1.0 - goal_share) / others)


def holm(p: FloatArray, weight: FloatArray) -> FloatArray:
    """Adjusted p-values (P, M) of P families: at or below α, the chance of any false one in a family is at most α.

    Weighted step-down procedure (Holm 1979, Scand J Stat 6:65, section 3); equal weights give the plain one. It holds
    whatever the correlation of the measures.
    """
    order = np.argsort(p / weight, axis=1)
    sorted_p, sorted_weight = np.take_along_axis(p, order, 1), weight[order]
    left = np.cumsum(sorted_weight[:, ::-1], axis=1)[:, ::-1]
    stepped = np.minimum(np.maximum.accumulate(sorted_p / sorted_weight * left, axis=1), 1.0)
    adjusted = np.empty_like(stepped)
    np.put_along_axis(adjusted, order, stepped, 1)
    return adjusted


def false_discovery(p: FloatArray, weight: FloatArray) -> FloatArray:
    """Adjusted p-values (P, M) of P families: of all at or below q, a share of at most q is expected to be false.

    Benjamini & Hochberg (1995, J R Stat Soc B 57:289) on weighted p-values (Genovese, Roeder & Wasserman 2006,
    Biometrika 93:509); the step itself is SciPy's.
    """
    from scipy.stats import false_discovery_control

    return np.asarray(false_discovery_control(np.minimum(p / (weight * len(weight)), 1.0), axis=1))


def adjust(p: FloatArray, is_goal: BoolArray, *, goal_share: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Holm's and Benjamini–Hochberg's adjusted p-values and the weights, (P, M) each; NaN stays out of its family."""
    by_holm, by_discovery, used = (np.full(p.shape, np.nan) for _ in range(3))
    there = np.isfinite(p)
    kinds, which = np.unique(there, axis=0, return_inverse=True) if len(p) else (there, np.zeros(0, dtype=np.intp))
    for k, mask in enumerate(kinds):
        if not mask.any():
            continue
        cell = np.ix_(np.flatnonzero(np.ravel(which) == k), np.flatnonzero(mask))
        weight = weights(is_goal[mask], goal_share=goal_share)
        by_holm[cell] = holm(p[cell], weight)
        by_discovery[cell] = false_discovery(p[cell], weight)
        used[cell] = weight
    return by_holm, by_discovery, used
