"""Agreement and repeatability: two ways of measuring the same, and the same measured again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from imuswing.compare.settings import INTERVAL_ALPHA
from imuswing.errors import SettingsError

Interval = tuple[float, float]
UPPER = 1.0 - INTERVAL_ALPHA / 2.0


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """Bland and Altman's comparison of two methods, in their unit: first minus second.

    bias: mean difference.  sd: of the differences.  low, high: limits that hold 95 % of differences.
    bias_interval, low_interval, high_interval: 95 % intervals of these three.
    """

    n: int
    bias: float
    sd: float
    low: float
    high: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval


def bland_altman(first: npt.ArrayLike, second: npt.ArrayLike) -> Agreement:
    """Limits of agreement of two measurements (N,) of the same N things (Bland & Altman 1986, Lancet i:307).

    The standard error of a limit is taken as √(3/n) of the SD, as there. Pairs with a missing value are left out;
    raises `SettingsError` with fewer than three pairs.
    """
    from scipy.stats import norm, t

    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.shape != b.shape or a.ndim != 1:
        raise SettingsError(f"first has shape {a.shape} and second {b.shape}; both must be (N,)")
    difference = (a - b)[np.isfinite(a) & np.isfinite(b)]
    n = len(difference)
    if n < 3:
        raise SettingsError(f"there are {n} pairs; limits of agreement need three or more")
    bias, sd = float(np.mean(difference)), float(np.std(difference, ddof=1))
    z, quantile = float(norm.ppf(UPPER)), float(t.ppf(UPPER, n - 1))

    def around(middle: float, se: float) -> Interval:
        return middle - quantile * se, middle + quantile * se

    low, high = bias - z * sd, bias + z * sd
    limit_se = sd * (3.0 / n) ** 0.5
    return Agreement(
        n=n,
        bias=bias,
        sd=sd,
        low=low,
        high=high,
        bias_interval=around(bias, sd / n**0.5),
        low_interval=around(low, limit_se),
        high_interval=around(high, limit_se),
    )


@dataclass(frozen=True, kw_only=True)
class Coefficient:
    """An intraclass correlation and its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Intraclass:
    """The six coefficients of Shrout & Fleiss; the second index is 1 for a single rating, k for the mean of k."""

    icc_1_1: Coefficient
    icc_2_1: Coefficient
    icc_3_1: Coefficient
    icc_1_k: Coefficient
    icc_2_k: Coefficient
    icc_3_k: Coefficient


@dataclass(frozen=True, kw_only=True)
class _MeanSquares:
    n: int
    k: int
    rows: float
    columns: float
    rest: float
    within: float


def intraclass(ratings: npt.ArrayLike) -> Intraclass:
    """Intraclass correlations of ratings (n things, k raters or occasions), none missing.

    Shrout & Fleiss (1979, Psychol Bull 86:420); intervals of the two-way random cases after McGraw & Wong (1996,
    Psychol Methods 1:30, table 7). Raises `SettingsError` for another shape, a missing value or no variation at all.
    """
    ms = _mean_squares(ratings)
    if ms.rows == 0.0 and ms.within == 0.0:
        raise SettingsError("all ratings are the same; a correlation needs variation")
    n, k = ms.n, ms.k
    one = (ms.rows - ms.within) / (ms.rows + (k - 1) * ms.within)
    two = (ms.rows - ms.rest) / (ms.rows + (k - 1) * ms.rest + k * (ms.columns - ms.rest) / n)
    three = (ms.rows - ms.rest) / (ms.rows + (k - 1) * ms.rest)
    one_at = _ratio_limits(ms.rows, ms.within, n - 1, n * (k - 1), k)
    two_at = _agreement_limits(ms, two)
    three_at = _ratio_limits(ms.rows, ms.rest, n - 1, (n - 1) * (k - 1), k)
    limits = (one_at, two_at, three_at)
    singles = [Coefficient(value=v, low=at[0], high=at[1]) for v, at in zip((one, two, three), limits, strict=True)]
    means = [Coefficient(value=_mean_of(c.value, k), low=_mean_of(c.low, k), high=_mean_of(c.high, k)) for c in singles]
    return Intraclass(
        icc_1_1=singles[0], icc_2_1=singles[1], icc_3_1=singles[2],
        icc_1_k=means[0], icc_2_k=means[1], icc_3_k=means[2],
    )  # fmt: skip


def _mean_squares(ratings: npt.ArrayLike) -> _MeanSquares:
    x = np.asarray(ratings, dtype=float)
    if x.ndim != 2 or min(x.shape) < 2:
        raise SettingsError(f"ratings have shape {x.shape}; they must be (n, k) with two or more of each")
    if not np.all(np.isfinite(x)):
        raise SettingsError("ratings hold missing values; leave out the rows that have them")
    n, k = x.shape
    grand = x.mean()
    rows = k * float(np.sum((x.mean(axis=1) - grand) ** 2))
    columns = n * float(np.sum((x.mean(axis=0) - grand) ** 2))
    total = float(np.sum((x - grand) ** 2))
    return _MeanSquares(
        n=n,
        k=k,
        rows=rows / (n - 1),
        columns=columns / (k - 1),
        rest=max(total - rows - columns, 0.0) / ((n - 1) * (k - 1)),
        within=max(total - rows, 0.0) / (n * (k - 1)),
    )


def _ratio_limits(above: float, below: float, df_above: int, df_below: int, k: int) -> Interval:
    """Limits of the coefficients that depend on one F ratio only."""
    from scipy.stats import f

    if below == 0.0:
        return 1.0, 1.0
    ratio = above / below
    low, high = ratio / f.ppf(UPPER, df_above, df_below), ratio * f.ppf(UPPER, df_below, df_above)
    return float((low - 1.0) / (low + k - 1.0)), float((high - 1.0) / (high + k - 1.0))


def _agreement_limits(ms: _MeanSquares, value: float) -> Interval:
    """Limits of ICC(2,1), by Satterthwaite's degrees of freedom."""
    from scipy.stats import f

    n, k = ms.n, ms.k
    if value >= 1.0:
        return 1.0, 1.0
    a, b = k * value / (n * (1.0 - value)), 1.0 + k * value * (n - 1) / (n * (1.0 - value))
    top = (a * ms.columns + b * ms.rest) ** 2
    df = top / ((a * ms.columns) ** 2 / (k - 1) + (b * ms.rest) ** 2 / ((n - 1) * (k - 1)))
    f_low, f_high = float(f.ppf(UPPER, n - 1, df)), float(f.ppf(UPPER, df, n - 1))
    others = k * ms.columns + (k * n - k - n) * ms.rest
    low = n * (ms.rows - f_low * ms.rest) / (f_low * others + n * ms.rows)
    high = n * (f_high * ms.rows - ms.rest) / (others + n * f_high * ms.rows)
    return low, high


def _mean_of(single: float, k: int) -> float:
    """Coefficient of the mean of k ratings from that of one (Spearman & Brown)."""
    return k * single / (1.0 + (k - 1) * single)


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """How well a measurement repeats, in its unit.

    sem: standard error of measurement.  minimal_difference: smallest difference between two single measurements of
    the same person that is real at 95 %.
    """

    sem: float
    minimal_difference: float


def repeatability(ratings: npt.ArrayLike) -> Repeatability:
    """Standard error of measurement and minimal detectable change of ratings (n persons, k occasions).

    SEM is the root of the residual mean square of persons by occasions, so that a shift common to all does not count;
    the minimal difference is 1.96·√2·SEM (Weir 2005, J Strength Cond Res 19:231).
    """
    from scipy.stats import norm

    sem = float(_mean_squares(ratings).rest ** 0.5)
    return Repeatability(sem=sem, minimal_difference=float(norm.ppf(UPPER)) * 2.0**0.5 * sem)
