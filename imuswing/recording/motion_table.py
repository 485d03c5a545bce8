"""The numbers of one motion table: a fast path by columns, and a slow one that finds out what is wrong."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv

from imuswing.errors import RecordingError, counted
from imuswing.recording.channels import Channels
from imuswing.recording.events import events_path
from imuswing.recording.layout import check_is_file, motion_files
from imuswing.recording.model import FloatArray
from imuswing.recording.tables import NOT_AVAILABLE, decode

_DIGITS: Final = r" *[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_NUMBER: Final = re.compile(_DIGITS + r"(?:[eE][+-]?[0-9]+)? *")
_SURE_CELL: Final = _DIGITS + r"(?:[eE][+-]?[0-9]{1,2})? *|n/a"
"""A cell that is certainly legal; one with a longer exponent may be infinite and is looked at more closely."""
_MISSING_ELSEWHERE: Final = ("n/a", "na", "nan", "none", "null", "inf", "infinity")
"""What programs write for numbers that are none: a first line of these is no header."""

_SHOWN_CHARACTERS: Final = 24

LARGE_FILE: Final = 250_000_000
"""Bytes; some two hours of three sensors at 200 Hz. A larger file is read by blocks: by the clock that is a little
slower, since a block is parsed after the other, but its table would take as much memory as the samples themselves."""

COUNTED_BYTES: Final = 1 << 22

PARSED_BYTES: Final = 1 << 22
"""The parser takes so much at a time: a twentieth less of the processor's time than with its own blocks of 1 MB."""


@dataclass(frozen=True, kw_only=True)
class MotionTable:
    """The wanted columns of a motion table of N lines, as they stand, lost samples NaN.

    columns: by number (N,).  triads: by the numbers of its three columns (N, 3), of which `columns` holds views.
    """

    columns: Mapping[int, FloatArray]
    triads: Mapping[tuple[int, int, int], FloatArray]


def read_motion_table(path: Path, channels: Channels) -> MotionTable:
    """The wanted columns of a motion table.

    Raises RecordingError for an empty file, ragged lines, a header, text or an infinite number in a wanted column,
    and text that is not UTF-8.
    """
    check_is_file(path)
    try:
        return _read_by_blocks(path, channels) if path.stat().st_size > LARGE_FILE else _read_at_once(path, channels)
    except pa.ArrowInvalid as error:
        raise _explain(path, channels, str(error)) from error
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error})", "check that you may read it") from error
    finally:
        # The parser keeps its memory for a next file: as much as all samples take.
        pa.default_memory_pool().release_unused()


def _read_at_once(path: Path, channels: Channels) -> MotionTable:
    table = pyarrow.csv.read_csv(path, **_options(channels))
    found = _empty(channels, table.num_rows)
    parsed, columns = {number: table[str(number)] for number in channels.wanted}, found.columns
    del table
    for number in channels.wanted:
        # Let go of each column once it is copied: a long recording's table is large.
        numbers = columns[number]
        _check_finite(path, channels, number, numbers, _copy_numbers(parsed.pop(number).chunks, numbers))
    return found


def _read_by_blocks(path: Path, channels: Channels) -> MotionTable:
    """The same a block of lines at a time, so that the parsed table never stands in memory beside the samples."""
    table = _empty(channels, _most_lines(path))
    missing = dict.fromkeys(channels.wanted, 0)
    count = 0
    with pyarrow.csv.open_csv(path, **_options(channels)) as blocks:
        for block in blocks:
            here = slice(count, count + block.num_rows)
            for number in channels.wanted:
                chunk = block.column(block.schema.get_field_index(str(number)))
                missing[number] += _copy_numbers([chunk], table.columns[number][here])
            count += block.num_rows
    table = MotionTable(
        columns={number: column[:count] for number, column in table.columns.items()},
        triads={numbers: triad[:count] for numbers, triad in table.triads.items()},
    )
    for number, column in table.columns.items():
        _check_finite(path, channels, number, column, missing[number])
    return table


def _empty(channels: Channels, count: int) -> MotionTable:
    triads = {triad.columns: np.empty((count, 3)) for sensor in channels.sensors.values() for triad in sensor.values()}
    columns = {number: block[:, axis] for numbers, block in triads.items() for axis, number in enumerate(numbers)}
    if channels.latency is not None:
        columns[channels.latency] = np.empty(count)
    return MotionTable(columns=columns, triads=triads)


def _most_lines(path: Path) -> int:
    """At least as many as the file has lines; memory that is asked for and not written to costs nothing."""
    count = 1
    with path.open("rb") as file:
        while block := file.read(COUNTED_BYTES):
            count += block.count(b"\n") + block.count(b"\r")
    return count


def _check_finite(path: Path, channels: Channels, number: int, column: FloatArray, missing: int) -> None:
    # A cell that says nan or inf is no lost sample: those are n/a, which the parser turns into null.
    if np.count_nonzero(np.isfinite(column)) != len(column) - missing:
        raise _explain(path, channels, f"column {number + 1} holds numbers that are not finite")


def _options(channels: Channels) -> dict[str, Any]:
    names = [str(number) for number in channels.wanted]
    return {
        "read_options": pyarrow.csv.ReadOptions(
            column_names=[str(number) for number in range(len(channels.names))], block_size=PARSED_BYTES
        ),
        "parse_options": pyarrow.csv.ParseOptions(delimiter="\t", quote_char=False, ignore_empty_lines=False),
        "convert_options": pyarrow.csv.ConvertOptions(
            column_types={name: pa.float64() for name in names},
            include_columns=names,
            null_values=[NOT_AVAILABLE],
            check_utf8=False,
        ),
    }


def _copy_numbers(chunks: Sequence[pa.Array], numbers: FloatArray) -> int:
    """Copy a parsed column into `numbers` (N,), nulls as NaN, and count these; straight from its buffers, since
    pyarrow's own ways would import pandas."""
    start = missing = 0
    for chunk in chunks:
        here = numbers[start : start + len(chunk)]
        validity, data = chunk.buffers()
        here[:] = np.frombuffer(data, np.float64)[chunk.offset : chunk.offset + len(chunk)]
        if chunk.null_count:
            valid = np.unpackbits(np.frombuffer(validity, np.uint8), bitorder="little")
            here[valid[chunk.offset : chunk.offset + len(chunk)] == 0] = np.nan
        start += len(chunk)
        missing += chunk.null_count
    return missing


def _is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None and math.isfinite(float(cell))


def _explain(path: Path, channels: Channels, technical: str) -> RecordingError:
    """The first thing that is wrong with a motion table, looked for cell by cell."""
    lines = re.split(r"\r\n|\n|\r", decode(path, path.read_bytes()))
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines:
        return RecordingError(path, "is empty", f"record again, or {_without(path)}")
    cells = lines[0].split("\t")
    count = len(channels.names)
    if len(cells) == count and all(_looks_like_a_name(cell) for cell in cells):
        return RecordingError(
            path, "has a header row", f"delete its first line: the names of the columns stand in {channels.path.name}"
        )
    if len(cells) != count:
        return RecordingError(
            path,
            f"has {counted(len(cells), 'column')} but {channels.path.name} describes {count}",
            "describe every column in its order, and separate the columns by tabs",
        )
    wanted = set(channels.wanted)
    sure = re.compile("\t".join(f"(?:{_SURE_CELL})" if column in wanted else "[^\t]*" for column in range(count)))
    for number, line in enumerate(lines, start=1):
        if sure.fullmatch(line) is None:
            problem = _wrong_in_row(line.split("\t"), number, channels, last=number == len(lines))
            if problem is not None:
                return RecordingError(path, *problem)
    return RecordingError(path, f"cannot be read as a table of numbers ({technical})", "check its last lines")


def _without(path: Path) -> str:
    """How to go on without a motion table that holds nothing."""
    if len(motion_files(path)) == 1:
        return "delete the files of this recording"
    marks = ", without the marks in its events file" if events_path(path).is_file() else ""
    return f"delete the files {path.name.removesuffix('motion.tsv')}*: the recording's other sensors are usable{marks}"


def _looks_like_a_name(cell: str) -> bool:
    return cell[:1].isalpha() and cell.lower() not in _MISSING_ELSEWHERE


def _wrong_in_row(row: list[str], number: int, channels: Channels, *, last: bool) -> tuple[str, str] | None:
    """What is wrong in a line and what to do, None where all is well."""
    if row == [""]:
        return f"line {number} is empty", "delete the line, or write n/a in each of its cells if samples were lost"
    if last and len(row) < len(channels.names):
        return (
            f"line {number}, the last one, stops after {counted(len(row), 'cell')} of {len(channels.names)}: the file "
            "was cut short",
            "copy it again from where it was recorded, or delete that line and use what is there",
        )
    if len(row) != len(channels.names):
        return (
            f"line {number} has {counted(len(row), 'cell')} instead of {len(channels.names)}",
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
