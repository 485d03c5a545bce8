"""The tables of a results folder, part after part, so that a batch of any size goes through little memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from imuswing.errors import RecordingError
from imuswing.results import ORIENTATIONS_FILE


@dataclass(frozen=True, kw_only=True)
class Parts:
    """A table in one or more Parquet files. schema: of all of them together."""

    files: tuple[Path, ...]
    schema: pa.Schema

    def tables(self) -> Iterator[pa.Table]:
        """Part after part, with every column of the schema, null where a part lacks it."""
        for file in self.files:
            with pq.ParquetFile(file) as part:
                for batch in part.iter_batches():
                    yield _with_all(pa.Table.from_batches([batch]), self.schema)


def _with_all(table: pa.Table, schema: pa.Schema) -> pa.Table:
    columns = [
        table[field.name].cast(field.type) if field.name in table.column_names else pa.nulls(len(table), field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def result_parts(folder: Path, file: str) -> Parts | None:
    """The parts of the table `file`: such as swings.parquet, or swings/*.parquet of a batch; None without orientations.

    Raises RecordingError where another table is missing or one cannot be read.
    """
    whole = folder / file
    files = [whole] if whole.is_file() else sorted((folder / whole.stem).glob("*.parquet"))
    if not files:
        if file == ORIENTATIONS_FILE:
            return None
        raise RecordingError(folder, f"holds neither {file} nor {whole.stem}/*.parquet", "analyze once more")
    schemas = [_schema(path) for path in files]
    joined = pa.unify_schemas(schemas, promote_options="permissive")
    return Parts(files=tuple(files), schema=joined.with_metadata(schemas[0].metadata))


def _schema(path: Path) -> pa.Schema:
    try:
        return pq.read_schema(path)
    except (pa.ArrowException, OSError) as error:
        raise RecordingError(path, "it cannot be read as a Parquet table", "analyze the recording again") from error
