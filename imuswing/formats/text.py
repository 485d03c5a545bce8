"""Delimited text of any shape: how it is written is found from its first lines, then it is read as a stream."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from imuswing.errors import RecordingError
from imuswing.formats.names import is_unit
from imuswing.formats.table import Table
from imuswing.recording.model import FloatArray

HEAD_BYTES: Final = 1 << 16
"""So much of the beginning of a file shows how it is written."""
MOST_VALUES: Final = 50_000_000
"""More numbers than this are no lesson: 3.5 hours of three sensors at 200 Hz, some 2 GB while they are brought in."""
LONGEST_LINE: Final = 1 << 20
"""Characters; no table has longer lines."""
OTHER_FILES: Final = {
    b"PK\x03\x04": ("is a spreadsheet or a packed folder", "save it as CSV there, or unpack it first"),
    b"\xd0\xcf\x11\xe0": ("is a spreadsheet of an old kind", "save it as CSV there"),
    b"\x1f\x8b": ("is packed (gzip)", "unpack it first"),
    b"\x89HDF": ("is an HDF5 file", "export it as CSV, NPZ or Parquet"),
    b"%PDF": ("is a PDF", "export the numbers as CSV"),
}
"""First bytes of files that people take for tables (from memory)."""
MOST_HEADER_LINES: Final = 60
"""Loggers write some lines about themselves above the table; nobody writes more than this (common practice)."""
SEPARATORS: Final = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "blanks": " "}
MISSING: Final = ("", "n/a", "N/A", "NA", "na", "nan", "NaN", "NAN", "null", "NULL", "None", "none", "-")
_NULLS: Final = (
    *MISSING,
    *(f" {word}" for word in MISSING if word),
    *(" " * width for width in range(1, 24)),
)
"""The same as the parser meets them: it leaves the blanks behind a separator on."""
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_NUMBER_COMMA: Final = re.compile(r"[+-]?(\d+(,\d+)?|,\d+)([eE][+-]?\d+)?")
_DATE: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d([.,]\d+)?(Z|[+-]\d\d:?\d\d)?")


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How a text file is written.  skip: lines above the first line of numbers, the header among them.

    names: of every column.  kinds: by column `number`, `date` or `text`.
    """

    encoding: str
    separator: str
    decimal: str
    skip: int
    names: tuple[str, ...]
    named: bool
    kinds: tuple[str, ...]


def read_text_table(path: Path) -> Table:
    """A text file as a table; RecordingError naming the line where it is damaged.  Columns of words are left out."""
    layout = find_layout(path)
    columns = _read(path, layout)
    dates = tuple(n for n, kind in zip(layout.names, layout.kinds, strict=True) if kind == "date")
    about = {key: value for key, value in asdict(layout).items() if key not in ("names", "kinds", "named")}
    return Table(source=path, name=path.stem, columns=columns, named=layout.named, dates=dates, layout=about)


def find_layout(path: Path) -> Layout:
    """How a file is written, from its first lines."""
    raw = _head(path)
    encoding = _encoding(path, raw)
    text = raw.decode(encoding, errors="replace" if encoding.startswith("utf") else "strict").removeprefix("\ufeff")
    lines = re.split(r"\r\n|\n|\r", text)
    if len(raw) == HEAD_BYTES:
        lines.pop()  # it may be cut
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines:
        raise RecordingError(path, "is empty", "export it from the recorder again")
    found = _first_numbers(lines)
    if found is None:
        raise RecordingError(
            path,
            f"has no row of numbers in its first {min(len(lines), MOST_HEADER_LINES)} lines",
            "export it as delimited text with one row a sample",
        )
    skip, separator, decimal = found
    rows = [split(line, separator) for line in lines[skip : skip + 200] if line.strip()]
    names, named = _names(lines, skip, separator, len(rows[0]))
    kinds = tuple(_kind([row[k] for row in rows if k < len(row)], decimal) for k in range(len(rows[0])))
    return Layout(
        encoding=encoding, separator=separator, decimal=decimal, skip=skip, names=names, named=named, kinds=kinds
    )


def _head(path: Path) -> bytes:
    if not path.is_file():
        raise RecordingError(path, "does not exist" if not path.exists() else "is no file", "check its name")
    try:
        with path.open("rb") as file:
            raw = file.read(HEAD_BYTES)
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})", "check that you may read it") from error
    for magic, (wrong, do) in OTHER_FILES.items():
        if raw.startswith(magic):
            raise RecordingError(path, wrong, do)
    if len(raw) == HEAD_BYTES and not re.search(rb"[\r\n]", raw):
        raise RecordingError(path, f"has no end of line in its first {HEAD_BYTES} bytes", "export one row a sample")
    return raw


def _encoding(path: Path, raw: bytes) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    nul = raw.find(b"\0")
    if nul >= 0:
        raise _nul(path, raw.count(b"\n", 0, nul) + 1)
    try:
        raw[: raw.rfind(b"\n") + 1 or len(raw)].decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252" if not set(raw) & {0x81, 0x8D, 0x8F, 0x90, 0x9D} else "latin-1"
    return "utf-8"


def _nul(path: Path, line: int) -> RecordingError:
    return RecordingError(
        path, f"holds NUL bytes (line {line}), so it is damaged or no text file", "copy it from the recorder again"
    )


def split(line: str, separator: str) -> list[str]:
    """The cells of a line, without blanks and double quotes around them."""
    if '"' in line and separator != " ":
        cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    else:
        cells = line.split() if separator == " " else line.split(separator)
    return [cell.strip().strip('"').strip() for cell in cells]


def is_number(cell: str, decimal: str) -> bool:
    """Whether a cell is a number as this file writes it."""
    return (_NUMBER if decimal == "." else _NUMBER_COMMA).fullmatch(cell) is not None


def _first_numbers(lines: list[str]) -> tuple[int, str, str] | None:
    """Lines above the first numbers, the separator and the decimal mark; the pair that takes most numbers apart."""
    best: tuple[tuple[float, ...], tuple[int, str, str]] | None = None
    for separator in SEPARATORS.values():
        for decimal in (".", ","):
            if decimal == separator:
                continue
            start = _start(lines, separator, decimal)
            if start is None:
                continue
            rows = [split(line, separator) for line in lines[start : start + 50] if line.strip()]
            widths = [len(row) for row in rows]
            width = widths[0]
            same = sum(w == width for w in widths) / len(widths)
            numbers = sum(_good(cell, decimal) for row in rows for cell in row) / sum(widths)
            used = any(decimal in cell for row in rows for cell in row)
            # A comma that parts columns also reads as a decimal comma in rows of integers: more columns win.
            score = (round(numbers * same, 2), float(width), float(used), float(decimal == "."))
            if best is None or score > best[0]:
                best = (score, (start, separator, decimal))
    return None if best is None else best[1]


def _good(cell: str, decimal: str) -> bool:
    return is_number(cell, decimal) or cell in MISSING or _DATE.fullmatch(cell) is not None


def _start(lines: list[str], separator: str, decimal: str) -> int | None:
    """The first line that holds at least three numbers and that the next line resembles."""
    for k, line in enumerate(lines[:MOST_HEADER_LINES]):
        cells = split(line, separator)
        numbers = sum(is_number(cell, decimal) for cell in cells)
        if numbers < 3 or numbers < 0.5 * len(cells):
            continue
        following = next((later for later in lines[k + 1 :] if later.strip()), None)
        if following is None or len(split(following, separator)) == len(cells):
            return k
    return None


def _names(lines: list[str], skip: int, separator: str, count: int) -> tuple[tuple[str, ...], bool]:
    """Names from the line above the numbers; a second line above may hold units."""
    above = [_whole(split(line, separator), count) for line in lines[max(skip - 3, 0) : skip] if line.strip()]
    # A row for units that holds none is no header.
    rows = [[cell.lstrip("#").strip() for cell in row] for row in above if len(row) == count and any(row)][-2:]
    if not rows or not any(re.search("[A-Za-z]", cell) for cell in rows[-1]):
        return tuple(f"column {k + 1}" for k in range(count)), False
    names = rows[-1]
    if len(rows) == 2 and sum(not cell or is_unit(cell.strip("[]()")) for cell in rows[1]) > 0.6 * count:
        names = [f"{name} [{unit.strip('[]()')}]" if unit else name for name, unit in zip(*rows, strict=True)]
    unique: list[str] = []
    for k, name in enumerate(names):
        name = name or f"column {k + 1}"
        unique.append(name if name not in unique else f"{name} (column {k + 1})")
    return tuple(unique), True


def _whole(cells: list[str], count: int) -> list[str]:
    """The cells of a header; `AccX, g` was cut in two where the separator is a comma and nobody quoted it."""
    if len(cells) <= count:
        return cells
    whole: list[str] = []
    for cell in cells:
        if whole and cell and is_unit(cell):
            whole[-1] = f"{whole[-1]} [{cell}]"
        else:
            whole.append(cell)
    return whole if len(whole) == count else cells


def _kind(cells: list[str], decimal: str) -> str:
    held = [cell for cell in cells if cell not in MISSING]
    if sum(is_number(cell, decimal) for cell in held) >= 0.5 * len(held):
        return "number"
    return "date" if sum(_DATE.fullmatch(cell) is not None for cell in held) > 0.5 * len(held) else "text"


class Blanks(io.RawIOBase):
    """A file whose runs of blanks become one, so that the parser can part its columns at single blanks."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        self._rest = b""

    def readable(self) -> bool:
        """True."""
        return True

    def read(self, size: int = -1) -> bytes:
        """About `size` bytes, up to the end of a line."""
        raw = self._file.read(size if size >= 0 else -1)
        whole = self._rest + raw
        if raw:
            cut = whole.rfind(b"\n") + 1
            whole, self._rest = whole[:cut], whole[cut:]
            if not whole:
                return self.read(size)
        else:
            self._rest = b""
        return b"\n".join(re.sub(rb"[ \t]+", b" ", line.strip(b" \t\r")) for line in whole.split(b"\n"))

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()


def _read(path: Path, layout: Layout) -> dict[str, FloatArray]:
    """All columns of numbers and dates, read batch by batch."""
    import pyarrow as pa

    wanted = [k for k, kind in enumerate(layout.kinds) if kind != "text"]
    parts: list[list[FloatArray]] = [[] for _ in wanted]
    held = 0
    try:
        for batch in _batches(path, layout, wanted):
            held += batch.num_rows * len(wanted)
            if held > MOST_VALUES:
                raise RecordingError(
                    path, f"holds more than {MOST_VALUES} numbers, far more than a lesson", "cut it into lessons"
                )
            for k, part in zip(wanted, parts, strict=True):
                column = batch.column(str(k))
                part.append(_dates(column) if layout.kinds[k] == "date" else _numbers(column))
    except (pa.ArrowInvalid, UnicodeError, ValueError) as error:
        from imuswing.formats.explain import explain

        raise explain(path, layout, str(error)) from error
    names = [layout.names[k] for k in wanted]
    columns: dict[str, FloatArray] = {}
    for name, part in zip(names, parts, strict=True):
        columns[name] = np.concatenate(part) if part else np.zeros(0)
        part.clear()  # one column at a time stands in memory twice
    if any(np.isinf(column).any() for column in columns.values()):
        raise RecordingError(path, "holds a number that is infinite", "export it again; a lost sample is an empty cell")
    return columns


def _batches(path: Path, layout: Layout, wanted: list[int]) -> Iterator[Any]:
    import pyarrow as pa
    import pyarrow.csv

    names = [str(k) for k in range(len(layout.names))]
    blanks = layout.separator == " "
    source: Any = pa.PythonFile(Blanks(path), mode="r") if blanks else str(path)
    reader = pyarrow.csv.open_csv(
        source,
        read_options=pyarrow.csv.ReadOptions(
            column_names=names,
            skip_rows=layout.skip,
            encoding="utf8" if layout.encoding == "utf-8" else layout.encoding,
            block_size=1 << 22,
        ),
        parse_options=pyarrow.csv.ParseOptions(delimiter=layout.separator, ignore_empty_lines=True),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={str(k): pa.string() if layout.kinds[k] == "date" else pa.float64() for k in wanted},
            include_columns=[str(k) for k in wanted],
            null_values=list(_NULLS),
            strings_can_be_null=True,
            decimal_point=layout.decimal,
        ),
    )
    yield from reader


def _numbers(column: Any) -> FloatArray:
    filled = column.fill_null(float("nan")) if column.null_count else column
    numbers: FloatArray = np.array(filled.to_numpy(zero_copy_only=False), dtype=np.float64)
    return numbers


def _dates(column: Any) -> FloatArray:
    import pyarrow as pa

    for zone in (None, "UTC"):  # dates without a zone, and with one: the parser takes each for itself
        try:
            whole = column.cast(pa.timestamp("ns", tz=zone)).cast(pa.int64())
        except pa.ArrowInvalid:
            continue
        # Nanoseconds since 1970 need 61 bits, a float64 has 53: taken apart first.
        seconds, rest = np.divmod(np.array(whole.fill_null(0)), 1_000_000_000)
        times: FloatArray = np.where(np.array(whole.is_valid()), seconds + rest / 1e9, np.nan)
        return times
    return np.array([np.nan if cell is None else seconds_of_date(cell) for cell in column.to_pylist()])


def seconds_of_date(cell: str) -> float:
    """An ISO 8601 date and time as seconds since 1970 (UTC where no zone is told); ValueError if it is none."""
    moment = datetime.fromisoformat(cell.strip().replace(",", "."))
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
