"""What the order of shots does to a comparison: neighbouring shots that resemble one another, drift within blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imuswing.compare.difference import Estimate, Pairs, add_up
from imuswing.compare.groups import Cells
from imuswing.compare.settings import CompareSettings
from imuswing.recording.model import BoolArray, FloatArray

MOST_SERIAL = 0.8
"""Correlation of neighbouring shots above which it is taken as this: with few shots more would be noise."""

MEAN_NOISE = 0.1
"""Variance of the correlation's mean over many measures, over that of one: measures move together (assumption)."""


def serial_inflation(parts: Sequence[tuple[Cells, Pairs]], *, settings: CompareSettings) -> list[FloatArray]:
    """For each group of M measures, factor (P, M), 1 or more, on the variance of means for neighbours' resemblance.

    The lag-one correlation of the shots of a pair is held against its mean and variance for independent shots, −1/n
    and (n − 2)²/(n²·(n − 1)) (Moran 1948, Biometrika 35:255; from memory), and its own bias is taken out (Marriott &
    Pope 1954, Biometrika 41:390; from memory). One measure's is too noisy to act on; the mean of all measures is not,
    since attention and tiredness act on all of them. A single measure counts by itself where it stands out at
    `serial_alpha`. The variance of a mean of n shots of a first-order process then replaces that of independent ones.
    """
    seen = [_resemblance(cells, pairs) for cells, pairs in parts]
    general = _general(*(np.concatenate([getattr(one, name) for one in seen], axis=1) for name in GENERAL))
    return [_inflation(one, general, settings) for one in seen]


@dataclass(frozen=True, kw_only=True)
class _Resemblance:
    """Of neighbouring shots, (P, M) each. excess: the lag-one correlation's, over that of independent shots.

    variance: of that by chance.  there: whether it can be told.  typical: shots of a block.
    """

    excess: FloatArray
    variance: FloatArray
    there: BoolArray
    typical: FloatArray


GENERAL = ("excess", "variance", "there")


def _resemblance(cells: Cells, pairs: Pairs) -> _Resemblance:
    pair = np.concatenate((pairs.a_cells[:, 0], pairs.b_cells[:, 0]))
    k = np.concatenate((pairs.a_cells[:, 1], pairs.b_cells[:, 1]))
    order = np.argsort(pair, kind="stable")
    pair, k, count = pair[order], k[order], len(pairs.a)
    n = np.maximum(cells.n[k], 1.0)
    free = add_up(pair, n - 1.0, count)
    weight = (n - 1.0) / np.maximum(free, 1.0)[pair]
    ss = add_up(pair, cells.ss[k], count)
    there = (free >= 3.0) & (ss > 0.0)
    typical = np.maximum(add_up(pair, weight * n, count), 2.0)
    bias = np.maximum(1.0 - 4.0 / typical, 0.5)
    excess = np.where(there, add_up(pair, cells.lag[k], count) / np.where(there, ss, 1.0), 0.0)
    excess = np.where(there, excess + add_up(pair, weight / n, count), 0.0) / bias
    variance = add_up(pair, weight**2 * (n - 2.0) ** 2 / (n**2 * np.maximum(n - 1.0, 1.0)), count) / bias**2
    return _Resemblance(excess=excess, variance=variance, there=there, typical=typical)


def _inflation(seen: _Resemblance, general: FloatArray, settings: CompareSettings) -> FloatArray:
    from scipy.stats import norm

    excess, there, typical = seen.excess, seen.there, seen.typical
    limit = norm.ppf(1.0 - settings.serial_alpha) * np.sqrt(seen.variance)
    rho = np.clip(np.where(there & (excess > limit), np.maximum(excess, general), general), 0.0, MOST_SERIAL)
    mean_factor = (1.0 + rho) / (1.0 - rho) - 2.0 * rho * (1.0 - rho**typical) / (typical * (1.0 - rho) ** 2)
    # The sample variance of such shots is too small as well.
    return np.asarray(np.maximum(mean_factor * (typical - 1.0) / np.maximum(typical - mean_factor, 1.0), 1.0))


def _general(excess: FloatArray, variance: FloatArray, there: BoolArray) -> FloatArray:
    """Correlation (P, 1) common to all measures, drawn towards 0 as far as it may be noise."""
    count = np.maximum(there.sum(axis=1, keepdims=True), 1)
    mean = np.maximum(excess.sum(axis=1, keepdims=True) / count, 0.0)
    noise = np.where(there, variance, 0.0).sum(axis=1, keepdims=True) / count * np.maximum(1.0 / count, MEAN_NOISE)
    whole = mean**2 + noise
    return np.asarray(mean**3 / np.where(whole > 0.0, whole, 1.0))


def drift_within(
    cells: Cells, pairs: Pairs, part: Estimate, *, usable: BoolArray, settings: CompareSettings
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
    share = weight / np.where(used, add_up(pair, weight, count)[pair], 1.0)

    def total(name: str) -> FloatArray:
        values = getattr(cells, name)
        return add_up(pair, np.where(used, values[a] + values[b], 0.0), count)

    apart = add_up(pair, np.where(used, share * (cells.place[b] - cells.place[a]), 0.0), count)
    leverage = add_up(pair, share**2 * (1.0 / np.maximum(cells.n[a], 1.0) + 1.0 / np.maximum(cells.n[b], 1.0)), count)
    df = part.df_a + part.df_b - 1.0
    spread, limit = total("spread"), settings.drift_alpha
    fitted = usable & (spread > 0.0) & (df > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = total("slope") / spread
        rest = np.maximum(total("ss") - slope * total("slope"), 0.0) / df
        step = part.mean_b - part.mean_a - slope * apart
        step_se = np.sqrt(rest * (leverage + apart**2 / spread))
        sure_slope = 2.0 * t.sf(np.abs(slope) / np.sqrt(rest / spread), df) <= limit
        sure_step = 2.0 * t.sf(np.abs(step) / step_se, df) <= limit
        against = np.sign(step) != np.sign(part.mean_b - part.mean_a)
    return np.where(fitted, slope, np.nan), fitted & sure_slope & (~sure_step | against)
