"""Tables in which the rows of several sensors stand below one another, told apart by a column of names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.formats.names import plain, read_name
from imuswing.formats.table import Table
from imuswing.formats.text import Blanks, Layout, find_layout
from imuswing.recording.model import FloatArray, IntArray

if TYPE_CHECKING:
    import pyarrow as pa

SENSOR_NAMES: Final = ("tracked_point", "sensor", "sensor_name", "sensor_id", "device", "device_id", "imu", "placement")
"""Columns that tell whose a row is (common practice, no source)."""
CLOCK_NAME: Final = "tracking_system"
"""The column in which our own exports tell the clock that a sensor shares."""
MOST_SENSORS: Final = 32
"""More names than this are no sensors."""


def parted(table: Table) -> list[Table]:
    """A table whose rows belong to several sensors as one table a sensor, or a clock where that is told; else itself.

    Sensors of one clock are laid side by side if their times are the same. Rows of one sensor keep their order.
    """
    words = _words(table.source)
    key = next((name for wanted in SENSOR_NAMES for name in words if plain(name) == wanted), None)
    if key is None:
        return [table]
    sensors = _groups(table, words[key])
    if sensors is None:
        return [table]
    clock = next((name for name in words if plain(name) == CLOCK_NAME), None)
    if clock is None:
        # One column of time for all of them: they share whatever clock it counts.
        return [_part(table, name, rows, shared=str(table.source)) for name, rows in sensors.items()]
    systems: dict[str, list[str]] = {}
    for name, rows in sensors.items():
        systems.setdefault(words[clock].take([int(rows[0])]).to_pylist()[0] or name, []).append(name)
    return [part for names in systems.values() for part in _one_clock(table, names, sensors)]


def _part(table: Table, name: str, rows: IntArray, *, shared: str | None) -> Table:
    columns = {_bare(column): values[rows] for column, values in table.columns.items()}
    return replace(table, name=name, columns=columns, shared_clock=shared, layout={})


def _one_clock(table: Table, names: Sequence[str], sensors: Mapping[str, IntArray]) -> list[Table]:
    """Sensors of one clock side by side, under names that begin with theirs."""
    times = [column for column in table.columns if read_name(column).kind == "time"]
    first = {column: table.columns[column][sensors[names[0]]] for column in times}
    same = all(
        np.array_equal(table.columns[column][sensors[name]], values)
        for column, values in first.items()
        for name in names
    )
    if len(names) == 1 or not times or not same:
        return [_part(table, name, sensors[name], shared=None) for name in names]
    columns: dict[str, FloatArray] = {_bare(column): values for column, values in first.items()}
    for name in names:
        for column, values in table.columns.items():
            own = values[sensors[name]]
            # A quantity that this sensor does not have is empty for all its rows.
            if column not in times and not np.isnan(own).all():
                columns[f"{name}_{_bare(column)}"] = own
    return [replace(table, name="-".join(names), columns=columns, layout={})]


def _bare(column: str) -> str:
    """A name without a unit in brackets where it ends in one already."""
    bare = column.split(" [")[0]
    return bare if read_name(bare).unit is not None else column


def _groups(table: Table, words: pa.Array) -> dict[str, IntArray] | None:
    """By name the rows of a sensor, in the order in which names come; None where they name no sensors."""
    if len(words) != table.count:
        raise RecordingError(table.source, "has rows of different lengths", "export it again")
    encoded = words.dictionary_encode()
    names = [str(name) for name in encoded.dictionary.to_pylist()]
    if not 0 < len(names) <= MOST_SENSORS:
        return None
    if encoded.null_count:
        row = int(np.argmax(encoded.is_null().to_numpy(zero_copy_only=False))) + 1
        raise RecordingError(table.source, f"does not say whose row {row} is", "name its sensor, or delete the row")
    codes = encoded.indices.to_numpy()
    return {name: np.flatnonzero(codes == code) for code, name in enumerate(names)}


def _words(path: Path) -> dict[str, pa.Array]:
    """The columns of words that may name sensors or clocks, by name; {} in files of other kinds."""
    wanted = (*SENSOR_NAMES, CLOCK_NAME)
    if path.suffix.lower() == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        schema = pq.read_schema(path)
        texts = [f.name for f in schema if pa.types.is_string(f.type) or pa.types.is_large_string(f.type)]
        names = [name for name in texts if plain(name) in wanted]
        table = pq.read_table(path, columns=names) if names else None
        return {} if table is None else {name: table[name].combine_chunks() for name in names}
    if path.suffix.lower() in (".npz", ".mat", ".xdf"):
        return {}
    layout = find_layout(path)
    texts = [name for name, kind in zip(layout.names, layout.kinds, strict=True) if kind == "text"]
    names = [name for name in texts if plain(name) in wanted]
    return _from_text(path, layout, names) if names else {}


def _from_text(path: Path, layout: Layout, names: Sequence[str]) -> dict[str, pa.Array]:
    import pyarrow as pa
    import pyarrow.csv

    options: dict[str, Any] = {
        "read_options": pyarrow.csv.ReadOptions(
            column_names=list(layout.names),
            skip_rows=layout.skip,
            encoding="utf8" if layout.encoding == "utf-8" else layout.encoding,
        ),
        "parse_options": pyarrow.csv.ParseOptions(delimiter=layout.separator, ignore_empty_lines=True),
        "convert_options": pyarrow.csv.ConvertOptions(
            column_types={name: pa.string() for name in names},
            include_columns=list(names),
            null_values=[""],
            strings_can_be_null=True,
        ),
    }
    source: Any = pa.PythonFile(Blanks(path), mode="r") if layout.separator == " " else path
    table = pyarrow.csv.read_csv(source, **options)
    return {name: table[name].combine_chunks() for name in names}
