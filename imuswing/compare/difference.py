"""Differences of means between two conditions of one student, with everything that makes them uncertain.

One estimator serves blocks, visits and outcomes. Where both conditions have shots within the same strapping-on, the
difference is taken inside each and averaged (the fixed-effects estimate); with one strapping-on this is Welch's
difference (Welch 1947, Biometrika 34:28). Where they have none in common, means are compared across, and the error of
strapping on again is added, with degrees of freedom after Satterthwaite (1946, Biometrics Bull. 2:110; JCGM 100:2008,
eq. G.2b).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.compare.groups import Cells
from imuswing.compare.settings import INTERVAL_ALPHA, CompareSettings
from imuswing.recording.model import BoolArray, FloatArray, IntArray

MOST_SERIAL = 0.8
"""Correlation of neighbouring shots above which it is taken as this: with few shots more would be noise."""


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
class Differences:
    """(P, M) each: b − a and how well it is known; NaN where it cannot be had.

    n_a, n_b: shots used.  difference, se, df: estimate, standard error, degrees of freedom.
    spread_a, spread_b: variance of one shot.  strap: variance of strapping on again.
    guarded_se: the standard error where neighbouring shots resemble one another; `se` where they do not.
    same: whether the difference was taken within strapping-ons.
    drifting: whether the measure drifts within the blocks so that the drift alone may explain the difference.
    drift: drift a shot.
    """

    pairs: Pairs
    n_a: FloatArray
    n_b: FloatArray
    mean_a: FloatArray
    mean_b: FloatArray
    difference: FloatArray
    se: FloatArray
    guarded_se: FloatArray
    df: FloatArray
    spread_a: FloatArray
    spread_b: FloatArray
    strap: FloatArray
    same: BoolArray
    drifting: BoolArray
    drift: FloatArray

    def p_values(self, se: FloatArray) -> FloatArray:
        """Two-sided, against no difference; a difference without any spread counts as sure."""
        from scipy.stats import t

        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(self.difference == 0.0, 0.0, np.abs(self.difference) / se)
        return np.asarray(2.0 * t.sf(ratio, self.df))

    def half_width(self, se: FloatArray) -> FloatArray:
        """Half of the 95 % interval: with `self.se`, the smallest difference that these shots could tell."""
        from scipy.stats import t

        return np.asarray(t.ppf(1.0 - INTERVAL_ALPHA / 2.0, self.df) * se)


@dataclass(frozen=True, kw_only=True)
class _Estimate:
    """A difference with the parts of its variance, (P, M) each."""

    n_a: FloatArray
    n_b: FloatArray
    mean_a: FloatArray
    mean_b: FloatArray
    variance_a: FloatArray
    variance_b: FloatArray
    df_a: FloatArray
    df_b: FloatArray
    spread_a: FloatArray
    spread_b: FloatArray
    strap: FloatArray


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


def differences(cells: Cells, pairs: Pairs, *, settings: CompareSettings) -> Differences:
    """b − a for every pair and measure."""
    within, across = _within(cells, pairs), _across(cells, pairs, settings)
    same = (within.n_a > 0) & (within.n_b > 0)

    def choose(name: str) -> FloatArray:
        chosen: FloatArray = np.where(same, getattr(within, name), getattr(across, name))
        return chosen

    part = _Estimate(**{name: choose(name) for name in _Estimate.__dataclass_fields__})
    v_a, v_b = part.variance_a, part.variance_b
    strap_df = 0.5 / settings.visit_doubt**2
    with np.errstate(divide="ignore", invalid="ignore"):
        total = v_a + v_b + part.strap
        below = _share(v_a, part.df_a) + _share(v_b, part.df_b) + part.strap**2 / strap_df
        df = np.where(below > 0.0, total**2 / below, part.df_a + part.df_b)
    known = (part.n_a >= 2) & (part.n_b >= 2) & (part.df_a > 0) & (part.df_b > 0)
    inflation = _serial_inflation(cells, pairs, settings)
    drift, drifting = _drift(cells, pairs, part, same & known, settings)
    return Differences(
        pairs=pairs,
        n_a=part.n_a,
        n_b=part.n_b,
        mean_a=part.mean_a,
        mean_b=part.mean_b,
        difference=part.mean_b - part.mean_a,
        se=np.where(known, np.sqrt(total), np.nan),
        guarded_se=np.where(known, np.sqrt((v_a + v_b) * inflation + part.strap), np.nan),
        df=np.where(known, df, np.nan),
        spread_a=part.spread_a,
        spread_b=part.spread_b,
        strap=part.strap,
        same=same,
        drifting=drifting,
        drift=drift,
    )


def _index(rows: Sequence[tuple[int, ...]], width: int) -> IntArray:
    return np.array(rows, dtype=np.intp).reshape(-1, width)


def _add(pair: IntArray, rows: FloatArray, count: int) -> FloatArray:
    """Rows (K, M) summed by their pair, (count, M); rows stand pair by pair."""
    total = np.zeros((count, rows.shape[1]))
    if len(pair):
        starts = np.flatnonzero(np.r_[True, pair[1:] != pair[:-1]])
        total[pair[starts]] = np.add.reduceat(rows, starts, axis=0)
    return total


def _share(variance: FloatArray, df: FloatArray) -> FloatArray:
    return np.where(df > 0, variance**2 / np.maximum(df, 1.0), 0.0)


def _within(cells: Cells, pairs: Pairs) -> _Estimate:
    """Averaged over common strapping-ons, each weighted by n_a·n_b/(n_a + n_b): least squares with their effects fixed.

    The spread of a condition is taken as the same in every strapping-on, so that few shots in each still tell it.
    """
    pair, a, b = pairs.common.T
    count = len(pairs.a)
    n_a, n_b = cells.n[a], cells.n[b]
    weight = n_a * n_b / np.maximum(n_a + n_b, 1.0)
    used = weight > 0.0
    total = _add(pair, weight, count)
    share = weight / np.where(total > 0.0, total, 1.0)[pair]

    def side(k: IntArray, n: FloatArray) -> tuple[FloatArray, ...]:
        df = _add(pair, np.where(used, n - 1.0, 0.0), count)
        spread = _add(pair, np.where(used, cells.ss[k], 0.0), count) / np.maximum(df, 1.0)
        mean = _add(pair, np.where(used, share * cells.mean[k], 0.0), count)
        leverage = _add(pair, share**2 / np.maximum(n, 1.0), count)
        return _add(pair, np.where(used, n, 0.0), count), mean, spread * leverage, df, spread

    (m_a, mean_a, v_a, df_a, s_a), (m_b, mean_b, v_b, df_b, s_b) = side(a, n_a), side(b, n_b)
    return _Estimate(
        n_a=m_a, n_b=m_b, mean_a=mean_a, mean_b=mean_b, variance_a=v_a, variance_b=v_b,
        df_a=df_a, df_b=df_b, spread_a=s_a, spread_b=s_b, strap=np.zeros_like(v_a),
    )  # fmt: skip


def _across(cells: Cells, pairs: Pairs, settings: CompareSettings) -> _Estimate:
    """Plain means of all shots of either side, each with its own error of strapping on.

    That error is the larger of what the shots' standard errors say is shared and of what the settings hold.
    """
    sizes = [settings.sizes[name] for name in cells.measures]
    shared = np.array([size.shared for size in sizes])
    least = np.array([size.visit_sd for size in sizes])
    count = len(pairs.a)

    def side(index: IntArray) -> tuple[FloatArray, ...]:
        pair, k = index.T
        n = _add(pair, cells.n[k], count)
        some = np.maximum(n, 1.0)
        held = np.where(cells.n[k] > 0, cells.mean[k], 0.0)
        mean = _add(pair, cells.n[k] * held, count) / some
        between = cells.n[k] * (held - mean[pair]) ** 2
        df = np.maximum(n - 1.0, 0.0)
        spread = _add(pair, cells.ss[k] + between, count) / np.maximum(df, 1.0)
        one = np.maximum(shared * cells.se2[k], least**2)
        strap = _add(pair, one * (cells.n[k] / some[pair]) ** 2, count)
        return n, np.where(n > 0, mean, np.nan), spread / some, df, spread, strap

    (n_a, mean_a, v_a, df_a, s_a, u_a), (n_b, mean_b, v_b, df_b, s_b, u_b) = side(pairs.a_cells), side(pairs.b_cells)
    return _Estimate(
        n_a=n_a, n_b=n_b, mean_a=mean_a, mean_b=mean_b, variance_a=v_a, variance_b=v_b,
        df_a=df_a, df_b=df_b, spread_a=s_a, spread_b=s_b, strap=u_a + u_b,
    )  # fmt: skip


def _serial_inflation(cells: Cells, pairs: Pairs, settings: CompareSettings) -> FloatArray:
    """Factor (P, M) on the variance of means where neighbouring shots resemble one another, otherwise 1.

    The lag-one correlation of all cells of a pair is held against its mean and variance for independent shots, −1/n
    and (n − 2)²/(n²·(n − 1)) (Moran 1948, Biometrika 35:255; from memory). Where it stands out, the variance of a
    mean of n shots of a first-order process replaces that of independent ones.
    """
    from scipy.stats import norm

    pair = np.concatenate((pairs.a_cells[:, 0], pairs.b_cells[:, 0]))
    k = np.concatenate((pairs.a_cells[:, 1], pairs.b_cells[:, 1]))
    order = np.argsort(pair, kind="stable")
    pair, k, count = pair[order], k[order], len(pairs.a)
    n = np.maximum(cells.n[k], 1.0)
    ss = _add(pair, cells.ss[k], count)
    weight = (n - 1.0) / np.maximum(_add(pair, n - 1.0, count), 1.0)[pair]
    expected = _add(pair, -weight / n, count)
    variance = _add(pair, weight**2 * (n - 2.0) ** 2 / (n**2 * np.maximum(n - 1.0, 1.0)), count)
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = _add(pair, cells.lag[k], count) / ss - expected
        stands_out = excess > norm.ppf(1.0 - settings.serial_alpha) * np.sqrt(variance)
    rho = np.where(stands_out & (ss > 0.0), np.clip(excess, 0.0, MOST_SERIAL), 0.0)
    typical = np.maximum(_add(pair, n, count) / np.maximum(_add(pair, np.ones_like(n), count), 1.0), 2.0)
    mean_factor = (1.0 + rho) / (1.0 - rho) - 2.0 * rho * (1.0 - rho**typical) / (typical * (1.0 - rho) ** 2)
    # The sample variance of such shots is too small as well.
    return np.asarray(np.maximum(mean_factor * (typical - 1.0) / np.maximum(typical - mean_factor, 1.0), 1.0))


def _drift(
    cells: Cells, pairs: Pairs, part: _Estimate, known: BoolArray, settings: CompareSettings
) -> tuple[FloatArray, BoolArray]:
    """Drift a shot, common to both blocks of a pair, and where it alone may explain the difference.

    A straight line over the shots with one slope and a step between the blocks is fitted by least squares within each
    strapping-on. It explains the difference where the slope is sure but the step is not, or runs the other way.
    """
    from scipy.stats import t

    pair, a, b = pairs.common.T
    count = len(pairs.a)
    weight = cells.n[a] * cells.n[b] / np.maximum(cells.n[a] + cells.n[b], 1.0)
    used = weight > 0.0
    share = weight / np.where(used, _add(pair, weight, count)[pair], 1.0)

    def total(name: str) -> FloatArray:
        values = getattr(cells, name)
        return _add(pair, np.where(used, values[a] + values[b], 0.0), count)

    apart = _add(pair, np.where(used, share * (cells.place[b] - cells.place[a]), 0.0), count)
    leverage = _add(pair, share**2 * (1.0 / np.maximum(cells.n[a], 1.0) + 1.0 / np.maximum(cells.n[b], 1.0)), count)
    df = part.df_a + part.df_b - 1.0
    spread, limit = total("spread"), settings.drift_alpha
    fitted = known & (spread > 0.0) & (df > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = total("slope") / spread
        rest = np.maximum(total("ss") - slope * total("slope"), 0.0) / df
        step = part.mean_b - part.mean_a - slope * apart
        step_se = np.sqrt(rest * (leverage + apart**2 / spread))
        sure_slope = 2.0 * t.sf(np.abs(slope) / np.sqrt(rest / spread), df) <= limit
        sure_step = 2.0 * t.sf(np.abs(step) / step_se, df) <= limit
        against = np.sign(step) != np.sign(part.mean_b - part.mean_a)
    return np.where(fitted, slope, np.nan), fitted & sure_slope & (~sure_step | against)
