"""From result tables to views: nothing lost, nothing mixed up, nulls stay null."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tables_for_tests import MIX, lesson_tables, several

from imuswing.errors import RecordingError
from imuswing.report.views import recordings_from


def test_every_swing_arrives_with_its_numbers_and_curve() -> None:
    swings, curves, quality = lesson_tables()
    (recording,) = recordings_from(swings, curves, quality)
    assert [swing.verdict for swing in recording.shots] == list(MIX)
    assert len(recording.practice) == 2
    third = recording.swings[2]
    assert third.values["chest_continuity"] == swings.chest_continuity[2]
    expected = curves[curves.swing == 3].chest_turn_rate_dps.to_numpy()
    np.testing.assert_array_equal(third.curve["chest_turn_rate_dps"], expected)
    assert third.since_impact("top_s") == pytest.approx(-0.27)


def test_recordings_that_differ_in_any_label_stay_apart() -> None:
    one, other = (
        lesson_tables(verdicts=["turning"], practice=0),
        lesson_tables(verdicts=["stalled"], practice=0, seed=5),
    )
    for label in ("participant", "session", "task", "acq", "run"):
        swings, curves, quality = other[0].copy(), other[1].copy(), other[2]
        swings[label], curves[label] = "other", "other"
        first, second = recordings_from(*several(one, (swings, curves, quality)))[:2]
        assert [swing.verdict for swing in (*first.swings, *second.swings)] == ["turning", "stalled"]
        assert not np.array_equal(
            first.swings[0].curve["chest_turn_rate_dps"], second.swings[0].curve["chest_turn_rate_dps"]
        )


def test_curves_that_cannot_be_told_apart_are_left_out_rather_than_mixed() -> None:
    one, other = (
        lesson_tables(verdicts=["turning"], practice=0),
        lesson_tables(verdicts=["stalled"], practice=0, seed=5),
    )
    other[0]["acq"] = "b"
    swings, curves, quality = several(one, other)
    views = recordings_from(swings, curves.drop(columns="acq"), quality)
    assert [dict(view.swings[0].curve) for view in views] == [{}, {}]


def test_nulls_of_every_kind_become_none() -> None:
    swings, curves, quality = lesson_tables()
    swings = swings.astype({"outcome": object})
    swings.loc[0, "outcome"] = None
    swings.loc[1, "outcome"] = np.nan
    swings.loc[0, "chest_continuity"] = np.nan
    swings["chest_turn_top_deg"] = pd.array([pd.NA] * len(swings), dtype="Float64")
    (recording,) = recordings_from(swings, curves, quality)
    assert [swing.outcome for swing in recording.swings[:2]] == [None, None]
    assert recording.swings[0].values["chest_continuity"] is None
    assert recording.swings[0].values["chest_turn_top_deg"] is None
    assert recording.labels["acq"] is None


def test_flags_come_as_lists_arrays_or_not_at_all() -> None:
    swings, curves, quality = lesson_tables(verdicts=["turning"] * 3, practice=0)
    swings["flags"] = pd.Series([["a", "b"], np.array(["c"], dtype=object), None], dtype=object)
    (recording,) = recordings_from(swings, curves, quality)
    assert [swing.flags for swing in recording.swings] == [("a", "b"), ("c",), ()]


def test_a_recording_without_swings_is_there_all_the_same() -> None:
    (recording,) = recordings_from(*lesson_tables(verdicts=(), practice=0))
    assert recording.swings == ()
    assert recording.worn == ("chest", "lead_forearm", "lead_hand")


def test_an_empty_quality_record_is_tolerated() -> None:
    swings, curves, _ = lesson_tables()
    (recording,) = recordings_from(swings, curves, {})
    assert recording.worn is None
    assert recording.described == {}


@pytest.mark.parametrize(("table", "column"), [(0, "participant"), (0, "swing"), (1, "time_s")])
def test_a_table_without_its_key_is_an_error_that_names_the_column(table: int, column: str) -> None:
    tables = list(lesson_tables())
    tables[table] = tables[table].drop(columns=column)
    with pytest.raises(RecordingError, match=column):
        recordings_from(*tables)
