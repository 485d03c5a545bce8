"""The numbers of one motion table: a fast path by columns, and a slow one that finds out what is wrong."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.csv

from imuswing.errors import RecordingError
from imuswing.recording.channels import Channels
from imuswing.recording.layout import check_is_file
from imuswing.recording.model import FloatArray
from imuswing.recording.tables import NOT_AVAILABLE, decode

_NUMBER: Final = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")
_SHOWN_CHARACTERS: Final = 24


def read_motion_table(path: Path, channels: Channels) -> dict[int, FloatArray]:
    """The wanted columns of a motion table by their number, (N,) each, as they stand, with lost samples NaN.

    Raises RecordingError for an empty file, ragged lines, a header, text or an infinite number in a wanted column,
    and text that is not UTF-8.
    """
    check_is_file(path)
    wanted = channels.wanted
    try:
        table = _parse(path, len(channels.names), wanted)
    except pa.ArrowInvalid as error:
        raise _explain(path, channels, str(error)) from error
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error})", "check that you may read it") from error
    columns = {number: np.asarray(table[str(number)].to_numpy(), dtype=np.float64) for number in wanted}
    for number, numbers in columns.items():
        # A cell that says nan or inf is no lost sample: those are n/a, which the parser turns into null.
        if np.count_nonzero(~np.isfinite(numbers)) != table[str(number)].null_count:
            raise _explain(path, channels, f"column {number + 1} holds numbers that are not finite")
    return columns


def _parse(path: Path, count: int, wanted: list[int]) -> pa.Table:
    names = [str(number) for number in wanted]
    return pyarrow.csv.read_csv(
        path,
        read_options=pyarrow.csv.ReadOptions(column_names=[str(number) for number in range(count)]),
        parse_options=pyarrow.csv.ParseOptions(delimiter="\t", quote_char=False, ignore_empty_lines=False),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={name: pa.float64() for name in names},
            include_columns=names,
            null_values=[NOT_AVAILABLE],
            check_utf8=False,
        ),
    )


def _is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None and math.isfinite(float(cell))


def _explain(path: Path, channels: Channels, technical: str) -> RecordingError:
    """The first thing that is wrong with a motion table, looked for cell by cell."""
    lines = re.split(r"\r\n|\n|\r", decode(path, path.read_bytes()))
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines:
        return RecordingError(path, "is empty", "record again, or delete the files of this recording")
    rows = [line.split("\t") for line in lines]
    count = len(channels.names)
    if not any(_is_number(cell) or cell == NOT_AVAILABLE for cell in rows[0]) and len(rows[0]) == count:
        return RecordingError(
            path, "has a header row", f"delete its first line: the names of the columns stand in {channels.path.name}"
        )
    if len(rows[0]) != count:
        return RecordingError(
            path,
            f"has {len(rows[0])} columns but {channels.path.name} describes {count}",
            "describe every column in its order, and separate the columns by tabs",
        )
    for number, row in enumerate(rows, start=1):
        problem = _wrong_in_row(row, number, channels)
        if problem is not None:
            return RecordingError(path, *problem)
    return RecordingError(path, f"cannot be read as a table of numbers ({technical})", "check its last lines")


def _wrong_in_row(row: list[str], number: int, channels: Channels) -> tuple[str, str] | None:
    """What is wrong in a line and what to do, None where all is well."""
    if row == [""]:
        return f"line {number} is empty", "delete the line, or write n/a in each of its cells if samples were lost"
    if len(row) != len(channels.names):
        return (
            f"line {number} has {len(row)} cells instead of {len(channels.names)}",
            "write one cell for each channel, separated by tabs, with n/a for a lost sample",
        )
    for column in channels.wanted:
        cell = row[column]
        if cell != NOT_AVAILABLE and not _is_number(cell):
            shown = cell if len(cell) <= _SHOWN_CHARACTERS else cell[:_SHOWN_CHARACTERS] + "…"
            return (
                f"line {number} holds {shown!r} where {channels.names[column]} needs a number",
                "write numbers with a decimal point, and n/a for a lost sample",
            )
    return None
