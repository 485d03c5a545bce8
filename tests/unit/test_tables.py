"""The result tables as other programs see them: columns, types, units, nulls, and whole files or none."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from imuswing.measures import tables
from imuswing.measures.dictionary import BY_NAME, swing_columns
from imuswing.measures.tables import curves_table, swings_table, write_curves, write_swings

KEYS = {"participant": "S001", "session": "01", "task": "chip", "acq": None, "run": "2"}
ROW = KEYS | {
    "swing": 1,
    "kind": "shot",
    "block": "baseline",
    "outcome": "thin",
    "flags": ["chest_hardly_turned", "lead_hand_samples_bridged"],
    "impact_s": 12.5,
    "impact_s_se": 0.002,
    "chest_turn_rate_peak_dps": 310.0,
    "chest_continuity": None,
    "chest_verdict": "stalled",
}
BARE = KEYS | {"swing": 2, "kind": "practice"}


@pytest.fixture
def written(tmp_path: Path) -> pa.Table:
    write_swings(swings_table([ROW, BARE]), tmp_path / "swings.parquet")
    return pq.read_table(tmp_path / "swings.parquet")


def test_columns_and_types(written: pa.Table) -> None:
    # The contract of the result tables; pyarrow reads what stands in the file.
    assert written.column_names == list(swing_columns())
    types = {field.name: field.type for field in written.schema}
    for name in ("participant", "session", "task", "acq", "run", "block", "intent", "outcome", "kind", "chest_verdict"):
        assert types[name] == pa.string(), name
    assert types["flags"] == pa.list_(pa.string())
    assert types["swing"] == pa.int64()
    assert types["chest_stall_probability"] == types["takeaway_s"] == types["top_position"] == pa.float64()


def test_what_is_not_there_is_null_and_never_nan(written: pa.Table) -> None:
    first, second = written.to_pylist()
    assert first["flags"] == ["chest_hardly_turned", "lead_hand_samples_bridged"]
    assert second["flags"] == []
    assert first["chest_continuity"] is None
    assert first["acq"] is None
    assert first["run"] == "2"
    assert second["chest_verdict"] is None
    assert second["block"] is second["intent"] is second["outcome"] is None
    for name, column in zip(written.column_names, written.columns, strict=True):
        if pa.types.is_floating(column.type):
            values = column.drop_null().to_numpy()
            assert np.all(np.isfinite(values)), name


def test_units_stand_in_the_fields_and_once_more_in_the_file(written: pa.Table) -> None:
    schema = written.schema
    units = {field.name: field.metadata[b"unit"].decode() for field in schema if field.metadata}
    assert units["chest_turn_rate_peak_dps"] == units["chest_turn_rate_peak_dps_se"] == "°/s"
    assert units["impact_s"] == units["impact_s_se"] == "s"
    assert units["wrist_flexion_top_deg"] == "°"
    assert units["chest_continuity"] == units["chest_continuity_se"] == "1"
    assert all(units[name] == measure.unit for name, measure in BY_NAME.items())
    assert json.loads(schema.metadata[b"units"]) == units
    numbers = [field.name for field in schema if pa.types.is_floating(field.type)]
    assert set(numbers) == set(units)


def test_pandas_reads_labels_as_text(tmp_path: Path) -> None:
    # `run` 2 and session 01 are labels: they must not become the numbers 2 and 1.
    write_swings(swings_table([ROW]), tmp_path / "swings.parquet")
    read = pd.read_parquet(tmp_path / "swings.parquet")
    assert (read["session"].iloc[0], read["run"].iloc[0]) == ("01", "2")
    assert list(read["flags"].iloc[0]) == ROW["flags"]


def curve(swing: int, count: int, **columns: Any) -> dict[str, Any]:
    return KEYS | {"swing": swing, "time_s": np.arange(count) / 100.0 - 0.5} | columns


def test_curves_one_below_another(tmp_path: Path) -> None:
    worn = curve(1, 3, chest_turn_deg=np.array([1.0, 2.0, 3.0]), arm_height_deg=np.array([-50.0, -40.0, -30.0]))
    bare = curve(2, 2, arm_height_deg=np.array([-1.0, -2.0]))
    write_curves(curves_table([worn, bare]), tmp_path / "curves.parquet")
    read = pq.read_table(tmp_path / "curves.parquet")
    assert read.column("swing").to_pylist() == [1, 1, 1, 2, 2]
    assert read.column("chest_turn_deg").to_pylist() == [1.0, 2.0, 3.0, None, None]
    assert read.column("arm_height_deg").to_pylist() == [-50.0, -40.0, -30.0, -1.0, -2.0]
    # The contract's columns are there even where nobody wore the sensor; optional companions only where one did.
    for name in ("chest_turn_rate_dps", "shoulder_tilt_deg", "chest_lean_deg", "wrist_flexion_deg", "wrist_ulnar_deg"):
        assert read.column(name).null_count == 5
    assert "pelvis_turn_deg" not in read.column_names
    assert read.schema.field("chest_turn_rate_dps").metadata == {b"unit": "°/s".encode()}
    assert read.schema.field("time_s").metadata == {b"unit": b"s"}


def test_a_companion_stands_where_it_is_worn() -> None:
    made = curves_table([curve(1, 2, pelvis_turn_deg=np.zeros(2)), curve(2, 2)])
    assert made["pelvis_turn_deg"].isna().tolist() == [False, False, True, True]


def test_no_swings_make_empty_tables_of_the_same_columns(tmp_path: Path) -> None:
    write_swings(swings_table([]), tmp_path / "swings.parquet")
    write_curves(curves_table([]), tmp_path / "curves.parquet")
    swings, curves = (pq.read_table(tmp_path / f"{name}.parquet") for name in ("swings", "curves"))
    assert swings.num_rows == curves.num_rows == 0
    assert swings.column_names == list(swing_columns())
    assert swings.schema.field("flags").type == pa.list_(pa.string())
    assert "wrist_flexion_deg" in curves.column_names


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "swings.parquet"
    write_swings(swings_table([ROW]), path)
    before = path.read_bytes()

    def fails(_: pa.Table, where: Path, **__: object) -> None:
        where.write_bytes(b"half")
        raise OSError("disk full")

    monkeypatch.setattr(tables.pq, "write_table", fails)
    with pytest.raises(OSError, match="disk full"):
        write_swings(swings_table([ROW, BARE]), path)
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["swings.parquet"]
