"""The dictionary of measures against the contract's table of columns, written out here by hand."""

from __future__ import annotations

import pytest

from imuswing.measures.dictionary import (
    BY_NAME,
    CURVE_UNITS,
    MEASURES,
    MOMENT_COLUMNS,
    VERDICTS,
    Measure,
    swing_columns,
)
from imuswing.vocabulary import TRACKED_POINTS

# Unit by column, in the order of the contract's section on measures.
WANTED = {
    "chest_turn_rate_impact_dps": "°/s",
    "chest_turn_rate_peak_dps": "°/s",
    "chest_turn_rate_min_dps": "°/s",
    "chest_continuity": "1",
    "chest_stall_probability": "1",
    "chest_turn_top_deg": "°",
    "chest_turn_impact_deg": "°",
    "shoulder_tilt_address_deg": "°",
    "shoulder_tilt_impact_deg": "°",
    "shoulder_tilt_rate_impact_dps": "°/s",
    "chest_lean_address_deg": "°",
    "chest_lean_impact_deg": "°",
    "wrist_flexion_address_deg": "°",
    "wrist_flexion_top_deg": "°",
    "wrist_flexion_impact_deg": "°",
    "wrist_ulnar_address_deg": "°",
    "wrist_ulnar_top_deg": "°",
    "wrist_ulnar_impact_deg": "°",
    "backswing_arc_deg": "°",
    "arm_height_top_deg": "°",
    "top_position": "P",
    "backswing_s": "s",
    "downswing_s": "s",
    "tempo_ratio": "1",
    "pelvis_turn_top_deg": "°",
    "pelvis_turn_impact_deg": "°",
    "pelvis_turn_rate_impact_dps": "°/s",
    "shaft_lean_address_deg": "°",
    "shaft_lean_impact_deg": "°",
}
SUFFIX = {"°": "_deg", "°/s": "_dps", "s": "_s"}


def test_every_measure_of_the_contract_stands_with_its_unit() -> None:
    assert {name: BY_NAME[name].unit for name in WANTED} == WANTED
    # A measure beyond the contract is allowed, but none is there without a unit and a definition.
    assert all(measure.unit and measure.definition.endswith(".") for measure in MEASURES)


@pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.name)
def test_names_say_units_and_errors_stand_beside(measure: Measure) -> None:
    if measure.unit in SUFFIX:
        assert measure.name.endswith(SUFFIX[measure.unit])
    # The contract: every measure in °, °/s, s or 1 except probabilities has a standard error.
    has_error = measure.unit != "P" and "probability" not in measure.name
    assert measure.has_se == has_error
    assert (measure.se_name in swing_columns()) == has_error
    assert set(measure.needs) <= set(TRACKED_POINTS)
    assert measure.label == measure.label.strip()


def test_the_columns_of_a_swing() -> None:
    columns = swing_columns()
    assert len(columns) == len(set(columns))
    # The contract: keys first, then block, intent, outcome, flags, then the measures.
    keys = ["participant", "session", "task", "acq", "run", "swing", "block", "intent", "outcome", "flags"]
    assert list(columns[:10]) == keys
    for moment in ("takeaway_s", "top_s", "impact_s", "finish_s"):
        assert moment in MOMENT_COLUMNS
        assert {moment, f"{moment}_se"} <= set(columns)
    assert {"kind", "chest_verdict"} <= set(columns)
    assert set(WANTED) <= set(columns)
    assert VERDICTS == ("turning", "slowing", "stalled")


def test_the_columns_of_a_curve() -> None:
    wanted = {
        "time_s": "s",
        "chest_turn_rate_dps": "°/s",
        "chest_turn_deg": "°",
        "shoulder_tilt_deg": "°",
        "chest_lean_deg": "°",
        "wrist_flexion_deg": "°",
        "wrist_ulnar_deg": "°",
        "arm_height_deg": "°",
    }
    assert {name: CURVE_UNITS[name] for name in wanted} == wanted
