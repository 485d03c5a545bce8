"""Comparisons and agreement held against publications, R's printed output and SciPy and NumPy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from compare_for_tests import MEASURE, block_table, drawn, exact, visit_table
from scipy import stats

from imuswing.compare import CompareSettings, Size, bland_altman, compare, intraclass, repeatability
from imuswing.compare.families import false_discovery, holm
from imuswing.compare.groups import cells, shots_only
from imuswing.compare.table import found_differences

# Bland & Altman 1986, Lancet i:307–310, 17 persons, l/min (data second hand).
METER_A = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
METER_B = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

# Shrout & Fleiss 1979, Psychol Bull 86:420, table 2 (second hand).
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]

# Weir 2005, J Strength Cond Res 19:231, data sets A (second hand) and B (from memory).
WEIR_A = [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]]
WEIR_B = [[166, 160], [168, 172], [160, 142], [150, 159], [147, 135], [146, 143], [156, 147], [155, 168]]

# Student 1908, extra hours of sleep under two drugs: the data set `sleep` of R.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]

# Benjamini & Hochberg 1995, J R Stat Soc B 57:289, section 3.2 (second hand).
INFARCTION = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
INFARCTION += [0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000]


def test_limits_of_agreement_of_bland_and_altman() -> None:
    found = bland_altman(METER_A, METER_B)
    # Printed there: mean difference −2.1 and SD 38.8; more digits computed from the data.
    assert found.bias == pytest.approx(-2.1176, abs=5e-5)
    assert found.sd == pytest.approx(38.7651, abs=5e-5)
    # Printed there with ±2 SD; these with ±1.96 SD, computed from the data.
    assert (found.low, found.high) == pytest.approx((-78.097, 73.862), abs=2e-3)
    # Computed from the data.
    assert found.bias_interval == pytest.approx((-22.05, 17.81), abs=5e-3)
    # Printed there: −114.3 to −45.1 for the lower limit, so 34.6 on either side of it (from memory).
    assert found.low_interval[1] - found.low == pytest.approx(34.6, abs=0.1)
    assert found.high - found.high_interval[0] == pytest.approx(34.6, abs=0.1)


def test_intraclass_correlations_of_shrout_and_fleiss() -> None:
    found = intraclass(JUDGES)
    # Shrout & Fleiss 1979, table 4; more digits computed from their data.
    assert found.icc_1_1.value == pytest.approx(0.16574, abs=5e-6)
    assert found.icc_2_1.value == pytest.approx(0.28976, abs=5e-6)
    assert found.icc_3_1.value == pytest.approx(0.71484, abs=5e-6)
    assert found.icc_1_k.value == pytest.approx(0.44280, abs=5e-6)
    assert found.icc_2_k.value == pytest.approx(0.62005, abs=5e-6)
    assert found.icc_3_k.value == pytest.approx(0.90932, abs=5e-6)


def test_intervals_of_the_intraclass_correlations() -> None:
    found = intraclass(JUDGES)
    # The output of R's psych::ICC on these data, as printed in a public tutorial (second hand).
    printed = {
        "icc_1_1": (-0.133, 0.72),
        "icc_2_1": (0.019, 0.76),
        "icc_3_1": (0.342, 0.95),
        "icc_1_k": (-0.884, 0.91),
        "icc_2_k": (0.071, 0.93),
        "icc_3_k": (0.676, 0.99),
    }
    for name, (low, high) in printed.items():
        assert getattr(found, name).low == pytest.approx(low, abs=6e-4), name
        assert getattr(found, name).high == pytest.approx(high, abs=6e-3), name


@pytest.mark.parametrize(("data", "icc"), [(WEIR_A, 0.9500), (WEIR_B, 0.553)])
def test_error_of_measurement_and_minimal_difference_of_weir(data: list[list[int]], icc: float) -> None:
    found = repeatability(data)
    # The same in both sets: less spread between persons lowers the correlation, not the error.
    assert found.sem == pytest.approx(7.5569, abs=5e-5)
    assert found.minimal_difference == pytest.approx(20.95, abs=5e-3)
    assert intraclass(data).icc_2_1.value == pytest.approx(icc, abs=5e-4)


def test_the_difference_of_two_blocks_is_welchs() -> None:
    row = compare(block_table({"one": SLEEP_1, "two": SLEEP_2}), by="block").iloc[0]
    # R: t.test(extra ~ group, data = sleep): means 0.75 and 2.33; first minus second −3.3654832 to 0.2054832.
    assert (row["mean_a"], row["mean_b"]) == pytest.approx((0.75, 2.33))
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((-0.2054832, 3.3654832), abs=5e-8)


@pytest.mark.parametrize(("n_a", "n_b", "sd"), [(3, 3, 1.0), (2, 9, 4.0), (20, 5, 0.2), (12, 12, 1.0)])
def test_intervals_are_those_of_scipy(n_a: int, n_b: int, sd: float) -> None:
    a, b = drawn(n_a, seed=n_a), drawn(n_b, mean=0.5, sd=sd, seed=n_b + 100)
    row = compare(block_table({"a": a, "b": b}), by="block").iloc[0]
    known = stats.ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((known.low, known.high), rel=1e-9)
    assert row["detectable"] == pytest.approx((known.high - known.low) / 2.0, rel=1e-9)


def test_several_visits_are_averaged_as_by_least_squares() -> None:
    """The estimate is the coefficient of a regression with an effect of its own for every visit (NumPy's lstsq)."""
    counts = {"1": (4, 7), "2": (9, 3), "3": (5, 5)}
    parts = [
        block_table({"a": drawn(n_a, mean=n_b, seed=n_a), "b": drawn(n_b, mean=n_b + 1, seed=n_b + 9)}, session=session)
        for session, (n_a, n_b) in counts.items()
    ]
    table = pd.concat(parts, ignore_index=True)
    visits = pd.get_dummies(table["session"]).to_numpy(dtype=float)
    design = np.column_stack([table["block"] == "b", visits])
    known = np.linalg.lstsq(design, table[MEASURE].to_numpy(), rcond=None)[0][0]
    row = compare(table, by="block").iloc[0]
    assert row["difference"] == pytest.approx(known, rel=1e-9)
    assert (row["n_a"], row["n_b"]) == (18, 15)


def test_drift_within_blocks_is_that_of_a_regression() -> None:
    """One slope over the shots and a step between blocks, by NumPy's lstsq."""
    a, b = drawn(7, seed=1), drawn(9, mean=1.0, seed=2)
    table = block_table({"a": a, "b": b})
    design = np.column_stack([np.ones(16), np.arange(16) >= 7, np.arange(16)])
    known = np.linalg.lstsq(design, np.array(a + b), rcond=None)[0]
    found = found_differences(table, by="block", settings=CompareSettings())
    assert found.drift[0, found.measures.index(MEASURE)] == pytest.approx(known[2], rel=1e-9)


def test_sums_of_a_cell_are_numpys() -> None:
    values = drawn(11, mean=1e6, seed=5)
    shots = shots_only(block_table({"a": values}))
    (summed,) = cells(shots, shots["block"], settings=CompareSettings())
    k = summed.measures.index(MEASURE)
    off = np.array(values) - np.mean(values)
    assert summed.mean[0, k] == pytest.approx(np.mean(values), rel=1e-12)
    assert summed.ss[0, k] == pytest.approx(10 * np.var(values, ddof=1), rel=1e-9)
    assert summed.lag[0, k] == pytest.approx(off[:-1] @ off[1:], rel=1e-6)


def test_false_discoveries_of_benjamini_and_hochberg() -> None:
    p, equal = np.array([INFARCTION]), np.full(15, 1.0 / 15.0)
    # Told there: at 0.05 the procedure rejects the four smallest, Bonferroni's three.
    assert np.sum(false_discovery(p, equal) <= 0.05) == 4
    assert np.sum(p * 15 <= 0.05) == 3


def test_holms_procedure() -> None:
    p, equal = np.array([INFARCTION]), np.full(15, 1.0 / 15.0)
    # Holm 1979, Scand J Stat 6:65: the j-th smallest against α/(m − j + 1). 0.0019 ≤ 0.05/13, 0.0095 > 0.05/12.
    assert np.sum(holm(p, equal) <= 0.05) == 3
    # R: p.adjust(c(0.01, 0.02, 0.03, 0.04), "holm") gives 0.04 0.06 0.06 0.06 (from memory; the definition by hand).
    assert holm(np.array([[0.04, 0.01, 0.03, 0.02]]), np.full(4, 0.25))[0] == pytest.approx([0.06, 0.04, 0.06, 0.06])


def needed_each(effect: float) -> int:
    """Shots on either side that `compare` asks for, of a single measure with this change in SD that matters."""
    settings = CompareSettings(
        sizes={MEASURE: Size(worthwhile=1.0, visit_sd=0.0, shared=0.0)}, goals=(MEASURE,), most_shots=1000
    )
    same = exact(8, sd=1.0 / effect)
    row = compare(block_table({"a": same, "b": same}), by="block", settings=settings).iloc[0]
    assert row["verdict"] == "cannot tell yet"
    return int(row["shots_needed"]) + 8


@pytest.mark.parametrize(("effect", "known"), [(0.8, 26), (0.5, 64)])
def test_shots_needed_are_those_of_cohens_table(effect: float, known: int) -> None:
    # Cohen 1992, Psychol Bull 112:155, table 2: n in each group, two means, α 0.05, power 0.80 (from memory).
    assert needed_each(effect) == known


@pytest.mark.parametrize("effect", [0.2, 0.3, 0.6, 0.7])
def test_shots_needed_have_the_power_of_the_noncentral_t(effect: float) -> None:
    def power(n: int) -> float:
        limit = stats.t.ppf(0.975, 2 * n - 2)
        return float(stats.nct.sf(limit, 2 * n - 2, effect * (n / 2.0) ** 0.5))

    n = needed_each(effect)
    assert power(n) >= 0.80 > power(n - 1)


def test_visits_carry_the_error_of_strapping_on_with_satterthwaites_degrees_of_freedom() -> None:
    # JCGM 100:2008, eq. G.2b and G.3, written out for these numbers: an error known to ± 25 % has 8 degrees of freedom.
    size = Size(worthwhile=0.1, visit_sd=0.5, shared=0.5)
    table = visit_table({"1": exact(8, sd=2.0), "2": exact(4, mean=1.0, sd=3.0)})
    table[f"{MEASURE}_se"] = np.where(table["session"] == "1", 0.3, 1.0)
    settings = CompareSettings(sizes={MEASURE: size}, goals=(MEASURE,))
    row = compare(table, by="session", settings=settings).iloc[0]
    v_1, v_2 = 4.0 / 8, 9.0 / 4
    strap = max(0.5 * 0.09, 0.25) + max(0.5 * 1.0, 0.25)
    df = (v_1 + v_2 + strap) ** 2 / (v_1**2 / 7 + v_2**2 / 3 + strap**2 / 8)
    assert row["detectable"] == pytest.approx(stats.t.ppf(0.975, df) * (v_1 + v_2 + strap) ** 0.5, rel=1e-9)
