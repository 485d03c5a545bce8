"""Exported tables: one row a sample, event or frame, exact numbers, units, and what delimited text makes of them."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from export_for_tests import made_up_swing
from recordings_for_tests import make_recording, make_stream

from imuswing.errors import RecordingError
from imuswing.export import delimited
from imuswing.export.delimited import TextSettings, too_long, write_csv, write_parquet
from imuswing.export.frames import frame_schema, frame_table
from imuswing.export.joined import on_even_grid, on_recording_clock
from imuswing.export.result_tables import result_parts
from imuswing.export.samples import about_recording, event_table, sample_schema, sample_tables
from imuswing.recording.model import Event

PLAIN = TextSettings()


def written(tables: list[pa.Table], path: Path, *, settings: TextSettings = PLAIN) -> Path:
    write_csv(tables, tables[0].schema, path, settings=settings)
    return path


def test_samples_are_those_of_the_recording_to_the_bit(tmp_path: Path) -> None:
    recording = make_recording(
        make_stream("chest", tracking_system="a", seed=1),
        make_stream("lead_hand", tracking_system="b", rate=100.0, seed=2, with_mag=True),
    )
    tables = list(sample_tables(recording, mag=True, labels=False))
    read = pd.read_csv(written(tables, tmp_path / "x.csv"))
    write_parquet(tables, sample_schema(mag=True, labels=False), tmp_path / "x.parquet")
    for table in (read, pd.read_parquet(tmp_path / "x.parquet")):
        for point, stream in recording.sensors.items():
            own = table[table["tracked_point"] == point]
            assert list(own["tracking_system"].unique()) == [stream.tracking_system]
            np.testing.assert_array_equal(own["time_s"], stream.time)
            np.testing.assert_array_equal(own[[f"acc_{axis}_mps2" for axis in "xyz"]], stream.acc)
            np.testing.assert_array_equal(own[[f"gyr_{axis}_radps" for axis in "xyz"]], stream.gyr)
            mag = np.full((len(own), 3), np.nan) if stream.mag is None else stream.mag
            np.testing.assert_array_equal(own[[f"mag_{axis}_ut" for axis in "xyz"]], mag)


def test_lost_samples_are_empty_cells(tmp_path: Path) -> None:
    path = written(list(sample_tables(make_recording(), mag=False, labels=False)), tmp_path / "x.csv")
    line = path.read_text().splitlines()[1 + 5]
    assert line.endswith(",,,,,,")
    assert "nan" not in path.read_text().lower()


def test_units_stand_in_the_fields_of_a_parquet_file(tmp_path: Path) -> None:
    schema = sample_schema(mag=False, labels=False).with_metadata(about_recording(make_recording()))
    write_parquet(sample_tables(make_recording(), mag=False, labels=False), schema, tmp_path / "x.parquet")
    read = pq.read_schema(tmp_path / "x.parquet")
    units = {field.name: field.metadata[b"unit"].decode() for field in read if field.metadata}
    assert units["acc_x_mps2"] == "m/s^2"
    assert units["gyr_z_radps"] == "rad/s"
    assert units["time_s"] == "s"
    told = json.loads(read.metadata[b"imuswing_recording"])
    assert told["lead_side"] == "left"
    assert told["sensors"]["chest"]["rate_hz"] == 200.0


def test_labels_are_columns_where_many_recordings_share_a_table() -> None:
    tables = list(sample_tables(make_recording(participant="07"), mag=False, labels=True))
    assert set(tables[0]["participant"].to_pylist()) == {"07"}
    assert tables[0]["run"].null_count == tables[0].num_rows


def test_events_keep_every_word(tmp_path: Path) -> None:
    events = (
        Event(onset=1.5, duration=3.0, trial_type="block", block="drill, hard", intent='turn "on"'),
        Event(onset=7.25, duration=0.0, trial_type="shot", outcome="dünn; links", note="a\tb"),
    )
    table = event_table([make_recording(events=events)], labels=False)
    for settings in (PLAIN, TextSettings(decimal_comma=True)):
        path = written([table], tmp_path / "x.csv", settings=settings)
        comma = settings.decimal_comma
        read = pd.read_csv(path, sep=";" if comma else ",", decimal="," if comma else ".", encoding="utf-8-sig")
        assert list(read["onset"]) == [1.5, 7.25]
        assert read["block"][0] == "drill, hard"
        assert read["intent"][0] == 'turn "on"'
        assert read["outcome"][1] == "dünn; links"
        assert read["note"][1] == "a\tb"


def test_a_decimal_comma_comes_with_semicolons_and_a_mark_of_the_encoding(tmp_path: Path) -> None:
    table = pa.table({"text": ["a"], "number": [-1.5e-9], "whole": [3.0]})
    raw = written([table], tmp_path / "x.csv", settings=TextSettings(decimal_comma=True)).read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    read = pd.read_csv(io.BytesIO(raw), sep=";", decimal=",", encoding="utf-8-sig")
    assert read.iloc[0].to_list() == ["a", -1.5e-9, 3.0]
    assert b"." not in raw


def test_lists_are_words_in_one_cell(tmp_path: Path) -> None:
    table = pa.table({"flags": pa.array([["a", "b"], [], None], pa.list_(pa.string()))})
    assert written([table], tmp_path / "x.csv").read_text().splitlines() == ["flags", '"a;b"', '""', ""]


def test_more_rows_than_a_spreadsheet_shows_are_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written([pa.table({"x": [1.0, 2.0, 3.0]})], tmp_path / "x.csv")
    assert too_long(path) is None
    monkeypatch.setattr(delimited, "SPREADSHEET_ROWS", 3)
    assert "has 4 rows" in str(too_long(path))


def test_a_frame_holds_times_moments_quaternions_and_angles() -> None:
    swing = made_up_swing()
    frames = frame_table(swing).to_pandas()
    assert list(frames["frame"]) == list(range(1, 42))
    np.testing.assert_array_equal(frames["time_s"], swing.time)
    np.testing.assert_allclose(frames["recording_time_s"], 20.0 + swing.time, rtol=0, atol=1e-12)
    told = frames.dropna(subset=["event"]).set_index("event")["time_s"]
    assert told.round(9).to_dict() == {"top": -0.1, "impact": 0.0, "finish": 0.15}
    np.testing.assert_array_equal(frames[[f"q_lead_hand_{part}" for part in "wxyz"]], swing.q["lead_hand"])
    np.testing.assert_array_equal(frames["chest_turn_deg"], 10.0 * swing.time)
    assert frames["shaft_lean_deg"].isna().all()
    assert frames["run"].isna().all()


def test_a_segment_that_was_not_worn_is_null() -> None:
    swing = made_up_swing()
    alone = made_up_swing(q={"chest": swing.q["chest"]})
    table = frame_table(alone)
    assert table.schema == frame_schema()
    assert table["q_lead_hand_w"].null_count == 41
    assert table["q_chest_w"].null_count == 0


def test_two_moments_in_one_frame_share_it() -> None:
    table = frame_table(made_up_swing(moments=(("top", 0.001), ("impact", 0.002), ("finish", 9.0))))
    assert [event for event in table["event"].to_pylist() if event] == ["top impact"]


def test_swings_in_one_file_stand_on_the_recordings_clock_with_gaps_between() -> None:
    first = made_up_swing(seed=1)
    second = made_up_swing(seed=2, impact_s=23.004, keys=first.keys | {"swing": 2})
    told = on_recording_clock([first, second])
    np.testing.assert_allclose(told.time, np.concatenate([20.0 + first.time, 23.004 + second.time]), atol=1e-12)
    assert [name for name, _ in told.moments] == ["top", "impact", "finish"] * 2
    even = on_even_grid([first, second])
    np.testing.assert_allclose(np.diff(even.time), 0.01, atol=1e-12)
    known = np.isfinite(even.q["chest"]).all(axis=1)
    assert known[:41].all()
    assert not known[42:300].any()
    np.testing.assert_allclose(even.q["chest"][:41], first.q["chest"], atol=1e-9)
    # The second swing's frames lie between those of the grid: as far as 0.4 frames of a smooth turn.
    nearest = int(np.argmin(np.abs(even.time - 23.004)))
    assert abs(np.sum(even.q["lead_hand"][nearest] * second.q["lead_hand"][20])) > np.cos(np.deg2rad(2.0))


def test_parts_of_a_batch_with_different_columns_make_one_table(tmp_path: Path) -> None:
    (tmp_path / "swings").mkdir()
    pq.write_table(pa.table({"a": [1.0]}), tmp_path / "swings" / "0.parquet")
    pq.write_table(pa.table({"a": [2.0], "b": ["x"]}), tmp_path / "swings" / "1.parquet")
    parts = result_parts(tmp_path, "swings.parquet")
    assert parts is not None
    assert pa.concat_tables(parts.tables()).to_pylist() == [{"a": 1.0, "b": None}, {"a": 2.0, "b": "x"}]
    assert result_parts(tmp_path, "orientations.parquet") is None
    with pytest.raises(RecordingError, match="holds neither curves"):
        result_parts(tmp_path, "curves.parquet")
    (tmp_path / "swings" / "2.parquet").write_bytes(b"PAR1 and no more")
    with pytest.raises(RecordingError, match="cannot be read as a Parquet table"):
        result_parts(tmp_path, "swings.parquet")
