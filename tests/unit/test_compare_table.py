"""The table of `compare`: which shots, which pairs, which verdict, and what few or odd shots give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from compare_for_tests import MEASURE, block_table, drawn, exact, visit_table

from imuswing.compare import COLUMNS, VERDICTS, CompareSettings, Size, compare, order_effects
from imuswing.compare.settings import SIZES
from imuswing.compare.table import found_differences
from imuswing.errors import SettingsError
from imuswing.measures.dictionary import BY_NAME

# In units of the change that matters, 0.1.
CHANGED, PROBABLY, NO_CHANGE, CANNOT_TELL = VERDICTS


def only(table: pd.DataFrame) -> pd.Series:
    assert len(table) == 1
    return table.iloc[0]


def test_columns_and_kinds() -> None:
    table = compare(block_table({"baseline": exact(5), "drill": exact(5, mean=1)}), by="block")
    assert tuple(table.columns) == COLUMNS
    kinds = {name: str(kind) for name, kind in table.dtypes.items()}
    assert {kinds[n] for n in ("participant", "task", "measure", "a", "b", "verdict")} == {"str"}
    assert {kinds[n] for n in ("n_a", "n_b")} == {"int64"}
    assert kinds["shots_needed"] == "Int64"
    assert {kinds[n] for n in COLUMNS[7:13]} == {"float64"}


def test_every_later_block_stands_against_the_first_as_played() -> None:
    table = block_table({"warm": exact(4), "drill": exact(4), "another": exact(4)})
    shuffled = table.sample(frac=1.0, random_state=3)
    found = compare(shuffled, by="block")
    assert list(zip(found["a"], found["b"], strict=True)) == [("warm", "drill"), ("warm", "another")]


def test_visits_stand_in_natural_order() -> None:
    found = compare(visit_table({"10": exact(4), "2": exact(4), "1": exact(4)}), by="session")
    assert list(zip(found["a"], found["b"], strict=True)) == [("1", "2"), ("1", "10")]


def test_another_block_can_be_the_one_compared_with() -> None:
    table = block_table({"warm": exact(4, mean=5), "baseline": exact(4), "drill": exact(4, mean=1)})
    found = compare(table, by="block", settings=CompareSettings(against="baseline"))
    assert list(zip(found["a"], found["b"], found["difference"].round(9), strict=True)) == [
        ("baseline", "warm", 5.0),
        ("baseline", "drill", 1.0),
    ]
    with pytest.raises(SettingsError, match="'warm', 'baseline', 'drill'"):
        compare(table, by="block", settings=CompareSettings(against="transfer"))


def test_practice_swings_and_shots_outside_blocks_do_not_count() -> None:
    table = block_table({"a": [*exact(4), 99.0], "b": [*exact(4, mean=1), 99.0]})
    table.loc[4, "kind"], table.loc[9, "block"] = "practice", None
    row = only(compare(table, by="block"))
    assert (row["n_a"], row["n_b"]) == (4, 4)
    assert row["difference"] == pytest.approx(1.0)


def test_students_and_tasks_stay_apart() -> None:
    parts = [
        block_table({"a": exact(4), "b": exact(4, mean=step)}, participant=who, task=task)
        for who, task, step in (("P2", "chip", 1), ("P10", "chip", 2), ("P2", "full", 3))
    ]
    found = compare(pd.concat(parts, ignore_index=True), by="block")
    steps = {(row["participant"], row["task"]): row["difference"] for _, row in found.iterrows()}
    assert steps == pytest.approx({("P2", "chip"): 1.0, ("P2", "full"): 3.0, ("P10", "chip"): 2.0})


def test_a_measure_that_nobody_wore_a_sensor_for_is_left_out_and_one_sided_ones_say_so() -> None:
    table = block_table({"a": exact(4), "b": exact(4)})
    table["tempo_ratio"] = [3.0, 3.1, 2.9, 3.0, np.nan, np.nan, np.nan, np.nan]
    table["backswing_s"] = np.nan
    found = compare(table, by="block").set_index("measure")
    assert set(found.index) == {MEASURE, "tempo_ratio"}
    tempo = found.loc["tempo_ratio"]
    assert (tempo["n_a"], tempo["n_b"], tempo["verdict"]) == (4, 0, CANNOT_TELL)
    assert tempo[["mean_b", "difference", "difference_low", "detectable"]].isna().all()


@pytest.mark.parametrize(("n_a", "n_b"), [(1, 1), (1, 2), (2, 1), (2, 2), (1, 9), (9, 2)])
def test_one_or_two_shots_tell_nothing_and_are_no_error(n_a: int, n_b: int) -> None:
    row = only(compare(block_table({"a": drawn(n_a), "b": drawn(n_b, mean=50.0)}), by="block"))
    assert row["verdict"] == CANNOT_TELL
    assert row["shots_needed"] >= 3 - min(n_a, n_b)
    assert np.isfinite(row["difference"])
    assert np.isfinite(row["difference_low"]) == (min(n_a, n_b) > 1)


def test_shots_without_any_spread() -> None:
    assert only(compare(block_table({"a": [0.4] * 4, "b": [0.4] * 4}), by="block"))["verdict"] == NO_CHANGE
    assert only(compare(block_table({"a": [0.4] * 4, "b": [0.9] * 4}), by="block"))["verdict"] == CHANGED


def test_nothing_to_compare_gives_an_empty_table_with_all_columns() -> None:
    for table in (block_table({"a": exact(4)}), block_table({"a": exact(4)})[:0]):
        found = compare(table, by="block")
        assert len(found) == 0
        assert tuple(found.columns) == COLUMNS


@pytest.mark.parametrize(
    ("mean", "sd", "n", "verdict"),
    [
        (0.50, 0.10, 8, CHANGED),
        (0.00, 0.05, 12, NO_CHANGE),
        (0.00, 0.20, 6, CANNOT_TELL),
        (0.05, 0.02, 8, NO_CHANGE),  # surely not nothing, and surely less than matters
        (0.09, 0.03, 12, PROBABLY),  # surely not nothing, perhaps as much as matters
        (0.15, 0.13, 6, CANNOT_TELL),  # large enough, but chance could do it
    ],
)
def test_verdicts(mean: float, sd: float, n: int, verdict: str) -> None:
    table = block_table({"a": exact(n, sd=sd), "b": exact(n, mean=mean, sd=sd)})
    row = only(compare(table, by="block"))
    assert row["verdict"] == verdict
    assert (row["shots_needed"] == 0) == (verdict in (CHANGED, NO_CHANGE))
    turned = only(compare(table.assign(**{MEASURE: -table[MEASURE]}), by="block"))
    assert turned["verdict"] == verdict


def test_what_one_measure_shows_is_less_among_many() -> None:
    """The same shots are `changed` alone and not among all measures: of many, some differ by chance."""
    n = 6
    table = block_table({"a": exact(n, sd=0.1), "b": exact(n, mean=0.17, sd=0.1)})
    assert only(compare(table, by="block"))["verdict"] == CHANGED
    for name in SIZES:
        if name != MEASURE:
            table[name] = [*exact(n), *exact(n)]
    found = compare(table, by="block").set_index("measure")
    assert found.loc[MEASURE, "verdict"] != CHANGED
    goal = CompareSettings(goals=(MEASURE,), goal_share=0.95)
    assert compare(table, by="block", settings=goal).set_index("measure").loc[MEASURE, "verdict"] == CHANGED


def test_a_drift_that_may_be_all_of_it_holds_the_verdict_back() -> None:
    ramp = 0.02 * np.arange(20) + np.tile([0.01, -0.01, -0.01, 0.01], 5)
    steady = block_table({"a": exact(10, sd=0.06), "b": exact(10, mean=0.2, sd=0.06)})
    drifting = block_table({"a": ramp[:10], "b": ramp[10:]})
    stepping = block_table({"a": ramp[:10], "b": ramp[10:] + 0.3})
    verdicts = [only(compare(table, by="block"))["verdict"] for table in (steady, drifting, stepping)]
    assert verdicts == [CHANGED, PROBABLY, CHANGED]
    assert only(compare(drifting, by="block"))["shots_needed"] is pd.NA
    effects = order_effects(drifting, by="block")
    assert effects["drifts"].all()
    assert effects["drift"].to_numpy() == pytest.approx(0.02, abs=0.002)
    assert not order_effects(steady, by="block")["drifts"].any()


def test_shots_that_resemble_the_one_before_count_for_fewer() -> None:
    slow = np.repeat([0.1, -0.1, 0.1, -0.1], 5)
    quick = np.tile([0.1, -0.1], 10)
    verdicts = [
        only(compare(block_table({"a": shape, "b": shape + 0.13}), by="block"))["verdict"] for shape in (quick, slow)
    ]
    assert verdicts[0] == CHANGED
    assert verdicts[1] != CHANGED


def test_strapping_on_again_counts_between_visits_only() -> None:
    a, b = exact(20, sd=2.0), exact(20, mean=6.0, sd=2.0)
    name = "wrist_flexion_impact_deg"
    within = only(compare(block_table({"a": a, "b": b}, measure=name), by="block"))
    between = only(compare(visit_table({"1": a, "2": b}, measure=name), by="session"))
    assert within["verdict"] == CHANGED
    assert between["difference"] == pytest.approx(within["difference"])
    # Two strapping-ons of 3° each: 1.96·√2·3° at least (shots only add to it).
    assert between["detectable"] > 1.96 * 2**0.5 * 3.0
    assert between["verdict"] != CHANGED
    assert between["shots_needed"] is pd.NA


def test_the_shots_own_standard_error_counts_between_visits_where_it_is_larger() -> None:
    name = "wrist_flexion_impact_deg"
    table = visit_table({"1": exact(20), "2": exact(20)}, measure=name)
    small, large = (table.assign(**{f"{name}_se": se}) for se in (1.0, 6.0))
    plain, same, more = (only(compare(t, by="session"))["detectable"] for t in (table, small, large))
    assert same == pytest.approx(plain)
    assert more > 1.5 * plain
    blocks = block_table({"a": exact(20), "b": exact(20)}, measure=name)
    with_se = blocks.assign(**{f"{name}_se": 6.0})
    assert only(compare(with_se, by="block"))["detectable"] == only(compare(blocks, by="block"))["detectable"]


def test_blocks_of_two_recordings_share_a_strapping_only_where_it_is_said() -> None:
    name = "arm_height_top_deg"
    one = block_table({"baseline": exact(8)}, measure=name, run="1")
    two = block_table({"drill": exact(8, mean=5.5)}, measure=name, run="2")
    table = pd.concat([one, two], ignore_index=True)
    apart = only(compare(table, by="block"))
    together = only(compare(table.assign(strapping="once"), by="block"))
    assert apart["detectable"] > 2.0 * together["detectable"]
    assert together["verdict"] == CHANGED


def flagged(table: pd.DataFrame, flag: str, after: int) -> pd.DataFrame:
    """Shots from number `after` on carry a flag."""
    return table.assign(flags=[[flag] if k >= after else [] for k in range(len(table))])


@pytest.mark.parametrize("flag", ["lead_hand_may_have_slipped", "lead_hand_slipped"])
def test_a_slip_between_blocks_counts_as_strapping_on_again_where_the_sensor_serves(flag: str) -> None:
    table = block_table({"a": exact(8), "b": exact(8, mean=9.0)}, measure="wrist_flexion_impact_deg")
    shaped = table["wrist_flexion_impact_deg"]
    table = table.assign(chest_continuity=0.1 * shaped, backswing_s=0.1 * shaped)
    plain, slipped = (compare(t, by="block").set_index("measure") for t in (table, flagged(table, flag, 8)))
    # As two recordings, by the code that compares visits.
    apart = compare(table.assign(run=["1"] * 8 + ["2"] * 8), by="block").set_index("measure")
    assert list(slipped.index) == list(plain.index)
    wrist = "wrist_flexion_impact_deg"
    assert slipped.loc[wrist, "detectable"] == pytest.approx(apart.loc[wrist, "detectable"])
    assert slipped.loc[wrist, "detectable"] > 2.0 * plain.loc[wrist, "detectable"]
    # The chest is measured by another sensor, and when a moment is hangs on no mount.
    for other in ("chest_continuity", "backswing_s"):
        assert slipped.loc[other, "detectable"] == pytest.approx(plain.loc[other, "detectable"])


def test_a_sensor_put_on_anew_for_each_recording_sits_otherwise_in_each() -> None:
    # Both borrow an earlier recording's routine, and of both it is told that the hand is held otherwise than there.
    name = "wrist_flexion_impact_deg"
    one, two = (
        block_table({block: exact(8, mean=mean)}, measure=name, run=run)
        for block, mean, run in (("a", 0.0, "2"), ("b", 9.0, "3"))
    )
    table = pd.concat([one, two], ignore_index=True)
    moved = flagged(table.assign(strapping="once"), "lead_hand_may_have_slipped", 0)
    pd.testing.assert_frame_equal(compare(moved, by="block"), compare(table, by="block"))


def test_a_slip_within_a_block_leaves_the_shots_before_it_where_they_are_enough() -> None:
    name = "wrist_flexion_impact_deg"
    # All that differs is the slip's own 9°, after shots 3, 2 and 1 of the second block.
    for before, n_b, difference in ((3, 3, 0.0), (2, 8, 9.0 * 6 / 8), (1, 8, 9.0 * 7 / 8)):
        table = block_table({"a": [0.0, 1.0] * 4, "b": [0.0, 1.0] * 4}, measure=name)
        table[name] += 9.0 * (np.arange(16) >= 8 + before)
        row = only(compare(flagged(table, "lead_forearm_may_have_slipped", 8 + before), by="block"))
        assert row["n_b"] == n_b
        assert row["difference"] == pytest.approx(difference, abs=0.5)
        assert row["verdict"] != CHANGED
        assert only(compare(table, by="block"))["verdict"] == (CHANGED if before == 1 else CANNOT_TELL)


def test_flags_as_text_count_alike_and_missing_ones_are_none() -> None:
    table = block_table({"a": exact(8), "b": exact(8, mean=9.0)}, measure="wrist_flexion_impact_deg")
    slipped = compare(flagged(table, "lead_hand_may_have_slipped", 8), by="block")
    # As `export` writes them, and pandas reads them: empty cells are NaN.
    for text in ("impact_by_hand;lead_hand_may_have_slipped", "lead_hand_may_have_slipped"):
        as_text = table.assign(flags=[np.nan] * 8 + [text] * 8)
        pd.testing.assert_frame_equal(compare(as_text, by="block"), slipped)
    plain = compare(table, by="block")
    for missing in (np.nan, None):
        pd.testing.assert_frame_equal(compare(table.assign(flags=missing), by="block"), plain)


def test_a_slip_changes_nothing_of_another_student() -> None:
    random = np.random.default_rng(1)
    names = ("chest_continuity", "wrist_flexion_impact_deg", "arm_height_top_deg", "tempo_ratio")

    def student(participant: str) -> pd.DataFrame:
        table = block_table({"a": [0.0] * 12, "b": [0.0] * 12}, participant=participant)
        # Neighbours resemble one another, in some measures more.
        return table.assign(**{name: random.standard_normal(24).cumsum() for name in names})

    one, other = student("P1"), student("P2")
    steady = flagged(one, "", 99)
    both = pd.concat([steady, flagged(other, "lead_hand_slipped", 12)], ignore_index=True)
    settings = CompareSettings()
    alone, beside = (found_differences(table, by="block", settings=settings) for table in (steady, both))
    assert beside.measures == alone.measures
    np.testing.assert_allclose(beside.guarded_half[0], alone.guarded_half[0], rtol=1e-12)


def test_every_measure_with_a_standard_error_has_a_size_and_no_other_name_has() -> None:
    compared = {name for name, measure in BY_NAME.items() if measure.has_se} | {"top_position"}
    assert set(SIZES) == compared


def test_tables_as_analyze_writes_them_are_taken() -> None:
    from tables_for_tests import lesson_tables

    swings, _, _ = lesson_tables()
    before = swings.copy(deep=True)
    found = compare(swings, by="block")
    pd.testing.assert_frame_equal(swings, before)
    assert set(found["b"]) == {"drill"}
    assert MEASURE in set(found["measure"])
    assert found["n_a"].max() + found["n_b"].max() == (swings["kind"] == "shot").sum()


@pytest.mark.parametrize(
    "change",
    [
        {"alpha": 0.0},
        {"doubtful": 1.0},
        {"least_shots": 1},
        {"goals": ("chest_speed",)},
        {"goal_share": 2.0},
    ],
)
def test_settings_that_make_no_sense_are_refused(change: dict[str, object]) -> None:
    with pytest.raises(SettingsError, match=next(iter(change)).removesuffix("s")):
        replace(CompareSettings(), **change)  # type: ignore[arg-type]


def test_sizes_that_make_no_sense_are_refused() -> None:
    good = {"worthwhile": 1.0, "visit_sd": 0.0, "shared": 0.5}
    for name, value in (("worthwhile", 0.0), ("worthwhile", float("nan")), ("visit_sd", -1.0), ("shared", 1.5)):
        with pytest.raises(SettingsError, match=name):
            Size(**(good | {name: value}))


@pytest.mark.parametrize("name", ["participant", "task", "kind", "block"])
def test_a_missing_column_is_named(name: str) -> None:
    with pytest.raises(SettingsError, match=f"'{name}'"):
        compare(block_table({"a": exact(4)}).drop(columns=name), by="block")


def test_an_unknown_way_to_compare_lists_the_legal_ones() -> None:
    with pytest.raises(SettingsError, match="'block', 'session'"):
        compare(block_table({"a": exact(4)}), by="task")  # type: ignore[arg-type]
