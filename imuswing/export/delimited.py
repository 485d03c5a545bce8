"""Arrow tables as delimited text, exact to the last bit, and as Parquet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq

SPREADSHEET_ROWS: Final = 1_048_576
"""No common spreadsheet program shows more rows than this (2^20; common practice, no source)."""
ROWS_AT_ONCE: Final = 1 << 16


@dataclass(frozen=True, kw_only=True)
class TextSettings:
    """How delimited text is written. decimal_comma: semicolons between cells and commas in numbers."""

    decimal_comma: bool = False


def write_csv(tables: Iterable[pa.Table], schema: pa.Schema, path: Path, *, settings: TextSettings) -> None:
    """Write tables one below another as UTF-8 text with a header; null is an empty cell, a list its words with `;`.

    Numbers have the shortest text that reads back as the same float64. With a decimal comma a byte-order mark comes
    first, since spreadsheet programs take the text for another encoding without one.
    """
    separator = ";" if settings.decimal_comma else ","
    with path.open("wb") as file:
        if settings.decimal_comma:
            file.write(b"\xef\xbb\xbf")
        file.write((separator.join(schema.names) + "\n").encode())
        options = pyarrow.csv.WriteOptions(include_header=False, delimiter=separator, quoting_style="needed")
        for table in tables:
            for first in range(0, table.num_rows, ROWS_AT_ONCE):
                part = _texts(table.slice(first, ROWS_AT_ONCE), decimal_comma=settings.decimal_comma)
                pyarrow.csv.write_csv(part, file, options)


def _texts(table: pa.Table, *, decimal_comma: bool) -> pa.Table:
    """Lists as one text each, and numbers with a comma where that is asked for."""
    columns = []
    for field in table.schema:
        column = table[field.name]
        if pa.types.is_list(field.type):
            column = pc.binary_join(column, " " if decimal_comma else ";")
        elif decimal_comma and pa.types.is_floating(field.type):
            column = pc.replace_substring(pc.cast(column, pa.string()), ".", ",")
        columns.append(column)
    return pa.table(columns, names=table.schema.names)


def write_parquet(tables: Iterable[pa.Table], schema: pa.Schema, path: Path) -> None:
    """Write tables one below another as one Parquet file; units stay in the metadata of the fields."""
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for table in tables:
            writer.write_table(table.cast(schema))


def too_long(path: Path) -> str | None:
    """A sentence where a written text has more rows than spreadsheet programs show."""
    rows = 0
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            rows += block.count(b"\n")
    if rows <= SPREADSHEET_ROWS:
        return None
    return f"{path}: has {rows} rows; spreadsheet programs show {SPREADSHEET_ROWS} and drop the rest without a word."
