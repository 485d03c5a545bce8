"""Differences of means between two conditions of one student, with everything that makes them uncertain.

One estimator serves blocks, visits and outcomes. Where both conditions have shots within the same strapping-on, the
difference is taken inside each and averaged (the fixed-effects estimate); with one strapping-on this is Welch's
difference (Welch 1947, Biometrika 34:28). Where they have none in common, means are compared across, and the error of
strapping on again is added, with degrees of freedom after Satterthwaite (1946, Biometrics Bull. 2:110; JCGM 100:2008,
eq. G.2b).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from imuswing.compare.groups import Cells
from imuswing.compare.settings import INTERVAL_ALPHA, CompareSettings
from imuswing.measures.dictionary import BY_NAME
from imuswing.recording.model import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """P pairs of conditions: the cells of a, of b, and those of both that share a strapping-on.

    person, a, b: (P,) codes.  a_cells, b_cells, common: index arrays with the pair in the first column.
    """

    person: IntArray
    a: IntArray
    b: IntArray
    a_cells: IntArray
    b_cells: IntArray
    common: IntArray


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A difference of means with the parts of its variance, (P, M) each.

    leverage_a, leverage_b: variance of each mean over that of one shot.  spread_a, spread_b: variance of one shot.
    df_a, df_b: its degrees of freedom.  strap: variance of strapping on again.
    """

    n_a: FloatArray
    n_b: FloatArray
    mean_a: FloatArray
    mean_b: FloatArray
    leverage_a: FloatArray
    leverage_b: FloatArray
    spread_a: FloatArray
    spread_b: FloatArray
    df_a: FloatArray
    df_b: FloatArray
    strap: FloatArray


@dataclass(frozen=True, kw_only=True)
class Differences:
    """b − a for P pairs and M measures, (P, M) each; NaN where it cannot be had.

    measures, persons, conditions: what the places and codes stand for, as in `Cells`.
    same: whether it was taken within strapping-ons.
    half: half of the 95 % interval, which is also the smallest difference that these shots could tell.
    guarded_p, guarded_half: p-value against no difference, and half interval, that also hold for few shots against
    many, and where neighbouring shots resemble one another.
    drift: change a shot within the blocks.  drifting: whether it is sure and may alone explain the difference.
    """

    measures: tuple[str, ...]
    persons: tuple[tuple[str | None, str | None], ...]
    conditions: tuple[str, ...]
    pairs: Pairs
    estimate: Estimate
    difference: FloatArray
    same: BoolArray
    half: FloatArray
    guarded_p: FloatArray
    guarded_half: FloatArray
    drift: FloatArray
    drifting: BoolArray


def pair_up(cells: Cells, order: Sequence[Sequence[int]]) -> Pairs:
    """Each person's first condition against each later one; `order` lists the condition codes of each person."""
    by_condition: dict[tuple[int, int], dict[int, int]] = {}
    for k, key in enumerate(zip(cells.person.tolist(), cells.condition.tolist(), strict=True)):
        by_condition.setdefault(key, {})[int(cells.strapping[k])] = k
    rows: list[tuple[int, int, int]] = []
    a_cells: list[tuple[int, int]] = []
    b_cells: list[tuple[int, int]] = []
    common: list[tuple[int, int, int]] = []
    for person, conditions in enumerate(order):
        for b in conditions[1:]:
            pair = len(rows)
            rows.append((person, conditions[0], b))
            a_at, b_at = by_condition[person, conditions[0]], by_condition[person, b]
            a_cells += [(pair, k) for k in a_at.values()]
            b_cells += [(pair, k) for k in b_at.values()]
            common += [(pair, a_at[s], b_at[s]) for s in a_at if s in b_at]
    table = _index(rows, 3)
    return Pairs(
        person=table[:, 0],
        a=table[:, 1],
        b=table[:, 2],
        a_cells=_index(a_cells, 2),
        b_cells=_index(b_cells, 2),
        common=_index(common, 3),
    )


def differences(
    summed: Sequence[Cells], order: Callable[[Cells], Sequence[Sequence[int]]], *, settings: CompareSettings
) -> Differences:
    """b − a for every pair and measure, in the dictionary's order; order: of each person's conditions."""
    from imuswing.compare.guards import serial_inflation

    paired = [(cells, pair_up(cells, order(cells))) for cells in summed]
    # Of all measures together, so that one student's slip, which splits the measures, changes nobody else's numbers.
    inflations = serial_inflation(paired, settings=settings)
    parts = [_differences(*pair, inflation, settings) for pair, inflation in zip(paired, inflations, strict=True)]
    if len(parts) == 1:
        return parts[0]
    names = [name for part in parts for name in part.measures]
    places = sorted(range(len(names)), key=lambda k: list(BY_NAME).index(names[k]))

    def joined(of: Sequence[Any]) -> dict[str, Any]:
        arrays = [f.name for f in fields(of[0]) if isinstance(getattr(of[0], f.name), np.ndarray)]
        return {name: np.concatenate([getattr(part, name) for part in of], axis=1)[:, places] for name in arrays}

    estimate = Estimate(**joined([part.estimate for part in parts]))
    return replace(parts[0], measures=tuple(names[k] for k in places), estimate=estimate, **joined(parts))


def _differences(cells: Cells, pairs: Pairs, inflation: FloatArray, settings: CompareSettings) -> Differences:
    """b − a for every pair and those measures."""
    from imuswing.compare.guards import drift_within

    within, across = _within(cells, pairs), _across(cells, pairs, settings)
    few = np.minimum(within.n_a, within.n_b)
    # A handful that share a strapping-on tell less than all shots with that error.
    enough = (few >= settings.least_shots) | (np.minimum(across.n_a, across.n_b) < settings.least_shots)
    same = (few > 0) & enough

    def choose(name: str) -> FloatArray:
        chosen: FloatArray = np.where(same, getattr(within, name), getattr(across, name))
        return chosen

    part = Estimate(**{name: choose(name) for name in Estimate.__dataclass_fields__})
    known = (part.df_a > 0) & (part.df_b > 0)
    plain, df = _welch(part, part.spread_a, part.spread_b, settings)
    guarded = _guarded(part, inflation, settings)
    difference = part.mean_b - part.mean_a
    drift, drifting = drift_within(cells, pairs, part, usable=same & known, settings=settings)
    return Differences(
        measures=cells.measures,
        persons=cells.persons,
        conditions=cells.conditions,
        pairs=pairs,
        estimate=part,
        difference=difference,
        same=same,
        half=np.where(known, _half(plain, df), np.nan),
        guarded_p=np.where(known, _p_value(difference, *guarded), np.nan),
        guarded_half=np.where(known, _half(*guarded), np.nan),
        drift=drift,
        drifting=drifting,
    )


def _welch(
    part: Estimate, spread_a: FloatArray, spread_b: FloatArray, settings: CompareSettings
) -> tuple[FloatArray, FloatArray]:
    """Standard error of the difference and its degrees of freedom."""
    v_a, v_b = spread_a * part.leverage_a, spread_b * part.leverage_b
    strap_df = 0.5 / settings.visit_doubt**2
    total = v_a + v_b + part.strap
    below = _share(v_a, part.df_a) + _share(v_b, part.df_b) + part.strap**2 / strap_df
    df = np.where(below > 0.0, total**2 / np.where(below > 0.0, below, 1.0), part.df_a + part.df_b)
    return np.sqrt(total), np.maximum(df, 1.0)


def _guarded(part: Estimate, inflation: FloatArray, settings: CompareSettings) -> tuple[FloatArray, FloatArray]:
    """Standard error and degrees of freedom that also hold far out in the tail, where many measures are tested.

    With few shots on one side and many on the other, those few may show too small a spread by chance; Welch's degrees
    of freedom then count the many, and far out he is wrong ten times too often (scripts/compare_power.py). Here they
    are never more than if the side with fewer shots had a variance as many times larger as the other has shots. With as
    many shots on either side that is the number for equal spreads, which Welch's never exceeds.
    """
    spread_a, spread_b = part.spread_a * inflation, part.spread_b * inflation
    common = (spread_a * part.df_a + spread_b * part.df_b) / np.maximum(part.df_a + part.df_b, 1.0)
    ratio = np.maximum(part.n_a, 1.0) / np.maximum(part.n_b, 1.0)
    se, df = _welch(part, spread_a, spread_b, settings)
    _, worst = _welch(part, common * np.maximum(1.0 / ratio, 1.0), common * np.maximum(ratio, 1.0), settings)
    return se, np.minimum(df, worst)


def _p_value(difference: FloatArray, se: FloatArray, df: FloatArray) -> FloatArray:
    """Two-sided, against no difference; a difference without any spread counts as sure."""
    from scipy.stats import t

    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(difference == 0.0, 0.0, np.abs(difference) / se)
    return np.asarray(2.0 * t.sf(ratio, df))


def _half(se: FloatArray, df: FloatArray) -> FloatArray:
    from scipy.stats import t

    return np.asarray(t.ppf(1.0 - INTERVAL_ALPHA / 2.0, df) * se)


def _index(rows: Sequence[tuple[int, ...]], width: int) -> IntArray:
    return np.array(rows, dtype=np.intp).reshape(-1, width)


def add_up(pair: IntArray, rows: FloatArray, count: int) -> FloatArray:
    """Rows (K, M) summed by their pair, (count, M); rows stand pair by pair."""
    total = np.zeros((count, rows.shape[1]))
    if len(pair):
        starts = np.flatnonzero(np.r_[True, pair[1:] != pair[:-1]])
        total[pair[starts]] = np.add.reduceat(rows, starts, axis=0)
    return total


def _share(variance: FloatArray, df: FloatArray) -> FloatArray:
    return np.where(df > 0, variance**2 / np.maximum(df, 1.0), 0.0)


def _within(cells: Cells, pairs: Pairs) -> Estimate:
    """Averaged over common strapping-ons, each weighted by n_a·n_b/(n_a + n_b): least squares with their effects fixed.

    The spread of a condition is taken as the same in every strapping-on, so that few shots in each still tell it.
    """
    pair, a, b = pairs.common.T
    count = len(pairs.a)
    n_a, n_b = cells.n[a], cells.n[b]
    weight = n_a * n_b / np.maximum(n_a + n_b, 1.0)
    used = weight > 0.0
    total = add_up(pair, weight, count)
    share = weight / np.where(total > 0.0, total, 1.0)[pair]

    def side(k: IntArray, n: FloatArray) -> tuple[FloatArray, ...]:
        df = add_up(pair, np.where(used, n - 1.0, 0.0), count)
        spread = add_up(pair, np.where(used, cells.ss[k], 0.0), count) / np.maximum(df, 1.0)
        mean = add_up(pair, np.where(used, share * cells.mean[k], 0.0), count)
        leverage = add_up(pair, share**2 / np.maximum(n, 1.0), count)
        return add_up(pair, np.where(used, n, 0.0), count), mean, leverage, df, spread

    (m_a, mean_a, l_a, df_a, s_a), (m_b, mean_b, l_b, df_b, s_b) = side(a, n_a), side(b, n_b)
    return Estimate(
        n_a=m_a, n_b=m_b, mean_a=mean_a, mean_b=mean_b, leverage_a=l_a, leverage_b=l_b,
        df_a=df_a, df_b=df_b, spread_a=s_a, spread_b=s_b, strap=np.zeros_like(l_a),
    )  # fmt: skip


def _across(cells: Cells, pairs: Pairs, settings: CompareSettings) -> Estimate:
    """Plain means of all shots of either side, each with its own error of strapping on.

    That error is the larger of what the shots' standard errors say is shared and of what the settings hold.
    """
    sizes = [settings.sizes[name] for name in cells.measures]
    shared = np.array([size.shared for size in sizes])
    least = np.array([size.visit_sd for size in sizes])
    count = len(pairs.a)

    def side(index: IntArray) -> tuple[FloatArray, ...]:
        pair, k = index.T
        n = add_up(pair, cells.n[k], count)
        some = np.maximum(n, 1.0)
        held = np.where(cells.n[k] > 0, cells.mean[k], 0.0)
        mean = add_up(pair, cells.n[k] * held, count) / some
        between = cells.n[k] * (held - mean[pair]) ** 2
        df = np.maximum(n - 1.0, 0.0)
        spread = add_up(pair, cells.ss[k] + between, count) / np.maximum(df, 1.0)
        one = np.maximum(shared * cells.se2[k], least**2)
        strap = add_up(pair, one * (cells.n[k] / some[pair]) ** 2, count)
        return n, np.where(n > 0, mean, np.nan), 1.0 / some, df, spread, strap

    (n_a, mean_a, l_a, df_a, s_a, u_a), (n_b, mean_b, l_b, df_b, s_b, u_b) = side(pairs.a_cells), side(pairs.b_cells)
    return Estimate(
        n_a=n_a, n_b=n_b, mean_a=mean_a, mean_b=mean_b, leverage_a=l_a, leverage_b=l_b,
        df_a=df_a, df_b=df_b, spread_a=s_a, spread_b=s_b, strap=u_a + u_b,
    )  # fmt: skip
