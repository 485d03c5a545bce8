"""How outcomes go with the body, a student against their own best, and agreement's bad input."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from compare_for_tests import MEASURE, block_table, drawn, exact
from scipy import stats

from imuswing.compare import against_own_best, best_shot, bland_altman, intraclass, relate, repeatability
from imuswing.compare.own_best import LESS_OFTEN, MORE_OFTEN
from imuswing.compare.relations import HIGHER, LOWER
from imuswing.errors import SettingsError


def lesson(thin: list[float], pure: list[float], **labels: object) -> pd.DataFrame:
    table = block_table({"baseline": [*thin, *pure]}, **labels)
    table["outcome"] = ["Thin "] * len(thin) + ["pure"] * len(pure)
    return table


def test_thin_shots_with_less_continuity_are_told_as_such() -> None:
    thin, pure = drawn(9, mean=0.3, sd=0.1, seed=1), drawn(15, mean=0.6, sd=0.1, seed=2)
    found = relate(lesson(thin, pure)).set_index("outcome")
    row = found.loc["thin"]
    assert (row["relation"], found.loc["pure", "relation"]) == (LOWER, HIGHER)
    assert (row["n_with"], row["n_without"]) == (9, 15)
    known = stats.ttest_ind(thin, pure, equal_var=False).confidence_interval(0.95)
    assert (row["difference_low"], row["difference_high"]) == pytest.approx((known.low, known.high))


def test_nothing_is_said_of_what_data_cannot_say() -> None:
    alike = relate(lesson(drawn(9, seed=1), drawn(15, seed=2)))
    assert len(alike) == 2
    assert alike["relation"].isna().all()
    few = relate(lesson(drawn(4, mean=9.0), drawn(15)))
    assert few.empty
    none = block_table({"a": exact(9)})
    none["outcome"] = None
    assert relate(none).empty


def test_a_relation_is_looked_for_within_strapping_ons_only() -> None:
    """Two visits that differ, one with thin shots and one with pure ones: that is no relation."""
    first = lesson(drawn(8, seed=1), [], session="1")
    second = lesson([], drawn(8, mean=5.0, seed=2), session="2")
    assert relate(pd.concat([first, second], ignore_index=True)).empty


def test_false_relations_are_as_rare_as_is_said() -> None:
    random = np.random.default_rng(8)
    count, students = 24, 400
    words = np.array(["thin", "fat", "pure"])
    table = pd.DataFrame(
        {
            "participant": np.repeat([f"S{k}" for k in range(students)], count),
            "task": "chip",
            "kind": "shot",
            "session": "1",
            "impact_s": np.tile(np.arange(count), students),
            "outcome": words[random.integers(0, 3, students * count)],
        }
    )
    for name in (MEASURE, "shoulder_tilt_rate_impact_dps", "wrist_flexion_impact_deg"):
        table[name] = random.standard_normal(len(table))
    told = relate(table).dropna(subset=["relation"])["participant"].nunique()
    # At most 5 % of students may be told a false relation: 20 of 400, and 3.1 standard deviations more by chance.
    assert told <= stats.binom.ppf(0.999, students, 0.05)


def test_own_best_counts_as_exchangeable_shots_do() -> None:
    # Of m earlier shots and one new one each rank is as likely: it beats the r-th best with r / (m + 1).
    table = block_table({"before": drawn(10, seed=3), "now": drawn(5, seed=4)})
    row = against_own_best(table, measure=MEASURE, better="higher", by="block").iloc[0]
    assert row["expected"] == pytest.approx(5 * 2 / 11)
    assert row["line"] == sorted(drawn(10, seed=3))[-2]
    assert row["best_mean"] == pytest.approx(np.mean(sorted(drawn(10, seed=3))[-2:]))


@pytest.mark.parametrize(("better", "shift"), [("higher", 3.0), ("lower", -3.0)])
def test_shots_beyond_the_own_best_are_told(better: str, shift: float) -> None:
    table = block_table({"before": drawn(20, seed=5), "now": drawn(8, mean=shift, seed=6)})
    row = against_own_best(table, measure=MEASURE, better=better, by="block").iloc[0]
    assert (row["now"], row["verdict"]) == ("now", MORE_OFTEN)
    assert row["share_low"] > 0.2


def test_nearer_to_a_target_is_better() -> None:
    table = block_table({"before": drawn(20, mean=3.0, seed=5), "now": drawn(8, mean=1.0, sd=0.1, seed=6)})
    row = against_own_best(table, measure=MEASURE, better=1.0, by="block").iloc[0]
    assert row["verdict"] == MORE_OFTEN
    away = block_table({"before": drawn(40, mean=1.0, seed=5), "now": drawn(25, mean=9.0, seed=6)})
    assert against_own_best(away, measure=MEASURE, better=1.0, by="block")["verdict"].iloc[0] == LESS_OFTEN


def test_own_best_says_nothing_of_few_shots_or_of_angles_across_strapping_ons() -> None:
    few = block_table({"before": drawn(8), "now": drawn(8, mean=9.0)})
    assert against_own_best(few, measure=MEASURE, better="higher", by="block")["verdict"].iloc[0] == "cannot tell yet"
    name = "wrist_flexion_impact_deg"
    parts = [block_table({"x": drawn(20, seed=k, mean=4.0 * k)}, measure=name, session=str(k + 1)) for k in range(2)]
    visits = pd.concat(parts, ignore_index=True)
    apart = against_own_best(visits, measure=name, better="higher", by="session").iloc[0]
    assert apart["verdict"] == "cannot tell yet"
    once = against_own_best(visits.assign(strapping="once"), measure=name, better="higher", by="session").iloc[0]
    assert once["verdict"] == MORE_OFTEN


def test_own_best_without_change_is_rarely_told_otherwise() -> None:
    random = np.random.default_rng(11)
    parts = {f"S{k}": random.standard_normal(25) for k in range(600)}
    table = pd.concat(
        [block_table({"before": v[:15], "now": v[15:]}, participant=who) for who, v in parts.items()], ignore_index=True
    )
    verdicts = against_own_best(table, measure=MEASURE, better="higher", by="block")["verdict"]
    assert len(verdicts) == 600
    # Exact at 2.5 % on either side: at most 5 % of 600, and 3.1 standard deviations more by chance.
    assert (verdicts != "cannot tell yet").sum() <= stats.binom.ppf(0.999, 600, 0.05)


def test_the_shot_that_stands_for_the_best_is_the_middle_of_the_best_fifth() -> None:
    table = block_table({"x": [float(v) for v in range(15)]})
    assert best_shot(table, measure=MEASURE, better="higher")[MEASURE].tolist() == [13.0]
    assert best_shot(table, measure=MEASURE, better="lower")["swing"].tolist() == [2]


def test_one_block_has_no_own_best_to_stand_against() -> None:
    found = against_own_best(block_table({"x": exact(9)}), measure=MEASURE, better="higher", by="block")
    assert found.empty
    assert "verdict" in found.columns


def test_own_best_refuses_what_it_does_not_know() -> None:
    table = block_table({"x": exact(9), "y": exact(9)})
    with pytest.raises(SettingsError, match="'higher', 'lower'"):
        against_own_best(table, measure=MEASURE, better="faster", by="block")
    with pytest.raises(SettingsError, match="measure is 'speed'"):
        against_own_best(table, measure="speed", better="higher", by="block")


def test_agreement_refuses_what_it_cannot_use() -> None:
    with pytest.raises(SettingsError, match="three or more"):
        bland_altman([1.0, 2.0, np.nan], [1.0, 2.0, 3.0])
    with pytest.raises(SettingsError, match="shape"):
        bland_altman([1.0, 2.0], [1.0])
    with pytest.raises(SettingsError, match=r"\(n, k\)"):
        intraclass([[1.0], [2.0]])
    with pytest.raises(SettingsError, match="missing values"):
        repeatability([[1.0, np.nan], [2.0, 3.0]])
    with pytest.raises(SettingsError, match="variation"):
        intraclass([[1.0, 1.0], [1.0, 1.0]])


def test_raters_who_agree_in_all_have_a_correlation_of_one() -> None:
    found = intraclass([[1.0, 1.0], [2.0, 2.0], [5.0, 5.0]])
    for name in ("icc_1_1", "icc_2_1", "icc_3_1", "icc_1_k", "icc_2_k", "icc_3_k"):
        assert getattr(found, name).value == 1.0
        assert getattr(found, name).low == 1.0
