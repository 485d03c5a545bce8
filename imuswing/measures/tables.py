"""The two result tables: columns in the dictionary's order, units in the field metadata, written whole or not."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from imuswing.measures.dictionary import (
    BY_NAME,
    CURVE_UNITS,
    KEY_COLUMNS,
    MOMENT_COLUMNS,
    SCHEMA_VERSION,
    VERDICT_COLUMN,
    swing_columns,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

TEXT_COLUMNS = ("participant", "session", "task", "acq", "run", "block", "intent", "outcome", "kind", VERDICT_COLUMN)
CURVE_KEYS = ("participant", "session", "task", "acq", "run", "swing")
OPTIONAL_CURVES = ("pelvis_turn_rate_dps", "pelvis_turn_deg", "shaft_lean_deg")


def swing_schema() -> pa.Schema:
    """Arrow schema of the table of swings, with units in the field metadata."""
    return pa.schema([_swing_field(name) for name in swing_columns()], metadata=_file_metadata(_swing_units()))


def curve_schema(names: Iterable[str]) -> pa.Schema:
    """Arrow schema of the table of curves with the curve columns `names`."""
    fields = [pa.field(k, pa.int64() if k == "swing" else pa.string()) for k in CURVE_KEYS]
    units = {name: CURVE_UNITS[name] for name in names}
    fields += [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in units.items()]
    return pa.schema(fields, metadata=_file_metadata(units))


def swings_table(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """One row a swing, every column there, null where a measure could not be had."""
    columns: dict[str, Any] = {}
    for name in swing_columns():
        values = [row.get(name) for row in rows]
        if name in TEXT_COLUMNS:
            columns[name] = pd.array(values, dtype="str")
        elif name == "swing":
            columns[name] = np.array(values, dtype=np.int64)
        elif name == "flags":
            columns[name] = pd.Series([list(value or ()) for value in values], dtype=object)
        else:
            columns[name] = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    return pd.DataFrame(columns)


def curves_table(curves: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """All swings' curves one below another; columns that no swing has are null, optional ones left out."""
    names = [name for name in CURVE_UNITS if name not in OPTIONAL_CURVES or any(name in curve for curve in curves)]
    lengths = [len(curve["time_s"]) for curve in curves]
    columns: dict[str, Any] = {}
    for key in CURVE_KEYS:
        values = [curve.get(key) for curve in curves]
        if key == "swing":
            columns[key] = np.repeat(np.array(values, dtype=np.int64), lengths)
        else:
            codes = np.repeat(np.arange(len(values)), lengths)
            columns[key] = pd.array(values, dtype="str").take(codes) if len(values) else pd.array([], dtype="str")
    for name in names:
        parts = [curve.get(name, np.full(n, np.nan)) for curve, n in zip(curves, lengths, strict=True)]
        columns[name] = np.concatenate(parts) if parts else np.zeros(0)
    # The columns are nobody else's: a long recording's need not be copied once more.
    return pd.DataFrame(columns, copy=False)


def write_swings(swings: pd.DataFrame, path: Path) -> None:
    """Write the table of swings as Parquet; NaN becomes null."""
    write_table(pa.Table.from_pandas(swings, schema=swing_schema(), preserve_index=False), path)


def write_curves(curves: pd.DataFrame, path: Path) -> None:
    """Write the table of curves as Parquet; NaN becomes null."""
    names = [name for name in CURVE_UNITS if name in curves.columns]
    write_table(pa.Table.from_pandas(curves, schema=curve_schema(names), preserve_index=False), path)


def write_table(table: pa.Table, path: Path) -> None:
    """Write a table with its metadata, under a temporary name first: a file is there whole or not at all."""
    temporary = path.with_name(f".{path.name}.part")
    # Measured numbers hardly repeat: a dictionary of them takes three times as long and a larger file.
    repeating = [field.name for field in table.schema if not pa.types.is_floating(field.type)]
    try:
        pq.write_table(table, temporary, compression="zstd", use_dictionary=repeating)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _swing_field(name: str) -> pa.Field:
    if name in TEXT_COLUMNS:
        return pa.field(name, pa.string())
    if name == "swing":
        return pa.field(name, pa.int64())
    if name == "flags":
        return pa.field(name, pa.list_(pa.string()))
    return pa.field(name, pa.float64(), metadata={"unit": _swing_units()[name]})


def _swing_units() -> dict[str, str]:
    units = {}
    for moment in MOMENT_COLUMNS:
        units[moment] = units[f"{moment}_se"] = "s"
    for measure in BY_NAME.values():
        units[measure.name] = measure.unit
        if measure.has_se:
            units[measure.se_name] = measure.unit
    return units


def _file_metadata(units: Mapping[str, str]) -> dict[str, str]:
    return {"imuswing_schema": SCHEMA_VERSION, "units": json.dumps(units, ensure_ascii=False)}


assert set(KEY_COLUMNS) == set(CURVE_KEYS)
