"""What a comparison must not depend on: units, order of rows, names, sign, other students."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from compare_for_tests import MEASURE, block_table
from hypothesis import given, settings
from hypothesis import strategies as st

from imuswing.compare import CompareSettings, Size, compare
from imuswing.compare.families import adjust, false_discovery, holm

SHOTS = st.lists(st.floats(-2.0, 2.0).map(lambda v: round(v, 3)), min_size=1, max_size=12)
NUMBERS = ["n_a", "n_b", "mean_a", "mean_b", "difference", "difference_low", "difference_high", "detectable"]
FEW = settings(max_examples=40, deadline=None)


@FEW
@given(a=SHOTS, b=SHOTS, seed=st.integers(0, 99))
def test_the_order_of_rows_and_other_students_change_nothing(a: list[float], b: list[float], seed: int) -> None:
    table = block_table({"a": a, "b": b})
    alone = compare(table, by="block")
    other = block_table({"x": [1.0, 2.0, 4.0], "y": [3.0, 3.5, 1.0]}, participant="P0")
    mixed = pd.concat([table, other], ignore_index=True).sample(frac=1.0, random_state=seed)
    again = compare(mixed, by="block")
    again = again[again["participant"] == "P1"].reset_index(drop=True)
    pd.testing.assert_frame_equal(alone, again)


@FEW
@given(a=SHOTS, b=SHOTS, factor=st.sampled_from([0.25, 4.0, 64.0]))
def test_another_unit_changes_the_numbers_only(a: list[float], b: list[float], factor: float) -> None:
    """A power of two, so that rounding does not enter."""
    table = block_table({"a": a, "b": b})

    def told(scale: float) -> pd.DataFrame:
        sizes = {MEASURE: Size(worthwhile=0.5 * scale, visit_sd=0.1 * scale, shared=0.5)}
        scaled = table.assign(**{MEASURE: table[MEASURE] * scale})
        return compare(scaled, by="block", settings=CompareSettings(sizes=sizes, goals=(MEASURE,)))

    one, other = told(1.0), told(factor)
    assert one["verdict"].tolist() == other["verdict"].tolist()
    pd.testing.assert_series_equal(one["shots_needed"], other["shots_needed"])
    for name in NUMBERS[2:]:
        assert other[name].to_numpy() == pytest.approx(one[name].to_numpy() * factor, rel=1e-9, abs=1e-9, nan_ok=True)


@FEW
@given(a=SHOTS, b=SHOTS)
def test_the_other_way_round_is_the_same_difference(a: list[float], b: list[float]) -> None:
    table = block_table({"a": a, "b": b})
    one = compare(table, by="block").iloc[0]
    other = compare(table, by="block", settings=CompareSettings(against="b")).iloc[0]
    assert (one["n_a"], one["n_b"]) == (other["n_b"], other["n_a"])
    assert other["difference"] == pytest.approx(-one["difference"], abs=1e-12)
    assert other["difference_low"] == pytest.approx(-one["difference_high"], abs=1e-9, nan_ok=True)
    assert one["verdict"] == other["verdict"]


@FEW
@given(a=SHOTS, b=SHOTS)
def test_verdict_and_numbers_agree(a: list[float], b: list[float]) -> None:
    settings_used = CompareSettings()
    row = compare(block_table({"a": a, "b": b}), by="block", settings=settings_used).iloc[0]
    matters = settings_used.sizes[MEASURE].worthwhile
    assert row["difference"] == pytest.approx(np.mean(b) - np.mean(a), abs=1e-12)
    if row["verdict"] in ("changed", "probably changed"):
        assert row["difference_low"] > 0.0 or row["difference_high"] < 0.0
    if row["verdict"] == "changed":
        assert abs(row["difference"]) >= matters
        assert min(row["n_a"], row["n_b"]) >= 3
    if row["verdict"] == "no change that matters":
        assert max(abs(row["difference_low"]), abs(row["difference_high"])) < matters


@FEW
@given(p=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12), share=st.floats(0.1, 0.9), goals=st.integers(0, 12))
def test_corrected_p_values_are_never_smaller_and_keep_their_order(p: list[float], share: float, goals: int) -> None:
    values = np.array([p])
    is_goal = np.arange(len(p)) < goals
    by_holm, by_discovery, weight = adjust(values, is_goal, goal_share=share)
    assert weight.sum() == pytest.approx(1.0)
    assert np.all(by_holm >= values - 1e-12)
    assert np.all((by_discovery >= 0.0) & (by_discovery <= 1.0))
    equal = holm(values, np.full(len(p), 1.0 / len(p)))[0]
    assert np.all(np.diff(equal[np.argsort(p, kind="stable")]) >= 0.0)
    # Between no correction and Bonferroni's; the false discovery rate promises less and so asks for less.
    assert np.all(equal <= np.minimum(np.array(p) * len(p), 1.0) + 1e-12)
    assert np.all(false_discovery(values, np.full(len(p), 1.0 / len(p)))[0] <= equal + 1e-12)
