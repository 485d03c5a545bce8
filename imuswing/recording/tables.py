"""Small tables and JSON files of a dataset as text, and writing files whole or not at all."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from imuswing.errors import RecordingError, counted

NOT_AVAILABLE: Final = "n/a"
"""How BIDS writes a value that is missing."""

Row = dict[str, str]


def read_text(path: Path, *, missing_do: str) -> str:
    """The text of a UTF-8 file; RecordingError saying `missing_do` where there is none."""
    if not path.is_file():
        raise RecordingError(path, "does not exist", missing_do)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})", "check that you may read it") from error
    return decode(path, raw)


def decode(path: Path, raw: bytes) -> str:
    """Bytes of a file as text; RecordingError naming the line where they are not UTF-8 text."""
    nul = raw.find(b"\0")
    if nul >= 0:
        line = raw.count(b"\n", 0, nul) + 1
        raise RecordingError(
            path,
            f"holds NUL bytes (line {line}), so it is damaged or no UTF-8 text",
            "copy it again from where it was recorded, or save it as UTF-8",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise RecordingError(path, f"is not UTF-8 text (line {line})", "save it as UTF-8") from error


def read_table(path: Path, *, needed: Sequence[str], missing_do: str) -> list[Row]:
    """The rows of a tab-separated table with a header, as text by column name.

    Raises RecordingError where the file or a needed column is missing, a row is ragged or a column stands twice.
    """
    text = read_text(path, missing_do=missing_do)
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter="\t", strict=True))
    except csv.Error as error:
        raise RecordingError(
            path, f"cannot be taken apart into columns ({error})", "check its tabs and double quotes"
        ) from error
    while lines and not any(lines[-1]):
        lines.pop()
    if not lines:
        raise RecordingError(path, "is empty", missing_do)
    header, *rows = lines
    twice = [column for column in header if header.count(column) > 1]
    if twice:
        raise RecordingError(path, f"has the column {twice[0]!r} twice", "rename or delete one of the two")
    absent = [column for column in needed if column not in header]
    if absent:
        raise RecordingError(
            path,
            f"has no column {', '.join(map(repr, absent))}",
            f"give it a header with {', '.join(needed)}, separated by tabs",
        )
    for number, row in enumerate(rows, start=2):
        if len(row) != len(header):
            raise RecordingError(
                path,
                f"line {number} has {counted(len(row), 'cell')} instead of {len(header)}",
                "write one cell for each column, separated by tabs, with n/a for what is missing",
            )
    return [dict(zip(header, row, strict=True)) for row in rows]


def value(row: Row, column: str) -> str | None:
    """A cell, None where it is missing, empty or `n/a`."""
    cell = row.get(column, NOT_AVAILABLE).strip()
    return None if cell in ("", NOT_AVAILABLE) else cell


def table_text(columns: Sequence[str], rows: Iterable[Mapping[str, str | None]]) -> str:
    """A tab-separated table with a header; None and empty cells become `n/a`, white space becomes single blanks."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([" ".join((row.get(column) or "").split()) or NOT_AVAILABLE for column in columns])
    return out.getvalue()


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object; RecordingError where the file holds something else."""
    try:
        content = json.loads(read_text(path, missing_do="write it, as Motion-BIDS asks"))
    except json.JSONDecodeError as error:
        raise RecordingError(
            path, f"is not valid JSON (line {error.lineno}: {error.msg})", "correct it at that line"
        ) from error
    if not isinstance(content, dict):
        raise RecordingError(path, "holds no JSON object", "write its fields between { and }")
    return content


def json_text(content: Mapping[str, object]) -> str:
    """A JSON object as indented text."""
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_files(contents: Mapping[Path, str | Callable[[Path], None]], *, aside: Sequence[Path] = ()) -> None:
    """Write files whole or not at all: each under a temporary name first, renamed in order once all are written.

    Folders that were made for them are gone again if none was placed in them.
    contents: by path its text, or a function that writes the file at the path it is given.
    aside: files that are in the way; while others are renamed they stand under a hidden name, so that old and new are
    never taken together if the program is killed there, and nothing old is lost.
    """
    hidden = {path: path.with_name(f".{path.name}.{os.getpid()}.old") for path in aside}
    parts = {path: path.with_name(f".{path.name}.{os.getpid()}.part") for path in contents}
    made = sorted({folder for path in contents for folder in path.parents if not folder.exists()}, reverse=True)
    try:
        for path, content in contents.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            if callable(content):
                content(parts[path])
            else:
                parts[path].write_text(content, encoding="utf-8", newline="\n")
        for path, name in hidden.items():
            os.replace(path, name)
        for path, part in parts.items():
            os.replace(part, path)
        for name in hidden.values():
            name.unlink()
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)
        for folder in made:
            with suppress(OSError):  # which it raises where the folder is not empty
                folder.rmdir()
