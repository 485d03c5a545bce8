"""The interactive plots as data: plotly's own schema accepts them, and they hold what the tables say."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from tables_for_tests import lesson_tables

from imuswing.report.chest_plot import chest_plot
from imuswing.report.palette import LIGHT
from imuswing.report.plot_parts import decoded
from imuswing.report.shapes import limits_from
from imuswing.report.texts import ENGLISH
from imuswing.report.views import RecordingView, recordings_from
from imuswing.report.wrist_plot import wrist_plot


@pytest.fixture(scope="module")
def recording() -> RecordingView:
    return recordings_from(*lesson_tables())[0]


def coloured(value: Any) -> Any:
    """Tokens of the palette as plain colours, so that plotly's own check of colours applies."""
    if isinstance(value, str):
        return LIGHT[value[1:].split("/")[0]] if value.startswith("@") else value
    if isinstance(value, list):
        return [coloured(item) for item in value]
    return {key: coloured(item) for key, item in value.items()} if isinstance(value, dict) else value


def plots(recording: RecordingView) -> list[dict[str, Any]]:
    made = [chest_plot(recording, limits_from({}), ENGLISH), wrist_plot(recording, ENGLISH)]
    return [plot for plot in made if plot is not None]


def test_plotly_accepts_every_trace_layout_and_annotation(recording: RecordingView) -> None:
    # plotly.py 7.1 checks names and values against the schema of the plotly.js that the page carries.
    for plot in plots(recording):
        for over in plot["picked"].values():
            layout = copy.deepcopy(plot["layout"])
            layout["annotations"] = layout["annotations"] + over["annotations"]
            traces = coloured([*over["under"], *plot["base"], *over["over"]])
            figure = go.Figure(data=traces, layout=coloured(layout))
            assert len(figure.data) == len(traces) > len(plot["base"])


def test_all_swings_stand_over_one_another_with_impact_at_zero(recording: RecordingView) -> None:
    chest = plots(recording)[0]
    lines = [trace for trace in chest["base"] if "meta" in trace]
    assert [trace["meta"]["key"] for trace in lines] == [swing.key for swing in recording.swings]
    assert [trace["meta"]["practice"] for trace in lines] == [not swing.is_shot for swing in recording.swings]
    for trace, swing in zip(lines, recording.swings, strict=True):
        at_impact = round(-trace["x0"] / trace["dx"])
        shown = decoded(trace["y"])[at_impact]
        # float32 keeps 7 digits of some hundred °/s.
        assert shown == pytest.approx(swing.values["chest_turn_rate_impact_dps"], abs=1e-3)


def test_the_band_is_the_stretch_in_which_the_verdict_looked(recording: RecordingView) -> None:
    band = plots(recording)[0]["layout"]["shapes"][0]
    # Definition of chest_turn_rate_min_dps: from 0.05 s before to 0.15 s after impact.
    assert (band["x0"], band["x1"]) == (-0.05, 0.15)


def test_verdicts_differ_in_dash_and_marker(recording: RecordingView) -> None:
    chest = plots(recording)[0]
    dashes = {
        swing.verdict: trace["line"]["dash"] for swing, trace in zip(recording.shots, chest["base"], strict=False)
    }
    symbols = {trace["marker"]["symbol"] for trace in chest["base"] if trace["mode"] == "markers"}
    assert len(set(dashes.values())) == len(symbols) == 3


def test_the_picked_stall_is_named_at_the_curve_and_broadened(recording: RecordingView) -> None:
    chest = plots(recording)[0]
    stalled, turning = recording.swings[2], recording.swings[0]
    words = [note["text"] for note in chest["picked"][stalled.key]["annotations"]]
    assert "<b>stalls</b>" in words
    assert "<b>keeps turning</b>" in [note["text"] for note in chest["picked"][turning.key]["annotations"]]
    broad = [trace for trace in chest["picked"][stalled.key]["over"] if is_broad(trace)]
    peak = stalled.values["chest_turn_rate_peak_dps"]
    assert peak is not None
    assert len(broad) == 1
    assert np.max(decoded(broad[0]["y"])) < 0.4 * peak
    assert not any(is_broad(trace) for trace in chest["picked"][turning.key]["over"])


def is_broad(trace: dict[str, Any]) -> bool:
    return trace.get("line", {}).get("width", 0) > 5


def test_error_bars_reach_twice_the_standard_error(recording: RecordingView) -> None:
    chest, wrist = plots(recording)
    key = recording.swings[0].key
    slowest = next(trace for trace in chest["picked"][key]["over"] if "error_y" in trace)
    assert slowest["error_y"]["array"] == [2.0 * recording.swings[0].values["chest_turn_rate_min_dps_se"]]
    bars = [trace["error_y"]["array"] for trace in wrist["picked"][key]["over"] if "error_y" in trace]
    assert bars == [[3.2]] * 6


def test_wrist_marks_stand_at_their_moments_and_values(recording: RecordingView) -> None:
    wrist = plots(recording)[1]
    swing = recording.swings[0]
    marks = [trace for trace in wrist["picked"][swing.key]["over"] if trace["mode"] == "markers"]
    places = [(float(decoded(mark["x"])[0]), float(decoded(mark["y"])[0])) for mark in marks]
    expected = [
        (time, swing.values[f"wrist_{angle}_{moment}_deg"])
        for angle in ("flexion", "ulnar")
        for moment, time in (("address", -0.95), ("top", -0.27), ("impact", 0.0))
    ]
    np.testing.assert_allclose(places, np.array(expected, dtype=float), atol=1e-5)


def test_wrist_axes_speak_in_words(recording: RecordingView) -> None:
    layout = plots(recording)[1]["layout"]
    names = layout["yaxis"]["ticktext"]
    assert "flat" in names
    assert any(name.endswith("extended") for name in names)
    assert layout["yaxis"]["ticktext"][0] == f"{abs(layout['yaxis']['tickvals'][0]):.0f}° extended"
    assert all("−" not in name and "-" not in name for name in [*names, *layout["yaxis2"]["ticktext"]])


def test_without_curves_there_is_no_plot() -> None:
    forearm = recordings_from(*lesson_tables(worn=("lead_forearm",)))[0]
    assert plots(forearm) == []
    assert plots(recordings_from(*lesson_tables(verdicts=(), practice=0))[0]) == []
